//! What a medical director writes: drugs, rules, doses, intervals, maximums, rechecks, clocks, classes, prompts.
//!
//! Every struct here is one `[[section]]` of `protocols/*.toml` (see `protocols/README.md`). They hold data only;
//! what follows from them is decided in [`super::check`] and in `core::encounter`.

use std::collections::BTreeMap;

use serde::Deserialize;

use crate::core::decimal::Decimal;
use crate::core::event::Priority;

/// `[[drug]]`: what is carried, by whom, in which forms. The id is the generic name.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Drug {
    /// How the voice says it: one or two words.
    pub spoken: String,
    /// The lowest level that may give or assist with it.
    pub scope: Scope,
    pub authority: Vec<Authority>,
    pub indications: Vec<String>,
    /// Routes by which it may be given here, the usual one first.
    pub routes: Vec<String>,
    /// Forms carried, with their strength in words.
    pub forms: Vec<String>,
    /// The unit in which its doses are compared.
    pub unit: String,
    /// Other names under which it may turn up in a finding.
    #[serde(default)]
    pub also: Vec<String>,
    /// Its dose rows are not for a resuscitation, which has its own: they say nothing while one goes on.
    #[serde(default)]
    pub arrest_has_its_own: bool,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Scope {
    Emr,
    Emt,
    Aemt,
    Paramedic,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Authority {
    Standing,
    Online,
    OwnPrescription,
}

/// `[[rule]]`: a condition under which a planned drug is held, or something is asked first.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Rule {
    pub drug: String,
    pub effect: Effect,
    /// Only for these forms, devices or routes of the plan; every plan if empty.
    #[serde(default)]
    pub only: Vec<String>,
    #[serde(rename = "if")]
    pub condition: Condition,
    pub unknown: Unknown,
    /// Spoken when the condition holds. Slots: `{drug}`, `{value}`, `{name}`.
    pub say: String,
    /// For a loudspeaker, where `say` holds words for an earpiece only.
    #[serde(default)]
    pub say_aloud: Option<String>,
    /// Spoken when it is not established; required with `unknown = "ask"` and `"stop"`.
    #[serde(default)]
    pub ask: Option<String>,
    #[serde(default)]
    pub ask_aloud: Option<String>,
    /// What a bare "yes" to `ask` records, as a finding written in JSON.
    #[serde(default)]
    pub if_yes: Option<String>,
    /// What a bare "no" to `ask` records.
    #[serde(default)]
    pub if_no: Option<String>,
    /// What is measured may be what the dose did: it holds no plan that was asked about some minutes before and not answered.
    #[serde(default)]
    pub lapses: bool,
    #[serde(default = "high")]
    pub priority: Priority,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Effect {
    Hold,
    Ask,
}

/// `[[concern]]`: something that the crew told which does not go with something else it told (a refusal by a confused
/// patient). Spoken once a patient: the first of those that share an `about`.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Concern {
    /// `advice.about`.
    pub about: String,
    /// Findings (see `core::condition`) that raise the question.
    pub after: Vec<String>,
    /// Findings that settle it: told after both, nothing is spoken.
    #[serde(default)]
    pub settled_by: Vec<String>,
    /// Speaks where this holds, not where it is unknown.
    #[serde(rename = "if")]
    pub condition: Condition,
    /// Slots: `{value}`, `{name}`.
    pub say: String,
    /// For a loudspeaker, where `say` holds words for an earpiece only.
    #[serde(default)]
    pub say_aloud: Option<String>,
    #[serde(rename = "type", default = "inconsistency")]
    pub kind: crate::core::event::AdviceType,
    #[serde(default = "medium")]
    pub priority: Priority,
}

/// What "not established" does.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Unknown {
    /// The question is spoken.
    Ask,
    /// The plan is held until it is known.
    Stop,
    /// Nothing is spoken; `why` tells.
    Note,
}

/// A question about the patient with three answers. See [`super::facts`].
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(rename_all = "snake_case", deny_unknown_fields)]
pub enum Condition {
    Number(NumberTest),
    Drop(DropTest),
    Word(WordTest),
    Flag(FlagTest),
    Named(NamedTest),
    Text(TextTest),
    Use(UseTest),
    Allergy(AllergyTest),
    Age(AgeTest),
    /// A finding that satisfies one of these lines (see `core::condition`) was told. Never clears: absent is unknown.
    Told(Vec<String>),
    Any(Vec<Condition>),
    All(Vec<Condition>),
    Not(Box<Condition>),
}

/// A measured number against bounds: `{ of = "blood_pressure.systolic_mmhg", at_most = 100, max_age_min = 10 }`.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct NumberTest {
    pub of: String,
    #[serde(default)]
    pub below: Option<Decimal>,
    #[serde(default)]
    pub at_most: Option<Decimal>,
    #[serde(default)]
    pub above: Option<Decimal>,
    #[serde(default)]
    pub at_least: Option<Decimal>,
    #[serde(default)]
    pub max_age_min: Option<u32>,
    /// Only a value measured after the last dose of this drug counts.
    #[serde(default)]
    pub since_dose: bool,
}

/// A number that fell below the first one recorded, by an amount or by a fraction of it.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct DropTest {
    pub of: String,
    #[serde(default)]
    pub by: Option<Decimal>,
    #[serde(default)]
    pub by_fraction: Option<Decimal>,
    #[serde(default)]
    pub max_age_min: Option<u32>,
}

/// A word of a closed list: `{ of = "consciousness.avpu", is = ["pain", "unresponsive"] }`.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct WordTest {
    pub of: String,
    pub is: Vec<String>,
    #[serde(default)]
    pub max_age_min: Option<u32>,
}

/// A yes/no field: `{ of = "can_swallow.present", is = false }`.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FlagTest {
    pub of: String,
    pub is: bool,
    #[serde(default)]
    pub max_age_min: Option<u32>,
    /// Findings (see `core::condition`) that end it: told after it, the answer is the opposite.
    #[serde(default)]
    pub until: Vec<String>,
}

/// One of these names, said to be present: `{ in = ["history", "symptom"], names = ["head_injury"] }`.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct NamedTest {
    #[serde(rename = "in")]
    pub kinds: Vec<String>,
    pub names: Vec<String>,
}

/// One of these words in a free text: `{ in = ["mechanism"], words = ["fall"] }`. Clears only by `settled_by`: absent is unknown.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct TextTest {
    #[serde(rename = "in")]
    pub kinds: Vec<String>,
    pub words: Vec<String>,
    /// Words that show that the matter was told: with one of these and none of `words` the answer is no.
    #[serde(default)]
    pub settled_by: Vec<String>,
    /// With one of these (ends of words, so "'s pills" is "grandma's pills") the text settles nothing: pills are no
    /// substance.
    #[serde(default)]
    pub open_with: Vec<String>,
    /// Findings (see `core::condition`) that show the same.
    #[serde(default)]
    pub settled_by_told: Vec<String>,
}

/// A drug of a class taken within so many hours (by name where names differ).
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct UseTest {
    pub class: String,
    pub hours: u32,
    #[serde(default)]
    pub hours_of: BTreeMap<String, u32>,
    /// A denial of the whole class that names a span of time must cover at least this; `hours` if absent.
    #[serde(default)]
    pub denial_hours: Option<u32>,
    /// A home medication of the class counts as taken (hours not said).
    #[serde(default = "yes")]
    pub home: bool,
}

/// An allergy by exact name, or to a member of a class.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct AllergyTest {
    #[serde(default)]
    pub names: Vec<String>,
    #[serde(default)]
    pub class: Option<String>,
}

#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct AgeTest {
    #[serde(default)]
    pub below_years: Option<Decimal>,
    #[serde(default)]
    pub at_least_years: Option<Decimal>,
}

/// `[[dose]]`: what one dose may be, for whom. Several may apply; a dose that fits none of them is spoken.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Dose {
    pub drug: String,
    /// Forms, devices or routes for which this row is; every plan if empty.
    #[serde(default)]
    pub only: Vec<String>,
    #[serde(default)]
    pub age: Option<AgeTest>,
    #[serde(default)]
    pub min_weight: Option<Weight>,
    #[serde(default)]
    pub below_weight: Option<Weight>,
    /// The unit of `amounts`, `min`, `max`.
    pub unit: String,
    /// Exact doses allowed; or `min` and `max`.
    #[serde(default)]
    pub amounts: Vec<Decimal>,
    #[serde(default)]
    pub min: Option<Decimal>,
    #[serde(default)]
    pub max: Option<Decimal>,
    /// By weight: so much a kilogram, held within `min` and `max`.
    #[serde(default)]
    pub per_kg: Option<Decimal>,
    /// How far from the weighed dose is still right, in hundredths (rounding to what can be measured).
    #[serde(default = "ten")]
    pub tolerance_percent: u32,
    /// The dose in words: "one sixty two to three twenty four".
    pub spoken: String,
}

/// A weight with both printed figures, so that a limit is compared in the unit that was said (30 kg is printed as
/// 66 lb, which is 29.94 kg).
#[derive(Clone, Copy, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Weight {
    pub kg: Decimal,
    pub lb: Decimal,
}

/// `[[interval]]`: the least time between two doses.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Interval {
    pub drug: String,
    #[serde(default)]
    pub only: Vec<String>,
    pub minutes: u32,
    /// Sooner is a matter of direct medical direction: a dose told to be ordered so is not held to it.
    #[serde(default)]
    pub unless_ordered: bool,
}

/// `[[maximum]]`: most doses, or most in all, within a time. Doses taken before us count.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Maximum {
    pub drug: String,
    #[serde(default)]
    pub doses: Option<u32>,
    #[serde(default)]
    pub total: Option<Decimal>,
    /// The unit of `total`.
    #[serde(default)]
    pub unit: Option<String>,
    pub within_hours: u32,
    /// More is a matter of direct medical direction: a dose told to be ordered so is not held to it.
    #[serde(default)]
    pub unless_ordered: bool,
}

/// `[[recheck]]`: what to look at after a dose, and when.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Recheck {
    /// The generic name, or `oxygen`.
    pub drug: String,
    pub after_min: u32,
    /// A look earlier than this after the dose does not settle it.
    #[serde(default)]
    pub not_before_min: u32,
    /// Findings any of which settles it (`response` means the response to this drug).
    pub by: Vec<String>,
    pub say: String,
    pub escalated: String,
    pub escalate_after_min: u32,
    /// Looked at with the vital signs: not asked for by itself a moment after they were said to be due.
    #[serde(default)]
    pub with_vitals: bool,
    #[serde(default = "medium")]
    pub priority: Priority,
}

/// `[[clock]]`: everything else that falls due.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Clock {
    /// `advice.about`.
    pub about: String,
    pub from: Anchor,
    /// Minutes after the anchor.
    #[serde(default)]
    pub at_min: Vec<Decimal>,
    /// Below this age nobody is asked for a pressure that was never taken.
    #[serde(default)]
    pub pressure_from_years: Option<i64>,
    /// Again and again, so many minutes after the last time.
    #[serde(default)]
    pub every_min: Option<u32>,
    /// Reassessment: the interval of a stable patient (`at_min` is that of any other).
    #[serde(default)]
    pub stable_min: Option<Decimal>,
    #[serde(default)]
    pub escalate_after_min: Option<Decimal>,
    /// Runs only where this holds (not where it is unknown).
    #[serde(default)]
    pub only_if: Option<Condition>,
    pub say: String,
    #[serde(default)]
    pub escalated: Option<String>,
    #[serde(rename = "type", default = "reminder")]
    pub kind: crate::core::event::AdviceType,
    #[serde(default = "medium")]
    pub priority: Priority,
}

/// What a clock counts from.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Anchor {
    /// The last full look at the vital signs.
    Vitals,
    /// A tourniquet put on.
    Tourniquet,
    /// Compressions begun, resumed, or a shock decision.
    Compressions,
    /// Compressions paused.
    CompressionPause,
    /// Arrival on scene, until departure.
    Scene,
    /// When the patient was last known well.
    LastKnownWell,
    /// An abnormal stroke screen without a time last known well.
    StrokeScreen,
    /// A medication planned and neither given nor withheld.
    Plan,
    /// A refusal of care signed, or its signing refused.
    RefusalSigned,
}

/// `[[class]]`: which names belong together.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Class {
    pub spoken: String,
    pub members: Vec<String>,
}

/// `[[prompt]]`: one spoken sentence.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Prompt {
    pub say: String,
    #[serde(default)]
    pub say_aloud: Option<String>,
}

/// `[[word_list]]`: words with one meaning for the machine (a bare yes, a bare no).
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct WordList {
    pub words: Vec<String>,
}

fn high() -> Priority {
    Priority::High
}

fn medium() -> Priority {
    Priority::Medium
}

fn inconsistency() -> crate::core::event::AdviceType {
    crate::core::event::AdviceType::Inconsistency
}

fn reminder() -> crate::core::event::AdviceType {
    crate::core::event::AdviceType::Reminder
}

fn yes() -> bool {
    true
}

fn ten() -> u32 {
    10
}
