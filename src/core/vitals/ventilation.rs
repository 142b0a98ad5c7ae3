//! Breaths that we give: while the patient is bagged, a rate told is the bag's.

use crate::core::finding::{Field, Finding, Kind, Value};
use crate::core::ledger::{Entry, Ledger};

/// What the voice of the limits calls breaths that we give.
pub const ASSISTED: &str = "assisted";

/// A word on who breathes is believed for so long. Our own choice, no source.
const REMEMBERED_MS: u64 = 30 * 60_000;

/// The finding as the limits look at it: a rate told while the bag is on, without a word on whose breaths they are, is of
/// assisted breathing.
pub fn as_given(ledger: &Ledger, entry: &Entry) -> Option<Finding> {
    let finding = &entry.finding;
    let bare = finding.kind() == Kind::Respirations
        && finding.get(Field::RatePerMin).is_some()
        && finding.get(Field::Effort).is_none();
    (bare && bagged(ledger, entry)).then(|| finding.clone().with(Field::Effort, Value::text(ASSISTED)))
}

/// Whether the bag was on when `entry` was told: the last word before it on who breathes.
fn bagged(ledger: &Ledger, entry: &Entry) -> bool {
    let last = |kind: Kind| {
        let before = ledger.of(kind, entry.finding.patient()).rev().skip_while(|e| e.seq >= entry.seq);
        let lately = before.take_while(|e| entry.when.since_ms(e.when) <= REMEMBERED_MS);
        lately.filter_map(|e| Some((e.seq, who_breathes(&e.finding)?))).next()
    };
    last(Kind::Oxygen).max(last(Kind::Respirations)).is_some_and(|(_, ours)| ours)
}

/// `true`: we do; `false`: the patient does; `None`: it says neither.
fn who_breathes(finding: &Finding) -> Option<bool> {
    if finding.kind() == Kind::Oxygen {
        let bag = finding.is(Field::Device, "bag_valve_mask");
        let stopped = finding.flag(Field::Stopped) == Some(true);
        return finding.get(Field::Device).map(|_| bag && !stopped);
    }
    match finding.text(Field::Effort) {
        Some(effort) => Some(effort == ASSISTED),
        None => finding.flag(Field::Present).filter(|present| *present).map(|_| false),
    }
}
