//! Copies of a record for those who may see a part of it. The record itself is never changed.
//!
//! A copy keeps each event's `seq`, so gaps show that it is a copy; its first event says for whom it was made.
//!
//! | reader | sees |
//! |---|---|
//! | `hospital` | findings and treatments, with what they replaced; nothing the program said, no spoken words |
//! | `crew` | everything that is in the record |
//! | `quality` | as hospital, and the advice with what followed it, and troubles of the devices |
//! | `teaching` | as quality, without what identifies a person, a unit or a day |

use chrono::{DateTime, FixedOffset, TimeDelta, TimeZone};
use serde_json::Value as Json;

use super::event::{Body, Event, Opened};
use super::finding::{Field, Finding, Kind, Shape, Value, schema};
use super::time::rfc3339;

/// For whom a copy is made.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Reader {
    Hospital,
    Crew,
    Quality,
    Teaching,
}

impl Reader {
    pub const ALL: [Reader; 4] = [Reader::Hospital, Reader::Crew, Reader::Quality, Reader::Teaching];

    pub fn name(self) -> &'static str {
        match self {
            Reader::Hospital => "hospital",
            Reader::Crew => "crew",
            Reader::Quality => "quality",
            Reader::Teaching => "teaching",
        }
    }

    pub fn from_name(name: &str) -> Option<Reader> {
        Reader::ALL.into_iter().find(|reader| reader.name() == name)
    }

    /// Whether this reader sees events of this sort at all.
    fn sees(self, body: &Body) -> bool {
        match body {
            Body::Opened(_) | Body::Closed(_) => true,
            Body::Finding(_) | Body::Corrected(_) | Body::Retracted(_) | Body::Confirmed(_) => true,
            Body::Advice(_) | Body::Spoken(_) | Body::Acknowledged(_) | Body::Silenced(_) => self != Reader::Hospital,
            Body::Device(_) | Body::Recovered(_) => self != Reader::Hospital,
            Body::Heard(_) | Body::Note(_) => self == Reader::Crew,
        }
    }
}

impl std::str::FromStr for Reader {
    type Err = String;

    fn from_str(name: &str) -> Result<Reader, String> {
        Reader::from_name(name).ok_or_else(|| format!("`{name}` is none of hospital, crew, quality, teaching"))
    }
}

/// The copy of a record that `reader` may see.
pub fn copy(events: &[Event], reader: Reader) -> Vec<Event> {
    let shift = events.first().map_or(TimeDelta::zero(), |first| anonymous_start() - first.when.at);
    let mut copied: Vec<Event> =
        events.iter().filter(|event| reader.sees(&event.body)).map(|event| one(event, reader, shift)).collect();
    // A reader who does not see what an event came from is not shown a number that leads nowhere.
    let seqs: std::collections::BTreeSet<u64> = copied.iter().map(|event| event.seq).collect();
    for event in &mut copied {
        event.from = event.from.filter(|from| seqs.contains(from));
    }
    copied
}

fn one(event: &Event, reader: Reader, shift: TimeDelta) -> Event {
    let mut event = event.clone();
    if let Body::Opened(opened) = &mut event.body {
        opened.more.insert("copy_for".into(), Json::String(reader.name().into()));
    }
    if reader == Reader::Teaching {
        event.when.at = moved(event.when.at, shift);
        anonymise(&mut event.body, shift);
    }
    event
}

/// Days are identifying (45 CFR 164.514(b)(2)(i)(C)); intervals are what is taught. Every copy begins at this moment.
fn anonymous_start() -> DateTime<FixedOffset> {
    // The first instant of 2000 in UTC exists: 946,684,800 s after the epoch (`date -u -d 2000-01-01 +%s`).
    DateTime::from_timestamp(946_684_800, 0).unwrap_or_default().fixed_offset()
}

fn moved(at: DateTime<FixedOffset>, shift: TimeDelta) -> DateTime<FixedOffset> {
    let utc = at.naive_utc().checked_add_signed(shift).unwrap_or_default();
    anonymous_start().timezone().from_utc_datetime(&utc)
}

fn anonymise(body: &mut Body, shift: TimeDelta) {
    match body {
        Body::Opened(opened) => {
            let copy_for = opened.more.remove("copy_for");
            *opened = Opened {
                data: opened.data.split_whitespace().next().unwrap_or_default().to_string(),
                unit: String::new(),
                crew: Vec::new(),
                more: copy_for.map(|reader| ("copy_for".to_string(), reader)).into_iter().collect(),
                ..opened.clone()
            };
        }
        Body::Closed(closed) => closed.by = None,
        Body::Finding(finding) => anonymise_finding(finding, shift),
        Body::Corrected(corrected) => {
            (corrected.who, corrected.why) = (None, None);
            anonymise_finding(&mut corrected.finding, shift);
        }
        Body::Retracted(retracted) => (retracted.who, retracted.why) = (None, None),
        Body::Acknowledged(x) => (x.reason, x.authorized_by) = (None, None),
        Body::Silenced(x) => (x.reason, x.authorized_by) = (None, None),
        Body::Device(trouble) | Body::Recovered(trouble) => trouble.detail = None,
        // A sentence about the patient as such may say an age.
        Body::Advice(advice) if advice.about == Kind::Patient.name() => {
            (advice.say, advice.say_aloud) = (REMOVED.to_string(), None);
        }
        Body::Confirmed(_) | Body::Advice(_) | Body::Spoken(_) => {}
        // Free words are not shown at all: whoever is named in them is found by no rule.
        Body::Heard(_) | Body::Note(_) => {}
    }
}

/// Ages over 89 are one group (45 CFR 164.514(b)(2)(i)(C)); free words and names of persons go; times move.
fn anonymise_finding(finding: &mut Finding, shift: TimeDelta) {
    let kind = finding.kind();
    let fields: Vec<(Field, Value)> = finding.fields().map(|(field, value)| (field, value.clone())).collect();
    for (field, value) in fields {
        let new = match (schema::shape(kind, field), &value) {
            (Some(Shape::Text), Value::Text(_)) => Some(Value::text(REMOVED)),
            (Some(Shape::Time), Value::Text(text)) => Some(
                DateTime::parse_from_rfc3339(text)
                    .map_or_else(|_| Value::text(REMOVED), |at| Value::text(rfc3339(&moved(at, shift)))),
            ),
            (Some(Shape::Name), Value::Text(_)) if is_person(kind, field) => Some(Value::text(REMOVED)),
            (_, Value::Number(age)) if field == Field::AgeYears && age.as_int().is_none_or(|age| age > 89) => {
                finding.set(Field::Approximate, Value::Flag(true));
                Some(Value::int(90))
            }
            _ => None,
        };
        if let Some(new) = new {
            finding.set(field, new);
        }
    }
}

/// What stands in a teaching copy where words were.
pub const REMOVED: &str = "[removed]";

/// Fields with an open list of names that may be somebody's.
fn is_person(kind: Kind, field: Field) -> bool {
    matches!(field, Field::Authority | Field::Witness) || (kind, field) == (Kind::Consent, Field::By)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::core::event::{Advice, AdviceType, Corrected, Heard, Note, Outcome, Priority};
    use crate::core::time::Moment;

    fn record() -> Vec<Event> {
        let at =
            |ms: u64| Moment::new(0, DateTime::parse_from_rfc3339("2027-03-01T14:00:00-05:00").unwrap()).plus_ms(ms);
        let heard = |text: &str| {
            Body::Heard(Heard {
                text: Some(text.into()),
                text_sha256: None,
                confidence: 1.0,
                outcome: Outcome::Matched,
                audio_ms: 0,
                commands: vec![],
                speech: None,
                audio: None,
            })
        };
        let patient = Finding::new(Kind::Patient).with(Field::AgeYears, Value::int(94));
        let refusal = Finding::new(Kind::Refusal)
            .with(Field::Of, Value::text("transport"))
            .with(Field::Witness, Value::text("Jo Example"))
            .with(Field::HappenedAt, Value::text("2027-03-01T13:50:00.000-05:00"));
        let advice = Advice {
            kind: AdviceType::ReadBack,
            priority: Priority::Low,
            about: "patient".into(),
            say: "Age ninety four?".into(),
            rule: "read_back".into(),
            because: vec![3],
            source: "common practice, no source".into(),
            say_aloud: None,
        };
        let corrected = Corrected {
            target: 3,
            finding: patient.clone(),
            who: Some("A. Example".into()),
            why: Some("she said so".into()),
        };
        let bodies = [
            (
                Body::Opened(Opened { unit: "Medic 4".into(), crew: vec!["A. Example".into()], ..Opened::default() }),
                None,
            ),
            (heard("Mrs Example is ninety four"), None),
            (Body::Finding(patient), Some(2)),
            (Body::Advice(advice), None),
            (Body::Finding(refusal), Some(2)),
            (Body::Corrected(corrected), Some(2)),
            (Body::Note(Note { text: "Jo Example is her daughter".into(), who: Some("A. Example".into()) }), None),
        ];
        let bodies = bodies.into_iter().zip(1..);
        bodies.map(|((body, from), seq)| Event { seq, when: at(seq * 1000), body, from }).collect()
    }

    fn text(events: &[Event]) -> String {
        events.iter().map(|event| event.to_line() + "\n").collect()
    }

    #[test]
    fn the_crew_sees_all() {
        assert_eq!(copy(&record(), Reader::Crew).len(), record().len());
    }

    #[test]
    fn a_hospital_sees_findings_and_no_words() {
        let copy = copy(&record(), Reader::Hospital);
        assert!(!text(&copy).contains("Mrs") && !text(&copy).contains("advice") && !text(&copy).contains("daughter"));
        assert!(text(&copy).contains("\"age_years\":94") && text(&copy).contains("Jo Example"));
        assert!(copy.iter().all(|event| event.from.is_none()), "`from` leads to a `heard` that is not in the copy");
        assert!(text(&copy).contains("\"copy_for\":\"hospital\""));
    }

    #[test]
    fn quality_also_sees_advice() {
        assert!(text(&copy(&record(), Reader::Quality)).contains("Age ninety four?"));
    }

    #[test]
    fn teaching_sees_nobody_and_no_day() {
        let copy = copy(&record(), Reader::Teaching);
        let text = text(&copy);
        for word in ["Example", "Medic 4", "2027", "she said so", "\"age_years\":94", "ninety four"] {
            assert!(!text.contains(word), "`{word}` is still in the copy:\n{text}");
        }
        assert!(text.contains("\"age_years\":90,\"approximate\":true"), "{text}");
        // Intervals stay: what happened ten minutes before the call began still did.
        assert!(text.contains("1999-12-31T23:49:59.000+00:00"), "{text}");
        assert!(copy.iter().all(|event| match &event.body {
            Body::Finding(finding) => finding.problems().is_empty(),
            _ => true,
        }));
    }
}
