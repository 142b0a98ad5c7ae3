//! The calls of a shift: where each record lies, which one goes on after a crash, when one opens and closes.
//!
//! One call is open at most. It never decides anything about a patient.

use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use anyhow::{Context, Result};
use chrono::TimeDelta;

use super::time::Time;
use crate::core::encounter::{Input, Knowledge};
use crate::core::event::{Closed, Opened, Trouble};
use crate::core::time::Moment;
use crate::shell::app::{Call, Fed, Gap, Show};
use crate::shell::clock::wall_now;
use crate::shell::journal;
use crate::shell::speak::{Earcon, Utterance, Voice};

/// A record last written longer ago than this is not gone on with: it is another shift's.
const GOES_ON_WITHIN: TimeDelta = TimeDelta::hours(6);

/// Where records go.
#[derive(Clone, Debug)]
pub enum Place {
    /// The first call is this folder, later ones `-2`, `-3` beside it.
    Named(PathBuf),
    /// Each call is a folder below this, named after its start.
    Dated(PathBuf),
}

/// What of each event is printed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Shown {
    Json,
    Text,
    Nothing,
}

pub struct Shift<'k> {
    knowledge: &'k Knowledge,
    opened: Opened,
    place: Place,
    voice: Arc<dyn Voice>,
    time: Arc<Time>,
    earpiece: bool,
    shown: Shown,
    call: Option<Call<'k>>,
    /// Counts calls; goes into the voice's ids, so that a late event of one call is not taken for another's.
    no: u64,
    /// Stopwatch reading at the open record's zero.
    origin_ms: u64,
}

impl<'k> Shift<'k> {
    pub fn new(
        knowledge: &'k Knowledge,
        opened: Opened,
        place: Place,
        voice: Arc<dyn Voice>,
        time: Arc<Time>,
        earpiece: bool,
        shown: Shown,
    ) -> Shift<'k> {
        Shift { knowledge, opened, place, voice, time, earpiece, shown, call: None, no: 0, origin_ms: 0 }
    }

    /// No call was opened yet.
    pub fn is_first(&self) -> bool {
        self.no == 0
    }

    pub fn call(&self) -> Option<&Call<'k>> {
        self.call.as_ref()
    }

    /// The number that this call's sentences carry in the voice's ids.
    pub fn voice_id(&self, target: u64) -> u64 {
        self.no << 32 | target
    }

    /// The advice that a voice id stands for, if it is of the call that is open.
    pub fn target(&self, voice_id: u64) -> Option<u64> {
        (self.call.is_some() && voice_id >> 32 == self.no).then_some(voice_id & 0xffff_ffff)
    }

    /// The moment at `at_ms` on the machine's stopwatch, as the open record has it.
    pub fn moment(&self, at_ms: u64) -> Moment {
        Moment::new(at_ms.saturating_sub(self.origin_ms), self.time.wall(at_ms))
    }

    /// When a tick is due, on the machine's stopwatch.
    pub fn next_deadline_ms(&self) -> Option<u64> {
        Some(self.origin_ms + self.call.as_ref()?.next_deadline()?)
    }

    /// Opens a new record whose zero is `at_ms`.
    pub fn open(&mut self, at_ms: u64) -> Result<()> {
        self.no += 1;
        self.origin_ms = at_ms;
        let dir = self.free_folder()?;
        let (voice, show) = (self.call_voice(), self.show());
        let now = self.moment(at_ms);
        let call = Call::open(self.knowledge, &dir, self.opened.clone(), voice, show, now)?;
        self.call = Some(call.with_earpiece(self.earpiece).on_a_thread()?);
        Ok(())
    }

    /// Goes on with the record that a crash or a dead battery left open, if there is one.
    pub fn resume(&mut self) -> Result<Option<Gap>> {
        let Some(dir) = self.left_open() else { return Ok(None) };
        self.no += 1;
        let (call, gap) = Call::resume(self.knowledge, &dir, self.call_voice(), self.show())?;
        let away_ms = (self.time.wall(self.time.now_ms()) - gap.last.at).num_milliseconds().max(0).unsigned_abs();
        // The stopwatch goes on by the wall difference, never backwards.
        self.origin_ms = self.time.now_ms().saturating_sub(gap.last.mono_ms + away_ms);
        self.call = Some(call.with_earpiece(self.earpiece).on_a_thread()?);
        let detail = gap.torn.as_ref().map_or(format!("away for {} s", away_ms / 1000), |torn| {
            format!("away for {} s; a torn tail: {torn}", away_ms / 1000)
        });
        let trouble = Trouble { what: "record".into(), state: "resumed".into(), detail: Some(detail) };
        let outcome = self.feed(Input::Recovered(trouble), self.time.now_ms());
        match outcome.fault {
            Some(fault) => Err(fault.into()),
            None => Ok(Some(gap)),
        }
    }

    /// Hands an input of `at_ms` to the open call; nothing follows where none is open.
    pub fn feed(&mut self, input: Input, at_ms: u64) -> Fed {
        let now = self.moment(at_ms);
        let Some(call) = &mut self.call else { return Fed::default() };
        let fed = call.feed_through(input, now);
        // A closed record whose last events wait for the disk is kept until they are written.
        if call.is_closed() && fed.fault.is_none() {
            self.call = None;
        }
        fed
    }

    /// Closes the open record.
    pub fn close(&mut self, reason: &str, at_ms: u64) -> Fed {
        self.feed(Input::Close(Closed { reason: reason.into(), by: None }), at_ms)
    }

    pub fn retry_disk(&mut self) -> bool {
        let written = self.call.as_mut().is_none_or(Call::retry_disk);
        if written && self.call.as_ref().is_some_and(Call::is_closed) {
            self.call = None;
        }
        written
    }

    /// At the end: waits until everything is on the disk, at most so long; whether it is.
    pub fn settle_disk(&mut self, at_most: Duration) -> bool {
        self.call.as_mut().is_none_or(|call| call.settle_disk(at_most))
    }

    fn show(&self) -> Show {
        match self.shown {
            Shown::Json => Show::Json,
            Shown::Text => Show::Text,
            Shown::Nothing => Show::Nothing,
        }
    }

    fn call_voice(&self) -> Box<dyn Voice> {
        Box::new(CallVoice { voice: self.voice.clone(), no: self.no })
    }

    fn free_folder(&self) -> Result<PathBuf> {
        let taken = |dir: &Path| std::fs::read_dir(dir).is_ok_and(|mut entries| entries.next().is_some());
        let candidates = |base: PathBuf| (1..1000).map(move |n| numbered(&base, n));
        let free = match &self.place {
            // The first call is the very folder that was named, or opening it says why not.
            Place::Named(dir) if self.no <= 1 => Some(dir.clone()),
            Place::Named(dir) => candidates(dir.clone()).skip(1).find(|dir| !taken(dir)),
            Place::Dated(base) => {
                candidates(base.join(wall_now().format("%Y-%m-%d-%H%M%S").to_string())).find(|dir| !dir.exists())
            }
        };
        free.context("every name for the next record's folder is taken")
    }

    /// The newest record, if it was never closed and is of this shift.
    fn left_open(&self) -> Option<PathBuf> {
        let newest = match &self.place {
            Place::Named(dir) => {
                (1..1000).map(|n| numbered(dir, n)).take_while(|dir| dir.join(journal::EVENTS).exists()).last()
            }
            Place::Dated(base) => {
                let mut dirs: Vec<PathBuf> =
                    std::fs::read_dir(base).ok()?.filter_map(|e| Some(e.ok()?.path())).collect();
                dirs.sort();
                dirs.into_iter().rfind(|dir| dir.join(journal::EVENTS).exists())
            }
        }?;
        let record = journal::inspect(&newest).ok()?;
        let last = record.events.last()?;
        let fresh = wall_now().signed_duration_since(last.when.at) < GOES_ON_WITHIN;
        (!record.closed() && fresh).then_some(newest)
    }
}

fn numbered(base: &Path, n: u32) -> PathBuf {
    if n == 1 {
        return base.to_path_buf();
    }
    let mut name = base.as_os_str().to_os_string();
    name.push(format!("-{n}"));
    PathBuf::from(name)
}

/// One call's door to the shift's voice.
struct CallVoice {
    voice: Arc<dyn Voice>,
    no: u64,
}

impl Voice for CallVoice {
    fn queue(&self, mut utterance: Utterance) {
        utterance.id |= self.no << 32;
        self.voice.queue(utterance);
    }

    fn stop(&self) {
        self.voice.stop();
    }

    fn hush(&self) {
        self.voice.hush();
    }

    fn withdraw(&self, id: u64) {
        self.voice.withdraw(self.no << 32 | id);
    }

    fn crew_speaking(&self, talking: bool) {
        self.voice.crew_speaking(talking);
    }

    fn try_again(&self) {
        self.voice.try_again();
    }

    fn earcon(&self, earcon: Earcon) {
        self.voice.earcon(earcon);
    }
}
