//! Rules about medications and time, as data with sources, evaluated against what was said.
//!
//! [`Protocol::load`] reads `protocols/*.toml` with every error placed; [`check`] runs the check before the hand moves;
//! [`facts`] is the three-valued view of the record. Nothing here speaks, stores or reads a clock.

pub mod check;
pub mod dose;
pub mod facts;
mod lint;
pub mod model;
mod reach;
mod rights;
pub mod words;

use std::collections::BTreeMap;

use super::checklist::Checklists;
use super::clinical::ask::ScoreRules;
use super::dataset::{ChangeKind, LocalChange, Reader, Set};
use super::diagnostic::{Diagnostic, Severity};
use super::finding::Finding;
use super::prompt::{self, Slots};
use super::report::Telling;
use super::source::Source;
use super::vitals::VitalsRules;

pub use super::dataset::Entry;
use facts::Classes;
use model::{Class, Clock, Concern, Dose, Drug, Interval, Maximum, Prompt, Recheck, Rule, WordList};

/// All rule data in force.
#[derive(Clone, Debug, Default)]
pub struct Protocol {
    pub drugs: Vec<Entry<Drug>>,
    pub rules: Vec<Entry<Rule>>,
    pub doses: Vec<Entry<Dose>>,
    pub intervals: Vec<Entry<Interval>>,
    pub maximums: Vec<Entry<Maximum>>,
    pub rechecks: Vec<Entry<Recheck>>,
    pub clocks: Vec<Entry<Clock>>,
    pub concerns: Vec<Entry<Concern>>,
    /// Limits and trends of vital signs, oxygen, APGAR clocks.
    pub vitals: VitalsRules,
    pub checklists: Checklists,
    pub scores: ScoreRules,
    pub sets: Vec<(Set, bool)>,
    pub changes: Vec<LocalChange>,
    /// How a handoff is told; absent where the data has no `protocols/report/`.
    pub telling: Option<Telling>,
    classes: BTreeMap<String, Entry<Class>>,
    prompts: BTreeMap<String, Entry<Prompt>>,
    words: BTreeMap<String, Entry<WordList>>,
}

impl Protocol {
    /// Reads every protocol file; all complaints, or the data and the warnings in [`Loaded`].
    ///
    /// # Errors
    /// Every error of every file, placed.
    pub fn load(sources: &[Source]) -> Result<Protocol, Vec<Diagnostic>> {
        let mut reader = Reader::open(sources);
        let mut protocol = Protocol::take(&mut reader);
        let reading = reader.finish();
        protocol.sets = reading.sets;
        protocol.changes = reading.changes;
        let mut diagnostics = reading.diagnostics;
        diagnostics.extend(protocol.problems());
        if sources.iter().any(|s| s.path.starts_with("protocols/report/")) {
            match Telling::read(sources) {
                Ok(telling) => protocol.telling = Some(telling),
                Err(problems) => diagnostics.extend(problems),
            }
        }
        if diagnostics.iter().any(|d| d.severity == Severity::Error) { Err(diagnostics) } else { Ok(protocol) }
    }

    /// Takes this room's sections from a reader that others take theirs from.
    pub fn take(reader: &mut Reader) -> Protocol {
        let by_id = |entry: &str| entry.to_string();
        Protocol {
            drugs: reader.take("drug"),
            rules: reader.take("rule"),
            doses: reader.take("dose"),
            intervals: reader.take("interval"),
            maximums: reader.take("maximum"),
            rechecks: reader.take("recheck"),
            clocks: reader.take("clock"),
            concerns: reader.take("concern"),
            vitals: VitalsRules::read(reader),
            checklists: Checklists::read(reader),
            scores: ScoreRules::read(reader),
            telling: None,
            classes: reader.take::<Class>("class").into_iter().map(|e| (by_id(e.id()), e)).collect(),
            prompts: reader.take::<Prompt>("prompt").into_iter().map(|e| (by_id(e.id()), e)).collect(),
            words: reader.take::<WordList>("word_list").into_iter().map(|e| (by_id(e.id()), e)).collect(),
            sets: Vec::new(),
            changes: Vec::new(),
        }
    }

    pub fn drug_entry(&self, name: &str) -> Option<&Entry<Drug>> {
        self.drugs.iter().find(|d| d.id() == name || d.body.also.iter().any(|also| also == name))
    }

    pub fn drug(&self, name: &str) -> Option<&Drug> {
        self.drug_entry(name).map(|d| &d.body)
    }

    /// The generic name under which rules know `name`; `name` itself where none does.
    pub fn generic(&self, name: &str) -> String {
        self.drug_entry(name).map_or_else(|| name.to_string(), |d| d.id().to_string())
    }

    /// Every name of a drug, the generic one first.
    pub fn names(&self, drug: &str) -> Vec<String> {
        let also = self.drug(drug).map(|d| d.also.clone()).unwrap_or_default();
        std::iter::once(self.generic(drug)).chain(also).collect()
    }

    /// How the voice says a drug.
    pub fn spoken(&self, drug: &str) -> String {
        self.drug(drug).map_or_else(|| drug.replace('_', " "), |d| d.spoken.clone())
    }

    /// Rules of a drug; rules for `*` are for drugs that the data does not know.
    pub fn rules_for<'a>(&'a self, drug: &'a str) -> impl Iterator<Item = &'a Entry<Rule>> {
        let known = self.drug_entry(drug).is_some();
        self.rules.iter().filter(move |r| r.body.drug == drug || (!known && r.body.drug == "*"))
    }

    pub fn doses_for<'a>(&'a self, drug: &'a str, plan: &'a Finding) -> impl Iterator<Item = &'a Entry<Dose>> {
        self.doses.iter().filter(move |d| d.body.drug == drug && check::concerns(&d.body.only, plan))
    }

    /// The rule with this id, of whatever section, as its source.
    pub fn rule(&self, id: &str) -> Option<&Entry<Rule>> {
        self.rules.iter().find(|r| r.id() == id)
    }

    /// A prompt rendered: for an earpiece, and for a loudspeaker where that differs.
    pub fn say(&self, prompt: &str, slots: &Slots) -> (String, Option<String>) {
        match self.prompts.get(prompt) {
            Some(entry) => (
                prompt::render(&entry.body.say, slots),
                entry.body.say_aloud.as_ref().map(|aloud| prompt::render(aloud, slots)),
            ),
            None => (prompt.to_string(), None),
        }
    }

    /// A prompt as written.
    pub fn prompt(&self, id: &str) -> Option<&str> {
        self.prompts.get(id).map(|p| p.body.say.as_str())
    }

    /// Where a prompt's wording comes from.
    pub fn prompt_source(&self, id: &str) -> String {
        self.prompts.get(id).map(|p| p.head.source.clone()).unwrap_or_default()
    }

    pub fn word_list(&self, id: &str) -> &[String] {
        self.words.get(id).map_or(&[], |w| w.body.words.as_slice())
    }

    /// Every id that advice may carry as its `rule`, with its source.
    pub fn rule_ids(&self) -> Vec<&str> {
        let mut ids: Vec<&str> = self.rules.iter().map(|e| e.id()).collect();
        ids.extend(self.doses.iter().map(|e| e.id()));
        ids.extend(self.intervals.iter().map(|e| e.id()));
        ids.extend(self.maximums.iter().map(|e| e.id()));
        ids.extend(self.rechecks.iter().map(|e| e.id()));
        ids.extend(self.clocks.iter().map(|e| e.id()));
        ids.extend(self.concerns.iter().map(|e| e.id()));
        ids.extend(self.vitals.ids());
        ids
    }

    /// The local set's ids among them.
    pub fn local_rule_ids(&self) -> Vec<String> {
        let changed: Vec<&str> = self.changes.iter().map(|change| change.id.as_str()).collect();
        let replaced = |id: &str| self.head_of(id).and_then(|head| head.replaces.as_deref());
        let local = |id: &&str| changed.contains(id) || replaced(id).is_some_and(|old| changed.contains(&old));
        self.rule_ids().into_iter().filter(local).map(String::from).collect()
    }

    fn head_of(&self, id: &str) -> Option<&super::dataset::Head> {
        let rules = self.rules.iter().map(|e| &e.head).chain(self.doses.iter().map(|e| &e.head));
        let times = self.intervals.iter().map(|e| &e.head).chain(self.maximums.iter().map(|e| &e.head));
        let clocks = self.rechecks.iter().map(|e| &e.head).chain(self.clocks.iter().map(|e| &e.head));
        let others = self.concerns.iter().map(|e| &e.head);
        rules.chain(times).chain(clocks).chain(others).find(|head| head.id == id)
    }

    /// What is odd but not wrong.
    pub fn warnings(&self) -> Vec<Diagnostic> {
        self.problems().into_iter().filter(|d| d.severity == Severity::Warning).collect()
    }

    /// How much data is in force, in words.
    pub fn counts(&self) -> String {
        format!(
            "{} drugs, {} rules about them, {} clocks and rechecks, {} limits and trends of vital signs, {} checklist items",
            self.drugs.len(),
            self.rules.len() + self.doses.len() + self.intervals.len() + self.maximums.len(),
            self.clocks.len() + self.rechecks.len(),
            self.vitals.ids().len(),
            self.checklists.items.len(),
        )
    }

    /// What the local set changes, one sentence a change: what holds now and, where the `built_in` set is given, what
    /// held before.
    pub fn summary(&self, built_in: Option<&Protocol>) -> Vec<String> {
        let mut lines = Vec::new();
        for (set, local) in &self.sets {
            let layer = if *local { "local set" } else { "built-in set" };
            lines.push(format!("{layer} `{}`, approved by {}, effective {}", set.name, set.approved_by, set.effective));
        }
        for change in &self.changes {
            let what = match change.kind {
                ChangeKind::Added => "adds",
                ChangeKind::Replaced => "replaces",
                ChangeKind::Disabled => "takes away",
            };
            let now = self.in_words(&change.id).map(|w| format!(": {w}")).unwrap_or_default();
            let was = built_in.filter(|_| change.kind != ChangeKind::Added).and_then(|set| set.in_words(&change.id));
            let was = was.map(|w| format!("; built in: {w}")).unwrap_or_default();
            let because =
                if change.because.is_empty() { String::new() } else { format!(" (because: {})", change.because) };
            lines.push(format!("{}:{}: {what} `{}`{now}{was}{because}", change.file, change.line, change.id));
        }
        lines
    }

    /// One entry in the words of its sentence or figures.
    fn in_words(&self, id: &str) -> Option<String> {
        let entry = |head: &super::dataset::Head| head.id == id || head.replaces.as_deref() == Some(id);
        if let Some(rule) = self.rules.iter().find(|r| entry(&r.head)) {
            return Some(words::rule(&rule.body));
        }
        if let Some(d) = self.drugs.iter().find(|r| entry(&r.head)) {
            return Some(words::drug(&d.body));
        }
        if let Some(r) = self.rechecks.iter().find(|r| entry(&r.head)) {
            let (after, by) = (r.body.after_min, r.body.by.join(" or ").replace('_', " "));
            return Some(format!("{after} minutes after {}: {by}, \"{}\"", r.body.drug, r.body.say));
        }
        if let Some(c) = self.classes.values().find(|r| entry(&r.head)) {
            return Some(format!("{} are {}", c.body.spoken, c.body.members.join(", ").replace('_', " ")));
        }
        if let Some(p) = self.prompts.values().find(|r| entry(&r.head)) {
            return Some(format!("says \"{}\"", p.body.say));
        }
        if let Some(i) = self.intervals.iter().find(|r| entry(&r.head)) {
            return Some(format!("{} minutes between doses of {}", i.body.minutes, i.body.drug));
        }
        if let Some(m) = self.maximums.iter().find(|r| entry(&r.head)) {
            return Some(words::maximum(&m.body));
        }
        if let Some(d) = self.doses.iter().find(|r| entry(&r.head)) {
            return Some(words::dose(&d.body));
        }
        if let Some(c) = self.concerns.iter().find(|r| entry(&r.head)) {
            return Some(words::concern(&c.body));
        }
        let clinical = || super::vitals::words::in_words(&self.vitals, id).or_else(|| self.checklists.in_words(id));
        let Some(clock) = self.clocks.iter().find(|r| entry(&r.head)) else { return clinical() };
        Some(words::clock(&clock.body))
    }
}

impl Classes for Protocol {
    fn members(&self, class: &str) -> &[String] {
        self.classes.get(class).map_or(&[], |c| c.body.members.as_slice())
    }

    fn spoken_class(&self, class: &str) -> String {
        self.classes.get(class).map_or_else(|| class.replace('_', " "), |c| c.body.spoken.clone())
    }
}

/// A finding written in data as JSON, checked against the schema.
pub fn finding_of(text: &str) -> Result<Finding, String> {
    let json = serde_json::from_str(text).map_err(|e| format!("`{text}` is no JSON: {e}"))?;
    let finding = Finding::from_json(&json)?;
    match finding.problems().first() {
        Some(problem) => Err(problem.clone()),
        None => Ok(finding),
    }
}
