//! "Before you sign": what a person must look at before the record may be relied on.

use super::call::{Call, happened};
use super::outline::Outline;
use super::review::{Desk, Fact, treatment_name};
use super::times::{Interval, MILESTONES, Milestone};
use super::vitals::{self, Measure};
use super::wording::{Manner, Wording, plain};
use crate::core::event::{AdviceType, Body, Outcome, Priority};
use crate::core::finding::{Field, Finding, Kind};
use crate::core::ledger::Entry;

/// Milestones without which no interval of patient care can be told.
const NEEDED: [&str; 5] = ["on_scene", "at_patient", "depart_scene", "at_destination", "transfer_of_care"];

/// Kinds that are answers, which a second voice should repeat.
const ANSWERS: [Kind; 5] = [Kind::Allergy, Kind::HomeMedication, Kind::History, Kind::RecentUse, Kind::LastIntake];

/// The items, gravest first.
pub fn items(desk: &Desk, outline: &Outline, milestones: &[Milestone], intervals: &[Interval]) -> Vec<Fact> {
    let mut list = List { desk, items: Vec::new() };
    list.values();
    list.unresolved();
    for number in desk.call.patients() {
        list.treatments(*number);
        list.vitals(*number);
        list.essentials(outline, *number);
        list.answers(*number);
    }
    list.advice();
    list.times(milestones, intervals);
    list.record();
    list.items
}

/// Names of milestones that matter and are not there, as people write them.
pub fn missing_times(wording: &Wording, milestones: &[Milestone]) -> Vec<String> {
    MILESTONES
        .into_iter()
        .filter(|name| !milestones.iter().any(|m| m.name == *name))
        .map(|name| wording.word(name, Manner::Shown))
        .collect()
}

struct List<'a> {
    desk: &'a Desk<'a>,
    items: Vec<Fact>,
}

impl List<'_> {
    fn add(&mut self, key: &str, what: &str, seqs: Vec<u64>) {
        let text = self.desk.wording.phrase(key, &[("what", what)]);
        self.items.push(Fact { label: String::new(), text, seqs });
    }

    /// One item for several findings.
    fn gather(&mut self, key: &str, entries: &[&Entry], patient: Option<i64>) {
        if entries.is_empty() {
            return;
        }
        let lines: Vec<String> = entries.iter().map(|e| self.desk.line(e)).collect();
        self.add(key, &(self.whose(patient) + &lines.join("; ")), entries.iter().map(|e| e.seq).collect());
    }

    fn whose(&self, patient: Option<i64>) -> String {
        match patient {
            Some(number) if self.desk.call.patients().len() > 1 => format!("patient {number}: "),
            _ => String::new(),
        }
    }

    fn values(&mut self) {
        for entry in self.desk.call.ledger.standing().filter(|e| e.unconfirmed()) {
            let mut finding = entry.finding.clone();
            finding.remove(Field::Unconfirmed);
            let what = self.whose(Some(finding.patient())) + &self.desk.finding_line(&finding);
            self.add("unconfirmed", &what, vec![entry.seq]);
        }
    }

    fn unresolved(&mut self) {
        for (event, heard) in self.desk.call.heard() {
            if matches!(heard.outcome, Outcome::Ambiguous | Outcome::Rejected) {
                let purged = self.desk.wording.phrase("words_purged", &[]);
                let what = heard.text.as_deref().map_or(purged, |text| format!("\u{201c}{}\u{201d}", plain(text)));
                self.add("unresolved", &what, vec![event.seq]);
            }
        }
    }

    fn treatments(&mut self, number: i64) {
        let call = self.desk.call;
        let plans = call.open_plans(number);
        self.gather("open_plan", &plans, Some(number));
        let given: Vec<&Entry> = call.ledger.of(Kind::MedicationGiven, number).collect();
        let without = |f: &Finding| f.get(Field::Dose).is_none() && f.get(Field::Count).is_none();
        let no_dose: Vec<&Entry> = given.iter().copied().filter(|e| without(&e.finding)).collect();
        self.gather("dose_not_said", &no_dose, Some(number));
        let withheld = call.ledger.of(Kind::MedicationWithheld, number);
        let no_reason: Vec<&Entry> = withheld.filter(|e| e.finding.get(Field::Reason).is_none()).collect();
        self.gather("reason_not_said", &no_reason, Some(number));
        let quiet: Vec<&Entry> = given.iter().copied().filter(|e| nothing_after(self.desk, e, number)).collect();
        self.gather("no_response", &quiet, Some(number));
        let warned: Vec<&Entry> = given.iter().copied().filter(|e| warned_before(self.desk.call, e)).collect();
        self.gather("given_after_warning", &warned, Some(number));
    }

    fn vitals(&mut self, number: i64) {
        if self.desk.call.standing(number).next().is_none() {
            return;
        }
        let sets = vitals::sets(self.desk.call, number);
        let core: Vec<_> = sets.iter().filter(|s| s.entries.iter().any(|(m, _)| m.is_core())).collect();
        let unchanged = |f: &Finding| f.flag(Field::Unchanged) == Some(true);
        let key = match core.as_slice() {
            [] => Some("no_vitals"),
            [_] => Some("one_set"),
            all if !all.iter().any(|s| s.is_full()) => Some("no_full_set"),
            _ => None,
        };
        if let Some(key) = key {
            let text = self.whose(Some(number)) + &self.desk.wording.phrase(key, &[]);
            self.items.push(Fact { label: String::new(), text, seqs: Vec::new() });
        }
        let said: Vec<&Entry> = self.desk.call.standing(number).filter(|e| unchanged(&e.finding)).collect();
        self.gather("unchanged", &said, Some(number));
    }

    fn essentials(&mut self, outline: &Outline, number: i64) {
        let call = self.desk.call;
        let missing: Vec<&str> = outline
            .history
            .iter()
            .chain(&outline.exam)
            .filter(|t| t.essential && t.gather(call, number).is_empty())
            .map(|t| t.label.as_str())
            .collect();
        if !missing.is_empty() {
            self.add("not_asked_essential", &(self.whose(Some(number)) + &missing.join(", ")), Vec::new());
        }
    }

    fn answers(&mut self, number: i64) {
        let once = |e: &&Entry| {
            ANSWERS.contains(&e.finding.kind())
                && e.finding.flag(Field::Echoed) != Some(true)
                && e.confirmed.is_none()
                && vitals::obtained(&e.finding)
        };
        let entries: Vec<&Entry> = self.desk.call.standing(number).filter(once).collect();
        self.gather("not_echoed", &entries, Some(number));
    }

    fn advice(&mut self) {
        let about = self.desk.call.about_advice();
        for (event, advice) in self.desk.call.advice().filter(|(_, a)| a.priority == Priority::High) {
            let answered = about.get(&event.seq).is_some_and(|events| {
                events.iter().any(|e| matches!(e.body, Body::Acknowledged(_) | Body::Silenced(_)))
            });
            let settled = super::followed::next_recorded(self.desk.call, event, advice).is_some();
            if !answered && !settled && advice.kind != AdviceType::ReadBack {
                self.add("advice_open", &plain(&advice.say), vec![event.seq]);
            }
        }
    }

    fn times(&mut self, milestones: &[Milestone], intervals: &[Interval]) {
        let missing: Vec<String> = NEEDED
            .into_iter()
            .filter(|name| !milestones.iter().any(|m| m.name == *name))
            .map(|name| self.desk.wording.word(name, Manner::Shown))
            .collect();
        if !missing.is_empty() {
            self.add("missing_times", &missing.join(", "), Vec::new());
        }
        for interval in intervals.iter().filter(|i| i.seconds < 0) {
            self.add("times_out_of_order", interval.name, interval.seqs.to_vec());
        }
    }

    fn record(&mut self) {
        let call = self.desk.call;
        let unmatched: Vec<u64> = call.heard().filter(|(_, h)| h.is_not_understood()).map(|(e, _)| e.seq).collect();
        if !unmatched.is_empty() {
            let count = format!("{}\u{00d7}", unmatched.len());
            self.add("not_understood", &count, unmatched.into_iter().take(12).collect());
        }
        for event in call.events {
            if let Body::Device(t) | Body::Recovered(t) = &event.body {
                let what = plain(&format!("{} {}", t.what, t.state.replace('_', " ")));
                self.add("trouble", &what, vec![event.seq]);
            }
        }
        if call.closed.is_none() {
            self.add("not_closed", "", Vec::new());
        }
    }
}

/// No vitals and no response after a dose.
fn nothing_after(desk: &Desk, given: &Entry, number: i64) -> bool {
    let at = happened(given).mono_ms;
    !desk.call.standing(number).any(|e| {
        e.seq > given.seq
            && happened(e).mono_ms > at
            && (e.finding.kind() == Kind::Response || Measure::of(&e.finding).is_some())
    })
}

/// A contraindication or an unanswered question about the drug stood before it was given.
pub fn warned_before(call: &Call, given: &Entry) -> bool {
    let name = treatment_name(&given.finding);
    call.advice().any(|(event, advice)| {
        event.seq < given.seq
            && Some(advice.about.as_str()) == name
            && matches!(advice.kind, AdviceType::Contraindication | AdviceType::Dose)
    })
}
