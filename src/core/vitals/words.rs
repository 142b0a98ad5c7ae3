//! This room's rows in plain words, for whoever must approve them.

use super::limits::Limit;
use super::trends::Trend;
use super::{Level, VitalsRules};
use crate::core::dataset::{Entry, Head};

/// The row with this id (or the one that replaces it) as one sentence.
pub fn in_words(rules: &VitalsRules, id: &str) -> Option<String> {
    let is = |head: &Head| head.id == id || head.replaces.as_deref() == Some(id);
    if let Some(row) = rules.limits.iter().find(|e| is(&e.head)) {
        return Some(limit(&row.body));
    }
    if let Some(row) = rules.trends.iter().find(|e| is(&e.head)) {
        return Some(trend(&row.body));
    }
    if let Some(Entry { body, .. }) = rules.devices.iter().find(|e| is(&e.head)) {
        let device = body.device.replace('_', " ");
        return Some(format!("{device} goes with {} to {} litres a minute", body.least_l_per_min, body.most_l_per_min));
    }
    if let Some(Entry { body, .. }) = rules.targets.iter().find(|e| is(&e.head)) {
        let history = body.history.join(" or ").replace('_', " ");
        return Some(format!("with {history} a saturation of {} or more on oxygen is named", body.at_least));
    }
    if let Some(Entry { body, .. }) = rules.cylinders.iter().find(|e| is(&e.head)) {
        let (minutes, psi) = (body.warn_minutes, body.residual_psi);
        return Some(format!("warns {minutes} minutes before a cylinder reaches {psi} psi"));
    }
    let set = rules.set.as_ref().filter(|e| is(&e.head))?;
    let (seconds, minutes) = (set.body.gather_seconds, set.body.max_age_minutes);
    Some(format!("vital signs within {seconds} seconds are one set; after {minutes} minutes they say nothing"))
}

fn limit(row: &Limit) -> String {
    let numbers = [("below", row.below), ("at most", row.at_most), ("above", row.above), ("at least", row.at_least)];
    let mut what: Vec<String> = numbers.iter().filter_map(|(word, n)| n.map(|n| format!("{word} {n}"))).collect();
    what.extend(row.per_year.map(|n| format!("plus {n} for every year of age")));
    what.extend((!row.words.is_empty()).then(|| row.words.join(" or ")));
    let ages = if row.ages.is_empty() { "every age".to_string() } else { row.ages.join(", ") };
    let level = match row.level {
        Level::Stable => "stable",
        Level::PotentiallyUnstable => "potentially unstable",
        Level::Unstable => "unstable",
    };
    let name = format!("{} {}", row.finding, row.field).replace('_', " ");
    format!("{name} {} is \"{}\", {level} ({ages})", what.join(" "), row.phrase)
}

fn trend(row: &Trend) -> String {
    let within = row.within_minutes.map(|m| format!(" within {m} minutes")).unwrap_or_default();
    let change = [("falls", row.fall), ("rises", row.rise)];
    let change = change.iter().filter_map(|(word, n)| n.map(|n| format!("{word} by {n}{within}")));
    let bounds = [("below", row.below), ("above", row.above), ("at least", row.at_least)];
    let bounds = bounds.iter().filter_map(|(word, n)| n.map(|n| format!("is {word} {n}")));
    let all: Vec<String> = change.chain(bounds).collect();
    format!("speaks when the {} {}", row.measure.name(), all.join(" and "))
}
