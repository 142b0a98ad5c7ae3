//! `thirdhand devices`: what there is to listen with, and a level meter for setting one up.

use std::io::{IsTerminal, Write};
use std::time::Duration;

use anyhow::{Result, bail};
use clap::Args;
use crossbeam_channel::{bounded, select};
use serde_json::json;

use crate::shell::capture::{self, CaptureEvent, MicState, Source};
use crate::shell::clock::instant;

/// List the microphones, or measure the level of one
#[derive(Args)]
#[command(after_help = "Examples:
  thirdhand devices
  thirdhand devices --meter --device pulseaudio:headset --seconds 10")]
pub struct Devices {
    /// Show the level of a microphone; speak as you would at work
    #[arg(long)]
    meter: bool,
    /// The microphone to measure, by its id or name [default: the system's]
    #[arg(long, value_name = "DEVICE", requires = "meter")]
    device: Option<String>,
    /// Measure for so long
    #[arg(long, value_name = "N", default_value_t = 30, requires = "meter", value_parser = clap::value_parser!(u64).range(1..=3600))]
    seconds: u64,
    /// JSON Lines
    #[arg(long)]
    json: bool,
}

impl Devices {
    pub fn run(&self) -> Result<()> {
        if self.meter { self.measure() } else { self.list() }
    }

    #[cfg(feature = "mic")]
    fn list(&self) -> Result<()> {
        let devices = capture::devices()?;
        if devices.is_empty() {
            bail!("there is no microphone; plug one in, or start the sound server (`thirdhand doctor` says more)");
        }
        for device in devices {
            if self.json {
                println!("{}", json!({ "id": device.id, "name": device.name, "default": device.default }));
            } else {
                println!("{} {}  {}", if device.default { "*" } else { " " }, device.id, device.name);
            }
        }
        if !self.json {
            eprintln!("* is the system's default; `thirdhand devices --meter` shows a microphone's level");
        }
        Ok(())
    }

    #[cfg(not(feature = "mic"))]
    fn list(&self) -> Result<()> {
        bail!("this build has no microphone (it was built without the feature `mic`)")
    }

    fn measure(&self) -> Result<()> {
        let (events, happened) = bounded(capture::BLOCKS_MAX);
        let capture = capture::open(&Source::Microphone { device: self.device.clone() }, events)?;
        if !self.json {
            eprintln!("{}: speak as you would at work; Ctrl-C ends", capture.name);
        }
        let end = instant() + Duration::from_secs(self.seconds);
        let mut meter = Meter { json: self.json, ..Meter::default() };
        loop {
            select! {
                recv(happened) -> event => match event {
                    Ok(CaptureEvent::Sound(block)) => meter.take(&block.samples),
                    Ok(CaptureEvent::State(state, detail)) => meter.state(state, &detail),
                    Ok(CaptureEvent::Ended) | Err(_) => break,
                },
                recv(crossbeam_channel::at(end)) -> _ => break,
            }
        }
        meter.verdict()
    }
}

/// Level over a quarter of a second.
const WINDOW: usize = capture::RATE_HZ as usize / 4;

#[derive(Default)]
struct Meter {
    json: bool,
    window: Vec<f32>,
    /// Loudest window and loudest sample so far, dBFS.
    loudest: Option<f64>,
    peak: Option<f64>,
}

impl Meter {
    fn take(&mut self, samples: &[f32]) {
        self.window.extend_from_slice(samples);
        if self.window.len() < WINDOW {
            return;
        }
        let power = self.window.iter().map(|s| f64::from(*s).powi(2)).sum::<f64>() / self.window.len() as f64;
        let level = dbfs(power.sqrt());
        let peak = dbfs(self.window.iter().fold(0.0, |a, s| f64::max(a, f64::from(s.abs()))));
        self.window.clear();
        self.loudest = Some(self.loudest.map_or(level, |l| l.max(level)));
        self.peak = Some(self.peak.map_or(peak, |p| p.max(peak)));
        self.show(level, peak);
    }

    fn show(&self, level: f64, peak: f64) {
        if self.json {
            println!("{}", json!({ "level_dbfs": round(level), "peak_dbfs": round(peak) }));
            return;
        }
        // -60 dBFS to 0 in 30 steps.
        let steps = ((level + 60.0) / 2.0).clamp(0.0, 30.0) as usize;
        let line = format!("|{:<30}| {level:>6.1} dBFS, peak {peak:>6.1}  {}", "#".repeat(steps), advice(level, peak));
        let mut out = std::io::stdout().lock();
        let end = if std::io::stdout().is_terminal() { "\r" } else { "\n" };
        let _ = write!(out, "{line:<90}{end}").and_then(|()| out.flush());
    }

    fn state(&self, state: MicState, detail: &str) {
        if self.json {
            println!("{}", json!({ "microphone": state.name(), "detail": detail }));
        } else {
            println!("\nmicrophone {}: {detail}", state.name());
        }
    }

    fn verdict(&self) -> Result<()> {
        match (self.loudest, self.peak) {
            (Some(loudest), Some(peak)) if loudest > -90.0 => {
                if !self.json {
                    println!("\nloudest {loudest:.1} dBFS, peak {peak:.1}: {}", advice(loudest, peak));
                }
                Ok(())
            }
            (Some(_), _) => bail!("the microphone gave nothing but digital silence: is it muted or switched off?"),
            _ => bail!("no sound came from the microphone"),
        }
    }
}

/// Common practice, no source: speech is best around -30 to -12 dBFS with peaks below -3.
fn advice(level: f64, peak: f64) -> &'static str {
    match () {
        () if peak > -0.5 => "too loud: it clips; lower the gain or move away",
        () if level > -10.0 => "loud",
        () if level > -36.0 => "good",
        () if level > -50.0 => "quiet: move closer or raise the gain",
        () => "silence",
    }
}

/// Decibels below full scale; -120 for nothing at all.
fn dbfs(amplitude: f64) -> f64 {
    if amplitude < 1e-6 { -120.0 } else { 20.0 * amplitude.log10() }
}

fn round(value: f64) -> f64 {
    (value * 10.0).round() / 10.0
}
