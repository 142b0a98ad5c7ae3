//! A draft narrative, chronological or by SOAP: every sentence rests on events whose numbers it carries.
//!
//! Sentences are the data of `protocols/report/narrative.toml`; values are the record's. Nothing is concluded here.

use std::collections::BTreeSet;

use serde::Deserialize;

use super::call::{Call, happened};
use super::outline::{Outline, Topic};
use super::review::Desk;
use super::vitals::{self, Measure, obtained};
use super::wording::{Wording, plain, toml_problem};
use crate::core::diagnostic::Diagnostic;
use crate::core::event::Body;
use crate::core::finding::Kind;
use crate::core::ledger::Entry;
use crate::core::source::Source;

/// The file of this module below the data folder.
pub const FILE: &str = "protocols/report/narrative.toml";

#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Sentences {
    pub draft: String,
    not_assessed: String,
    not_obtained: String,
    nothing: String,
    advice: String,
    corrected: String,
    vitals: String,
    done: String,
    time: String,
    said: String,
    soap: Vec<SoapPart>,
}

#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct SoapPart {
    title: String,
    kinds: Vec<String>,
    #[serde(default)]
    vitals: bool,
    topics: Option<String>,
    missing: Option<String>,
}

/// The two usual shapes of the trade.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Shape {
    Chronological,
    Soap,
}

#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Paragraph {
    pub title: String,
    pub sentences: Vec<Sentence>,
}

/// A sentence and the events it rests on; none for "not assessed".
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Sentence {
    pub text: String,
    pub seqs: Vec<u64>,
}

impl Sentences {
    /// The last source of that name wins as a whole.
    ///
    /// # Errors
    /// A file that cannot be read, an unknown kind, or no file at all.
    pub fn read(sources: &[Source]) -> Result<Sentences, Vec<Diagnostic>> {
        let source = sources.iter().rfind(|s| s.path == FILE);
        let source = source.ok_or_else(|| vec![Diagnostic::error(FILE, 0, 0, "the file is missing")])?;
        let sentences: Sentences = toml::from_str(source.text).map_err(|e| vec![toml_problem(source, &e)])?;
        let unknown: Vec<Diagnostic> = sentences
            .soap
            .iter()
            .flat_map(|p| &p.kinds)
            .filter(|k| Kind::from_name(k).is_none())
            .map(|k| Diagnostic::error(FILE, 0, 0, format!("`{k}` is no known finding")))
            .collect();
        if unknown.is_empty() { Ok(sentences) } else { Err(unknown) }
    }
}

fn fill(template: &str, values: &[(&str, &str)]) -> String {
    values.iter().fold(template.to_string(), |text, (name, value)| text.replace(&format!("{{{name}}}"), value))
}

/// The draft of one patient's narrative.
pub fn draft(
    call: &Call,
    wording: &Wording,
    outline: &Outline,
    sentences: &Sentences,
    patient: i64,
    shape: Shape,
) -> Vec<Paragraph> {
    let desk = Desk { call, wording, start: call.start() };
    let writer = Writer { desk, outline, sentences, patient };
    let mut paragraphs = match shape {
        Shape::Chronological => vec![writer.chronological()],
        Shape::Soap => sentences.soap.iter().map(|part| writer.soap(part)).collect(),
    };
    if paragraphs.iter().all(|p| p.sentences.is_empty()) {
        let nothing = Sentence { text: sentences.nothing.clone(), seqs: Vec::new() };
        paragraphs = vec![Paragraph { title: String::new(), sentences: vec![nothing] }];
    }
    paragraphs
}

struct Writer<'a> {
    desk: Desk<'a>,
    outline: &'a Outline,
    sentences: &'a Sentences,
    patient: i64,
}

impl Writer<'_> {
    fn chronological(&self) -> Paragraph {
        let mut timed: Vec<(u64, u64, Sentence)> = Vec::new();
        for entry in self.desk.call.standing(self.patient) {
            let sentence = self.timed(entry);
            timed.push((happened(entry).mono_ms, entry.seq, sentence));
        }
        for event in self.desk.call.events {
            let sentence = match &event.body {
                Body::Advice(advice) => {
                    fill(&self.sentences.advice, &[("at", &self.desk.time(event.when)), ("text", &plain(&advice.say))])
                }
                Body::Corrected(c) if c.finding.patient() == self.patient => {
                    let label = self.desk.wording.label(c.finding.kind());
                    let old = self.desk.call.ledger.find(c.target);
                    let old = old.and_then(|e| e.replaced.iter().find(|(_, by)| *by == event.seq));
                    let shown = |f| self.desk.wording.text(f, false, super::wording::Manner::Shown);
                    let was = old.map_or_else(|| "value not in the record".into(), |(old, _)| shown(old));
                    let text = self.desk.wording.phrase("was_now", &[("was", &was), ("now", &shown(&c.finding))]);
                    let at = self.desk.time(event.when);
                    fill(&self.sentences.corrected, &[("at", &at), ("label", &label.to_lowercase()), ("text", &text)])
                }
                _ => continue,
            };
            timed.push((event.when.mono_ms, event.seq, Sentence { text: sentence, seqs: vec![event.seq] }));
        }
        timed.sort_by_key(|(ms, seq, _)| (*ms, *seq));
        let mut sentences: Vec<Sentence> = timed.into_iter().map(|(_, _, sentence)| sentence).collect();
        if !sentences.is_empty() {
            sentences.extend(self.not_assessed(&self.outline.history));
            sentences.extend(self.not_assessed(&self.outline.exam));
        }
        Paragraph { title: String::new(), sentences }
    }

    fn timed(&self, entry: &Entry) -> Sentence {
        let template =
            if entry.finding.kind() == Kind::Milestone { &self.sentences.time } else { &self.sentences.done };
        self.sentence(template, entry)
    }

    fn sentence(&self, template: &str, entry: &Entry) -> Sentence {
        let template = if obtained(&entry.finding) { template } else { &self.sentences.not_obtained };
        let text = fill(
            template,
            &[
                ("at", &self.desk.time(happened(entry))),
                ("label", self.desk.wording.label(entry.finding.kind())),
                ("text", &self.desk.text(entry)),
            ],
        );
        Sentence { text, seqs: vec![entry.seq] }
    }

    fn soap(&self, part: &SoapPart) -> Paragraph {
        let mut sentences = Vec::new();
        let timed = |k: Kind| super::review::is_treatment(k) || matches!(k, Kind::Milestone | Kind::Response);
        for entry in self.desk.call.standing(self.patient) {
            let kind = entry.finding.kind();
            let measured = part.vitals && Measure::of(&entry.finding).is_some();
            if part.kinds.iter().any(|k| k == kind.name()) && !measured {
                sentences.push(if timed(kind) {
                    self.timed(entry)
                } else {
                    self.sentence(&self.sentences.said, entry)
                });
            }
        }
        if part.vitals {
            sentences.extend(self.vitals());
        }
        if sentences.is_empty()
            && let Some(missing) = &part.missing
        {
            sentences.push(Sentence { text: format!("{missing}."), seqs: Vec::new() });
        }
        match part.topics.as_deref() {
            Some("history") => sentences.extend(self.not_assessed(&self.outline.history)),
            Some("exam") => sentences.extend(self.not_assessed(&self.outline.exam)),
            _ => {}
        }
        Paragraph { title: part.title.clone(), sentences }
    }

    fn vitals(&self) -> Vec<Sentence> {
        vitals::sets(self.desk.call, self.patient)
            .iter()
            .filter_map(|set| {
                let at = self.desk.time(set.when()?);
                let lines: Vec<String> = set.entries.iter().map(|(_, e)| self.desk.line(e)).collect();
                let text = fill(&self.sentences.vitals, &[("at", &at), ("text", &lines.join("; "))]);
                Some(Sentence { text, seqs: set.entries.iter().map(|(_, e)| e.seq).collect() })
            })
            .collect()
    }

    fn not_assessed(&self, topics: &[Topic]) -> Option<Sentence> {
        let empty = |t: &&Topic| t.always && t.gather(self.desk.call, self.patient).is_empty();
        let missing: Vec<&str> = topics.iter().filter(empty).map(|t| t.label.as_str()).collect();
        let text = fill(&self.sentences.not_assessed, &[("what", &missing.join(", "))]);
        (!missing.is_empty()).then_some(Sentence { text, seqs: Vec::new() })
    }
}

/// Numbers of standing findings that no sentence rests on: a draft must leave none out.
pub fn left_out(call: &Call, patient: i64, paragraphs: &[Paragraph]) -> Vec<u64> {
    let told: BTreeSet<u64> = paragraphs.iter().flat_map(|p| &p.sentences).flat_map(|s| s.seqs.clone()).collect();
    call.standing(patient).map(|e| e.seq).filter(|seq| !told.contains(seq)).collect()
}
