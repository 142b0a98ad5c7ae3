//! The call as a machine: an input and the moment come in, effects go out. It reads no clock and stores nothing.
//!
//! Everything remembered is a fold over the events it emits ([`State::apply`]), so `replay(journal)` is the live
//! state, and a restart resumes with its timers intact. Deadlines are computed from the state, never kept beside it;
//! a tick too many changes nothing.

mod answers;
mod bare;
mod clocks;
mod concern;
mod critical;
mod delivery;
mod doubt;
mod gaps;
mod gate;
mod medication;
mod stability;
mod state;

use super::command::Command;
use super::event::{
    Advice, AdviceType, Body, Closed, Confirmed, Corrected, Event, Heard, Note, Opened, Outcome, Priority, Retracted,
    Spoken, Trouble,
};
use super::finding::{Field, Finding, Kind};
use super::grammar::Grammar;
use super::protocol::Protocol;
use super::text;
use super::time::Moment;
use super::utterance::{Change, Transcript, Understood};

use answers::Act;
pub use clocks::{Due, dues};
use gate::Gate;
pub use state::{Said, State};

/// The crew that tells a finding off the record so long after it was told so may have forgotten. Our own choice, no source.
const FORGOTTEN_MS: u64 = 60_000;

/// The data in force: what can be understood and what follows from it.
pub struct Knowledge {
    pub grammar: Grammar,
    pub protocol: Protocol,
}

/// Everything that can happen to a call.
#[derive(Clone, Debug, PartialEq)]
#[allow(clippy::large_enum_variant)] // inputs are handed over one at a time
pub enum Input {
    Open(Opened),
    /// Words, and when they began.
    Heard {
        transcript: Transcript,
        spoken_at: Moment,
    },
    /// A finding that did not come from speech: a keyboard, a test.
    Found(Finding),
    /// A deadline passed (or nothing did: ticking too often is harmless).
    Tick,
    /// The voice finished, or was cut off or failed: `reason`.
    Spoken {
        target: u64,
        reason: Option<String>,
    },
    /// A device was lost or changed.
    Trouble(Trouble),
    /// A device, the record or the clock came back.
    Recovered(Trouble),
    Note(Note),
    Close(Closed),
}

/// What the shell must do, in this order: appends first, then speech.
#[derive(Clone, Debug, PartialEq)]
#[allow(clippy::large_enum_variant)] // most effects are appends; a box for each would buy nothing
pub enum Effect {
    Append(Event),
    Speak(Speech),
    /// Stop speaking at once and drop what is queued below this priority.
    Hush(Priority),
    /// This advice is not to be spoken any more, if it still waits: what it reminds of was done meanwhile.
    Withdraw(u64),
    /// The crew closed this call: the record ends here.
    Closed,
}

/// One sentence for the voice.
#[derive(Clone, Debug, PartialEq)]
pub struct Speech {
    /// The advice (or answer) event this speaks.
    pub target: u64,
    pub priority: Priority,
    /// For an earpiece, and for the screen.
    pub say: String,
    /// For a loudspeaker; the same unless `say` holds sensitive words.
    pub say_aloud: String,
    /// Not spoken any more after this moment (stopwatch, ms).
    pub expires_ms: Option<u64>,
    /// It can wait until nobody talks.
    pub at_quiet: bool,
    /// A warning, and no question that is as urgent.
    pub warns: bool,
}

/// One call.
pub struct Encounter<'k> {
    knowledge: &'k Knowledge,
    state: State,
    gate: Gate,
    last_speech: Option<Speech>,
    /// The latest moment handed in; after a restart, the latest that an event told of.
    now: Option<Moment>,
    deadline: Option<u64>,
    /// When the vital signs may have more to say, as of the last input.
    next_assessment: Option<u64>,
    /// What fell due, was handed over to be spoken, and is not known to have been: the advice, and until when (ms).
    unspoken: Vec<(u64, u64)>,
    effects: Vec<Effect>,
}

impl<'k> Encounter<'k> {
    pub fn new(knowledge: &'k Knowledge) -> Encounter<'k> {
        Encounter {
            knowledge,
            state: State::default(),
            gate: Gate::default(),
            last_speech: None,
            now: None,
            deadline: None,
            next_assessment: None,
            unspoken: Vec::new(),
            effects: Vec::new(),
        }
    }

    /// Goes on from a journal.
    pub fn resume(knowledge: &'k Knowledge, events: &[Event]) -> Encounter<'k> {
        let mut encounter = Encounter::new(knowledge);
        events.iter().for_each(|event| encounter.state.apply(event));
        encounter.state.conversation.resumed(encounter.state.last_heard);
        if let Some(latest) = encounter.state.latest() {
            encounter.next_assessment = gaps::assessed(&encounter.state, knowledge, latest).1;
        }
        encounter.deadline = encounter.find_deadline();
        encounter
    }

    pub fn state(&self) -> &State {
        &self.state
    }

    /// The stopwatch reading (ms) at which [`Input::Tick`] is due, if anything is waiting.
    pub fn next_deadline(&self) -> Option<u64> {
        self.deadline
    }

    /// Lets everything fire that is due up to `to`, each at its own time, the wall clock carried back from `to`. A deadline
    /// that a tick does not move ends it.
    pub fn run_to(&mut self, to: Moment) -> Vec<Effect> {
        let mut effects = Vec::new();
        while let Some(due) = self.next_deadline().filter(|due| *due <= to.mono_ms) {
            effects.extend(self.handle(Input::Tick, to.minus_ms(to.mono_ms - due)));
            if self.next_deadline().is_some_and(|next| next <= due) {
                break;
            }
        }
        effects
    }

    /// Worked out once an input: it looks at the whole record.
    fn find_deadline(&self) -> Option<u64> {
        if self.state.closed {
            return None;
        }
        let latest = self.state.latest().into_iter().chain(self.now).max_by_key(|m| m.mono_ms)?;
        let due = dues(&self.state, self.knowledge, latest).first().map(|due| due.at_ms.max(latest.mono_ms));
        due.into_iter().chain(self.next_assessment).chain(self.gate.next_ms(&self.state, latest)).min()
    }

    /// Takes one input and returns everything that follows from it. After `closed` nothing follows from anything.
    pub fn handle(&mut self, input: Input, now: Moment) -> Vec<Effect> {
        self.now = self.now.into_iter().chain([now]).max_by_key(|m| m.mono_ms);
        if !self.state.closed {
            self.decide(input, now);
            self.deadline = self.find_deadline();
        }
        std::mem::take(&mut self.effects)
    }

    fn decide(&mut self, input: Input, now: Moment) {
        match input {
            Input::Open(opened) => drop(self.append(now, None, Body::Opened(opened))),
            Input::Heard { transcript, spoken_at } => self.heard(&transcript, spoken_at, now),
            Input::Found(finding) => self.found(finding, now),
            Input::Tick => {}
            Input::Spoken { target, reason } => {
                self.unspoken.retain(|(advice, _)| *advice != target);
                self.append(now, None, Body::Spoken(Spoken { target, reason }));
            }
            Input::Trouble(trouble) => drop(self.append(now, None, Body::Device(trouble))),
            Input::Recovered(trouble) => drop(self.append(now, None, Body::Recovered(trouble))),
            Input::Note(note) => drop(self.append(now, None, Body::Note(note))),
            Input::Close(closed) => return self.close(closed, now),
        }
        if !self.state.closed {
            self.withdraw(now);
            self.fire(now);
            self.release(now);
        }
    }

    fn close(&mut self, closed: Closed, now: Moment) {
        self.append(now, None, Body::Closed(closed));
        self.effects.push(Effect::Closed);
    }

    /// Everything due at `now`, in order of its time.
    fn fire(&mut self, now: Moment) {
        // Saying one thing may make the next stage of another clock due at the same moment, but never the same one.
        for _ in 0..super::limits::DEADLINES_AT_ONCE {
            let due = dues(&self.state, self.knowledge, now).into_iter().find(|due| due.at_ms <= now.mono_ms);
            let Some(due) = due else { break };
            let target = self.advise(due.advice, now);
            self.unspoken.push((target, now.mono_ms + gate::REMINDER_MS));
        }
        let (advice, next) = gaps::assessed(&self.state, self.knowledge, now);
        self.next_assessment = next;
        for one in advice {
            self.advise(one, now);
        }
    }

    /// Takes back what fell due and was done before it was spoken.
    fn withdraw(&mut self, now: Moment) {
        self.unspoken.retain(|(_, until_ms)| now.mono_ms < *until_ms);
        let waiting: Vec<u64> = self.unspoken.iter().map(|(target, _)| *target).collect();
        for target in waiting {
            if clocks::is_still_due(&mut self.state, self.knowledge, target, now) {
                continue;
            }
            self.unspoken.retain(|(advice, _)| *advice != target);
            self.gate.withdraw(target);
            self.effects.push(Effect::Withdraw(target));
        }
    }

    fn heard(&mut self, transcript: &Transcript, spoken_at: Moment, now: Moment) {
        let mut understood = self.state.conversation.hear(&self.knowledge.grammar, transcript, spoken_at);
        if self.state.off_record && !understood.commands.contains(&Command::OnRecord) {
            return self.off_record(&understood, now);
        }
        let too_long = answers::bound_quiet(&self.knowledge.protocol, &mut understood.commands);
        let over = self.state.transferred(self.state.patient());
        let unmatched = understood.outcome == Outcome::Unmatched;
        let mut reply = unmatched.then(|| self.reply(&understood.heard, spoken_at)).flatten();
        if let Some(later) = self.later_answer(&understood, spoken_at) {
            understood.changes.clear();
            understood.commands.clear();
            reply = Some(later);
        }
        if matches!(reply, Some(Reply::Settles(_))) {
            understood.outcome = Outcome::Matched;
        }
        let heard = self.append(spoken_at, None, Body::Heard(heard_of(transcript, &understood)));
        let mut seqs = Vec::new();
        for mut change in understood.changes.clone() {
            self.last_one(&mut change, &understood, spoken_at);
            let corrects = match &change {
                Change::Correct { target, .. } => Some(*target),
                _ => None,
            };
            let records = matches!(change, Change::Record(_));
            let seq = self.change(change, heard, spoken_at);
            // A corrected value is still known by the number of the finding it corrects.
            seqs.extend(corrects.or(records.then_some(seq)));
        }
        let kinds: Vec<Kind> = understood.findings().map(Finding::kind).collect();
        self.gate.hear(&self.knowledge.protocol, &understood.heard, &kinds, now);
        match reply {
            Some(Reply::Settles(body)) => drop(self.append(spoken_at, Some(heard), body)),
            Some(Reply::Which(about)) => self.which_question(&about, heard, now),
            Some(Reply::Asks(advice)) => drop(self.advise(advice, now)),
            None => {}
        }
        self.answer(&understood, now);
        if let Some(advice) = too_long {
            let speech = self.worded(advice, now);
            self.speak(speech);
        }
        if !self.state.closed {
            self.follow(&understood, &seqs, heard, spoken_at, now);
        }
        if over && understood.findings().any(begins_a_call) {
            self.still_open(heard, now);
        }
    }

    /// Off the record nothing is recorded; the crew may still ask for quiet, or close the call, and is told where it stands
    /// when it asks anything else, or seems to have forgotten it.
    fn off_record(&mut self, understood: &Understood, now: Moment) {
        let asks = |wanted: fn(&Command) -> bool| understood.commands.iter().any(wanted);
        if asks(|c| matches!(c, Command::CloseCall)) {
            self.close(Closed { reason: "asked".into(), by: None }, now);
        } else if asks(|c| matches!(c, Command::Quiet { .. })) {
            self.effects.push(Effect::Hush(Priority::High));
        } else {
            let advice = answers::on_record(&self.knowledge.protocol, false);
            let told = |said: &&Said| said.advice.rule == advice.rule;
            let lately = |said: &Said| now.since_ms(said.when) < FORGOTTEN_MS;
            let forgotten = understood.passed_over && !self.state.said.iter().rev().find(told).is_some_and(lately);
            if forgotten || !understood.commands.is_empty() {
                self.advise(advice, now);
            }
        }
    }

    /// The next call begins and the last one was never closed: nothing is mixed into its record, and the crew is told.
    fn still_open(&mut self, heard: u64, now: Moment) {
        let protocol = &self.knowledge.protocol;
        let mut open = doubt::sentence(protocol, "call.still_open", AdviceType::Omission, "milestone", &Vec::new());
        open.because = vec![heard];
        self.advise(open, now);
    }

    fn found(&mut self, finding: Finding, now: Moment) {
        self.state.last_heard = self.state.last_seq + 1;
        let seq = self.append(now, None, Body::Finding(finding));
        self.follow(&Understood::unmatched(""), &[seq], seq, now, now);
    }

    fn change(&mut self, change: Change, heard: u64, spoken_at: Moment) -> u64 {
        let body = match change {
            Change::Record(finding) => Body::Finding(finding),
            Change::Correct { target, finding, who, why } => Body::Corrected(Corrected { target, finding, who, why }),
            Change::Retract { target, why } => Body::Retracted(Retracted { target, who: None, why }),
            Change::Confirm { target, how, .. } => Body::Confirmed(Confirmed { target, how }),
        };
        self.append(spoken_at, Some(heard), body)
    }

    /// What the protocol says to what was just recorded: holds first, then doubt, then what lies apart.
    fn follow(&mut self, understood: &Understood, seqs: &[u64], heard: u64, spoken_at: Moment, now: Moment) {
        let protocol = &self.knowledge.protocol;
        let mut advice = medication::due(&self.state, protocol, now);
        let medications = |f: &&Finding| matches!(f.kind(), Kind::MedicationPlanned | Kind::MedicationGiven);
        if let Some(plan) = understood.options.iter().flatten().chain(&understood.refused).find(medications) {
            advice.extend(medication::unrecorded(&self.state, protocol, plan, heard, spoken_at));
        }
        advice.extend(doubt::read_backs(protocol, understood, seqs));
        advice.extend(doubt::other_age(protocol, &self.state, understood, seqs));
        advice.extend(doubt::unclear(protocol, understood, heard));
        advice.extend(doubt::differences(protocol, &self.state.ledger, self.state.patient(), understood, heard));
        advice.extend(concern::due(&self.state, protocol, now));
        advice.extend(self.before_handover(seqs, now));
        advice.sort_by_key(|a| std::cmp::Reverse(a.priority));
        for one in advice {
            self.advise(one, now);
        }
        // A report that contradicts the record leaves open what a plan in hand rests on.
        if !understood.restated.is_empty() {
            for one in medication::due(&self.state, protocol, now) {
                self.advise(one, now);
            }
        }
    }

    /// Plans that nobody closed, and grave gaps, are named on arrival, before the patient is handed over.
    fn before_handover(&self, seqs: &[u64], now: Moment) -> Vec<Advice> {
        let protocol = &self.knowledge.protocol;
        let told = |name: &str| self.state.milestone(name).map(|e| e.seq).filter(|seq| seqs.contains(seq));
        let open = medication::open_plans(&self.state, protocol, now);
        let Some(arrival) = told("at_destination") else {
            // Handed over where we stand: what nobody was asked about yet is asked now, for later is too late.
            let asked = |plan: &u64| self.state.said.iter().any(|s| answers::asks_of_plan(protocol, s, *plan));
            let never = open.iter().filter(|s| told("transfer_of_care").is_some() && !asked(&s.plan.seq));
            return never.map(|s| answers::plan_before_handover(protocol, &s.plan.drug, s.plan.seq)).collect();
        };
        let plans = open.iter().map(|s| answers::plan_before_handover(protocol, &s.plan.drug, s.plan.seq));
        let unsure = doubt::before_handover(protocol, &self.state);
        plans.chain(unsure).chain(gaps::before_handover(&self.state, self.knowledge, arrival, now)).collect()
    }

    /// What words that say nothing by themselves answer to a question of ours.
    fn reply(&self, words: &str, spoken_at: Moment) -> Option<Reply> {
        let time = self.time_answer(words, spoken_at).map(|corrected| Reply::Settles(Body::Corrected(corrected)));
        time.or_else(|| self.bare_answer(words, spoken_at))
    }

    /// A bare "yes" or "no" to the one question of ours that is open; to several it is asked which.
    fn bare_answer(&self, words: &str, spoken_at: Moment) -> Option<Reply> {
        let protocol = &self.knowledge.protocol;
        let answer = bare::read(protocol, &self.knowledge.grammar.lexicon().tokens(words), words)?;
        let mut open = bare::open(&self.state, protocol, spoken_at);
        open.retain(|question| answer.fits(&self.state, question, spoken_at));
        match (open.pop(), open.first()) {
            (None, _) if answer.ago.is_some() => None,
            (None, _) => {
                let passed_over = bare::passed_over(&self.state, protocol, spoken_at).pop();
                let which = passed_over.map(|question| Reply::Which(question.said.advice.about.clone()));
                which.or_else(|| doubt::still_open(protocol, &self.state, spoken_at).map(Reply::Asks))
            }
            (Some(question), None) => {
                let mut finding = question.answered(answer.yes);
                if let Some(span) = answer.ago {
                    timed(&mut finding, span, spoken_at);
                }
                Some(Reply::Settles(Body::Finding(finding)))
            }
            (Some(_), Some(first)) => Some(Reply::Which(first.said.advice.about.clone())),
        }
    }

    /// The same, where the words were taken for the answer to a value that was read back before we asked something else.
    fn later_answer(&self, understood: &Understood, spoken_at: Moment) -> Option<Reply> {
        let open = bare::open(&self.state, &self.knowledge.protocol, spoken_at);
        let later = bare::is_of_later_question(&self.state, understood, &open);
        later.then(|| self.bare_answer(&understood.heard, spoken_at)).flatten()
    }

    fn which_question(&mut self, about: &str, heard: u64, now: Moment) {
        let protocol = &self.knowledge.protocol;
        let drug = vec![("drug".to_string(), super::finding::Value::text(protocol.spoken(about)))];
        let mut which = doubt::sentence(protocol, "doubt.which_question", AdviceType::ReadBack, about, &drug);
        which.because = vec![heard];
        self.advise(which, now);
    }

    /// "He took two of his nitro, last one five minutes ago": the grammar has the dose, and leaves its time over.
    fn last_one(&self, change: &mut Change, understood: &Understood, spoken_at: Moment) {
        let Change::Record(finding) = change else { return };
        let over = understood.leftover.join(" ");
        let last = self.knowledge.protocol.word_list("last_dose").iter().any(|lead| over.starts_with(lead.as_str()));
        if !last || finding.kind() != Kind::MedicationTaken || finding.get(Field::HappenedAt).is_some() {
            return;
        }
        if let Some(span) = text::ago(&self.knowledge.grammar.lexicon().tokens(&over)) {
            timed(finding, span, spoken_at);
        }
    }

    /// "About ten minutes ago" to our question when a dose before us was taken: that dose has its time then.
    fn time_answer(&self, words: &str, spoken_at: Moment) -> Option<Corrected> {
        let protocol = &self.knowledge.protocol;
        let asked = |said: &&Said| {
            said.advice.kind == AdviceType::MissingFact
                && spoken_at.since_ms(said.when) <= bare::ANSWER_MS
                && protocol.intervals.iter().any(|interval| interval.id() == said.advice.rule)
        };
        let question = self.state.said.iter().rev().find(asked);
        let dose = question.and_then(|said| said.advice.because.get(1)).and_then(|seq| self.state.ledger.find(*seq));
        let untimed = dose.filter(|e| e.finding.get(Field::HappenedAt).is_none());
        let (dose, span) = (untimed?, text::ago(&self.knowledge.grammar.lexicon().tokens(words))?);
        let mut finding = dose.finding.clone();
        timed(&mut finding, span, spoken_at);
        Some(Corrected { target: dose.seq, finding, who: None, why: Some("answered".into()) })
    }

    fn answer(&mut self, understood: &Understood, now: Moment) {
        for command in &understood.commands {
            for act in answers::act(&self.state, self.knowledge, command, self.last_speech.as_ref(), now) {
                match act {
                    Act::Answer(advice) => drop(self.advise(advice, now)),
                    Act::Tell(advice) => {
                        let speech = self.worded(advice, now);
                        self.speak(speech);
                    }
                    Act::Append(body) => drop(self.append(now, None, body)),
                    Act::Again(speech) => self.effects.push(Effect::Speak(speech)),
                    Act::Hush => self.effects.push(Effect::Hush(Priority::High)),
                    Act::Close(closed) => return self.close(closed, now),
                }
            }
        }
    }

    /// Emits one event and folds it in; returns its number.
    fn append(&mut self, when: Moment, from: Option<u64>, body: Body) -> u64 {
        let seq = self.state.last_seq + 1;
        let event = Event { seq, when, body, from };
        self.state.apply(&event);
        self.effects.push(Effect::Append(event));
        seq
    }

    /// Records advice and has it spoken, now or when the gate opens.
    fn advise(&mut self, advice: Advice, now: Moment) -> u64 {
        let speech = self.worded(advice, now);
        let target = speech.target;
        if let Some(speech) = self.gate.admit(&self.state, speech, now) {
            self.speak(speech);
        }
        target
    }

    /// Records advice; the sentence that is to be spoken.
    fn worded(&mut self, advice: Advice, now: Moment) -> Speech {
        let say = advice.say.clone();
        let say_aloud = advice.say_aloud.clone().unwrap_or_else(|| say.clone());
        let (priority, kind) = (advice.priority, advice.kind);
        let at_quiet = doubt::is_second_asking(&advice);
        let target = self.append(now, None, Body::Advice(advice));
        let expires_ms = gate::expires_ms(kind, priority, now);
        let warns = priority == Priority::High && kind != AdviceType::ReadBack;
        Speech { target, priority, say, say_aloud, expires_ms, at_quiet, warns }
    }

    fn speak(&mut self, speech: Speech) {
        self.last_speech = Some(speech.clone());
        self.effects.push(Effect::Speak(speech));
    }

    /// Sentences that the gate held back and now lets through.
    fn release(&mut self, now: Moment) {
        for speech in self.gate.release(&self.state, now) {
            self.speak(speech);
        }
    }
}

/// What words come to that only a question of ours gives a meaning.
#[allow(clippy::large_enum_variant)] // there is one at a time
enum Reply {
    Settles(Body),
    /// Several questions are open: one of them is about this.
    Which(String),
    /// It may be meant for this question, which is asked again.
    Asks(Advice),
}

/// Sets when a finding happened: so long before the words.
fn timed(finding: &mut Finding, span: text::Span, spoken_at: Moment) {
    let at = spoken_at.at - chrono::TimeDelta::seconds(span.seconds);
    finding.set(Field::HappenedAt, super::finding::Value::text(super::time::rfc3339(&at)));
    if span.approximate {
        finding.set(Field::Approximate, super::finding::Value::Flag(true));
    }
}

/// On the way to a patient, or there.
fn begins_a_call(finding: &Finding) -> bool {
    let names = ["dispatched", "en_route", "on_scene", "at_patient"];
    finding.kind() == Kind::Milestone && names.iter().any(|name| finding.is(Field::Name, name))
}

fn heard_of(transcript: &Transcript, understood: &Understood) -> Heard {
    Heard {
        text: Some(transcript.text.clone()),
        text_sha256: None,
        confidence: transcript.confidence,
        outcome: understood.outcome,
        audio_ms: transcript.audio_ms,
        commands: if understood.outcome == Outcome::Echo { Vec::new() } else { understood.commands.clone() },
        speech: understood.speech(),
        audio: transcript.kept_audio.clone(),
    }
}
