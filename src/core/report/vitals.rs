//! Vitals gathered into sets, and series for the chart.
//!
//! A set is what was taken in one round: it ends when a measure comes again, or after [`SET_GAP_MS`] without one.

use super::call::{Call, happened};
use crate::core::finding::{Field, Finding, Kind};
use crate::core::ledger::Entry;
use crate::core::time::Moment;

/// The longest pause between two measures of one set, milliseconds (common practice, no source).
pub const SET_GAP_MS: u64 = 150_000;

/// The measures of a set, in the order of a table's columns. Pain is the score of a symptom's severity.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Measure {
    Pulse,
    Pressure,
    Saturation,
    Respirations,
    Gcs,
    Responsiveness,
    Skin,
    CapillaryRefill,
    Pupils,
    Glucose,
    Temperature,
    EndTidalCo2,
    Pain,
}

impl Measure {
    pub const ALL: [Measure; 13] = [
        Measure::Pulse,
        Measure::Pressure,
        Measure::Saturation,
        Measure::Respirations,
        Measure::Gcs,
        Measure::Responsiveness,
        Measure::Skin,
        Measure::CapillaryRefill,
        Measure::Pupils,
        Measure::Glucose,
        Measure::Temperature,
        Measure::EndTidalCo2,
        Measure::Pain,
    ];

    pub fn of(finding: &Finding) -> Option<Measure> {
        Some(match finding.kind() {
            Kind::Pulse => Measure::Pulse,
            Kind::BloodPressure => Measure::Pressure,
            Kind::OxygenSaturation => Measure::Saturation,
            Kind::Respirations => Measure::Respirations,
            Kind::Gcs => Measure::Gcs,
            Kind::Consciousness => Measure::Responsiveness,
            Kind::Skin => Measure::Skin,
            Kind::CapillaryRefill => Measure::CapillaryRefill,
            Kind::Pupils => Measure::Pupils,
            Kind::Glucose => Measure::Glucose,
            Kind::Temperature => Measure::Temperature,
            Kind::EndTidalCo2 => Measure::EndTidalCo2,
            Kind::Symptom if finding.number(Field::Score).is_some() => Measure::Pain,
            _ => return None,
        })
    }

    /// The kind whose label heads the column.
    pub fn kind(self) -> Kind {
        match self {
            Measure::Pulse => Kind::Pulse,
            Measure::Pressure => Kind::BloodPressure,
            Measure::Saturation => Kind::OxygenSaturation,
            Measure::Respirations => Kind::Respirations,
            Measure::Gcs => Kind::Gcs,
            Measure::Responsiveness => Kind::Consciousness,
            Measure::Skin => Kind::Skin,
            Measure::CapillaryRefill => Kind::CapillaryRefill,
            Measure::Pupils => Kind::Pupils,
            Measure::Glucose => Kind::Glucose,
            Measure::Temperature => Kind::Temperature,
            Measure::EndTidalCo2 => Kind::EndTidalCo2,
            Measure::Pain => Kind::Symptom,
        }
    }

    /// What makes a round of vitals; the others join a set or stand in one of their own.
    pub fn is_core(self) -> bool {
        matches!(self, Measure::Pulse | Measure::Pressure | Measure::Saturation | Measure::Respirations)
    }
}

/// Measures taken in one round, oldest first.
#[derive(Clone, Debug)]
pub struct Set<'a> {
    pub entries: Vec<(Measure, &'a Entry)>,
}

impl<'a> Set<'a> {
    /// When the first measure was taken.
    pub fn when(&self) -> Option<Moment> {
        self.entries.first().map(|(_, e)| happened(e))
    }

    pub fn get(&self, measure: Measure) -> impl Iterator<Item = &'a Entry> {
        self.entries.iter().filter(move |(m, _)| *m == measure).map(|(_, e)| *e)
    }

    pub fn has(&self, measure: Measure) -> bool {
        self.get(measure).next().is_some()
    }

    /// Pulse, pressure, saturation and respirations all measured, none of them merely said to be unchanged.
    pub fn is_full(&self) -> bool {
        Measure::ALL
            .into_iter()
            .filter(|m| m.is_core())
            .all(|m| self.get(m).any(|e| e.finding.flag(Field::Unchanged) != Some(true) && obtained(&e.finding)))
    }

    /// Only restated ("no change"), nothing measured.
    pub fn only_said_unchanged(&self) -> bool {
        self.entries.iter().all(|(_, e)| e.finding.flag(Field::Unchanged) == Some(true))
    }
}

/// Not explicitly "could not be obtained".
pub fn obtained(finding: &Finding) -> bool {
    finding.flag(Field::Obtained) != Some(false)
}

/// The patient's vitals in sets, oldest first.
pub fn sets<'a>(call: &'a Call, patient: i64) -> Vec<Set<'a>> {
    let mut measures: Vec<(Measure, &Entry)> =
        call.standing(patient).filter_map(|e| Some((Measure::of(&e.finding)?, e))).collect();
    measures.sort_by_key(|(_, e)| (happened(e).mono_ms, e.seq));
    let mut sets: Vec<Set> = Vec::new();
    let mut last_ms = 0;
    for (measure, entry) in measures {
        let now = happened(entry).mono_ms;
        match sets.last_mut() {
            Some(set) if now.saturating_sub(last_ms) <= SET_GAP_MS && fits(set, measure, &entry.finding) => {
                set.entries.push((measure, entry));
            }
            _ => sets.push(Set { entries: vec![(measure, entry)] }),
        }
        last_ms = now;
    }
    sets
}

/// A measure joins a set that has no value of the same fields yet ("pulse 118", then "irregular and weak").
fn fits(set: &Set, measure: Measure, finding: &Finding) -> bool {
    let repeats = |other: &Entry| finding.fields().any(|(field, _)| own(field) && other.finding.get(field).is_some());
    !set.get(measure).any(repeats)
}

fn own(field: Field) -> bool {
    !crate::core::finding::schema::COMMON.iter().any(|(f, _)| *f == field)
        && !matches!(field, Field::Name | Field::Aspect)
}
