//! The whole screen as lines of text: what a crew member looks for in one glance. A function of the call and the moment;
//! drawing is `screen`'s.
//!
//! Words and order carry everything: there is no colour to miss and no table of boxes to read.

use crate::core::encounter::{Knowledge, State, dues};
use crate::core::event::{AdviceType, Priority};
use crate::core::finding::{Field, Finding, Kind, Value};
use crate::core::glance::finding_line;
use crate::core::ledger::Entry;
use crate::core::time::Moment;

/// What the ear and the last words look like.
pub struct Glance<'a> {
    pub ear: String,
    pub words: &'a str,
    pub became: &'a str,
    pub news: &'a [String],
}

/// The signs that are shown, and the field whose way up or down is told.
const SIGNS: [(Kind, Field); 8] = [
    (Kind::BloodPressure, Field::SystolicMmhg),
    (Kind::Pulse, Field::RatePerMin),
    (Kind::Respirations, Field::RatePerMin),
    (Kind::OxygenSaturation, Field::Percent),
    (Kind::Glucose, Field::MgPerDl),
    (Kind::Temperature, Field::Celsius),
    (Kind::Gcs, Field::Total),
    (Kind::Consciousness, Field::Avpu),
];
/// A question is shown as open for so long, milliseconds.
const OPEN_MS: u64 = 300_000;

/// At most `height` lines of at most `width` characters.
pub fn lines(
    call: Option<&State>,
    knowledge: &Knowledge,
    now: Moment,
    glance: &Glance<'_>,
    width: usize,
    height: usize,
) -> Vec<String> {
    let mut lines = vec![header(call, now), format!("{}   \"{}\"  {}", glance.ear, glance.words, glance.became)];
    if let Some(state) = call {
        warning(&mut lines, state, now);
        signs(&mut lines, state, now);
        due(&mut lines, state, knowledge, now);
        open(&mut lines, state, now);
    }
    if !glance.news.is_empty() {
        lines.push(String::new());
        lines.extend(glance.news.iter().map(|news| format!("  {news}")));
    }
    lines.truncate(height);
    lines.into_iter().map(|line| line.chars().take(width).collect()).collect()
}

fn header(call: Option<&State>, now: Moment) -> String {
    let clock = now.at.format("%H:%M:%S");
    match call {
        None => format!("NO CALL   {clock}   a finding opens one"),
        Some(state) => {
            let patient = if state.patient() == 1 { String::new() } else { format!("   patient {}", state.patient()) };
            let paused = if state.off_record { "   OFF THE RECORD" } else { "" };
            format!("CALL {}   {clock}{patient}{paused}", minutes(now.mono_ms))
        }
    }
}

/// The last thing said that matters.
fn warning(lines: &mut Vec<String>, state: &State, now: Moment) {
    let Some(said) = state.said.iter().rev().find(|said| said.advice.priority == Priority::High) else { return };
    let heard = if said.acknowledged.is_some() { ", acknowledged" } else { "" };
    lines.push(String::new());
    lines.push(format!(">>> {}   ({} ago{heard})", said.advice.say, minutes(now.since_ms(said.when))));
}

fn signs(lines: &mut Vec<String>, state: &State, now: Moment) {
    let mut shown = Vec::new();
    for (kind, field) in SIGNS {
        let mut entries = state.ledger.of(kind, state.patient()).rev();
        if let Some(latest) = entries.next() {
            shown.push(format!(
                "  {:<44} {:>6} ago  {}",
                value(latest),
                age(latest, now),
                trend(latest, entries.next(), field)
            ));
        }
    }
    if !shown.is_empty() {
        lines.push(String::new());
        lines.push("last measured".into());
        lines.extend(shown);
    }
}

fn value(entry: &Entry) -> String {
    let doubt = if entry.unconfirmed() { " ?" } else { "" };
    format!("{}{doubt}", finding_line(&entry.finding))
}

fn age(entry: &Entry, now: Moment) -> String {
    minutes(now.since_ms(entry.when))
}

/// `up from 104`: against the one before.
fn trend(latest: &Entry, before: Option<&Entry>, field: Field) -> String {
    let number = |finding: &Finding| match finding.get(field) {
        Some(Value::Number(number)) => Some(*number),
        _ => None,
    };
    let Some(before) = before else { return String::new() };
    match (number(&latest.finding), number(&before.finding)) {
        (Some(now), Some(then)) if now > then => format!("up from {then}"),
        (Some(now), Some(then)) if now < then => format!("down from {then}"),
        (Some(_), Some(_)) => "as before".into(),
        _ => String::new(),
    }
}

fn due(lines: &mut Vec<String>, state: &State, knowledge: &Knowledge, now: Moment) {
    let latest = state.latest().filter(|latest| latest.mono_ms > now.mono_ms).unwrap_or(now);
    let next: Vec<_> = dues(state, knowledge, latest).into_iter().take(4).collect();
    if next.is_empty() {
        return;
    }
    lines.push(String::new());
    lines.push("due".into());
    for due in next {
        let when = match due.at_ms.checked_sub(now.mono_ms) {
            Some(ms) if ms > 0 => format!("in {}", minutes(ms)),
            _ => "NOW".into(),
        };
        lines.push(format!("  {when:<9} {}", due.advice.about.replace('_', " ")));
    }
}

/// What was asked and is not settled: values not confirmed, questions of ours.
fn open(lines: &mut Vec<String>, state: &State, now: Moment) {
    let mut questions: Vec<String> = state
        .ledger
        .standing()
        .filter(|entry| entry.unconfirmed())
        .map(|entry| format!("  not confirmed: {}", finding_line(&entry.finding)))
        .collect();
    let fresh = |kind: AdviceType| matches!(kind, AdviceType::MissingFact | AdviceType::Inconsistency);
    questions.extend(
        state
            .said
            .iter()
            .filter(|s| fresh(s.advice.kind) && s.acknowledged.is_none() && now.since_ms(s.when) < OPEN_MS)
            .map(|s| format!("  asked: {}", s.advice.say)),
    );
    if !questions.is_empty() {
        lines.push(String::new());
        lines.push("open".into());
        lines.extend(questions.into_iter().rev().take(4));
    }
}

/// `12:34`, also beyond an hour.
fn minutes(ms: u64) -> String {
    format!("{}:{:02}", ms / 60_000, ms / 1000 % 60)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::core::event::{Advice, Body, Event};
    use crate::shell::{app, data::DataSet};
    use chrono::DateTime;

    fn at(seconds: u64) -> Moment {
        let start = DateTime::parse_from_rfc3339("2027-03-01T14:00:00-05:00").unwrap();
        Moment::new(0, start).plus_ms(seconds * 1000)
    }

    fn state() -> State {
        let pulse = |rate| Body::Finding(Finding::new(Kind::Pulse).with(Field::RatePerMin, Value::int(rate)));
        let advice = Advice {
            kind: AdviceType::Contraindication,
            priority: Priority::High,
            about: "aspirin".into(),
            say: "Aspirin, hold: allergy".into(),
            rule: "r".into(),
            because: vec![1],
            source: "s".into(),
            say_aloud: None,
        };
        let events = [(60, pulse(104)), (90, Body::Advice(advice)), (120, pulse(118))];
        let mut state = State::default();
        for (n, (seconds, body)) in events.into_iter().enumerate() {
            state.apply(&Event { seq: n as u64 + 1, when: at(seconds), body, from: None });
        }
        state
    }

    fn show(call: Option<&State>, width: usize, height: usize) -> Vec<String> {
        let knowledge = app::knowledge(&DataSet::built_in()).unwrap();
        let news = ["microphone back".to_string()];
        let glance = Glance { ear: "mic ###".into(), words: "pulse one eighteen", became: "recorded", news: &news };
        lines(call, &knowledge, at(165), &glance, width, height)
    }

    #[test]
    fn the_screen_tells_value_age_trend_and_the_last_warning() {
        let state = state();
        let lines = show(Some(&state), 100, 40);
        assert_eq!(lines[0], "CALL 2:45   14:02:45");
        assert_eq!(lines[1], "mic ###   \"pulse one eighteen\"  recorded");
        assert_eq!(lines[3], ">>> Aspirin, hold: allergy   (1:15 ago)");
        let pulse = lines.iter().find(|line| line.contains("118") && line.contains("ago")).unwrap();
        assert!(pulse.contains("0:45 ago") && pulse.ends_with("up from 104"), "{pulse}");
        assert!(lines.iter().any(|line| line.trim() == "microphone back"));
    }

    #[test]
    fn it_fits_whatever_the_terminal_is_and_says_when_there_is_no_call() {
        for (width, height) in [(20, 3), (1, 1), (200, 60)] {
            let lines = show(Some(&state()), width, height);
            assert!(lines.len() <= height && lines.iter().all(|line| line.chars().count() <= width));
        }
        assert!(show(None, 80, 24)[0].starts_with("NO CALL"));
    }
}
