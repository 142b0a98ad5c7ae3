//! Dose arithmetic: what was given, counted in one unit; what one dose may be; what comes next too soon or too often.

use crate::core::decimal::Decimal;
use crate::core::finding::{Field, Finding, Kind};
use crate::core::ledger::Entry;
use crate::core::planned::from_plan;
use crate::core::time::Moment;

use super::Protocol;
use super::facts::{Answer, Facts, SaidWeight, happened};
use super::model::Dose;

const MINUTE_MS: u64 = 60_000;
const HOUR_MS: u64 = 3_600_000;
/// A second "it's in" without a dose within this time tells of the same dose.
const SAME_DOSE_MS: u64 = 60_000;

/// An amount in a drug's unit.
pub fn convert(amount: Decimal, from: &str, to: &str) -> Option<Decimal> {
    let power = |unit: &str| match unit {
        "g" => Some(6i32),
        "mg" => Some(3),
        "mcg" => Some(0),
        _ => None,
    };
    if from == to {
        return Some(amount);
    }
    let by = power(from)? - power(to)?;
    let step = if by < 0 { Decimal::new(1, by.unsigned_abs() as u8) } else { Decimal::from_int(10i64.pow(by as u32)) };
    amount.checked_mul(step)
}

/// The dose that a finding states, in `unit`; `None` where none was said or the unit does not convert.
pub fn stated(finding: &Finding, unit: &str) -> Option<Decimal> {
    let said = finding.text(Field::Unit).unwrap_or(unit);
    let amount = finding.number(Field::Dose).or_else(|| {
        let (count, each) = (finding.number(Field::Count)?, finding.number(Field::Each)?);
        count.checked_mul(each)
    })?;
    convert(amount, said, unit)
}

/// One dose in the past, ours or another's.
#[derive(Clone, Debug, PartialEq)]
pub struct Past {
    pub seq: u64,
    /// How long ago, milliseconds; `None` where nobody said when.
    pub ago_ms: Option<u64>,
    /// It was surely longer ago than this, milliseconds.
    pub at_least_ms: u64,
    /// By the piece: "took three nitro" is three doses.
    pub doses: u32,
    pub amount: Option<Decimal>,
    pub ours: bool,
}

/// Every dose of a drug before event `before`, oldest first.
pub fn past(facts: &Facts, protocol: &Protocol, drug: &str, before: u64) -> Vec<Past> {
    let unit = protocol.drug(drug).map_or("mg", |d| d.unit.as_str());
    let route = protocol.drug(drug).and_then(|d| d.routes.first()).map(String::as_str);
    let together = matches!(route, Some("oral" | "inhaled"));
    let names = protocol.names(drug);
    let mut out: Vec<Past> = Vec::new();
    let mut last: Option<&Entry> = None;
    let counts = |e: &&Entry| {
        e.seq < before
            && e.finding.flag(Field::Present) != Some(false)
            && e.finding.text(Field::Name).is_some_and(|name| names.iter().any(|n| n == name))
    };
    let kinds = [Kind::MedicationPlanned, Kind::MedicationGiven, Kind::MedicationTaken];
    for entry in facts.ledger.of_any(&kinds, facts.patient).into_iter().filter(counts) {
        if entry.finding.kind() == Kind::MedicationPlanned {
            // What is told next is the dose that was planned, however soon.
            last = None;
            continue;
        }
        if last.is_some_and(|last| last.finding.kind() == entry.finding.kind() && same_dose(last.when, entry)) {
            // Told once more with its time: the same dose, and now it has one.
            let again = one(facts, entry, &entry.finding, unit, together);
            if let Some(told) = out.last_mut().filter(|told| told.ago_ms.is_none()) {
                told.ago_ms = again.ago_ms;
            }
            continue;
        }
        let joined = from_plan(facts.ledger, entry, |name| protocol.generic(name));
        let mut dose = one(facts, entry, joined.as_ref().map_or(&entry.finding, |j| &j.finding), unit, together);
        // What was taken before us was taken before any dose of ours.
        let ours = out.iter().find(|p| p.ours).and_then(|p| p.ago_ms);
        if let Some(ours) = ours.filter(|_| entry.finding.flag(Field::BeforeArrival) == Some(true)) {
            dose.at_least_ms = dose.at_least_ms.max(ours);
        }
        out.push(dose);
        last = Some(entry);
    }
    out
}

/// Whether `entry` tells once more of a dose told at `last`.
pub fn same_dose(last: Moment, entry: &Entry) -> bool {
    let bare = [Field::Dose, Field::Count, Field::Each].iter().all(|f| entry.finding.get(*f).is_none());
    bare && entry.when.since_ms(last) <= SAME_DOSE_MS
}

/// `dose` is the finding with what its plan adds.
fn one(facts: &Facts, entry: &Entry, dose: &Finding, unit: &str, together: bool) -> Past {
    let ours = entry.finding.kind() == Kind::MedicationGiven;
    let spoken = facts.now.since_ms(entry.when);
    let ago_ms = match happened(&entry.finding) {
        Some(at) => Some(u64::try_from((facts.now.at - at).num_milliseconds()).unwrap_or(0)),
        None => ours.then_some(spoken),
    };
    // What was taken before us was taken before it was told, and before we came.
    let before = entry.finding.flag(Field::BeforeArrival) == Some(true);
    let came = facts.ledger.all_of(Kind::Milestone).find(|e| arrival(&e.finding)).filter(|_| before);
    let at_least_ms = ago_ms.unwrap_or(spoken).max(came.map_or(0, |came| facts.now.since_ms(came.when)));
    let amount = stated(dose, unit);
    // Tablets swallowed and puffs breathed together are one dose; what goes under the tongue, up the nose or into a
    // muscle is a dose each.
    let pieces = dose.number(Field::Count).and_then(Decimal::as_int).and_then(|n| u32::try_from(n).ok());
    let doses = if together { 1 } else { pieces.unwrap_or(1).max(1) };
    Past { seq: entry.seq, ago_ms, at_least_ms, doses, amount, ours }
}

fn arrival(finding: &Finding) -> bool {
    ["on_scene", "at_patient"].iter().any(|name| finding.is(Field::Name, name))
}

/// What one dose may be for this patient, and whether the stated one is.
#[derive(Clone, Debug, PartialEq)]
pub enum Fit<'a> {
    Fits,
    /// No row is for this patient.
    NoRow,
    /// Outside every row that may apply; the nearest.
    Outside(&'a super::Entry<Dose>, Vec<u64>),
    /// A weighed dose for a patient of unknown weight.
    NeedsWeight(&'a super::Entry<Dose>),
}

/// Compares `amount` (in `unit`) with the rows for this form and patient.
pub fn fit<'a>(facts: &Facts, rows: &[&'a super::Entry<Dose>], amount: Decimal, unit: &str) -> Fit<'a> {
    let weight = facts.weight().map(|w| w.1);
    let may_apply: Vec<&'a super::Entry<Dose>> =
        rows.iter().copied().filter(|row| applies(facts, row, weight) != Answer::No).collect();
    let Some(first) = may_apply.first().copied() else { return Fit::NoRow };
    let fits: Vec<Option<bool>> = may_apply.iter().map(|row| within(row, amount, unit, weight)).collect();
    let all = |wanted| fits.iter().all(|fit| *fit == Some(wanted));
    if all(true) {
        return Fit::Fits;
    }
    if all(false) {
        // The row that surely applies, else the first in the file.
        let sure = may_apply.iter().copied().find(|row| applies(facts, row, weight) == Answer::Yes);
        let mut because: Vec<u64> = facts.age_years().map(|(e, _)| e.seq).into_iter().collect();
        because.extend(facts.weight().map(|(e, _)| e.seq));
        because.dedup();
        return Fit::Outside(sure.unwrap_or(first), because);
    }
    match weight {
        // Rows that weigh, and the weight is not known: right for one and wrong for another.
        None if facts.age_years().is_some() => Fit::NeedsWeight(first),
        _ => Fit::Fits,
    }
}

/// A child of unknown weight for whom every dose goes by it: nobody can say yet how much. The row that asks.
pub fn wants_weight<'a>(facts: &Facts, rows: &[&'a super::Entry<Dose>]) -> Option<&'a super::Entry<Dose>> {
    if grown(facts) || facts.weight().is_some() {
        return None;
    }
    let may_apply = rows.iter().copied().filter(|row| applies(facts, row, None) != Answer::No);
    let may_apply: Vec<&'a super::Entry<Dose>> = may_apply.collect();
    may_apply.iter().all(|row| by_weight(&row.body)).then(|| may_apply.first().copied()).flatten()
}

fn by_weight(dose: &Dose) -> bool {
    dose.per_kg.is_some() || dose.min_weight.is_some() || dose.below_weight.is_some()
}

fn applies(facts: &Facts, row: &super::Entry<Dose>, weight: Option<SaidWeight>) -> Answer {
    let age = row.body.age.as_ref().map_or(Answer::Yes, |age| {
        let verdict = facts.evaluate(&super::model::Condition::Age(age.clone()));
        match verdict.answer {
            // Age not known: an adult.
            Answer::Unknown if facts.age_years().is_none() && age.below_years.is_some() => Answer::No,
            Answer::Unknown if facts.age_years().is_none() => Answer::Yes,
            known => known,
        }
    });
    let heavy = row.body.min_weight.map_or(Answer::Yes, |limit| match weight {
        Some(weight) if weight.below(limit) => Answer::No,
        Some(_) => Answer::Yes,
        // A grown patient of unknown weight is taken for heavy enough.
        None if grown(facts) => Answer::Yes,
        None => Answer::Unknown,
    });
    let light = row.body.below_weight.map_or(Answer::Yes, |limit| match weight {
        Some(weight) if weight.below(limit) => Answer::Yes,
        Some(_) => Answer::No,
        None if grown(facts) => Answer::No,
        None => Answer::Unknown,
    });
    match [age, heavy, light] {
        all if all.contains(&Answer::No) => Answer::No,
        all if all.contains(&Answer::Unknown) => Answer::Unknown,
        _ => Answer::Yes,
    }
}

/// Fifteen or older, or of unknown age (NASEMSO v3.0 p.13: a child is 14 years or younger, or up to 40 kg).
fn grown(facts: &Facts) -> bool {
    facts.age_years().is_none_or(|(_, years)| years >= 15.0)
}

fn within(row: &super::Entry<Dose>, amount: Decimal, unit: &str, weight: Option<SaidWeight>) -> Option<bool> {
    let dose = &row.body;
    let Some(amount) = convert(amount, unit, &dose.unit) else { return Some(false) };
    let Some(per_kg) = dose.per_kg else {
        let exact = dose.amounts.contains(&amount);
        let between = dose.min.is_some_and(|min| amount >= min) && dose.max.is_some_and(|max| amount <= max);
        return Some(exact || between);
    };
    let weighed = per_kg.as_f64() * weight?.kg.as_f64();
    let weighed = dose.max.map_or(weighed, |max| weighed.min(max.as_f64()));
    let weighed = dose.min.map_or(weighed, |min| weighed.max(min.as_f64()));
    let slack = weighed * f64::from(dose.tolerance_percent) / 100.0 + 1e-9;
    Some((amount.as_f64() - weighed).abs() <= slack)
}

/// The dose by weight, for tables: `per_kg` times the weight within `min` and `max`.
pub fn weighed(dose: &Dose, kg: Decimal) -> Option<Decimal> {
    let by_weight = dose.per_kg?.checked_mul(kg)?;
    let by_weight = dose.max.map_or(by_weight, |max| by_weight.min(max));
    Some(dose.min.map_or(by_weight, |min| by_weight.max(min)))
}

/// Minutes from the last dose whose time is known, if it is nearer than `minutes`. What was told of a dose before us is
/// told in whole minutes, and taken so.
pub fn too_soon(past: &[Past], minutes: u32) -> Option<(&Past, u64)> {
    let last = past.iter().filter(|p| p.ago_ms.is_some()).min_by_key(|p| p.ago_ms)?;
    let ago = last.ago_ms?;
    let known = if last.ours { ago } else { ago + MINUTE_MS / 2 };
    (known / MINUTE_MS < u64::from(minutes)).then_some((last, known / MINUTE_MS))
}

/// A dose of unknown time that may be nearer than `minutes`, the last one told. Whoever told afterwards when the dose before
/// us was taken has answered.
pub fn perhaps_too_soon(past: &[Past], minutes: u32) -> Option<&Past> {
    let near = u64::from(minutes) * MINUTE_MS;
    let untimed = past.iter().rfind(|p| p.ago_ms.is_none() && p.at_least_ms < near)?;
    let answers = |p: &Past| p.seq > untimed.seq && !p.ours && p.doses == untimed.doses && p.ago_ms.is_some();
    let answered = past.iter().any(answers);
    (!answered).then_some(untimed)
}

/// Doses and their sum within the last `hours`; a dose of unknown time counts.
pub fn running_total(past: &[Past], hours: u32) -> (u32, Option<Decimal>, Vec<u64>) {
    let limit = u64::from(hours) * HOUR_MS;
    let recent: Vec<&Past> = past.iter().filter(|p| p.ago_ms.is_none_or(|ago| ago <= limit)).collect();
    let sum = recent.iter().filter_map(|p| p.amount).try_fold(Decimal::ZERO, Decimal::checked_add);
    (recent.iter().map(|p| p.doses).sum(), sum, recent.iter().map(|p| p.seq).collect())
}

/// Whole minutes between two moments.
pub fn minutes(from: Moment, to: Moment) -> u64 {
    to.since_ms(from) / MINUTE_MS
}
