//! Everything wrong with the entries taken together: what names nothing, can never hold, can never be given, or must not
//! be spoken.

use crate::core::condition as told;
use crate::core::dataset::Entry;
use crate::core::decimal::Decimal;
use crate::core::diagnostic::{Diagnostic, Severity};
use crate::core::finding::{Field, Kind, Value, schema};
use crate::core::prompt;

use super::facts::field_ref;
use super::model::{Clock, Concern, Condition, Dose, Interval, Maximum, Recheck, Rule, Unknown, Weight};
use super::{Protocol, finding_of, reach};

/// The `[[word_list]]` of words that a driver or a compressor would take for orders.
const ORDERS: &str = "taken_for_orders";

/// How many thousandths a weight's two printed figures may differ: 66 lb is printed for 30 kg, 2.2 lb for 1 kg.
const WEIGHTS_DIFFER_PERMILLE: i64 = 20;
/// Pounds in a kilogram, in hundredths (NIST Handbook 44, appendix C: 2.204 623).
const LB_PER_100_KG: i64 = 220;

impl Protocol {
    /// Everything wrong with the entries taken together.
    pub fn problems(&self) -> Vec<Diagnostic> {
        let mut out = self.drugs_unknown();
        out.extend(self.rules.iter().flat_map(|rule| self.rule_problems(rule)));
        out.extend(self.doses.iter().flat_map(|d| told_of(d, dose_problems(&d.body))));
        out.extend(self.intervals.iter().flat_map(|i| told_of(i, interval_problems(&i.body))));
        out.extend(self.maximums.iter().flat_map(|m| told_of(m, maximum_problems(&m.body))));
        out.extend(self.rechecks.iter().flat_map(|r| told_of(r, recheck_problems(&r.body))));
        out.extend(self.clocks.iter().flat_map(|c| told_of(c, self.clock_problems(&c.body))));
        out.extend(self.concerns.iter().flat_map(|c| told_of(c, self.concern_problems(&c.body))));
        out.extend(self.sentence_problems());
        out
    }

    fn drugs_unknown(&self) -> Vec<Diagnostic> {
        let mut out = Vec::new();
        let mut look = |drug: &str, told: &dyn Fn(String) -> Diagnostic, id: &str| {
            if drug != "*" && !self.drugs.iter().any(|d| d.id() == drug) {
                let told = told(format!("`{id}` is about `{drug}`, which is no drug here"));
                out.push(told.hint("a drug is written `[[drug]]` with its generic name as id"));
            }
        };
        self.rules.iter().for_each(|e| look(&e.body.drug, &|m| e.error(m), e.id()));
        self.doses.iter().for_each(|e| look(&e.body.drug, &|m| e.error(m), e.id()));
        self.intervals.iter().for_each(|e| look(&e.body.drug, &|m| e.error(m), e.id()));
        self.maximums.iter().for_each(|e| look(&e.body.drug, &|m| e.error(m), e.id()));
        out
    }

    fn rule_problems(&self, rule: &Entry<Rule>) -> Vec<Diagnostic> {
        let mut out = told_of(rule, self.condition_problems(&rule.body.condition));
        if rule.body.unknown != Unknown::Note && rule.body.ask.is_none() {
            out.push(
                rule.error(format!("`{}` asks when unknown but has no `ask`", rule.id()))
                    .hint("write the words to be spoken, or `unknown = \"note\"`"),
            );
        }
        let say = [Some(&rule.body.say), rule.body.ask.as_ref()].into_iter().flatten();
        for slot in say.flat_map(|text| prompt::slots(text)) {
            if !["drug", "value", "name", "from"].contains(&slot.as_str()) {
                out.push(
                    rule.error(format!("`{}`: `{{{slot}}}` is no slot", rule.id()))
                        .hint("slots are {drug}, {value}, {name}, {from}"),
                );
            }
        }
        for text in [&rule.body.if_yes, &rule.body.if_no].into_iter().flatten() {
            if let Err(why) = finding_of(text) {
                out.push(rule.error(format!("`{}`: {why}", rule.id())).hint("write a finding as JSON"));
            }
        }
        out
    }

    fn clock_problems(&self, clock: &Clock) -> Vec<String> {
        let mut out = clock.only_if.as_ref().map(|c| self.condition_problems(c)).unwrap_or_default();
        out.extend(clock.at_min.iter().filter_map(|at| negative("at_min", *at)));
        out.extend(clock.stable_min.and_then(|at| not_above_nought("stable_min", at)));
        out.extend(clock.every_min.and_then(|at| not_above_nought("every_min", i64::from(at).into())));
        out.extend(clock.escalate_after_min.and_then(|at| not_above_nought("escalate_after_min", at)));
        if clock.at_min.is_empty() && clock.every_min.is_none() {
            out.push("it has neither `at_min` nor `every_min`: it can never be due".into());
        }
        out
    }

    fn concern_problems(&self, concern: &Concern) -> Vec<String> {
        let lines = concern.after.iter().chain(&concern.settled_by);
        let unread = lines.filter_map(|line| told::Condition::parse(line).err());
        let mut out: Vec<String> = self.condition_problems(&concern.condition).into_iter().chain(unread).collect();
        if concern.after.is_empty() {
            out.push("`after` is empty: it can never speak".into());
        }
        let slots = prompt::slots(&concern.say).into_iter();
        let unknown = slots.filter(|slot| !["value", "name"].contains(&slot.as_str()));
        out.extend(unknown.map(|slot| format!("`{{{slot}}}` is no slot; slots are {{value}}, {{name}}")));
        out
    }

    fn condition_problems(&self, condition: &Condition) -> Vec<String> {
        let mut out = self.names_problems(condition);
        out.extend(reach::never(condition));
        out
    }

    /// Kinds, fields and classes that are not there.
    fn names_problems(&self, condition: &Condition) -> Vec<String> {
        let field = |of: &str| match field_ref(of) {
            Some(_) => Vec::new(),
            None => vec![format!("`{of}` is no field of a finding, as `blood_pressure.systolic_mmhg` is")],
        };
        let kinds = |kinds: &[String]| {
            let unknown = kinds.iter().filter(|k| Kind::from_name(k).is_none());
            unknown.map(|k| format!("`{k}` is no known finding")).collect::<Vec<_>>()
        };
        let class = |name: &str| match self.classes.contains_key(name) {
            true => Vec::new(),
            false => vec![format!("`{name}` is no class")],
        };
        match condition {
            Condition::Number(t) => field(&t.of),
            Condition::Drop(t) => field(&t.of),
            Condition::Word(t) => field(&t.of),
            Condition::Flag(t) => {
                let unread = t.until.iter().filter_map(|line| told::Condition::parse(line).err());
                field(&t.of).into_iter().chain(unread).collect()
            }
            Condition::Named(t) => kinds(&t.kinds),
            Condition::Text(t) => {
                let unread = t.settled_by_told.iter().filter_map(|line| told::Condition::parse(line).err());
                kinds(&t.kinds).into_iter().chain(unread).collect()
            }
            Condition::Use(t) => class(&t.class),
            Condition::Allergy(t) => t.class.as_deref().map(class).unwrap_or_default(),
            Condition::Age(_) => Vec::new(),
            Condition::Told(lines) => lines.iter().filter_map(|line| told::Condition::parse(line).err()).collect(),
            Condition::Any(all) | Condition::All(all) => all.iter().flat_map(|c| self.condition_problems(c)).collect(),
            Condition::Not(inner) => self.condition_problems(inner),
        }
    }

    /// Spoken sentences that are long, or hold a word that somebody would take for an order.
    fn sentence_problems(&self) -> Vec<Diagnostic> {
        let orders = self.word_list(ORDERS);
        let mut out = Vec::new();
        let mut look = |texts: &[Option<&String>], id: &str, told: &dyn Fn(String) -> Diagnostic| {
            for text in texts.iter().flatten() {
                if let Some(word) = order_in(text, orders) {
                    let message = format!("`{id}` says `{word}`, which somebody would take for an order: \"{text}\"");
                    out.push(told(message).hint("write `hold`, or ask"));
                }
                if text.split_whitespace().count() > prompt::WORDS {
                    let message = format!("`{id}` says more than {} words: \"{text}\"", prompt::WORDS);
                    out.push(Diagnostic { severity: Severity::Warning, ..told(message) });
                }
            }
        };
        for e in &self.rules {
            let b = &e.body;
            look(&[Some(&b.say), b.say_aloud.as_ref(), b.ask.as_ref(), b.ask_aloud.as_ref()], e.id(), &|m| e.error(m));
        }
        for e in &self.rechecks {
            look(&[Some(&e.body.say), Some(&e.body.escalated)], e.id(), &|m| e.error(m));
        }
        for e in &self.clocks {
            look(&[Some(&e.body.say), e.body.escalated.as_ref()], e.id(), &|m| e.error(m));
        }
        for e in &self.concerns {
            look(&[Some(&e.body.say), e.body.say_aloud.as_ref()], e.id(), &|m| e.error(m));
        }
        for e in self.prompts.values() {
            look(&[Some(&e.body.say), e.body.say_aloud.as_ref()], e.id(), &|m| e.error(m));
        }
        out
    }
}

fn told_of<T>(entry: &Entry<T>, problems: Vec<String>) -> Vec<Diagnostic> {
    problems.into_iter().map(|m| entry.error(format!("`{}`: {m}", entry.id()))).collect()
}

fn dose_problems(dose: &Dose) -> Vec<String> {
    let mut out = Vec::new();
    out.extend(schema::problem(Kind::MedicationGiven, Field::Unit, &Value::text(&dose.unit)));
    let one = [("min", dose.min), ("max", dose.max), ("per_kg", dose.per_kg)];
    let figures = one.iter().filter_map(|(name, n)| n.map(|n| (*name, n)));
    let amounts = dose.amounts.iter().map(|n| ("amounts", *n));
    out.extend(figures.chain(amounts).filter_map(|(name, n)| not_above_nought(name, n)));
    if dose.amounts.is_empty() && dose.max.is_none() && dose.per_kg.is_none() {
        out.push("it says no dose (write `amounts`, `min` and `max`, or `per_kg`)".into());
    }
    if let (Some(min), Some(max)) = (dose.min, dose.max)
        && min > max
    {
        out.push(format!("`min` {min} is above `max` {max}"));
    }
    out.extend([dose.min_weight, dose.below_weight].into_iter().flatten().filter_map(weight_problem));
    out.extend(dose.age.as_ref().map(|age| reach::never(&Condition::Age(age.clone()))).into_iter().flatten());
    out
}

/// Both figures of a weight must be one weight, as printed.
fn weight_problem(weight: Weight) -> Option<String> {
    let pounds_by_kg = weight.kg.checked_mul(Decimal::new(LB_PER_100_KG, 2))?;
    let apart = weight.lb.checked_sub(pounds_by_kg)?.as_f64().abs();
    let allowed = pounds_by_kg.as_f64() * WEIGHTS_DIFFER_PERMILLE as f64 / 1000.0;
    (apart > allowed).then(|| format!("{} kg and {} lb are not one weight", weight.kg, weight.lb))
}

fn interval_problems(interval: &Interval) -> Vec<String> {
    not_above_nought("minutes", i64::from(interval.minutes).into()).into_iter().collect()
}

fn maximum_problems(most: &Maximum) -> Vec<String> {
    let mut out: Vec<String> =
        not_above_nought("within_hours", i64::from(most.within_hours).into()).into_iter().collect();
    out.extend(most.total.and_then(|total| not_above_nought("total", total)));
    out.extend(most.unit.iter().filter_map(|u| schema::problem(Kind::MedicationGiven, Field::Unit, &Value::text(u))));
    match (most.doses, most.total, &most.unit) {
        (None, None, _) => out.push("it has neither `doses` nor `total`: it can never be reached".into()),
        (_, Some(_), None) => out.push("`total` needs its `unit`".into()),
        _ => {}
    }
    out
}

fn recheck_problems(recheck: &Recheck) -> Vec<String> {
    let unknown = recheck.by.iter().filter(|by| Kind::from_name(by).is_none());
    let mut out: Vec<String> = unknown.map(|by| format!("`{by}` is no known finding")).collect();
    if recheck.by.is_empty() {
        out.push("`by` is empty: nothing settles it".into());
    }
    out
}

fn negative(name: &str, n: Decimal) -> Option<String> {
    (n < Decimal::from_int(0)).then(|| format!("`{name}` is {n}, less than nothing"))
}

fn not_above_nought(name: &str, n: Decimal) -> Option<String> {
    (n <= Decimal::from_int(0)).then(|| format!("`{name}` is {n}: it must be above nought"))
}

/// The first word of `text` that is one of `orders`.
fn order_in<'a>(text: &str, orders: &'a [String]) -> Option<&'a String> {
    let mut words = text.split(|c: char| !c.is_alphanumeric()).map(str::to_lowercase);
    words.find_map(|word| orders.iter().find(|order| **order == word))
}
