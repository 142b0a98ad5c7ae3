//! One way to understand an utterance: what it would record, command, ask and doubt, and what of several ways stands.

use crate::core::command::Command;
use crate::core::event::Outcome;
use crate::core::finding::{Field, Finding, Kind, Value};
use crate::core::grammar::Grammar;
use crate::core::ledger::ECHO;
use crate::core::utterance::{Change, Doubt, Understood};

use super::answer::READ_BACK;
use super::interpret::Question;

/// Most meanings shown.
const OPTIONS: usize = 16;

/// One way to understand an utterance, with what it would do to the conversation.
#[derive(Clone, Debug, Default, PartialEq)]
pub(super) struct Taken {
    pub changes: Vec<Change>,
    pub commands: Vec<Command>,
    pub doubts: Vec<Doubt>,
    pub options: Vec<Vec<Finding>>,
    pub why: Vec<String>,
    pub refused: Vec<Finding>,
    pub restated: Vec<Finding>,
    pub rejected: bool,
    pub ambiguous: bool,
    pub answered: bool,
    /// An answer that settled nothing.
    pub unclear: bool,
    /// Every word is known, and none of them says or answers anything.
    pub talk: bool,
    pub asked: Vec<Vec<Question>>,
    pub leftover: Vec<String>,
    pub handover: bool,
    pub handover_ends: bool,
    pub addressed: bool,
    /// A word of it tells of the past: "pulse was ninety".
    pub retold: bool,
    /// It began with a "no" that no question of its own explains.
    pub contests: bool,
    pub explain: Vec<String>,
}

impl Taken {
    /// Takes changes out, with what is doubted of them; the other doubts stay with their findings. Gives what was taken.
    pub(super) fn take_out(&mut self, of_it: impl Fn(&Change) -> bool) -> Vec<Change> {
        let kept: Vec<bool> = self.changes.iter().filter(|c| recorded(c).is_some()).map(|c| !of_it(c)).collect();
        self.doubts.retain(|doubt| kept.get(doubt.finding).copied().unwrap_or(true));
        for doubt in &mut self.doubts {
            doubt.finding = kept.iter().take(doubt.finding).filter(|kept| **kept).count();
        }
        let (out, kept) = std::mem::take(&mut self.changes).into_iter().partition(|change| of_it(change));
        self.changes = kept;
        out
    }

    /// A change that stands no more, and is one of the options.
    pub(super) fn offer(&mut self, change: Option<Change>) {
        let out = self.take_out(|c| Some(c) == change.as_ref());
        self.options.extend(out.iter().filter_map(recorded).map(|finding| vec![finding.clone()]));
    }

    /// It makes no sense.
    pub(super) fn is_nothing(&self) -> bool {
        outcome(self) == Outcome::Unmatched
    }

    /// "Not really, no", "same, no change" say it once.
    pub(super) fn record_once(&mut self, finding: Finding) {
        let change = Change::Record(finding);
        if !self.changes.contains(&change) {
            self.changes.push(change);
        }
    }
}

pub(super) fn same(a: &Taken, b: &Taken) -> bool {
    a.changes == b.changes
        && a.commands == b.commands
        && a.asked == b.asked
        && a.restated == b.restated
        && a.rejected == b.rejected
        && a.ambiguous == b.ambiguous
}

/// Every finding of `less` is part of one of `more`, and `more` holds something besides.
fn says_more(more: &[Finding], less: &[Finding]) -> bool {
    let within = |part: &Finding, whole: &Finding| {
        part.kind() == whole.kind() && part.fields().all(|(f, v)| whole.get(f) == Some(v))
    };
    more != less && less.iter().all(|part| more.iter().any(|whole| within(part, whole))) && less.len() <= more.len()
}

/// Several meanings: what they share stands, the rest are options.
pub(super) fn merge(grammar: &Grammar, all: Vec<Taken>) -> Taken {
    let all = without_the_beaten(all);
    let Some(first) = all.first().cloned() else { return Taken::default() };
    if all.iter().all(|t| t.changes == first.changes) {
        return first;
    }
    let shared = |change: &Change| all.iter().all(|t| t.changes.contains(change));
    // Which of two things heard before was said again is not worth a question.
    let echo = |c: &Change| shared(c) || matches!(c, Change::Confirm { how, .. } if how != READ_BACK);
    if all.iter().all(|t| t.changes.iter().all(echo)) {
        return all.into_iter().max_by_key(|t| t.changes.len()).unwrap_or_default();
    }
    let own = |t: &Taken| t.changes.iter().filter(|c| !shared(c)).filter_map(recorded).cloned().collect();
    let mut merged = first.clone();
    merged.take_out(|change| !shared(change));
    merged.ambiguous = true;
    merged.options.extend(all.iter().take(OPTIONS).map(own));
    merged.why.push(grammar.prompt("two_meanings", &[]));
    merged
}

/// A meaning that works beats one that does not, and one that says all another says, and more, is the one that was meant.
fn without_the_beaten(mut all: Vec<Taken>) -> Vec<Taken> {
    if all.iter().any(|t| !t.rejected && !t.ambiguous) {
        all.retain(|t| !t.rejected && !t.ambiguous);
    }
    let said: Vec<Vec<Finding>> =
        all.iter().map(|t| t.changes.iter().filter_map(recorded).cloned().collect()).collect();
    // "Twenty" may confirm one value that was read back, or correct the other: neither says more.
    let beaten = |(at, taken): (usize, &Taken)| {
        let more = |(i, other): (usize, &Vec<Finding>)| i != at && said.get(at).is_some_and(|m| says_more(other, m));
        !taken.changes.iter().any(confirms_read_back) && said.iter().enumerate().any(more)
    };
    let beaten: Vec<bool> = all.iter().enumerate().map(beaten).collect();
    let all = all.into_iter().zip(beaten);
    all.filter(|(_, beaten)| !beaten).map(|(taken, _)| taken).collect()
}

pub(super) fn confirms_read_back(change: &Change) -> bool {
    matches!(change, Change::Confirm { how, .. } if how == READ_BACK)
}

/// A number of its own, and not that of the patient.
pub(super) fn has_number(finding: &Finding) -> bool {
    finding.fields().any(|(field, value)| field != Field::Patient && value.as_number().is_some())
}

pub(super) fn recorded(change: &Change) -> Option<&Finding> {
    match change {
        Change::Record(finding) | Change::Correct { finding, .. } => Some(finding),
        Change::Retract { .. } | Change::Confirm { .. } => None,
    }
}

/// Nothing that names what they are about ("left", "aspirin") tells these two findings of a kind apart.
pub(super) fn same_subject(one: &Finding, other: &Finding) -> bool {
    one.fields().all(|(field, value)| match (value, other.get(field)) {
        (Value::Text(_), Some(same)) => same == value,
        _ => true,
    })
}

pub(super) fn understood(heard: &str, taken: Taken) -> Understood {
    Understood {
        heard: heard.to_string(),
        outcome: outcome(&taken),
        asked: taken.asked.iter().flatten().map(name_of).collect(),
        changes: taken.changes,
        commands: taken.commands,
        doubt: taken.doubts,
        options: taken.options,
        why: taken.why,
        refused: taken.refused,
        leftover: taken.leftover,
        restated: taken.restated,
        talk: taken.talk,
        passed_over: false,
        explain: taken.explain,
    }
}

/// The worst of its parts.
fn outcome(taken: &Taken) -> Outcome {
    let nothing = taken.changes.is_empty() && taken.commands.is_empty() && taken.restated.is_empty();
    match taken {
        Taken { ambiguous: true, .. } => Outcome::Ambiguous,
        Taken { rejected: true, .. } => Outcome::Rejected,
        _ if !taken.doubts.is_empty() => Outcome::Doubtful,
        _ if nothing => Outcome::Unmatched,
        _ => Outcome::Matched,
    }
}

/// What a question is about, as the record calls it.
fn name_of(question: &Question) -> String {
    let name = question.fields.iter().find_map(|(f, v)| match f {
        Field::Name | Field::Region => v.as_text(),
        _ => None,
    });
    match name {
        Some(name) => format!("{}:{name}", question.kind.name()),
        None => question.kind.name().to_string(),
    }
}

/// Marks an answer that was repeated with another value.
pub(super) fn is_doubt(change: &Change) -> bool {
    matches!(change, Change::Correct { why: Some(why), .. } if why == ECHO)
}

/// The same thing with another number, told apart by no side, site or name, or there and not there.
pub(super) fn conflicts(finding: &Finding, taken: &Taken) -> bool {
    is_turned_round(finding, taken) || has_other_value(finding, taken)
}

/// "No history of seizures, wait, she did have seizures": there and not there in one breath.
fn is_turned_round(finding: &Finding, taken: &Taken) -> bool {
    let Some(present) = finding.flag(Field::Present) else { return false };
    let thing = |told: &Finding| {
        let mut thing = told.clone();
        thing.remove(Field::Present);
        thing.remove(Field::ReportedBy);
        thing
    };
    let turned = |old: &Finding| old.flag(Field::Present) == Some(!present) && thing(old) == thing(finding);
    taken.changes.iter().any(|change| matches!(change, Change::Record(old) if turned(old)))
}

fn has_other_value(finding: &Finding, taken: &Taken) -> bool {
    let measured = matches!(
        finding.kind(),
        Kind::Pulse
            | Kind::Respirations
            | Kind::BloodPressure
            | Kind::OxygenSaturation
            | Kind::Glucose
            | Kind::Temperature
            | Kind::EndTidalCo2
            | Kind::Gcs
            | Kind::Consciousness
    ) || finding.get(Field::Score).is_some();
    let apart = |a: &Finding, b: &Finding| {
        [Field::Side, Field::Site, Field::Position, Field::On, Field::Patient]
            .iter()
            .any(|f| a.get(*f) != b.get(*f) && (a.get(*f).is_some() && b.get(*f).is_some()))
    };
    measured
        && taken.changes.iter().filter_map(recorded).any(|old| {
            old.kind() == finding.kind()
                && !apart(old, finding)
                && finding.fields().any(|(f, v)| {
                    (f == Field::Score || v.as_number().is_some() || f == Field::Avpu)
                        && old.get(f).is_some_and(|w| w != v)
                })
        })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_taken_out_takes_its_doubts_and_no_others() {
        let record = |kind: Kind| Change::Record(Finding::new(kind));
        let doubt = |finding: usize, field: &str| Doubt {
            finding,
            field: field.into(),
            heard: 1.into(),
            or: Vec::new(),
            probability: 0.5,
        };
        let confirm = Change::Confirm { target: 3, how: READ_BACK.into(), echoed: None };
        let mut taken = Taken {
            changes: vec![record(Kind::Pulse), confirm.clone(), record(Kind::Glucose), record(Kind::Respirations)],
            doubts: vec![doubt(1, "of glucose"), doubt(2, "of respirations"), doubt(0, "of pulse")],
            ..Taken::default()
        };
        assert_eq!(taken.take_out(|c| *c == record(Kind::Glucose)), [record(Kind::Glucose)]);
        assert_eq!(taken.changes, [record(Kind::Pulse), confirm, record(Kind::Respirations)]);
        assert_eq!(taken.doubts, [doubt(1, "of respirations"), doubt(0, "of pulse")]);
    }
}
