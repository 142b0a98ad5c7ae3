//! What is said twice: an answer repeated stands echoed, and two values for one thing are asked about.

use crate::core::finding::{Field, Finding, Kind, Value};
use crate::core::grammar::Grammar;
use crate::core::ledger::{ECHO, Entry};
use crate::core::time::Moment;
use crate::core::utterance::Change;

use super::Conversation;
use super::interpret::Draft;
use super::settle;
use super::taken::{Taken, has_number, recorded};

/// How long an answer may be repeated by a second voice. Our own choice, no source.
pub(super) const ECHO_MS: u64 = 20_000;

impl Conversation {
    /// What the last utterance measured, while nothing else waits for an answer: a "no" and another value contest it.
    pub(super) fn contestable(&self, when: Moment) -> impl Iterator<Item = &Entry> {
        let waits = self.open.is_empty() && self.read_back.is_none();
        let fresh = when.mono_ms.saturating_sub(self.last_ms) <= ECHO_MS;
        let last = self.last.iter().filter(move |_| waits && fresh);
        last.filter_map(|seq| self.ledger.find(*seq)).filter(|e| e.stands())
    }

    /// What the last answer recorded, while it may be repeated.
    pub(super) fn echoable(&self) -> impl Iterator<Item = &Entry> {
        let last = self.last.iter().filter(|_| self.answer_ms.is_some());
        last.filter_map(|seq| self.ledger.find(*seq)).filter(|e| e.stands())
    }

    /// An answer repeated stands echoed; repeated with another value neither stands: it is asked. True when `finding`
    /// was such a repeat.
    pub(super) fn take_echo(
        &self,
        grammar: &Grammar,
        draft: &Draft,
        finding: &Finding,
        when: Moment,
        taken: &mut Taken,
    ) -> bool {
        let asked = self.open.iter().flat_map(|a| &a.questions).any(|q| q.frame == draft.frame);
        if draft.restated || asked || self.handover_since.is_some() || taken.handover {
            return false;
        }
        let same_kind = |e: &&Entry| e.finding.kind() == finding.kind() && e.finding.patient() == finding.patient();
        // "Copy, one thirty over sixty": what was measured a moment ago is told back though nobody had asked.
        let copied = draft.copies && grammar.measures(finding.kind()) && has_number(finding);
        let told = || self.echoable().chain(self.contestable(when).filter(|_| copied)).filter(same_kind);
        if let Some(entry) = told().find(|e| repeats(finding, &e.finding)) {
            let echoed = Some(entry.finding.clone().with(Field::Echoed, Value::Flag(true)));
            taken.changes.push(Change::Confirm { target: entry.seq, how: ECHO.into(), echoed });
            return true;
        }
        // What we set is turned up, not misheard: "non-rebreather at twelve" behind "at four".
        if finding.kind() == Kind::Oxygen {
            return false;
        }
        let other = told().find(|e| draft.copies || contradicts(finding, &e.finding));
        let Some(entry) = other else {
            // A bare word that only the repeat made an answer is none.
            return draft.answers && self.echoable().any(|e| same_kind(&e));
        };
        ask_which(grammar, "echo_differs", entry, finding, taken);
        true
    }

    /// "no, one eighteen" behind "pulse ninety": one corrects himself or the other, and neither stands until it is said
    /// which. True when `finding` was such a value.
    pub(super) fn take_contest(&self, grammar: &Grammar, finding: &Finding, when: Moment, taken: &mut Taken) -> bool {
        if !taken.contests || !grammar.measures(finding.kind()) {
            return false;
        }
        let differs = |e: &Entry| {
            finding
                .fields()
                .any(|(f, v)| of_the_thing(f) && v.as_text().is_none() && e.finding.get(f).is_some_and(|w| w != v))
        };
        let same_kind = |e: &&Entry| e.finding.kind() == finding.kind() && e.finding.patient() == finding.patient();
        let Some(entry) = self.contestable(when).filter(same_kind).find(|e| differs(e)) else { return false };
        ask_which(grammar, "two_values", entry, finding, taken);
        true
    }

    /// A lone number behind a whole value of its kind: a pressure of ninety behind one of 120 over 80.
    pub(super) fn less_than_before(&self, finding: &Finding, taken: &Taken) -> bool {
        let numbers = |f: &Finding| f.fields().filter(|(_, v)| v.as_number().is_some()).count();
        let first = taken.changes.iter().filter_map(recorded).find(|f| f.kind() == finding.kind());
        first.is_some_and(|f| numbers(f) > numbers(finding))
    }

    /// Two numbers for one thing in one breath: which?
    pub(super) fn contradiction(&self, grammar: &Grammar, finding: Finding, taken: &mut Taken) {
        let of_kind = |c: &&Change| matches!(c, Change::Record(f) if f.kind() == finding.kind());
        let first = taken.changes.iter().find(of_kind).cloned();
        let what = settle::spoken(grammar, finding.kind());
        taken.why.push(grammar.prompt("two_values", &[("finding", &what)]));
        taken.ambiguous = true;
        taken.offer(first);
        taken.options.push(vec![finding]);
    }
}

/// `entry` and `finding` differ: neither stands until it is said which.
fn ask_which(grammar: &Grammar, prompt: &str, entry: &Entry, finding: &Finding, taken: &mut Taken) {
    let mut doubted = entry.finding.clone();
    doubted.set(Field::Unconfirmed, Value::Flag(true));
    let what = settle::spoken(grammar, finding.kind());
    taken.why.push(grammar.prompt(prompt, &[("finding", &what)]));
    taken.ambiguous = true;
    taken.options.extend([vec![entry.finding.clone()], vec![finding.clone()]]);
    taken.changes.push(Change::Correct { target: entry.seq, finding: doubted, who: None, why: Some(ECHO.into()) });
}

/// Every field of the repeat is in the answer, with the same value; how it came to be said does not count.
fn repeats(finding: &Finding, answer: &Finding) -> bool {
    finding.fields().filter(|(f, _)| of_the_thing(*f)).all(|(f, v)| answer.get(f) == Some(v))
}

/// Another number, or the opposite, for the same named thing.
fn contradicts(finding: &Finding, answer: &Finding) -> bool {
    let named = [Field::Name, Field::Class, Field::Aspect, Field::Sign, Field::Region, Field::Side, Field::Site];
    let same = named.iter().all(|f| finding.get(*f) == answer.get(*f));
    let nothing = |f: &Finding| f.flag(Field::None) == Some(true);
    let opposed = finding.fields().any(|(f, v)| {
        let told = matches!(v, Value::Number(_) | Value::Flag(_)) && of_the_thing(f);
        told && answer.get(f).is_some_and(|w| w != v)
    });
    (same && opposed) || nothing(finding) != nothing(answer)
}

fn of_the_thing(field: Field) -> bool {
    !matches!(
        field,
        Field::Unconfirmed
            | Field::Echoed
            | Field::HappenedAt
            | Field::Approximate
            | Field::ReportedBy
            | Field::BeforeArrival
            | Field::Said
            | Field::WeightSaid
    )
}
