//! Answers: to a question of the crew, to what was read back, and "no change".

use crate::core::command::Command;
use crate::core::finding::{Field, Finding, Kind, Value};
use crate::core::grammar::Grammar;
use crate::core::ledger::Entry;
use crate::core::utterance::Change;

use super::Conversation;
use super::correction::overlay;
use super::interpret;
use super::interpret::{Answer, Answered, Draft, Meaning, Question};
use super::open::Asked;
use super::settle;
use super::settle::{Context, of_patient};
use super::take::apart;
use super::taken::{Taken, confirms_read_back, recorded, same_subject};

/// How a value is confirmed that was read back.
pub(super) const READ_BACK: &str = "read_back";

fn in_one_breath(asked: &[Asked]) -> bool {
    let mut at = asked.iter().map(|asked| asked.at_ms);
    at.next().is_none_or(|first| at.all(|other| other == first))
}

impl Conversation {
    /// "is she allergic to aspirin" "no ibuprofen": where a recogniser writes no pause this may deny the one and name the
    /// other. It is asked.
    pub(super) fn take_no_and_another(&self, grammar: &Grammar, meaning: &Meaning, taken: &mut Taken) {
        let Some(question) = self.only_question() else { return };
        let Some(named) = name(&question.fields).filter(|_| question.kind == Kind::Allergy) else { return };
        let bare = |d: &&Draft| d.negated && d.kind == Kind::Allergy && d.words.start <= 1 && d.words.len() == 1;
        let other = meaning.drafts.iter().find(bare).and_then(|d| name(&d.fields)).filter(|other| *other != named);
        if let Some(other) = other {
            ask_there_or_not(grammar, other, Kind::Allergy, taken);
        }
    }

    /// "any chest pain" "no, shortness of breath": what is said behind the "no" is there, or denied with it, and only a
    /// word that says so tells ("no, he is short of breath"). Unsaid, it is asked.
    pub(super) fn take_no_beside(&self, grammar: &Grammar, meaning: &Meaning, context: Context, taken: &mut Taken) {
        let (Some(question), true) = (self.only_question(), taken.contests) else { return };
        let polar = |(field, _): &(Field, Value)| matches!(field, Field::Present | Field::Taken | Field::None);
        let told = |draft: &Draft| draft.negated || draft.fields.iter().any(polar);
        let beside = |draft: &&Draft| draft.frame == question.frame && name(&draft.fields).is_some();
        let Some(named) = name(&question.fields) else { return };
        let drafts: Vec<&Draft> = meaning.drafts.iter().filter(beside).collect();
        let untold = drafts.iter().find(|d| !told(d)).and_then(|d| Some((name(&d.fields)?, d.kind)));
        if let Some((other, kind)) = untold {
            ask_there_or_not(grammar, other, kind, taken);
            return;
        }
        let there = |d: &&Draft| d.fields.contains(&(Field::Present, Value::Flag(true)));
        let another = drafts.iter().all(|d| there(d) && name(&d.fields).is_some_and(|n| n != named));
        if !drafts.is_empty() && another && !question.negative && !question.either {
            self.answer(grammar, Answer::No, std::slice::from_ref(question), context, taken);
        }
    }

    /// The same value settles a read-back; another one corrects it. Said with its name ("pulse one seventy eight") it
    /// does so only where the value read back was in doubt: a sure one may have changed since.
    pub(super) fn read_back_answer(&self, draft: &Draft, finding: &Finding) -> Option<Change> {
        if !self.open.is_empty() {
            return None;
        }
        let asked = |e: &&Entry| {
            let doubted = draft.answers || (e.stands() && e.unconfirmed() && same_subject(&e.finding, finding));
            e.finding.kind() == finding.kind() && e.finding.patient() == finding.patient() && doubted
        };
        let agrees = |e: &&Entry| finding.fields().all(|(f, v)| f == Field::Unconfirmed || e.finding.get(f) == Some(v));
        if let Some(entry) = self.read_back().filter(asked).find(|e| e.stands() && agrees(e)) {
            return Some(Change::Confirm { target: entry.seq, how: READ_BACK.into(), echoed: None });
        }
        let entry = self.read_back().find(asked)?;
        let mut merged = entry.finding.clone();
        merged.remove(Field::Unconfirmed);
        overlay(&mut merged, finding);
        Some(match entry.stands() {
            true => Change::Correct { target: entry.seq, finding: merged, who: None, why: None },
            // Denied when it was read back, and now said again.
            false => Change::Record(merged),
        })
    }

    /// "No, twenty" to "pulse twenty?": a part of the number may be lost ("no, one twenty"), so it is not taken for a yes.
    pub(super) fn deny_what_is_confirmed(&self, grammar: &Grammar, taken: &mut Taken) {
        if !taken.take_out(confirms_read_back).is_empty() {
            self.deny(grammar, taken);
        }
    }

    /// What was read back last is not so: it is taken back, and asked for again.
    fn deny(&self, grammar: &Grammar, taken: &mut Taken) {
        let last = self.read_back.iter().flat_map(|r| &r.targets).filter_map(|seq| self.ledger.find(*seq));
        for entry in last.filter(|e| e.stands() && e.unconfirmed()) {
            let known = |c: &Change| matches!(c, Change::Retract { target, .. } if *target == entry.seq);
            if !taken.changes.iter().any(known) {
                let why = Some(grammar.prompt("denied_read_back", &[]));
                taken.changes.push(Change::Retract { target: entry.seq, why });
            }
        }
        taken.commands.push(Command::Deny);
    }

    pub(super) fn take_answer(
        &self,
        grammar: &Grammar,
        answered: &Answered,
        context: Context,
        meaning: &Meaning,
        taken: &mut Taken,
    ) {
        let inside = !answered.questions.is_empty();
        let bare = meaning.drafts.is_empty();
        let unasked = self.open.is_empty();
        let adds = answered.answer == Answer::Yes && answered.adds && self.names_more(meaning);
        if !inside && !bare && !adds && (answered.answer != Answer::Unchanged || unasked) {
            // "yes" before a statement: the statement answers. "Correct" is said to what was read back, unless that is told anew.
            if answered.answer == Answer::Yes && meaning.confirms && unasked && !self.tells_what_was_read_back(meaning)
            {
                self.settle_read_back(grammar, Answer::Yes, taken);
            }
            return;
        }
        let mut questions = answered.questions.clone();
        if !inside {
            match self.open.as_slice() {
                [] if answered.answer == Answer::Unchanged => {
                    taken.ambiguous = true;
                    taken.why.push(grammar.prompt("what_unchanged", &[]));
                    return;
                }
                // "Yes, he took a turn last night" is about something else.
                [] if meaning.aside || !meaning.leftover.is_empty() => return,
                [] => {
                    self.settle_read_back(grammar, answered.answer, taken);
                    return;
                }
                // "any Viagra, any of those pills": what was asked in one breath is denied in one.
                all if answered.answer == Answer::NoneOf && in_one_breath(all) => {
                    questions = all.iter().flat_map(|asked| asked.questions.clone()).collect();
                }
                [_, _, ..] if answered.answer != Answer::Unsure => {
                    ask_again(grammar, "two_questions", taken);
                    return;
                }
                [.., last] => questions = last.questions.clone(),
            }
        }
        self.answer(grammar, answered.answer, &questions, context, taken);
    }

    fn tells_what_was_read_back(&self, meaning: &Meaning) -> bool {
        let targets = self.read_back.iter().flat_map(|read_back| &read_back.targets);
        let mut kinds = targets.filter_map(|seq| self.ledger.find(*seq)).map(|entry| entry.finding.kind());
        kinds.any(|kind| meaning.drafts.iter().any(|draft| draft.kind == kind))
    }

    /// The one thing that is asked, if nothing else is.
    fn only_question(&self) -> Option<&Question> {
        let [asked] = self.open.as_slice() else { return None };
        let [question] = asked.questions.as_slice() else { return None };
        Some(question)
    }

    /// "is she allergic to aspirin" "yes and codeine": what is said beside the yes is more of what was asked.
    fn names_more(&self, meaning: &Meaning) -> bool {
        let Some(question) = self.only_question() else { return false };
        let more = |d: &Draft| d.kind == question.kind && name(&d.fields).is_some();
        name(&question.fields).is_some() && meaning.drafts.iter().all(more)
    }

    fn settle_read_back(&self, grammar: &Grammar, answer: Answer, taken: &mut Taken) {
        let Some(read_back) = &self.read_back else { return };
        match answer {
            Answer::Yes => {
                let stands = |seq: &&u64| self.ledger.find(**seq).is_some_and(Entry::stands);
                let confirm = |seq: &u64| Change::Confirm { target: *seq, how: READ_BACK.into(), echoed: None };
                taken.changes.extend(read_back.targets.iter().filter(stands).map(confirm));
            }
            Answer::No | Answer::NoneOf => self.deny(grammar, taken),
            Answer::Unsure | Answer::Unchanged => {}
        }
    }

    pub(super) fn answer(
        &self,
        grammar: &Grammar,
        answer: Answer,
        questions: &[Question],
        context: Context,
        taken: &mut Taken,
    ) {
        match answer {
            Answer::Unsure => taken.answered = true,
            Answer::Unchanged => {
                for question in questions {
                    self.restate(grammar, question.kind, &question.fields, context, taken);
                }
                taken.answered = true;
            }
            Answer::Yes | Answer::No | Answer::NoneOf if leaves_open(answer, questions) => {
                ask_again(grammar, "which_one", taken);
            }
            Answer::Yes | Answer::No | Answer::NoneOf => {
                for question in questions {
                    self.answer_one(grammar, answer == Answer::Yes, question, context, taken);
                }
            }
        }
    }

    /// What a yes or a no makes of one question.
    fn answer_one(&self, grammar: &Grammar, yes: bool, question: &Question, context: Context, taken: &mut Taken) {
        let Some(finding) = interpret::answered(grammar, question, yes) else { return };
        // "can you feel me touching your feet" names a place, and asks nothing about it.
        if !settle::says_enough(grammar, question.frame, &finding) {
            return;
        }
        let denied = !yes && !question.negative && interpret::still_stands(grammar, question, &finding);
        if denied || settle::denies_a_value(&finding) || !finding.problems().is_empty() {
            ask_again(grammar, "what_then", taken);
            return;
        }
        for finding in apart(of_patient(context.patient, finding)) {
            if self.handover_since.is_some() {
                taken.restated.push(finding);
            } else {
                taken.record_once(finding);
            }
        }
        taken.answered = true;
    }

    /// "no change": the last of its kind again, marked; nothing earlier is a question.
    pub(super) fn restate(
        &self,
        grammar: &Grammar,
        kind: Kind,
        fields: &[(Field, Value)],
        context: Context,
        taken: &mut Taken,
    ) {
        // "Any relief from the nitro?" "No change": that is how it responded.
        if kind == Kind::Response {
            let mut finding = Finding::new(kind);
            fields.iter().for_each(|(field, value)| finding.set(*field, value.clone()));
            finding.set(Field::Change, Value::text("same"));
            taken.changes.push(Change::Record(of_patient(context.patient, finding)));
            return;
        }
        // "How's the chest?" "About the same": nobody looked at it before, so it is no look that is told again.
        if kind == Kind::Exam && self.ledger.of(kind, context.patient).next().is_none() {
            return;
        }
        let fits = |e: &&Entry| fields.iter().all(|(f, v)| e.finding.get(*f) == Some(v));
        let Some(entry) = self.ledger.of(kind, context.patient).rev().find(fits) else {
            let what = settle::spoken(grammar, kind);
            taken.ambiguous = true;
            taken.why.push(grammar.prompt("nothing_unchanged", &[("finding", &what)]));
            return;
        };
        let mut finding = entry.finding.clone();
        for field in [Field::HappenedAt, Field::Echoed, Field::Unconfirmed, Field::BeforeArrival] {
            finding.remove(field);
        }
        finding.set(Field::Unchanged, Value::Flag(true));
        taken.record_once(finding);
    }
}

/// "Nausea or vomiting?" "no" denies both; "sharp or dull?" "no" says nothing, nor does "yes" to two questions.
fn leaves_open(answer: Answer, questions: &[Question]) -> bool {
    let (yes, all) = (answer == Answer::Yes, answer == Answer::NoneOf);
    let named = |f: &Field| matches!(f, Field::Name | Field::Class | Field::Sign);
    let deniable = |q: &Question| q.fields.iter().any(|(f, _)| named(f));
    let open = |q: &Question| (q.negative && !all) || (q.either && (yes || !deniable(q))) || (q.which && yes);
    questions.iter().any(open) || (yes && questions.len() > 1)
}

fn name(fields: &[(Field, Value)]) -> Option<&Value> {
    fields.iter().find(|(field, _)| *field == Field::Name).map(|(_, value)| value)
}

/// What stands behind a "no" is there, or is denied with it: which?
fn ask_there_or_not(grammar: &Grammar, other: &Value, kind: Kind, taken: &mut Taken) {
    let finding = |present: bool| {
        vec![Finding::new(kind).with(Field::Name, other.clone()).with(Field::Present, Value::Flag(present))]
    };
    let (what, word) = (other.to_string().replace('_', " "), grammar.prompt("word_no", &[]));
    taken.ambiguous = true;
    taken.take_out(|c| recorded(c).is_some_and(|f| f.kind() == kind && f.get(Field::Name) == Some(other)));
    taken.options.extend([finding(true), finding(false)]);
    taken.why.push(grammar.prompt("unclear_word", &[("finding", &what), ("word", &word)]));
}

/// The answer settled nothing: why is said.
fn ask_again(grammar: &Grammar, prompt: &str, taken: &mut Taken) {
    taken.ambiguous = true;
    taken.unclear = true;
    taken.why.push(grammar.prompt(prompt, &[]));
}
