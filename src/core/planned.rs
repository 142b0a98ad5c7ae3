//! A dose told without its amount is the dose that was planned: "about to give nitro, zero point four" and then "nitro
//! is in". The finding stays as said; whoever counts, reads back, hands over or exports it asks here.

use super::finding::{Field, Finding, Kind};
use super::ledger::{Entry, Ledger};

/// A plan older than this is another dose's, milliseconds.
pub const PLAN_OPEN_MS: u64 = 30 * 60_000;
/// What says how much.
const AMOUNT: [Field; 4] = [Field::Dose, Field::Count, Field::Each, Field::Unit];
/// What the plan may add, and what tells two doses apart when it differs.
const MANNER: [Field; 4] = [Field::Route, Field::Form, Field::Device, Field::Site];

/// A dose completed from the plan that it closed.
#[derive(Clone, Debug, PartialEq)]
pub struct FromPlan<'a> {
    /// The plan's entry.
    pub plan: &'a Entry,
    /// The dose as given, with what the plan adds. To be shown as from the plan.
    pub finding: Finding,
    /// The fields that are the plan's.
    pub added: Vec<Field>,
    /// The plan's amount was never confirmed.
    pub unconfirmed: bool,
}

/// What the plan adds to a `medication_given` that was told without an amount; `None` where it was told with one, where
/// no plan of the same drug and patient was open, or where route, form or device say that it was another dose.
///
/// `generic` gives the one name of a drug (`Protocol::generic`; `str::to_string` where findings carry generic names).
pub fn from_plan<'a>(ledger: &'a Ledger, given: &Entry, generic: impl Fn(&str) -> String) -> Option<FromPlan<'a>> {
    let told = &given.finding;
    let amounts = [Field::Dose, Field::Count, Field::Each];
    let bare = amounts.iter().all(|field| told.get(*field).is_none());
    if told.kind() != Kind::MedicationGiven || !bare || told.flag(Field::Present) == Some(false) {
        return None;
    }
    if told.flag(Field::BeforeArrival) == Some(true) {
        return None;
    }
    let drug = generic(told.text(Field::Name)?);
    let patient = told.patient();
    let same = |e: &&Entry| {
        e.seq < given.seq
            && e.finding.flag(Field::Present) != Some(false)
            && e.finding.flag(Field::BeforeArrival) != Some(true)
            && e.finding.text(Field::Name).is_some_and(|name| generic(name) == drug)
    };
    let plan = ledger.of(Kind::MedicationPlanned, patient).rfind(same)?;
    let closed = [Kind::MedicationGiven, Kind::MedicationWithheld]
        .iter()
        .any(|kind| ledger.of(*kind, patient).rfind(same).is_some_and(|closing| closing.seq > plan.seq));
    let other = MANNER.iter().take(3).any(|field| {
        let (said, planned) = (told.text(*field), plan.finding.text(*field));
        said.is_some() && planned.is_some() && said != planned
    });
    if closed || other || given.when.since_ms(plan.when) > PLAN_OPEN_MS {
        return None;
    }
    amounts.iter().any(|field| plan.finding.get(*field).is_some()).then(|| join(told, plan))
}

fn join<'a>(told: &Finding, plan: &'a Entry) -> FromPlan<'a> {
    let mut finding = told.clone();
    let mut added = Vec::new();
    for field in AMOUNT.into_iter().chain(MANNER) {
        if let (None, Some(value)) = (told.get(field), plan.finding.get(field)) {
            finding.set(field, value.clone());
            added.push(field);
        }
    }
    FromPlan { plan, finding, added, unconfirmed: plan.unconfirmed() }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::core::event::{Body, Event};
    use crate::core::finding::Value;
    use crate::core::time::Moment;

    fn ledger(findings: &[(u64, Finding)]) -> Ledger {
        let at = chrono::DateTime::parse_from_rfc3339("2027-03-01T14:00:00-05:00").unwrap();
        let event = |(second, finding): &(u64, Finding)| Event {
            seq: *second,
            when: Moment::new(second * 1000, at),
            body: Body::Finding(finding.clone()),
            from: None,
        };
        Ledger::fold(findings.iter().map(event).collect::<Vec<_>>().iter())
    }

    fn aspirin(kind: Kind) -> Finding {
        Finding::new(kind).with(Field::Name, Value::text("aspirin"))
    }

    fn dosed(kind: Kind) -> Finding {
        aspirin(kind).with(Field::Dose, Value::int(324)).with(Field::Unit, Value::text("mg"))
    }

    fn dose_of(ledger: &Ledger, seq: u64) -> Option<i64> {
        from_plan(ledger, ledger.find(seq).unwrap(), str::to_string).and_then(|j| j.finding.int(Field::Dose))
    }

    #[test]
    fn a_bare_dose_takes_its_amount_from_the_open_plan_and_only_once() {
        let given = || aspirin(Kind::MedicationGiven);
        let told = ledger(&[(1, dosed(Kind::MedicationPlanned)), (60, given()), (300, given())]);
        assert_eq!(dose_of(&told, 60), Some(324));
        assert_eq!(dose_of(&told, 300), None);
        assert!(told.find(60).unwrap().finding.get(Field::Dose).is_none());
    }

    #[test]
    fn nothing_is_taken_from_a_plan_withheld_old_by_another_route_or_for_another_patient() {
        let plan = || (1, dosed(Kind::MedicationPlanned).with(Field::Route, Value::text("oral")));
        let given = || aspirin(Kind::MedicationGiven);
        let withheld = aspirin(Kind::MedicationWithheld);
        assert_eq!(dose_of(&ledger(&[plan(), (9, withheld), (60, given())]), 60), None);
        assert_eq!(dose_of(&ledger(&[plan(), (2000, given())]), 2000), None);
        let rectal = given().with(Field::Route, Value::text("rectal"));
        assert_eq!(dose_of(&ledger(&[plan(), (60, rectal)]), 60), None);
        let second = given().with(Field::Patient, Value::int(2));
        assert_eq!(dose_of(&ledger(&[plan(), (60, second)]), 60), None);
        let own = given().with(Field::Dose, Value::int(81));
        assert_eq!(dose_of(&ledger(&[plan(), (60, own)]), 60), None);
    }
}
