//! Arithmetic of pulse and pressure. A palpated pressure has no diastolic: what needs one is not computed.

use crate::core::decimal::Decimal;

/// Mean arterial pressure in mmHg to 0.1: (systolic + 2 x diastolic) / 3 (120/80 = 93.3).
pub fn mean_pressure(systolic: i64, diastolic: i64) -> Option<Decimal> {
    let sum = diastolic.checked_mul(2)?.checked_add(systolic)?;
    Decimal::from_f64(sum as f64 / 3.0, 1)
}

/// Systolic minus diastolic, mmHg.
pub fn pulse_pressure(systolic: i64, diastolic: i64) -> i64 {
    systolic.saturating_sub(diastolic)
}

/// A pulse pressure below a quarter of the systolic is narrow (ATLS teaching, from memory).
pub fn narrow(systolic: i64, diastolic: i64) -> bool {
    pulse_pressure(systolic, diastolic).saturating_mul(4) < systolic
}

/// Pulse / systolic to 0.01 (Allgoewer and Burri 1967; adult normal 0.5-0.7; 110/80 = 1.38). `None` without a pressure.
pub fn shock_index(pulse: i64, systolic: i64) -> Option<Decimal> {
    (systolic > 0).then(|| Decimal::from_f64(pulse as f64 / systolic as f64, 2)).flatten()
}

/// The pediatric shock index is raised above this for the age: 4-6 years 1.22, 7-12 years 1.0, 13-16 years 0.9
/// (Acker et al., J Pediatr Surg 2015;50:331-334). `None` outside 4-16 years.
pub fn sipa_cut(years: i64) -> Option<Decimal> {
    match years {
        4..=6 => Some(Decimal::new(122, 2)),
        7..=12 => Some(Decimal::from_int(1)),
        13..=16 => Some(Decimal::new(9, 1)),
        _ => None,
    }
}

/// Whether pulse / systolic is above the cut for the age, compared without rounding; `None` outside 4-16 years.
pub fn sipa_raised(pulse: i64, systolic: i64, years: i64) -> Option<bool> {
    let cut = sipa_cut(years)?.checked_mul(Decimal::from_int(systolic))?;
    (systolic > 0).then(|| Decimal::from_int(pulse) > cut)
}

/// The systolic pressure below which a patient of this age is hypotensive, mmHg: 60 in the first 28 days, 70 to one
/// year, 70 + 2 x age from one to ten, 90 from ten years (PALS 2015; adults NASEMSO v3.0 shock, as transcribed by a
/// third party).
pub fn hypotension_below(age: super::age::Age) -> i64 {
    match age.in_years() {
        _ if age.days.is_some_and(|days| days <= 28) || age.months == 0 => 60,
        0 => 70,
        years @ 1..=9 => 70 + 2 * years,
        _ => 90,
    }
}
