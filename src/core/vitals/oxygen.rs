//! Oxygen: what a saturation was breathed on, whether flow and device agree, how long the cylinder lasts.

use serde::Deserialize;

use super::sets::key;
use super::{Assessment, VitalsRules, arrests, in_arrest};
use crate::core::clinical::{cylinder as arithmetic, gather};
use crate::core::dataset::Entry as Row;
use crate::core::decimal::Decimal;
use crate::core::event::{AdviceType, Priority};
use crate::core::finding::{Field, Kind};
use crate::core::ledger::{Entry, Ledger};
use crate::core::prompt::clear_number;
use crate::core::time::Moment;

/// What the patient breathed when a saturation was taken.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum OxygenState {
    RoomAir {
        /// Not said with the saturation: taken from oxygen having been stopped.
        derived: bool,
    },
    Oxygen {
        /// Not said with the saturation: taken from the oxygen running then.
        derived: bool,
    },
    /// Never asked about: shown as "not stated".
    NotStated,
}

/// The oxygen state of one saturation: as said with it, or from the oxygen given before it.
pub fn state_of(ledger: &Ledger, saturation: &Entry) -> OxygenState {
    let f = &saturation.finding;
    match f.text(Field::On) {
        Some("room_air") => return OxygenState::RoomAir { derived: false },
        Some(_) => return OxygenState::Oxygen { derived: false },
        None if f.get(Field::FlowLPerMin).is_some() => return OxygenState::Oxygen { derived: false },
        None => {}
    }
    running(ledger, f.patient(), saturation.when)
}

/// The oxygen state at the latest saturation; without one, as it is now.
pub fn latest_state(ledger: &Ledger, patient: i64) -> OxygenState {
    match ledger.latest(Kind::OxygenSaturation, patient) {
        Some(entry) => state_of(ledger, entry),
        None => ledger.latest(Kind::Oxygen, patient).map_or(OxygenState::NotStated, breathing),
    }
}

fn running(ledger: &Ledger, patient: i64, when: Moment) -> OxygenState {
    let before = ledger.of(Kind::Oxygen, patient).rfind(|e| e.when.mono_ms <= when.mono_ms);
    before.map_or(OxygenState::NotStated, breathing)
}

fn breathing(oxygen: &Entry) -> OxygenState {
    if oxygen.finding.flag(Field::Stopped) == Some(true) {
        OxygenState::RoomAir { derived: true }
    } else {
        OxygenState::Oxygen { derived: true }
    }
}

/// One `[[oxygen_device]]`: the flows that go with it, litres a minute, both included.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Device {
    pub device: String,
    pub least_l_per_min: Decimal,
    pub most_l_per_min: Decimal,
    /// `{flow}`.
    pub say: String,
}

/// Flow and device that do not go together.
pub fn inconsistencies(rules: &VitalsRules, ledger: &Ledger, patient: i64, now: Moment) -> Vec<Assessment> {
    let Some(set) = &rules.set else { return Vec::new() };
    let recent = set.body.raise_within_minutes.saturating_mul(60_000);
    let mut out = Vec::new();
    for entry in ledger.of(Kind::Oxygen, patient).filter(|e| now.since_ms(e.when) <= recent) {
        let f = &entry.finding;
        let (Some(device), Some(flow)) = (f.text(Field::Device), f.number(Field::FlowLPerMin)) else { continue };
        let Some(row) = rules.devices.iter().find(|row| row.body.device == device) else { continue };
        if f.flag(Field::Stopped) == Some(true) || (row.body.least_l_per_min <= flow && flow <= row.body.most_l_per_min)
        {
            continue;
        }
        out.push(Assessment {
            key: key(row.id(), &[entry.seq]),
            rule: row.id().to_string(),
            kind: AdviceType::Inconsistency,
            about: Kind::Oxygen.name().to_string(),
            priority: Priority::Medium,
            say: row.body.say.replace("{flow}", &flow.to_string()),
            changed: false,
            because: vec![entry.seq],
            source: row.head.source.clone(),
        });
    }
    out
}

/// One `[[oxygen_target]]`: a saturation on oxygen that is higher than is wanted with one of these histories.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Target {
    pub history: Vec<String>,
    /// Too high when this or higher.
    pub at_least: Decimal,
    /// `{value}`, read so that it cannot be taken for another.
    pub say: String,
}

/// The latest saturation, where it lies above its target and the one before did not.
pub fn above_target(rules: &VitalsRules, ledger: &Ledger, patient: i64, now: Moment) -> Option<Assessment> {
    let recent = rules.set.as_ref()?.body.raise_within_minutes.saturating_mul(60_000);
    let mut told = ledger.of(Kind::OxygenSaturation, patient).rev().filter(|e| gather::measured(e));
    let (latest, before) = (told.next().filter(|e| now.since_ms(e.when) <= recent)?, told.next());
    // In a resuscitation nobody titrates.
    let latest = Some(latest).filter(|e| !in_arrest(&arrests(ledger, patient), e.when))?;
    let crosses = |row: &Target, entry: &Entry| {
        let on_oxygen = matches!(state_of(ledger, entry), OxygenState::Oxygen { .. });
        on_oxygen && entry.finding.number(Field::Percent).is_some_and(|percent| percent >= row.at_least)
    };
    rules.targets.iter().find_map(|row| {
        let history = ledger.of(Kind::History, patient).rfind(|e| {
            let named = e.finding.text(Field::Name).is_some_and(|name| row.body.history.iter().any(|h| h == name));
            named && e.finding.flag(Field::Present) != Some(false)
        })?;
        let known = |entry: &&Entry| crosses(&row.body, entry) && entry.seq > history.seq;
        if !crosses(&row.body, latest) || before.filter(known).is_some() {
            return None;
        }
        let value = clear_number(latest.finding.number(Field::Percent)?);
        let because = vec![latest.seq];
        Some(Assessment {
            key: key(row.id(), &because),
            rule: row.id().to_string(),
            kind: AdviceType::AbnormalVital,
            about: Kind::OxygenSaturation.name().to_string(),
            priority: Priority::Medium,
            say: row.body.say.replace("{value}", &value),
            changed: false,
            because,
            source: row.head.source.clone(),
        })
    })
}

/// One `[[cylinder_clock]]`: a warning so many minutes before the safe residual is reached.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct CylinderClock {
    pub residual_psi: i64,
    pub warn_minutes: u64,
    /// `{minutes}`.
    pub say: String,
    pub priority: Priority,
}

/// When a cylinder reaches its residual.
#[derive(Clone, Debug, PartialEq)]
pub struct Emptying {
    pub empty_at: Moment,
    /// The reading it is counted from.
    pub because: Vec<u64>,
}

/// When the cylinder last read reaches `residual_psi`, counting every change of flow since.
///
/// # Errors
/// Names what was never said: `cylinder_pressure`, `cylinder_size`, `oxygen_flow` (none running counts as not said).
pub fn cylinder(ledger: &Ledger, patient: i64, residual_psi: i64) -> Result<Emptying, Vec<&'static str>> {
    let (reading, size) = last_read(ledger, patient, None);
    let flows: Vec<(Moment, Decimal)> = ledger.of(Kind::Oxygen, patient).filter_map(flow).collect();
    let missing = never_said(reading.is_some(), size.is_some(), flows.last().is_some_and(|(_, flow)| !flow.is_zero()));
    let (Some((entry, psi)), Some(size), true) = (reading, size, missing.is_empty()) else { return Err(missing) };
    let mut litres = arithmetic::litres(size, psi, residual_psi).ok_or(vec!["cylinder_size"])?.as_f64();
    let mut at = entry.when;
    let earlier = flows.iter().rfind(|(when, _)| when.mono_ms <= at.mono_ms);
    let mut flowing = earlier.map_or(0.0, |(_, flow)| flow.as_f64());
    for (when, next) in flows.iter().filter(|(when, _)| when.mono_ms > entry.when.mono_ms) {
        let used = flowing * when.since_ms(at) as f64 / 60_000.0;
        if used >= litres {
            break;
        }
        litres -= used;
        (at, flowing) = (*when, next.as_f64());
    }
    if flowing <= 0.0 {
        return Err(vec!["oxygen_flow"]);
    }
    let left_ms = (litres / flowing * 60_000.0).clamp(0.0, 1e12) as u64;
    Ok(Emptying { empty_at: at.plus_ms(left_ms), because: vec![entry.seq] })
}

/// The last pressure read of this patient's cylinder, and its size. A size that is asked for is that cylinder, whoever was
/// spoken of when it was read; one read without a size may be it, if it is this patient's.
fn last_read<'l>(
    ledger: &'l Ledger,
    patient: i64,
    size: Option<&'l str>,
) -> (Option<(&'l Entry, i64)>, Option<&'l str>) {
    let said = |e: &&Entry| e.finding.text(Field::Size).is_some_and(|said| size == Some(said));
    let may_be = |e: &&Entry| size.is_none() || e.finding.get(Field::Size).is_none();
    let this = |e: &&Entry| said(e) || (may_be(e) && e.finding.patient() == patient);
    let readings = || ledger.all_of(Kind::OxygenCylinder).rev().filter(this);
    let reading = readings().find_map(|e| Some((e, e.finding.int(Field::Psi)?)));
    (reading, size.or_else(|| readings().find_map(|e| e.finding.text(Field::Size))))
}

/// What the minutes of a cylinder want and nobody has said.
fn never_said(pressure: bool, size: bool, flow: bool) -> Vec<&'static str> {
    let parts = [("cylinder_pressure", pressure), ("cylinder_size", size), ("oxygen_flow", flow)];
    parts.into_iter().filter_map(|(name, said)| (!said).then_some(name)).collect()
}

/// Whole minutes that the cylinder last read of this size lasts from its reading, at this flow or the one that runs; with the
/// reading it is counted from.
///
/// # Errors
/// Names what was never said, as [`cylinder`] does.
pub fn minutes_at(
    ledger: &Ledger,
    patient: i64,
    residual_psi: i64,
    flow: Option<Decimal>,
    size: Option<&str>,
) -> Result<(u64, Vec<u64>), Vec<&'static str>> {
    let (reading, size) = last_read(ledger, patient, size);
    let running = || ledger.of(Kind::Oxygen, patient).rev().find_map(self::flow).map(|(_, flow)| flow);
    let flow = flow.or_else(running).filter(|flow| !flow.is_zero());
    let missing = never_said(reading.is_some(), size.is_some(), flow.is_some());
    let (Some((entry, psi)), Some(size), Some(flow)) = (reading, size, flow) else { return Err(missing) };
    let minutes = arithmetic::minutes(size, psi, residual_psi, flow).ok_or(vec!["cylinder_size"])?;
    Ok((minutes.as_f64().max(0.0) as u64, vec![entry.seq]))
}

/// The flow from this moment on: 0 when stopped; `None` where no flow was said.
fn flow(oxygen: &Entry) -> Option<(Moment, Decimal)> {
    let f = &oxygen.finding;
    let flow = match f.flag(Field::Stopped) {
        Some(true) => Decimal::ZERO,
        _ => f.number(Field::FlowLPerMin)?,
    };
    Some((oxygen.when, flow))
}

/// The cylinder's warning that is due: the last one, where several are.
pub fn warnings(rules: &VitalsRules, ledger: &Ledger, patient: i64, now: Moment) -> Option<Assessment> {
    let soon = |within_ms: u64| {
        let due = rules.cylinders.iter().filter_map(move |row| {
            let emptying = cylinder(ledger, patient, row.body.residual_psi).ok()?;
            let warn_at = emptying.empty_at.minus_ms(row.body.warn_minutes.saturating_mul(60_000));
            (warn_at.mono_ms <= now.mono_ms.saturating_add(within_ms)).then_some((row, emptying))
        });
        due.min_by_key(|(row, _)| row.body.warn_minutes)
    };
    // A nearer warning that is a minute away is given now instead of two in a row.
    let (row, emptying) = soon(0).and_then(|_| soon(60_000))?;
    let minutes = emptying.empty_at.since_ms(now) / 60_000;
    Some(Assessment {
        key: key(row.id(), &emptying.because),
        rule: row.id().to_string(),
        kind: AdviceType::Reminder,
        about: "cylinder".into(),
        priority: row.body.priority,
        say: row.body.say.replace("{minutes}", &minutes.to_string()),
        changed: false,
        because: emptying.because,
        source: row.head.source.clone(),
    })
}

/// When each of the cylinder's warnings falls due.
pub fn deadlines(rules: &VitalsRules, ledger: &Ledger, patient: i64) -> Vec<Moment> {
    let due = |row: &Row<CylinderClock>| {
        let emptying = cylinder(ledger, patient, row.body.residual_psi).ok()?;
        Some(emptying.empty_at.minus_ms(row.body.warn_minutes.saturating_mul(60_000)))
    };
    rules.cylinders.iter().filter_map(due).collect()
}
