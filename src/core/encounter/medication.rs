//! Plans and doses of this call, and what the rules say about each of them now.
//!
//! A plan is checked when it is told, and again whenever something is heard while it is open: the answer that makes a
//! hold is spoken then. What was said about a plan is not said again.

use crate::core::event::{Advice, AdviceType};
use crate::core::finding::{Field, Finding, Kind};
use crate::core::ledger::Entry;
use crate::core::planned::{PLAN_OPEN_MS, from_plan};
use crate::core::protocol::Protocol;
use crate::core::protocol::check::{Checked, Plan, against_plan, check};
use crate::core::protocol::dose;
use crate::core::protocol::facts::Facts;
use crate::core::protocol::model::Condition;
use crate::core::time::Moment;
use crate::core::vitals::clocks::is_inspection;
use crate::core::vitals::{arrests, in_arrest};

use super::answers::asks_of_plan;
use super::state::State;

/// What is done with a drug of ours.
const MEDICATION: [Kind; 3] = [Kind::MedicationPlanned, Kind::MedicationGiven, Kind::MedicationWithheld];
/// History heard within this after a dose still speaks about that dose.
const AFTER_DOSE_MS: u64 = 15 * 60_000;
/// The same sentence about a plan told again within this is not repeated.
const RETOLD_MS: u64 = 60_000;
/// A plan told again after a hold is a hand that moves all the same: only the same breath, or the partner's echo of it, is no
/// new one. Our own choice, no source.
const HELD_ECHO_MS: u64 = 15_000;
/// A plan so old, asked about and not answered, may long be given. Our own choice, no source.
const LAPSED_MS: u64 = 5 * 60_000;
/// Most questions about what is not established, for one plan; what is established and needs asking about comes before
/// them and is never left out.
const QUESTIONS: usize = 2;

/// One plan or dose that the rules look at.
#[derive(Clone, Debug)]
pub struct Subject {
    pub plan: Plan,
    pub when: Moment,
    pub stage: Stage,
}

#[derive(Clone, Debug, PartialEq)]
pub enum Stage {
    /// Planned; not yet given, withheld or told anew.
    Planned,
    /// Given, with the plan that came before it, if one did.
    Given { after: Option<Plan> },
}

/// Every plan and dose that is still of interest at `now`, oldest first.
pub fn subjects(state: &State, protocol: &Protocol, now: Moment) -> Vec<Subject> {
    let mut open: Vec<Subject> = Vec::new();
    let mut done: Vec<Subject> = Vec::new();
    let patient = state.patient();
    for entry in state.ledger.of_any(&MEDICATION, patient).into_iter().filter(|e| concerns_us(&e.finding)) {
        if stock(state, entry) {
            continue;
        }
        let Some(mut plan) = plan_of(state, protocol, entry) else { continue };
        let planned_anew = open.iter().any(|s| s.plan.drug == plan.drug);
        if !planned_anew && done.last().is_some_and(|last| retold(last, &plan, entry)) {
            continue;
        }
        let earlier = open.iter().position(|s| s.plan.drug == plan.drug).map(|at| open.remove(at));
        let near = |s: &Subject| entry.when.since_ms(s.when) <= PLAN_OPEN_MS;
        match entry.finding.kind() {
            Kind::MedicationPlanned => {
                keep_order(&mut plan, earlier.filter(near).as_ref().map(|s| &s.plan));
                open.push(Subject { plan, when: entry.when, stage: Stage::Planned });
            }
            Kind::MedicationGiven => {
                let after = earlier.filter(near).map(|s| s.plan);
                keep_order(&mut plan, after.as_ref());
                done.push(Subject { plan, when: entry.when, stage: Stage::Given { after } });
            }
            _ => {}
        }
    }
    open.retain(|s| now.since_ms(s.when) <= PLAN_OPEN_MS);
    done.retain(|s| now.since_ms(s.when) <= AFTER_DOSE_MS);
    done.extend(open);
    done.sort_by_key(|s| s.plan.seq);
    done
}

/// "Giving it now" and "epi is in" of what medical control ordered are ordered too.
fn keep_order(plan: &mut Plan, earlier: Option<&Plan>) {
    let order = earlier.and_then(|plan| plan.finding.get(Field::Authority));
    if let (Some(order), None) = (order, plan.finding.get(Field::Authority)) {
        plan.finding.set(Field::Authority, order.clone());
    }
}

/// "It's in" a moment after a dose, without a dose and with no plan of another: the same one.
fn retold(last: &Subject, plan: &Plan, entry: &Entry) -> bool {
    entry.finding.kind() == Kind::MedicationGiven && last.plan.drug == plan.drug && dose::same_dose(last.when, entry)
}

/// "Oral glucose, two tubes" while the bags are looked through: what is carried, not what is to be given.
fn stock(state: &State, entry: &Entry) -> bool {
    entry.finding.kind() == Kind::MedicationPlanned && is_inspection(&state.ledger, entry.seq)
}

fn concerns_us(finding: &Finding) -> bool {
    finding.flag(Field::BeforeArrival) != Some(true) && finding.flag(Field::Present) != Some(false)
}

/// The plan or dose that an entry tells of; a dose told without its amount has the plan's.
fn plan_of(state: &State, protocol: &Protocol, entry: &Entry) -> Option<Plan> {
    let drug = protocol.generic(entry.finding.text(Field::Name)?);
    let joined = from_plan(&state.ledger, entry, |name| protocol.generic(name));
    let dose_sure = !entry.unconfirmed() && joined.as_ref().is_none_or(|joined| !joined.unconfirmed);
    let finding = joined.map_or_else(|| entry.finding.clone(), |joined| joined.finding);
    Some(Plan { drug, finding, seq: entry.seq, dose_sure })
}

/// Plans that were told and neither given nor withheld.
pub fn open_plans(state: &State, protocol: &Protocol, now: Moment) -> Vec<Subject> {
    subjects(state, protocol, now).into_iter().filter(|s| s.stage == Stage::Planned).collect()
}

/// What is to be said now about every plan and dose, given what was said before.
pub fn due(state: &State, protocol: &Protocol, now: Moment) -> Vec<Advice> {
    let mut out = Vec::new();
    for subject in subjects(state, protocol, now) {
        let advice = about(state, protocol, &subject);
        out.extend(advice.into_iter().filter(|a| speaks_in_arrest(state, protocol, a, subject.when)));
    }
    once_a_breath(out)
}

/// One sentence about several doses of a drug is said of the latest, the one in hand.
fn once_a_breath(advice: Vec<Advice>) -> Vec<Advice> {
    let same = |a: &Advice, b: &Advice| (&a.rule, a.kind, &a.say) == (&b.rule, b.kind, &b.say);
    let mut kept: Vec<Advice> = Vec::new();
    for one in advice.into_iter().rev() {
        if !kept.iter().any(|later| same(&one, later)) {
            kept.push(one);
        }
    }
    kept.reverse();
    kept
}

/// A drug that has other doses in a resuscitation is not held there to these, nor asked about afterwards.
fn speaks_in_arrest(state: &State, protocol: &Protocol, advice: &Advice, planned: Moment) -> bool {
    let other_doses =
        advice.kind == AdviceType::Dose && protocol.drug(&advice.about).is_some_and(|drug| drug.arrest_has_its_own);
    !other_doses || !in_arrest(&arrests(&state.ledger, state.patient()), planned)
}

/// The same for a plan that the record does not hold (its dose was ambiguous or impossible): every check that does
/// not need the dose.
pub fn unrecorded(state: &State, protocol: &Protocol, finding: &Finding, heard: u64, when: Moment) -> Vec<Advice> {
    let Some(name) = finding.text(Field::Name) else { return Vec::new() };
    let mut bare = finding.clone();
    for field in [Field::Dose, Field::Count, Field::Each] {
        bare.remove(field);
    }
    let plan = Plan { drug: protocol.generic(name), finding: bare, seq: heard, dose_sure: false };
    let mut out = about(state, protocol, &Subject { plan, when, stage: Stage::Planned });
    out.retain(|advice| speaks_in_arrest(state, protocol, advice, when));
    out
}

fn about(state: &State, protocol: &Protocol, subject: &Subject) -> Vec<Advice> {
    let names = protocol.names(&subject.plan.drug);
    let disputed = state.disputed();
    let facts = Facts {
        drug: &names,
        asking: subject.plan.seq,
        disputed: &disputed,
        ..Facts::new(&state.ledger, protocol, state.patient(), subject.when)
    };
    let mut checked = check(protocol, &facts, &subject.plan);
    drop_repeated_reasons(&mut checked, subject.plan.seq);
    match &subject.stage {
        Stage::Planned => planned(state, protocol, subject, checked),
        Stage::Given { after } => given(state, protocol, subject, after.as_ref(), checked),
    }
}

/// Holds that rest on the same event are one thing, said once; so are a hold and a dose warning.
fn drop_repeated_reasons(checked: &mut Checked, plan: u64) {
    let mut named: Vec<u64> = Vec::new();
    checked.holds.retain(|hold| {
        let last = hold.because.iter().copied().filter(|seq| *seq != plan).max();
        let fresh = last.is_none_or(|seq| !named.contains(&seq));
        named.extend(last);
        fresh
    });
    let held: Vec<u64> = checked.holds.iter().flat_map(|a| a.because.iter().copied()).filter(|s| *s != plan).collect();
    checked.doses.retain(|dose| !dose.because.iter().any(|seq| held.contains(seq)));
}

fn planned(state: &State, protocol: &Protocol, subject: &Subject, checked: Checked) -> Vec<Advice> {
    let mut out: Vec<Advice> = Vec::new();
    let held = !checked.holds.is_empty();
    let overtaken = |a: &Advice| is_overtaken(state, protocol, subject, a);
    let holds = checked.holds.into_iter().filter(|a| !overtaken(a));
    out.extend(holds.chain(checked.doses).filter(|a| new(state, subject, a)));
    if !held {
        out.extend(checked.cautions.into_iter().filter(|a| new(state, subject, a)));
        let gaps = gaps(state, subject, checked.questions, &out);
        out.extend(gaps);
    }
    out
}

/// "Was it given?" found no answer, and what is measured so long after the plan tells as well what the dose did: a sugar of
/// ninety six holds nothing that is long swallowed, a low pressure holds nitroglycerin all the same. Said to be going in now,
/// it is checked whole.
fn is_overtaken(state: &State, protocol: &Protocol, subject: &Subject, advice: &Advice) -> bool {
    let asked = state.said.iter().any(|s| asks_of_plan(protocol, s, subject.plan.seq));
    let lapses = protocol.rule(&advice.rule).is_some_and(|rule| rule.body.lapses);
    let latest = advice.because.iter().filter(|seq| **seq != subject.plan.seq).max();
    let entry = latest.and_then(|seq| state.ledger.find(*seq));
    asked && lapses && entry.is_some_and(|e| e.when.since_ms(subject.when) >= LAPSED_MS)
}

/// As many of the questions as this plan still bears beside what is being said now.
fn gaps(state: &State, subject: &Subject, questions: Vec<Advice>, now: &[Advice]) -> Vec<Advice> {
    let asking = now.iter().filter(|a| a.kind == AdviceType::MissingFact).count();
    let left = QUESTIONS.saturating_sub(asked(state, subject.plan.seq) + asking);
    questions.into_iter().filter(|a| new(state, subject, a)).take(left).collect()
}

fn given(state: &State, protocol: &Protocol, subject: &Subject, after: Option<&Plan>, checked: Checked) -> Vec<Advice> {
    let said_before =
        |a: &Advice| after.is_some_and(|plan| state.said_about(&a.rule, plan.seq).any(|s| s.advice.kind == a.kind));
    let just_told = subject.plan.seq >= state.last_heard;
    let mut out: Vec<Advice> = Vec::new();
    let measured = |a: &Advice| protocol.rule(&a.rule).is_some_and(|r| rests_on_measurement(&r.body.condition));
    let warnings = checked.holds.into_iter().chain(checked.cautions);
    let warnings = warnings.filter(|a| (just_told && after.is_none()) || !measured(a));
    out.extend(warnings.filter(|a| !said_before(a) && new(state, subject, a)));
    if just_told {
        if let Some(plan) = after {
            out.extend(against_plan(protocol, plan, &subject.plan).filter(|a| new(state, subject, a)));
        }
        out.extend(checked.doses.into_iter().filter(|a| !said_before(a) && new(state, subject, a)));
        if after.is_none() && out.iter().all(|a| a.kind != AdviceType::Contraindication) {
            let gaps = gaps(state, subject, checked.questions, &out);
            out.extend(gaps);
        }
    }
    out
}

fn asked(state: &State, plan: u64) -> usize {
    state.said.iter().filter(|s| s.advice.kind == AdviceType::MissingFact && s.anchor() == Some(plan)).count()
}

/// Not said about this plan, nor about the same drug for the same reason a moment ago.
fn new(state: &State, subject: &Subject, advice: &Advice) -> bool {
    let corrected = corrected_at(state, subject.plan.seq);
    let still_holds = |s: &super::state::Said| advice.kind != AdviceType::Dose || s.seq > corrected;
    // A rule may have asked for what it now knows, and has other words for that.
    let same_words = |s: &super::state::Said| advice.kind != AdviceType::MissingFact || s.advice.say == advice.say;
    let said = |s: &super::state::Said| s.advice.kind == advice.kind && still_holds(s) && same_words(s);
    if state.said_about(&advice.rule, subject.plan.seq).any(said) {
        return false;
    }
    // What medical control ordered after it heard of the hold is a word with the doctor, and then the same dose.
    let ordered = subject.plan.finding.is(Field::Authority, "online");
    let holds = matches!(advice.kind, AdviceType::Contraindication | AdviceType::Dose);
    let within_ms = if holds && !ordered { HELD_ECHO_MS } else { RETOLD_MS };
    let same = |s: &&super::state::Said| {
        s.advice.rule == advice.rule
            && s.advice.kind == advice.kind
            && s.advice.about == advice.about
            && s.advice.because.get(1..) == advice.because.get(1..)
            && still_holds(s)
            && subject.when.since_ms(s.when) <= within_ms
    };
    !state.said.iter().rev().any(|s| same(&s))
}

/// The event that last corrected a plan: what was said about its dose before, was said about another dose.
fn corrected_at(state: &State, plan: u64) -> u64 {
    state.ledger.find(plan).and_then(|entry| entry.replaced.last()).map_or(0, |(_, by)| *by)
}

/// Conditions that a later measurement may change are about the next dose, not about the one that is in.
fn rests_on_measurement(condition: &Condition) -> bool {
    match condition {
        Condition::Number(_) | Condition::Drop(_) | Condition::Word(_) | Condition::Flag(_) => true,
        Condition::Any(all) | Condition::All(all) => all.iter().any(rests_on_measurement),
        Condition::Not(inner) => rests_on_measurement(inner),
        Condition::Told(_)
        | Condition::Named(_)
        | Condition::Text(_)
        | Condition::Use(_)
        | Condition::Allergy(_)
        | Condition::Age(_) => false,
    }
}
