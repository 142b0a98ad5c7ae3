//! National Early Warning Score 2 (Royal College of Physicians, *National Early Warning Score (NEWS) 2*, London,
//! December 2017, ISBN 978-1-86016-682-2, Chart 1).
//!
//! Not for patients under 16 or pregnant (from memory). Scale 2 for the saturation only where a competent clinician has
//! set it (hypercapnic respiratory failure, target 88-92 %): used wrongly it hides hypoxaemia.

use crate::core::decimal::Decimal;

/// Level of consciousness as NEWS2 counts it: `Other` is new confusion, voice, pain or unresponsive.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Consciousness {
    Alert,
    Other,
}

#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Scale {
    #[default]
    One,
    Two,
}

/// One set of observations; `None` was not measured.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Observations {
    /// Breaths per minute.
    pub respirations: Option<i64>,
    /// Percent.
    pub saturation: Option<i64>,
    pub on_oxygen: Option<bool>,
    /// mmHg.
    pub systolic: Option<i64>,
    /// Beats per minute.
    pub pulse: Option<i64>,
    pub consciousness: Option<Consciousness>,
    /// Degrees Celsius; rounded to 0.1 before it is looked up, as the chart knows nothing finer.
    pub temperature: Option<Decimal>,
    pub scale: Scale,
}

/// The sub-scores in the chart's order: respirations, saturation, oxygen, pressure, pulse, consciousness, temperature.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct News2 {
    pub parts: [u8; 7],
}

pub const PARTS: [&str; 7] =
    ["respirations", "oxygen_saturation", "air_or_oxygen", "blood_pressure", "pulse", "consciousness", "temperature"];

impl News2 {
    /// 0 to 20.
    pub fn total(&self) -> u8 {
        self.parts.iter().sum()
    }

    /// `low`, `low-medium` (one part alone scores 3), `medium` (5-6), `high` (7 and over).
    pub fn band(&self) -> &'static str {
        match self.total() {
            7.. => "high",
            5..=6 => "medium",
            _ if self.parts.contains(&3) => "low-medium",
            _ => "low",
        }
    }
}

/// The score of a whole set, or the names of what is missing, in the chart's order.
pub fn news2(o: &Observations) -> Result<News2, Vec<&'static str>> {
    let tenths = o.temperature.and_then(|t| Decimal::from_f64(t.as_f64() * 10.0, 0)).and_then(Decimal::as_int);
    let (Some(rate), Some(saturation), Some(oxygen), Some(systolic), Some(pulse), Some(mind), Some(tenths)) =
        (o.respirations, o.saturation, o.on_oxygen, o.systolic, o.pulse, o.consciousness, tenths)
    else {
        let said = [
            o.respirations.is_some(),
            o.saturation.is_some(),
            o.on_oxygen.is_some(),
            o.systolic.is_some(),
            o.pulse.is_some(),
            o.consciousness.is_some(),
            o.temperature.is_some(),
        ];
        return Err(PARTS.iter().zip(said).filter(|(_, said)| !said).map(|(name, _)| *name).collect());
    };
    let parts = [
        respirations(rate),
        match o.scale {
            Scale::One => saturation_scale_1(saturation),
            Scale::Two => saturation_scale_2(saturation, oxygen),
        },
        if oxygen { 2 } else { 0 },
        pressure(systolic),
        pulse_points(pulse),
        if mind == Consciousness::Alert { 0 } else { 3 },
        temperature(tenths),
    ];
    Ok(News2 { parts })
}

fn respirations(per_minute: i64) -> u8 {
    match per_minute {
        ..=8 => 3,
        9..=11 => 1,
        12..=20 => 0,
        21..=24 => 2,
        _ => 3,
    }
}

fn saturation_scale_1(percent: i64) -> u8 {
    match percent {
        ..=91 => 3,
        92..=93 => 2,
        94..=95 => 1,
        _ => 0,
    }
}

fn saturation_scale_2(percent: i64, oxygen: bool) -> u8 {
    match percent {
        ..=83 => 3,
        84..=85 => 2,
        86..=87 => 1,
        88..=92 => 0,
        _ if !oxygen => 0,
        93..=94 => 1,
        95..=96 => 2,
        _ => 3,
    }
}

fn pressure(systolic_mmhg: i64) -> u8 {
    match systolic_mmhg {
        ..=90 => 3,
        91..=100 => 2,
        101..=110 => 1,
        111..=219 => 0,
        _ => 3,
    }
}

fn pulse_points(per_minute: i64) -> u8 {
    match per_minute {
        ..=40 => 3,
        41..=50 => 1,
        51..=90 => 0,
        91..=110 => 1,
        111..=130 => 2,
        _ => 3,
    }
}

/// The hot side never scores 3.
fn temperature(tenths_celsius: i64) -> u8 {
    match tenths_celsius {
        ..=350 => 3,
        351..=360 => 1,
        361..=380 => 0,
        381..=390 => 1,
        _ => 2,
    }
}
