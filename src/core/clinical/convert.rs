//! Conversions between the units crews speak in, and weights compared in the unit that was said.

use crate::core::decimal::Decimal;
use crate::core::finding::{Field, Finding, Kind, Value};
use crate::core::ledger::Ledger;

/// Kilograms in one pound, exactly (international avoirdupois pound, 1959).
pub const KG_PER_LB: f64 = 0.453_592_37;
/// mg/dL of glucose in one mmol/L (molar mass 180.16 g/mol).
pub const MG_PER_DL_PER_MMOL: f64 = 18.016;

/// Degrees Celsius from Fahrenheit, to 0.1 (98.6 F = 37.0 C).
pub fn celsius(fahrenheit: Decimal) -> Option<Decimal> {
    Decimal::from_f64((fahrenheit.as_f64() - 32.0) * 5.0 / 9.0, 1)
}

/// Degrees Fahrenheit from Celsius, to 0.1 (38.5 C = 101.3 F).
pub fn fahrenheit(celsius: Decimal) -> Option<Decimal> {
    Decimal::from_f64(celsius.as_f64() * 9.0 / 5.0 + 32.0, 1)
}

/// Glucose in mmol/L from mg/dL, to 0.01 (142 mg/dL = 7.88 mmol/L).
pub fn mmol_per_l(mg_per_dl: Decimal) -> Option<Decimal> {
    Decimal::from_f64(mg_per_dl.as_f64() / MG_PER_DL_PER_MMOL, 2)
}

/// Glucose in whole mg/dL from mmol/L (3.9 mmol/L = 70 mg/dL).
pub fn mg_per_dl(mmol_per_l: Decimal) -> Option<Decimal> {
    Decimal::from_f64(mmol_per_l.as_f64() * MG_PER_DL_PER_MMOL, 0)
}

/// Kilograms from pounds, to 0.01 (66 lb = 29.94 kg).
pub fn kilograms(pounds: Decimal) -> Option<Decimal> {
    Decimal::from_f64(pounds.as_f64() * KG_PER_LB, 2)
}

/// A body weight with the unit it was said in.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Weight {
    pub kg: Decimal,
    /// The pounds that were said, if it was pounds.
    pub lb: Option<Decimal>,
    pub approximate: bool,
}

impl Weight {
    /// Whether this weight reaches `label_kg`, compared in the unit that was said.
    ///
    /// Labels print "30 kg (66 lb)" while 66 lb is 29.94 kg: converting first would put a child on the wrong side.
    /// Pounds are compared with the label's own pounds, which is the kilograms' equal to the nearest whole pound
    /// (30 = 66, 15 = 33, 41 = 90).
    pub fn at_least(&self, label_kg: Decimal) -> bool {
        match (self.lb, Decimal::from_f64(label_kg.as_f64() / KG_PER_LB, 0)) {
            (Some(lb), Some(label_lb)) => lb >= label_lb,
            _ => self.kg >= label_kg,
        }
    }

    /// The weight that a `patient` finding carries.
    pub fn of(finding: &Finding) -> Option<Weight> {
        let kg = finding.number(Field::WeightKg)?;
        let lb = match finding.get(Field::WeightSaid) {
            Some(Value::Group(said)) => pounds(said),
            _ => None,
        };
        Some(Weight { kg, lb, approximate: finding.flag(Field::Approximate) == Some(true) })
    }

    /// The latest weight said of this patient, with the event that said it.
    pub fn latest(ledger: &Ledger, patient: i64) -> Option<(Weight, u64)> {
        ledger.of(Kind::Patient, patient).rev().find_map(|e| Some((Weight::of(&e.finding)?, e.seq)))
    }
}

/// The number in a `weight_said` group whose unit is pounds.
fn pounds(said: &[(String, Value)]) -> Option<Decimal> {
    let unit = said.iter().find_map(|(key, value)| (key == "unit").then(|| value.as_text()).flatten())?;
    let number = said.iter().find_map(|(_, value)| value.as_number())?;
    matches!(unit, "lb" | "lbs" | "pound" | "pounds").then_some(number)
}
