//! One record read as one call: what stands, what was heard, what was advised and what followed.

use std::collections::{BTreeMap, BTreeSet};

use super::wording::{Manner, Wording};
use crate::core::event::{Advice, Body, Closed, Event, Heard, Opened, Purpose};
use crate::core::finding::{Field, Finding, Kind};
use crate::core::ledger::{Entry, Ledger};
use crate::core::planned::{FromPlan, from_plan};
use crate::core::time::Moment;

/// A record, folded. Borrowed from the events; decides nothing.
pub struct Call<'a> {
    pub events: &'a [Event],
    pub ledger: Ledger,
    pub opened: Option<&'a Opened>,
    /// The last `closed`, with its event.
    pub closed: Option<(&'a Event, &'a Closed)>,
    by_seq: BTreeMap<u64, usize>,
    patients: Vec<i64>,
}

impl<'a> Call<'a> {
    pub fn read(events: &'a [Event]) -> Call<'a> {
        let ledger = Ledger::fold(events);
        let opened = events.iter().find_map(|e| match &e.body {
            Body::Opened(opened) => Some(opened),
            _ => None,
        });
        let closed = events.iter().rev().find_map(|e| match &e.body {
            Body::Closed(closed) => Some((e, closed)),
            _ => None,
        });
        let by_seq = events.iter().enumerate().map(|(at, e)| (e.seq, at)).collect();
        Call { events, opened, closed, by_seq, patients: patients(&ledger), ledger }
    }

    /// A call of which only the findings are at hand (while it goes on).
    pub fn of_ledger(ledger: Ledger) -> Call<'static> {
        let patients = patients(&ledger);
        Call { events: &[], opened: None, closed: None, by_seq: BTreeMap::new(), patients, ledger }
    }

    /// Patients spoken of; always holds 1.
    pub fn patients(&self) -> &[i64] {
        &self.patients
    }

    pub fn purpose(&self) -> Purpose {
        self.opened.map_or(Purpose::Care, |o| o.purpose)
    }

    pub fn training(&self) -> bool {
        self.purpose() == Purpose::Training
    }

    /// The first event's moment.
    pub fn start(&self) -> Option<Moment> {
        self.events.first().map(|e| e.when)
    }

    /// The closing, or the latest moment there is.
    pub fn end(&self) -> Option<Moment> {
        let last = || self.events.iter().map(|e| e.when).max_by_key(|m| m.mono_ms);
        self.closed.map(|(e, _)| e.when).or_else(last)
    }

    pub fn event(&self, seq: u64) -> Option<&'a Event> {
        self.by_seq.get(&seq).and_then(|at| self.events.get(*at))
    }

    /// The words that a finding or correction came from, if they are still in the record.
    pub fn words(&self, seq: u64) -> Option<&'a str> {
        self.event(seq).and_then(|e| e.from).and_then(|from| self.event(from)).and_then(|e| match &e.body {
            Body::Heard(heard) => heard.text.as_deref(),
            _ => None,
        })
    }

    pub fn heard(&self) -> impl Iterator<Item = (&'a Event, &'a Heard)> {
        self.events.iter().filter_map(|e| match &e.body {
            Body::Heard(heard) => Some((e, heard)),
            _ => None,
        })
    }

    pub fn advice(&self) -> impl Iterator<Item = (&'a Event, &'a Advice)> {
        self.events.iter().filter_map(|e| match &e.body {
            Body::Advice(advice) => Some((e, advice)),
            _ => None,
        })
    }

    /// `spoken`, `acknowledged` and `silenced` events about `seq`, in order of writing.
    pub fn about_advice(&self) -> BTreeMap<u64, Vec<&'a Event>> {
        let mut map: BTreeMap<u64, Vec<&Event>> = BTreeMap::new();
        for event in self.events {
            let target = match &event.body {
                Body::Spoken(x) => x.target,
                Body::Acknowledged(x) => x.target,
                Body::Silenced(x) => x.target,
                _ => continue,
            };
            map.entry(target).or_default().push(event);
        }
        map
    }

    /// Plans that no later `medication_given` or `medication_withheld` of the same drug closed.
    pub fn open_plans(&self, patient: i64) -> Vec<&Entry> {
        let mut open: Vec<&Entry> = Vec::new();
        for entry in self.ledger.standing().filter(|e| e.finding.patient() == patient) {
            let name = entry.finding.text(Field::Name);
            match entry.finding.kind() {
                Kind::MedicationPlanned => {
                    open.retain(|plan| plan.finding.text(Field::Name) != name);
                    open.push(entry);
                }
                Kind::MedicationGiven | Kind::MedicationWithheld => {
                    open.retain(|plan| plan.finding.text(Field::Name) != name);
                }
                Kind::Oxygen if name_is(&open, "oxygen") => {
                    open.retain(|plan| !plan.finding.is(Field::Name, "oxygen"));
                }
                _ => {}
            }
        }
        open
    }

    /// `as planned 324 mg, #12`: a dose that was not said again stands in the plan, and is shown as such, never as said.
    /// For the ear without the number.
    pub fn planned_dose_text(&self, given: &Entry, wording: &Wording, manner: Manner) -> Option<String> {
        let FromPlan { plan, unconfirmed, .. } = from_plan(&self.ledger, given, str::to_string)?;
        let mut dose = wording.dose(&plan.finding, manner);
        if unconfirmed {
            dose = format!("{dose}, {}", wording.word("unconfirmed", manner));
        }
        let text = wording.phrase("dose_as_planned", &[("what", &dose)]);
        Some(if manner == Manner::Shown { format!("{text}, #{}", plan.seq) } else { text })
    }

    /// Standing entries of one patient, oldest first.
    pub fn standing(&self, patient: i64) -> impl DoubleEndedIterator<Item = &Entry> {
        self.ledger.standing().filter(move |e| e.finding.patient() == patient)
    }
}

fn patients(ledger: &Ledger) -> Vec<i64> {
    let mut patients: BTreeSet<i64> = ledger.entries().iter().map(|e| e.finding.patient()).collect();
    patients.insert(1);
    patients.into_iter().collect()
}

fn name_is(plans: &[&Entry], name: &str) -> bool {
    plans.iter().any(|plan| plan.finding.is(Field::Name, name))
}

/// When it happened: the time said, else the time the words began.
pub fn happened(entry: &Entry) -> Moment {
    happened_at(&entry.finding, entry.when)
}

/// As [`happened`], for a finding and the moment of its words.
pub fn happened_at(finding: &Finding, when: Moment) -> Moment {
    let said = finding.text(Field::HappenedAt).and_then(|t| chrono::DateTime::parse_from_rfc3339(t).ok());
    match said {
        Some(at) => {
            let back = (when.at - at).num_milliseconds();
            let mono_ms = if back >= 0 {
                when.mono_ms.saturating_sub(back as u64)
            } else {
                when.mono_ms.saturating_add(back.unsigned_abs())
            };
            Moment::new(mono_ms, at)
        }
        None => when,
    }
}
