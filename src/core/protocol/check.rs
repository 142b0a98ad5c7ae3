//! The check before the hand moves: holds, questions, dose. Pure: facts and a plan in, proposed advice out.

use crate::core::decimal::Decimal;
use crate::core::event::{Advice, AdviceType, Priority};
use crate::core::finding::{Field, Finding, Value};
use crate::core::prompt::{Slots, render};

use super::dose::{self, Fit, Past};
use super::facts::{Answer, Facts, Verdict};
use super::model::{AllergyTest, Condition, Effect, Maximum, Rule, Unknown};
use super::{Entry, Protocol, rights};

/// A dose about to be given, or given unannounced.
#[derive(Clone, Debug, PartialEq)]
pub struct Plan {
    /// Generic name, as in the data where the data knows it.
    pub drug: String,
    pub finding: Finding,
    /// The event that told of it.
    pub seq: u64,
    /// False where the amount is not sure: every check that does not need it still runs.
    pub dose_sure: bool,
}

/// What the check would say, in the order in which it should be said.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Checked {
    pub holds: Vec<Advice>,
    /// What is established and needs asking about: a warning, so never one too many.
    pub cautions: Vec<Advice>,
    /// What is not established.
    pub questions: Vec<Advice>,
    pub doses: Vec<Advice>,
    /// Rules whose condition is not established and that only note it.
    pub noted: Vec<String>,
}

/// Runs every rule of the plan's drug.
pub fn check(protocol: &Protocol, facts: &Facts, plan: &Plan) -> Checked {
    let mut checked = Checked::default();
    for rule in protocol.rules_for(&plan.drug).filter(|r| concerns(&r.body.only, &plan.finding)) {
        run_rule(protocol, facts, plan, rule, &mut checked);
    }
    one_allergy_question(protocol, &mut checked);
    if protocol.drug(&plan.drug).is_some() {
        checked.holds.extend(rights::holds(protocol, facts, plan));
        check_route(protocol, plan, &mut checked);
        check_amount(protocol, facts, plan, &mut checked);
        check_timing(protocol, facts, plan, &mut checked);
        one_hold_for_one_dose(plan, &mut checked);
    }
    checked
}

/// Whether a row that is `only` for some forms, devices or routes concerns this plan; not said may be any.
pub fn concerns(only: &[String], plan: &Finding) -> bool {
    let said: Vec<&str> = [Field::Form, Field::Device, Field::Route].iter().filter_map(|f| plan.text(*f)).collect();
    only.is_empty() || said.is_empty() || said.iter().any(|word| only.iter().any(|o| o == word))
}

fn run_rule(protocol: &Protocol, facts: &Facts, plan: &Plan, rule: &Entry<Rule>, out: &mut Checked) {
    let verdict = match &rule.body.condition {
        Condition::Allergy(test) if test.names.is_empty() && test.class.is_none() => {
            let own = AllergyTest { names: protocol.names(&plan.drug), class: None };
            facts.evaluate(&Condition::Allergy(own))
        }
        condition => facts.evaluate(condition),
    };
    match (verdict.answer, rule.body.effect, rule.body.unknown) {
        (Answer::Yes, Effect::Hold, _) => {
            out.holds.push(advice(protocol, plan, rule, AdviceType::Contraindication, Words::Say, &verdict));
        }
        (Answer::Yes, Effect::Ask, _) => {
            out.cautions.push(advice(protocol, plan, rule, AdviceType::MissingFact, Words::Say, &verdict));
        }
        (Answer::Unknown, _, Unknown::Ask) => {
            out.questions.push(advice(protocol, plan, rule, AdviceType::MissingFact, Words::Ask, &verdict));
        }
        (Answer::Unknown, _, Unknown::Stop) => {
            out.holds.push(advice(protocol, plan, rule, AdviceType::Contraindication, Words::Ask, &verdict));
        }
        (Answer::Unknown, _, Unknown::Note) => out.noted.push(rule.id().to_string()),
        (Answer::No, ..) => {}
    }
}

/// An allergy to a relative is asked about; then nobody asks for any allergy as well.
fn one_allergy_question(protocol: &Protocol, out: &mut Checked) {
    let about = |advice: &Advice, effect| {
        protocol.rule(&advice.rule).is_some_and(|r| r.body.effect == effect && asks_allergy(&r.body.condition))
    };
    if out.cautions.iter().any(|q| about(q, Effect::Ask)) {
        out.questions.retain(|q| !about(q, Effect::Hold));
    }
}

fn asks_allergy(condition: &Condition) -> bool {
    match condition {
        Condition::Allergy(_) => true,
        Condition::Any(all) | Condition::All(all) => all.iter().all(asks_allergy),
        _ => false,
    }
}

#[derive(Clone, Copy)]
enum Words {
    Say,
    Ask,
}

fn advice(
    protocol: &Protocol,
    plan: &Plan,
    rule: &Entry<Rule>,
    kind: AdviceType,
    words: Words,
    verdict: &Verdict,
) -> Advice {
    let mut slots = verdict.slots.clone();
    slots.push(("drug".into(), Value::text(protocol.spoken(&plan.drug))));
    let body = &rule.body;
    let (say, aloud) = match words {
        Words::Say => (body.say.as_str(), body.say_aloud.as_deref()),
        Words::Ask => (body.ask.as_deref().unwrap_or(&body.say), body.ask_aloud.as_deref()),
    };
    let mut because = vec![plan.seq];
    because.extend(verdict.because.iter().filter(|seq| **seq != plan.seq));
    Advice {
        kind,
        priority: body.priority,
        about: plan.drug.clone(),
        say: render(say, &slots),
        rule: rule.id().to_string(),
        because,
        source: rule.head.source.clone(),
        say_aloud: aloud.map(|text| render(text, &slots)),
    }
}

/// Advice about the dose, worded by the prompts.
pub fn dosing<T>(
    protocol: &Protocol,
    plan: &Plan,
    entry: &Entry<T>,
    prompt: &str,
    slots: Slots,
    because: &[u64],
) -> Advice {
    let mut slots = slots;
    slots.push(("drug".into(), Value::text(protocol.spoken(&plan.drug))));
    let mut seqs = vec![plan.seq];
    seqs.extend(because.iter().filter(|seq| **seq != plan.seq));
    let (say, say_aloud) = protocol.say(prompt, &slots);
    Advice {
        kind: AdviceType::Dose,
        priority: Priority::High,
        about: plan.drug.clone(),
        say,
        rule: entry.id().to_string(),
        because: seqs,
        source: entry.head.source.clone(),
        say_aloud,
    }
}

fn check_route(protocol: &Protocol, plan: &Plan, out: &mut Checked) {
    let (Some(drug), Some(route)) = (protocol.drug_entry(&plan.drug), plan.finding.text(Field::Route)) else { return };
    if drug.body.routes.iter().any(|r| r == route) {
        return;
    }
    let right = drug.body.routes.first().cloned().unwrap_or_default();
    let slots = vec![("value".into(), Value::text(route)), ("right".into(), Value::text(right))];
    out.doses.push(dosing(protocol, plan, drug, "dose.route", slots, &[]));
}

fn check_amount(protocol: &Protocol, facts: &Facts, plan: &Plan, out: &mut Checked) {
    let rows: Vec<&Entry<_>> = protocol.doses_for(&plan.drug, &plan.finding).collect();
    let unit = protocol.drug(&plan.drug).map_or("mg", |d| d.unit.as_str());
    if rows.is_empty() || !plan.dose_sure {
        return;
    }
    let said_unit = plan.finding.text(Field::Unit).unwrap_or(unit);
    let Some(amount) = dose::stated(&plan.finding, said_unit) else {
        out.questions.extend(dose::wants_weight(facts, &rows).map(|row| weight_question(protocol, plan, row)));
        return;
    };
    // A row in puffs says nothing about milligrams: only rows that the unit converts to are compared.
    let rows: Vec<&Entry<_>> =
        rows.into_iter().filter(|r| dose::convert(amount, said_unit, &r.body.unit).is_some()).collect();
    if rows.is_empty() {
        return;
    }
    match dose::fit(facts, &rows, amount, said_unit) {
        Fit::Fits => {}
        Fit::NoRow => {
            let Some(drug) = protocol.drug_entry(&plan.drug) else { return };
            let because: Vec<u64> = facts.age_years().map(|(e, _)| e.seq).into_iter().collect();
            out.doses.push(dosing(protocol, plan, drug, "dose.no_row", Slots::new(), &because));
        }
        Fit::Outside(row, because) => {
            let mut slots = vec![
                ("value".into(), Value::Number(amount)),
                ("unit".into(), Value::text(spoken_unit(said_unit, amount))),
                ("range".into(), Value::text(row.body.spoken.clone())),
            ];
            // Where the dose goes by weight, what it comes to is of more use than the rule.
            let weighed = facts.weight().and_then(|(_, weight)| dose::weighed(&row.body, weight.kg));
            let weighed = weighed.map(rounded);
            let prompt = if weighed.is_some() { "dose.outside_weighed" } else { "dose.outside" };
            slots.extend(weighed.map(|dose| ("weighed".to_string(), Value::Number(dose))));
            out.doses.push(dosing(protocol, plan, row, prompt, slots, &because));
        }
        Fit::NeedsWeight(row) => out.questions.push(weight_question(protocol, plan, row)),
    }
}

fn weight_question<T>(protocol: &Protocol, plan: &Plan, row: &Entry<T>) -> Advice {
    let mut question = dosing(protocol, plan, row, "dose.weight", Slots::new(), &[]);
    question.kind = AdviceType::MissingFact;
    question
}

/// To what can be said and drawn up: whole from ten on, tenths below (0.15 mg stays).
fn rounded(dose: Decimal) -> Decimal {
    let places = match dose.as_f64() {
        small if small < 1.0 => 2,
        small if small < 10.0 => 1,
        _ => 0,
    };
    Decimal::from_f64(dose.as_f64(), places).unwrap_or(dose)
}

/// A unit as the voice says it.
pub fn spoken_unit(unit: &str, amount: Decimal) -> String {
    let plural = match unit {
        "mg" => "milligrams",
        "mcg" => "micrograms",
        "g" => "grams",
        "ml" => "milliliters",
        other => other,
    };
    let one = amount == Decimal::from_int(1);
    plural.strip_suffix('s').filter(|_| one).unwrap_or(plural).to_string()
}

/// "Already taken" and "last dose two hours ago" of the same doses: held once is enough.
fn one_hold_for_one_dose(plan: &Plan, out: &mut Checked) {
    let held: Vec<u64> = out.holds.iter().flat_map(|a| a.because.clone()).filter(|seq| *seq != plan.seq).collect();
    let timed = |a: &Advice| a.priority == Priority::High && a.because.iter().any(|seq| held.contains(seq));
    out.doses.retain(|dose| !(timed(dose) && dose.because.iter().all(|seq| *seq == plan.seq || held.contains(seq))));
}

fn check_timing(protocol: &Protocol, facts: &Facts, plan: &Plan, out: &mut Checked) {
    let past = dose::past(facts, protocol, &plan.drug, plan.seq);
    if past.is_empty() {
        return;
    }
    let before = out.doses.len();
    check_maximum(protocol, plan, &past, out);
    if out.doses.len() > before {
        return;
    }
    let ordered = plan.finding.is(Field::Authority, "online");
    for interval in protocol.intervals.iter().filter(|i| i.body.drug == plan.drug) {
        if interval.body.unless_ordered && ordered {
            continue;
        }
        if !concerns(&interval.body.only, &plan.finding) {
            continue;
        }
        if let Some((last, ago)) = dose::too_soon(&past, interval.body.minutes) {
            // In hours where the interval is one of hours.
            let between = interval.body.minutes;
            let whole_hours = between.is_multiple_of(60);
            let (ago, between, prompt) = match ago {
                0 if whole_hours => (0, between / 60, "dose.interval_now_hours"),
                0 => (0, between, "dose.interval_now"),
                60.. if whole_hours => (ago / 60, between / 60, "dose.interval_hours"),
                _ if whole_hours => (ago, between / 60, "dose.interval_of_hours"),
                _ => (ago, between, "dose.interval"),
            };
            let slots = vec![
                ("ago".into(), Value::int(ago.min(i64::MAX as u64) as i64)),
                ("minutes".into(), Value::int(between.into())),
            ];
            out.doses.push(dosing(protocol, plan, interval, prompt, slots, &[last.seq]));
            return;
        }
        if let Some(last) = dose::perhaps_too_soon(&past, interval.body.minutes) {
            let mut question = dosing(protocol, plan, interval, "dose.when", Slots::new(), &[last.seq]);
            question.kind = AdviceType::MissingFact;
            out.questions.push(question);
            return;
        }
    }
}

fn check_maximum(protocol: &Protocol, plan: &Plan, past: &[Past], out: &mut Checked) {
    let ordered = plan.finding.is(Field::Authority, "online");
    let of_it = |m: &&Entry<Maximum>| m.body.drug == plan.drug && !(m.body.unless_ordered && ordered);
    for entry in protocol.maximums.iter().filter(of_it) {
        let maximum = &entry.body;
        let (count, sum, because) = dose::running_total(past, maximum.within_hours);
        if let Some(most) = maximum.doses.filter(|most| count >= *most) {
            let slots = vec![("count".into(), Value::int(count.into())), ("max".into(), Value::int(most.into()))];
            let prompt = if most == 1 { "dose.once" } else { "dose.maximum" };
            out.doses.push(dosing(protocol, plan, entry, prompt, slots, &because));
            return;
        }
        let unit = maximum.unit.as_deref().unwrap_or("mg");
        let base = protocol.drug(&plan.drug).map_or("mg", |d| d.unit.as_str());
        let (Some(most), Some(sum)) = (maximum.total, sum) else { continue };
        let planned = if plan.dose_sure { dose::stated(&plan.finding, base) } else { None };
        let sum = planned.and_then(|p| sum.checked_add(p)).unwrap_or(sum);
        let Some(limit) = dose::convert(most, unit, base) else { continue };
        if sum > limit {
            let slots = vec![
                ("value".into(), Value::Number(sum)),
                ("max".into(), Value::Number(limit)),
                ("unit".into(), Value::text(spoken_unit(base, limit))),
            ];
            out.doses.push(dosing(protocol, plan, entry, "dose.total", slots, &because));
            return;
        }
    }
}

/// What was given differs from what was planned.
pub fn against_plan(protocol: &Protocol, planned: &Plan, given: &Plan) -> Option<Advice> {
    let drug = protocol.drug_entry(&given.drug)?;
    let (planned_dose, given_dose) =
        (dose::stated(&planned.finding, &drug.body.unit)?, dose::stated(&given.finding, &drug.body.unit)?);
    (planned_dose != given_dose).then(|| {
        let slots = vec![
            ("planned".into(), Value::Number(planned_dose)),
            ("value".into(), Value::Number(given_dose)),
            ("unit".into(), Value::text(spoken_unit(&drug.body.unit, given_dose))),
        ];
        let mut advice = dosing(protocol, given, drug, "dose.differs", slots, &[planned.seq]);
        advice.priority = Priority::Medium;
        advice
    })
}
