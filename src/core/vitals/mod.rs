//! What the vital signs say together: limits by age, one sentence for a set, trends, contradictions, how stable the
//! patient is, and how long the oxygen lasts. All limits and sentences are data: `protocols/vitals.toml`,
//! `protocols/trends.toml`.
//!
//! Everything here is a function of the ledger and the moment: asking twice changes nothing. This room does not know
//! what was already spoken, nor when to speak.

pub mod agreement;
pub mod clocks;
pub mod limits;
pub mod oxygen;
pub mod sets;
pub mod trends;
pub mod ventilation;
pub mod words;

use std::collections::BTreeMap;

use serde::Deserialize;

use crate::core::clinical::gather;
use crate::core::dataset::{Entry, Reader};
use crate::core::event::{AdviceType, Priority};
use crate::core::finding::{Field, Kind};
use crate::core::ledger::Ledger;
use crate::core::time::Moment;

pub use limits::{AgeBand, Limit, Who, crosses};
pub use oxygen::{OxygenState, latest_state, state_of};

/// How stable a patient is, worst last.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Level {
    Stable,
    PotentiallyUnstable,
    Unstable,
}

impl Level {
    /// As the record spells it.
    pub fn name(self) -> &'static str {
        match self {
            Level::Stable => "stable",
            Level::PotentiallyUnstable => "potentially_unstable",
            Level::Unstable => "unstable",
        }
    }

    fn from_name(name: &str) -> Option<Level> {
        [Level::Stable, Level::PotentiallyUnstable, Level::Unstable].into_iter().find(|level| level.name() == name)
    }
}

/// A level with where it comes from.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Stability {
    pub level: Level,
    /// The crew said it; otherwise it was derived.
    pub said: bool,
    pub because: Vec<u64>,
}

/// Something worth saying. Give it out when `key` was not given out before.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Assessment {
    /// The same every time this assessment is made: rule and triggering events.
    pub key: String,
    pub rule: String,
    pub kind: AdviceType,
    /// Finding name or timer name.
    pub about: String,
    pub priority: Priority,
    /// The sentence, filled.
    pub say: String,
    /// A trend is told with it: what no single value says.
    pub changed: bool,
    pub because: Vec<u64>,
    pub source: String,
}

/// How sets are gathered and worded: the one `[[vitals_set]]`.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SetRule {
    /// Vital signs said within this time of the first belong to one set.
    pub gather_seconds: u64,
    /// Nothing is raised about values older than this.
    pub raise_within_minutes: u64,
    /// What was named longer ago than this may be named again: older values are not looked at any more.
    pub remember_minutes: u64,
    /// A value older than this says nothing about stability.
    pub max_age_minutes: u64,
    /// What must be inside its limits for a derived `stable`: finding names.
    pub stable_needs: Vec<String>,
    /// `{signs}`.
    pub say_unstable: String,
    pub say_abnormal: String,
    /// Later values of a set already spoken about.
    pub say_also: String,
    /// Added once where the age is not known.
    pub adult_assumed: String,
    /// `{signs}`.
    pub say_trend: String,
}

/// All data of this room.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct VitalsRules {
    pub set: Option<Entry<SetRule>>,
    pub bands: Vec<Entry<AgeBand>>,
    pub limits: Vec<Entry<Limit>>,
    pub trends: Vec<Entry<trends::Trend>>,
    pub devices: Vec<Entry<oxygen::Device>>,
    pub targets: Vec<Entry<oxygen::Target>>,
    pub cylinders: Vec<Entry<oxygen::CylinderClock>>,
    pub apgar: Vec<Entry<clocks::ApgarClock>>,
    pub equipment: Vec<Entry<clocks::EquipmentDate>>,
    pub faults: Vec<Entry<clocks::EquipmentFault>>,
    pub agreements: Vec<Entry<agreement::AvpuGcs>>,
    /// Rows of `limits` by the finding they look at, with the field.
    by_kind: BTreeMap<Kind, Vec<(usize, Field)>>,
}

impl VitalsRules {
    /// Takes this room's sections and checks them; complaints go to the reader.
    pub fn read(reader: &mut Reader<'_>) -> VitalsRules {
        let mut sets: Vec<Entry<SetRule>> = reader.take("vitals_set");
        let rules = VitalsRules {
            set: (!sets.is_empty()).then(|| sets.swap_remove(0)),
            bands: reader.take("age_band"),
            limits: reader.take("limit"),
            trends: reader.take("trend"),
            devices: reader.take("oxygen_device"),
            targets: reader.take("oxygen_target"),
            cylinders: reader.take("cylinder_clock"),
            apgar: reader.take("apgar_clock"),
            equipment: reader.take("equipment_date"),
            faults: reader.take("equipment_fault"),
            agreements: reader.take("avpu_gcs"),
            by_kind: BTreeMap::new(),
        };
        let rules = VitalsRules { by_kind: limits::by_kind(&rules.limits), ..rules };
        let mut complaints = Vec::new();
        complaints.extend(sets.iter().map(|set| set.error("there is one [[vitals_set]]; this is another")));
        limits::check(&rules, &mut complaints);
        trends::check(&rules, &mut complaints);
        clocks::check(&rules, &mut complaints);
        reader.report(complaints);
        rules
    }

    /// The ids that can appear as `rule` of an assessment.
    pub fn ids(&self) -> Vec<&str> {
        let limits = self.limits.iter().map(|e| e.id());
        let more = self.trends.iter().map(|e| e.id()).chain(self.devices.iter().map(|e| e.id()));
        let clocks = self.cylinders.iter().map(|e| e.id()).chain(self.apgar.iter().map(|e| e.id()));
        let agreements = self.agreements.iter().map(|e| e.id()).chain(self.targets.iter().map(|e| e.id()));
        let equipment = self.equipment.iter().map(|e| e.id()).chain(self.faults.iter().map(|e| e.id()));
        limits.chain(more).chain(clocks).chain(equipment).chain(agreements).collect()
    }
}

/// Everything worth saying about `patient` at `now`, whether or not it was said before.
pub fn assess(rules: &VitalsRules, ledger: &Ledger, patient: i64, now: Moment) -> Vec<Assessment> {
    look(rules, ledger, patient, now).0
}

/// [`assess`] and [`next_due`] in one reading of the record.
pub fn look(rules: &VitalsRules, ledger: &Ledger, patient: i64, now: Moment) -> (Vec<Assessment>, Option<Moment>) {
    let (mut all, sets) = sets::look(rules, ledger, patient, now);
    all.extend(oxygen::inconsistencies(rules, ledger, patient, now));
    all.extend(oxygen::above_target(rules, ledger, patient, now));
    all.extend(agreement::inconsistency(rules, ledger, patient, now));
    all.extend(oxygen::warnings(rules, ledger, patient, now));
    all.extend(clocks::apgar_due(rules, ledger, now));
    all.extend(clocks::equipment_due(rules, ledger, now));
    let due = sets
        .into_iter()
        .chain(oxygen::deadlines(rules, ledger, patient))
        .chain(clocks::apgar_deadlines(rules, ledger))
        .filter(|due| due.mono_ms > now.mono_ms)
        .min_by_key(|due| due.mono_ms);
    (all, due)
}

/// The next moment at which the passing of time alone may add an assessment.
pub fn next_due(rules: &VitalsRules, ledger: &Ledger, patient: i64, now: Moment) -> Option<Moment> {
    look(rules, ledger, patient, now).1
}

/// How stable the patient is. What the crew said stands, except that a later value across an unstable limit outweighs it.
/// `None`: nothing said and no vital sign known.
pub fn stability(rules: &VitalsRules, ledger: &Ledger, patient: i64, now: Moment) -> Option<Stability> {
    let derived = derived(rules, ledger, patient, now);
    let said = ledger.of(Kind::Priority, patient).rev().find_map(|entry| {
        let level = Level::from_name(entry.finding.text(Field::Level)?)?;
        Some(Stability { level, said: true, because: vec![entry.seq] })
    });
    match (said, derived) {
        (Some(said), Some(derived)) if derived.level == Level::Unstable && newer(&derived, &said) => Some(derived),
        (Some(said), _) => Some(said),
        (None, derived) => derived,
    }
}

fn newer(a: &Stability, b: &Stability) -> bool {
    a.because.iter().max() > b.because.iter().max()
}

/// From the vital signs alone: the worst limit crossed; stable when every sign that must be known is inside its limits;
/// otherwise potentially unstable. `None` when no vital sign is known.
pub fn derived(rules: &VitalsRules, ledger: &Ledger, patient: i64, now: Moment) -> Option<Stability> {
    let set = &rules.set.as_ref()?.body;
    let who = Who::of(ledger, patient);
    let fresh = |entry: &&crate::core::ledger::Entry| {
        gather::measured(entry) && gather::age_ms(entry, now) <= set.max_age_minutes.saturating_mul(60_000)
    };
    let mut crossed: Vec<(Level, u64)> = Vec::new();
    let mut inside: Vec<(Kind, u64)> = Vec::new();
    for kind in rules.by_kind.keys().copied() {
        let Some(entry) = ledger.of(kind, patient).rev().find(fresh) else { continue };
        match limits::crossed_then(rules, ledger, entry, who) {
            Some(hit) => crossed.push((hit.limit.body.level, entry.seq)),
            None if !entry.unconfirmed() && limits::clears(rules, &entry.finding) => inside.push((kind, entry.seq)),
            None => {}
        }
    }
    let worst = crossed.iter().map(|(level, _)| *level).max();
    if let Some(level) = worst {
        let because = crossed.iter().filter(|(l, _)| *l == level).map(|(_, seq)| *seq).collect();
        return Some(Stability { level, said: false, because });
    }
    if inside.is_empty() {
        return None;
    }
    let known = |name: &String| inside.iter().any(|(kind, _)| equal(*kind, name));
    let level = if set.stable_needs.iter().all(known) { Level::Stable } else { Level::PotentiallyUnstable };
    Some(Stability { level, said: false, because: inside.iter().map(|(_, seq)| *seq).collect() })
}

/// GCS and orientation speak for consciousness too.
fn equal(kind: Kind, name: &str) -> bool {
    kind.name() == name || (name == Kind::Consciousness.name() && matches!(kind, Kind::Gcs | Kind::Orientation))
}

/// Procedures of a resuscitation.
const ARREST: [&str; 6] = ["cpr_started", "cpr_paused", "aed_shock", "no_shock_advised", "shock_advised", "rearrest"];

/// What ends one.
const ARREST_OVER: [&str; 3] = ["rosc", "cpr_stopped", "resuscitation_stopped"];

/// The moments (stopwatch, ms) at which a resuscitation began or ended, oldest first.
pub fn arrests(ledger: &Ledger, patient: i64) -> Vec<(u64, bool)> {
    let turn = |e: &crate::core::ledger::Entry| {
        let name = e.finding.text(Field::Name)?;
        let over = ARREST_OVER.contains(&name);
        (over || ARREST.contains(&name)).then_some((e.seq, e.when.mono_ms, !over))
    };
    let mut turns: Vec<(u64, u64, bool)> = ledger.of(Kind::Procedure, patient).filter_map(turn).collect();
    let Some((first, ..)) = turns.first().copied() else { return Vec::new() };
    let pulses = ledger.of(Kind::Pulse, patient).rev().take_while(|e| e.seq > first).filter(|e| pulse_is_back(e));
    turns.extend(pulses.map(|e| (e.seq, e.when.mono_ms, false)));
    turns.sort_unstable();
    turns.into_iter().map(|(_, at, under_way)| (at, under_way)).collect()
}

/// "We have a pulse", or its rate: circulation is back, in whatever words. A pulse in doubt ends nothing.
pub fn pulse_is_back(entry: &crate::core::ledger::Entry) -> bool {
    let felt = entry.finding.flag(Field::Present) == Some(true)
        || entry.finding.int(Field::RatePerMin).is_some_and(|rate| rate > 0);
    entry.finding.kind() == Kind::Pulse && felt && !entry.unconfirmed() && gather::measured(entry)
}

/// Whether a resuscitation was under way at `moment`: anything said then is about the arrest.
pub fn in_arrest(arrests: &[(u64, bool)], moment: Moment) -> bool {
    arrests.iter().rfind(|(at, _)| *at <= moment.mono_ms).is_some_and(|(_, under_way)| *under_way)
}
