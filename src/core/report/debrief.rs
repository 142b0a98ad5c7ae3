//! A training call held against a list: order and minute of each step, what was left out, what was unsafe.

use std::collections::BTreeMap;

use serde::Deserialize;

use super::call::{Call, happened};
use super::review::Desk;
use super::sign;
use super::wording::{Wording, plain, toml_problem};
use crate::core::diagnostic::Diagnostic;
use crate::core::event::Priority;
use crate::core::finding::{Field, Kind, Value};
use crate::core::ledger::Entry;
use crate::core::source::Source;

/// The built-in list below the data folder.
pub const FILE: &str = "protocols/report/debrief.toml";

/// An instructor's list.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct List {
    pub name: String,
    pub step: Vec<Step>,
}

#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Step {
    pub id: String,
    pub say: String,
    pub kinds: Vec<String>,
    #[serde(default, rename = "where")]
    pub with: BTreeMap<String, toml::Value>,
    pub within_s: Option<u64>,
    pub after: Option<String>,
    #[serde(default = "one")]
    pub count: usize,
    #[serde(default)]
    pub optional: bool,
}

fn one() -> usize {
    1
}

/// What became of a step.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Outcome {
    Done,
    Late,
    /// Before the step that it must follow.
    TooEarly,
    Omitted,
    /// Left out, and that is no fault.
    NotUsed,
}

/// A step as it went.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Went {
    pub id: String,
    pub say: String,
    pub result: Outcome,
    /// Seconds from the opening.
    pub at_s: Option<u64>,
    /// Its place in the order in which things were done, from 1.
    pub order: Option<usize>,
    pub seq: Option<u64>,
}

/// The whole look back.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Debrief {
    pub list: String,
    pub steps: Vec<Went>,
    /// Lines about plans and doses that met a warning, each with its event.
    pub risky_plans: Vec<(String, u64)>,
}

impl List {
    /// Reads a list from one file's text.
    ///
    /// # Errors
    /// What is wrong with it: its shape, an unknown finding or field, a step that follows none of the list's.
    pub fn parse(source: &Source) -> Result<List, Vec<Diagnostic>> {
        let list: List = toml::from_str(source.text).map_err(|e| vec![toml_problem(source, &e)])?;
        let mut problems = Vec::new();
        let mut complain = |what: String| problems.push(Diagnostic::error(source.path, 0, 0, what));
        for step in &list.step {
            for kind in step.kinds.iter().filter(|k| Kind::from_name(k).is_none()) {
                complain(format!("step `{}`: `{kind}` is no known finding", step.id));
            }
            for field in step.with.keys().filter(|f| Field::from_name(f).is_none()) {
                complain(format!("step `{}`: `{field}` is no known field", step.id));
            }
            if let Some(after) = step.after.as_ref().filter(|a| !list.step.iter().any(|s| s.id == **a)) {
                complain(format!("step `{}` follows `{after}`, which is no step", step.id));
            }
        }
        if problems.is_empty() { Ok(list) } else { Err(problems) }
    }

    /// The built-in list.
    ///
    /// # Errors
    /// As [`List::parse`], or no such file.
    pub fn read(sources: &[Source]) -> Result<List, Vec<Diagnostic>> {
        let source = sources.iter().rfind(|s| s.path == FILE);
        List::parse(source.ok_or_else(|| vec![Diagnostic::error(FILE, 0, 0, "the file is missing")])?)
    }
}

impl Step {
    fn holds(&self, entry: &Entry) -> bool {
        let finding = &entry.finding;
        self.kinds.iter().any(|k| k == finding.kind().name())
            && self.with.iter().all(|(name, wanted)| {
                let value = Field::from_name(name).and_then(|f| finding.get(f));
                value.map(Value::to_string) == Some(spelled(wanted))
            })
    }
}

fn spelled(value: &toml::Value) -> String {
    value.as_str().map_or_else(|| value.to_string(), str::to_string)
}

/// Holds the call against the list.
pub fn debrief(call: &Call, wording: &Wording, list: &List) -> Debrief {
    let mut entries: Vec<&Entry> = call.ledger.standing().collect();
    entries.sort_by_key(|e| (happened(e).mono_ms, e.seq));
    let start = call.start().map_or(0, |m| m.mono_ms);
    let found: BTreeMap<&str, &Entry> = list
        .step
        .iter()
        .filter_map(|step| {
            let nth = entries.iter().filter(|e| step.holds(e)).nth(step.count.saturating_sub(1))?;
            Some((step.id.as_str(), *nth))
        })
        .collect();
    let mut order: Vec<(u64, u64)> = found.values().map(|e| (happened(e).mono_ms, e.seq)).collect();
    order.sort_unstable();
    let steps = list.step.iter().map(|step| {
        let entry = found.get(step.id.as_str());
        let at = entry.map(|e| happened(e).mono_ms);
        let at_s = at.map(|ms| ms.saturating_sub(start) / 1000);
        let earlier = step.after.as_deref().and_then(|a| found.get(a)).map(|e| happened(e).mono_ms);
        let early = step.after.is_some() && at.is_some_and(|at| earlier.is_none_or(|before| before > at));
        let result = match (at_s, step.within_s) {
            (None, _) if step.optional => Outcome::NotUsed,
            (None, _) => Outcome::Omitted,
            (Some(_), _) if early => Outcome::TooEarly,
            (Some(at), Some(limit)) if at > limit => Outcome::Late,
            (Some(_), _) => Outcome::Done,
        };
        let place = entry.and_then(|e| order.iter().position(|(_, seq)| *seq == e.seq)).map(|at| at + 1);
        Went { id: step.id.clone(), say: plain(&step.say), result, at_s, order: place, seq: entry.map(|e| e.seq) }
    });
    Debrief { list: plain(&list.name), steps: steps.collect(), risky_plans: risky_plans(call, wording) }
}

fn risky_plans(call: &Call, wording: &Wording) -> Vec<(String, u64)> {
    let desk = Desk { call, wording, start: call.start() };
    let mut lines: Vec<(String, u64)> = call
        .advice()
        .filter(|(_, a)| a.priority == Priority::High)
        .map(|(event, advice)| (plain(&advice.say), event.seq))
        .collect();
    for entry in call.ledger.standing().filter(|e| e.finding.kind() == Kind::MedicationGiven) {
        if sign::warned_before(call, entry) {
            lines.push((desk.wording.phrase("given_after_warning", &[("what", &desk.line(entry))]), entry.seq));
        }
    }
    lines.sort_by_key(|(_, seq)| *seq);
    lines
}
