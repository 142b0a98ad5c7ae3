//! What the record holds: one closed list of events, spelled as the contract says.
//!
//! Events are facts about the past; they decide nothing. Framing, the hash chain and storage belong to
//! `shell::journal`.

use chrono::{DateTime, FixedOffset};
use serde::{Deserialize, Serialize};
use serde_json::{Map, Value as Json};

use super::command::Command;
use super::finding::Finding;
use super::time::{Moment, rfc3339};

/// The record format this program writes. A version that changes a meaning changes this.
pub const FORMAT: &str = "thirdhand-record-1";

/// One line of the record, without its hash.
#[derive(Clone, Debug, PartialEq)]
pub struct Event {
    /// Order of writing, from 1, without gaps.
    pub seq: u64,
    /// When the words began (`heard`, `finding`, `corrected`) or the decision fell; may step back.
    pub when: Moment,
    pub body: Body,
    /// The `heard` event this came from.
    pub from: Option<u64>,
}

/// The payload, written under the name of its kind.
#[derive(Clone, Debug, PartialEq)]
pub enum Body {
    Opened(Opened),
    Closed(Closed),
    Heard(Heard),
    Finding(Finding),
    Confirmed(Confirmed),
    Corrected(Corrected),
    Retracted(Retracted),
    Advice(Advice),
    Spoken(Spoken),
    Acknowledged(Acknowledged),
    Silenced(Silenced),
    Device(Trouble),
    Recovered(Trouble),
    Note(Note),
}

#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Purpose {
    #[default]
    Care,
    Training,
}

#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Opened {
    pub format: String,
    /// Program version.
    pub version: String,
    /// Name and version of the data set in force.
    pub data: String,
    /// SHA-256 (hex) over every grammar and protocol file in force.
    pub data_digest: String,
    /// Name of the recogniser's model, or `text` for a script.
    pub model: String,
    pub purpose: Purpose,
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub unit: String,
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub crew: Vec<String>,
    /// Shell facts that later issues add; kept as written.
    #[serde(flatten)]
    pub more: Map<String, Json>,
}

#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Closed {
    /// Why the record ended: `end_of_input`, `asked`, `interrupted`, `signed_off`.
    pub reason: String,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub by: Option<String>,
}

/// What became of an utterance. Ordered from best to worst as the contract combines parts.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Outcome {
    Echo,
    Unmatched,
    Matched,
    Doubtful,
    Rejected,
    Ambiguous,
}

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Heard {
    /// Absent where the words of unmatched speech were kept apart and purged.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub text: Option<String>,
    /// SHA-256 (hex) of the text where it is kept apart from the chain.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub text_sha256: Option<String>,
    /// 0 to 1; 1 for a script.
    pub confidence: f64,
    pub outcome: Outcome,
    /// Length of the utterance, milliseconds; 0 for a script.
    pub audio_ms: u64,
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub commands: Vec<Command>,
    /// What it was, where it was understood and nothing is to be recorded of it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub speech: Option<Speech>,
    /// File and offset of the kept audio, if any was asked for.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub audio: Option<String>,
}

/// Speech that is understood and holds no finding.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Speech {
    /// The crew asks for a finding; the answer is awaited.
    Question,
    /// Talk among people, every word of it known.
    Talk,
}

impl Heard {
    /// Nothing at all was made of it.
    pub fn is_not_understood(&self) -> bool {
        self.outcome == Outcome::Unmatched && self.speech.is_none()
    }
}

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Confirmed {
    /// The finding that now stands confirmed.
    pub target: u64,
    /// `read_back` or `echo`.
    pub how: String,
}

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Corrected {
    pub target: u64,
    pub finding: Finding,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub who: Option<String>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub why: Option<String>,
}

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Retracted {
    pub target: u64,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub who: Option<String>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub why: Option<String>,
}

/// In the sense of IEC 60601-1-8: high interrupts, medium waits for a pause, low is gathered.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Priority {
    Low,
    Medium,
    High,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum AdviceType {
    Contraindication,
    /// Must be asked first.
    MissingFact,
    Dose,
    AbnormalVital,
    Trend,
    /// Only for something due.
    Reminder,
    ReadBack,
    Inconsistency,
    /// Something never done or asked.
    Omission,
    Score,
}

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Advice {
    #[serde(rename = "type")]
    pub kind: AdviceType,
    pub priority: Priority,
    /// Generic drug name, finding name or timer name.
    pub about: String,
    /// The sentence as it is to be spoken (and shown).
    pub say: String,
    /// Rule id in the protocol data.
    pub rule: String,
    /// Events that triggered it.
    pub because: Vec<u64>,
    /// The rule's published source, with edition.
    pub source: String,
    /// A sentence for a loudspeaker where `say` holds words for an earpiece only.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub say_aloud: Option<String>,
}

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Spoken {
    pub target: u64,
    /// `done`, `interrupted` or `failed`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reason: Option<String>,
}

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Acknowledged {
    pub target: u64,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reason: Option<String>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub authorized_by: Option<String>,
}

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Silenced {
    pub target: u64,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reason: Option<String>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub authorized_by: Option<String>,
}

/// What happened to the microphone, the voice, the disk, the clock, or to the record itself.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Trouble {
    /// `microphone`, `voice`, `recogniser`, `disk`, `clock`, `data`, `record`.
    pub what: String,
    /// `lost`, `back`, `muted`, `stepped`, `torn_tail`, `resumed`, ...
    pub state: String,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub detail: Option<String>,
}

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Note {
    pub text: String,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub who: Option<String>,
}

impl Body {
    /// The event's `kind`, and the name of its payload.
    pub fn kind(&self) -> &'static str {
        match self {
            Body::Opened(_) => "opened",
            Body::Closed(_) => "closed",
            Body::Heard(_) => "heard",
            Body::Finding(_) => "finding",
            Body::Confirmed(_) => "confirmed",
            Body::Corrected(_) => "corrected",
            Body::Retracted(_) => "retracted",
            Body::Advice(_) => "advice",
            Body::Spoken(_) => "spoken",
            Body::Acknowledged(_) => "acknowledged",
            Body::Silenced(_) => "silenced",
            Body::Device(_) => "device",
            Body::Recovered(_) => "recovered",
            Body::Note(_) => "note",
        }
    }

    fn to_json(&self) -> Json {
        let json = match self {
            Body::Opened(x) => serde_json::to_value(x),
            Body::Closed(x) => serde_json::to_value(x),
            Body::Heard(x) => serde_json::to_value(x),
            Body::Finding(x) => serde_json::to_value(x),
            Body::Confirmed(x) => serde_json::to_value(x),
            Body::Corrected(x) => serde_json::to_value(x),
            Body::Retracted(x) => serde_json::to_value(x),
            Body::Advice(x) => serde_json::to_value(x),
            Body::Spoken(x) => serde_json::to_value(x),
            Body::Acknowledged(x) => serde_json::to_value(x),
            Body::Silenced(x) => serde_json::to_value(x),
            Body::Device(x) | Body::Recovered(x) => serde_json::to_value(x),
            Body::Note(x) => serde_json::to_value(x),
        };
        json.unwrap_or(Json::Null)
    }

    fn from_json(kind: &str, json: Json) -> Result<Body, String> {
        fn read<T: serde::de::DeserializeOwned>(json: Json) -> Result<T, String> {
            serde_json::from_value(json).map_err(|e| e.to_string())
        }
        Ok(match kind {
            "opened" => Body::Opened(read(json)?),
            "closed" => Body::Closed(read(json)?),
            "heard" => Body::Heard(read(json)?),
            "finding" => Body::Finding(read(json)?),
            "confirmed" => Body::Confirmed(read(json)?),
            "corrected" => Body::Corrected(read(json)?),
            "retracted" => Body::Retracted(read(json)?),
            "advice" => Body::Advice(read(json)?),
            "spoken" => Body::Spoken(read(json)?),
            "acknowledged" => Body::Acknowledged(read(json)?),
            "silenced" => Body::Silenced(read(json)?),
            "device" => Body::Device(read(json)?),
            "recovered" => Body::Recovered(read(json)?),
            "note" => Body::Note(read(json)?),
            _ => return Err(format!("`{kind}` is no known kind of event")),
        })
    }
}

impl Event {
    /// The event as the contract spells it, without `hash`.
    pub fn to_json(&self) -> Json {
        let mut map = Map::new();
        map.insert("seq".into(), self.seq.into());
        map.insert("at".into(), rfc3339(&self.when.at).into());
        map.insert("mono_ms".into(), self.when.mono_ms.into());
        map.insert("kind".into(), self.body.kind().into());
        map.insert(self.body.kind().into(), self.body.to_json());
        if let Some(from) = self.from {
            map.insert("from".into(), from.into());
        }
        Json::Object(map)
    }

    /// Compact JSON, one line, without `hash` and without a newline.
    pub fn to_line(&self) -> String {
        self.to_json().to_string()
    }

    /// Reads one event; `hash` and unknown keys beside the payload are ignored (the journal checks the bytes).
    pub fn from_json(json: &Json) -> Result<Event, String> {
        let text = |key: &str| json.get(key).and_then(Json::as_str).ok_or(format!("`{key}` is missing"));
        let number = |key: &str| json.get(key).and_then(Json::as_u64).ok_or(format!("`{key}` is missing"));
        let at: DateTime<FixedOffset> =
            DateTime::parse_from_rfc3339(text("at")?).map_err(|e| format!("`at` is no RFC 3339 time: {e}"))?;
        let kind = text("kind")?;
        let payload = json.get(kind).cloned().ok_or(format!("the payload `{kind}` is missing"))?;
        Ok(Event {
            seq: number("seq")?,
            when: Moment::new(number("mono_ms")?, at),
            body: Body::from_json(kind, payload).map_err(|e| format!("{kind}: {e}"))?,
            from: json.get("from").and_then(Json::as_u64),
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::core::finding::{Field, Kind, Value};

    #[test]
    fn a_finding_event_is_spelled_as_the_contract_says() {
        let at = DateTime::parse_from_rfc3339("2027-03-01T14:02:35.200-05:00").unwrap();
        let event = Event {
            seq: 12,
            when: Moment::new(35_200, at),
            body: Body::Finding(Finding::new(Kind::Pulse).with(Field::RatePerMin, Value::int(118))),
            from: Some(11),
        };
        let line = event.to_line();
        assert_eq!(
            line,
            r#"{"seq":12,"at":"2027-03-01T14:02:35.200-05:00","mono_ms":35200,"kind":"finding","finding":{"finding":"pulse","rate_per_min":118},"from":11}"#
        );
        assert_eq!(Event::from_json(&serde_json::from_str(&line).unwrap()).unwrap(), event);
    }

    #[test]
    fn outcomes_combine_to_the_worst() {
        use Outcome::*;
        assert_eq!([Matched, Ambiguous, Rejected].into_iter().max(), Some(Ambiguous));
        assert_eq!([Unmatched, Matched].into_iter().max(), Some(Matched));
    }
}
