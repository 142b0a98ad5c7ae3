//! The call as a machine: an input and the moment come in, effects go out. It reads no clock and stores nothing.
//!
//! Everything remembered is a fold over the events it emits ([`State::apply`]), so `replay(journal)` is the live
//! state, and a restart resumes with its timers intact. Deadlines are computed from the state, never kept beside it;
//! a tick too many changes nothing.

use super::conversation::Conversation;
use super::event::{Advice, Body, Closed, Event, Heard, Note, Opened, Outcome, Priority, Spoken, Trouble};
use super::grammar::Grammar;
use super::ledger::Ledger;
use super::time::Moment;
use super::utterance::{Change, Transcript, Understood};

/// The data in force: what can be understood and what follows from it.
pub struct Knowledge {
    pub grammar: Grammar,
}

/// Everything that can happen to a call.
#[derive(Clone, Debug, PartialEq)]
pub enum Input {
    Open(Opened),
    /// Words, and when they began.
    Heard {
        transcript: Transcript,
        spoken_at: Moment,
    },
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
}

/// Everything remembered of the call.
#[derive(Clone, Default)]
pub struct State {
    pub ledger: Ledger,
    pub conversation: Conversation,
    pub last_seq: u64,
    pub closed: bool,
}

impl State {
    /// Folds one event in. The only way in which anything is remembered.
    pub fn apply(&mut self, event: &Event) {
        self.last_seq = event.seq;
        self.ledger.apply(event);
        self.conversation.apply(event);
        if matches!(event.body, Body::Closed(_)) {
            self.closed = true;
        }
    }
}

/// One call.
pub struct Encounter<'k> {
    knowledge: &'k Knowledge,
    state: State,
    effects: Vec<Effect>,
}

impl<'k> Encounter<'k> {
    pub fn new(knowledge: &'k Knowledge) -> Encounter<'k> {
        Encounter { knowledge, state: State::default(), effects: Vec::new() }
    }

    /// Goes on from a journal.
    pub fn resume(knowledge: &'k Knowledge, events: &[Event]) -> Encounter<'k> {
        let mut encounter = Encounter::new(knowledge);
        events.iter().for_each(|event| encounter.state.apply(event));
        encounter
    }

    pub fn state(&self) -> &State {
        &self.state
    }

    /// The stopwatch reading (ms) at which [`Input::Tick`] is due, if anything is waiting.
    pub fn next_deadline(&self) -> Option<u64> {
        None
    }

    /// Takes one input and returns everything that follows from it. After `closed` nothing follows from anything.
    pub fn handle(&mut self, input: Input, now: Moment) -> Vec<Effect> {
        if !self.state.closed {
            self.decide(input, now);
        }
        std::mem::take(&mut self.effects)
    }

    fn decide(&mut self, input: Input, now: Moment) {
        match input {
            Input::Open(opened) => drop(self.append(now, None, Body::Opened(opened))),
            Input::Heard { transcript, spoken_at } => self.heard(&transcript, spoken_at),
            Input::Tick => {}
            Input::Spoken { target, reason } => drop(self.append(now, None, Body::Spoken(Spoken { target, reason }))),
            Input::Trouble(trouble) => drop(self.append(now, None, Body::Device(trouble))),
            Input::Recovered(trouble) => drop(self.append(now, None, Body::Recovered(trouble))),
            Input::Note(note) => drop(self.append(now, None, Body::Note(note))),
            Input::Close(closed) => {
                self.append(now, None, Body::Closed(closed));
                self.effects.push(Effect::Closed);
            }
        }
    }

    fn heard(&mut self, transcript: &Transcript, spoken_at: Moment) {
        let understood = self.state.conversation.hear(&self.knowledge.grammar, transcript, spoken_at);
        let heard = self.append(spoken_at, None, Body::Heard(heard_of(transcript, &understood)));
        for change in understood.changes {
            self.change(change, heard, spoken_at);
        }
    }

    fn change(&mut self, change: Change, heard: u64, spoken_at: Moment) {
        use super::event::{Confirmed, Corrected, Retracted};
        let body = match change {
            Change::Record(finding) => Body::Finding(finding),
            Change::Correct { target, finding, who, why } => Body::Corrected(Corrected { target, finding, who, why }),
            Change::Retract { target, why } => Body::Retracted(Retracted { target, who: None, why }),
            Change::Confirm { target, how } => Body::Confirmed(Confirmed { target, how }),
        };
        self.append(spoken_at, Some(heard), body);
    }

    /// Emits one event and folds it in; returns its number.
    fn append(&mut self, when: Moment, from: Option<u64>, body: Body) -> u64 {
        let seq = self.state.last_seq + 1;
        let event = Event { seq, when, body, from };
        self.state.apply(&event);
        self.effects.push(Effect::Append(event));
        seq
    }

    /// Emits advice and has it spoken.
    #[allow(dead_code)] // the protocol room calls this
    fn advise(&mut self, advice: Advice, now: Moment) -> u64 {
        let speech = Speech {
            target: 0,
            priority: advice.priority,
            say: advice.say.clone(),
            say_aloud: advice.say_aloud.clone().unwrap_or_else(|| advice.say.clone()),
            expires_ms: None,
        };
        let target = self.append(now, None, Body::Advice(advice));
        self.effects.push(Effect::Speak(Speech { target, ..speech }));
        target
    }
}

fn heard_of(transcript: &Transcript, understood: &Understood) -> Heard {
    Heard {
        text: Some(transcript.text.clone()),
        text_sha256: None,
        confidence: transcript.confidence,
        outcome: understood.outcome,
        audio_ms: transcript.audio_ms,
        commands: if understood.outcome == Outcome::Echo { Vec::new() } else { understood.commands.clone() },
        audio: transcript.kept_audio.clone(),
    }
}
