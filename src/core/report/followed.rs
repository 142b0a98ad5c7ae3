//! What became of an advice: was it spoken, answered, and what was recorded next about the same thing.

use super::call::Call;
use super::review::{Desk, Fact, treatment_name};
use super::vitals::Measure;
use super::wording::plain;
use crate::core::event::{Advice, AdviceType, Body, Event};
use crate::core::finding::{Field, Finding, Kind};
use crate::core::ledger::Entry;

/// Everything that followed, oldest first; one fact says so when nothing did.
pub fn facts(desk: &Desk, event: &Event, advice: &Advice, about: &[&Event]) -> Vec<Fact> {
    let mut facts: Vec<Fact> = about.iter().filter_map(|e| answer(desk, e)).collect();
    if let Some(entry) = next_recorded(desk.call, event, advice) {
        let what = desk.line(entry);
        let text = desk.wording.phrase("then", &[("what", &what), ("at", &desk.time(entry.when))]);
        facts.push(Fact { label: String::new(), text, seqs: vec![entry.seq] });
    }
    if facts.is_empty() {
        let text = desk.wording.phrase("nothing_followed", &[]);
        facts.push(Fact { label: String::new(), text, seqs: Vec::new() });
    }
    facts
}

fn answer(desk: &Desk, event: &Event) -> Option<Fact> {
    let at = desk.time(event.when);
    let text = match &event.body {
        Body::Spoken(spoken) => match spoken.reason.as_deref() {
            Some("interrupted") => desk.wording.phrase("was_interrupted", &[("at", &at)]),
            Some("failed") => desk.wording.phrase("was_not_spoken", &[]),
            _ => desk.wording.phrase("was_spoken", &[("at", &at)]),
        },
        Body::Acknowledged(x) => acknowledgement(desk, "was_acknowledged", event, &x.reason, &x.authorized_by),
        Body::Silenced(x) => acknowledgement(desk, "was_silenced", event, &x.reason, &x.authorized_by),
        _ => return None,
    };
    Some(Fact { label: String::new(), text, seqs: vec![event.seq] })
}

/// `acknowledged at 14:02:35; reason: ...; authorised by ...`.
pub fn acknowledgement(
    desk: &Desk,
    key: &str,
    event: &Event,
    reason: &Option<String>,
    authorized_by: &Option<String>,
) -> String {
    let mut text = desk.wording.phrase(key, &[("at", &desk.time(event.when))]);
    for (key, value) in [("because_of", reason), ("authorized_by", authorized_by)] {
        if let Some(value) = value {
            text.push_str("; ");
            text.push_str(&desk.wording.phrase(key, &[("what", &plain(value))]));
        }
    }
    text
}

/// The first standing finding written after the advice that is about the same thing.
pub fn next_recorded<'a>(call: &'a Call, event: &Event, advice: &Advice) -> Option<&'a Entry> {
    let entries = call.ledger.entries();
    let from = entries.partition_point(|e| e.seq <= event.seq);
    entries.get(from..)?.iter().filter(|e| e.stands()).find(|e| is_about(advice, &e.finding))
}

fn is_about(advice: &Advice, finding: &Finding) -> bool {
    let about = advice.about.as_str();
    match advice.kind {
        AdviceType::MissingFact => {
            matches!(
                finding.kind(),
                Kind::RecentUse | Kind::Allergy | Kind::HomeMedication | Kind::History | Kind::CanSwallow
            ) || is_drug(about, finding)
                || Measure::of(finding).is_some_and(Measure::is_core)
        }
        AdviceType::Reminder if about == "reassessment" => Measure::of(finding).is_some_and(Measure::is_core),
        AdviceType::Reminder if about.starts_with("recheck_") => {
            finding.kind() == Kind::Response || Measure::of(finding).is_some()
        }
        AdviceType::ReadBack => finding.kind().name() == about || is_drug(about, finding),
        _ => is_drug(about, finding) || finding.kind().name() == about || finding.is(Field::Name, about),
    }
}

fn is_drug(about: &str, finding: &Finding) -> bool {
    matches!(
        finding.kind(),
        Kind::MedicationGiven | Kind::MedicationWithheld | Kind::MedicationPlanned | Kind::Oxygen | Kind::Procedure
    ) && treatment_name(finding) == Some(about)
}
