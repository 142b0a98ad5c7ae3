//! Which drug is meant where none is named: the one that is planned, the one that came by the same piece, his own.

use chrono::DateTime;

use crate::core::decimal::Decimal;
use crate::core::finding::{Field, Finding, Kind, Value};
use crate::core::grammar::Grammar;
use crate::core::ledger::Entry;
use crate::core::utterance::Change;

use super::Conversation;
use super::taken::{Taken, recorded};

/// So much before our arrival a dose was surely not ours: how long ago it was is told in whole minutes. Our own choice.
const BEFORE_US_MS: i64 = 60_000;

impl Conversation {
    /// "it is in": the drug is the one that was planned.
    pub(super) fn complete_given(&self, grammar: &Grammar, finding: &mut Finding, taken: &mut Taken) -> bool {
        let named = finding.get(Field::Name).is_some();
        match finding.kind() {
            _ if named => true,
            Kind::MedicationPlanned => self.complete_again(grammar, finding, taken),
            Kind::MedicationGiven | Kind::MedicationWithheld | Kind::MedicationTaken | Kind::MedicationCheck => {
                let planned = |f: &&Finding| f.kind() == Kind::MedicationPlanned;
                let in_breath = taken.changes.iter().rev().filter_map(newly).find(planned).cloned();
                match in_breath.or_else(|| self.meant_by_piece(finding)) {
                    Some(plan) => from_plan(finding, &plan),
                    None => {
                        return self.taken_of_his_own(grammar, finding, taken) || without_plan(grammar, finding, taken);
                    }
                }
                true
            }
            _ => true,
        }
    }

    /// What a dose without its name is of: the open plan, or what was given by the same piece before. Where the plan's
    /// piece is not known and the piece is that of another drug, it may be either ("second spray is in" while aspirin
    /// is planned).
    fn meant_by_piece(&self, finding: &Finding) -> Option<Finding> {
        let plan = self.open_plan(finding.patient());
        if plan.is_some_and(|plan| by_the_same_piece(finding, &plan.finding)) || !named_by_piece(finding) {
            return plan.map(|entry| entry.finding.clone());
        }
        let plan = plan.filter(|plan| !by_another_piece(finding, &plan.finding));
        let before = self.last_by_piece(finding);
        let drug = |entry: &Entry| entry.finding.text(Field::Name).map(String::from);
        match (plan, before) {
            (Some(plan), Some(before)) if drug(plan) != drug(before) => None,
            // What he took himself need not be what we mean to give.
            (Some(_), None) if finding.kind() == Kind::MedicationTaken => None,
            (plan, before) => plan.or(before).map(|entry| entry.finding.clone()),
        }
    }

    /// The last dose, ours or another's, told by the piece of `finding`.
    fn last_by_piece(&self, finding: &Finding) -> Option<&Entry> {
        let of = |kind| self.ledger.of(kind, finding.patient()).rfind(|e| by_the_same_piece(finding, &e.finding));
        of(Kind::MedicationGiven).into_iter().chain(of(Kind::MedicationTaken)).max_by_key(|e| e.seq)
    }

    /// "give him another puff": of the drug that was last given or taken so. "Give him one" behind a medicine of his own:
    /// of that.
    fn complete_again(&self, grammar: &Grammar, finding: &mut Finding, taken: &mut Taken) -> bool {
        if !named_by_piece(finding) {
            let Some(name) = self.his_own(taken) else { return false };
            for (field, value) in grammar.usual(&name) {
                let fits = *field != Field::Unit || finding.get(Field::Dose).is_some();
                if fits && finding.get(*field).is_none() {
                    finding.set(*field, value.clone());
                }
            }
            finding.set(Field::Name, name);
            return true;
        }
        let Some(last) = self.last_by_piece(finding).map(|e| e.finding.clone()) else {
            taken.ambiguous = true;
            taken.why.push(grammar.prompt("which_drug", &[]));
            return false;
        };
        let unit = Some(Field::Unit).filter(|unit| finding.get(Field::Dose).is_some() && finding.get(*unit).is_none());
        for field in [Field::Name, Field::Route, Field::Device].into_iter().chain(unit) {
            if let Some(value) = last.get(field) {
                finding.set(field, value.clone());
            }
        }
        true
    }

    /// "He took two of them" behind the one medicine of his that was just named; puffs only of what is breathed in.
    fn taken_of_his_own(&self, grammar: &Grammar, finding: &mut Finding, taken: &Taken) -> bool {
        let named = |f: &&Finding| f.kind() == Kind::HomeMedication && f.get(Field::Name).is_some();
        let before = self.last.iter().filter_map(|seq| self.ledger.find(*seq)).map(|entry| &entry.finding);
        let here = taken.changes.iter().filter_map(newly);
        let of_his: Vec<&Finding> = before.chain(here).filter(named).collect();
        let (Kind::MedicationTaken, [only]) = (finding.kind(), of_his.as_slice()) else { return false };
        let Some(name) = only.get(Field::Name).cloned() else { return false };
        let route =
            grammar.usual(&name).iter().find(|(field, _)| *field == Field::Route).map(|(_, value)| value.clone());
        let breathed = route == Some(Value::text("inhaled"));
        if finding.is(Field::Unit, "puffs") != breathed {
            return false;
        }
        if let Some(route) = route.filter(|_| finding.get(Field::Route).is_none()) {
            finding.set(Field::Route, route);
        }
        finding.set(Field::Name, name);
        true
    }

    /// The medicine of his own that was named last: in this breath, or in the last one heard.
    fn his_own(&self, taken: &Taken) -> Option<Value> {
        let named = |f: &Finding| (f.kind() == Kind::HomeMedication).then(|| f.get(Field::Name).cloned()).flatten();
        let here = taken.changes.iter().rev().filter_map(newly).find_map(named);
        here.or_else(|| self.last.iter().rev().filter_map(|seq| self.ledger.find(*seq)).find_map(|e| named(&e.finding)))
    }

    /// What was given before we came was given by somebody else: "I gave him Tylenol two hours ago".
    pub(super) fn given_before_us(&self, finding: &mut Finding) {
        let arrival = |e: &&Entry| ["on_scene", "at_patient"].iter().any(|name| e.finding.is(Field::Name, name));
        let came = self.ledger.all_of(Kind::Milestone).find(arrival).map(|e| e.when.at);
        let at = finding.text(Field::HappenedAt).and_then(|at| DateTime::parse_from_rfc3339(at).ok());
        let before = came.zip(at).is_some_and(|(came, at)| (came - at).num_milliseconds() > BEFORE_US_MS);
        if finding.kind() == Kind::MedicationGiven && before {
            let mut taken = Finding::new(Kind::MedicationTaken);
            finding.fields().for_each(|(field, value)| taken.set(field, value.clone()));
            *finding = taken;
        }
    }

    /// "Last one was ten minutes ago": of the dose told in this breath or the one before, where nobody said when it was.
    pub(super) fn time_last_dose(&self, told: &Finding, taken: &mut Taken) {
        let Some(at) = told.get(Field::HappenedAt).filter(|_| self.handover_since.is_none() && !taken.handover) else {
            return;
        };
        let dose = |f: &Finding| matches!(f.kind(), Kind::MedicationTaken | Kind::MedicationGiven);
        let here = taken.changes.iter_mut().rev().find_map(|change| match change {
            Change::Record(finding) if dose(finding) => Some(finding),
            _ => None,
        });
        let timed = |dose: &Finding| {
            let mut dose = dose.clone().with(Field::HappenedAt, at.clone());
            if let Some(about) = told.get(Field::Approximate) {
                dose.set(Field::Approximate, about.clone());
            }
            dose
        };
        if let Some(finding) = here.filter(|f| f.get(Field::HappenedAt).is_none()) {
            *finding = timed(finding);
            return;
        }
        let last = self.last.iter().rev().filter_map(|seq| self.ledger.find(*seq));
        let Some(entry) = last.filter(|e| e.stands()).find(|e| dose(&e.finding)) else { return };
        if entry.finding.get(Field::HappenedAt).is_none() {
            let finding = timed(&entry.finding);
            taken.changes.push(Change::Correct { target: entry.seq, finding, who: None, why: None });
            taken.answered = true;
        }
    }

    /// "He's had two doses of epi" where we gave two: they are ours, told again, and no more of them.
    pub(super) fn counts_ours(&self, finding: &Finding) -> bool {
        let own = [Field::HappenedAt, Field::BeforeArrival, Field::ReportedBy];
        if finding.kind() != Kind::MedicationTaken || own.iter().any(|field| finding.get(*field).is_some()) {
            return false;
        }
        let count = |f: &Finding| f.number(Field::Count).unwrap_or(Decimal::from_int(1));
        let all = |kind: Kind| {
            let of_it = self.ledger.of(kind, finding.patient());
            let mut of_it = of_it.filter(|e| e.finding.get(Field::Name) == finding.get(Field::Name));
            of_it.try_fold(Decimal::from_int(0), |sum, e| sum.checked_add(count(&e.finding)))
        };
        let (Some(ours), Some(before)) = (all(Kind::MedicationGiven), all(Kind::MedicationTaken)) else { return false };
        let said = finding.number(Field::Count);
        ours > Decimal::from_int(0) && said.is_some_and(|n| n == ours || Some(n) == ours.checked_add(before))
    }

    /// The last drug that was planned and neither given nor withheld since.
    pub(super) fn open_plan(&self, patient: i64) -> Option<&Entry> {
        let closes = |plan: &Entry| {
            let later = self.ledger.standing().rev().take_while(|e| e.seq > plan.seq);
            later.into_iter().any(|e| {
                matches!(e.finding.kind(), Kind::MedicationGiven | Kind::MedicationWithheld)
                    && e.finding.text(Field::Name) == plan.finding.text(Field::Name)
            })
        };
        self.ledger.of(Kind::MedicationPlanned, patient).rev().find(|plan| !closes(plan))
    }
}

fn newly(change: &Change) -> Option<&Finding> {
    match change {
        Change::Record(finding) => Some(finding),
        _ => None,
    }
}

/// Fills in what a dose told without its name has of the plan that it follows.
fn from_plan(finding: &mut Finding, plan: &Finding) {
    // "Half the tube is in" of a tube of fifteen grams: not the plan's dose.
    let pieces = |f: &Finding| f.number(Field::Count).unwrap_or(Decimal::from_int(1));
    let other_amount = finding.get(Field::Count).is_some() && pieces(finding) != pieces(plan);
    for (field, value) in plan.fields().filter(|(field, _)| !(other_amount && *field == Field::Dose)) {
        let own = matches!(field, Field::Unconfirmed | Field::HappenedAt | Field::Echoed);
        let wanted = match finding.kind() {
            Kind::MedicationGiven => !own,
            // How much we mean to give says nothing of how much he took.
            Kind::MedicationTaken => matches!(field, Field::Name | Field::Route),
            _ => field == Field::Name,
        };
        if wanted && finding.get(field).is_none() {
            finding.set(field, value.clone());
        }
    }
}

/// True where a check or a dose stands without the name of its drug. "It is in" without a plan is talk; with an amount it
/// is asked of which drug.
fn without_plan(grammar: &Grammar, finding: &Finding, taken: &mut Taken) -> bool {
    // The rights are checked aloud before the drug is named.
    if finding.kind() == Kind::MedicationCheck {
        return true;
    }
    let told = [Field::Dose, Field::Count, Field::Device];
    if told.iter().any(|field| finding.get(*field).is_some()) {
        taken.ambiguous = true;
        taken.why.push(grammar.prompt("which_drug", &[]));
    }
    false
}

/// Whether the piece that a dose was told by (spray, nebulizer, puffs) is this one's.
fn by_the_same_piece(finding: &Finding, other: &Finding) -> bool {
    let piece = [Field::Unit, Field::Form, Field::Device];
    piece.iter().all(|field| finding.get(*field).is_none_or(|value| other.get(*field) == Some(value)))
}

/// Whether it is given in another form or another way.
fn by_another_piece(finding: &Finding, other: &Finding) -> bool {
    let differs = |field: &Field| matches!((finding.get(*field), other.get(*field)), (Some(a), Some(b)) if a != b);
    [Field::Form, Field::Device, Field::Route].iter().any(differs)
}

/// Told by a piece that says something of the drug: milligrams do not.
fn named_by_piece(finding: &Finding) -> bool {
    finding.get(Field::Form).is_some() || finding.get(Field::Device).is_some() || finding.is(Field::Unit, "puffs")
}

/// When a dose was, and nothing of the dose itself.
pub(super) fn tells_time_alone(finding: &Finding) -> bool {
    let only = |field: Field| matches!(field, Field::HappenedAt | Field::Approximate | Field::Patient);
    finding.kind() == Kind::MedicationTaken && finding.fields().all(|(field, _)| only(field))
}

/// "He's prescribed nitro but didn't take any": of the drug just named; of no drug it says nothing.
pub(super) fn complete_use(finding: &mut Finding, taken: &Taken) -> bool {
    let named = |f: &Finding| f.get(Field::Name).or(f.get(Field::Class)).is_some();
    if finding.kind() != Kind::RecentUse || named(finding) {
        return true;
    }
    let before = taken.changes.iter().rev().filter_map(recorded).find(|f| f.kind() == Kind::HomeMedication);
    let Some(name) = before.and_then(|f| f.get(Field::Name)) else { return false };
    finding.set(Field::Name, name.clone());
    true
}
