//! The rights check: what the crew read aloud from a label, and of which drug in hand.

use crate::core::decimal::Decimal;
use crate::core::event::{Advice, AdviceType};
use crate::core::finding::{Field, Finding, Kind, Value};
use crate::core::ledger::Entry;
use crate::core::planned::PLAN_OPEN_MS;

use super::Protocol;
use super::check::{Plan, dosing};
use super::dose;
use super::facts::Facts;

/// What holds a plan: an expired drug, or a right that did not hold.
pub fn holds(protocol: &Protocol, facts: &Facts, plan: &Plan) -> Vec<Advice> {
    let Some(drug) = protocol.drug_entry(&plan.drug) else { return Vec::new() };
    let month = facts.now.at.format("%Y-%m").to_string();
    let mut settled: Vec<&str> = Vec::new();
    let mut out = Vec::new();
    for entry in facts.ledger.of(Kind::MedicationCheck, facts.patient).rev() {
        let right = entry.finding.text(Field::Right).unwrap_or("expiry");
        if settled.contains(&right) || !is_of(protocol, facts, plan, entry) {
            continue;
        }
        settled.push(right);
        let Some(prompt) = wording(protocol, &entry.finding, right, &month) else { continue };
        let slots = vec![("right".to_string(), Value::text(right))];
        let mut hold = dosing(protocol, plan, drug, &prompt, slots, &[entry.seq]);
        hold.kind = AdviceType::Contraindication;
        hold.source = protocol.prompt_source(&prompt);
        hold.rule = prompt;
        out.push(hold);
    }
    out
}

/// The sentence for a right that does not hold; `None` where it does. A right may have words of its own.
fn wording(protocol: &Protocol, check: &Finding, right: &str, month: &str) -> Option<String> {
    // `YYYY-MM` sorts as it reads; a drug is good to the last day of its month.
    let past = check.text(Field::Expires).is_some_and(|expires| expires < month);
    let denied = check.flag(Field::Confirmed) == Some(false);
    if past || (denied && right == "expiry") {
        return Some("check.expired".into());
    }
    let own = format!("check.right_{right}");
    let prompt = protocol.prompt(&own).map_or("check.right", |_| own.as_str());
    denied.then(|| prompt.to_string())
}

/// A label was read of this drug, and of the pack that this plan takes it from. Told without a name it is of what was in
/// hand; told while one pack was in hand, it says nothing of another that a later plan names.
fn is_of(protocol: &Protocol, facts: &Facts, plan: &Plan, check: &Entry) -> bool {
    let named = check.finding.text(Field::Name).map(|name| protocol.generic(name));
    if named.as_ref().is_some_and(|drug| *drug != plan.drug) {
        return false;
    }
    let Some(hand) = in_hand(protocol, facts, check, named.as_deref()) else { return true };
    drug_of(protocol, hand).as_ref() == Some(&plan.drug) && !another_pack(&hand.finding, &plan.finding)
}

/// The plan that was open when the label was read, else the first one after it.
fn in_hand<'l>(protocol: &Protocol, facts: &Facts<'l>, check: &Entry, named: Option<&str>) -> Option<&'l Entry> {
    let kinds = [Kind::MedicationPlanned, Kind::MedicationGiven, Kind::MedicationWithheld];
    let ours = |e: &&Entry| {
        let drug = drug_of(protocol, e);
        e.finding.flag(Field::Present) != Some(false) && named.is_none_or(|name| drug.as_deref() == Some(name))
    };
    let all: Vec<&'l Entry> = facts.ledger.of_any(&kinds, facts.patient).into_iter().filter(ours).collect();
    let (before, after): (Vec<&Entry>, Vec<&Entry>) = all.into_iter().partition(|e| e.seq < check.seq);
    let open = before
        .last()
        .copied()
        .filter(|e| e.finding.kind() == Kind::MedicationPlanned && check.when.since_ms(e.when) <= PLAN_OPEN_MS);
    open.or_else(|| after.into_iter().find(|e| e.finding.kind() != Kind::MedicationWithheld))
}

fn drug_of(protocol: &Protocol, entry: &Entry) -> Option<String> {
    entry.finding.text(Field::Name).map(|name| protocol.generic(name))
}

/// A form or device that is not the other's, or an amount in another kind of unit: puffs are not drawn from a vial.
fn another_pack(read: &Finding, planned: &Finding) -> bool {
    let differ = |field| read.text(field).zip(planned.text(field)).is_some_and(|(a, b)| a != b);
    let units = read.text(Field::Unit).zip(planned.text(Field::Unit));
    let other_unit = units.is_some_and(|(a, b)| dose::convert(Decimal::ZERO, a, b).is_none());
    differ(Field::Form) || differ(Field::Device) || other_unit
}
