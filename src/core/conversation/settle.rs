//! From drafts to findings: defaults, arithmetic, bounds and relations; what cannot be is refused aloud.

use serde_json::{Value as Json, json};

use super::interpret::{Checked, Draft, has_value};
use crate::core::decimal::Decimal;
use crate::core::finding::{Field, Finding, Kind, Shape, Value, schema};
use crate::core::grammar::Grammar;
use crate::core::utterance::Doubt;

/// What a draft came to.
#[derive(Clone, Debug, PartialEq)]
pub enum Settled {
    /// To be recorded; doubts carry index 0.
    Finding(Finding, Vec<Doubt>),
    Rejected(String),
    /// The meanings, and the question to be asked.
    Ambiguous(Vec<Vec<Finding>>, String),
    Nothing,
}

/// The patient's age decides what is ordinary.
#[derive(Clone, Copy, Debug, Default)]
pub struct Context {
    pub child: bool,
    pub patient: i64,
}

/// Below this age the limits for children hold (years). Common practice, no source.
pub const CHILD_UNDER_YEARS: i64 = 12;

pub fn settle(grammar: &Grammar, draft: &Draft, context: Context) -> Settled {
    let Some(frame) = grammar.frame(draft.frame) else { return Settled::Nothing };
    let valued = has_value(draft) || draft.whole;
    if !valued && !draft.negated {
        return Settled::Nothing;
    }
    let mut finding = Finding::new(frame.kind);
    for (field, value) in frame.sets.iter().chain(&draft.fields) {
        put(&mut finding, *field, value.clone());
    }
    if let Some(at) = draft.at.as_ref().filter(|_| finding.get(Field::HappenedAt).is_none()) {
        put(&mut finding, Field::HappenedAt, at.clone());
    }
    if draft.negated {
        let sets = if valued { frame.deny.as_ref() } else { frame.no.as_ref() };
        let Some(sets) = sets else { return Settled::Nothing };
        if let Some(which) = another_level(grammar, &finding) {
            return which;
        }
        sets.iter().for_each(|(field, value)| put(&mut finding, *field, value.clone()));
    }
    if !draft.corrects && !says_enough(grammar, draft.frame, &finding) {
        return Settled::Nothing;
    }
    each_of_drug(draft, &mut finding);
    if let Some(problem) = derive(grammar, &mut finding) {
        return problem;
    }
    let numeric = |f: Field| finding.get(f).is_some();
    let measured = numeric(Field::Dose) || numeric(Field::Each);
    let unusual = draft.usual_below.is_some_and(|below| finding.number(Field::Dose).is_some_and(|dose| dose >= below));
    for (field, value) in draft.defaults.iter().chain(&frame.default) {
        let fits = match field {
            Field::Unit => measured,
            Field::Route => !unusual,
            // Known from the drug, and only of use beside a count.
            Field::Each => false,
            _ => true,
        };
        if finding.get(*field).is_none() && fits {
            put(&mut finding, *field, value.clone());
        }
    }
    let mut finding = of_patient(context.patient, finding);
    half_years_in_months(&mut finding);
    let impossible = draft.numbers.iter().find(|n| n.impossible && finding.get(n.field).is_some());
    if let Some(number) = impossible {
        return Settled::Rejected(out_of_range(grammar, &finding, number));
    }
    if let Some(problem) = finding.problems().into_iter().next() {
        let what = spoken(grammar, finding.kind());
        return Settled::Rejected(grammar.prompt("problem", &[("finding", &what), ("problem", &problem)]));
    }
    if let Some(why) = relation(grammar, &finding) {
        return Settled::Rejected(why);
    }
    if denies_a_value(&finding) {
        return no_and_a_value(grammar, finding, frame.vital);
    }
    let doubts = doubts(draft, &finding, context);
    if !doubts.is_empty() {
        put(&mut finding, Field::Unconfirmed, Value::Flag(true));
    }
    Settled::Finding(finding, doubts)
}

/// "Three and a half years old" is forty two months.
fn half_years_in_months(finding: &mut Finding) {
    let part = finding.number(Field::AgeYears).filter(|years| years.as_int().is_none());
    let months = part.and_then(|years| years.checked_mul(Decimal::from_int(12)));
    if let Some(months) = months.filter(|months| months.as_int().is_some()) {
        finding.remove(Field::AgeYears);
        put(finding, Field::AgeMonths, Value::Number(months));
    }
}

/// "He's not alert" names no level, and least of all that one: it is asked which.
fn another_level(grammar: &Grammar, finding: &Finding) -> Option<Settled> {
    let denied = finding.text(Field::Avpu)?;
    let Some(Shape::Word(levels)) = schema::shape(finding.kind(), Field::Avpu) else { return None };
    let level = |word: &&str| finding.clone().with(Field::Avpu, Value::text(*word));
    let others = levels.iter().filter(|word| **word != denied).map(|word| vec![level(word)]).collect();
    Some(Settled::Ambiguous(others, grammar.prompt("another_level", &[("level", denied)])))
}

/// True if `finding` holds one of the fields that its frame cannot do without.
pub fn says_enough(grammar: &Grammar, frame: usize, finding: &Finding) -> bool {
    let needs = grammar.frame(frame).map(|f| f.needs.as_slice()).unwrap_or_default();
    needs.is_empty() || needs.iter().any(|f| finding.get(*f).is_some())
}

/// "Not there" beside a value that only what is there can have: "is his pulse ninety?" "no" is no absent pulse, and
/// breathing that is not deep is breathing.
pub fn denies_a_value(finding: &Finding) -> bool {
    let of_the_present = |field: Field, value: &Value| match field {
        Field::Patient => false,
        Field::Rhythm | Field::Quality | Field::Depth | Field::Effort => true,
        _ => value.as_number().is_some(),
    };
    finding.flag(Field::Present) == Some(false) && finding.fields().any(|(f, v)| of_the_present(f, v))
}

/// "no, pulse one eighteen": none is there, or another rate than was said before? It is asked.
fn no_and_a_value(grammar: &Grammar, mut finding: Finding, vital: bool) -> Settled {
    let counted = finding.fields().any(|(f, v)| f != Field::Patient && v.as_number().is_some());
    if !vital || !counted {
        return Settled::Nothing;
    }
    finding.remove(Field::Present);
    let absent = Finding::new(finding.kind()).with(Field::Present, Value::Flag(false));
    let (what, word) = (spoken(grammar, finding.kind()), grammar.prompt("word_no", &[]));
    let why = grammar.prompt("unclear_word", &[("finding", &what), ("word", &word)]);
    Settled::Ambiguous(vec![vec![finding], vec![absent]], why)
}

/// A bottom number cannot be felt: palpated, or heard?
pub fn felt_and_heard(finding: &Finding) -> Option<[Finding; 2]> {
    let palpated = finding.is(Field::Method, "palpated") && finding.get(Field::DiastolicMmhg).is_some();
    let (mut felt, mut heard) = (finding.clone(), finding.clone());
    felt.remove(Field::DiastolicMmhg);
    heard.remove(Field::Method);
    palpated.then_some([felt, heard])
}

/// A baby aspirin is 81 mg whether said or not, once they are counted and no dose is said.
fn each_of_drug(draft: &Draft, finding: &mut Finding) {
    let counted = finding.get(Field::Count).is_some();
    if !counted || finding.get(Field::Each).is_some() || finding.get(Field::Dose).is_some() {
        return;
    }
    if let Some((_, each)) = draft.defaults.iter().find(|(field, _)| *field == Field::Each) {
        put(finding, Field::Each, each.clone());
    }
}

/// The finding as one of this patient; the first is named by none.
pub(super) fn of_patient(patient: i64, mut finding: Finding) -> Finding {
    if patient != 1 {
        finding.set(Field::Patient, Value::int(patient));
    }
    finding
}

/// Fields of a shared list that have no place in this kind are left out.
fn put(finding: &mut Finding, field: Field, value: Value) {
    if schema::shape(finding.kind(), field).is_some() {
        finding.set(field, value);
    }
}

/// How a kind is called aloud.
pub fn spoken(grammar: &Grammar, kind: Kind) -> String {
    let id = format!("name_{}", kind.name());
    let said = grammar.prompt(&id, &[]);
    match said.strip_prefix("name ") {
        Some(_) => kind.name().replace('_', " "),
        None => said,
    }
}

fn out_of_range(grammar: &Grammar, finding: &Finding, number: &Checked) -> String {
    let what = spoken(grammar, finding.kind());
    let field = number.field.name().replace('_', " ");
    let (low, high) = match (number.rule, schema::bounds(finding.kind(), number.field)) {
        (_, Some((low, high))) => (low.to_string(), high.to_string()),
        (Some(rule), None) => (rule.low.to_string(), rule.high.to_string()),
        (None, None) => (String::new(), String::new()),
    };
    let value = number.value.to_string();
    let values = [
        ("finding", what.as_str()),
        ("field", field.as_str()),
        ("value", value.as_str()),
        ("low", low.as_str()),
        ("high", high.as_str()),
    ];
    grammar.prompt("out_of_range", &values)
}

/// Sums and products that follow from what was said; a stated one that differs is put back as a question.
fn derive(grammar: &Grammar, finding: &mut Finding) -> Option<Settled> {
    match finding.kind() {
        Kind::Gcs => gcs(grammar, finding),
        Kind::MedicationPlanned | Kind::MedicationGiven | Kind::MedicationWithheld | Kind::MedicationTaken => {
            dose(grammar, finding)
        }
        Kind::Apgar => apgar(grammar, finding),
        // A counted pulse is a pulse.
        Kind::Pulse | Kind::Respirations
            if finding.flag(Field::Present) == Some(true) && finding.get(Field::RatePerMin).is_some() =>
        {
            finding.remove(Field::Present);
            None
        }
        _ => None,
    }
}

fn gcs(grammar: &Grammar, finding: &mut Finding) -> Option<Settled> {
    let parts = [Field::Eye, Field::Verbal, Field::Motor].map(|f| finding.int(f));
    let [Some(eye), Some(verbal), Some(motor)] = parts else { return None };
    total(grammar, finding, Field::Total, eye + verbal + motor)
}

fn apgar(grammar: &Grammar, finding: &mut Finding) -> Option<Settled> {
    let parts = [Field::Appearance, Field::Pulse, Field::Grimace, Field::Activity, Field::Respiration];
    let said: Vec<i64> = parts.iter().filter_map(|f| finding.int(*f)).collect();
    if said.len() != parts.len() {
        return None;
    }
    total(grammar, finding, Field::Total, said.iter().sum())
}

fn total(grammar: &Grammar, finding: &mut Finding, field: Field, sum: i64) -> Option<Settled> {
    match finding.int(field) {
        Some(said) if said != sum => {
            let mut parts = finding.clone();
            parts.set(field, Value::int(sum));
            let mut whole = Finding::new(finding.kind());
            whole.set(field, Value::int(said));
            let (said, sum) = (said.to_string(), sum.to_string());
            let why = grammar.prompt("total_differs", &[("said", &said), ("sum", &sum)]);
            Some(Settled::Ambiguous(vec![vec![parts], vec![whole]], why))
        }
        _ => {
            put(finding, field, Value::int(sum));
            None
        }
    }
}

fn dose(grammar: &Grammar, finding: &mut Finding) -> Option<Settled> {
    let (Some(count), Some(each)) = (finding.number(Field::Count), finding.number(Field::Each)) else { return None };
    let product = count.checked_mul(each)?;
    match finding.number(Field::Dose) {
        Some(said) if said != product => {
            let mut by_piece = finding.clone();
            by_piece.set(Field::Dose, Value::Number(product));
            let mut whole = finding.clone();
            whole.remove(Field::Count);
            whole.remove(Field::Each);
            let (said, sum) = (said.to_string(), product.to_string());
            let why = grammar.prompt("total_differs", &[("said", &said), ("sum", &sum)]);
            Some(Settled::Ambiguous(vec![vec![by_piece], vec![whole]], why))
        }
        _ => {
            put(finding, Field::Dose, Value::Number(product));
            None
        }
    }
}

/// Relations between values that no person can have.
fn relation(grammar: &Grammar, finding: &Finding) -> Option<String> {
    let (systolic, diastolic) = (finding.number(Field::SystolicMmhg)?, finding.number(Field::DiastolicMmhg)?);
    (diastolic >= systolic).then(|| {
        let (top, bottom) = (systolic.to_string(), diastolic.to_string());
        grammar.prompt("diastolic_above_systolic", &[("systolic", &top), ("diastolic", &bottom)])
    })
}

fn doubts(draft: &Draft, finding: &Finding, context: Context) -> Vec<Doubt> {
    let mut doubts = Vec::new();
    for number in draft.numbers.iter().filter(|n| finding.get(n.field).is_some()) {
        let Some(rule) = number.rule else { continue };
        let range = if context.child { rule.ask_child.or(rule.ask) } else { rule.ask };
        let Some((low, high)) = range else { continue };
        let value = finding.number(number.field).unwrap_or(number.value);
        if value < Decimal::from_int(low) || value > Decimal::from_int(high) {
            let or = confusable(value).filter(|v| low <= *v && *v <= high).map(|v| json!(v)).into_iter().collect();
            let heard = serde_json::to_value(value).unwrap_or(Json::Null);
            doubts.push(Doubt { finding: 0, field: number.field.name().into(), heard, or, probability: 0.5 });
        }
    }
    for (field, said) in &draft.confirm {
        let or = finding.get(*field).map(|v| json!(v.to_string())).into_iter().collect();
        doubts.push(Doubt { finding: 0, field: field.name().into(), heard: said.clone().into(), or, probability: 0.5 });
    }
    doubts
}

/// The teen heard for a ty, and the other way round: 15 and 50.
pub fn confusable(value: Decimal) -> Option<i64> {
    let whole = value.as_int()?;
    match whole {
        13..=19 => Some((whole - 10) * 10),
        30 | 40 | 50 | 60 | 70 | 80 | 90 => Some(whole / 10 + 10),
        113..=119 => Some(100 + (whole - 110) * 10),
        130 | 140 | 150 | 160 | 170 | 180 | 190 => Some(100 + (whole - 100) / 10 + 10),
        _ => None,
    }
}
