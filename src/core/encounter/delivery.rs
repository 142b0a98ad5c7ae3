//! A birth under way: from the head that shows to the newborn's first minute nobody has a hand, or an ear, for what else
//! falls due.

use crate::core::event::AdviceType;
use crate::core::event::Priority;
use crate::core::finding::{Field, Kind};
use crate::core::ledger::{Entry, Ledger};

use super::clocks::Due;

/// What the newborn needs first fills its first minute, and its score half a minute more (Apgar 1953: at one minute).
const FIRST_MINUTE_MS: u64 = 90_000;
/// A head that shows and is not born by then: what waited is said all the same. Our own choice, no source.
const LONGEST_MS: u64 = 10 * 60_000;

/// From when until when, stopwatch milliseconds, the crew has its hands full.
fn under_way(ledger: &Ledger) -> Vec<(u64, u64)> {
    let births = || ledger.all_of(Kind::Procedure).filter(|e| e.finding.is(Field::Name, "delivery") && happened(e));
    let from_head =
        ledger.all_of(Kind::Exam).chain(ledger.all_of(Kind::Procedure)).filter(|e| head_shows(e)).map(|e| {
            let longest = e.when.mono_ms + LONGEST_MS;
            let born = births().find(|birth| birth.seq > e.seq).map(|birth| birth.when.mono_ms);
            (e.when.mono_ms, born.filter(|at| *at <= longest).map_or(longest, |at| at + FIRST_MINUTE_MS))
        });
    let from_birth = births().map(|birth| (birth.when.mono_ms, birth.when.mono_ms + FIRST_MINUTE_MS));
    from_head.chain(from_birth).collect()
}

fn head_shows(entry: &Entry) -> bool {
    let shown = entry.finding.is(Field::Sign, "crowning") || entry.finding.is(Field::Name, "head_delivered");
    shown && happened(entry)
}

fn happened(entry: &Entry) -> bool {
    entry.finding.flag(Field::Present) != Some(false)
}

/// What would fall due in the middle of it falls due when it is over.
pub fn keep_back(ledger: &Ledger, dues: &mut [Due]) {
    let under_way = under_way(ledger);
    let reminds = |due: &&mut Due| {
        due.advice.priority != Priority::High && matches!(due.advice.kind, AdviceType::Reminder | AdviceType::Omission)
    };
    for due in dues.iter_mut().filter(reminds) {
        let over = under_way.iter().filter(|(from, to)| (*from..*to).contains(&due.at_ms)).map(|(_, to)| *to).max();
        due.at_ms = over.unwrap_or(due.at_ms);
    }
}
