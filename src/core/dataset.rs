//! Reads `protocols/*.toml` into typed entries, with every complaint placed, and lays a local set over the built-in
//! one by id. All rooms that have rule data read it through this one door.
//!
//! A file is flat: `[[section]]` tables, one entry each. Every entry has an `id` (unique over all files), a published
//! `source` with its edition, and the date `effective`; a file's top-level `source` and `effective` stand for entries
//! that have none of their own. A local entry may stand in for a built-in one only by saying `replaces = "id"` and
//! `because`; `[[disable]]` with `id` and `because` takes one away. This module does not know what an entry means.

use std::collections::{BTreeMap, BTreeSet};
use std::ops::Range;

use serde::Deserialize;
use serde::de::DeserializeOwned;
use toml::Spanned;
use toml::de::{DeTable, DeValue, ValueDeserializer};

use super::diagnostic::{Diagnostic, position};
use super::source::Source;

/// What every entry carries besides its own fields.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Head {
    pub id: String,
    /// Published source with edition, or `common practice, no source`, or `from memory: ...`.
    pub source: String,
    /// `YYYY-MM-DD`.
    pub effective: String,
    /// The built-in entry this one stands in for.
    pub replaces: Option<String>,
    /// Why a local set changes something.
    pub because: Option<String>,
}

/// One entry in force, and where it was written.
#[derive(Clone, Debug, PartialEq)]
pub struct Entry<T> {
    pub head: Head,
    pub body: T,
    pub file: String,
    /// From 1.
    pub line: usize,
    pub local: bool,
}

impl<T> Entry<T> {
    pub fn id(&self) -> &str {
        &self.head.id
    }

    /// An error about this entry as a whole.
    pub fn error(&self, message: impl Into<String>) -> Diagnostic {
        Diagnostic::error(&self.file, self.line, 1, message)
    }
}

/// Name and approval of one file's set: the top-level `[set]` table.
#[derive(Clone, Debug, Default, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Set {
    pub name: String,
    pub approved_by: String,
    pub effective: String,
    #[serde(default)]
    pub version: Option<String>,
}

/// What a local set does to the built-in one.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ChangeKind {
    Added,
    Replaced,
    Disabled,
}

#[derive(Clone, Debug, PartialEq, Eq)]
pub struct LocalChange {
    pub kind: ChangeKind,
    /// The built-in id (or the new one, where it is added).
    pub id: String,
    pub because: String,
    pub file: String,
    pub line: usize,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Disable {
    id: String,
    because: String,
}

struct Raw<'a> {
    span: Range<usize>,
    value: Spanned<DeValue<'a>>,
}

struct File<'a> {
    path: &'a str,
    text: &'a str,
    local: bool,
    source: Option<String>,
    effective: Option<String>,
    sections: BTreeMap<String, Vec<Raw<'a>>>,
}

/// Files being read: rooms [`take`](Reader::take) their sections, then [`finish`](Reader::finish) complains about what
/// nobody knows.
pub struct Reader<'a> {
    files: Vec<File<'a>>,
    sets: Vec<(Set, bool)>,
    disabled: BTreeMap<String, (Disable, String, usize, bool)>,
    seen: BTreeMap<String, (String, usize)>,
    known: BTreeSet<String>,
    changes: Vec<LocalChange>,
    diagnostics: Vec<Diagnostic>,
}

/// Everything the reader learnt besides the entries.
#[derive(Clone, Debug, Default)]
pub struct Reading {
    /// `[set]` tables with whether they are local, in file order.
    pub sets: Vec<(Set, bool)>,
    pub changes: Vec<LocalChange>,
    pub diagnostics: Vec<Diagnostic>,
}

impl<'a> Reader<'a> {
    /// Opens every source; a file that is no TOML is complained about and left out.
    pub fn open(sources: &[Source<'a>]) -> Reader<'a> {
        let mut reader = Reader {
            files: Vec::new(),
            sets: Vec::new(),
            disabled: BTreeMap::new(),
            seen: BTreeMap::new(),
            known: BTreeSet::new(),
            changes: Vec::new(),
            diagnostics: Vec::new(),
        };
        // `protocols/report/` words reports; it has readers of its own (`core::report`).
        for source in sources.iter().filter(|s| !s.path.starts_with("protocols/report/")) {
            reader.open_one(source);
        }
        reader.read_disables();
        reader
    }

    fn open_one(&mut self, source: &Source<'a>) {
        let (table, errors) = DeTable::parse_recoverable(source.text);
        if !errors.is_empty() {
            for error in errors {
                self.complain(source.path, source.text, error.span(), plain(error.message()));
            }
            return;
        }
        let mut file = File {
            path: source.path,
            text: source.text,
            local: source.local,
            source: None,
            effective: None,
            sections: BTreeMap::new(),
        };
        for (key, value) in table.into_inner() {
            self.open_item(&mut file, key.get_ref().as_ref(), key.span(), value);
        }
        self.files.push(file);
    }

    fn open_item(&mut self, file: &mut File<'a>, key: &str, key_span: Range<usize>, value: Spanned<DeValue<'a>>) {
        let span = value.span();
        match (key, value.get_ref()) {
            ("source", DeValue::String(text)) => file.source = Some(text.to_string()),
            ("effective", DeValue::String(text)) => file.effective = Some(text.to_string()),
            ("set", DeValue::Table(_)) => match Set::deserialize(ValueDeserializer::from(value)) {
                Ok(set) => self.sets.push((set, file.local)),
                Err(error) => self.complain(file.path, file.text, error.span().or(Some(span)), plain(error.message())),
            },
            (_, DeValue::Array(_)) => {
                let DeValue::Array(items) = value.into_inner() else { return };
                let raws = items.into_iter().map(|value| Raw { span: value.span(), value });
                file.sections.entry(key.to_string()).or_default().extend(raws);
            }
            _ => {
                let message = format!("`{key}` is no section: entries are written `[[{key}]]`");
                self.complain(file.path, file.text, Some(key_span), message);
            }
        }
    }

    fn read_disables(&mut self) {
        self.known.insert("disable".into());
        for at in 0..self.files.len() {
            let Some(file) = self.files.get_mut(at) else { continue };
            let raws = file.sections.remove("disable").unwrap_or_default();
            let (path, text, local) = (file.path, file.text, file.local);
            for raw in raws {
                let line = position(text, raw.span.start).0;
                match Disable::deserialize(ValueDeserializer::from(raw.value)) {
                    Ok(disable) => {
                        self.disabled.insert(disable.id.clone(), (disable, path.to_string(), line, false));
                    }
                    Err(error) => self.complain(path, text, error.span().or(Some(raw.span)), plain(error.message())),
                }
                if !local {
                    self.complain(path, text, None, "only a local set may disable an entry".into());
                }
            }
        }
    }

    /// The entries of `[[section]]` in force, over all files; built-in before local, in file order.
    pub fn take<T: DeserializeOwned>(&mut self, section: &str) -> Vec<Entry<T>> {
        self.known.insert(section.to_string());
        let mut entries: Vec<Entry<T>> = Vec::new();
        for at in 0..self.files.len() {
            let Some(file) = self.files.get_mut(at) else { continue };
            let raws = file.sections.remove(section).unwrap_or_default();
            let about = FileFacts {
                path: file.path,
                text: file.text,
                local: file.local,
                source: file.source.clone(),
                effective: file.effective.clone(),
            };
            for raw in raws {
                if let Some(entry) = self.read_entry(&about, raw) {
                    self.lay(&mut entries, entry);
                }
            }
        }
        entries.retain(|entry| self.keep(entry));
        entries
    }

    fn read_entry<T: DeserializeOwned>(&mut self, file: &FileFacts<'a>, raw: Raw<'a>) -> Option<Entry<T>> {
        let line = position(file.text, raw.span.start).0;
        let span = raw.span.clone();
        let DeValue::Table(table) = raw.value.into_inner() else {
            self.complain(file.path, file.text, Some(span), "an entry is a table of `key = value` lines".into());
            return None;
        };
        let (mut head, mut rest) = (Head::default(), DeTable::new());
        for (key, value) in table {
            let text = value.get_ref().as_str().map(str::to_string);
            match (key.get_ref().as_ref(), text) {
                ("id", Some(text)) => head.id = text,
                ("source", Some(text)) => head.source = text,
                ("effective", Some(text)) => head.effective = text,
                ("replaces", Some(text)) => head.replaces = Some(text),
                ("because", Some(text)) => head.because = Some(text),
                _ => {
                    rest.insert(key, value);
                }
            }
        }
        self.complete_head(file, &span, &mut head);
        let value = Spanned::new(span.clone(), DeValue::Table(rest));
        match T::deserialize(ValueDeserializer::from(value)) {
            Ok(body) if !head.id.is_empty() => {
                Some(Entry { head, body, file: file.path.to_string(), line, local: file.local })
            }
            Ok(_) => None,
            Err(error) => {
                let message = match head.id.as_str() {
                    "" => plain(error.message()),
                    id => format!("`{id}`: {}", plain(error.message())),
                };
                let at = error.span().or(Some(span));
                let hint = unknown_field_hint(error.message());
                self.complain_hint(file.path, file.text, at, message, hint);
                None
            }
        }
    }

    fn complete_head(&mut self, file: &FileFacts<'a>, span: &Range<usize>, head: &mut Head) {
        if head.source.is_empty() {
            head.source = file.source.clone().unwrap_or_default();
        }
        if head.effective.is_empty() {
            head.effective = file.effective.clone().unwrap_or_default();
        }
        let mut lacks = |what: &str, hint: &str| {
            let message = if head.id.is_empty() || what == "id" {
                format!("the entry has no `{what}`")
            } else {
                format!("`{}` has no `{what}`", head.id)
            };
            let at = Some(span.clone());
            self.complain_hint(file.path, file.text, at, message, Some(hint.to_string()));
        };
        if head.id.is_empty() {
            lacks("id", "write `id = \"short-name\"`, unique over all protocol files");
        }
        if head.source.is_empty() {
            lacks("source", "name the published source with its edition, here or once at the top of the file");
        }
        if head.effective.is_empty() {
            lacks("effective", "write `effective = \"YYYY-MM-DD\"`, here or once at the top of the file");
        } else if !is_date(&head.effective) {
            lacks("effective", "a date is written YYYY-MM-DD");
        }
    }

    /// Adds `entry`, or lets it stand in for the one it replaces.
    fn lay<T>(&mut self, entries: &mut Vec<Entry<T>>, entry: Entry<T>) {
        let (file, line) = (entry.file.clone(), entry.line);
        let replaced = entry.head.replaces.clone();
        if replaced.is_some() && !entry.local {
            self.diagnostics.push(entry.error(format!("`{}`: only a local set may replace an entry", entry.id())));
            return;
        }
        let Some(old) = replaced else {
            if let Some((other, at)) = self.seen.get(entry.id()) {
                let hint = if entry.local {
                    "write `replaces` with the built-in id and `because`, or give it another id"
                } else {
                    "give one of them another id"
                };
                let message = format!("`{}` is already defined at {other}:{at}", entry.id());
                self.diagnostics.push(entry.error(message).hint(hint));
                return;
            }
            if entry.local {
                self.note(ChangeKind::Added, entry.id(), entry.head.because.as_deref().unwrap_or(""), &file, line);
            }
            self.seen.insert(entry.id().to_string(), (file, line));
            entries.push(entry);
            return;
        };
        let Some(because) = entry.head.because.clone() else {
            let message = format!("`{}` replaces `{old}` without saying why", entry.id());
            self.diagnostics.push(entry.error(message).hint("write `because = \"...\"`"));
            return;
        };
        let Some(slot) = entries.iter_mut().find(|e| e.id() == old) else {
            let near = nearest(&old, entries.iter().map(|e| e.id()));
            let mut complaint = entry.error(format!("`{}` replaces `{old}`, which is not there", entry.id()));
            complaint.hint = near.map(|near| format!("did you mean `{near}`?"));
            self.diagnostics.push(complaint);
            return;
        };
        self.note(ChangeKind::Replaced, &old, &because, &file, line);
        self.seen.insert(entry.id().to_string(), (file, line));
        *slot = entry;
    }

    fn keep<T>(&mut self, entry: &Entry<T>) -> bool {
        let Some((disable, file, line, used)) = self.disabled.get_mut(entry.id()) else { return true };
        *used = true;
        let change = LocalChange {
            kind: ChangeKind::Disabled,
            id: disable.id.clone(),
            because: disable.because.clone(),
            file: file.clone(),
            line: *line,
        };
        self.changes.push(change);
        false
    }

    fn note(&mut self, kind: ChangeKind, id: &str, because: &str, file: &str, line: usize) {
        self.changes.push(LocalChange { kind, id: id.into(), because: because.into(), file: file.into(), line });
    }

    /// Adds complaints that a room found in its own entries.
    pub fn report(&mut self, diagnostics: impl IntoIterator<Item = Diagnostic>) {
        self.diagnostics.extend(diagnostics);
    }

    /// The last word: sections that nobody took are errors, as is disabling what is not there.
    pub fn finish(mut self) -> Reading {
        let mut complaints = Vec::new();
        for file in &self.files {
            for (section, raws) in &file.sections {
                let at = raws.first().map_or(0, |raw| raw.span.start);
                let (line, column) = position(file.text, at);
                let known = self.known.iter().map(String::as_str).collect::<Vec<_>>();
                let hint = match nearest(section, known.iter().copied()) {
                    Some(near) => format!("did you mean `[[{near}]]`?"),
                    None => format!("known sections: {}", known.join(", ")),
                };
                let message = format!("`[[{section}]]` is no known section");
                complaints.push(Diagnostic::error(file.path, line, column, message).hint(hint));
            }
        }
        for (disable, file, line, used) in self.disabled.values() {
            if !used {
                let near = nearest(&disable.id, self.seen.keys().map(String::as_str));
                let mut complaint =
                    Diagnostic::error(file, *line, 1, format!("`{}` is disabled but is not there", disable.id));
                complaint.hint = near.map(|near| format!("did you mean `{near}`?"));
                complaints.push(complaint);
            }
        }
        self.diagnostics.extend(complaints);
        self.diagnostics.sort_by(|a, b| (&a.file, a.line, a.column).cmp(&(&b.file, b.line, b.column)));
        Reading { sets: self.sets, changes: self.changes, diagnostics: self.diagnostics }
    }

    fn complain(&mut self, path: &str, text: &str, span: Option<Range<usize>>, message: String) {
        self.complain_hint(path, text, span, message, None);
    }

    fn complain_hint(
        &mut self,
        path: &str,
        text: &str,
        span: Option<Range<usize>>,
        message: String,
        hint: Option<String>,
    ) {
        let (line, column) = span.map_or((0, 0), |span| position(text, span.start));
        let mut complaint = Diagnostic::error(path, line, column, message);
        complaint.hint = hint;
        self.diagnostics.push(complaint);
    }
}

struct FileFacts<'a> {
    path: &'a str,
    text: &'a str,
    local: bool,
    source: Option<String>,
    effective: Option<String>,
}

/// The parser's words without the type names of a programming language.
fn plain(message: &str) -> String {
    let mut text = message.trim().replace('\n', ", ");
    for (from, to) in [
        ("expected i64", "expected a whole number"),
        ("expected u32", "expected a whole number from 0"),
        ("expected u64", "expected a whole number from 0"),
        ("expected f64", "expected a number"),
        ("expected a boolean", "expected true or false"),
        ("expected a sequence", "expected a list in [ ]"),
        ("floating point `", "number `"),
        ("invalid type: integer", "wrong kind of value: number"),
        ("invalid type:", "wrong kind of value:"),
    ] {
        text = text.replace(from, to);
    }
    text
}

/// For "unknown field `a`, expected one of `b`, `c`": the nearest of those that are known.
fn unknown_field_hint(message: &str) -> Option<String> {
    let quoted: Vec<&str> = message.split('`').skip(1).step_by(2).collect();
    let (wrong, known) = quoted.split_first()?;
    message
        .starts_with("unknown")
        .then(|| nearest(wrong, known.iter().copied()).map(|near| format!("did you mean `{near}`?")))
        .flatten()
}

/// The closest of `known` to `word`, if it is close at all.
pub fn nearest<'a>(word: &str, known: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    known
        .into_iter()
        .map(|k| (strsim::jaro_winkler(word, k), k))
        .filter(|(score, _)| *score > 0.85)
        .max_by(|a, b| a.0.total_cmp(&b.0))
        .map(|(_, k)| k)
}

fn is_date(text: &str) -> bool {
    chrono::NaiveDate::parse_from_str(text, "%Y-%m-%d").is_ok() && text.len() == 10
}

#[cfg(test)]
mod tests {
    use super::*;

    #[derive(Clone, Debug, PartialEq, Deserialize)]
    #[serde(deny_unknown_fields)]
    struct Limit {
        below: i64,
    }

    const BUILT_IN: &str = "source = \"a book, 2nd ed.\"\neffective = \"2026-11-25\"\n\n[[limit]]\nid = \"low\"\nbelow = 90\n\n[[limit]]\nid = \"lower\"\nbelow = 70\n";

    fn read(local: &str) -> (Vec<Entry<Limit>>, Reading) {
        let sources = [
            Source { path: "protocols/a.toml", text: BUILT_IN, local: false },
            Source { path: "protocols/b.toml", text: local, local: true },
        ];
        let mut reader = Reader::open(&sources);
        let limits = reader.take("limit");
        (limits, reader.finish())
    }

    fn complaints(local: &str) -> String {
        read(local).1.diagnostics.iter().map(|d| format!("{d}\n")).collect()
    }

    #[test]
    fn a_file_stands_for_its_entries_source_and_date() {
        let (limits, reading) = read("");
        assert_eq!(reading.diagnostics, []);
        assert_eq!((limits[1].head.source.as_str(), limits[1].line), ("a book, 2nd ed.", 8));
    }

    #[test]
    fn a_local_entry_stands_in_only_with_a_reason() {
        let head = "source = \"county\"\neffective = \"2026-12-01\"\n[[limit]]\nid = \"low\"\nbelow = 100\n";
        assert!(complaints(head).contains("b.toml:3:1: error: `low` is already defined at protocols/a.toml:4"));
        assert!(complaints(&format!("{head}replaces = \"low\"\n")).contains("without saying why"));
        let (limits, reading) = read(&format!("{head}replaces = \"low\"\nbecause = \"county rule 4\"\n"));
        assert_eq!(reading.diagnostics, []);
        assert_eq!((limits[0].body.below, limits.len()), (100, 2));
        assert_eq!(
            (reading.changes[0].kind, reading.changes[0].because.as_str()),
            (ChangeKind::Replaced, "county rule 4")
        );
    }

    #[test]
    fn disabling_takes_away_and_must_hit() {
        let (limits, reading) = read("[[disable]]\nid = \"low\"\nbecause = \"not carried\"\n");
        assert_eq!((limits.len(), reading.changes[0].kind), (1, ChangeKind::Disabled));
        let text = complaints("[[disable]]\nid = \"lowerr\"\nbecause = \"x\"\n");
        assert!(text.contains("`lowerr` is disabled but is not there (hint: did you mean `lower`?)"), "{text}");
    }

    #[test]
    fn every_complaint_has_its_place_and_a_hint() {
        let text = complaints(
            "effective = \"2026-12-01\"\n[[limit]]\nid = \"x\"\nsource = \"s\"\nbelo = 3\n[[limit]]\nid = \"y\"\nbelow = \"3\"\n[[limits]]\nid = \"z\"\n",
        );
        assert!(
            text.contains(
                "b.toml:5:1: error: `x`: unknown field `belo`, expected `below` (hint: did you mean `below`?)"
            ),
            "{text}"
        );
        assert!(text.contains("b.toml:6:1: error: `y` has no `source`"), "{text}");
        assert!(
            text.contains("b.toml:8:9: error: `y`: wrong kind of value: string \"3\", expected a whole number"),
            "{text}"
        );
        assert!(
            text.contains("b.toml:9:1: error: `[[limits]]` is no known section (hint: did you mean `[[limit]]`?)"),
            "{text}"
        );
        assert!(complaints("[[limit\n").contains("b.toml:1:"));
    }
}
