//! One encounter's talk: what is open, what was just said, what that makes of the next utterance.
//!
//! The program does not know who speaks. What a question opens, an answer fills; what is corrected is the last thing of
//! its kind; what is told to somebody else is compared, not recorded.

mod answer;
mod correction;
mod doubt;
mod echo;
mod faint;
mod interpret;
mod medicine;
mod number;
mod open;
mod over_ours;
mod read_back;
mod repeat;
mod sample;
mod settle;
mod take;
mod taken;

use crate::core::command::Command;
use crate::core::event::{Advice, AdviceType, Body, Event, Outcome};
use crate::core::finding::{Field, Finding, Kind};
use crate::core::grammar::Grammar;
use crate::core::ledger::Ledger;
use crate::core::time::Moment;
use crate::core::utterance::{Change, Transcript, Understood, Whose};

pub use doubt::EVEN;
use doubt::doubt_what_is_unsure;
use open::{Asked, ReadBack};
use over_ours::ask_what_we_say;
pub use read_back::warns_of_value;
use taken::{Taken, merge, recorded, same, understood};

/// A fold over the record's events plus the last utterances.
#[derive(Clone, Debug, Default)]
pub struct Conversation {
    ledger: Ledger,
    /// Unanswered questions, oldest first.
    open: Vec<Asked>,
    /// The sequence numbers of the last utterance that recorded something.
    last: Vec<u64>,
    last_heard: Option<u64>,
    patient: Option<i64>,
    handover_since: Option<u64>,
    /// Off the record.
    paused: bool,
    /// Care was transferred: only our own milestones count until the program is addressed, or another patient named.
    handed_over: bool,
    read_back: Option<ReadBack>,
    /// When the answer that `last` holds was given, until it was repeated.
    answer_ms: Option<u64>,
    /// When what `last` holds was said.
    last_ms: u64,
    warned_ms: Option<u64>,
    /// The tool's name was said and nothing else.
    addressed_ms: Option<u64>,
    /// Words of ours sounded while this utterance was said.
    we_speak: bool,
}

impl Conversation {
    /// Understands one utterance that began at `when`.
    pub fn hear(&mut self, grammar: &Grammar, transcript: &Transcript, when: Moment) -> Understood {
        self.age(when);
        if let Some(understood) = self.hear_over_ours(grammar, transcript, when) {
            return understood;
        }
        if transcript.chatter {
            return Understood::unmatched(&transcript.text);
        }
        self.we_speak = transcript.own_voice.is_some();
        let questions = transcript.talked_over.then(|| self.questions_set_aside());
        let mut taken = self.understand(grammar, &transcript.text, when);
        if let Some(beside) = self.beside_read_back(grammar, &transcript.text, when, &taken) {
            taken = beside;
        }
        let ours = taken.addressed || taken.commands.iter().any(|c| matches!(c, Command::Patient { .. }));
        if self.handed_over && !self.paused && !ours {
            return self.after_transfer(&transcript.text, taken);
        }
        let passed_over = self.paused && !taken.addressed;
        if !passed_over {
            self.weigh_rivals(grammar, transcript, when, &mut taken);
            self.doubt_what_hangs_on_faint_words(grammar, transcript, when, &mut taken);
        }
        if let Some(questions) = questions {
            self.questions_again(questions);
        }
        if passed_over {
            let passed_over = taken.changes.iter().any(|change| recorded(change).is_some());
            return Understood { passed_over, ..Understood::unmatched(&transcript.text) };
        }
        if let Some(own_voice) = transcript.own_voice.as_ref().filter(|_| transcript.mixed) {
            ask_what_we_say(grammar, own_voice, &self.kinds_we_say(grammar, transcript, when), &mut taken);
        }
        doubt_what_is_unsure(grammar, transcript, &mut taken);
        self.remember(&taken, when);
        let mut understood = understood(&transcript.text, taken);
        if transcript.whose == Whose::Ours && understood.outcome == Outcome::Unmatched {
            // What is left of our words and makes no sense is nothing that anybody should say again.
            understood.outcome = Outcome::Echo;
        }
        understood
    }

    /// "Fifteen liters by non rebreather" behind "ninety one, nine one?" answers nothing, and is the oxygen: what means nothing as an
    /// answer may be about something else.
    fn beside_read_back(&mut self, grammar: &Grammar, text: &str, when: Moment, taken: &Taken) -> Option<Taken> {
        let kinds = self.read_back_kinds();
        if kinds.is_empty() || !taken.is_nothing() {
            return None;
        }
        let read_back = self.read_back.take();
        let beside = self.understand(grammar, text, when);
        self.read_back = read_back;
        let mut told = beside.changes.iter().filter_map(recorded).peekable();
        (told.peek().is_some() && told.all(|finding| !kinds.contains(&finding.kind()))).then_some(beside)
    }

    /// "In service": what still is ours after the transfer of care.
    fn after_transfer(&self, text: &str, mut taken: Taken) -> Understood {
        let milestone = |c: &Change| matches!(c, Change::Record(finding) if finding.kind() == Kind::Milestone);
        taken.changes.retain(milestone);
        if taken.changes.is_empty() || taken.ambiguous || taken.rejected || !taken.doubts.is_empty() {
            return Understood::unmatched(text);
        }
        understood(text, Taken { changes: taken.changes, ..Taken::default() })
    }

    /// Folds one event of the record in.
    pub fn apply(&mut self, event: &Event) {
        self.ledger.apply(event);
        match &event.body {
            Body::Finding(finding) => self.apply_finding(event, finding),
            Body::Corrected(c) => self.last = vec![c.target],
            Body::Advice(advice) => self.apply_advice(event, advice),
            Body::Confirmed(_) => self.read_back = None,
            Body::Heard(heard) => heard.commands.iter().for_each(|command| self.apply_command(command, event)),
            _ => {}
        }
    }

    fn apply_finding(&mut self, event: &Event, finding: &Finding) {
        if self.last_heard != event.from || event.from.is_none() {
            self.last.clear();
            self.last_heard = event.from;
        }
        self.last.push(event.seq);
        self.last_ms = event.when.mono_ms;
        if finding.kind() == Kind::Milestone && finding.is(Field::Name, "transfer_of_care") {
            self.handed_over = true;
            self.handover_since = None;
        }
    }

    /// A sentence of ours that asks about a value waits for its answer.
    fn apply_advice(&mut self, event: &Event, advice: &Advice) {
        let at_ms = event.when.mono_ms;
        self.warned_ms = Some(at_ms);
        let about = advice.because.iter().filter_map(|seq| self.ledger.find(*seq));
        let targets = read_back::read_back_by(advice, about);
        if matches!(advice.kind, AdviceType::ReadBack | AdviceType::Inconsistency) || !targets.is_empty() {
            let together = self.read_back.take().filter(|earlier| earlier.at_ms == at_ms);
            let before = together.map(|earlier| [earlier.before, earlier.targets].concat()).unwrap_or_default();
            self.read_back = Some(ReadBack { targets, before, asked: event.seq, at_ms });
        }
    }

    fn apply_command(&mut self, command: &Command, event: &Event) {
        match command {
            Command::Patient { number } => {
                self.patient = Some(i64::from(*number));
                self.handed_over = false;
            }
            Command::HandoverBegins => self.handover_since = Some(event.when.mono_ms),
            Command::HandoverEnds => self.handover_since = None,
            Command::OffRecord => self.paused = true,
            Command::OnRecord => self.paused = false,
            Command::CloseCall => *self = Conversation::default(),
            _ => {}
        }
    }

    /// What an utterance means now: each way to read it is taken, and what they share stands.
    fn understand(&self, grammar: &Grammar, text: &str, when: Moment) -> Taken {
        let on = grammar.utterance(text);
        let openings = self.openings(grammar, when);
        let derivations = grammar.derive(&on, &openings);
        let read_back = [self.read_back_frames(grammar), openings.contested].concat();
        let mut all: Vec<Taken> = Vec::new();
        for derivation in &derivations {
            let meaning = interpret::interpret(grammar, &on, derivation, &when.at, &read_back);
            let taken = self.take(grammar, meaning, when);
            if !all.iter().any(|other| same(other, &taken)) {
                all.push(taken);
            }
        }
        merge(grammar, all)
    }
}
