//! Rule of nines (Wallace, Lancet 1951;1:501-504): how much of the body's surface is burnt.
//!
//! Child: head and neck 18, legs 13.5 each (usual US teaching, from memory); trunk and arms as the adult. Superficial
//! burns (red only) are not counted (from memory). The patient's palm with fingers is about 1 %.

use std::collections::BTreeSet;

use crate::core::decimal::Decimal;

/// Parts small enough to be named alone, with tenths of a percent for adult and child. Each list sums to 1000.
const PARTS: [(&str, i64, i64); 15] = [
    ("head_front", 45, 90),
    ("head_back", 45, 90),
    ("chest", 90, 90),
    ("abdomen", 90, 90),
    ("upper_back", 90, 90),
    ("lower_back", 90, 90),
    ("groin", 10, 10),
    ("left_arm_front", 45, 45),
    ("left_arm_back", 45, 45),
    ("right_arm_front", 45, 45),
    ("right_arm_back", 45, 45),
    ("left_leg_front", 90, 68),
    ("left_leg_back", 90, 67),
    ("right_leg_front", 90, 68),
    ("right_leg_back", 90, 67),
];

/// The parts a region's name covers; `None` for a name the rule gives no share.
fn parts(region: &str) -> Option<Vec<&'static str>> {
    let wanted: &[&str] = match region {
        "head" | "head_and_neck" => &["head_front", "head_back"],
        "face" => &["head_front"],
        "trunk_front" | "front_trunk" | "torso_front" => &["chest", "abdomen"],
        "back" | "trunk_back" | "back_trunk" => &["upper_back", "lower_back"],
        "trunk" | "torso" => &["chest", "abdomen", "upper_back", "lower_back"],
        "perineum" | "genitals" | "genitalia" => &["groin"],
        "arms" | "both_arms" => &["left_arm_front", "left_arm_back", "right_arm_front", "right_arm_back"],
        "legs" | "both_legs" => &["left_leg_front", "left_leg_back", "right_leg_front", "right_leg_back"],
        "left_arm" => &["left_arm_front", "left_arm_back"],
        "right_arm" => &["right_arm_front", "right_arm_back"],
        "left_leg" => &["left_leg_front", "left_leg_back"],
        "right_leg" => &["right_leg_front", "right_leg_back"],
        other => return PARTS.iter().find(|(name, ..)| *name == other).map(|(name, ..)| vec![*name]),
    };
    Some(wanted.to_vec())
}

/// Percent of the body's surface that `regions` cover, each part counted once; an unknown name is returned as the error.
///
/// The child's half legs are 6.8 and 6.7, so that a whole leg is the published 13.5.
pub fn percent<'a>(regions: impl IntoIterator<Item = &'a str>, child: bool) -> Result<Decimal, &'a str> {
    let mut burnt = BTreeSet::new();
    for region in regions {
        burnt.extend(parts(region).ok_or(region)?);
    }
    let tenths = |(name, adult, young): &(&str, i64, i64)| {
        if !burnt.contains(name) {
            0
        } else if child {
            *young
        } else {
            *adult
        }
    };
    Ok(Decimal::new(PARTS.iter().map(tenths).sum(), 1))
}
