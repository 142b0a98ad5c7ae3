//! `thirdhand doctor`: is everything there that a shift needs? Each line is good, or says what to do about it. It
//! changes nothing.

use std::time::Duration;

use anyhow::{Result, bail};
use clap::Args;
use crossbeam_channel::bounded;
use serde_json::json;

use crate::shell::capture::{self, CaptureEvent, MicState, Source};
use crate::shell::clock;
use crate::shell::config::Config;
use crate::shell::data::{self, DataSet};
use crate::shell::speak::{self, VoiceKind};
use crate::shell::{app, disk, model};

/// Check model, microphone, voice, data, disk and clock; say what to do, change nothing
#[derive(Args)]
#[command(
    after_help = "Example:\n  thirdhand doctor\n  thirdhand doctor --json\n\nExit status 1 where something is missing."
)]
pub struct Doctor {
    /// JSON Lines
    #[arg(long)]
    json: bool,
}

#[derive(Clone, Copy, PartialEq)]
enum State {
    Good,
    /// It works, and could be better.
    Warn,
    Bad,
}

struct Line {
    what: &'static str,
    state: State,
    detail: String,
    remedy: String,
}

fn good(what: &'static str, detail: impl Into<String>) -> Line {
    Line { what, state: State::Good, detail: detail.into(), remedy: String::new() }
}

fn warn(what: &'static str, detail: impl Into<String>, remedy: &str) -> Line {
    Line { what, state: State::Warn, detail: detail.into(), remedy: remedy.into() }
}

fn bad(what: &'static str, detail: impl Into<String>, remedy: &str) -> Line {
    Line { what, state: State::Bad, detail: detail.into(), remedy: remedy.into() }
}

impl Doctor {
    pub fn run(&self, data_dir: Option<&std::path::Path>) -> Result<()> {
        let (config, settings) = match Config::load() {
            Ok(config) => (config, good("settings", "no complaint")),
            Err(complaints) => {
                let first = complaints.first().map(ToString::to_string).unwrap_or_default();
                (
                    Config::defaults(),
                    bad("settings", first, "mend the settings file; `thirdhand config init` shows a legal one"),
                )
            }
        };
        let checks: [&dyn Fn() -> Vec<Line>; 7] = [
            &|| vec![model(&config)],
            &|| vec![microphone(&config)],
            &|| voice(&config),
            &|| vec![the_data(data_dir)],
            &|| disks(&config),
            &|| vec![the_clock()],
            &|| vec![good("network", "this program has no network code and opens no network connection")],
        ];
        let mut missing = self.show(&[settings]);
        for check in checks {
            missing += self.show(&check());
        }
        match missing {
            0 => Ok(()),
            1 => bail!("one thing is missing"),
            n => bail!("{n} things are missing"),
        }
    }

    /// Prints the lines as they are known; returns how many are bad.
    fn show(&self, lines: &[Line]) -> usize {
        for line in lines {
            let state = match line.state {
                State::Good => "good",
                State::Warn => "warn",
                State::Bad => "BAD",
            };
            if self.json {
                let remedy = (!line.remedy.is_empty()).then_some(&line.remedy);
                println!(
                    "{}",
                    json!({ "check": line.what, "state": state.to_lowercase(), "detail": line.detail, "remedy": remedy })
                );
            } else {
                println!("{state:<5} {:<11} {}", line.what, line.detail);
                if !line.remedy.is_empty() {
                    println!("      {:<11} -> {}", "", line.remedy);
                }
            }
        }
        lines.iter().filter(|line| line.state == State::Bad).count()
    }
}

fn model(config: &Config) -> Line {
    if !cfg!(feature = "whisper") {
        return bad("model", "this build has no recogniser", "build with the feature `whisper`");
    }
    let named = config.text("model.file").map(std::path::PathBuf::from);
    match model::find(named.as_deref()) {
        Ok(model) => good("model", format!("{} at {}", model.name, model.path.display())),
        Err(error) => bad("model", error.to_string(), "`make model` puts the standard one where it is found"),
    }
}

/// Listens for two seconds.
fn microphone(config: &Config) -> Line {
    let what = "microphone";
    if !cfg!(feature = "mic") {
        return bad(what, "this build has no microphone", "build with the feature `mic`, or feed PCM on stdin");
    }
    let device = config.text("microphone.device").map(str::to_string);
    let (events, happened) = bounded(capture::BLOCKS_MAX);
    let open = match capture::open(&Source::Microphone { device }, events) {
        Ok(open) => open,
        Err(error) => {
            return bad(
                what,
                format!("{error:#}"),
                "plug one in and start the sound server (pipewire-pulse or pulseaudio); `thirdhand devices` lists them",
            );
        }
    };
    let end = clock::instant() + Duration::from_secs(2);
    let (mut samples, mut sounding, mut muted) = (0usize, false, false);
    while let Ok(event) = happened.recv_deadline(end) {
        match event {
            CaptureEvent::Sound(block) => {
                samples += block.samples.len();
                sounding |= block.samples.windows(2).any(|pair| pair[0] != pair[1]);
            }
            CaptureEvent::State(MicState::Muted, _) => muted = true,
            _ => {}
        }
    }
    let name = &open.name;
    match (samples, sounding) {
        (0, _) => bad(what, format!("{name}: no sound comes"), "is it suspended? `pactl suspend-source NAME 0`"),
        _ if muted => bad(what, format!("{name}: muted"), "unmute it: `pactl set-source-mute NAME 0`, or its switch"),
        (_, false) => warn(
            what,
            format!("{name}: nothing but digital silence"),
            "is it muted or switched off? `thirdhand devices --meter` shows its level",
        ),
        _ => good(what, format!("{name}: sound comes")),
    }
}

fn voice(config: &Config) -> Vec<Line> {
    let what = "voice";
    if config.text("voice.engine") == Some("none") {
        return vec![warn(what, "switched off in the settings", "advice is only shown; set voice.engine to \"auto\"")];
    }
    let mut lines = vec![match speak::probe(VoiceKind::Auto) {
        Ok(engine) => good(what, engine),
        Err((Some(fallback), why)) => warn(
            what,
            format!("{fallback} speaks; speech-dispatcher does not: {why}"),
            "install speech-dispatcher, speech-dispatcher-espeak-ng and speech-dispatcher-audio-plugins",
        ),
        Err((None, why)) => bad(
            what,
            why,
            "install speech-dispatcher, speech-dispatcher-espeak-ng and speech-dispatcher-audio-plugins, or espeak-ng",
        ),
    }];
    lines.extend(speech_log());
    lines
}

/// From level 5 on speech-dispatcher writes every spoken word into its log.
fn speech_log() -> Option<Line> {
    let user = data::config_dir()?.parent()?.join("speech-dispatcher/speechd.conf");
    let path = if user.exists() { user } else { "/etc/speech-dispatcher/speechd.conf".into() };
    let text = std::fs::read_to_string(&path).ok()?;
    let level =
        text.lines().filter_map(|l| l.trim().strip_prefix("LogLevel")?.trim().parse::<u32>().ok()).next_back()?;
    (level > 3).then(|| {
        warn(
            "voice",
            format!("{}: LogLevel {level}: spoken words may be written into a log", path.display()),
            "set LogLevel to 3",
        )
    })
}

fn the_data(dir: Option<&std::path::Path>) -> Line {
    let loaded = DataSet::find(dir).and_then(|set| app::knowledge(&set).map(|_| set));
    match loaded {
        Ok(set) => {
            let local = set.local.as_deref().map_or(String::new(), |dir| format!(" with {} over it", dir.display()));
            good("data", format!("built-in set{local}, digest {}", set.digest.get(..12).unwrap_or("")))
        }
        Err(error) => {
            let first = format!("{error:#}");
            bad(
                "data",
                first.lines().nth(1).unwrap_or(&first).to_string(),
                "`thirdhand check` explains every complaint",
            )
        }
    }
}

/// A call is a few hundred kilobytes; kept audio 2 MB a minute.
const ROOM_BAD: u64 = 50 << 20;
const ROOM_WARN: u64 = 1 << 30;

fn disks(config: &Config) -> Vec<Line> {
    let what = "disk";
    let named = config.text("record.folder").map(std::path::PathBuf::from);
    let Some(dir) = named.or_else(|| data::data_home().map(|home| home.join("records"))) else {
        return vec![bad(what, "no home folder is known", "set HOME, or record.folder in the settings")];
    };
    let there = dir.ancestors().find(|d| d.exists()).unwrap_or(&dir);
    let writable = rustix::fs::access(there, rustix::fs::Access::WRITE_OK).is_ok();
    let mut lines = vec![match disk::room(&dir) {
        _ if !writable => {
            bad(what, format!("{} cannot be written", there.display()), "name another with record.folder")
        }
        None => warn(what, format!("{}: its free space is not known", dir.display()), "look at it with `df`"),
        Some(room) if room < ROOM_BAD => bad(what, format!("{} MB left in {}", room >> 20, dir.display()), "make room"),
        Some(room) if room < ROOM_WARN => {
            warn(what, format!("{} MB left in {}", room >> 20, dir.display()), "make room")
        }
        Some(room) => good(what, format!("{}: {} GB left", dir.display(), room >> 30)),
    }];
    let volume = disk::volume(&dir);
    lines.push(match &volume {
        disk::Volume::Encrypted(_) => good(what, volume.describe()),
        disk::Volume::Memory(_) => warn(what, volume.describe(), "name another with record.folder"),
        disk::Volume::NotKnown(_) => {
            let advice = "put records on a LUKS volume (`cryptsetup`), or send them out with `export --encrypt`";
            warn(what, volume.describe(), advice)
        }
    });
    lines
}

/// A board without a battery for its clock wakes up in the past.
fn the_clock() -> Line {
    let now = clock::wall_now();
    let text = now.format("%Y-%m-%d %H:%M:%S %:z").to_string();
    let year = now.format("%Y").to_string().parse::<i32>().unwrap_or(0);
    if year < 2025 {
        return bad(
            "clock",
            format!("{text}: this cannot be"),
            "set the clock: `timedatectl set-time`, or a time server",
        );
    }
    match clock::verified() {
        true => good("clock", format!("{text}, set by a time server")),
        false => warn(
            "clock",
            format!("{text}; whether it is right is not known"),
            "compare it with the dispatch clock; during a call say the dispatch clock's time and it is noted",
        ),
    }
}
