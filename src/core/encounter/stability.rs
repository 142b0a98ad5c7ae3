//! How closely the patient must be watched: what was said wins over what the vital signs tell.

use crate::core::finding::{Field, Kind};
use crate::core::ledger::Entry;
use crate::core::time::Moment;

use super::Knowledge;
use super::state::State;

/// How often to look again.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Pace {
    /// Every sign inside its limits, or said to be stable.
    Stable,
    /// Unstable, perhaps unstable, or not known.
    Close,
}

pub fn pace(knowledge: &Knowledge, state: &State, now: Moment) -> Pace {
    let _ = (knowledge, now);
    match state.ledger.latest(Kind::Priority, state.patient()) {
        Some(said) if said.finding.is(Field::Level, "stable") && !said.unconfirmed() => Pace::Stable,
        _ => Pace::Close,
    }
}

/// Whether this one finding lies beyond a limit.
pub fn crosses(knowledge: &Knowledge, state: &State, entry: &Entry) -> bool {
    let _ = (knowledge, state, entry);
    false
}
