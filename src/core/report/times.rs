//! Milestones and the intervals between them, by their published names.
//!
//! Interval definitions: NASEMSO as carried by NEMSIS v3.5.1 (eTimes.03, .05, .06, .07, .09, .11, .12): chute
//! .05 - .03, response .06 - .03, scene .09 - .06, patient-scene .09 - .07, transport .11 - .09, wall .12 - .11.

use chrono::{DateTime, FixedOffset};

use super::call::{Call, happened};
use crate::core::finding::{Field, Kind};

/// The milestones in the order in which they must fall.
pub const MILESTONES: [&str; 8] = [
    "dispatched",
    "en_route",
    "on_scene",
    "at_patient",
    "depart_scene",
    "at_destination",
    "transfer_of_care",
    "in_service",
];

/// Name, first milestone, last milestone.
pub const INTERVALS: [(&str, &str, &str); 6] = [
    ("chute", "dispatched", "en_route"),
    ("response", "dispatched", "on_scene"),
    ("scene", "on_scene", "depart_scene"),
    ("patient-scene", "at_patient", "depart_scene"),
    ("transport", "depart_scene", "at_destination"),
    ("wall", "at_destination", "transfer_of_care"),
];

/// One milestone as recorded: the first that stands.
#[derive(Clone, Debug, PartialEq)]
pub struct Milestone {
    pub name: &'static str,
    pub at: DateTime<FixedOffset>,
    pub seq: u64,
    /// The record gives another time than that of the words.
    pub said: bool,
}

/// One interval whose two ends are known.
#[derive(Clone, Debug, PartialEq)]
pub struct Interval {
    pub name: &'static str,
    /// Negative where the record's times are out of order.
    pub seconds: i64,
    pub seqs: [u64; 2],
}

/// The milestones of the call, in their proper order.
pub fn milestones(call: &Call) -> Vec<Milestone> {
    let first = |name: &'static str| {
        call.ledger.standing().find(|e| e.finding.kind() == Kind::Milestone && e.finding.is(Field::Name, name)).map(
            |e| Milestone { name, at: happened(e).at, seq: e.seq, said: e.finding.get(Field::HappenedAt).is_some() },
        )
    };
    MILESTONES.into_iter().filter_map(first).collect()
}

/// The intervals that the milestones allow.
pub fn intervals(milestones: &[Milestone]) -> Vec<Interval> {
    let find = |name: &str| milestones.iter().find(|m| m.name == name);
    INTERVALS
        .into_iter()
        .filter_map(|(name, from, to)| {
            let (from, to) = (find(from)?, find(to)?);
            Some(Interval { name, seconds: (to.at - from.at).num_seconds(), seqs: [from.seq, to.seq] })
        })
        .collect()
}

/// `1:37`, `1:02:03`, `-0:30`: minutes and seconds, hours where needed.
pub fn minutes_seconds(seconds: i64) -> String {
    let sign = if seconds < 0 { "-" } else { "" };
    let s = seconds.unsigned_abs();
    if s >= 3600 {
        format!("{sign}{}:{:02}:{:02}", s / 3600, s / 60 % 60, s % 60)
    } else {
        format!("{sign}{}:{:02}", s / 60, s % 60)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_published_worked_case() {
        // NEMSIS v3.5 compliance test case "2025-EMS-1-Overdose" and the NASEMSO interval definitions.
        let times = [
            ("dispatched", "20:22:01"),
            ("en_route", "20:23:38"),
            ("on_scene", "20:25:53"),
            ("at_patient", "20:26:07"),
            ("depart_scene", "20:35:22"),
            ("at_destination", "20:54:03"),
            ("transfer_of_care", "20:58:00"),
        ];
        let milestones: Vec<Milestone> = times
            .iter()
            .map(|(name, time)| Milestone {
                name: MILESTONES.into_iter().find(|m| m == name).unwrap(),
                at: DateTime::parse_from_rfc3339(&format!("2025-02-01T{time}-05:00")).unwrap(),
                seq: 1,
                said: false,
            })
            .collect();
        let shown: Vec<(&str, String)> =
            intervals(&milestones).into_iter().map(|i| (i.name, minutes_seconds(i.seconds))).collect();
        let expected = [
            ("chute", "1:37"),
            ("response", "3:52"),
            ("scene", "9:29"),
            ("patient-scene", "9:15"),
            ("transport", "18:41"),
            ("wall", "3:57"),
        ];
        assert_eq!(shown, expected.map(|(n, t)| (n, t.to_string())));
    }
}
