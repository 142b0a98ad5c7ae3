//! Stories told in findings: `MM:SS kind field=value ...`, several findings of one breath separated by `;`. A `patient`
//! is 1. Values are spelled as the record spells them; free text is written with `_` for spaces.
#![allow(dead_code)]

use std::fs;
use std::path::PathBuf;

use chrono::DateTime;
use thirdhand::core::dataset::{Reader, Reading};
use thirdhand::core::event::{Body, Event};
use thirdhand::core::finding::{Field, Finding, Kind, Shape, Value, schema};
use thirdhand::core::ledger::Ledger;
use thirdhand::core::source::Source;
use thirdhand::core::time::Moment;
use thirdhand::shell::data::DataSet;

/// The moment `MM:SS` of a story.
pub fn moment(clock: &str) -> Moment {
    let (minutes, seconds) = clock.split_once(':').unwrap_or_else(|| panic!("`{clock}` is no MM:SS"));
    let ms = (minutes.parse::<u64>().unwrap() * 60 + seconds.parse::<u64>().unwrap()) * 1000;
    let start = DateTime::parse_from_rfc3339("2027-03-01T14:00:00-05:00").unwrap();
    Moment::new(0, start).plus_ms(ms)
}

/// `MM:SS` of a moment.
pub fn clock(moment: Moment) -> String {
    format!("{:02}:{:02}", moment.mono_ms / 60_000, moment.mono_ms / 1000 % 60)
}

/// One finding from `kind field=value ...`.
pub fn finding(text: &str) -> Finding {
    let mut words = text.split_whitespace();
    let name = words.next().unwrap();
    let kind = Kind::from_name(name).unwrap_or_else(|| panic!("`{name}` is no finding"));
    let mut finding = Finding::new(kind);
    for word in words {
        let (name, value) = word.split_once('=').unwrap_or_else(|| panic!("`{word}` is no field=value"));
        let field = Field::from_name(name).unwrap_or_else(|| panic!("`{name}` is no field"));
        let value = match schema::shape(kind, field) {
            Some(Shape::Int(..) | Shape::Number(..)) => Value::Number(value.parse().unwrap()),
            Some(Shape::Flag) => Value::Flag(value == "true"),
            Some(Shape::Group) => {
                let (number, unit) = value.split_once('_').unwrap();
                Value::Group(vec![
                    ("value".into(), Value::Number(number.parse().unwrap())),
                    ("unit".into(), Value::text(unit)),
                ])
            }
            Some(Shape::Text) => Value::text(value.replace('_', " ")),
            Some(_) => Value::text(value),
            None => panic!("`{}` has no field `{name}`", kind.name()),
        };
        finding.set(field, value);
    }
    assert_eq!(finding.problems(), Vec::<String>::new(), "{text}");
    finding
}

/// A growing ledger.
#[derive(Default)]
pub struct Story {
    pub ledger: Ledger,
    next: u64,
}

impl Story {
    /// Adds the findings of one breath.
    pub fn say(&mut self, clock: &str, findings: &str) {
        self.next += 1;
        let heard = self.next;
        for text in findings.split(';').map(str::trim).filter(|t| !t.is_empty()) {
            self.next += 1;
            let body = Body::Finding(finding(text));
            self.ledger.apply(&Event { seq: self.next, when: moment(clock), body, from: Some(heard) });
        }
    }
}

/// The shipped data, read by `take`.
pub fn shipped<T>(take: impl Fn(&mut Reader<'_>) -> T) -> (T, Reading) {
    let data = DataSet::built_in();
    let sources: Vec<Source<'_>> = data.sources("protocols/");
    let mut reader = Reader::open(&sources);
    let taken = take(&mut reader);
    (taken, reader.finish())
}

/// Text files of one folder under `tests/`, by name.
pub fn files(folder: &str) -> Vec<(String, String)> {
    let dir = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("tests").join(folder);
    let mut files: Vec<_> = fs::read_dir(&dir)
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .filter(|path| path.extension().is_some_and(|e| e == "txt"))
        .map(|path| (path.file_name().unwrap().to_string_lossy().into_owned(), fs::read_to_string(&path).unwrap()))
        .collect();
    files.sort();
    assert!(!files.is_empty(), "no text files in {}", dir.display());
    files
}
