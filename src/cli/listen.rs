//! `thirdhand listen`: microphone to record, with spoken advice.

use std::path::PathBuf;
use std::sync::Arc;

use anyhow::{Context, Result, bail};
use clap::Args;
use crossbeam_channel::{Receiver, bounded, unbounded};
use signal_hook::consts::{SIGINT, SIGTERM};

use super::purpose::For;
use crate::core::event::Opened;
use crate::shell::app;
use crate::shell::capture::{self, Pcm, Source};
use crate::shell::clock;
use crate::shell::config::Config;
use crate::shell::data::{self, DataSet};
use crate::shell::live::{self, Keeper, Parts, Place, Prompts, Screen, Service, Settings, Time};
use crate::shell::memory;
use crate::shell::model;
use crate::shell::recognise::{self, Options};
use crate::shell::speak::{self, Voice, VoiceKind};

/// Listen to the microphone, keep the record, speak advice
#[derive(Args)]
#[command(after_help = "Examples:
  thirdhand listen
  thirdhand listen --device pulseaudio:headset --record /tmp/call --voice none --json
  arecord -q -t raw -f S16_LE -r 16000 -c 1 | thirdhand listen --device -

Ctrl-C ends the listening and closes the record; a second Ctrl-C leaves at once, and the record can be gone on with.")]
pub struct Listen {
    /// The microphone, by its id or name (see `thirdhand devices`); `-` is raw PCM on stdin [default: the system's]
    #[arg(long, value_name = "DEVICE")]
    device: Option<String>,
    /// A ggml Whisper file
    #[arg(long, value_name = "FILE", env = "THIRDHAND_MODEL")]
    model: Option<PathBuf>,
    /// `auto` speaks the advice, `none` does not
    #[arg(long, value_name = "auto|none", value_parser = super::voice_kind())]
    voice: Option<VoiceKind>,
    /// Folder for the first call's record (absent or empty); later calls go to DIR-2, DIR-3 [default: new folders below
    /// the data directory]
    #[arg(long, value_name = "DIR")]
    record: Option<PathBuf>,
    /// The record's events as JSON Lines on stdout
    #[arg(long)]
    json: bool,
    /// The crew member alone hears the voice: sensitive words are spoken
    #[arg(long)]
    earpiece: bool,
    /// Use the whole terminal: vital signs with age and trend, what is due, the last warning
    #[arg(long, conflicts_with = "json")]
    full_screen: bool,
    /// Keep the sound of every utterance in the record's folder (`thirdhand purge` removes it)
    #[arg(long)]
    keep_audio: bool,
    #[command(flatten)]
    purpose: For,
    /// Sample rate of the PCM on stdin, hertz
    #[arg(long, value_name = "HZ", default_value_t = capture::RATE_HZ)]
    rate: u32,
    /// Channels of the PCM on stdin
    #[arg(long, value_name = "N", default_value_t = 1)]
    channels: u16,
    /// Time is counted from the samples on stdin alone, however fast they come
    #[arg(long)]
    unpaced: bool,
    /// Tell how long each part of the way from word to voice took, as JSON Lines on stderr
    #[arg(long)]
    timings: bool,
}

pub fn run(args: &Listen, data: &DataSet) -> Result<()> {
    memory::keep_small();
    let config = super::config::load()?;
    let purpose = args.purpose.purpose(config.text("record.purpose"));
    let signals = signals()?;
    let knowledge = Arc::new(app::knowledge(data)?);
    let model = args.model.clone().or_else(|| config.text("model.file").map(PathBuf::from));
    let options = Options { model, data: data.local.clone(), ..Options::default() };
    // A missing or bad model is said at once; the recogniser itself starts while the microphone listens already.
    let found = model::find(options.model.as_deref())?;
    let model = found.name.clone();
    let options = Options { model: Some(found.path), ..options };
    let recogniser: live::Open = Box::new(move || recognise::open_with(&options));
    let (events, voice_events) = unbounded();
    let voice: Arc<dyn Voice> = Arc::from(speak::open(args.sound(&config), events));
    let (sound_in, sound) = bounded(capture::BLOCKS_MAX);
    let capture = capture::open(&args.source(&config)?, sound_in)?;
    let (loudspeaker_in, loudspeaker) = bounded(capture::BLOCKS_MAX);
    // Where nothing is spoken aloud there is nothing to take out of what is heard.
    let aloud = args.sound(&config).kind != VoiceKind::None;
    let monitor = if aloud { capture::open_loudspeaker(&capture, loudspeaker_in) } else { None };
    let unit = config.text("record.unit").unwrap_or_default().to_string();
    let (recogniser, keeper) = if args.keep_audio {
        let keeper = Keeper::start()?;
        (keeper.wrap(recogniser), Some(keeper))
    } else {
        (recogniser, None)
    };
    let clock_verified = clock::verified();
    let mut opened = Opened { unit, crew: config.texts("record.crew"), ..app::opened(data, &model, purpose) };
    let state = if clock_verified { "set by a time server" } else { "unverified" };
    opened.more.insert("clock".into(), state.into());
    args.purpose.mark(&mut opened);
    let parts = Parts {
        knowledge: &knowledge,
        prompts: Prompts::read(data),
        opened,
        keeper,
        clock_verified,
        place: args.place(&config)?,
        sound,
        loudspeaker: monitor.is_some().then_some(loudspeaker),
        recogniser,
        voice,
        voice_events,
        signals,
        time: if args.unpaced { Time::of_samples() } else { Time::Machine },
        screen: args.screen(),
        service: Service::default(),
        settings: Settings {
            json: args.json,
            earpiece: args.earpiece || config.text("voice.output") == Some("earpiece"),
            // An examiner shows nothing, as the full screen prints nothing of its own.
            full_screen: args.full_screen || args.purpose.silent(),
            timings: args.timings,
            open_at_once: args.record.is_some(),
        },
    };
    eprintln!("thirdhand: {}", super::CAUTION);
    eprintln!("thirdhand: listening to {}; the first words take a moment; Ctrl-C closes the record", capture.name);
    live::run(parts)
}

impl Listen {
    fn screen(&self) -> Screen {
        match (self.json, self.full_screen) {
            _ if self.purpose.silent() => Screen::default(),
            (true, _) => Screen::quiet(),
            (false, true) => Screen::full(),
            (false, false) => Screen::status_line(),
        }
    }

    fn sound(&self, config: &Config) -> speak::Settings {
        let configured = || config.text("voice.engine").and_then(|name| name.parse().ok());
        let percent = |key: &str| config.number(key).and_then(|n| i8::try_from(n).ok());
        speak::Settings {
            kind: match self.purpose.silent() {
                true => VoiceKind::None,
                false => self.voice.or_else(configured).unwrap_or_default(),
            },
            rate: percent("voice.rate"),
            volume: percent("voice.volume"),
            earcons: config.is_on("voice.earcons"),
            ..speak::Settings::default()
        }
    }

    fn source(&self, config: &Config) -> Result<Source> {
        let stdin = self.device.as_deref() == Some("-");
        if self.unpaced && !stdin {
            bail!("--unpaced is for PCM on stdin (`--device -`)");
        }
        Ok(match stdin {
            true => Source::Stdin(Pcm { rate_hz: self.rate, channels: self.channels, own_clock: self.unpaced }),
            false => Source::Microphone {
                device: self.device.clone().or_else(|| config.text("microphone.device").map(str::to_string)),
            },
        })
    }

    fn place(&self, config: &Config) -> Result<Place> {
        match (&self.record, config.text("record.folder")) {
            (Some(dir), _) => Ok(Place::Named(dir.clone())),
            (None, Some(base)) => Ok(Place::Dated(PathBuf::from(base))),
            (None, None) => {
                let base = data::data_home().context("no home folder is known; name one with --record DIR")?;
                Ok(Place::Dated(base.join("records")))
            }
        }
    }
}

/// The first signal is told; a second ends the program at once.
fn signals() -> Result<Receiver<i32>> {
    let (tell, told) = bounded(4);
    let mut signals = signal_hook::iterator::Signals::new([SIGINT, SIGTERM])?;
    std::thread::Builder::new().name("signals".into()).spawn(move || {
        for (count, signal) in signals.forever().enumerate() {
            if count > 0 {
                std::process::exit(1);
            }
            let _ = tell.try_send(signal);
        }
    })?;
    Ok(told)
}
