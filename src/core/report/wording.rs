//! How a finding is written and said: the data of `protocols/report/wording.toml`, read, checked and applied.
//!
//! A finding's text is a list of small parts with conditions (the file's head explains them). This module knows
//! nothing of medicine: what a part says is in the data, which fields exist is in the schema.

use std::collections::BTreeMap;

use serde::Deserialize;

use super::spoken;
use crate::core::decimal::Decimal;
use crate::core::diagnostic::{Diagnostic, position};
use crate::core::finding::{Field, Finding, Kind, Shape, Value, schema};
use crate::core::source::Source;

/// The file of this module below the data folder.
pub const FILE: &str = "protocols/report/wording.toml";

/// For the eye (digits, units) or for the ear (number words, units in full).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Manner {
    Shown,
    Said,
}

/// The wording in force.
#[derive(Clone, Debug)]
pub struct Wording {
    findings: BTreeMap<&'static str, Entry>,
    tail: Vec<(Field, Part)>,
    say_tail: Vec<(Field, Part)>,
    not_obtained: Both,
    word: BTreeMap<String, String>,
    say_word: BTreeMap<String, String>,
    shown_words: BTreeMap<String, String>,
    said_words: BTreeMap<String, String>,
    phrase: BTreeMap<String, String>,
}

/// The sentences a wording must have; no other key is allowed.
pub const PHRASES: &[&str] = &[
    "not_the_report",
    "training",
    "unconfirmed",
    "open_plan",
    "not_echoed",
    "missing_times",
    "times_out_of_order",
    "unchanged",
    "no_vitals",
    "one_set",
    "no_full_set",
    "dose_as_planned",
    "dose_not_said",
    "reason_not_said",
    "no_response",
    "advice_open",
    "given_after_warning",
    "not_understood",
    "unresolved",
    "not_closed",
    "trouble",
    "not_asked_essential",
    "retracted",
    "nothing_to_check",
    "not_asked",
    "not_examined",
    "could_not",
    "asked",
    "examined",
    "nothing_followed",
    "was_spoken",
    "was_interrupted",
    "was_not_spoken",
    "was_acknowledged",
    "was_silenced",
    "because_of",
    "authorized_by",
    "then",
    "corrected_by",
    "retracted_by",
    "was_now",
    "words_purged",
    "no_words",
    "no_findings",
];

#[derive(Clone, Debug)]
struct Entry {
    label: String,
    say_label: String,
    /// In front of the written text where it runs on among others.
    lead: String,
    join: String,
    /// Words that mean something else here than elsewhere.
    words: BTreeMap<String, String>,
    show: Vec<Part>,
    say: Option<Vec<Part>>,
    /// Fields that some part names: the tail leaves these alone.
    named: Vec<Field>,
}

#[derive(Clone, Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
struct Both {
    show: String,
    say: String,
}

#[derive(Clone, Debug)]
struct Part {
    guards: Vec<Guard>,
    pieces: Vec<Piece>,
}

#[derive(Clone, Debug)]
enum Guard {
    Said(Field),
    NotSaid(Field),
    Is(Field, String),
    IsNot(Field, String),
}

#[derive(Clone, Debug)]
enum Piece {
    Text(String),
    Field { field: Field, optional: bool },
}

#[derive(Deserialize, Default)]
#[serde(deny_unknown_fields)]
struct File {
    #[serde(default)]
    tail: BTreeMap<String, String>,
    #[serde(default)]
    say_tail: BTreeMap<String, String>,
    not_obtained: Option<Both>,
    #[serde(default)]
    word: BTreeMap<String, String>,
    #[serde(default)]
    say_word: BTreeMap<String, String>,
    #[serde(default)]
    shown_words: BTreeMap<String, String>,
    #[serde(default)]
    said_words: BTreeMap<String, String>,
    #[serde(default)]
    phrase: BTreeMap<String, String>,
    #[serde(default)]
    finding: BTreeMap<String, FindingFile>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct FindingFile {
    label: String,
    say_label: Option<String>,
    lead: Option<String>,
    join: Option<String>,
    #[serde(default)]
    words: BTreeMap<String, String>,
    show: Vec<String>,
    say: Option<Vec<String>>,
}

impl Wording {
    /// Reads every source that is a wording file, later ones over earlier ones by entry.
    ///
    /// # Errors
    /// Every complaint about the files, and a kind of finding that no file words.
    pub fn read(sources: &[Source]) -> Result<Wording, Vec<Diagnostic>> {
        let mut wording = Wording {
            findings: BTreeMap::new(),
            tail: Vec::new(),
            say_tail: Vec::new(),
            not_obtained: Both::default(),
            word: BTreeMap::new(),
            say_word: BTreeMap::new(),
            shown_words: BTreeMap::new(),
            said_words: BTreeMap::new(),
            phrase: BTreeMap::new(),
        };
        let mut problems = Vec::new();
        for source in sources.iter().filter(|s| s.path == FILE) {
            match toml::from_str::<File>(source.text) {
                Ok(file) => wording.lay_over(file, source, &mut problems),
                Err(error) => problems.push(toml_problem(source, &error)),
            }
        }
        for kind in Kind::ALL.iter().filter(|k| !wording.findings.contains_key(k.name())) {
            problems.push(Diagnostic::error(FILE, 0, 0, format!("no wording for the finding `{}`", kind.name())));
        }
        for key in PHRASES.iter().filter(|k| !wording.phrase.contains_key(**k)) {
            problems.push(Diagnostic::error(FILE, 0, 0, format!("no wording for the phrase `{key}`")));
        }
        if problems.is_empty() { Ok(wording) } else { Err(problems) }
    }

    fn lay_over(&mut self, file: File, source: &Source, problems: &mut Vec<Diagnostic>) {
        let mut complain = |what: String, word: &str| {
            let (line, column) = source.text.find(word).map_or((0, 0), |at| position(source.text, at));
            problems.push(Diagnostic::error(source.path, line, column, what));
        };
        self.word.extend(file.word);
        self.say_word.extend(file.say_word);
        self.shown_words.extend(file.shown_words);
        self.said_words.extend(file.said_words);
        for (key, text) in file.phrase {
            if PHRASES.contains(&key.as_str()) {
                self.phrase.insert(key, text);
            } else {
                complain(format!("`{key}` is no phrase of a report"), &key);
            }
        }
        if let Some(both) = file.not_obtained {
            self.not_obtained = both;
        }
        for (tail, said) in [(&file.tail, false), (&file.say_tail, true)] {
            for (name, text) in tail {
                match tail_part(name, text) {
                    Ok((field, part)) => {
                        let list = if said { &mut self.say_tail } else { &mut self.tail };
                        list.retain(|(f, _)| *f != field);
                        list.push((field, part));
                        list.sort_by_key(|(field, _)| schema::COMMON.iter().position(|(f, _)| f == field));
                    }
                    Err(error) => complain(format!("tail.{name}: {error}"), text),
                }
            }
        }
        for (name, entry) in file.finding {
            let Some(kind) = Kind::from_name(&name) else {
                complain(format!("`{name}` is no known finding"), &format!("finding.{name}"));
                continue;
            };
            let read = |texts: &[String]| -> Result<Vec<Part>, (String, String)> {
                let known = |f| schema::shape(kind, f).is_some();
                texts.iter().map(|t| Part::read(t, known).map_err(|e| (e, t.clone()))).collect()
            };
            match read(&entry.show).and_then(|show| Ok((show, entry.say.as_deref().map(read).transpose()?))) {
                Ok((show, say)) => {
                    let named = show.iter().flat_map(Part::fields).collect();
                    let say_label = entry.say_label.unwrap_or_else(|| entry.label.to_lowercase());
                    let lead = entry.lead.unwrap_or_else(|| say_label.clone());
                    let join = entry.join.unwrap_or_else(|| ", ".into());
                    self.findings.insert(
                        kind.name(),
                        Entry { label: entry.label, say_label, lead, join, words: entry.words, show, say, named },
                    );
                }
                Err((error, text)) => complain(format!("finding.{name}: {error}"), &text),
            }
        }
    }

    fn entry(&self, kind: Kind) -> Option<&Entry> {
        self.findings.get(kind.name())
    }

    /// The finding's heading: `Blood pressure`.
    pub fn label(&self, kind: Kind) -> &str {
        self.entry(kind).map_or(kind.name(), |e| &e.label)
    }

    /// The words in front of the finding in running text; empty where the finding speaks for itself.
    pub fn lead(&self, kind: Kind, manner: Manner) -> &str {
        self.entry(kind).map_or(kind.name(), |e| if manner == Manner::Said { &e.say_label } else { &e.lead })
    }

    /// A sentence of the data with its `{names}` filled in.
    pub fn phrase(&self, key: &str, fill: &[(&str, &str)]) -> String {
        let text = self.phrase.get(key).map_or(key, String::as_str);
        fill.iter().fold(text.to_string(), |text, (name, value)| text.replace(&format!("{{{name}}}"), value))
    }

    /// All sentences, for a page's template.
    pub fn phrases(&self) -> &BTreeMap<String, String> {
        &self.phrase
    }

    /// The finding's text with everything that qualifies it. `confirmed` drops its "unconfirmed".
    pub fn text(&self, finding: &Finding, confirmed: bool, manner: Manner) -> String {
        let Some(entry) = self.entry(finding.kind()) else { return String::new() };
        if finding.flag(Field::Obtained) == Some(false) {
            return self.not_obtained_text(finding, manner);
        }
        let parts = match (manner, &entry.say) {
            (Manner::Said, Some(say)) => say,
            _ => &entry.show,
        };
        let mut first_number = true;
        let mut texts: Vec<String> =
            parts.iter().filter_map(|part| self.part(part, finding, manner, &mut first_number)).collect();
        let body = texts.join(&entry.join);
        texts.clear();
        let written = |field: Field| finding.kind() == Kind::LastKnownWell && field == Field::HappenedAt;
        for (field, part) in &self.tail {
            let skip = (*field == Field::Unconfirmed && confirmed) || entry.named.contains(field) || written(*field);
            let said = self.say_tail.iter().find(|(f, _)| f == field).filter(|_| manner == Manner::Said);
            let part = said.map_or(part, |(_, part)| part);
            if !skip && let Some(text) = self.part(part, finding, manner, &mut false) {
                texts.push(text);
            }
        }
        let tail = texts.join("; ");
        match (body.is_empty(), tail.is_empty(), manner) {
            (_, true, _) => body,
            (true, false, _) => tail,
            (false, false, Manner::Shown) => format!("{body} ({tail})"),
            (false, false, Manner::Said) => format!("{body}, {}", tail.to_lowercase()),
        }
    }

    /// `324 mg`: a medication's dose alone, or its pieces; empty where none was said.
    pub fn dose(&self, finding: &Finding, manner: Manner) -> String {
        match (finding.number(Field::Dose), finding.text(Field::Unit)) {
            (Some(dose), Some(unit)) => format!("{} {}", number_text(dose, manner), self.word(unit, manner)),
            _ => self.pieces(finding, manner),
        }
    }

    /// `4 × 81 mg`, or the count alone.
    fn pieces(&self, finding: &Finding, manner: Manner) -> String {
        let unit = finding.text(Field::Unit).map(|u| format!(" {}", self.word(u, manner))).unwrap_or_default();
        match (finding.number(Field::Count), finding.number(Field::Each)) {
            (Some(count), Some(each)) if manner == Manner::Said => {
                format!("{} of {}{unit}", number_text(count, manner), number_text(each, manner))
            }
            (Some(count), Some(each)) => {
                format!("{} × {}{unit}", number_text(count, manner), number_text(each, manner))
            }
            (Some(count), None) => number_text(count, manner),
            _ => String::new(),
        }
    }

    /// `Pulse 118/min, irregular, weak`: label and text.
    pub fn line(&self, finding: &Finding, confirmed: bool) -> String {
        let text = self.text(finding, confirmed, Manner::Shown);
        format!("{}: {text}", self.label(finding.kind()))
    }

    fn not_obtained_text(&self, finding: &Finding, manner: Manner) -> String {
        let text = match manner {
            Manner::Shown => &self.not_obtained.show,
            Manner::Said => &self.not_obtained.say,
        };
        match finding.text(Field::Why) {
            Some(why) => format!("{text} ({})", self.word(why, manner)),
            None => text.clone(),
        }
    }

    fn part(&self, part: &Part, finding: &Finding, manner: Manner, first_number: &mut bool) -> Option<String> {
        if !part.guards.iter().all(|guard| guard.holds(finding)) {
            return None;
        }
        let mut text = String::new();
        for piece in &part.pieces {
            match piece {
                Piece::Text(literal) => text.push_str(literal),
                Piece::Field { field, optional } => match finding.get(*field) {
                    Some(value) => text.push_str(&self.value(finding, *field, value, manner, first_number)),
                    None if *optional => {}
                    None => return None,
                },
            }
        }
        let text = text.split_whitespace().collect::<Vec<_>>().join(" ");
        (!text.is_empty()).then_some(text)
    }

    fn value(&self, finding: &Finding, field: Field, value: &Value, manner: Manner, first: &mut bool) -> String {
        match value {
            Value::Number(number) => {
                let prefix = if std::mem::take(first) { self.prefix(finding, manner) } else { String::new() };
                format!("{prefix}{}", number_text(*number, manner))
            }
            Value::Text(text) => match schema::shape(finding.kind(), field) {
                Some(Shape::Time) => clock_time(text, manner),
                Some(Shape::Text) => plain(text),
                _ => match self.entry(finding.kind()).and_then(|e| e.words.get(text)) {
                    Some(word) => word.clone(),
                    None => self.word(text, manner),
                },
            },
            Value::Flag(flag) => self.word(if *flag { "true" } else { "false" }, manner),
            Value::Group(items) => items.iter().map(|(_, v)| self.loose(v, manner)).collect::<Vec<_>>().join(" "),
            Value::List(items) => items.iter().map(|v| self.loose(v, manner)).collect::<Vec<_>>().join(", "),
        }
    }

    fn loose(&self, value: &Value, manner: Manner) -> String {
        match value {
            Value::Number(number) => number_text(*number, manner),
            Value::Text(text) => self.word(text, manner),
            other => other.to_string(),
        }
    }

    fn prefix(&self, finding: &Finding, manner: Manner) -> String {
        let words = if manner == Manner::Said { &self.said_words } else { &self.shown_words };
        let about = (finding.flag(Field::Approximate) == Some(true)).then_some("about");
        let words: String =
            about.into_iter().chain(finding.text(Field::Comparator)).filter_map(|w| words.get(w)).cloned().collect();
        words
    }

    /// One word or name of the record as people write (or say) it.
    pub fn word(&self, word: &str, manner: Manner) -> String {
        let said = if manner == Manner::Said { self.say_word.get(word) } else { None };
        said.or_else(|| self.word.get(word)).cloned().unwrap_or_else(|| plain(&word.replace('_', " ")))
    }
}

/// A number for the eye or the ear.
pub fn number_text(number: Decimal, manner: Manner) -> String {
    match manner {
        Manner::Shown => number.to_string(),
        Manner::Said => spoken::number(number),
    }
}

/// Free text made harmless on one line: control characters and invisible direction marks become spaces.
pub fn plain(text: &str) -> String {
    let harmless = |c: char| match c {
        '\u{200e}' | '\u{200f}' | '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}' | '\u{feff}' => ' ',
        c if c.is_control() => ' ',
        c => c,
    };
    let text: String = text.chars().map(harmless).collect();
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

fn clock_time(text: &str, manner: Manner) -> String {
    match chrono::DateTime::parse_from_rfc3339(text) {
        Ok(at) if manner == Manner::Shown => at.format("%H:%M").to_string(),
        Ok(at) => spoken::clock(&at),
        Err(_) => plain(text),
    }
}

impl Guard {
    fn holds(&self, finding: &Finding) -> bool {
        let spelled = |field: &Field| finding.get(*field).map(Value::to_string);
        match self {
            Guard::Said(field) => finding.get(*field).is_some(),
            Guard::NotSaid(field) => finding.get(*field).is_none(),
            Guard::Is(field, word) => spelled(field).as_ref() == Some(word),
            Guard::IsNot(field, word) => spelled(field).as_ref() != Some(word),
        }
    }

    fn field(&self) -> Field {
        match self {
            Guard::Said(f) | Guard::NotSaid(f) | Guard::Is(f, _) | Guard::IsNot(f, _) => *f,
        }
    }
}

impl Part {
    fn fields(&self) -> Vec<Field> {
        let pieces = self.pieces.iter().filter_map(|p| match p {
            Piece::Field { field, .. } => Some(*field),
            Piece::Text(_) => None,
        });
        self.guards.iter().map(Guard::field).chain(pieces).collect()
    }

    fn read(text: &str, known: impl Fn(Field) -> bool) -> Result<Part, String> {
        let field = |name: &str| match Field::from_name(name) {
            Some(field) if known(field) => Ok(field),
            _ => Err(format!("`{name}` is no field that it can carry")),
        };
        let mut guards = Vec::new();
        let mut rest = text.trim_start();
        while let Some(inner) = rest.strip_prefix('[') {
            let (guard, after) = inner.split_once(']').ok_or("a `[` is never closed")?;
            guards.push(match (guard.split_once("!="), guard.split_once('='), guard.strip_prefix('!')) {
                (Some((name, word)), _, _) => Guard::IsNot(field(name)?, word.into()),
                (None, Some((name, word)), _) => Guard::Is(field(name)?, word.into()),
                (None, None, Some(name)) => Guard::NotSaid(field(name)?),
                (None, None, None) => Guard::Said(field(guard)?),
            });
            rest = after.trim_start();
        }
        let mut pieces = Vec::new();
        while let Some((before, after)) = rest.split_once('{') {
            let (name, after) = after.split_once('}').ok_or("a `{` is never closed")?;
            pieces.push(Piece::Text(before.into()));
            let optional = name.ends_with('?');
            pieces.push(Piece::Field { field: field(name.trim_end_matches('?'))?, optional });
            rest = after;
        }
        pieces.push(Piece::Text(rest.into()));
        Ok(Part { guards, pieces })
    }
}

fn tail_part(name: &str, text: &str) -> Result<(Field, Part), String> {
    let common = |f: Field| schema::COMMON.iter().any(|(c, _)| *c == f);
    match Field::from_name(name).filter(|f| common(*f)) {
        Some(field) => Ok((field, Part::read(text, common)?)),
        None => Err(format!("`{name}` is no field that any finding may carry")),
    }
}

/// A TOML reader's complaint with its place.
pub fn toml_problem(source: &Source, error: &toml::de::Error) -> Diagnostic {
    let (line, column) = error.span().map_or((0, 0), |span| position(source.text, span.start));
    Diagnostic::error(source.path, line, column, error.message().to_lowercase())
}

#[cfg(test)]
mod tests {
    use super::*;

    pub fn built_in() -> Wording {
        let text = include_str!("../../../protocols/report/wording.toml");
        Wording::read(&[Source { path: FILE, text, local: false }]).unwrap()
    }

    fn finding(json: &str) -> Finding {
        serde_json::from_str(json).unwrap()
    }

    #[test]
    fn findings_are_written_and_said_as_people_do() {
        let wording = built_in();
        for (json, shown, said) in [
            (
                r#"{"finding":"pulse","rate_per_min":118,"rhythm":"irregular","quality":"weak"}"#,
                "118/min, irregular, weak",
                "one eighteen, irregular, weak",
            ),
            (
                r#"{"finding":"blood_pressure","systolic_mmhg":94,"diastolic_mmhg":62}"#,
                "94/62 mmHg",
                "ninety four over sixty two",
            ),
            (
                r#"{"finding":"blood_pressure","systolic_mmhg":90,"method":"palpated"}"#,
                "90/palp mmHg",
                "ninety over palp",
            ),
            (r#"{"finding":"capillary_refill","seconds":2,"comparator":"<"}"#, "<2 s", "under two seconds"),
            (
                r#"{"finding":"oxygen_saturation","percent":91,"on":"room_air","unconfirmed":true}"#,
                "91 %, on room air (UNCONFIRMED)",
                "ninety one percent, on room air, unconfirmed",
            ),
            (
                r#"{"finding":"medication_given","name":"nitroglycerin","dose":0.4,"unit":"mg","route":"sublingual"}"#,
                "nitroglycerin 0.4 mg sublingual",
                "nitroglycerin zero point four milligrams sublingual",
            ),
            (
                r#"{"finding":"pulse","obtained":false,"why":"refused"}"#,
                "not obtained (refused)",
                "not obtained (refused)",
            ),
            (
                r#"{"finding":"skin","color":"pale","unchanged":true}"#,
                "pale (said: no change, not measured)",
                "pale, said no change",
            ),
            (r#"{"finding":"symptom","name":"nausea","present":false}"#, "no nausea", "denies nausea"),
        ] {
            let f = finding(json);
            assert_eq!(wording.text(&f, false, Manner::Shown), shown, "{json}");
            assert_eq!(wording.text(&f, false, Manner::Said), said, "{json}");
        }
    }

    #[test]
    fn a_misspelt_field_is_named_with_its_place() {
        let text = "[finding.pulse]\nlabel = \"Pulse\"\nshow = [\"{rate}/min\"]\n";
        let problems = Wording::read(&[Source { path: FILE, text, local: true }]).unwrap_err();
        assert!(problems[0].to_string().contains("wording.toml:3:10: error: finding.pulse: `rate` is no field"));
    }

    #[test]
    fn hidden_direction_marks_do_not_pass() {
        assert_eq!(plain("a\u{202e}b\nc\u{7}"), "a b c");
    }
}
