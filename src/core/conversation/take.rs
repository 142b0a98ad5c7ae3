//! What one meaning does to the conversation: its findings are settled and put where they belong, its commands followed.

use serde_json::{Map, Value as Json};

use crate::core::clinical::age;
use crate::core::command::Command;
use crate::core::finding::{Field, Finding, Kind, Value};
use crate::core::grammar::Grammar;
use crate::core::ledger::Entry;
use crate::core::time::Moment;
use crate::core::utterance::{Change, Doubt};

use super::Conversation;
use super::doubt::doubt_next;
use super::interpret::{Answer, Answered, Draft, Meaning};
use super::medicine::{complete_use, tells_time_alone};
use super::number::{ask_lone, ask_row, row_is_plain};
use super::settle;
use super::settle::{Context, Settled};
use super::taken::{Taken, conflicts, has_number, recorded};

/// How long after a warning "acknowledged" acts without the tool's name.
const ACKNOWLEDGE_MS: u64 = 30_000;

impl Conversation {
    fn context(&self) -> Context {
        let patient = self.patient.unwrap_or(1);
        // What was told of the patient last may be his weight.
        let child = self.ledger.of(Kind::Patient, patient).rev().find_map(|e| is_child(&e.finding));
        let child = child.unwrap_or_else(|| age::just_born(&self.ledger, patient).is_some());
        Context { child, patient }
    }

    /// What one meaning would do.
    pub(super) fn take(&self, grammar: &Grammar, meaning: Meaning, when: Moment) -> Taken {
        let mut taken = self.begun(&meaning);
        for map in &meaning.commands {
            self.command(map, &meaning, &mut taken, when);
        }
        let context = of_age_told(self.context_in(&taken), &meaning.drafts);
        self.talk_back(grammar, &meaning, &mut taken);
        self.take_findings(grammar, &meaning, context, when, &mut taken);
        self.take_answers(grammar, &meaning, context, &mut taken);
        self.take_stray(grammar, &meaning, context, &mut taken);
        self.take_numbers(grammar, &meaning, context, &mut taken);
        self.take_times(grammar, &meaning.times, &mut taken);
        taken.commands.extend(meaning.handover.then_some(Command::HandoverBegins));
        taken.commands.extend(meaning.handover_ends.then_some(Command::HandoverEnds));
        self.take_lead(grammar, &meaning.lead, context, &mut taken);
        taken.asked = meaning.questions;
        taken
    }

    /// What a meaning says of itself, before anything of it is taken.
    fn begun(&self, meaning: &Meaning) -> Taken {
        let no_first = |a: &Answered| a.answer == Answer::No && a.at == 0 && a.questions.is_empty();
        Taken {
            leftover: meaning.leftover.clone(),
            explain: meaning.explain.clone(),
            handover: meaning.handover,
            handover_ends: meaning.handover_ends,
            addressed: meaning.addressed || self.addressed_ms.is_some(),
            retold: meaning.drafts.iter().any(|draft| draft.restated),
            contests: meaning.answers.iter().any(no_first),
            talk: meaning.leftover.is_empty() && meaning.drafts.is_empty() && meaning.answers.is_empty(),
            ..Taken::default()
        }
    }

    /// Whom it is about: another patient named in the same breath counts.
    fn context_in(&self, taken: &Taken) -> Context {
        let named = taken.commands.iter().find_map(|command| match command {
            Command::Patient { number } => Some(i64::from(*number)),
            _ => None,
        });
        let context = self.context();
        Context { patient: named.unwrap_or(context.patient), ..context }
    }

    fn take_findings(&self, grammar: &Grammar, meaning: &Meaning, context: Context, when: Moment, taken: &mut Taken) {
        let (row, drafts): (Vec<&Draft>, Vec<&Draft>) =
            meaning.drafts.iter().partition(|d| grammar.frame(d.frame).is_some_and(|f| f.by_order));
        let plain = row_is_plain(&row, &drafts);
        for draft in meaning.drafts.iter().filter(|d| plain || !row.contains(d)) {
            self.take_draft(grammar, draft, meaning, context, when, taken);
        }
        if !plain {
            ask_row(grammar, &row, context, taken);
        }
        self.take_no_beside(grammar, meaning, context, taken);
        self.take_no_and_another(grammar, meaning, taken);
        ask_felt_or_heard(grammar, taken);
    }

    fn take_answers(&self, grammar: &Grammar, meaning: &Meaning, context: Context, taken: &mut Taken) {
        for answered in &meaning.answers {
            self.take_answer(grammar, answered, context, meaning, taken);
        }
        if meaning.answers.iter().any(|a| a.answer == Answer::No && a.questions.is_empty()) {
            self.deny_what_is_confirmed(grammar, taken);
        }
    }

    fn command(&self, map: &Map<String, Json>, meaning: &Meaning, taken: &mut Taken, when: Moment) {
        let Ok(command) = serde_json::from_value::<Command>(Json::Object(map.clone())) else { return };
        let recent = self.warned_ms.is_some_and(|at| when.mono_ms.saturating_sub(at) <= ACKNOWLEDGE_MS);
        if matches!(command, Command::Acknowledge { .. }) && !taken.addressed && !recent {
            return;
        }
        // Nobody looks for the tool's name while it talks. Said of anything else ("her lungs are quiet") it is none.
        let to_us = (recent || self.we_speak) && meaning.nothing_else;
        if matches!(command, Command::Quiet { .. }) && !taken.addressed && !to_us {
            return;
        }
        if matches!(command, Command::Retract) {
            self.retract(taken, None);
            return;
        }
        taken.commands.push(command);
    }

    fn retract(&self, taken: &mut Taken, why: Option<String>) {
        let standing = |seq: &u64| self.ledger.find(*seq).is_some_and(Entry::stands);
        for seq in self.last.iter().copied().filter(standing) {
            taken.changes.push(Change::Retract { target: seq, why: why.clone() });
        }
    }

    /// Retractions, and what answers a read-back.
    fn talk_back(&self, grammar: &Grammar, meaning: &Meaning, taken: &mut Taken) {
        if meaning.retracts {
            if self.last.is_empty() {
                taken.why.push(grammar.prompt("nothing_to_retract", &[]));
                taken.ambiguous = true;
            }
            self.retract(taken, None);
        }
        if meaning.wrong_person {
            self.retract(taken, Some(grammar.prompt("wrong_person", &[])));
        }
    }

    /// A dose told without its route went the way that was planned, and not the drug's usual one.
    fn route_of_plan(&self, draft: &mut Draft, patient: i64) {
        let named = draft.get(Field::Name).cloned();
        let plan = self.open_plan(patient).filter(|plan| plan.finding.get(Field::Name) == named.as_ref());
        let Some(route) = plan.and_then(|plan| plan.finding.get(Field::Route)) else { return };
        if draft.kind == Kind::MedicationGiven {
            let usual = draft.defaults.iter_mut().filter(|(field, _)| *field == Field::Route);
            usual.for_each(|(_, value)| *value = route.clone());
        }
    }

    fn take_draft(
        &self,
        grammar: &Grammar,
        draft: &Draft,
        meaning: &Meaning,
        context: Context,
        when: Moment,
        taken: &mut Taken,
    ) {
        let mut draft = draft.clone();
        if draft.answers {
            self.preset(grammar, &mut draft);
        }
        if draft.unchanged {
            self.restate(grammar, draft.kind, &[], context, taken);
            return;
        }
        self.route_of_plan(&mut draft, context.patient);
        match settle::settle(grammar, &draft, context) {
            Settled::Nothing => {}
            Settled::Ambiguous(..) if meaning.tells_level(&draft) => {}
            Settled::Rejected(why) => {
                taken.rejected = true;
                taken.why.push(why);
                taken.refused.push(named(&draft));
            }
            Settled::Ambiguous(options, why) => {
                let offered = |f: &Finding| options.iter().any(|option| option.contains(f));
                taken.take_out(|c| matches!(c, Change::Record(f) if offered(f)));
                taken.ambiguous = true;
                taken.options.extend(options);
                taken.why.push(why);
            }
            Settled::Finding(finding, _) if draft.unclear.is_some() => {
                let what = settle::spoken(grammar, finding.kind());
                let word = draft.unclear.clone().unwrap_or_default();
                taken.ambiguous = true;
                taken.why.push(grammar.prompt("unclear_word", &[("finding", &what), ("word", &word)]));
                taken.options.push(vec![finding]);
            }
            Settled::Finding(finding, doubts) => {
                let whose = not_his(&draft, &finding);
                for finding in apart(finding).into_iter().chain(whose) {
                    self.place(grammar, &draft, finding, doubts.clone(), when, taken);
                }
            }
        }
    }

    /// Gives an answer the fields that its question named.
    fn preset(&self, grammar: &Grammar, draft: &mut Draft) {
        let asked = self.open.iter().rev().flat_map(|a| &a.questions).find(|q| q.frame == draft.frame);
        let Some(question) = asked else { return };
        let carry = grammar.frame(draft.frame).map(|f| f.carry.as_slice()).unwrap_or_default();
        // "have you taken any Viagra" "two days ago": of the one that was asked about.
        let only = self.open.last().is_some_and(|asked| asked.questions.len() == 1);
        let what = |field: &Field| matches!(field, Field::Name | Field::Class);
        let told = draft.fields.iter().any(|(field, _)| what(field));
        let of_it = draft.kind == Kind::RecentUse && only && !told;
        for (field, value) in &question.fields {
            if (carry.contains(field) || of_it && what(field)) && !draft.fields.iter().any(|(f, _)| f == field) {
                draft.fields.push((*field, value.clone()));
            }
        }
    }

    fn place(
        &self,
        grammar: &Grammar,
        draft: &Draft,
        mut finding: Finding,
        doubts: Vec<Doubt>,
        when: Moment,
        taken: &mut Taken,
    ) {
        if draft.corrects {
            self.correct(grammar, finding, draft.frame, taken);
            return;
        }
        if tells_time_alone(&finding) {
            self.time_last_dose(&finding, taken);
            return;
        }
        // "Last set was ninety eight over sixty two" corrects no first pressure about which a report's was just questioned.
        let reported = draft.restated || (!draft.answers && self.handover_since.is_some());
        let confirms = |reading: &Change| matches!(reading, Change::Confirm { .. });
        if let Some(reading) = self.read_back_answer(draft, &finding).filter(|r| !reported || confirms(r)) {
            if recorded(&reading).is_some() {
                doubt_next(taken, doubts);
            }
            taken.changes.push(reading);
            taken.answered = true;
            return;
        }
        if self.take_echo(grammar, draft, &finding, when, taken) || self.take_contest(grammar, &finding, when, taken) {
            return;
        }
        if !self.complete_given(grammar, &mut finding, taken) || !complete_use(&mut finding, taken) {
            return;
        }
        self.given_before_us(&mut finding);
        if draft.restated || self.counts_ours(&finding) || self.is_report(grammar, draft, &finding, taken) {
            taken.restated.push(finding);
            return;
        }
        if conflicts(&finding, taken) {
            self.second_value(grammar, finding, taken);
            return;
        }
        taken.answered |= draft.answers;
        let known = taken.changes.iter().any(|c| matches!(c, Change::Record(f) if *f == finding));
        if !known {
            doubt_next(taken, doubts);
            taken.changes.push(Change::Record(finding));
        }
    }

    /// Told to somebody else, and so compared, not recorded.
    fn is_report(&self, grammar: &Grammar, draft: &Draft, finding: &Finding, taken: &Taken) -> bool {
        if self.handover_since.is_none() && !taken.handover {
            return false;
        }
        !self.acts(draft, finding) && !self.is_first_of_its_kind(grammar, finding, taken)
    }

    /// A measurement of a kind that the record has none of tells nothing again: the partner at the patient's side says it
    /// while the hospital listens, and nothing that could be compared would keep it. Not where no measurement was told to
    /// us at all, nor in the past tense: that is the report.
    fn is_first_of_its_kind(&self, grammar: &Grammar, finding: &Finding, taken: &Taken) -> bool {
        let measured = grammar.measures(finding.kind()) && has_number(finding);
        let known = self.ledger.of(finding.kind(), finding.patient()).next().is_some();
        let told_before = self.ledger.standing().any(|e| grammar.measures(e.finding.kind()));
        measured && !known && told_before && !taken.handover && !taken.retold
    }

    /// What is done, and no report of it, while somebody else is told: a plan that names its drug, the dose that closes an
    /// open one ("third epi is in" while the hospital listens), a milestone.
    fn acts(&self, draft: &Draft, finding: &Finding) -> bool {
        let of_it = |plan: &Entry| plan.finding.get(Field::Name) == finding.get(Field::Name);
        match finding.kind() {
            Kind::MedicationPlanned => !draft.bare,
            Kind::MedicationGiven => self.open_plan(finding.patient()).is_some_and(of_it),
            kind => kind == Kind::Milestone,
        }
    }

    /// Two values for one thing in one breath: the second may be that of another vital sign, or which stands is asked.
    fn second_value(&self, grammar: &Grammar, finding: Finding, taken: &mut Taken) {
        if !self.less_than_before(&finding, taken) {
            return self.contradiction(grammar, finding, taken);
        }
        let number = finding.fields().find_map(|(_, v)| v.as_number()).map(|n| n.to_string()).unwrap_or_default();
        ask_lone(grammar, &number, &number, finding.patient(), taken);
    }
}

/// "One ten over seventy, that's palpated": which? Asked once the breath is over, which may have corrected itself.
fn ask_felt_or_heard(grammar: &Grammar, taken: &mut Taken) {
    let both = |c: &Change| match c {
        Change::Record(finding) => settle::felt_and_heard(finding),
        _ => None,
    };
    let Some(options) = taken.changes.iter().find_map(both) else { return };
    taken.take_out(|c| both(c).is_some_and(|of_it| of_it == options));
    taken.ambiguous = true;
    taken.options.extend(options.map(|option| vec![option]));
    taken.why.push(grammar.prompt("palpated_bottom_number", &[]));
}

/// A word that stands for several signs ("DCAP-BTLS") makes one finding of each.
pub(super) fn apart(finding: Finding) -> Vec<Finding> {
    let several = |field: &Field| finding.text(*field).is_some_and(|all| all.contains(' '));
    let Some(field) = [Field::Sign, Field::Name, Field::Region].into_iter().find(several) else { return vec![finding] };
    let all: Vec<String> = finding.text(field).unwrap_or_default().split(' ').map(str::to_string).collect();
    all.into_iter().map(|one| finding.clone().with(field, Value::text(one))).collect()
}

/// "His wife's nitro" tells two things of one plan: what is to be given, and that it was prescribed to another.
fn not_his(draft: &Draft, plan: &Finding) -> Option<Finding> {
    let told = |field: Field| draft.get(field).cloned();
    if plan.kind() != Kind::MedicationPlanned {
        return None;
    }
    let check = Finding::new(Kind::MedicationCheck);
    let check = check.with(Field::Right, told(Field::Right)?).with(Field::Confirmed, told(Field::Confirmed)?);
    Some(plan.get(Field::Name).map_or(check.clone(), |name| check.with(Field::Name, name.clone())))
}

/// A draft's kind and name alone.
pub(super) fn named(draft: &Draft) -> Finding {
    let kind = Finding::new(draft.kind);
    draft.get(Field::Name).map_or(kind.clone(), |name| kind.with(Field::Name, name.clone()))
}

/// "Newborn two minutes old, breathing forty eight": how old he is the same breath tells.
fn of_age_told(context: Context, drafts: &[Draft]) -> Context {
    let aged = |draft: &Draft| {
        let mut patient = Finding::new(Kind::Patient);
        for field in [Field::AgeYears, Field::AgeMonths, Field::AgeDays] {
            draft.get(field).into_iter().for_each(|value| patient.set(field, value.clone()));
        }
        is_child(&patient)
    };
    let told = drafts.iter().filter(|d| d.kind == Kind::Patient).find_map(aged);
    Context { child: told.unwrap_or(context.child), ..context }
}

/// `None` where the finding tells no age.
fn is_child(patient: &Finding) -> Option<bool> {
    let small = [Field::AgeMonths, Field::AgeDays].iter().any(|f| patient.get(*f).is_some());
    let years = patient.int(Field::AgeYears).map(|years| years < settle::CHILD_UNDER_YEARS);
    if small { Some(true) } else { years }
}
