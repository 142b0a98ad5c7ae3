//! The one fold over the record that answers "what stands now, and what did it replace".
//!
//! Corrections and retractions never remove anything: each entry keeps every value it ever had. The encounter, the
//! timeline, the handoff and every export read this fold, so they cannot disagree.

use std::collections::BTreeMap;

use super::event::{Body, Event};
use super::finding::{Field, Finding, Kind, Value};
use super::time::Moment;

/// How an answer repeated by a second voice is confirmed.
pub const ECHO: &str = "echo";

/// One finding of the record with its history.
#[derive(Clone, Debug, PartialEq)]
pub struct Entry {
    /// The event that recorded it.
    pub seq: u64,
    /// When its words began.
    pub when: Moment,
    /// The `heard` it came from.
    pub from: Option<u64>,
    /// The value in force.
    pub finding: Finding,
    /// Values it replaced, oldest first, each with the event that replaced it.
    pub replaced: Vec<(Finding, u64)>,
    /// The event that retracted it, if any.
    pub retracted: Option<u64>,
    /// The event that confirmed it, if any.
    pub confirmed: Option<u64>,
}

impl Entry {
    /// Not retracted.
    pub fn stands(&self) -> bool {
        self.retracted.is_none()
    }

    /// Said with doubt and never settled.
    pub fn unconfirmed(&self) -> bool {
        self.confirmed.is_none() && self.finding.flag(super::finding::Field::Unconfirmed) == Some(true)
    }
}

/// Every finding of a record, in order of writing.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Ledger {
    entries: Vec<Entry>,
    /// Places in `entries` by kind, oldest first: a long record is asked about one kind at a time.
    by_kind: BTreeMap<Kind, Vec<usize>>,
}

impl Ledger {
    pub fn fold<'a>(events: impl IntoIterator<Item = &'a Event>) -> Ledger {
        let mut ledger = Ledger::default();
        events.into_iter().for_each(|event| ledger.apply(event));
        ledger
    }

    /// Folds one event in. A correction of an unknown target changes nothing.
    pub fn apply(&mut self, event: &Event) {
        match &event.body {
            Body::Finding(finding) => self.record(event, finding),
            Body::Corrected(c) => self.correct(c.target, &c.finding, event.seq),
            Body::Retracted(r) => {
                if let Some(entry) = self.find_mut(r.target) {
                    entry.retracted = Some(event.seq);
                }
            }
            Body::Confirmed(c) => {
                if let Some(entry) = self.find_mut(c.target) {
                    entry.confirmed = Some(event.seq);
                    if c.how == ECHO {
                        entry.finding.set(Field::Echoed, Value::Flag(true));
                    }
                }
            }
            _ => {}
        }
    }

    fn record(&mut self, event: &Event, finding: &Finding) {
        self.by_kind.entry(finding.kind()).or_default().push(self.entries.len());
        self.entries.push(Entry {
            seq: event.seq,
            when: event.when,
            from: event.from,
            finding: finding.clone(),
            replaced: Vec::new(),
            retracted: None,
            confirmed: None,
        });
    }

    fn correct(&mut self, target: u64, finding: &Finding, by: u64) {
        let Some(at) = self.place(target) else { return };
        let Some(entry) = self.entries.get_mut(at) else { return };
        let old = std::mem::replace(&mut entry.finding, finding.clone());
        let (was, is) = (old.kind(), finding.kind());
        entry.replaced.push((old, by));
        if was != is {
            self.by_kind.entry(was).or_default().retain(|place| *place != at);
            let places = self.by_kind.entry(is).or_default();
            places.insert(places.partition_point(|place| *place < at), at);
        }
    }

    fn place(&self, seq: u64) -> Option<usize> {
        self.entries.binary_search_by_key(&seq, |e| e.seq).ok()
    }

    pub fn entries(&self) -> &[Entry] {
        &self.entries
    }

    /// The entry recorded by event `seq`.
    pub fn find(&self, seq: u64) -> Option<&Entry> {
        self.entries.get(self.place(seq)?)
    }

    fn find_mut(&mut self, seq: u64) -> Option<&mut Entry> {
        let at = self.place(seq)?;
        self.entries.get_mut(at)
    }

    /// Entries that stand (not retracted), oldest first.
    pub fn standing(&self) -> impl DoubleEndedIterator<Item = &Entry> {
        self.entries.iter().filter(|e| e.stands())
    }

    /// Standing entries of one kind about one patient, oldest first.
    pub fn of(&self, kind: Kind, patient: i64) -> impl DoubleEndedIterator<Item = &Entry> {
        self.all_of(kind).filter(move |e| e.finding.patient() == patient)
    }

    /// Standing entries of one kind about whomever, oldest first.
    pub fn all_of(&self, kind: Kind) -> impl DoubleEndedIterator<Item = &Entry> {
        let places = self.by_kind.get(&kind).map_or(&[][..], Vec::as_slice);
        places.iter().filter_map(|place| self.entries.get(*place)).filter(|e| e.stands())
    }

    /// Standing entries of any of these kinds about one patient, oldest first.
    pub fn of_any(&self, kinds: &[Kind], patient: i64) -> Vec<&Entry> {
        self.of_any_since(kinds, patient, 0)
    }

    /// The same of those said at `since_ms` of the stopwatch or later: a long record is not read whole.
    pub fn of_any_since(&self, kinds: &[Kind], patient: i64, since_ms: u64) -> Vec<&Entry> {
        let late = |e: &&Entry| e.when.mono_ms >= since_ms;
        let mut found: Vec<&Entry> =
            kinds.iter().flat_map(|kind| self.of(*kind, patient).rev().take_while(late)).collect();
        found.sort_by_key(|e| e.seq);
        found
    }

    pub fn latest(&self, kind: Kind, patient: i64) -> Option<&Entry> {
        self.of(kind, patient).next_back()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::core::event::Corrected;
    use chrono::DateTime;

    fn event(seq: u64, body: Body) -> Event {
        let at = DateTime::parse_from_rfc3339("2027-03-01T14:00:00-05:00").unwrap();
        Event { seq, when: Moment::new(seq * 1000, at), body, from: None }
    }

    fn pulse(rate: i64) -> Finding {
        Finding::new(Kind::Pulse).with(Field::RatePerMin, Value::int(rate))
    }

    #[test]
    fn a_correction_shows_the_new_value_and_keeps_the_old() {
        let events = [
            event(3, Body::Finding(pulse(18))),
            event(5, Body::Corrected(Corrected { target: 3, finding: pulse(118), who: None, why: None })),
        ];
        let ledger = Ledger::fold(&events);
        let entry = ledger.latest(Kind::Pulse, 1).unwrap();
        assert_eq!(entry.finding, pulse(118));
        assert_eq!(entry.replaced, [(pulse(18), 5)]);
    }

    #[test]
    fn a_correction_of_the_kind_moves_the_finding_to_its_own_kind() {
        let breaths = Finding::new(Kind::Respirations).with(Field::RatePerMin, Value::int(18));
        let events = [
            event(3, Body::Finding(pulse(18))),
            event(4, Body::Finding(breaths.clone())),
            event(5, Body::Corrected(Corrected { target: 3, finding: breaths, who: None, why: None })),
        ];
        let ledger = Ledger::fold(&events);
        assert_eq!(ledger.latest(Kind::Pulse, 1), None);
        assert_eq!(ledger.of(Kind::Respirations, 1).map(|e| e.seq).collect::<Vec<_>>(), [3, 4]);
    }
}
