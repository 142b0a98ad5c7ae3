//! Rules in plain words, for whoever must approve them.

use super::model::{AgeTest, Concern, Condition, Drug, NumberTest, Rule, Unknown};

/// A rule as one sentence.
pub fn rule(rule: &Rule) -> String {
    let does = match rule.effect {
        super::model::Effect::Hold => "holds",
        super::model::Effect::Ask => "asks first",
    };
    let unknown = match rule.unknown {
        Unknown::Ask => "asks when not established",
        Unknown::Stop => "holds when not established",
        Unknown::Note => "says nothing when not established",
    };
    format!("{} {does} when {}; {unknown}", rule.drug, condition(&rule.condition))
}

/// A drug as one sentence.
pub fn drug(drug: &Drug) -> String {
    let (forms, routes) = (drug.forms.join(", "), drug.routes.join(" or "));
    format!("{forms}, {routes}, for {}", drug.indications.join(", "))
}

/// A concern as one sentence.
pub fn concern(concern: &Concern) -> String {
    let when = condition(&concern.condition);
    format!("says \"{}\" after {} when {when}", concern.say, concern.after.join(" or "))
}

fn name(of: &str) -> String {
    of.replace(['.', '_'], " ")
}

fn condition(c: &Condition) -> String {
    let list = |all: &[Condition], word: &str| all.iter().map(condition).collect::<Vec<_>>().join(word);
    match c {
        Condition::Number(test) => number(test),
        Condition::Drop(t) => match (t.by, t.by_fraction) {
            (Some(by), _) => format!("{} fell {by} or more below the first", name(&t.of)),
            (None, part) => format!("{} fell by {} of the first", name(&t.of), part.unwrap_or(0.into())),
        },
        Condition::Word(t) => format!("{} is {}", name(&t.of), t.is.join(" or ")),
        Condition::Flag(t) => format!("{} is {}", name(&t.of), if t.is { "yes" } else { "no" }),
        Condition::Named(t) => format!("{} names {}", t.kinds.join(" or "), t.names.join(", ").replace('_', " ")),
        Condition::Text(t) => format!("{} mentions {}", t.kinds.join(" or "), t.words.join(", ")),
        Condition::Use(t) => {
            let more: Vec<String> = t.hours_of.iter().map(|(drug, hours)| format!(", {drug} {hours}")).collect();
            format!("{} taken within {} hours{}", name(&t.class), t.hours, more.concat())
        }
        Condition::Allergy(t) => {
            let class = t.class.iter().map(|class| format!("a {}", name(class)));
            let names: Vec<String> = t.names.iter().map(|n| name(n)).chain(class).collect();
            match names.is_empty() {
                true => "allergic to it".into(),
                false => format!("allergic to {}", names.join(" or ")),
            }
        }
        Condition::Age(AgeTest { below_years, at_least_years }) => {
            let below = below_years.map(|y| format!("younger than {y} years"));
            let above = at_least_years.map(|y| format!("{y} years or older"));
            above.into_iter().chain(below).collect::<Vec<_>>().join(", ")
        }
        Condition::Told(lines) => format!("told: {}", lines.join(" or ")),
        Condition::Any(all) => list(all, ", or "),
        Condition::All(all) => list(all, ", and "),
        Condition::Not(inner) => format!("not ({})", condition(inner)),
    }
}

fn number(t: &NumberTest) -> String {
    let bounds = [("below", t.below), ("at most", t.at_most), ("above", t.above), ("at least", t.at_least)];
    let bounds: Vec<String> = bounds.iter().filter_map(|(word, n)| n.map(|n| format!("{word} {n}"))).collect();
    let age = t.max_age_min.map(|min| format!(", no older than {min} minutes")).unwrap_or_default();
    let since = if t.since_dose { ", since the last dose" } else { "" };
    format!("{} {}{age}{since}", name(&t.of), bounds.join(" and "))
}
