//! Other clocks: APGAR at 1 and 5 minutes, and on while the score is low; dates and faults of equipment at the start of a
//! shift.

use chrono::Datelike;
use serde::Deserialize;

use super::sets::key;
use super::{Assessment, VitalsRules};
use crate::core::condition::Condition;
use crate::core::dataset::Entry as Row;
use crate::core::diagnostic::Diagnostic;
use crate::core::event::{AdviceType, Priority};
use crate::core::finding::{Field, Finding, Kind};
use crate::core::ledger::{Entry, Ledger};
use crate::core::prompt::clear_number;
use crate::core::time::Moment;

/// One `[[apgar_clock]]`: the score that falls due so many minutes after the birth.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ApgarClock {
    /// What was said at the birth: conditions, any of which starts the clock.
    pub birth: Vec<String>,
    pub minute: u64,
    /// Only when the last score was below this.
    #[serde(default)]
    pub when_last_below: Option<i64>,
    pub say: String,
}

/// The reminders due at `now` and not settled by a score.
pub fn apgar_due(rules: &VitalsRules, ledger: &Ledger, now: Moment) -> Vec<Assessment> {
    let due = all(rules, ledger).into_iter().filter(|(at, ..)| at.mono_ms <= now.mono_ms);
    due.map(|(_, row, birth)| Assessment {
        key: key(row.id(), &[birth.seq]),
        rule: row.id().to_string(),
        kind: AdviceType::Reminder,
        about: "apgar".into(),
        priority: Priority::Medium,
        say: row.body.say.clone(),
        changed: false,
        because: vec![birth.seq],
        source: row.head.source.clone(),
    })
    .collect()
}

pub fn apgar_deadlines(rules: &VitalsRules, ledger: &Ledger) -> Vec<Moment> {
    all(rules, ledger).into_iter().map(|(at, ..)| at).collect()
}

/// Unsettled scores with the moment each falls due.
fn all<'a>(rules: &'a VitalsRules, ledger: &'a Ledger) -> Vec<(Moment, &'a Row<ApgarClock>, &'a Entry)> {
    let mut out = Vec::new();
    for row in &rules.apgar {
        let conditions: Vec<Condition> = row.body.birth.iter().filter_map(|c| Condition::parse(c).ok()).collect();
        let kinds: Vec<Kind> = conditions.iter().map(|c| c.kind).collect();
        let said = kinds.iter().enumerate().filter(|(at, kind)| !kinds.iter().take(*at).any(|k| k == *kind));
        let births = said.flat_map(|(_, kind)| ledger.all_of(*kind));
        for birth in births.filter(|e| conditions.iter().any(|c| c.holds(&e.finding))) {
            let due = birth.when.plus_ms(row.body.minute.saturating_mul(60_000));
            let scores: Vec<&Entry> = ledger.all_of(Kind::Apgar).filter(|e| e.seq > birth.seq).collect();
            let settled = scores.iter().any(|e| settles(e, row.body.minute, due));
            let wanted = row
                .body
                .when_last_below
                .is_none_or(|below| scores.last().and_then(|e| total(e)).is_some_and(|total| total < below));
            if !settled && wanted {
                out.push((due, row, birth));
            }
        }
    }
    out
}

/// A score that names this minute, or names none and was said from half a minute before it was due.
fn settles(score: &Entry, minute: u64, due: Moment) -> bool {
    match score.finding.int(Field::Minute) {
        Some(said) => u64::try_from(said).is_ok_and(|said| said >= minute),
        None => score.when.plus_ms(30_000).mono_ms >= due.mono_ms,
    }
}

fn total(score: &Entry) -> Option<i64> {
    let f = &score.finding;
    let parts =
        [Field::Appearance, Field::Pulse, Field::Grimace, Field::Activity, Field::Respiration].map(|p| f.int(p));
    f.int(Field::Total).or_else(|| crate::core::clinical::apgar::total(parts).ok())
}

/// One `[[equipment_date]]`: a date said at the inspection, and when it is past.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct EquipmentDate {
    /// Items it is about; every item where left out.
    #[serde(default)]
    pub items: Vec<String>,
    /// Years from the month of the test to the month in which the next is due; without it, the month said is the last.
    #[serde(default)]
    pub test_interval_years: Option<i32>,
    /// `cylinder`, or what else it is about.
    pub about: String,
    /// `{item}`.
    pub say: String,
}

/// One `[[equipment_fault]]`: what an inspection finds wrong, with what is to be done about it.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct EquipmentFault {
    /// Items that did not pass.
    #[serde(default)]
    pub items: Vec<String>,
    /// A cylinder that reads this or less.
    #[serde(default)]
    pub psi_at_most: Option<i64>,
    /// `cylinder`, or what else it is about.
    pub about: String,
    /// `{item}`, `{psi}`.
    pub say: String,
}

/// Nobody has told of a patient, or is on the way to one: it is the equipment that is looked at.
pub fn is_inspection(ledger: &Ledger, before: u64) -> bool {
    let of_equipment = [Kind::MedicationCheck, Kind::EquipmentCheck, Kind::OxygenCylinder];
    // What is counted is told as a drug with a number, as a plan is.
    let counted = [Kind::MedicationPlanned, Kind::Milestone];
    let told = || ledger.standing().take_while(|e| e.seq < before).map(|e| e.finding.kind());
    // In a call the first words of a patient end it: the record is not read whole.
    told().all(|kind| of_equipment.contains(&kind) || counted.contains(&kind))
        && told().any(|kind| of_equipment.contains(&kind))
        && !ledger.all_of(Kind::Milestone).take_while(|e| e.seq < before).any(|e| to_a_patient(&e.finding))
}

fn to_a_patient(finding: &Finding) -> bool {
    ["dispatched", "en_route", "on_scene", "at_patient"].iter().any(|name| finding.is(Field::Name, name))
}

/// Equipment found wanting at an inspection.
fn faults(rules: &VitalsRules, ledger: &Ledger) -> Vec<Assessment> {
    let checked = || ledger.all_of(Kind::EquipmentCheck).chain(ledger.all_of(Kind::OxygenCylinder));
    let rows = rules.faults.iter().flat_map(|row| checked().map(move |entry| (row, entry)));
    // One reading by itself may be the cylinder that is carried to a patient: its clock tells how long it lasts.
    let inspected = |entry: &Entry| match entry.finding.kind() {
        Kind::OxygenCylinder => is_inspection(ledger, entry.seq),
        _ => is_inspection(ledger, entry.seq + 1),
    };
    let found = rows.filter(|(row, entry)| row.body.found(&entry.finding) && inspected(entry));
    found.map(|(row, entry)| fault(row, entry)).collect()
}

impl EquipmentFault {
    fn found(&self, finding: &Finding) -> bool {
        let low = self.psi_at_most.zip(finding.int(Field::Psi)).is_some_and(|(most, psi)| psi <= most);
        let named = finding.text(Field::Item).is_some_and(|item| self.items.iter().any(|i| i == item));
        low || (named && finding.flag(Field::Passed) == Some(false))
    }
}

fn fault(row: &Row<EquipmentFault>, entry: &Entry) -> Assessment {
    let item = entry.finding.text(Field::Item).unwrap_or("equipment").replace('_', " ");
    let psi = entry.finding.number(Field::Psi).map(clear_number).unwrap_or_default();
    Assessment {
        key: key(row.id(), &[entry.seq]),
        rule: row.id().to_string(),
        kind: AdviceType::Reminder,
        about: row.body.about.clone(),
        priority: Priority::Low,
        say: row.body.say.replace("{item}", &item).replace("{psi}", &psi),
        changed: false,
        because: vec![entry.seq],
        source: row.head.source.clone(),
    }
}

/// Equipment whose date is past at `now`, or that was found wanting.
pub fn equipment_due(rules: &VitalsRules, ledger: &Ledger, now: Moment) -> Vec<Assessment> {
    let mut out = faults(rules, ledger);
    // With a patient, the date of a drug is the medication check's: it holds there.
    let inspection = [Kind::MedicationCheck, Kind::EquipmentCheck, Kind::OxygenCylinder, Kind::Milestone];
    let alone = ledger.standing().all(|e| inspection.contains(&e.finding.kind()));
    let drugs = ledger.all_of(Kind::MedicationCheck).filter(|e| alone && e.finding.get(Field::Name).is_some());
    for entry in ledger.all_of(Kind::EquipmentCheck).chain(drugs) {
        let item = entry.finding.text(Field::Item).or(entry.finding.text(Field::Name)).unwrap_or("equipment");
        for row in &rules.equipment {
            let body = &row.body;
            let field = if body.test_interval_years.is_some() { Field::Tested } else { Field::Expires };
            let concerns = body.items.is_empty() || body.items.iter().any(|i| i == item);
            let Some(said) = entry.finding.text(field).and_then(month).filter(|_| concerns) else { continue };
            let last =
                body.test_interval_years.map_or(said, |years| crate::core::clinical::cylinder::test_due(said, years));
            if last < (now.at.year(), now.at.month()) {
                out.push(Assessment {
                    key: key(row.id(), &[entry.seq]),
                    rule: row.id().to_string(),
                    kind: AdviceType::Reminder,
                    about: body.about.clone(),
                    priority: Priority::Low,
                    say: body.say.replace("{item}", &item.replace('_', " ")),
                    changed: false,
                    because: vec![entry.seq],
                    source: row.head.source.clone(),
                });
            }
        }
    }
    out
}

/// `YYYY-MM`.
fn month(text: &str) -> Option<(i32, u32)> {
    let (year, month) = text.split_once('-')?;
    Some((year.parse().ok()?, month.parse().ok()?))
}

/// Complaints about rows whose birth can never be said.
pub fn check(rules: &VitalsRules, complaints: &mut Vec<Diagnostic>) {
    for row in &rules.apgar {
        for line in &row.body.birth {
            if let Err(why) = Condition::parse(line) {
                complaints.push(row.error(format!("`{}`: {why}", row.id())));
            }
        }
    }
}
