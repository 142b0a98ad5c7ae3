//! How old the patient is, as far as anyone said.

use crate::core::finding::{Field, Finding, Kind};
use crate::core::ledger::{Entry, Ledger};

/// An age as said, in whole months (and days for the first weeks).
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Age {
    /// Whole months, from 0.
    pub months: i64,
    /// Days, where it was said in days (0 to 60).
    pub days: Option<i64>,
}

impl Age {
    pub fn years(years: i64) -> Age {
        Age { months: years.saturating_mul(12), days: None }
    }

    pub fn months(months: i64) -> Age {
        Age { months, days: None }
    }

    pub fn days(days: i64) -> Age {
        Age { months: days / 30, days: Some(days) }
    }

    /// Whole years, rounded down.
    pub fn in_years(self) -> i64 {
        self.months / 12
    }

    /// In years, a fraction for the very young; a year counts as 365 days.
    pub fn as_years(self) -> f64 {
        self.days.map_or(self.months as f64 / 12.0, |days| days as f64 / 365.0)
    }

    /// In days; a month counts as 30, a year as 365.
    pub fn in_days(self) -> i64 {
        self.days.unwrap_or(self.months / 12 * 365 + self.months % 12 * 30)
    }
}

/// A newborn is younger than so many days (WHO: the neonatal period is the first 28 days of life).
const NEWBORN_DAYS: i64 = 28;

/// The latest age said of this patient, and where; a child scored by Apgar's items, or first spoken of after a delivery in
/// this call, was just born.
pub fn of(ledger: &Ledger, patient: i64) -> Option<(Age, &Entry)> {
    let born = || just_born(ledger, patient).or_else(|| born_here(ledger, patient));
    said(ledger, patient).or_else(|| born().map(|entry| (Age::days(0), entry)))
}

/// In the first weeks of life.
pub fn newborn(ledger: &Ledger, patient: i64) -> bool {
    of(ledger, patient).is_some_and(|(age, _)| age.in_days() < NEWBORN_DAYS)
}

/// The delivery of another patient after which this one was first spoken of.
pub fn born_here(ledger: &Ledger, patient: i64) -> Option<&Entry> {
    let mothers = |e: &&Entry| e.finding.is(Field::Name, "delivery") && e.finding.patient() < patient;
    let delivery = ledger.all_of(Kind::Procedure).find(mothers)?;
    let met_before = ledger.standing().take_while(|e| e.seq < delivery.seq).any(|e| e.finding.patient() == patient);
    (!met_before).then_some(delivery)
}

/// The score of a child just born. In its mother's record it is the child's and not hers.
pub fn just_born(ledger: &Ledger, patient: i64) -> Option<&Entry> {
    let delivered = |e: &Entry| e.finding.is(Field::Name, "delivery");
    let mother =
        ledger.of(Kind::Procedure, patient).any(delivered) || ledger.latest(Kind::Pregnancy, patient).is_some();
    ledger.of(Kind::Apgar, patient).next().filter(|_| !mother)
}

fn said(ledger: &Ledger, patient: i64) -> Option<(Age, &Entry)> {
    ledger.of(Kind::Patient, patient).rev().find_map(|entry| Some((told(&entry.finding)?, entry)))
}

/// The age that a finding tells.
pub fn told(f: &Finding) -> Option<Age> {
    (f.int(Field::AgeYears).map(Age::years))
        .or_else(|| f.int(Field::AgeMonths).map(Age::months))
        .or_else(|| f.int(Field::AgeDays).map(Age::days))
}
