//! The ear: sound in, utterances with their words out. It runs on a thread of its own, beside one for the recogniser.
//!
//! Utterances end at a pause. So that nobody waits for the pause *and then* for the recogniser, recognition of what was
//! said so far begins early in the pause; when its words are complete in themselves the utterance ends there and then.

use std::collections::{BTreeMap, VecDeque};
use std::ops::Range;
use std::sync::Arc;

use crossbeam_channel::{Receiver, Sender, TrySendError, bounded, never, select};

use super::echo::Canceller;
use super::lookout::{Lookout, Stretch};
use super::own_voice::OwnVoice;
use super::pieces::{Apart, Decision, Pieces, Sense};
use crate::core::utterance::{Transcript, Whose};
use crate::shell::capture::{Block, CaptureEvent, MicState, RATE_HZ};
use crate::shell::clock::boot_ms;
use crate::shell::recognise::Recogniser;
use crate::shell::segment::{Segment, Segmenter};
use crate::shell::speak::earcon;

/// Silence after which recognition of what was said so far begins, milliseconds.
const EARLY_MS: u64 = 208;
/// A pause behind words that want more ends the utterance after so long. Our own choice, no source: twice the usual one, nearly.
const LONGER_PAUSE_MS: u64 = 1_200;
/// Utterances waiting for the recogniser at most: it takes some seconds to start, and meanwhile nothing is lost.
const JOBS_MAX: usize = 32;
/// Sound taken for our own earcon is shorter than this, milliseconds, and this share of its energy is an earcon's; a short
/// word has less than a third (test in `speak::earcon`).
const EARCON_LONGEST_MS: u64 = 1_200;
const EARCON_SHARE: f32 = 0.5;
/// An answer of the recogniser is missed after so long, milliseconds: it takes 0.2 to 0.7 s, a few on a busy machine, and is
/// given up by its parent only after half a minute.
const BEHIND_MS: u64 = 5_000;
/// Stretches of sound that wait to be looked at for a "quiet": as many as come at once. The oldest goes.
const LOOKS_MAX: usize = 5;
/// A level is told every so many samples.
const LEVEL_EVERY: u64 = RATE_HZ as u64 / 4;

/// What the ear tells the loop. Times are on `clock::boot_ms`, or on the samples' own clock.
#[derive(Debug)]
pub enum Told {
    /// Somebody began or ceased to speak.
    Speaking(bool),
    Utterance(Box<Heard>),
    /// Somebody else than we said something of which no word was made out.
    NoWords,
    /// An utterance was lost to the recogniser.
    Missed {
        why: String,
    },
    /// The recogniser was mended.
    Mended(String),
    /// Words have waited long for the recogniser, or it answers again.
    Behind(bool),
    Microphone(MicState, String),
    /// Sound was heard up to here; its level, dBFS.
    Level {
        at_ms: u64,
        dbfs: f32,
    },
    /// The recogniser is ready; what was said before waits for it.
    Ready,
    /// The recogniser cannot be had.
    Dead(String),
    /// The input has ended and everything before was told.
    Ended,
}

#[derive(Debug)]
pub struct Heard {
    pub transcript: Transcript,
    pub start_ms: u64,
    pub end_ms: u64,
    /// When it was known that the utterance had ended, on the machine's stopwatch.
    pub cut_ms: u64,
    /// When its words were known.
    pub words_ms: u64,
}

/// What the words so far say of the pause behind them.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Pause {
    /// They are complete in themselves: there is no need to wait for more.
    Over,
    Usual,
    /// They want more: "one forty over".
    Longer,
}

/// Judges the pause behind words.
pub type Patience = Box<dyn Fn(&Transcript) -> Pause + Send>;

pub struct Options {
    pub own_voice: Arc<OwnVoice>,
    pub patience: Patience,
    /// What words mean by themselves.
    pub sense: Box<dyn Fn(&Transcript) -> Sense + Send>,
    /// Whether words ask us to be silent.
    pub asks_for_silence: Box<dyn Fn(&Transcript) -> bool + Send>,
    /// Wait for each utterance's words before taking more sound: the samples' own clock is the clock.
    pub in_step: bool,
    /// What the loudspeaker plays, to be taken out of what the microphone hears.
    pub loudspeaker: Option<Receiver<CaptureEvent>>,
}

/// Opens the recogniser; takes its time.
pub type Open = Box<dyn FnOnce() -> anyhow::Result<Box<dyn Recogniser>> + Send>;

/// Orders to the ear.
pub enum Order {
    /// Recognise what is open, tell it, tell `Ended`, and end.
    Finish,
}

/// Starts both threads.
///
/// # Errors
/// A thread cannot be started.
pub fn start(
    options: Options,
    open: Open,
    sound: Receiver<CaptureEvent>,
    orders: Receiver<Order>,
    told: Sender<Told>,
) -> std::io::Result<()> {
    let (jobs, work) = bounded(JOBS_MAX);
    let (finished, results) = bounded(JOBS_MAX + 2);
    std::thread::Builder::new().name("recognise".into()).spawn(move || recognise(open, &work, &finished))?;
    let loudspeaker = options.loudspeaker.clone();
    let ear = Ear {
        options,
        canceller: loudspeaker.is_some().then(Canceller::default),
        segmenter: Segmenter::new(),
        base_ms: 0,
        pushed: 0,
        was_speaking: false,
        hearing: false,
        early: None,
        pieces: Pieces::default(),
        lookout: Lookout::default(),
        looks: VecDeque::new(),
        looking: None,
        hushed: None,
        waiting: BTreeMap::new(),
        jobs,
        results,
        told,
        next_id: 0,
        answers: Answers::default(),
        power: (0.0, 0),
    };
    std::thread::Builder::new().name("ear".into()).spawn(move || ear.run(&sound, &orders, loudspeaker))?;
    Ok(())
}

struct Job {
    id: u64,
    samples: Vec<f32>,
    /// Only looked through for a "quiet".
    look: bool,
}

enum Done {
    Ready,
    Dead(String),
    Words { id: u64, result: Result<Transcript, String>, mended: Vec<String> },
}

fn recognise(open: Open, work: &Receiver<Job>, finished: &Sender<Done>) {
    let mut recogniser = match open() {
        Ok(recogniser) => recogniser,
        Err(error) => {
            let _ = finished.send(Done::Dead(format!("{error:#}")));
            return;
        }
    };
    if finished.send(Done::Ready).is_err() {
        return;
    }
    for Job { id, samples, look } in work {
        let heard = if look { recogniser.look(&samples) } else { recogniser.recognise(&samples) };
        let result = heard.map_err(|e| format!("{e:#}"));
        let mended = recogniser.troubles();
        if finished.send(Done::Words { id, result, mended }).is_err() {
            return;
        }
    }
}

/// An utterance's begin and end, and when its end was known.
#[derive(Clone, Copy)]
struct Times {
    start_ms: u64,
    end_ms: u64,
    cut_ms: u64,
}

/// An utterance at the recogniser.
struct Awaited {
    times: Times,
    /// It is the pieces of a sentence put together again.
    pieces: Option<Apart<Option<Heard>>>,
}

/// Recognition begun early in a pause.
struct Early {
    id: u64,
    /// Where the words ended, on the segmenter's clock: the same at the end means that nothing was added.
    end_ms: u64,
    result: Option<Result<Transcript, String>>,
}

/// What the recogniser owes.
#[derive(Default)]
struct Answers {
    owed: usize,
    /// When it was last asked while it owed nothing, or last answered.
    since_ms: u64,
    ready: bool,
    behind: bool,
}

impl Answers {
    fn asked(&mut self, now_ms: u64) {
        if self.owed == 0 {
            self.since_ms = now_ms;
        }
        self.owed += 1;
    }

    fn ready(&mut self, now_ms: u64) {
        (self.ready, self.since_ms) = (true, now_ms);
    }

    /// True when it was behind.
    fn came(&mut self, now_ms: u64) -> bool {
        self.owed = self.owed.saturating_sub(1);
        self.since_ms = now_ms;
        std::mem::take(&mut self.behind)
    }

    /// True once, when an answer is missed.
    fn missed(&mut self, now_ms: u64) -> bool {
        let missed = self.ready && self.owed > 0 && now_ms.saturating_sub(self.since_ms) > BEHIND_MS;
        missed && !std::mem::replace(&mut self.behind, true)
    }
}

struct Ear {
    options: Options,
    canceller: Option<Canceller>,
    segmenter: Segmenter,
    /// The moment of the segmenter's first sample.
    base_ms: u64,
    pushed: u64,
    was_speaking: bool,
    hearing: bool,
    early: Option<Early>,
    /// What was cut at a begin or end of our own words, until it is known what became of it.
    pieces: Pieces<Option<Heard>>,
    lookout: Lookout,
    /// Stretches of sound that are to be looked at for a "quiet", and the one at the recogniser.
    looks: VecDeque<Stretch>,
    looking: Option<(u64, Range<u64>)>,
    /// Where one was found last.
    hushed: Option<Range<u64>>,
    /// The utterances at the recogniser.
    waiting: BTreeMap<u64, Awaited>,
    jobs: Sender<Job>,
    results: Receiver<Done>,
    told: Sender<Told>,
    next_id: u64,
    answers: Answers,
    /// Sum of squares and count since the last level.
    power: (f64, u64),
}

impl Ear {
    fn run(
        mut self,
        sound: &Receiver<CaptureEvent>,
        orders: &Receiver<Order>,
        loudspeaker: Option<Receiver<CaptureEvent>>,
    ) {
        let results = self.results.clone();
        let mut loudspeaker = loudspeaker.unwrap_or_else(never);
        loop {
            let open = select! {
                recv(sound) -> event => match event {
                    Ok(CaptureEvent::Sound(block)) => self.hear(block),
                    Ok(CaptureEvent::State(state, detail)) => self.tell(Told::Microphone(state, detail)),
                    Ok(CaptureEvent::Ended) | Err(_) => { self.finish(); return },
                },
                recv(results) -> done => match done {
                    Ok(done) => self.learn(done),
                    Err(_) => {
                        self.tell(Told::Missed { why: "the recogniser's thread has ended".into() });
                        false
                    },
                },
                recv(loudspeaker) -> event => match event {
                    Ok(event) => self.loudspeaker_told(event),
                    Err(_) => {
                        loudspeaker = never();
                        self.loudspeaker_told(CaptureEvent::Ended)
                    },
                },
                recv(orders) -> order => match order {
                    Ok(Order::Finish) | Err(_) => {
                        while let Ok(CaptureEvent::Sound(block)) = sound.try_recv() {
                            self.hear(block);
                        }
                        self.finish();
                        return;
                    },
                },
            };
            if !open {
                return;
            }
        }
    }

    /// False when nobody listens to us any more.
    fn tell(&self, told: Told) -> bool {
        self.told.send(told).is_ok()
    }

    fn loudspeaker_told(&mut self, event: CaptureEvent) -> bool {
        let Some(canceller) = &mut self.canceller else { return true };
        let cleaned = match event {
            CaptureEvent::Sound(block) => canceller.loudspeaker(&block),
            CaptureEvent::State(MicState::Lost, _) | CaptureEvent::Ended => canceller.loudspeaker_lost(),
            CaptureEvent::State(..) => Vec::new(),
        };
        cleaned.into_iter().all(|block| self.hear_cleaned(block))
    }

    fn hear(&mut self, block: Block) -> bool {
        if self.answers.missed(boot_ms()) {
            self.tell(Told::Behind(true));
        }
        match &mut self.canceller {
            Some(canceller) => {
                let cleaned = canceller.microphone(block);
                cleaned.into_iter().all(|block| self.hear_cleaned(block))
            }
            None => self.hear_cleaned(block),
        }
    }

    fn hear_cleaned(&mut self, block: Block) -> bool {
        if !block.follows && self.pushed > 0 {
            let cut = self.segmenter.finish();
            cut.into_iter().for_each(|segment| self.ended(segment, false));
            self.segmenter = Segmenter::new();
            self.pieces.given_up().into_iter().for_each(|heard| self.tell_heard(heard));
            self.pushed = 0;
            self.early = None;
        }
        if self.pushed == 0 {
            self.base_ms = block.at_ms;
        }
        let own = &self.options.own_voice;
        // Sound may have been held back: what counts is what sounded then. Samples on their own clock are of now.
        let speaking = if self.options.in_step { own.speaking() } else { own.speaking_at(block.at_ms) };
        if speaking != self.was_speaking {
            self.was_speaking = speaking;
            // Our words and the crew's are cut apart, as far as they can be; what is cut that belongs together, `pieces` put
            // together again. With a headset there is nothing to cut.
            if self.canceller.as_ref().is_none_or(|canceller| !canceller.apart()) {
                let cut = self.segmenter.split();
                cut.into_iter().for_each(|segment| self.ended(segment, true));
            }
        }
        if let Some(stretch) = self.lookout.hear(&block, speaking) {
            self.look(stretch);
        }
        self.pushed += block.samples.len() as u64;
        let done = self.segmenter.push(&block.samples);
        done.into_iter().for_each(|segment| self.ended(segment, false));
        self.settle_pieces(self.pushed * 1000 / u64::from(RATE_HZ));
        self.begin_early();
        self.level(&block.samples);
        let hearing = self.segmenter.hearing();
        if hearing != self.hearing {
            self.hearing = hearing;
            return self.tell(Told::Speaking(hearing));
        }
        true
    }

    /// Somebody may be asking us to be silent. With a headset the utterances by themselves tell.
    fn look(&mut self, stretch: Stretch) {
        let (from, to) = (stretch.span.start, stretch.span.end);
        let somebody = self.canceller.as_ref().is_none_or(|canceller| canceller.may_be_somebody(from, to));
        if self.options.in_step || !somebody {
            return;
        }
        if self.looks.len() >= LOOKS_MAX {
            self.looks.pop_front();
        }
        self.looks.push_back(stretch);
        self.look_on();
    }

    /// One at a time: no sentence waits for more than that, nor a "quiet" for a sentence that was made of our words.
    fn look_on(&mut self) {
        if !self.options.own_voice.speaking() {
            self.looks.clear();
        }
        let busy = self.looking.is_some();
        let Some(Stretch { samples, span }) = (!busy).then(|| self.looks.pop_front()).flatten() else { return };
        self.looking = self.send_as(samples, true).map(|id| (id, span));
    }

    fn looked(&mut self, transcript: Transcript, span: Range<u64>) {
        let own = &self.options.own_voice;
        let own_voice = own.over(span.start, span.end);
        let transcript = Transcript { own_voice, talked_over: true, mixed: true, ..transcript };
        if !own.speaking() || !(self.options.asks_for_silence)(&transcript) {
            return;
        }
        let now_ms = boot_ms();
        let Range { start: start_ms, end: end_ms } = span;
        self.tell_heard(Some(Heard { transcript, start_ms, end_ms, cut_ms: now_ms, words_ms: now_ms }));
        // What was said before and after it is another utterance.
        let cut = self.segmenter.split();
        cut.into_iter().for_each(|segment| self.ended(segment, false));
    }

    fn level(&mut self, samples: &[f32]) {
        self.power.0 += samples.iter().map(|s| f64::from(*s).powi(2)).sum::<f64>();
        self.power.1 += samples.len() as u64;
        if self.power.1 >= LEVEL_EVERY {
            let dbfs = (10.0 * (self.power.0 / self.power.1 as f64).max(1e-12).log10()) as f32;
            self.power = (0.0, 0);
            let at_ms = self.base_ms + self.pushed * 1000 / u64::from(RATE_HZ);
            self.tell(Told::Level { at_ms, dbfs });
        }
    }

    /// In a pause: recognition of what was said so far, once a pause, and only when the recogniser is free.
    fn begin_early(&mut self) {
        if self.options.in_step || !self.waiting.is_empty() {
            return;
        }
        if self.segmenter.silent_ms().is_none_or(|ms| ms < EARLY_MS) {
            return;
        }
        let Some(end_ms) = self.segmenter.words().map(|words| words.end) else { return };
        if self.early.as_ref().is_some_and(|early| early.end_ms == end_ms || early.result.is_none()) {
            return;
        }
        let Some(segment) = self.segmenter.so_far() else { return };
        if self.is_own_earcon(&segment) {
            // No words, known now: it is not looked at again with every block of the pause.
            self.early = Some(Early { id: 0, end_ms, result: Some(Ok(Transcript::default())) });
        } else if let Some(id) = self.send(segment.samples) {
            self.early = Some(Early { id, end_ms, result: None });
            // Whether more is wanted is known with the words, which may come later than the usual pause ends.
            self.segmenter.wait_ms(Some(LONGER_PAUSE_MS));
        }
    }

    /// An utterance is whole: its words are known early, or are to be found. `at_turn`: it was cut because words of ours
    /// began or ended.
    fn ended(&mut self, segment: Segment, at_turn: bool) {
        let times = self.times(&segment);
        let awaited = Awaited { times, pieces: None };
        if let Some(early) = self.early.take_if(|early| early.end_ms == segment.end_ms) {
            self.pieces.ended(&segment, at_turn);
            match early.result {
                Some(result) => self.utter(result, awaited),
                None => drop(self.waiting.insert(early.id, awaited)),
            }
        } else if !self.is_own_earcon(&segment) {
            self.pieces.ended(&segment, at_turn);
            self.recognise(segment, awaited);
        }
    }

    fn recognise(&mut self, segment: Segment, awaited: Awaited) {
        match self.send(segment.samples) {
            Some(id) => {
                self.waiting.insert(id, awaited);
                if self.options.in_step {
                    self.wait_for_all();
                }
            }
            None => self.heard(None, awaited),
        }
    }

    /// A sentence cut where our own words began or ended: what was heard in its pieces is told, or it is recognised once
    /// more as one. `now_ms` is how far was heard, on the segmenter's clock.
    fn settle_pieces(&mut self, now_ms: u64) {
        if self.pieces.is_empty() {
            return;
        }
        match self.pieces.decided(now_ms, self.segmenter.words()) {
            Some(Decision::Tell(pieces)) => pieces.into_iter().for_each(|heard| self.tell_heard(heard)),
            Some(Decision::Join(whole, pieces)) => {
                let times = self.times(&whole);
                self.recognise(whole, Awaited { times, pieces: Some(pieces) });
            }
            None => {}
        }
    }

    fn wait_for_all(&mut self) {
        while !self.waiting.is_empty() {
            match self.results.recv() {
                Ok(done) => drop(self.learn(done)),
                Err(_) => return,
            }
        }
    }

    /// Our own earcon come back, and nothing else: it is no speech, and an earcon in answer to it would never end.
    fn is_own_earcon(&self, segment: &Segment) -> bool {
        segment.end_ms - segment.start_ms < EARCON_LONGEST_MS
            && self.options.own_voice.earcon_within(self.base_ms + segment.start_ms, self.base_ms + segment.end_ms)
            && earcon::share(&segment.samples, RATE_HZ) > EARCON_SHARE
    }

    fn send(&mut self, samples: Vec<f32>) -> Option<u64> {
        self.send_as(samples, false)
    }

    fn send_as(&mut self, samples: Vec<f32>, look: bool) -> Option<u64> {
        self.next_id += 1;
        match self.jobs.try_send(Job { id: self.next_id, samples, look }) {
            Ok(()) => {
                self.answers.asked(boot_ms());
                Some(self.next_id)
            }
            Err(TrySendError::Full(_)) => {
                self.tell(Told::Missed { why: format!("{JOBS_MAX} utterances are waiting already") });
                None
            }
            Err(TrySendError::Disconnected(_)) => {
                self.tell(Told::Missed { why: "the recogniser's thread has ended".into() });
                None
            }
        }
    }

    fn learn(&mut self, done: Done) -> bool {
        match done {
            Done::Ready => {
                self.answers.ready(boot_ms());
                return self.tell(Told::Ready);
            }
            Done::Dead(why) => {
                self.waiting.clear();
                return self.tell(Told::Dead(why));
            }
            Done::Words { id, result, mended } => {
                if self.answers.came(boot_ms()) {
                    self.tell(Told::Behind(false));
                }
                mended.into_iter().for_each(|detail| {
                    self.tell(Told::Mended(detail));
                });
                self.words(id, result);
                self.look_on();
            }
        }
        true
    }

    fn words(&mut self, id: u64, result: Result<Transcript, String>) {
        if let Some((_, span)) = self.looking.take_if(|(looking, _)| *looking == id) {
            // Lost to the recogniser is nothing that anybody said: the utterance around it is still to come.
            result.into_iter().for_each(|transcript| self.looked(transcript, span.clone()));
        } else if let Some(awaited) = self.waiting.remove(&id) {
            self.utter(result, awaited);
        } else if let Some(early) = self.early.as_mut().filter(|early| early.id == id) {
            early.result = Some(result);
            self.end_early();
        }
    }

    /// The words so far are known: if they are complete and nothing was added, the utterance ends here; if they want more,
    /// it ends later.
    fn end_early(&mut self) {
        let Some(Early { end_ms, result: Some(result), .. }) = &self.early else { return };
        if self.segmenter.words().is_none_or(|words| words.end != *end_ms) {
            return;
        }
        match result.as_ref().map_or(Pause::Usual, |transcript| (self.options.patience)(transcript)) {
            Pause::Over => {
                let cut = self.segmenter.split();
                cut.into_iter().for_each(|segment| self.ended(segment, false));
            }
            Pause::Usual => self.segmenter.wait_ms(None),
            Pause::Longer => self.segmenter.wait_ms(Some(LONGER_PAUSE_MS)),
        }
    }

    fn times(&self, segment: &Segment) -> Times {
        let (start_ms, end_ms) = (self.base_ms + segment.start_ms, self.base_ms + segment.end_ms);
        Times { start_ms, end_ms, cut_ms: boot_ms() }
    }

    fn utter(&mut self, result: Result<Transcript, String>, awaited: Awaited) {
        let heard = match result {
            Ok(transcript) => self.about_ours(transcript, &awaited),
            Err(why) => {
                self.tell(Told::Missed { why });
                None
            }
        };
        self.heard(heard, awaited);
    }

    /// The words, with what is to be known of our own beside them; nothing where there are none.
    fn about_ours(&self, mut transcript: Transcript, awaited: &Awaited) -> Option<Heard> {
        let Times { start_ms, end_ms, cut_ms } = awaited.times;
        let own = &self.options.own_voice;
        let canceller = self.canceller.as_ref();
        // Nothing of ours is in it with a headset, or where the loudspeaker was silent all along: the crew may answer at once.
        let apart = canceller.is_some_and(|canceller| canceller.apart() || canceller.silent(start_ms, end_ms));
        transcript.own_voice = own.over(start_ms, end_ms);
        transcript.whose = self.whose(awaited);
        transcript.somebody = canceller.is_some_and(|canceller| canceller.somebody(start_ms, end_ms));
        transcript.talked_over = !apart && own.talked_over(start_ms);
        transcript.mixed = awaited.pieces.is_some() || (!apart && own.mixed(start_ms, end_ms));
        let silent = transcript.text.trim().is_empty();
        if silent && transcript.own_voice.is_none() && !own.earcon_within(start_ms, end_ms) {
            self.tell(Told::NoWords);
        }
        (!silent).then(|| Heard { transcript, start_ms, end_ms, cut_ms, words_ms: boot_ms() })
    }

    fn whose(&self, awaited: &Awaited) -> Whose {
        let Times { start_ms, end_ms, .. } = awaited.times;
        let by_sound = |from_ms, to_ms| self.canceller.as_ref().map(|canceller| canceller.whose(from_ms, to_ms));
        let whose = by_sound(start_ms, end_ms).unwrap_or_default();
        // A loud sentence of the crew's beside a piece of ours does not make that piece the crew's.
        let pieces = awaited.pieces.iter().flat_map(|joined| &joined.spans);
        let all_theirs = pieces.map(|span| by_sound(self.base_ms + span.start, self.base_ms + span.end));
        match whose {
            Whose::Theirs if all_theirs.flatten().any(|piece| piece != Whose::Theirs) => Whose::Unknown,
            whose => whose,
        }
    }

    /// What was heard is told, or kept as a piece of a sentence.
    fn heard(&mut self, heard: Option<Heard>, awaited: Awaited) {
        let start_ms = awaited.times.start_ms.saturating_sub(self.base_ms);
        let whose = self.whose(&awaited);
        match awaited.pieces {
            Some(mut pieces) => {
                let sense = |heard: &Heard| (self.options.sense)(&heard.transcript);
                match (heard.filter(|heard| pieces.are_less_than(&sense(heard))), pieces.tail.take()) {
                    (Some(heard), _) => self.tell_heard(Some(heard)),
                    (None, Some(tail)) => {
                        let times = self.times(&tail);
                        self.recognise(tail, Awaited { times, pieces: Some(pieces) });
                    }
                    (None, None) => pieces.heard.into_iter().for_each(|heard| self.tell_heard(heard)),
                }
            }
            None if self.pieces.has(start_ms) => {
                let sense = match &heard {
                    Some(heard) => (self.options.sense)(&heard.transcript),
                    // No words in what was our voice: nothing of the crew's is wanting.
                    None => Sense { ours: whose == Whose::Ours, ..Sense::default() },
                };
                self.pieces.learnt(start_ms, sense, heard);
            }
            None => self.tell_heard(heard),
        }
    }

    /// A "quiet" that was heard in the midst of our words is told once, and what else the utterance around it came out as is
    /// nothing that anybody should say again.
    fn tell_heard(&mut self, heard: Option<Heard>) {
        let Some(heard) = heard else { return };
        let quiet = heard.transcript.own_voice.is_some() && (self.options.asks_for_silence)(&heard.transcript);
        let within = |hushed: &Range<u64>| heard.start_ms < hushed.end && hushed.start < heard.end_ms;
        let again = self.hushed.as_ref().is_some_and(within);
        if again && (quiet || (self.options.sense)(&heard.transcript).is_nothing()) {
            return;
        }
        if quiet {
            self.hushed = Some(heard.start_ms..heard.end_ms);
        }
        self.tell(Told::Utterance(Box::new(heard)));
    }

    fn finish(&mut self) {
        let waiting = self.canceller.as_mut().map(Canceller::finish).unwrap_or_default();
        waiting.into_iter().for_each(|block| {
            self.hear_cleaned(block);
        });
        let rest = self.segmenter.finish();
        rest.into_iter().for_each(|segment| self.ended(segment, false));
        self.wait_for_all();
        self.settle_pieces(u64::MAX);
        self.wait_for_all();
        self.tell(Told::Ended);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_recogniser_that_does_not_answer_is_missed_once_and_its_answer_too() {
        let mut answers = Answers::default();
        answers.asked(0);
        assert!(!answers.missed(60_000), "it is still starting");
        answers.ready(60_000);
        assert!(!answers.missed(60_000 + BEHIND_MS));
        assert!(answers.missed(60_001 + BEHIND_MS) && !answers.missed(90_000));
        answers.asked(80_000);
        assert!(answers.came(90_000), "it answers again");
        assert!(!answers.missed(90_000 + BEHIND_MS) && !answers.came(91_000), "the second in time");
        assert!(!answers.missed(600_000), "nothing is owed");
    }
}
