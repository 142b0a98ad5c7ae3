//! `listen`: the loop that a shift lives in. Everything that can wake it is one of three channels: what the ear tells,
//! what the voice tells, signals; and the next deadline. It mutates once, drains what follows, and waits again.
//!
//! It decides nothing about a patient; it decides what is said about the devices.

mod attention;
mod course;
mod ear;
mod echo;
mod kept;
mod lookout;
mod news;
mod own_voice;
mod pieces;
mod prompts;
mod screen;
mod service;
mod shift;
mod steady;
mod time;
mod timing;
mod view;

use std::sync::Arc;
use std::time::Duration;

use attention::Attention;

use anyhow::{Context, Result};
use crossbeam_channel::{Receiver, Sender, bounded, never, select};

pub use own_voice::OwnVoice;
use pieces::Sense;
pub use prompts::Prompts;
pub use screen::Screen;
pub use service::Service;
pub use shift::{Place, Shift, Shown};
pub use time::Time;

use crate::core::clocks::ClockWatch;
use crate::core::command::Command;
use crate::core::conversation::Conversation;
use crate::core::encounter::{Input, Knowledge};
use crate::core::event::{self, Body, Opened, Outcome, Priority, Trouble};
use crate::core::finding::{Field, Finding, Kind};
use crate::core::grammar::Grammar;
use crate::core::text::{NumberWord, Token};
use crate::core::time::Moment;
use crate::core::utterance::{Transcript, Understood};
use crate::shell::capture::{CaptureEvent, MicState};
use crate::shell::clock::{boot_ms, wall_now};
use crate::shell::journal::{Fault, FaultKind};
use crate::shell::speak::{Earcon, End, Utterance, Voice, VoiceEvent};
pub use ear::Open;
use ear::{Heard, Order, Told};
pub use kept::Keeper;

/// What waits between the ear and the loop at most.
const TOLD_MAX: usize = 64;
/// How long the end waits for a disk that has not taken everything.
const LAST_WRITING: Duration = Duration::from_secs(10);
/// After the first Ctrl-C the last words are waited for no longer than this.
const LAST_WORDS: Duration = Duration::from_secs(20);
/// The same while the recogniser is still starting: what was said since waits for it.
const FIRST_WORDS: Duration = Duration::from_secs(90);
/// The disk is tried again so often while it fails, milliseconds.
const DISK_RETRY_MS: u64 = 1_000;

/// Everything `listen` needs, opened.
pub struct Parts<'k> {
    /// Shared with the ear: it is the largest thing that the program holds (14 MB).
    pub knowledge: &'k Arc<Knowledge>,
    pub prompts: Prompts,
    pub opened: Opened,
    pub place: Place,
    pub sound: Receiver<CaptureEvent>,
    /// What the loudspeaker plays, where that can be had.
    pub loudspeaker: Option<Receiver<CaptureEvent>>,
    /// Opens the recogniser, on another thread.
    pub recogniser: Open,
    pub voice: Arc<dyn Voice>,
    pub voice_events: Receiver<VoiceEvent>,
    pub signals: Receiver<i32>,
    pub time: Time,
    pub screen: Screen,
    pub service: Service,
    pub settings: Settings,
    /// Where the sound of utterances is kept, if that was asked for.
    pub keeper: Option<Keeper>,
    /// Whether a time server has set the wall clock.
    pub clock_verified: bool,
}

#[derive(Clone, Debug, Default)]
pub struct Settings {
    pub json: bool,
    pub earpiece: bool,
    /// The whole terminal is drawn on: nothing else is printed.
    pub full_screen: bool,
    /// How long each part of the way from word to voice took, as JSON Lines on stderr.
    pub timings: bool,
    /// The first call's record is opened at once, not at its first finding.
    pub open_at_once: bool,
}

/// Listens until the input ends or a signal comes; closes the record.
///
/// # Errors
/// A record cannot be opened or, at the end, not be written.
pub fn run(parts: Parts<'_>) -> Result<()> {
    let own_voice = Arc::new(OwnVoice::default());
    let time = Arc::new(parts.time);
    let (told, ear) = bounded(TOLD_MAX);
    let (orders, ordered) = bounded(1);
    let knowledge = parts.knowledge;
    let options = ear::Options {
        own_voice: own_voice.clone(),
        patience: patience(knowledge),
        sense: sense(knowledge),
        asks_for_silence: asks_for_silence(knowledge),
        in_step: !time.is_machine(),
        loudspeaker: parts.loudspeaker,
    };
    ear::start(options, parts.recogniser, parts.sound, ordered, told)?;
    let shift = Shift::new(
        knowledge,
        parts.opened,
        parts.place,
        parts.voice.clone(),
        time.clone(),
        parts.settings.earpiece,
        shown(&parts.settings),
    );
    let mut live = Live {
        knowledge,
        prompts: parts.prompts,
        shift,
        voice: parts.voice,
        own_voice,
        time,
        screen: parts.screen,
        service: parts.service,
        settings: parts.settings,
        keeper: parts.keeper,
        sentences: Vec::new(),
        news: news::News::default(),
        clock: ClockWatch::from(machine_now()),
        clock_verified: parts.clock_verified,
        disk_failing: false,
        microphone: None,
        attention: Attention::new(boot_ms()),
        timing: timing::Timing::default(),
        voice_state: steady::Steady::default(),
        recogniser: steady::Steady::default(),
        ear: steady::Steady::default(),
        ready: false,
    };
    live.begin()?;
    live.listen(&ear, &parts.voice_events, &parts.signals, &orders)
}

struct Live<'k> {
    knowledge: &'k Knowledge,
    prompts: Prompts,
    shift: Shift<'k>,
    voice: Arc<dyn Voice>,
    own_voice: Arc<OwnVoice>,
    time: Arc<Time>,
    screen: Screen,
    service: Service,
    settings: Settings,
    keeper: Option<Keeper>,
    /// Sentences handed to the voice whose end is not known, by the voice's id.
    sentences: Vec<(u64, String)>,
    /// The sentences that belong to no call.
    news: news::News,
    /// Notices what the wall clock does against the stopwatch.
    clock: ClockWatch,
    /// Whether a time server has set the wall clock.
    clock_verified: bool,
    disk_failing: bool,
    /// What is wrong with the microphone now.
    microphone: Option<MicState>,
    attention: Attention,
    ear: steady::Steady,
    timing: timing::Timing,
    voice_state: steady::Steady,
    recogniser: steady::Steady,
    /// The recogniser works.
    ready: bool,
}

impl Live<'_> {
    fn begin(&mut self) -> Result<()> {
        if let Some(gap) = self.shift.resume().context("a call was left open and cannot be gone on with")? {
            let minutes = (wall_now() - gap.last.at).num_minutes().max(0);
            self.screen.line(&format!("going on with a call that was left open {minutes} minutes ago"));
            let sentence = if minutes > 0 { "live.resumed" } else { "live.resumed_shortly" };
            self.announce(sentence, &[("minutes", &minutes.to_string())], Priority::High);
            self.say_where_we_are();
        } else if self.settings.open_at_once {
            self.shift.open(self.time.now_ms())?;
        }
        Ok(())
    }

    /// After a restart nobody remembers whose findings come next, or that none are recorded.
    fn say_where_we_are(&mut self) {
        let Some((patient, off_record)) = self.shift.call().map(|c| (c.state().patient(), c.state().off_record)) else {
            return;
        };
        if patient != 1 {
            self.announce("answer.patient", &[("number", &patient.to_string())], Priority::High);
        }
        if off_record {
            self.announce("answer.off_record", &[], Priority::High);
        }
    }

    /// Everything works from here on: the first words, with the usual caution.
    fn ready(&mut self) {
        self.ready = true;
        self.screen.line("ready");
        self.announce("live.listening", &[], Priority::Medium);
        self.service.ready();
    }

    fn listen(
        &mut self,
        ear: &Receiver<Told>,
        voice: &Receiver<VoiceEvent>,
        signals: &Receiver<i32>,
        orders: &Sender<Order>,
    ) -> Result<()> {
        let mut end: Option<std::time::Instant> = None;
        let mut voice = voice.clone();
        loop {
            self.look_at_the_clock();
            self.tick();
            self.show();
            self.service.alive(self.is_alive());
            let wait = self.wait_ms();
            let wait = end.map_or(wait, |end| wait.min(end.saturating_duration_since(crate::shell::clock::instant())));
            select! {
                recv(ear) -> told => match told {
                    Ok(Told::Ended) | Err(_) => return self.close(end.is_some()),
                    Ok(told) => self.learn(told)?,
                },
                recv(voice) -> event => match event {
                    Ok(event) => self.voice_told(&event),
                    // A voice that says nothing tells nothing either.
                    Err(_) => voice = never(),
                },
                recv(signals) -> signal => if signal.is_ok() && end.is_none() {
                    self.screen.line("closing the record; once more to leave at once");
                    let _ = orders.try_send(Order::Finish);
                    end = Some(crate::shell::clock::instant() + if self.ready { LAST_WORDS } else { FIRST_WORDS });
                },
                default(wait) => if end.is_some_and(|end| crate::shell::clock::instant() >= end) {
                    return self.close(true);
                },
            }
        }
    }

    /// Until when nothing needs doing.
    fn wait_ms(&self) -> Duration {
        let now = self.time.now_ms();
        let due = self.shift.next_deadline_ms().filter(|_| self.time.is_machine());
        let second = Duration::from_millis(500);
        due.map_or(second, |due| Duration::from_millis(due.saturating_sub(now)).min(second))
    }

    fn is_alive(&self) -> bool {
        self.microphone.is_some() || self.attention.is_paid(boot_ms())
    }

    fn learn(&mut self, told: Told) -> Result<()> {
        if self.attention.came(boot_ms()) {
            let told = self.ear.changed("back", "", boot_ms());
            told.into_iter().for_each(|(state, _)| self.ear_became(state));
        }
        match told {
            Told::Speaking(talking) => self.voice.crew_speaking(talking),
            Told::Level { at_ms, dbfs } => {
                self.screen.level(dbfs);
                if !self.time.is_machine() {
                    self.deadlines_up_to(at_ms);
                }
                self.time.heard_up_to(at_ms);
            }
            Told::Utterance(heard) => self.hear(*heard)?,
            Told::NoWords => self.screen.no_words(),
            Told::Microphone(state, detail) => self.microphone_told(state, &detail),
            Told::Missed { why } => {
                self.trouble("recogniser", "gap", &why);
                self.announce("live.recogniser.gap", &[], Priority::Medium);
            }
            Told::Mended(detail) => {
                let trouble = trouble("recogniser", "mended", &detail);
                self.feed(Input::Recovered(trouble), self.time.now_ms());
            }
            Told::Behind(behind) => {
                let state = if behind { "behind" } else { "back" };
                let told = self.recogniser.changed(state, "", boot_ms());
                told.into_iter().for_each(|(state, _)| self.recogniser_became(state));
            }
            Told::Ready => self.ready(),
            Told::Dead(why) => anyhow::bail!("{why}"),
            Told::Ended => {}
        }
        Ok(())
    }

    /// What is said waits for a recogniser that does not answer: the crew must not wait with it.
    fn recogniser_became(&mut self, state: steady::State) {
        self.answers(state, "recogniser", "THE RECOGNISER DOES NOT ANSWER", "it does not answer");
    }

    /// No sound comes to be understood, though the microphone reports nothing: a pipe that gives nothing, or a fault of ours.
    fn ear_became(&mut self, state: steady::State) {
        self.answers(state, "ear", "I HEAR NOTHING: the ear does not answer", "no sound comes to be understood");
    }

    /// Whether what the crew says is still understood; `who` does not answer (`line`, `why`), or does again.
    fn answers(&mut self, state: steady::State, who: &str, line: &str, why: &str) {
        if state == "behind" {
            self.screen.line(line);
            self.trouble(who, "behind", why);
            self.warn("live.recogniser.lost");
        } else {
            self.screen.line(&format!("the {who} answers again"));
            self.feed(Input::Recovered(trouble(who, "back", "it answers again")), self.time.now_ms());
            self.announce("live.recogniser.back", &[], Priority::Medium);
        }
    }

    fn hear(&mut self, heard: Heard) -> Result<()> {
        let Heard { mut transcript, start_ms, end_ms, cut_ms, words_ms } = heard;
        if !self.time.is_machine() {
            self.deadlines_up_to(end_ms);
            self.time.heard_up_to(end_ms);
        }
        if self.shift.call().is_none() {
            let understood = by_themselves(&self.knowledge.grammar, &transcript);
            if understood.findings().next().is_none() {
                self.between_calls(&transcript.text, &understood);
                return Ok(());
            }
            self.shift.open(start_ms)?;
            self.announce("live.call_opened", &[], Priority::Low);
        }
        let spoken_at = self.shift.moment(start_ms);
        // Off the record neither sound is kept nor words are shown: they are nobody's but the speaker's.
        let off_record = self.shift.call().is_some_and(|call| call.state().off_record);
        if off_record {
            transcript.kept_audio = None;
            self.screen.heard("");
        } else {
            self.keep_sound(&mut transcript, spoken_at.mono_ms);
            self.screen.heard(&transcript.text);
        }
        self.timing.words(end_ms, cut_ms, words_ms);
        self.feed(Input::Heard { transcript, spoken_at }, self.time.now_ms().max(end_ms));
        Ok(())
    }

    fn keep_sound(&mut self, transcript: &mut Transcript, begun_ms: u64) {
        let Some(keeper) = &self.keeper else { return };
        let record = self.shift.call().and_then(|call| call.path().parent()).map(std::path::Path::to_path_buf);
        if let Some(record) = record {
            keeper.keep(record, begun_ms, transcript);
        }
        if let Some(why) = keeper.trouble() {
            self.screen.line(&format!("sound is not kept: {why}"));
            self.trouble("disk", "sound_not_kept", &why);
        }
    }

    /// What begins no call. Silent we fall all the same: there are first words, and news of the devices.
    fn between_calls(&mut self, text: &str, understood: &Understood) {
        self.screen.words_line("no call is open; heard", text);
        if is_quiet(&understood.commands) {
            self.voice.hush();
        }
    }

    /// Hands an input to the call, and does what follows from what became of it.
    fn feed(&mut self, input: Input, at_ms: u64) {
        self.screen.wipe();
        let outcome = self.shift.feed(input, at_ms);
        self.timing.fed(outcome.sync_us, outcome.speeches.first().map(|s| self.shift.voice_id(s.target)));
        for speech in &outcome.speeches {
            let text = if self.settings.earpiece { &speech.say } else { &speech.say_aloud };
            self.remember(self.shift.voice_id(speech.target), text.clone());
        }
        for event in &outcome.events {
            if let Body::Heard(heard) = &event.body {
                self.screen.outcome(heard);
                if let Some(earcon) = earcon_of(heard).filter(|_| outcome.speeches.is_empty()) {
                    self.voice.earcon(earcon);
                }
            }
        }
        if outcome.fault.is_some() != self.disk_failing && (outcome.fault.is_some() || self.shift.retry_disk()) {
            self.disk_told(outcome.fault);
        }
        if outcome.events.iter().any(|event| matches!(event.body, Body::Closed(_))) {
            self.announce("live.call_closed", &[], Priority::Medium);
        }
    }

    fn disk_told(&mut self, fault: Option<Fault>) {
        self.disk_failing = fault.is_some();
        match fault {
            Some(fault) => {
                self.screen.line(&format!("THE RECORD IS NOT WRITTEN: {fault}"));
                let slow = fault.kind == FaultKind::Slow;
                self.warn(if slow { "live.disk.slow" } else { "live.disk.lost" });
                // Kept in memory with the rest, so that the record will say when it was not written.
                self.trouble("disk", fault.kind.name(), &fault.detail);
            }
            None => {
                self.screen.line("the record is written again");
                self.announce("live.disk.back", &[], Priority::High);
                self.feed(Input::Recovered(trouble("disk", "back", "")), self.time.now_ms());
            }
        }
    }

    fn remember(&mut self, id: u64, text: String) {
        const REMEMBERED: usize = 64;
        if self.sentences.len() >= REMEMBERED {
            self.sentences.remove(0);
        }
        self.sentences.push((id, text));
    }

    /// Says something about the program itself.
    fn announce(&mut self, id: &str, slots: &[(&str, &str)], priority: Priority) {
        self.tell(id, slots, priority, false);
    }

    /// The same of something that the crew must not count on any more.
    fn warn(&mut self, id: &str) {
        self.tell(id, &[], Priority::High, true);
    }

    fn tell(&mut self, id: &str, slots: &[(&str, &str)], priority: Priority, warns: bool) {
        let text = self.prompts.say(id, slots);
        let (number, stale) = self.news.next(id);
        stale.into_iter().for_each(|stale| self.voice.withdraw(stale));
        self.remember(number, text.clone());
        self.voice.queue(Utterance::new(number, text, priority).about(id).warning(warns));
    }

    fn voice_told(&mut self, event: &VoiceEvent) {
        match event {
            VoiceEvent::Started { id } => {
                if let Some(line) = self.timing.sounds(*id).filter(|_| self.settings.timings) {
                    eprintln!("{line}");
                }
                let text = self.sentences.iter().find(|(known, _)| known == id).map(|(_, text)| text.clone());
                self.own_voice.started(*id, &text.unwrap_or_default(), boot_ms());
            }
            VoiceEvent::Finished { id, end } => {
                self.own_voice.finished(*id, boot_ms());
                self.sentences.retain(|(known, _)| known != id);
                let reason = match end {
                    End::Done => None,
                    End::Interrupted => Some("interrupted".to_string()),
                    // It was not spoken, so no `spoken` is recorded; the loss of the voice is.
                    End::Failed | End::Expired | End::Replaced | End::Withdrawn => return,
                };
                if let Some(target) = self.shift.target(*id) {
                    self.feed(Input::Spoken { target, reason }, self.time.now_ms());
                }
            }
            VoiceEvent::Earcon => self.own_voice.earcon(boot_ms()),
            VoiceEvent::State { state, detail } => {
                let told = self.voice_state.changed(state, detail, boot_ms());
                told.into_iter().for_each(|(state, detail)| self.voice_became(state, &detail));
            }
        }
    }

    fn voice_became(&mut self, state: steady::State, detail: &str) {
        self.screen.line(&format!("voice {state}: {detail}"));
        match state {
            "lost" => self.trouble("voice", state, detail),
            "fallback" => {
                self.trouble("voice", state, detail);
                self.announce("live.voice.fallback", &[], Priority::Medium);
            }
            _ => {
                self.feed(Input::Recovered(trouble("voice", state, detail)), self.time.now_ms());
                self.announce("live.voice.back", &[], Priority::Medium);
            }
        }
    }

    fn microphone_told(&mut self, state: MicState, detail: &str) {
        self.screen.microphone(state);
        self.screen.line(&format!("microphone {}: {detail}", state.name()));
        match state {
            MicState::Back => {
                self.microphone = None;
                // Where the microphone went with the sound server, the voice did too.
                self.voice.try_again();
                self.feed(Input::Recovered(trouble("microphone", "back", detail)), self.time.now_ms());
                self.announce("live.microphone.back", &[], Priority::Medium);
            }
            MicState::Overrun => self.trouble("microphone", state.name(), detail),
            MicState::Lost | MicState::Muted | MicState::Clipping => {
                if state != MicState::Clipping {
                    self.microphone = Some(state);
                }
                self.trouble("microphone", state.name(), detail);
                match state {
                    MicState::Clipping => self.announce("live.microphone.clipping", &[], Priority::Medium),
                    state => self.warn(&format!("live.microphone.{}", state.name())),
                }
            }
        }
    }

    fn trouble(&mut self, what: &str, state: &str, detail: &str) {
        self.feed(Input::Trouble(trouble(what, state, detail)), self.time.now_ms());
    }

    /// The wall clock was set, or crept away: timers do not move, but the record says so.
    fn look_at_the_clock(&mut self) {
        if !self.time.is_machine() {
            return;
        }
        if let Some(told) = self.clock.look(machine_now()) {
            let stepped = told.state == "stepped";
            self.feed(Input::Trouble(told), self.time.now_ms());
            if stepped {
                self.announce("live.clock.stepped", &[], Priority::Low);
            }
        }
        if !self.clock_verified && crate::shell::clock::verified_now() {
            self.clock_verified = true;
            self.feed(Input::Recovered(trouble("clock", "verified", "set by a time server")), self.time.now_ms());
        }
    }

    fn tick(&mut self) {
        if self.time.is_machine() {
            self.deadlines_up_to(self.time.now_ms());
        }
        let lasting = self.voice_state.lasting(boot_ms());
        lasting.into_iter().for_each(|(state, detail)| self.voice_became(state, &detail));
        let lasting = self.recogniser.lasting(boot_ms());
        lasting.into_iter().for_each(|(state, _)| self.recogniser_became(state));
        let deaf = self.microphone.is_some() || !self.time.is_machine();
        if self.attention.missed(boot_ms(), deaf) {
            let told = self.ear.changed("behind", "", boot_ms());
            told.into_iter().for_each(|(state, _)| self.ear_became(state));
        }
        let lasting = self.ear.lasting(boot_ms());
        lasting.into_iter().for_each(|(state, _)| self.ear_became(state));
        if self.disk_failing && boot_ms() % DISK_RETRY_MS < 500 && self.shift.retry_disk() {
            self.disk_told(None);
        }
    }

    /// Deadlines fire in order; one that a tick does not move would hang the loop, so each fires once a look.
    fn deadlines_up_to(&mut self, to_ms: u64) {
        let mut last = None;
        while let Some(due) = self.shift.next_deadline_ms().filter(|due| *due <= to_ms && last != Some(*due)) {
            last = Some(due);
            let at_ms = if self.time.is_machine() { self.time.now_ms() } else { due };
            self.time.heard_up_to(due);
            self.feed(Input::Tick, at_ms);
        }
    }

    fn show(&mut self) {
        let call = self.shift.call().map(|call| call.state());
        let now = self.shift.moment(self.time.now_ms());
        self.screen.show(call, self.knowledge, now, self.own_voice.speaking());
    }

    fn close(&mut self, asked: bool) -> Result<()> {
        if self.shift.call().is_none() && self.shift.is_first() {
            // A record is opened even if nothing was understood.
            self.shift.open(self.time.now_ms())?;
        }
        let record = self.shift.call().map(|call| call.path().display().to_string());
        let outcome = self.shift.close(if asked { "interrupted" } else { "end_of_input" }, self.time.now_ms());
        self.service.stopping();
        self.screen.end();
        if let Some(record) = record.filter(|_| !self.settings.json) {
            eprintln!("record: {record}");
        }
        match outcome.fault {
            Some(fault) if !self.shift.settle_disk(LAST_WRITING) => Err(fault.into()),
            _ => Ok(()),
        }
    }
}

fn shown(settings: &Settings) -> Shown {
    match (settings.json, settings.full_screen) {
        (true, _) => Shown::Json,
        (false, true) => Shown::Nothing,
        (false, false) => Shown::Text,
    }
}

fn trouble(what: &str, state: &str, detail: &str) -> Trouble {
    let detail = (!detail.is_empty()).then(|| detail.to_string());
    Trouble { what: what.into(), state: state.into(), detail }
}

/// What the crew hears of what it said; nothing of what the program itself said.
fn earcon_of(heard: &event::Heard) -> Option<Earcon> {
    match heard.outcome {
        Outcome::Matched | Outcome::Doubtful => Some(Earcon::Heard),
        // Questions to the patient and talk among the crew ask nothing of us, and hold nothing to be said again.
        Outcome::Unmatched if heard.speech.is_some() => None,
        Outcome::Unmatched | Outcome::Rejected | Outcome::Ambiguous => Some(Earcon::NotUnderstood),
        Outcome::Echo => None,
    }
}

fn machine_now() -> Moment {
    Moment::new(boot_ms(), wall_now())
}

/// How long to wait behind words. They are complete where all is understood, nothing in doubt, and nothing commonly goes on
/// after a breath (a round number); they want more where a value is begun or only named ("one forty over", "pulse is").
fn patience(knowledge: &Arc<Knowledge>) -> ear::Patience {
    let knowledge = knowledge.clone();
    Box::new(move |transcript| {
        let grammar = &knowledge.grammar;
        let understood = by_themselves(grammar, transcript);
        let tokens = grammar.utterance(&transcript.text).tokens;
        let begun = understood.findings().any(is_half) || grammar.lexicon().goes_on(&transcript.text);
        let named = tokens.len() <= NAMED_AT_MOST && names_what_is_measured(grammar, &understood);
        match begun || named {
            true => ear::Pause::Longer,
            false if is_certain(&understood) && !tokens.last().is_some_and(may_go_on) => ear::Pause::Over,
            false => ear::Pause::Usual,
        }
    })
}

/// So many words name what is measured and ask nobody: "and the pulse".
const NAMED_AT_MOST: usize = 3;

fn names_what_is_measured(grammar: &Grammar, understood: &Understood) -> bool {
    let mut asked = understood.asked.iter().filter_map(|name| Kind::from_name(name));
    understood.findings().next().is_none() && asked.any(|kind| grammar.measures(kind))
}

/// What words mean by themselves.
fn sense(knowledge: &Arc<Knowledge>) -> Box<dyn Fn(&Transcript) -> Sense + Send> {
    let knowledge = knowledge.clone();
    Box::new(move |transcript| {
        let understood = by_themselves(&knowledge.grammar, transcript);
        Sense {
            ours: understood.outcome == Outcome::Echo,
            certain: is_certain(&understood),
            findings: understood.findings().cloned().collect(),
            asks: !understood.asked.is_empty(),
            commands: understood.commands,
        }
    })
}

/// Whether words ask us to be silent.
fn asks_for_silence(knowledge: &Arc<Knowledge>) -> Box<dyn Fn(&Transcript) -> bool + Send> {
    let knowledge = knowledge.clone();
    Box::new(move |transcript| is_quiet(&by_themselves(&knowledge.grammar, transcript).commands))
}

fn is_quiet(commands: &[Command]) -> bool {
    matches!(commands, [Command::Quiet { minutes: 0 }])
}

/// Words as they are understood in no conversation.
fn by_themselves(grammar: &Grammar, transcript: &Transcript) -> Understood {
    Conversation::default().hear(grammar, transcript, Moment::new(0, wall_now()))
}

fn is_certain(understood: &Understood) -> bool {
    understood.outcome == Outcome::Matched && understood.leftover.is_empty()
}

/// A last number that is round may be the first part of a longer one: "ninety", "one hundred".
fn may_go_on(last: &Token) -> bool {
    match last.number {
        Some(NumberWord::Tens(_) | NumberWord::Hundred | NumberWord::Oh | NumberWord::Point) => true,
        Some(NumberWord::Written { value, .. }) => value.as_int().is_some_and(|value| value % 10 == 0),
        _ => false,
    }
}

fn is_half(finding: &Finding) -> bool {
    finding.kind() == Kind::BloodPressure
        && finding.get(Field::DiastolicMmhg).is_none()
        && finding.get(Field::Method).is_none()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::core::encounter::{Effect, Encounter};
    use crate::core::glance;
    use crate::shell::{app, data::DataSet};
    use chrono::DateTime;

    fn at(seconds: u64) -> Moment {
        let start = DateTime::parse_from_rfc3339("2027-03-01T14:00:00-05:00").unwrap();
        Moment::new(0, start).plus_ms(seconds * 1000)
    }

    /// What each line of a call is shown as, said five seconds after the one before.
    fn became(lines: &[&str]) -> Vec<(&'static str, Option<Earcon>)> {
        let knowledge = app::knowledge(&DataSet::built_in()).unwrap();
        let mut call = Encounter::new(&knowledge);
        let heard = |effects: Vec<Effect>| {
            effects.into_iter().find_map(|effect| match effect {
                Effect::Append(event::Event { body: Body::Heard(heard), .. }) => Some(heard),
                _ => None,
            })
        };
        let mut out = Vec::new();
        for (n, line) in lines.iter().enumerate() {
            let spoken_at = at(5 * n as u64);
            let input = Input::Heard { transcript: Transcript::script(line), spoken_at };
            let heard = heard(call.handle(input, spoken_at)).unwrap();
            out.push((glance::became(&heard), earcon_of(&heard)));
        }
        out
    }

    #[test]
    fn words_that_want_more_are_waited_for_and_complete_ones_are_not() {
        let knowledge: Arc<Knowledge> = Arc::new(app::knowledge(&DataSet::built_in()).unwrap());
        let pause = |text: &str| patience(&knowledge)(&Transcript::script(text));
        for text in [
            "Blood pressure 140 over.",
            "Blood pressure 140/.",
            "Pulse is",
            "Blood pressure.",
            "pressure is 140",
            "Temperature 98 point",
        ] {
            assert_eq!(pause(text), ear::Pause::Longer, "{text}");
        }
        for text in
            ["Pulse 118, irregular.", "Blood pressure 142 over 86.", "no allergies", "third hand, last pressure"]
        {
            assert_eq!(pause(text), ear::Pause::Over, "{text}");
        }
        for text in
            ["Pulse 80.", "respirations twenty", "half a banana", "what is his blood pressure", "the quick brown fox"]
        {
            assert_eq!(pause(text), ear::Pause::Usual, "{text}");
        }
    }

    #[test]
    fn what_is_understood_and_holds_no_finding_is_not_called_not_understood() {
        let not_understood = ("not understood", Some(Earcon::NotUnderstood));
        assert_eq!(became(&["okay thank you"]), [("talk", None)]);
        assert_eq!(became(&["any allergies", "none"]), [("question", None), ("recorded", Some(Earcon::Heard))]);
        assert_eq!(became(&["the quick brown fox"]), [not_understood]);
        // Nobody asked: whose answer that is nobody knows, and whoever gave it must hear that it is not in the record.
        assert_eq!(became(&["no"]), [not_understood]);
    }

    /// The program asks first whether such drugs were taken; the answer holds no word of them.
    #[test]
    fn a_bare_answer_to_a_question_of_ours_is_recorded_and_shown_so() {
        let told = became(&["blood pressure one thirty over eighty", "going to give nitroglycerin point four", "no"]);
        assert_eq!(told.last(), Some(&("recorded", Some(Earcon::Heard))));
    }
}
