//! The loop around one call: an input goes into the encounter, its effects come out; appends reach the disk first,
//! then the voice speaks. `replay` drives it on a recording's clock, `listen` on the machine's.
//!
//! Nothing here decides anything about a patient.

use std::io::Write;
use std::path::Path;
use std::time::Duration;

use anyhow::Result;

use crate::core::chain;
use crate::core::encounter::{Effect, Encounter, Input, Knowledge, Speech};
use crate::core::event::{Event, FORMAT, Opened, Priority, Purpose};
use crate::core::glance;
use crate::core::grammar::Grammar;
use crate::core::protocol::Protocol;
use crate::core::time::Moment;
use crate::shell::data::DataSet;
use crate::shell::journal::{self, Journal, Store, Urgency};
use crate::shell::speak::{Utterance, Voice};

/// Reads the data in force into what the encounter knows.
///
/// # Errors
/// Every diagnostic of a set that does not load, one a line.
pub fn knowledge(data: &DataSet) -> Result<Knowledge> {
    let grammar = Grammar::load(&data.sources("grammars/")).map_err(|all| refused("grammar", &all))?;
    let protocol = Protocol::load(&data.sources("protocols/")).map_err(|all| refused("protocol", &all))?;
    Ok(Knowledge { grammar, protocol })
}

fn refused(what: &str, diagnostics: &[crate::core::diagnostic::Diagnostic]) -> anyhow::Error {
    let lines: Vec<String> = diagnostics.iter().map(ToString::to_string).collect();
    anyhow::anyhow!("the {what} data does not load; `thirdhand check` explains\n{}", lines.join("\n"))
}

/// The first event's payload for this data and model.
pub fn opened(data: &DataSet, model: &str, purpose: Purpose) -> Opened {
    Opened {
        format: FORMAT.into(),
        version: env!("CARGO_PKG_VERSION").into(),
        data: data.local.as_deref().map_or("built-in".into(), |dir| format!("built-in + {}", dir.display())),
        data_digest: data.digest.clone(),
        model: model.into(),
        purpose,
        ..Opened::default()
    }
}

/// Where events go besides the record.
pub enum Show {
    Nothing,
    /// JSON Lines on stdout: the record's lines as written.
    Json,
    /// A line a finding, an advice line as it would be spoken.
    Text,
}

/// One call being recorded.
pub struct Call<'k> {
    encounter: Encounter<'k>,
    store: Store,
    voice: Box<dyn Voice>,
    /// Whether the voice is heard by the crew member alone.
    earpiece: bool,
    show: Show,
    /// Events that are not on the disk yet: as JSON they are shown when they are.
    unshown: Vec<Event>,
    /// Hash of the last line shown.
    head: String,
    closed: bool,
}

impl<'k> Call<'k> {
    /// Opens a record in `dir` (absent or empty before) and writes its first event.
    pub fn open(
        knowledge: &'k Knowledge,
        dir: &Path,
        opened: Opened,
        voice: Box<dyn Voice>,
        show: Show,
        now: Moment,
    ) -> Result<Call<'k>> {
        let journal = Journal::create(dir)?;
        let mut call = Call {
            encounter: Encounter::new(knowledge),
            head: journal.head().to_string(),
            store: Store::direct(journal),
            unshown: Vec::new(),
            voice,
            earpiece: false,
            show,
            closed: false,
        };
        call.feed(Input::Open(opened), now)?;
        Ok(call)
    }

    /// Goes on with a record that was never closed (a crash, a dead battery). Returns the call, and what must be noted.
    ///
    /// # Errors
    /// There is no record, another process writes it, it is closed, or it is damaged in its middle.
    pub fn resume(knowledge: &'k Knowledge, dir: &Path, voice: Box<dyn Voice>, show: Show) -> Result<(Call<'k>, Gap)> {
        let resumed = Journal::resume(dir)?;
        let events = &resumed.record.events;
        let last = events.last().map(|event| event.when);
        let last = events.iter().map(|e| e.when).fold(last, |a, b| a.filter(|a| a.mono_ms >= b.mono_ms).or(Some(b)));
        let (Some(last), false) = (last, resumed.record.closed()) else {
            anyhow::bail!("{}: this record is closed or empty; there is nothing to go on with", dir.display());
        };
        let torn = resumed.set_aside.as_ref().map(|(torn, side)| format!("{} bytes set aside in {side}", torn.len));
        let call = Call {
            encounter: Encounter::resume(knowledge, events),
            head: resumed.journal.head().to_string(),
            store: Store::direct(resumed.journal),
            unshown: Vec::new(),
            voice,
            earpiece: false,
            show,
            closed: false,
        };
        Ok((call, Gap { last, torn }))
    }

    /// From now on the disk is written by a thread of its own: no warning waits for it longer than
    /// [`journal::WARNING_WAIT`].
    ///
    /// # Errors
    /// The system gives no thread.
    pub fn on_a_thread(mut self) -> Result<Call<'k>> {
        self.store = self.store.on_a_thread()?;
        Ok(self)
    }

    /// Whether the crew member alone hears the voice.
    pub fn with_earpiece(mut self, earpiece: bool) -> Call<'k> {
        self.earpiece = earpiece;
        self
    }

    /// What is remembered of the call, for whoever shows it.
    pub fn state(&self) -> &crate::core::encounter::State {
        self.encounter.state()
    }

    pub fn is_closed(&self) -> bool {
        self.closed
    }

    /// When a tick is due, on the call's stopwatch (ms).
    pub fn next_deadline(&self) -> Option<u64> {
        self.encounter.next_deadline()
    }

    /// Takes one input through decision, disk and voice. Returns the sentences handed to the voice.
    pub fn feed(&mut self, input: Input, now: Moment) -> Result<Vec<Speech>> {
        match self.feed_through(input, now) {
            Fed { fault: Some(fault), .. } => Err(fault.into()),
            Fed { speeches, .. } => Ok(speeches),
        }
    }

    /// The same for a live call: where the disk fails the warning is spoken all the same, and the fault comes back. The
    /// journal keeps the events and writes them later.
    pub fn feed_through(&mut self, input: Input, now: Moment) -> Fed {
        let effects = self.encounter.handle(input, now);
        let events: Vec<Event> = effects.iter().filter_map(appended).collect();
        let (mut fault, mut sync_us) = (None, 0);
        if !events.is_empty() {
            let begun = crate::shell::clock::instant();
            fault = self.store.append(&events, urgency(&effects));
            sync_us = u64::try_from(begun.elapsed().as_micros()).unwrap_or(u64::MAX);
            self.show(&events);
        }
        let mut speeches = Vec::new();
        for effect in effects {
            match effect {
                Effect::Append(_) => {}
                Effect::Speak(speech) => {
                    self.voice.queue(self.utterance(&speech, now));
                    speeches.push(speech);
                }
                Effect::Hush(_) => self.voice.hush(),
                Effect::Withdraw(target) => self.voice.withdraw(target),
                Effect::Closed => self.closed = true,
            }
        }
        Fed { events, speeches, fault, sync_us }
    }

    /// Tries to write what a failing disk has not taken; true when nothing waits any more.
    pub fn retry_disk(&mut self) -> bool {
        let settled = self.store.settled();
        self.show(&[]);
        settled
    }

    /// Waits until nothing waits for the disk, at most so long; whether that is so.
    pub fn settle_disk(&mut self, at_most: Duration) -> bool {
        let settled = self.store.settle(at_most);
        self.show(&[]);
        settled
    }

    /// The record's file.
    pub fn path(&self) -> &Path {
        self.store.path()
    }

    /// Folds the encounter anew from the events so far, as after a crash (script directive `!restart`).
    pub fn restart(&mut self, knowledge: &'k Knowledge) -> Result<()> {
        let record = crate::shell::journal::read(self.store.path())?;
        self.encounter = Encounter::resume(knowledge, &record.events);
        Ok(())
    }

    fn utterance(&self, speech: &Speech, now: Moment) -> Utterance {
        let text = if self.earpiece { &speech.say } else { &speech.say_aloud };
        let utterance = Utterance::new(speech.target, text.as_str(), speech.priority).warning(speech.warns);
        let utterance = if speech.at_quiet { utterance.when_quiet() } else { utterance };
        match speech.expires_ms {
            Some(at) => utterance.reminder(at.saturating_sub(now.mono_ms)),
            None => Utterance { again_if_cut: speech.priority > Priority::Low, ..utterance },
        }
    }

    /// The event's line, with the words that the record keeps apart and the hash that the record's line has.
    fn json_line(&mut self, event: &Event) -> String {
        self.head = chain::seal(&self.head, &self.store.sealing().as_recorded(event).to_line()).1;
        chain::with_hash(&event.to_line(), &self.head)
    }

    fn show(&mut self, events: &[Event]) {
        let lines: Vec<String> = match self.show {
            Show::Nothing => return,
            // Whoever reads these lines may take them for recorded.
            Show::Json => {
                self.unshown.extend_from_slice(events);
                let recorded = self.store.recorded();
                let ready = self.unshown.iter().take_while(|event| event.seq <= recorded).count();
                let ready: Vec<Event> = self.unshown.drain(..ready).collect();
                ready.iter().map(|event| self.json_line(event)).collect()
            }
            Show::Text => events.iter().filter_map(glance::line).collect(),
        };
        let mut out = std::io::stdout().lock();
        let written = lines.iter().try_for_each(|line| writeln!(out, "{line}")).and_then(|()| out.flush());
        if written.is_err() {
            // Nobody reads any more: the record goes on without a display.
            self.show = Show::Nothing;
        }
    }
}

/// What an input led to.
#[derive(Default)]
pub struct Fed {
    /// As appended to the record.
    pub events: Vec<Event>,
    /// Sentences handed to the voice.
    pub speeches: Vec<Speech>,
    /// Why the events are not on the disk yet.
    pub fault: Option<journal::Fault>,
    /// How long append and sync were waited for, microseconds.
    pub sync_us: u64,
}

/// What lies between a record and its going on.
#[derive(Clone, Debug)]
pub struct Gap {
    /// The latest moment in the record.
    pub last: Moment,
    /// A torn tail that was set aside.
    pub torn: Option<String>,
}

/// How long what follows may wait for the disk.
fn urgency(effects: &[Effect]) -> Urgency {
    let warns = |effect: &Effect| matches!(effect, Effect::Speak(speech) if speech.priority == Priority::High);
    if effects.iter().any(warns) { Urgency::Warning } else { Urgency::Ordinary }
}

fn appended(effect: &Effect) -> Option<Event> {
    match effect {
        Effect::Append(event) => Some(event.clone()),
        _ => None,
    }
}
