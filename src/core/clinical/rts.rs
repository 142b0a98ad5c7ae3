//! Revised Trauma Score (Champion et al., J Trauma 1989;29:623-629).
//!
//! Fast breathing (over 29) codes 3, not 4.

use crate::core::decimal::Decimal;

/// The coded values, 0 to 4 each.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Rts {
    pub gcs: i64,
    pub systolic: i64,
    pub respirations: i64,
}

impl Rts {
    /// Triage score: the sum, 0 to 12.
    pub fn triage(&self) -> i64 {
        self.gcs + self.systolic + self.respirations
    }

    /// 0.9368 G + 0.7326 S + 0.2908 R, 0 to 7.8408.
    pub fn weighted(&self) -> Decimal {
        Decimal::new(9368 * self.gcs + 7326 * self.systolic + 2908 * self.respirations, 4)
    }

    /// Triage use: 12 delayed, 11 urgent, 3-10 immediate, below that dead.
    pub fn band(&self) -> &'static str {
        match self.triage() {
            12.. => "delayed",
            11 => "urgent",
            3..=10 => "immediate",
            _ => "dead",
        }
    }
}

/// Codes one set, or names what is missing: GCS 3-15, systolic mmHg, breaths per minute.
pub fn rts(gcs: Option<i64>, systolic: Option<i64>, respirations: Option<i64>) -> Result<Rts, Vec<&'static str>> {
    let (Some(gcs), Some(systolic), Some(rate)) = (gcs, systolic, respirations) else {
        let said =
            [("gcs", gcs.is_some()), ("blood_pressure", systolic.is_some()), ("respirations", respirations.is_some())];
        return Err(said.iter().filter(|(_, said)| !said).map(|(name, _)| *name).collect());
    };
    let gcs = match gcs {
        13.. => 4,
        9..=12 => 3,
        6..=8 => 2,
        4..=5 => 1,
        _ => 0,
    };
    let systolic = match systolic {
        90.. => 4,
        76..=89 => 3,
        50..=75 => 2,
        1..=49 => 1,
        _ => 0,
    };
    let respirations = match rate {
        30.. => 3,
        10..=29 => 4,
        6..=9 => 2,
        1..=5 => 1,
        _ => 0,
    };
    Ok(Rts { gcs, systolic, respirations })
}
