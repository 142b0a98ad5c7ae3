//! How long an oxygen cylinder lasts: (gauge psi - safe residual) x factor / litres a minute.
//!
//! Factors in litres per psi: D 0.16, E 0.28, M 1.56, G 2.41, H 3.14 (EMT textbook table, as quoted in a public state
//! cylinder sheet; 200 psi residual is usual, some services keep 500, from memory).

use crate::core::decimal::Decimal;

/// Litres of gas per psi of gauge pressure, times 100; `None` for an unknown size.
pub fn factor(size: &str) -> Option<Decimal> {
    let hundredths = match size {
        "d" => 16,
        "e" => 28,
        "m" => 156,
        "g" => 241,
        "h" | "k" => 314,
        _ => return None,
    };
    Some(Decimal::new(hundredths, 2))
}

/// Usable litres; at or below the residual there are none, never fewer.
pub fn litres(size: &str, psi: i64, residual_psi: i64) -> Option<Decimal> {
    factor(size)?.checked_mul(Decimal::from_int(psi.saturating_sub(residual_psi).max(0)))
}

/// Minutes at a steady flow, to 0.1. `None` for an unknown size or no flow.
pub fn minutes(size: &str, psi: i64, residual_psi: i64, flow_l_per_min: Decimal) -> Option<Decimal> {
    let flow = flow_l_per_min.as_f64();
    if flow <= 0.0 {
        return None;
    }
    Decimal::from_f64(litres(size, psi, residual_psi)?.as_f64() / flow, 1)
}

/// The month in which a cylinder tested in (year, month) must be tested again.
///
/// US steel and aluminium cylinders: 5 years; star-marked steel 10 (49 CFR 180.209, from memory).
pub fn test_due((year, month): (i32, u32), interval_years: i32) -> (i32, u32) {
    (year.saturating_add(interval_years), month)
}
