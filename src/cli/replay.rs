//! `thirdhand replay`: a recording or a script through the same path as `listen`, on the recording's own clock.

use std::path::{Path, PathBuf};
use std::time::Duration;

use anyhow::{Context, Result, bail};
use chrono::{DateTime, FixedOffset};
use clap::Args;
use crossbeam_channel::{Receiver, unbounded};
use indicatif::ProgressBar;

use super::purpose::For;
use super::wrong_usage;
use crate::core::encounter::{Input, Knowledge, Speech};
use crate::core::event::{Closed, Trouble};
use crate::core::utterance::Transcript;
use crate::shell::app::{self, Call, Show};
use crate::shell::clock::{self, SimClock};
use crate::shell::data::DataSet;
use crate::shell::journal::audio;
use crate::shell::recognise::{self, Options};
use crate::shell::script::{self, Action};
use crate::shell::segment::{self, Segment};
use crate::shell::speak::{self, End, VoiceEvent, VoiceKind};
use crate::shell::wav;

/// Play a recording (.wav) or a script (.call) through the whole program
#[derive(Args)]
#[command(after_help = "Example:\n  thirdhand replay samples/chest-pain.call --voice none --record /tmp/call\n  \
                        thirdhand replay /tmp/call --data samples/local-set")]
pub struct Replay {
    /// A `.wav` recording, a `.call` script, or the folder of an old record: what was said then (`-`) and what would
    /// be said under the data in force now (`+`)
    file: PathBuf,
    /// When the recording began, RFC 3339 with offset [default: now]
    #[arg(long, value_name = "RFC3339", value_parser = parse_start)]
    start: Option<DateTime<FixedOffset>>,
    /// Folder for the record; absent or empty before [default: a new folder below the data directory]
    #[arg(long, value_name = "DIR")]
    record: Option<PathBuf>,
    /// `auto` speaks the advice, `none` does not
    #[arg(long, value_name = "auto|none", default_value = "auto", value_parser = super::voice_kind())]
    voice: VoiceKind,
    /// A ggml Whisper file (for a .wav)
    #[arg(long, value_name = "FILE", env = "THIRDHAND_MODEL")]
    model: Option<PathBuf>,
    /// Events as JSON Lines on stdout
    #[arg(long)]
    json: bool,
    /// At the recording's own pace instead of as fast as it can
    #[arg(long)]
    realtime: bool,
    /// Keep the sound of every utterance in the record's folder (`thirdhand purge` removes it)
    #[arg(long)]
    keep_audio: bool,
    #[command(flatten)]
    purpose: For,
}

fn parse_start(text: &str) -> Result<DateTime<FixedOffset>, String> {
    DateTime::parse_from_rfc3339(text).map_err(|_| "not RFC 3339 with offset, as 2027-03-01T14:00:00-05:00".into())
}

pub fn run(args: &Replay, data: &DataSet) -> Result<()> {
    let knowledge = app::knowledge(data)?;
    if args.file.is_dir() || args.file.extension().is_some_and(|e| e == "jsonl") {
        return super::again::run(&args.file, &knowledge, args.json);
    }
    let start = args.start.unwrap_or_else(clock::wall_now);
    match args.file.extension().and_then(|e| e.to_str()).map(str::to_ascii_lowercase).as_deref() {
        Some("call") => replay_script(args, data, &knowledge, start),
        Some("wav") => replay_wav(args, data, &knowledge, start),
        _ => bail!(
            "{}: neither a `.wav` recording, a `.call` script nor the folder of a record, by its name",
            args.file.display()
        ),
    }
}

fn replay_script(args: &Replay, data: &DataSet, knowledge: &Knowledge, start: DateTime<FixedOffset>) -> Result<()> {
    if args.keep_audio {
        wrong_usage("--keep-audio is for a `.wav`: a script has no sound");
    }
    let steps = script::read(&args.file)?;
    let end_ms = steps.last().map_or(0, |step| step.at_ms);
    let mut player = Player::open(args, data, knowledge, "text", start)?;
    for step in steps {
        player.play(step.at_ms, step.action)?;
    }
    player.close(end_ms)
}

fn replay_wav(args: &Replay, data: &DataSet, knowledge: &Knowledge, start: DateTime<FixedOffset>) -> Result<()> {
    let wav = wav::read(&args.file)?;
    let options = Options { model: args.model.clone(), data: data.local.clone(), ..Options::default() };
    let mut recogniser = recognise::open_with(&options)?;
    let model = recogniser.model().to_string();
    let mut player = Player::open(args, data, knowledge, &model, start)?;
    let utterances = segment::all(&wav.samples);
    let progress = progress(utterances.len(), args.json);
    for utterance in utterances {
        let recognised = recogniser.recognise(&utterance.samples);
        progress.inc(1);
        for detail in recogniser.troubles() {
            player.play_input(utterance.end_ms, Input::Recovered(recogniser_trouble("mended", detail)))?;
        }
        let input = match recognised {
            Ok(mut transcript) => {
                if args.keep_audio {
                    player.keep_audio(&utterance, &mut transcript)?;
                }
                Input::Heard { transcript, spoken_at: player.clock.at(utterance.start_ms) }
            }
            Err(error) => Input::Trouble(recogniser_trouble("gap", format!("{error:#}"))),
        };
        player.play_input(utterance.end_ms, input)?;
    }
    progress.finish_and_clear();
    player.close(wav.duration_ms)
}

fn recogniser_trouble(state: &str, detail: String) -> Trouble {
    Trouble { what: "recogniser".into(), state: state.into(), detail: Some(detail) }
}

/// A bar on a terminal's stderr while the events do not scroll there already.
fn progress(utterances: usize, json: bool) -> ProgressBar {
    match json {
        true => ProgressBar::new(utterances as u64).with_message("hearing"),
        false => ProgressBar::hidden(),
    }
}

/// Drives one call on the recording's clock.
struct Player<'k> {
    knowledge: &'k Knowledge,
    clock: SimClock,
    call: Call<'k>,
    voice_events: Receiver<VoiceEvent>,
    speaks: bool,
    pace: Option<std::time::Instant>,
    dir: PathBuf,
    json: bool,
}

impl<'k> Player<'k> {
    fn open(
        args: &Replay,
        data: &DataSet,
        knowledge: &'k Knowledge,
        model: &str,
        start: DateTime<FixedOffset>,
    ) -> Result<Player<'k>> {
        let dir = match &args.record {
            Some(dir) => dir.clone(),
            None => new_record_dir(start)?,
        };
        let clock = SimClock::starting(start);
        let (events, voice_events) = unbounded();
        let kind = if args.purpose.silent() { VoiceKind::None } else { args.voice };
        let voice = speak::open(speak::Settings::of(kind), events);
        let show = match (args.json, args.purpose.silent()) {
            (true, _) => Show::Json,
            (false, true) => Show::Nothing,
            (false, false) => Show::Text,
        };
        let mut opened = app::opened(data, model, args.purpose.purpose(None));
        args.purpose.mark(&mut opened);
        let call = Call::open(knowledge, &dir, opened, voice, show, clock.at(0))?;
        let pace = args.realtime.then(clock::instant);
        Ok(Player { knowledge, clock, call, voice_events, speaks: kind != VoiceKind::None, pace, dir, json: args.json })
    }

    /// Lets deadlines up to `at_ms` fire, each at its own time, then the script's step.
    fn play(&mut self, at_ms: u64, action: Action) -> Result<()> {
        self.advance(at_ms)?;
        if self.call.is_closed() { Ok(()) } else { self.act(at_ms, action) }
    }

    /// The same for an input of a recording.
    fn play_input(&mut self, at_ms: u64, input: Input) -> Result<()> {
        self.advance(at_ms)?;
        if self.call.is_closed() { Ok(()) } else { self.feed(at_ms, input) }
    }

    fn act(&mut self, at_ms: u64, action: Action) -> Result<()> {
        let trouble = |what: String, state: &str| Trouble { what, state: state.into(), detail: None };
        match action {
            Action::Say(words) => {
                let spoken_at = self.clock.at(at_ms);
                self.feed(at_ms, Input::Heard { transcript: Transcript::script(&words), spoken_at })
            }
            Action::Wait => Ok(()),
            Action::StepClock(ms) => {
                self.clock.step_wall(ms);
                let stepped = Trouble { detail: Some(format!("{ms} ms")), ..trouble("clock".into(), "stepped") };
                self.feed(at_ms, Input::Trouble(stepped))
            }
            Action::Lost(what) => self.feed(at_ms, Input::Trouble(trouble(what, "lost"))),
            Action::Back(what) => self.feed(at_ms, Input::Recovered(trouble(what, "back"))),
            Action::Restart => {
                self.call.restart(self.knowledge)?;
                self.feed(at_ms, Input::Recovered(trouble("record".into(), "resumed")))
            }
        }
    }

    /// Writes the utterance's sound beside the record, and names its file in the transcript; off the record there is none.
    fn keep_audio(&self, utterance: &Segment, transcript: &mut Transcript) -> Result<()> {
        if self.call.state().off_record {
            return Ok(());
        }
        let samples: Vec<i16> = utterance.samples.iter().map(|s| (s.clamp(-1.0, 1.0) * 32_767.0) as i16).collect();
        audio::keep(&self.dir, utterance.start_ms, &samples, wav::RATE_HZ)
            .with_context(|| format!("{}: the sound cannot be kept", self.dir.display()))?;
        transcript.kept_audio = Some(audio::name(utterance.start_ms));
        Ok(())
    }

    fn advance(&mut self, to_ms: u64) -> Result<()> {
        while let Some(due) = self.call.next_deadline().filter(|due| *due <= to_ms && !self.call.is_closed()) {
            self.wait_until(due);
            self.feed(due, Input::Tick)?;
            if self.call.next_deadline().is_some_and(|next| next <= due) {
                // A deadline that a tick does not move would hang the clock: the encounter promises to move on.
                bail!("a deadline at {due} ms does not pass; this is a defect of the program, please report it");
            }
        }
        self.wait_until(to_ms);
        Ok(())
    }

    fn feed(&mut self, at_ms: u64, input: Input) -> Result<()> {
        self.clock.set(at_ms);
        let speeches = self.call.feed(input, self.clock.at(at_ms))?;
        if self.speaks {
            self.speak_out(at_ms, &speeches)?;
        }
        Ok(())
    }

    /// Waits until the voice is done with these sentences and records what became of them.
    fn speak_out(&mut self, at_ms: u64, speeches: &[Speech]) -> Result<()> {
        let mut open: Vec<u64> = speeches.iter().map(|s| s.target).collect();
        while !open.is_empty() {
            // The voice promises a `Finished` for each sentence within its own deadline.
            match self.voice_events.recv() {
                Ok(VoiceEvent::Finished { id, end }) => {
                    open.retain(|target| *target != id);
                    if end == End::Done {
                        self.call.feed(Input::Spoken { target: id, reason: None }, self.clock.at(at_ms))?;
                    }
                }
                Ok(VoiceEvent::State { state: "lost", detail }) => {
                    eprintln!("thirdhand: the voice is lost ({detail}); advice is shown instead");
                    self.speaks = false;
                    return Ok(());
                }
                Ok(_) => {}
                Err(_) => {
                    self.speaks = false;
                    return Ok(());
                }
            }
        }
        Ok(())
    }

    /// At the recording's pace: waits on a channel that stays silent until `ms` have passed.
    fn wait_until(&self, ms: u64) {
        if let Some(begun) = self.pace {
            let at = begun + Duration::from_millis(ms);
            let _ = crossbeam_channel::never::<()>().recv_deadline(at);
        }
    }

    /// The last sample has passed: the record closes at that moment and nothing later fires.
    fn close(mut self, end_ms: u64) -> Result<()> {
        self.advance(end_ms)?;
        if !self.call.is_closed() {
            self.feed(end_ms, Input::Close(Closed { reason: "end_of_input".into(), by: None }))?;
        }
        if !self.json {
            eprintln!("record: {}", self.dir.display());
        }
        Ok(())
    }
}

/// A folder below the data directory, named after the start.
fn new_record_dir(start: DateTime<FixedOffset>) -> Result<PathBuf> {
    let base = crate::shell::data::data_home().context("no home folder is known; name one with --record DIR")?;
    let records = base.join("records");
    let name = start.format("%Y-%m-%d-%H%M%S").to_string();
    let free = |dir: &Path| !dir.exists();
    (1..1000)
        .map(|n| records.join(if n == 1 { name.clone() } else { format!("{name}-{n}") }))
        .find(|dir| free(dir))
        .context("too many records of one second; name a folder with --record DIR")
}
