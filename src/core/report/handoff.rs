//! The verbal handover: a published shape, filled from what stands, short enough to be said in one breath of attention.
//!
//! Shapes and their words are the data of `protocols/report/handoff.toml`. The text is the same for eye and ear but for
//! the numbers; unconfirmed values are called so, essentials that nobody said are named at the end.

use std::collections::{BTreeMap, BTreeSet};

use serde::Deserialize;

use super::call::{Call, happened};
use super::review::{is_treatment, merged_patient};
use super::vitals::{self, Measure, Set};
use super::wording::{Manner, Wording, toml_problem};
use super::{spoken, times};
use crate::core::diagnostic::{Diagnostic, position};
use crate::core::finding::{Field, Finding, Kind, Value};
use crate::core::ledger::Entry;
use crate::core::source::Source;
use crate::core::time::Moment;

/// The file of this module below the data folder.
pub const FILE: &str = "protocols/report/handoff.toml";

/// Shapes, slots and the length of a spoken handoff.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Shapes {
    /// Longest spoken handoff, seconds.
    pub budget_seconds: u32,
    /// Speaking rate that the length is reckoned with.
    pub words_per_minute: u32,
    pub default: String,
    pub unconfirmed: String,
    pub shortened: String,
    pub missing_lead: String,
    pub nothing: String,
    shape: Vec<Shape>,
    /// What may be asked for alone, by voice or option.
    part: Vec<Asked>,
    slot: BTreeMap<String, Slot>,
}

#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Shape {
    id: String,
    name: String,
    /// The part under which missing essentials stand; at the end without a label otherwise.
    missing_in: Option<String>,
    parts: Vec<PartFile>,
}

#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Asked {
    id: String,
    slots: Vec<String>,
}

#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct PartFile {
    label: String,
    slots: Vec<String>,
}

#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Slot {
    #[serde(default)]
    kinds: Vec<String>,
    /// Where nothing of `kinds` was said: the first that is present of these.
    #[serde(default)]
    instead: Vec<String>,
    take: Option<Take>,
    #[serde(default)]
    pick: Pick,
    aspects: Option<Vec<String>>,
    #[serde(default)]
    lead: String,
    missing: Option<String>,
    rank: u8,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "snake_case")]
enum Take {
    Who,
    FirstVitals,
    LastVitals,
    Treatments,
    OpenPlans,
}

#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "snake_case")]
enum Pick {
    #[default]
    Latest,
    All,
    Abnormal,
}

/// One part of a handoff as it is shown or said.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Part {
    pub label: String,
    pub text: String,
    /// The events it rests on.
    pub seqs: Vec<u64>,
}

/// A handoff ready to be printed or spoken part by part.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Handoff {
    pub shape: String,
    pub parts: Vec<Part>,
}

impl Shapes {
    /// The last source of that name wins as a whole.
    ///
    /// # Errors
    /// A file that cannot be read, an unknown slot or kind, or no file at all.
    pub fn read(sources: &[Source]) -> Result<Shapes, Vec<Diagnostic>> {
        let source = sources.iter().rfind(|s| s.path == FILE);
        let source = source.ok_or_else(|| vec![Diagnostic::error(FILE, 0, 0, "the file is missing")])?;
        let shapes: Shapes = toml::from_str(source.text).map_err(|e| vec![toml_problem(source, &e)])?;
        let complain = |word: &str, what: String| {
            let (line, column) = source.text.find(word).map_or((0, 0), |at| position(source.text, at));
            Diagnostic::error(source.path, line, column, what)
        };
        let mut problems = Vec::new();
        let of_shapes = shapes.shape.iter().flat_map(|s| &s.parts).flat_map(|p| &p.slots);
        for slot in of_shapes.chain(shapes.part.iter().flat_map(|p| &p.slots)) {
            if !shapes.slot.contains_key(slot) {
                problems.push(complain(slot, format!("`{slot}` is no slot of this file")));
            }
        }
        for kind in
            shapes.slot.values().flat_map(|s| s.kinds.iter().chain(&s.instead)).filter(|k| Kind::from_name(k).is_none())
        {
            problems.push(complain(kind, format!("`{kind}` is no known finding")));
        }
        if !shapes.shape.iter().any(|s| s.id == shapes.default) {
            problems.push(complain(&shapes.default, format!("the default `{}` is no shape", shapes.default)));
        }
        if problems.is_empty() { Ok(shapes) } else { Err(problems) }
    }

    /// Ids of the parts that may be asked for alone.
    pub fn part_ids(&self) -> impl Iterator<Item = &str> {
        self.part.iter().map(|p| p.id.as_str())
    }

    /// Ids of the shapes there are.
    pub fn ids(&self) -> impl Iterator<Item = &str> {
        self.shape.iter().map(|s| s.id.as_str())
    }
}

/// Something to say, with its rank for shortening.
struct Phrase {
    text: String,
    rank: u8,
    seqs: Vec<u64>,
}

/// Who is told what, in which manner.
pub struct Teller<'a> {
    pub call: &'a Call<'a>,
    pub wording: &'a Wording,
    pub shapes: &'a Shapes,
    pub patient: i64,
    pub manner: Manner,
}

impl Teller<'_> {
    /// The handoff in the shape `id` (the data's default for `None`).
    ///
    /// # Errors
    /// An unknown shape, naming those there are.
    pub fn tell(&self, id: Option<&str>) -> Result<Handoff, String> {
        let id = id.unwrap_or(&self.shapes.default);
        let known = || self.shapes.ids().collect::<Vec<_>>().join(", ");
        let shape =
            self.shapes.shape.iter().find(|s| s.id == id).ok_or_else(|| format!("`{id}` is no shape: {}", known()))?;
        let mut missing: Vec<String> = Vec::new();
        let mut parts: Vec<(String, Vec<Phrase>)> =
            shape.parts.iter().map(|p| (p.label.clone(), self.phrases(p, &mut missing))).collect();
        tell_once(&mut parts);
        let shortened = self.manner == Manner::Said && self.shorten(&mut parts, &missing);
        let mut told: Vec<Part> = parts.into_iter().filter_map(|(label, phrases)| gather(label, phrases)).collect();
        if told.is_empty() {
            told.push(Part { label: String::new(), text: sentence(&self.shapes.nothing), seqs: Vec::new() });
        }
        if !missing.is_empty() {
            let text = sentence(&format!("{} {}", self.shapes.missing_lead, missing.join(", ")));
            let label = shape.missing_in.clone().unwrap_or_default();
            match told.iter_mut().find(|p| !label.is_empty() && p.label == label) {
                Some(part) => part.text = format!("{} {text}", part.text),
                None => told.push(Part { label, text, seqs: Vec::new() }),
            }
        }
        if shortened {
            told.push(Part { label: String::new(), text: sentence(&self.shapes.shortened), seqs: Vec::new() });
        }
        Ok(Handoff { shape: shape.name.clone(), parts: told })
    }

    /// One part alone (`vitals`, `treatment`, `history`, `short`); what is essential there and missing is named.
    ///
    /// # Errors
    /// An unknown part, naming those there are.
    pub fn tell_part(&self, id: &str) -> Result<Handoff, String> {
        let known = || self.shapes.part_ids().collect::<Vec<_>>().join(", ");
        let asked =
            self.shapes.part.iter().find(|p| p.id == id).ok_or_else(|| format!("`{id}` is no part: {}", known()))?;
        let mut missing = Vec::new();
        let file = PartFile { label: String::new(), slots: asked.slots.clone() };
        let phrases = self.phrases(&file, &mut missing);
        let mut parts: Vec<Part> = gather(String::new(), phrases).into_iter().collect();
        if parts.is_empty() && missing.is_empty() {
            parts.push(Part { label: String::new(), text: sentence(&self.shapes.nothing), seqs: Vec::new() });
        }
        if !missing.is_empty() {
            let text = sentence(&format!("{} {}", self.shapes.missing_lead, missing.join(", ")));
            parts.push(Part { label: String::new(), text, seqs: Vec::new() });
        }
        Ok(Handoff { shape: id.to_string(), parts })
    }

    /// Keeps what fits, the most important first; rank 1 always stays. True when something went.
    fn shorten(&self, parts: &mut [(String, Vec<Phrase>)], missing: &[String]) -> bool {
        let budget = (self.shapes.budget_seconds * self.shapes.words_per_minute / 60) as usize;
        let named: usize = missing.iter().map(|m| count(m)).sum();
        let named = if named > 0 { named + count(&self.shapes.missing_lead) } else { 0 };
        let whole = named + parts.iter().map(|(label, phrases)| words(label, phrases.iter())).sum::<usize>();
        if whole <= budget {
            return false;
        }
        let mut room = budget.saturating_sub(named + count(&self.shapes.shortened));
        let mut order: Vec<(u8, usize, usize)> = Vec::new();
        for (part, (_, phrases)) in parts.iter().enumerate() {
            order.extend(phrases.iter().enumerate().map(|(at, phrase)| (phrase.rank, part, at)));
        }
        order.sort_unstable();
        let mut kept: BTreeSet<(usize, usize)> = BTreeSet::new();
        for (rank, part, at) in order {
            let Some((label, phrases)) = parts.get(part) else { continue };
            let opens = !kept.iter().any(|(p, _)| *p == part);
            let Some(phrase) = phrases.get(at) else { continue };
            let cost = count(&phrase.text) + if opens { count(label) } else { 0 };
            if rank <= 1 || cost <= room {
                room = room.saturating_sub(cost);
                kept.insert((part, at));
            }
        }
        for (part, (_, phrases)) in parts.iter_mut().enumerate() {
            let mut at = 0;
            phrases.retain(|_| {
                at += 1;
                kept.contains(&(part, at - 1))
            });
        }
        true
    }

    fn phrases(&self, part: &PartFile, missing: &mut Vec<String>) -> Vec<Phrase> {
        let mut all = Vec::new();
        for slot in part.slots.iter().filter_map(|id| self.shapes.slot.get(id)) {
            let mut phrases = match slot.take {
                Some(take) => self.take(take, slot),
                None => self.gathered(slot),
            };
            if phrases.is_empty() {
                phrases.extend(self.instead(slot));
            }
            if phrases.is_empty()
                && let Some(what) = &slot.missing
                && !missing.contains(what)
            {
                missing.push(what.clone());
            }
            // A lead repeats the part's label only where the slot stands among others.
            if let Some(first) = phrases.first_mut()
                && !slot.lead.is_empty()
                && (part.label.is_empty() || !slot.lead.to_lowercase().ends_with(&part.label.to_lowercase()))
                && !matches!(slot.take, Some(Take::FirstVitals | Take::LastVitals))
            {
                let mark = if self.manner == Manner::Shown { ": " } else { ", " };
                first.text = format!("{}{mark}{}", slot.lead, first.text);
            }
            all.append(&mut phrases);
        }
        // "Mechanism: mechanism fell": the part's label is lead enough.
        for phrase in &mut all {
            let lead = format!("{} ", part.label.to_lowercase());
            if phrase.text.to_lowercase().starts_with(&lead)
                && let Some(rest) = phrase.text.get(lead.len()..)
            {
                phrase.text = rest.to_string();
            }
        }
        all
    }

    fn take(&self, take: Take, slot: &Slot) -> Vec<Phrase> {
        match take {
            Take::Who => self.who(slot),
            Take::FirstVitals => self.first_vitals(slot),
            Take::LastVitals => self.last_vitals(slot),
            Take::Treatments => self.treatments(slot),
            Take::OpenPlans => {
                let plans = self.call.open_plans(self.patient);
                plans.into_iter().map(|e| self.phrase(e, slot.rank)).collect()
            }
        }
    }

    fn who(&self, slot: &Slot) -> Vec<Phrase> {
        match merged_patient(self.call, self.patient) {
            Some((finding, seqs)) => {
                vec![Phrase { text: self.wording.text(&finding, false, self.manner), rank: slot.rank, seqs }]
            }
            None => Vec::new(),
        }
    }

    fn phrase(&self, entry: &Entry, rank: u8) -> Phrase {
        Phrase { text: self.text(entry), rank, seqs: vec![entry.seq] }
    }

    fn text(&self, entry: &Entry) -> String {
        self.wording.text(&entry.finding, entry.confirmed.is_some(), self.manner)
    }

    /// With its name in front where the words alone would not tell: `pulse 118`.
    fn named(&self, entry: &Entry) -> String {
        let label = self.wording.lead(entry.finding.kind(), self.manner);
        let text = self.text(entry);
        if label.is_empty() || text.is_empty() { text } else { format!("{label} {text}") }
    }

    fn gathered(&self, slot: &Slot) -> Vec<Phrase> {
        let holds = |f: &Finding| {
            slot.kinds.iter().any(|k| k == f.kind().name())
                && slot.aspects.as_ref().is_none_or(|a| a.iter().any(|a| f.text(Field::Aspect).unwrap_or("") == a))
        };
        let entries: Vec<&Entry> = self.call.standing(self.patient).filter(|e| holds(&e.finding)).collect();
        let chosen: Vec<&Entry> = match slot.pick {
            Pick::All => latest_of_each(&entries, same_thing),
            Pick::Latest => {
                latest_of_each(&entries, |a, b| a.kind() == b.kind() && a.text(Field::To) == b.text(Field::To))
            }
            Pick::Abnormal => latest_of_each(&entries, same_thing).into_iter().filter(|e| tells(&e.finding)).collect(),
        };
        let listed = matches!(slot.pick, Pick::All);
        let text = |e: &Entry| if listed { self.text(e) } else { self.named(e) };
        chosen
            .iter()
            .map(|e| Phrase { text: text(e), rank: slot.rank, seqs: vec![e.seq] })
            .filter(|p| !p.text.is_empty())
            .collect()
    }

    fn instead(&self, slot: &Slot) -> Option<Phrase> {
        let stands_in = |e: &&Entry| {
            slot.instead.iter().any(|k| k == e.finding.kind().name())
                && e.finding.flag(Field::Present) != Some(false)
                && (e.finding.get(Field::Name).is_some() || e.finding.get(Field::Text).is_some())
        };
        let entry = self.call.standing(self.patient).find(stands_in)?;
        Some(Phrase { text: self.named(entry), rank: slot.rank, seqs: vec![entry.seq] })
    }

    /// Rounds of vitals: two measures or more; single ones only where there is nothing else.
    fn rounds<'s>(&self, sets: &'s [Set<'s>]) -> Vec<&'s Set<'s>> {
        let core = |s: &&Set| s.entries.iter().filter(|(m, e)| m.is_core() && number(&e.finding)).count();
        let rounds: Vec<&Set> = sets.iter().filter(|s| core(s) >= 2).collect();
        if rounds.is_empty() {
            sets.iter().filter(|s| s.entries.iter().any(|(m, _)| told(*m))).collect()
        } else {
            rounds
        }
    }

    fn first_vitals(&self, slot: &Slot) -> Vec<Phrase> {
        let sets = vitals::sets(self.call, self.patient);
        match self.rounds(&sets).as_slice() {
            [first, _, ..] => self.set(slot.rank, first).into_iter().collect(),
            _ => Vec::new(),
        }
    }

    /// The last round, and what was measured alone after it.
    fn last_vitals(&self, slot: &Slot) -> Vec<Phrase> {
        let sets = vitals::sets(self.call, self.patient);
        let rounds = self.rounds(&sets);
        let Some(last) = rounds.last() else { return Vec::new() };
        let after = |s: &&Set| s.when().map(|w| w.mono_ms) > last.when().map(|w| w.mono_ms);
        let later: Vec<&Set> = sets.iter().filter(after).collect();
        let recent = later.iter().skip(later.len().saturating_sub(2));
        self.set(slot.rank, last).into_iter().chain(recent.filter_map(|s| self.set(slot.rank + 1, s))).collect()
    }

    fn set(&self, rank: u8, set: &Set) -> Option<Phrase> {
        // Aloud, what could not be obtained is left to the written handoff.
        let kept = |e: &&Entry| self.manner == Manner::Shown || vitals::obtained(&e.finding);
        let measures = Measure::ALL.into_iter().filter(|m| told(*m));
        let entries: Vec<&Entry> = measures.flat_map(|m| set.get(m)).filter(kept).collect();
        let texts: Vec<String> = entries.iter().map(|e| self.named(e)).filter(|t| !t.is_empty()).collect();
        if texts.is_empty() {
            return None;
        }
        let at = set.when().map(|when| self.at(when)).unwrap_or_default();
        let text = format!("{at}{}", texts.join(if self.manner == Manner::Shown { "; " } else { ", " }));
        Some(Phrase { text, rank, seqs: entries.iter().map(|e| e.seq).collect() })
    }

    fn at(&self, when: Moment) -> String {
        match self.manner {
            Manner::Shown => format!("at {} ", when.at.format("%H:%M")),
            Manner::Said => format!("at {}, ", spoken::clock(&when.at)),
        }
    }

    fn treatments(&self, slot: &Slot) -> Vec<Phrase> {
        let told = |kind: Kind| is_treatment(kind) && !matches!(kind, Kind::MedicationPlanned);
        let mut entries: Vec<&Entry> = self.call.standing(self.patient).filter(|e| told(e.finding.kind())).collect();
        entries.sort_by_key(|e| (happened(e).mono_ms, e.seq));
        entries
            .into_iter()
            .map(|entry| {
                let at = self.at(happened(entry));
                let mut finding = entry.finding.clone();
                finding.remove(Field::HappenedAt);
                let text = self.wording.text(&finding, entry.confirmed.is_some(), self.manner);
                let label = self.wording.lead(finding.kind(), self.manner);
                let mut named = if label.is_empty() { text } else { format!("{label} {text}") };
                if let Some(planned) = self.call.planned_dose_text(entry, self.wording, self.manner) {
                    named.push_str(&format!(", {planned}"));
                }
                let text = format!("{named} {}", at.trim_end().trim_end_matches(','));
                Phrase { text, rank: slot.rank, seqs: vec![entry.seq] }
            })
            .collect()
    }
}

impl Part {
    /// `Allergies: none known.`
    pub fn line(&self) -> String {
        if self.label.is_empty() { self.text.clone() } else { format!("{}: {}", self.label, self.text) }
    }
}

impl Handoff {
    /// One line a part.
    pub fn lines(&self) -> String {
        self.parts.iter().map(Part::line).collect::<Vec<_>>().join("\n") + "\n"
    }

    /// Words when spoken, label words included.
    pub fn words(&self) -> usize {
        self.parts.iter().map(|p| count(&p.line())).sum()
    }
}

/// What one part said, no later part says again.
fn tell_once(parts: &mut [(String, Vec<Phrase>)]) {
    let mut told: BTreeSet<u64> = BTreeSet::new();
    for (_, phrases) in parts.iter_mut() {
        phrases.retain(|p| {
            let new = p.seqs.is_empty() || p.seqs.iter().any(|seq| !told.contains(seq));
            told.extend(p.seqs.iter().copied());
            new
        });
    }
}

/// Measures that a handoff's vitals hold; the rest stands among the findings.
fn told(measure: Measure) -> bool {
    !matches!(measure, Measure::Skin | Measure::Pupils | Measure::CapillaryRefill | Measure::Responsiveness)
}

/// Carries a measured number.
fn number(finding: &Finding) -> bool {
    [Field::RatePerMin, Field::SystolicMmhg, Field::Percent].iter().any(|f| finding.number(*f).is_some())
}

fn words<'p>(label: &str, phrases: impl Iterator<Item = &'p Phrase>) -> usize {
    let told: usize = phrases.map(|p| count(&p.text)).sum();
    if told > 0 { told + count(label) } else { 0 }
}

fn count(text: &str) -> usize {
    text.split_whitespace().count()
}

fn gather(label: String, phrases: Vec<Phrase>) -> Option<Part> {
    if phrases.is_empty() {
        return None;
    }
    let text = phrases.iter().map(|p| p.text.as_str()).collect::<Vec<_>>().join("; ");
    Some(Part { label, text: sentence(&text), seqs: phrases.into_iter().flat_map(|p| p.seqs).collect() })
}

fn sentence(text: &str) -> String {
    let mut chars = text.chars();
    let first: String = chars.next().map(|c| c.to_uppercase().to_string()).unwrap_or_default();
    let text = format!("{first}{}", chars.as_str());
    if text.ends_with(['.', '?', '!']) { text } else { text + "." }
}

/// Later words about the same thing replace earlier ones, in the place of the first.
fn latest_of_each<'a>(entries: &[&'a Entry], same: impl Fn(&Finding, &Finding) -> bool) -> Vec<&'a Entry> {
    let mut kept: Vec<&Entry> = Vec::new();
    for entry in entries {
        match kept.iter_mut().find(|k| same(&k.finding, &entry.finding)) {
            Some(slot) => *slot = entry,
            None => kept.push(entry),
        }
    }
    kept
}

/// The same thing spoken of: kind, name, side, region and what else tells things apart.
fn same_thing(a: &Finding, b: &Finding) -> bool {
    let keys = [
        Field::Name,
        Field::Class,
        Field::Aspect,
        Field::Region,
        Field::Quadrant,
        Field::Sign,
        Field::Side,
        Field::Site,
        Field::Field,
        Field::Problem,
        Field::None,
    ];
    a.kind() == b.kind() && keys.iter().all(|k| a.get(*k) == b.get(*k))
}

/// Worth a handoff's seconds: skin, lungs, pupils, airway and screens always; an exam's sign only when present.
fn tells(finding: &Finding) -> bool {
    match finding.kind() {
        Kind::Exam => {
            finding.flag(Field::Normal) == Some(false)
                || (finding.get(Field::Sign).is_some() && finding.flag(Field::Present) != Some(false))
                || finding.get(Field::Detail).is_some()
        }
        Kind::Airway => finding.flag(Field::Patent) != Some(true) || finding.get(Field::Problem).is_some(),
        Kind::Pregnancy | Kind::Burn | Kind::Bleeding => finding.get(Field::Present) != Some(&Value::Flag(false)),
        _ => true,
    }
}

/// How long the handoff takes aloud at the data's speaking rate, seconds.
pub fn seconds(handoff: &Handoff, shapes: &Shapes) -> u32 {
    let words = u32::try_from(handoff.words()).unwrap_or(u32::MAX);
    words.saturating_mul(60) / shapes.words_per_minute.max(1)
}

/// `12:05` for a footer.
pub fn length(seconds: u32) -> String {
    times::minutes_seconds(i64::from(seconds))
}
