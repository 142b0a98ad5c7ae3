//! Numbers and times that no phrase took: which vital sign they may be, in a row, in front, or alone.

use crate::core::finding::{Field, Finding, Kind, Value};
use crate::core::grammar::Grammar;
use crate::core::utterance::Change;

use super::Conversation;
use super::interpret::{Draft, Meaning};
use super::settle::{Context, of_patient};
use super::taken::{Taken, recorded};

/// What a lone number may be, with the values that it then may have. Common practice, no source.
const LONE: [(Kind, Field, i64, i64); 3] = [
    (Kind::Pulse, Field::RatePerMin, 30, 220),
    (Kind::Respirations, Field::RatePerMin, 4, 60),
    (Kind::OxygenSaturation, Field::Percent, 70, 100),
];

impl Conversation {
    /// A number alone in its sentence, that nothing asked for.
    pub(super) fn take_stray(&self, grammar: &Grammar, meaning: &Meaning, context: Context, taken: &mut Taken) {
        if meaning.stray.is_empty() {
            return;
        }
        let number = meaning.stray.join(" ");
        ask_lone(grammar, &number, &number, context.patient, taken);
    }

    /// "one eighteen, ninety four over sixty two": the vital sign that a leading number must be, if only one can hold it.
    pub(super) fn take_lead(&self, grammar: &Grammar, lead: &[String], context: Context, taken: &mut Taken) {
        if lead.is_empty() || taken.changes.is_empty() {
            return;
        }
        let number = lead.join(" ");
        let options = lone_options(grammar, &number, taken, context.patient);
        taken.leftover.retain(|words| *words != number);
        match options.as_slice() {
            [only] => {
                taken.changes.insert(0, Change::Record(only.clone()));
                taken.doubts.iter_mut().for_each(|d| d.finding += 1);
            }
            _ => ask_lone(grammar, &number, &number, context.patient, taken),
        }
    }

    /// Numbers beside a measured value that no phrase took are values too: which?
    pub(super) fn take_numbers(&self, grammar: &Grammar, meaning: &Meaning, context: Context, taken: &mut Taken) {
        let said = |words: &&String| !meaning.lead.contains(words) && meaning.lead.join(" ") != **words;
        let Some(number) = meaning.numbers.iter().find(said) else { return };
        if taken.ambiguous || taken.changes.is_empty() || !meaning.drafts.iter().any(|d| grammar.is_vital(d.frame)) {
            return;
        }
        ask_lone(grammar, number, number, context.patient, taken);
        let contested =
            |c: &Change| matches!(c, Change::Record(finding) if meaning.contested.contains(&finding.kind()));
        taken.take_out(contested);
    }

    /// A time of day beside a finding that no phrase took: was that when it happened?
    pub(super) fn take_times(&self, grammar: &Grammar, times: &[String], taken: &mut Taken) {
        let Some(time) = times.first() else { return };
        let last = taken.changes.iter().rfind(|c| matches!(c, Change::Record(_))).cloned();
        if last.is_none() {
            return;
        }
        taken.ambiguous = true;
        taken.why.push(grammar.prompt("lone_time", &[("time", time)]));
        taken.offer(last);
    }
}

/// "One twenty two over seventy six, seventy eight, sixteen, ninety eight": the whole set in its usual order is taken as it
/// is; a part of it only where no other vital sign that was not said can hold one of the numbers. One number is none.
pub(super) fn row_is_plain(row: &[&Draft], others: &[&Draft]) -> bool {
    let said = |kind: Kind| others.iter().any(|d| d.kind == kind && !d.numbers.is_empty() && !d.restated);
    let fits = |draft: &Draft, kind: Kind| {
        let value = draft.numbers.first().and_then(|n| n.value.as_int());
        let holds = |n: i64| LONE.iter().any(|(k, _, low, high)| *k == kind && (*low..=*high).contains(&n));
        !said(kind) && value.is_some_and(holds)
    };
    let in_place = row.iter().all(|d| fits(d, d.kind));
    match row {
        [] => true,
        [_] => false,
        [first, second] => {
            let kinds = || LONE.iter().map(|(kind, ..)| *kind);
            let pairs = kinds().flat_map(|one| kinds().map(move |other| (one, other)));
            in_place && pairs.filter(|(a, b)| a != b && fits(first, *a) && fits(second, *b)).count() == 1
        }
        _ => in_place,
    }
}

/// Asks what the numbers of a row are whose order does not settle it.
pub(super) fn ask_row(grammar: &Grammar, row: &[&Draft], context: Context, taken: &mut Taken) {
    let numbers = row.iter().flat_map(|d| &d.numbers).map(|n| n.said.clone()).collect::<Vec<_>>();
    let Some(first) = numbers.first() else { return };
    ask_lone(grammar, &numbers.join(" "), first, context.patient, taken);
}

/// Asks what `said` is, of which `number` may be any vital sign that can hold it.
pub(super) fn ask_lone(grammar: &Grammar, said: &str, number: &str, patient: i64, taken: &mut Taken) {
    taken.ambiguous = true;
    taken.why.push(grammar.prompt("lone_number", &[("number", said)]));
    let options = lone_options(grammar, number, taken, patient);
    taken.options.extend(options.into_iter().map(|finding| vec![finding]));
}

/// What a number that belongs to nothing may be: each vital sign that was not said and that can hold it.
fn lone_options(grammar: &Grammar, said: &str, taken: &Taken, patient: i64) -> Vec<Finding> {
    let on = grammar.utterance(said);
    let Some(value) = on.number(0) else { return Vec::new() };
    let mut options = Vec::new();
    for (kind, field, low, high) in LONE {
        let said = taken.changes.iter().filter_map(recorded).any(|f| f.kind() == kind && f.get(field).is_some());
        let fits = value.as_int().is_some_and(|n| (low..=high).contains(&n));
        if fits && !said {
            options.push(of_patient(patient, Finding::new(kind).with(field, Value::Number(value))));
        }
    }
    options
}
