//! Rules in plain words, for whoever must approve them.

use crate::core::decimal::Decimal;

use super::model::{AgeTest, Clock, Concern, Condition, Dose, Drug, Maximum, NumberTest, Rule, Unknown};

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

/// A dose row as one sentence: for whom, the figures, and what is spoken.
pub fn dose(dose: &Dose) -> String {
    let unit = &dose.unit;
    let list = |amounts: &[Decimal]| amounts.iter().map(ToString::to_string).collect::<Vec<_>>().join(" or ");
    let within = match (dose.min, dose.max) {
        (Some(min), Some(max)) => Some(format!("{min} to {max} {unit}")),
        (Some(min), None) => Some(format!("at least {min} {unit}")),
        (None, Some(max)) => Some(format!("at most {max} {unit}")),
        (None, None) => None,
    };
    let amounts = (!dose.amounts.is_empty()).then(|| format!("{} {unit}", list(&dose.amounts)));
    let weighed = dose.per_kg.map(|per_kg| format!("{per_kg} {unit} a kilogram"));
    let figures: Vec<String> = [amounts, weighed, within].into_iter().flatten().collect();
    let only = (!dose.only.is_empty()).then(|| dose.only.join(" or ").replace('_', " "));
    let age = dose.age.as_ref().map(|test| condition(&Condition::Age(test.clone())));
    let least = dose.min_weight.map(|w| format!("{} kg ({} lb) or more", w.kg, w.lb));
    let below = dose.below_weight.map(|w| format!("below {} kg ({} lb)", w.kg, w.lb));
    let whom: Vec<String> = [only, age, least, below].into_iter().flatten().collect();
    let whom = if whom.is_empty() { String::new() } else { format!(" ({})", whom.join(", ")) };
    format!("{}{whom}: {}, said \"{}\"", dose.drug, figures.join(", "), dose.spoken)
}

/// A maximum as one sentence.
pub fn maximum(most: &Maximum) -> String {
    let doses = most.doses.map(|n| if n == 1 { "one dose".into() } else { format!("{n} doses") });
    let total = most.total.map(|n| format!("{n} {}", most.unit.as_deref().unwrap_or_default()));
    let most_of: Vec<String> = doses.into_iter().chain(total).collect();
    format!("at most {} of {} in {} hours", most_of.join(", "), most.drug, most.within_hours)
}

/// A clock as one sentence.
pub fn clock(clock: &Clock) -> String {
    let at: Vec<String> = clock.at_min.iter().map(|at| format!("after {at} minutes")).collect();
    let every = clock.every_min.map(|min| format!("every {min} minutes"));
    let stable = clock.stable_min.map(|min| format!("of a stable patient after {min} minutes"));
    let when: Vec<String> = at.into_iter().chain(every).chain(stable).collect();
    format!("{} {}: \"{}\"", clock.about.replace('_', " "), when.join(", "), clock.say)
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
