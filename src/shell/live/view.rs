//! The whole screen as lines of text: what a crew member looks for in one glance. A function of the call and the moment;
//! drawing is `screen`'s.
//!
//! Words and order carry everything: there is no colour to miss and no table of boxes to read.

use crate::core::encounter::{Knowledge, State, dues};
use crate::core::event::{Advice, AdviceType, Priority};
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
    let mut top = vec![header(call, now)];
    top.extend(wrapped(&format!("{}   ", glance.ear), &format!("\"{}\"  {}", glance.words, glance.became), width));
    let mut first = vec![top];
    let mut second = vec![glance.news.iter().rev().map(|news| format!("program  {news}")).collect()];
    if let Some(state) = call {
        first.push(warning(state, now, width));
        first.push(signs(state, now, width));
        second.splice(0..0, [due(state, knowledge, now), open(state, now)]);
    }
    let lines = fitted(first, second, height);
    lines.into_iter().take(height).map(|line| line.chars().take(width).collect()).collect()
}

/// One below the other, with an empty line between where there is room. Where there is not, what comes second gives first,
/// its longest section, down to one line, because a glance needs something of each; then what comes first does.
fn fitted(mut first: Vec<Vec<String>>, mut second: Vec<Vec<String>>, height: usize) -> Vec<String> {
    let total = |sections: &[Vec<String>]| sections.iter().map(Vec::len).sum::<usize>();
    first.retain(|section| !section.is_empty());
    second.retain(|section| !section.is_empty());
    let airy = total(&first) + total(&second) + first.len() + second.len() - 1 <= height;
    while total(&first) + total(&second) > height && (shorten(&mut second) || shorten(&mut first)) {}
    first.append(&mut second);
    first.join(&if airy { vec![String::new()] } else { Vec::new() }[..])
}

/// Takes the last line from the longest section that has more than one; of equals from the lower one.
fn shorten(sections: &mut [Vec<String>]) -> bool {
    // `max_by_key` gives the last of equals.
    let longest = sections.iter_mut().max_by_key(|section| section.len());
    longest.filter(|section| section.len() > 1).and_then(Vec::pop).is_some()
}

/// `text` after `before`, broken between words; what follows is set in by four.
fn wrapped(before: &str, text: &str, width: usize) -> Vec<String> {
    let mut lines = vec![before.to_string()];
    for word in text.split_inclusive(' ') {
        if let Some(line) = lines.last_mut() {
            let long = line.chars().count() + word.trim_end().chars().count() > width;
            if !long || line.trim().is_empty() {
                line.push_str(word);
                continue;
            }
        }
        lines.push(format!("    {word}"));
    }
    lines.into_iter().map(|line| line.trim_end().to_string()).collect()
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

/// The last thing said that matters. A value read back is among what is open: it must not take a warning's place.
fn warning(state: &State, now: Moment, width: usize) -> Vec<String> {
    let warns = |advice: &Advice| advice.priority == Priority::High && advice.kind != AdviceType::ReadBack;
    let Some(said) = state.said.iter().rev().find(|said| warns(&said.advice)) else {
        return Vec::new();
    };
    let heard = if said.acknowledged.is_some() { ", acknowledged" } else { "" };
    let text = format!("{}   ({} ago{heard})", said.advice.say, minutes(now.since_ms(said.when)));
    wrapped(">>> ", &text, width)
}

/// The widest that a value is given.
const VALUE_MAX: usize = 44;

fn signs(state: &State, now: Moment, width: usize) -> Vec<String> {
    let mut shown: Vec<(String, String, String)> = Vec::new();
    for (kind, field) in SIGNS {
        let mut entries = state.ledger.of(kind, state.patient()).rev();
        if let Some(latest) = entries.next() {
            shown.push((value(latest, field), age(latest, now), trend(latest, entries.next(), field)));
        }
    }
    if shown.is_empty() {
        return Vec::new();
    }
    // The age is never the part that is cut off.
    let room = width.saturating_sub("   12:34 ago  down from 104".len());
    let trends = room >= 20;
    let room = if trends { room } else { width.saturating_sub("   12:34 ago".len()) };
    let widest = shown.iter().map(|(value, ..)| value.chars().count()).max().unwrap_or(0);
    let column = widest.min(VALUE_MAX).min(room.max(8));
    let line = |(value, age, trend): (String, String, String)| {
        let value: String = value.chars().take(column).collect();
        let trend = if trends { trend.as_str() } else { "" };
        format!("  {value:<column$} {age:>5} ago  {trend}").trim_end().to_string()
    };
    shown.into_iter().map(line).collect()
}

fn value(entry: &Entry, field: Field) -> String {
    let doubt = if entry.unconfirmed() { " ?" } else { "" };
    format!("{}{doubt}", sign(&entry.finding, field))
}

/// A sign as it is read off: `blood pressure 82/50`, `oxygen saturation 88% room air`. What was said besides is in the log.
fn sign(finding: &Finding, field: Field) -> String {
    let number = |field: Field| match finding.get(field) {
        Some(Value::Number(number)) => Some(number.to_string()),
        _ => None,
    };
    let Some(mut read) = number(field) else { return finding_line(finding) };
    match (field, number(Field::DiastolicMmhg)) {
        (Field::SystolicMmhg, Some(diastolic)) => read.push_str(&format!("/{diastolic}")),
        (Field::SystolicMmhg, None) => read.push_str(" systolic"),
        (Field::Percent, _) => read.push('%'),
        (Field::MgPerDl, _) => read.push_str(" mg/dL"),
        (Field::Celsius, _) => read.push_str(" C"),
        _ => {}
    }
    if let Some(on) = finding.text(Field::On) {
        read.push_str(&format!(" {}", on.replace('_', " ")));
    }
    format!("{} {read}", finding.kind().name().replace('_', " "))
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

fn due(state: &State, knowledge: &Knowledge, now: Moment) -> Vec<String> {
    let latest = state.latest().filter(|latest| latest.mono_ms > now.mono_ms).unwrap_or(now);
    let next: Vec<String> = dues(state, knowledge, latest)
        .into_iter()
        // A question that is asked once more is among what is open.
        .filter(|due| due.advice.kind != AdviceType::ReadBack)
        .take(4)
        .map(|due| {
            let when = match due.at_ms.checked_sub(now.mono_ms) {
                Some(ms) if ms > 0 => format!("in {}", minutes(ms)),
                _ => "NOW".into(),
            };
            format!("{when:<9} {}", due.advice.about.replace('_', " "))
        })
        .collect();
    headed("due", next)
}

/// What was asked and is not settled, the latest first: values not confirmed, questions of ours.
fn open(state: &State, now: Moment) -> Vec<String> {
    let unsure = state.ledger.standing().filter(|entry| entry.unconfirmed());
    let mut questions: Vec<String> = unsure.map(|entry| format!("confirm {}", told(&entry.finding))).collect();
    let fresh = |kind: AdviceType| matches!(kind, AdviceType::MissingFact | AdviceType::Inconsistency);
    questions.extend(
        state
            .said
            .iter()
            .filter(|s| fresh(s.advice.kind) && s.acknowledged.is_none() && now.since_ms(s.when) < OPEN_MS)
            .map(|s| s.advice.say.clone()),
    );
    headed("open", questions.into_iter().rev().take(4).collect())
}

/// A finding without the mark that it is in doubt: where it stands that is said already.
fn told(finding: &Finding) -> String {
    let mut finding = finding.clone();
    finding.remove(Field::Unconfirmed);
    match SIGNS.iter().find(|(kind, _)| *kind == finding.kind()) {
        Some((_, field)) => sign(&finding, *field),
        None => finding_line(&finding),
    }
}

/// The lines with what they are in front of the first.
fn headed(head: &str, lines: Vec<String>) -> Vec<String> {
    let head = |at: usize| if at == 0 { head } else { "" };
    lines.into_iter().enumerate().map(|(at, line)| format!("{:<5} {line}", head(at))).collect()
}

/// `12:34`, also beyond an hour.
fn minutes(ms: u64) -> String {
    format!("{}:{:02}", ms / 60_000, ms / 1000 % 60)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::core::event::{Body, Event};
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
        assert!(pulse.contains("pulse 118") && pulse.contains("0:45 ago") && pulse.ends_with("up from 104"), "{pulse}");
        assert!(lines.iter().any(|line| line.trim() == "program  microphone back"));
    }

    #[test]
    fn a_value_read_back_does_not_take_the_place_of_a_warning() {
        let mut state = state();
        let read_back = Advice {
            kind: AdviceType::ReadBack,
            priority: Priority::High,
            about: "pulse".into(),
            say: "Pulse one eighteen?".into(),
            rule: "r".into(),
            because: vec![3],
            source: "s".into(),
            say_aloud: None,
        };
        state.apply(&Event { seq: 9, when: at(130), body: Body::Advice(read_back), from: None });
        assert!(show(Some(&state), 100, 40).contains(&">>> Aspirin, hold: allergy   (1:15 ago)".to_string()));
    }

    #[test]
    fn a_narrow_and_low_terminal_still_shows_the_whole_warning_and_every_age() {
        let lines = show(Some(&state()), 26, 7);
        let text = lines.join(" ");
        assert!(text.contains(">>> Aspirin, hold:") && text.contains("allergy"), "{lines:#?}");
        assert!(text.contains("0:45 ago"), "{lines:#?}");
        assert!(lines.len() <= 7 && lines.iter().all(|line| line.chars().count() <= 26), "{lines:#?}");
    }

    #[test]
    fn every_sign_is_shown_before_a_second_deadline() {
        let mut state = state();
        let signs = [
            Finding::new(Kind::BloodPressure)
                .with(Field::SystolicMmhg, Value::int(82))
                .with(Field::DiastolicMmhg, Value::int(50)),
            Finding::new(Kind::OxygenSaturation).with(Field::Percent, Value::int(88)),
            Finding::new(Kind::Respirations).with(Field::RatePerMin, Value::int(30)),
            Finding::new(Kind::Oxygen).with(Field::FlowLPerMin, Value::int(15)),
            Finding::new(Kind::MedicationPlanned).with(Field::Name, Value::text("albuterol")),
        ];
        for (n, finding) in signs.into_iter().enumerate() {
            state.apply(&Event { seq: 10 + n as u64, when: at(130), body: Body::Finding(finding), from: None });
        }
        let lines = show(Some(&state), 40, 12);
        let text = lines.join("\n");
        for sign in ["82/50", "pulse 118", "respirations 30", "88%", ">>> Aspirin", "due"] {
            assert!(text.contains(sign), "{sign}: {lines:#?}");
        }
        assert!(lines.len() <= 12, "{lines:#?}");
        assert!(lines[0].starts_with("CALL"), "{lines:#?}");
    }

    /// What a person must do is read in one go: no field names, no mark of doubt beside the word that says so.
    #[test]
    fn what_is_to_be_confirmed_is_told_as_it_is_said() {
        let mut state = state();
        let unsure = Finding::new(Kind::Respirations).with(Field::RatePerMin, Value::int(44));
        let unsure = unsure.with(Field::Unconfirmed, Value::Flag(true));
        state.apply(&Event { seq: 20, when: at(140), body: Body::Finding(unsure), from: None });
        let lines = show(Some(&state), 80, 24);
        assert!(lines.iter().any(|line| line == "open  confirm respirations 44"), "{lines:#?}");
    }

    /// The newest of the news stays when there is no room for all.
    #[test]
    fn where_there_is_no_room_the_newest_news_stays() {
        let knowledge = app::knowledge(&DataSet::built_in()).unwrap();
        let news = ["microphone lost".to_string(), "microphone back".to_string()];
        let glance = Glance { ear: "mic".into(), words: "", became: "", news: &news };
        let lines = lines(Some(&state()), &knowledge, at(165), &glance, 40, 6);
        let told = |news: &str| lines.iter().any(|line| line.contains(news));
        assert!(told("microphone back") && !told("microphone lost"), "{lines:#?}");
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
