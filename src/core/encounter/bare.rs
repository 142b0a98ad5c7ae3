//! A bare "yes" or "no": which question of ours it answers, and what is recorded then.
//!
//! It answers what was asked last. A value read back a while ago, in a warning, is not what "no" to "any allergy to
//! aspirin?" is about.

use crate::core::command::Command;
use crate::core::event::AdviceType;
use crate::core::finding::{Field, Finding, Kind, Value};
use crate::core::protocol::{Protocol, finding_of};
use crate::core::text::{Span, Token, ago, durations};
use crate::core::time::Moment;
use crate::core::utterance::{Change, Understood};

use super::answers::{asks_of_plan, awaits_read_back};
use super::medication::open_plans;
use super::state::{Said, State};

/// A question of ours may be answered by a bare "yes" or "no" for so long.
pub const ANSWER_MS: u64 = 60_000;
/// "About five minutes" may be so much less. Our own choice, no source.
const ABOUT_MS: u64 = 120_000;

/// A question of ours that nobody has answered, with what each answer records.
pub struct Open<'s> {
    pub said: &'s Said,
    yes: Finding,
    no: Finding,
}

impl Open<'_> {
    /// "Was it given?"
    fn asks_of_dose(&self) -> bool {
        self.yes.kind() == Kind::MedicationGiven
    }

    pub fn answered(self, yes: bool) -> Finding {
        if yes { self.yes } else { self.no }
    }
}

/// What a bare answer says.
pub struct Answer {
    pub yes: bool,
    /// "Yes, about five minutes ago"; a time alone is a yes too, to one question.
    pub ago: Option<Span>,
    /// It begins with a yes or a no, and is not a time alone.
    says_so: bool,
}

/// "Yes" or "no", or how long ago, with or without a yes before it.
pub fn read(protocol: &Protocol, tokens: &[Token], words: &str) -> Option<Answer> {
    let is = |list: &str, words: &str| protocol.word_list(list).iter().any(|word| word == words);
    let plain = |words: &str| {
        let bare = words.to_lowercase().replace([',', '.', '!', '?'], " ");
        bare.split_whitespace().collect::<Vec<_>>().join(" ")
    };
    let said = plain(words);
    if is("bare_yes", &said) || is("bare_no", &said) {
        return Some(Answer { yes: is("bare_yes", &said), ago: None, says_so: true });
    }
    let span = ago(tokens)?;
    let begins = (0..tokens.len()).find(|at| durations(tokens, *at).contains(&span))?;
    let nothing_behind = span.end + 1 == tokens.len();
    let head = plain(words.get(..tokens.get(begins)?.span.start)?);
    let given = |words: &str| words.is_empty() || is("given_then", words);
    let leads = |lead: &String| head.strip_prefix(lead.as_str()).is_some_and(|rest| given(rest.trim_start()));
    let says_so = protocol.word_list("bare_yes").iter().any(leads);
    (nothing_behind && (says_so || given(&head))).then_some(Answer { yes: true, ago: Some(span), says_so })
}

impl Answer {
    /// Whether it can answer this question. With a time only whether a dose was given, and not before it was planned: "about
    /// two hours ago" is when the pain began. A time alone follows the question; behind somebody else's words it is theirs.
    pub fn fits(&self, state: &State, question: &Open, now: Moment) -> bool {
        let Some(span) = self.ago else { return true };
        let plan = question.said.anchor().and_then(|seq| state.ledger.find(seq));
        let since_plan_ms = plan.map_or(0, |plan| now.since_ms(plan.when)) + ABOUT_MS;
        let after_plan = u64::try_from(span.seconds).is_ok_and(|seconds| seconds.saturating_mul(1000) <= since_plan_ms);
        let next = state.last_heard_ms <= question.said.heard_ms();
        question.asks_of_dose() && after_plan && (self.says_so || next)
    }
}

/// Questions that "yes" and "no" answer, still open: asked lately, and nothing was told since.
pub fn open<'s>(state: &'s State, protocol: &Protocol, now: Moment) -> Vec<Open<'s>> {
    let told_since = |open: &Open| since(state, open.said).any(|f| f.kind() != Kind::Milestone);
    asked(state, protocol, now).into_iter().filter(|open| !told_since(open)).collect()
}

/// Those behind which something else was told ("any E D drugs?", "pulse eighty two", "yes"): a bare word may still answer
/// them, or somebody else.
pub fn passed_over<'s>(state: &'s State, protocol: &Protocol, now: Moment) -> Vec<Open<'s>> {
    let answered = |open: &Open| since(state, open.said).any(|f| answers(f, &open.yes) || answers(f, &open.no));
    let open = asked(state, protocol, now).into_iter();
    open.filter(|open| open.said.advice.kind == AdviceType::MissingFact && !answered(open)).collect()
}

fn asked<'s>(state: &'s State, protocol: &Protocol, now: Moment) -> Vec<Open<'s>> {
    let answers = |said: &'s Said| {
        let (yes, no) = if_answered(protocol, said).or_else(|| if_given(state, protocol, said, now))?;
        Some(Open { said, yes: of_whom(state, said, yes), no: of_whom(state, said, no) })
    };
    state.said.iter().filter(|said| now.since_ms(said.when) <= ANSWER_MS).filter_map(answers).collect()
}

/// What was told since it was asked.
fn since<'s>(state: &'s State, said: &Said) -> impl Iterator<Item = &'s Finding> {
    let seq = said.seq;
    state.ledger.standing().rev().take_while(move |e| e.seq > seq).map(|e| &e.finding)
}

/// Whether a finding tells what an answer would have told, whichever way.
fn answers(finding: &Finding, answer: &Finding) -> bool {
    let same = |field: Field| answer.get(field).is_none_or(|value| finding.get(field) == Some(value));
    finding.kind() == answer.kind() && [Field::Name, Field::Class, Field::Patient].into_iter().all(same)
}

/// What the rule that asked says of both answers.
fn if_answered(protocol: &Protocol, said: &Said) -> Option<(Finding, Finding)> {
    let rule = protocol.rule(&said.advice.rule).filter(|_| said.advice.kind == AdviceType::MissingFact)?;
    let answer = |text: &Option<String>| finding_of(text.as_deref()?).ok();
    Some((answer(&rule.body.if_yes)?, answer(&rule.body.if_no)?))
}

/// "Was it given?" of a plan that is still open.
fn if_given(state: &State, protocol: &Protocol, said: &Said, now: Moment) -> Option<(Finding, Finding)> {
    let seq = said.anchor().filter(|plan| asks_of_plan(protocol, said, *plan))?;
    let plan = open_plans(state, protocol, now).into_iter().find(|s| s.plan.seq == seq)?.plan;
    let name = Value::text(plan.finding.text(Field::Name)?);
    let mut given = Finding::new(Kind::MedicationGiven).with(Field::Name, name.clone());
    if let Some(route) = plan.finding.get(Field::Route) {
        given.set(Field::Route, route.clone());
    }
    Some((given, Finding::new(Kind::MedicationWithheld).with(Field::Name, name)))
}

/// The answer is about the patient whom the question was about.
fn of_whom(state: &State, said: &Said, answer: Finding) -> Finding {
    let asked = said.anchor().and_then(|seq| state.ledger.find(seq));
    match asked.and_then(|e| e.finding.get(Field::Patient)) {
        Some(patient) => answer.with(Field::Patient, patient.clone()),
        None => answer,
    }
}

/// Words that were taken for the answer to a value read back, though another question was asked after it.
pub fn is_of_later_question(state: &State, understood: &Understood, open: &[Open]) -> bool {
    let Some(question) = open.last() else { return false };
    let to_read_back = |c: &Change| matches!(c, Change::Confirm { .. } | Change::Retract { .. });
    let answers = |c: &Command| matches!(c, Command::Confirm | Command::Deny);
    let alone = understood.changes.iter().all(to_read_back) && understood.commands.iter().all(answers);
    let nothing = understood.changes.is_empty() && understood.commands.is_empty();
    let earlier = |read: &Said| read.heard_ms() < question.said.heard_ms();
    alone && !nothing && understood.restated.is_empty() && awaits_read_back(state).is_none_or(earlier)
}
