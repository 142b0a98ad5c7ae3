//! What the report tests share: fixtures, records made at random from the schema, the built-in data.
#![allow(dead_code)] // each test file uses its part

use std::fs;
use std::path::{Path, PathBuf};

use chrono::DateTime;
use thirdhand::core::chain;
use thirdhand::core::decimal::Decimal;
use thirdhand::core::event::{
    Acknowledged, Advice, AdviceType, Body, Closed, Confirmed, Corrected, Event, Heard, Opened, Outcome, Priority,
    Purpose, Retracted, Spoken,
};
use thirdhand::core::finding::{Field, Finding, Kind, Shape, Value, schema};
use thirdhand::core::report::fhir::Codes;
use thirdhand::core::report::handoff::Shapes;
use thirdhand::core::report::{Call, Outline, Wording, page, review};
use thirdhand::core::time::Moment;
use thirdhand::shell::data::DataSet;

pub struct Data {
    pub wording: Wording,
    pub outline: Outline,
    pub shapes: Shapes,
    pub codes: Codes,
}

pub fn data() -> Data {
    let set = DataSet::built_in();
    let sources = set.sources("protocols/report/");
    Data {
        wording: Wording::read(&sources).unwrap(),
        outline: Outline::read(&sources).unwrap(),
        shapes: Shapes::read(&sources).unwrap(),
        codes: Codes::read(&sources).unwrap(),
    }
}

pub fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

/// The events of `tests/records/NAME.jsonl` (lines without hashes, so that a person can edit them).
pub fn fixture(name: &str) -> Vec<Event> {
    let path = root().join("tests/records").join(format!("{name}.jsonl"));
    let text = fs::read_to_string(&path).unwrap_or_else(|e| panic!("{}: {e}", path.display()));
    text.lines()
        .filter(|l| !l.trim().is_empty())
        .map(|line| {
            let json = serde_json::from_str(line).unwrap_or_else(|e| panic!("{name}: {e}: {line}"));
            Event::from_json(&json).unwrap_or_else(|e| panic!("{name}: {e}: {line}"))
        })
        .collect()
}

/// Names of all fixtures.
pub fn fixtures() -> Vec<String> {
    let mut names: Vec<String> = fs::read_dir(root().join("tests/records"))
        .unwrap()
        .filter_map(|e| {
            let path = e.unwrap().path();
            let stem = path.file_stem()?.to_str()?.to_string();
            path.extension().is_some_and(|e| e == "jsonl").then_some(stem)
        })
        .collect();
    names.sort();
    assert!(names.len() >= 4, "the fixtures are gone: {names:?}");
    names
}

/// A record's folder with its chain, as commands read it.
pub fn folder(dir: &Path, events: &[Event]) -> PathBuf {
    fs::create_dir_all(dir).unwrap();
    let mut previous = chain::START.to_string();
    let mut text = String::new();
    for event in events {
        let (line, hash) = chain::seal(&previous, &event.to_line());
        text.push_str(&line);
        text.push('\n');
        previous = hash;
    }
    fs::write(dir.join("events.jsonl"), text).unwrap();
    dir.to_path_buf()
}

pub fn html(events: &[Event], data: &Data) -> String {
    let call = Call::read(events);
    let review = review::build(&call, &data.wording, &data.outline, thirdhand::core::CAUTION);
    page::html(&review, &data.wording).unwrap()
}

pub fn text(events: &[Event], data: &Data) -> String {
    let call = Call::read(events);
    let review = review::build(&call, &data.wording, &data.outline, thirdhand::core::CAUTION);
    page::text(&review, &data.wording).unwrap()
}

/// Numbers that look random and are the same on every run (splitmix64).
pub struct Dice(u64);

impl Dice {
    pub fn new(seed: u64) -> Dice {
        Dice(seed)
    }

    pub fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    pub fn below(&mut self, n: u64) -> u64 {
        self.next() % n.max(1)
    }

    pub fn one_in(&mut self, n: u64) -> bool {
        self.below(n) == 0
    }

    pub fn pick<'a, T>(&mut self, items: &'a [T]) -> &'a T {
        &items[self.below(items.len() as u64) as usize]
    }
}

/// Texts that have broken pages before: markup, quotes, emoji, right-to-left script, control characters.
pub const HARD_TEXTS: [&str; 8] = [
    "chest pain",
    "<script>alert(1)</script> & \"quoted\"",
    "pain \u{1f691}\u{1f468}\u{200d}\u{2695}\u{fe0f} here",
    "\u{05db}\u{05d0}\u{05d1} \u{05d1}\u{05d7}\u{05d6}\u{05d4}",
    "\u{202e}reversed\u{202c} text",
    "line\nbreak\ttab\u{7}",
    "{{ 7 * 7 }} {% for %} {what}",
    "=HYPERLINK(\"x\")",
];

const NAMES: [&str; 8] =
    ["aspirin", "nitroglycerin", "chest_pain", "lisinopril", "left_arm", "chest", "tourniquet", "pde5_inhibitor"];

pub fn random_finding(dice: &mut Dice) -> Finding {
    let kind = *dice.pick(Kind::ALL);
    let mut finding = Finding::new(kind);
    for (field, shape) in schema::fields(kind) {
        if dice.one_in(2) {
            finding.set(*field, random_value(dice, *shape));
        }
    }
    for (field, shape) in schema::COMMON {
        if dice.one_in(14) && *field != Field::Patient {
            finding.set(*field, random_value(dice, *shape));
        }
    }
    finding
}

fn random_value(dice: &mut Dice, shape: Shape) -> Value {
    match shape {
        Shape::Int(low, high) => Value::int(low + dice.below((high - low + 1) as u64) as i64),
        Shape::Number(low, high) => {
            let low: Decimal = low.parse().unwrap();
            let high: Decimal = high.parse().unwrap();
            let span = (high.as_f64() - low.as_f64()) * 10.0;
            let value = low.as_f64() + dice.below(span as u64 + 1) as f64 / 10.0;
            Value::Number(Decimal::from_f64(value, 1).unwrap())
        }
        Shape::Flag => Value::Flag(dice.one_in(2)),
        Shape::Word(words) => Value::text(*dice.pick(words)),
        Shape::Name => Value::text(*dice.pick(&NAMES)),
        Shape::Text => Value::text(*dice.pick(&HARD_TEXTS)),
        Shape::Time => Value::text("2027-03-01T13:55:00-05:00"),
        Shape::Month => Value::text("2028-04"),
        Shape::Group => {
            Value::Group(vec![("value".into(), Value::int(101)), ("unit".into(), Value::text("degrees_fahrenheit"))])
        }
        Shape::List => Value::List(vec![Value::text("verbal")]),
    }
}

/// A record of `length` events after `opened`, then `closed`.
pub fn random_record(seed: u64, length: u64) -> Vec<Event> {
    let mut dice = Dice::new(seed);
    let start = DateTime::parse_from_rfc3339("2027-03-01T14:00:00-05:00").unwrap();
    let mut events = Vec::new();
    let mut mono_ms = 0;
    let mut findings: Vec<u64> = Vec::new();
    let mut advice: Vec<u64> = Vec::new();
    let opened = Opened {
        format: "thirdhand-record-1".into(),
        version: "0.1.0".into(),
        model: "text".into(),
        purpose: if seed.is_multiple_of(7) { Purpose::Training } else { Purpose::Care },
        unit: if seed.is_multiple_of(2) { "Unit <1>".into() } else { String::new() },
        crew: if seed.is_multiple_of(3) { vec!["A & B".into()] } else { Vec::new() },
        ..Opened::default()
    };
    let push = |events: &mut Vec<Event>, mono_ms: u64, body: Body, from: Option<u64>| {
        let seq = events.len() as u64 + 1;
        let when = Moment::new(mono_ms, start + chrono::TimeDelta::milliseconds(mono_ms as i64));
        events.push(Event { seq, when, body, from });
        seq
    };
    push(&mut events, 0, Body::Opened(opened), None);
    while (events.len() as u64) < length {
        mono_ms += dice.below(40_000);
        let target = (!findings.is_empty()).then(|| *dice.pick(&findings));
        let warned = (!advice.is_empty()).then(|| *dice.pick(&advice));
        match (dice.below(12), target, warned) {
            (0, Some(target), _) => {
                let finding = random_finding(&mut dice);
                push(&mut events, mono_ms, Body::Corrected(Corrected { target, finding, who: None, why: None }), None);
            }
            (1, Some(target), _) => {
                let why = Some((*dice.pick(&HARD_TEXTS)).to_string());
                push(&mut events, mono_ms, Body::Retracted(Retracted { target, who: None, why }), None);
            }
            (2, Some(target), _) => {
                push(&mut events, mono_ms, Body::Confirmed(Confirmed { target, how: "read_back".into() }), None);
            }
            (3 | 4, target, _) => {
                let kinds = [
                    AdviceType::Contraindication,
                    AdviceType::MissingFact,
                    AdviceType::AbnormalVital,
                    AdviceType::Reminder,
                    AdviceType::Score,
                ];
                let body = Body::Advice(Advice {
                    kind: *dice.pick(&kinds),
                    priority: *dice.pick(&[Priority::Low, Priority::Medium, Priority::High]),
                    about: (*dice.pick(&["aspirin", "reassessment", "pulse"])).into(),
                    say: (*dice.pick(&HARD_TEXTS)).into(),
                    rule: "rule-1".into(),
                    because: target.into_iter().collect(),
                    source: "a source, 2020".into(),
                    say_aloud: None,
                });
                advice.push(push(&mut events, mono_ms, body, None));
            }
            (5, _, Some(target)) => {
                push(&mut events, mono_ms, Body::Spoken(Spoken { target, reason: Some("done".into()) }), None);
            }
            (6, _, Some(target)) => {
                let body = Body::Acknowledged(Acknowledged { target, reason: None, authorized_by: None });
                push(&mut events, mono_ms, body, None);
            }
            (7, _, _) => {
                let outcomes = [Outcome::Unmatched, Outcome::Ambiguous, Outcome::Rejected, Outcome::Echo];
                let outcome = *dice.pick(&outcomes);
                let text = (*dice.pick(&HARD_TEXTS)).to_string();
                push(&mut events, mono_ms, heard(&text, outcome), None);
            }
            _ => {
                let text = (*dice.pick(&HARD_TEXTS)).to_string();
                let from = push(&mut events, mono_ms, heard(&text, Outcome::Matched), None);
                let finding = random_finding(&mut dice);
                findings.push(push(&mut events, mono_ms, Body::Finding(finding), Some(from)));
            }
        }
    }
    if !seed.is_multiple_of(5) {
        push(&mut events, mono_ms, Body::Closed(Closed { reason: "end_of_input".into(), by: None }), None);
    }
    events
}

pub fn heard(text: &str, outcome: Outcome) -> Body {
    Body::Heard(Heard {
        text: Some(text.into()),
        text_sha256: None,
        confidence: 0.9,
        outcome,
        audio_ms: 1200,
        commands: Vec::new(),
        speech: None,
        audio: None,
    })
}
