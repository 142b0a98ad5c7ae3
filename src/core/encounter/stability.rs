//! How closely the patient must be watched: what was said wins over what the vital signs tell.

use crate::core::ledger::Entry;
use crate::core::time::Moment;
use crate::core::vitals::{self, Level, Who};

use super::Knowledge;
use super::state::Watched;

/// How often to look again.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Pace {
    /// Every sign inside its limits, or said to be stable.
    Stable,
    /// Unstable, perhaps unstable, or not known.
    Close,
}

/// The pace that the signs known at `look` call for.
pub fn pace(knowledge: &Knowledge, state: &Watched<'_>, look: Moment) -> Pace {
    match vitals::stability(&knowledge.protocol.vitals, &state.ledger, state.patient(), look) {
        Some(stability) if stability.level == Level::Stable => Pace::Stable,
        _ => Pace::Close,
    }
}

/// Whether this one finding lies beyond a limit.
pub fn crosses(knowledge: &Knowledge, state: &Watched<'_>, entry: &Entry) -> bool {
    let who = Who::of(&state.ledger, state.patient());
    vitals::crosses(&knowledge.protocol.vitals, &entry.finding, who).is_some()
}
