//! One line a happening, for somebody who watches while it happens: `replay` and `listen` on a terminal.
//!
//! It shows events; it does not judge them. The timeline after the call is `core::report`.

use super::event::{Body, Event, Heard, Outcome, Priority, Speech};
use super::finding::{Finding, Value};

/// The event as one line, or `None` for what only the record needs.
pub fn line(event: &Event) -> Option<String> {
    let seconds = event.when.mono_ms / 1000;
    let what = what(&event.body)?;
    Some(format!("{:02}:{:02}  {what}", seconds / 60, seconds % 60))
}

fn what(body: &Body) -> Option<String> {
    Some(match body {
        Body::Heard(heard) => {
            let text = heard.text.as_deref().unwrap_or("(words kept apart)");
            match mark(heard) {
                Some(mark) => format!("\"{text}\"  ({mark})"),
                None => format!("\"{text}\""),
            }
        }
        Body::Finding(finding) => format!("  + {}", finding_line(finding)),
        Body::Corrected(c) => format!("  ~ {} (corrects {})", finding_line(&c.finding), c.target),
        Body::Retracted(r) => format!("  - {} taken back", r.target),
        Body::Confirmed(c) => format!("  = {} confirmed", c.target),
        Body::Advice(advice) => format!("  {} {}", priority_mark(advice.priority), advice.say),
        Body::Acknowledged(a) => format!("  {} acknowledged", a.target),
        Body::Silenced(s) => format!("  {} silenced", s.target),
        Body::Device(t) => format!("  ! {} {}", t.what, t.state),
        Body::Recovered(t) => format!("  ! {} {}", t.what, t.state),
        Body::Note(note) => format!("  note: {}", note.text),
        Body::Closed(_) => "record closed".into(),
        Body::Opened(_) | Body::Spoken(_) => return None,
    })
}

/// What became of the words, unless they were plainly understood.
fn mark(heard: &Heard) -> Option<&'static str> {
    (heard.outcome != Outcome::Matched).then(|| became(heard))
}

/// What became of the words, in a word or two.
pub fn became(heard: &Heard) -> &'static str {
    match (heard.outcome, heard.speech) {
        (_, Some(Speech::Question)) => "question",
        (_, Some(Speech::Talk)) => "talk",
        (Outcome::Matched, None) => "recorded",
        (Outcome::Doubtful, None) => "not sure",
        (Outcome::Ambiguous, None) => "two meanings",
        (Outcome::Rejected, None) => "cannot be",
        (Outcome::Unmatched, None) => "not understood",
        (Outcome::Echo, None) => "own voice",
    }
}

fn priority_mark(priority: Priority) -> &'static str {
    match priority {
        Priority::High => ">>>",
        Priority::Medium => ">>",
        Priority::Low => ">",
    }
}

/// A finding as `pulse: rate 118, irregular, weak`.
pub fn finding_line(finding: &Finding) -> String {
    let fields: Vec<String> = finding.fields().map(|(field, value)| field_text(field.name(), value)).collect();
    let kind = finding.kind().name().replace('_', " ");
    if fields.is_empty() { kind } else { format!("{kind}: {}", fields.join(", ")) }
}

fn field_text(name: &str, value: &Value) -> String {
    match value {
        Value::Text(text) => text.replace('_', " "),
        Value::Flag(true) => name.replace('_', " "),
        Value::Flag(false) => format!("not {}", name.replace('_', " ")),
        other => format!("{} {other}", name.replace('_', " ")),
    }
}
