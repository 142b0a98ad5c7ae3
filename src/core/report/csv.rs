//! Comma-separated tables (RFC 4180): the record's events, and its sets of vitals.
//!
//! A cell of free text that a spreadsheet would take for a formula gets an apostrophe in front.

use super::call::Call;
use super::review::{Desk, advice_type};
use super::vitals::{self, Measure};
use super::wording::{Manner, Wording, plain};
use crate::core::event::{Body, Event};
use crate::core::finding::Field;
use crate::core::ledger::Entry;
use crate::core::time::rfc3339;

const EVENTS: [&str; 16] = [
    "seq",
    "at",
    "elapsed_s",
    "kind",
    "name",
    "patient",
    "text",
    "state",
    "target",
    "from",
    "confidence",
    "outcome",
    "priority",
    "rule",
    "payload",
    "purpose",
];

const VITALS: [&str; 28] = [
    "patient",
    "set",
    "at",
    "elapsed_s",
    "pulse_per_min",
    "pulse_rhythm",
    "pulse_quality",
    "systolic_mmhg",
    "diastolic_mmhg",
    "pressure_method",
    "saturation_percent",
    "saturation_on",
    "oxygen_l_per_min",
    "respirations_per_min",
    "respirations_effort",
    "gcs_eye",
    "gcs_verbal",
    "gcs_motor",
    "gcs_total",
    "avpu",
    "glucose_mg_per_dl",
    "temperature_celsius",
    "end_tidal_co2_mmhg",
    "pain_score",
    "unconfirmed",
    "said_unchanged",
    "events",
    "purpose",
];

/// One row an event; the payload as JSON in the last column.
pub fn events(call: &Call, wording: &Wording) -> String {
    let desk = Desk { call, wording, start: call.start() };
    let mut out = row(&EVENTS.map(String::from));
    for event in call.events {
        out.push_str(&row(&event_row(&desk, event)));
    }
    out
}

fn event_row(desk: &Desk, event: &Event) -> [String; 16] {
    let name = match &event.body {
        Body::Finding(f) => f.kind().name().to_string(),
        Body::Corrected(c) => c.finding.kind().name().to_string(),
        Body::Advice(a) => advice_type(a.kind).to_string(),
        Body::Device(t) | Body::Recovered(t) => t.what.clone(),
        _ => String::new(),
    };
    let patient = match &event.body {
        Body::Finding(f) => f.patient().to_string(),
        Body::Corrected(c) => c.finding.patient().to_string(),
        _ => String::new(),
    };
    let heard = match &event.body {
        Body::Heard(heard) => Some(heard),
        _ => None,
    };
    let advice = match &event.body {
        Body::Advice(advice) => Some(advice),
        _ => None,
    };
    let payload = event.to_json().get(event.body.kind()).map(ToString::to_string).unwrap_or_default();
    [
        event.seq.to_string(),
        rfc3339(&event.when.at),
        seconds(event.when.mono_ms),
        event.body.kind().into(),
        name,
        patient,
        text(desk, event),
        state(desk, event).into(),
        target(event).map(|t| t.to_string()).unwrap_or_default(),
        event.from.map(|f| f.to_string()).unwrap_or_default(),
        heard.map(|h| format!("{:.3}", h.confidence)).unwrap_or_default(),
        heard.map(|h| serde_json::json!(h.outcome).as_str().unwrap_or_default().to_string()).unwrap_or_default(),
        advice.map(|a| super::review::priority(a.priority).to_string()).unwrap_or_default(),
        advice.map(|a| a.rule.clone()).unwrap_or_default(),
        payload,
        purpose(desk.call),
    ]
}

fn text(desk: &Desk, event: &Event) -> String {
    match &event.body {
        Body::Finding(f) => match desk.call.ledger.find(event.seq) {
            Some(entry) if entry.finding == *f => desk.text(entry),
            _ => desk.wording.text(f, confirmed(desk, event.seq), Manner::Shown),
        },
        Body::Corrected(c) => desk.wording.text(&c.finding, false, Manner::Shown),
        Body::Heard(heard) => heard.text.as_deref().map(plain).unwrap_or_default(),
        Body::Advice(advice) => plain(&advice.say),
        Body::Note(note) => plain(&note.text),
        Body::Device(t) | Body::Recovered(t) => plain(&format!("{} {}", t.what, t.state.replace('_', " "))),
        Body::Acknowledged(a) => a.reason.as_deref().map(plain).unwrap_or_default(),
        Body::Silenced(a) => a.reason.as_deref().map(plain).unwrap_or_default(),
        Body::Retracted(r) => r.why.as_deref().map(plain).unwrap_or_default(),
        Body::Closed(closed) => plain(&closed.reason.replace('_', " ")),
        Body::Opened(opened) => plain(&opened.unit),
        Body::Confirmed(c) => plain(&c.how.replace('_', " ")),
        Body::Spoken(_) => String::new(),
    }
}

fn confirmed(desk: &Desk, seq: u64) -> bool {
    desk.call.ledger.find(seq).is_some_and(|e| e.confirmed.is_some())
}

/// What became of a finding.
fn state(desk: &Desk, event: &Event) -> &'static str {
    let Body::Finding(_) = event.body else { return "" };
    match desk.call.ledger.find(event.seq) {
        Some(e) if e.retracted.is_some() => "retracted",
        Some(e) if !e.replaced.is_empty() => "corrected",
        Some(e) if e.unconfirmed() => "unconfirmed",
        Some(e) if e.confirmed.is_some() => "confirmed",
        _ => "stands",
    }
}

fn target(event: &Event) -> Option<u64> {
    match &event.body {
        Body::Confirmed(x) => Some(x.target),
        Body::Corrected(x) => Some(x.target),
        Body::Retracted(x) => Some(x.target),
        Body::Spoken(x) => Some(x.target),
        Body::Acknowledged(x) => Some(x.target),
        Body::Silenced(x) => Some(x.target),
        _ => None,
    }
}

/// One row a set of vitals, values in force (corrections applied), units in the column's name.
pub fn vitals_sets(call: &Call) -> String {
    let mut out = row(&VITALS.map(String::from));
    for patient in call.patients() {
        for (number, set) in vitals::sets(call, *patient).iter().enumerate() {
            out.push_str(&row(&set_row(call, *patient, number + 1, set)));
        }
    }
    out
}

fn set_row(call: &Call, patient: i64, number: usize, set: &vitals::Set) -> [String; 28] {
    let value = |measure: Measure, field: Field| {
        let found = set.get(measure).find_map(|e| {
            let restated = e.finding.flag(Field::Unchanged) == Some(true);
            let comparator = e.finding.text(Field::Comparator).unwrap_or("");
            e.finding.get(field).filter(|_| !restated).map(|v| format!("{comparator}{v}"))
        });
        found.unwrap_or_default()
    };
    let which = |test: fn(&Entry) -> bool| {
        let names: Vec<&str> =
            set.entries.iter().filter(|(_, e)| test(e)).map(|(_, e)| e.finding.kind().name()).collect();
        names.join(" ")
    };
    let glucose = match value(Measure::Glucose, Field::Reading) {
        reading if reading.is_empty() => value(Measure::Glucose, Field::MgPerDl),
        reading => reading.to_uppercase(),
    };
    let palpated = value(Measure::Pressure, Field::Method) == "palpated";
    let diastolic = value(Measure::Pressure, Field::DiastolicMmhg);
    [
        patient.to_string(),
        number.to_string(),
        set.when().map(|w| rfc3339(&w.at)).unwrap_or_default(),
        set.when().map(|w| seconds(w.mono_ms)).unwrap_or_default(),
        value(Measure::Pulse, Field::RatePerMin),
        value(Measure::Pulse, Field::Rhythm),
        value(Measure::Pulse, Field::Quality),
        value(Measure::Pressure, Field::SystolicMmhg),
        if diastolic.is_empty() && palpated { "palpated".into() } else { diastolic },
        value(Measure::Pressure, Field::Method),
        value(Measure::Saturation, Field::Percent),
        value(Measure::Saturation, Field::On),
        value(Measure::Saturation, Field::FlowLPerMin),
        value(Measure::Respirations, Field::RatePerMin),
        value(Measure::Respirations, Field::Effort),
        value(Measure::Gcs, Field::Eye),
        value(Measure::Gcs, Field::Verbal),
        value(Measure::Gcs, Field::Motor),
        value(Measure::Gcs, Field::Total),
        value(Measure::Responsiveness, Field::Avpu),
        glucose,
        value(Measure::Temperature, Field::Celsius),
        value(Measure::EndTidalCo2, Field::Mmhg),
        value(Measure::Pain, Field::Score),
        which(Entry::unconfirmed),
        which(|e| e.finding.flag(Field::Unchanged) == Some(true)),
        set.entries.iter().map(|(_, e)| e.seq.to_string()).collect::<Vec<_>>().join(" "),
        purpose(call),
    ]
}

/// On every row: a training row stays marked when tables are joined.
fn purpose(call: &Call) -> String {
    if call.training() { "training".into() } else { "care".into() }
}

/// Milliseconds as seconds with three places.
fn seconds(ms: u64) -> String {
    format!("{}.{:03}", ms / 1000, ms % 1000)
}

/// One line of a table, CRLF at its end.
pub fn row(cells: &[String]) -> String {
    cells.iter().map(|c| cell(c)).collect::<Vec<_>>().join(",") + "\r\n"
}

fn cell(text: &str) -> String {
    let formula = text.starts_with(['=', '+', '-', '@', '\t', '\r']) && text.parse::<f64>().is_err();
    let text = if formula { format!("'{text}") } else { text.to_string() };
    if text.contains([',', '"', '\n', '\r']) { format!("\"{}\"", text.replace('"', "\"\"")) } else { text }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn cells_are_quoted_and_no_formula_gets_through() {
        assert_eq!(cell("a,\"b\""), "\"a,\"\"b\"\"\"");
        assert_eq!(cell("=1+1"), "'=1+1");
        assert_eq!(cell("-5"), "-5");
    }
}
