//! `thirdhand say`: speaks sentences from stdin through the very voice that `listen` uses, and tells what became of
//! each. For setting up and for tests.

use std::io::BufRead;

use anyhow::{Context, Result, bail};
use clap::Args;
use crossbeam_channel::{Receiver, Sender, select, unbounded};
use serde_json::json;

use crate::core::event::Priority;
use crate::shell::speak::{self, Earcon, End, Settings, Utterance, Voice, VoiceEvent, VoiceKind};

/// Speak sentences from stdin through the voice that `listen` uses
#[derive(Args)]
#[command(after_help = "Example: echo 'this is a test' | thirdhand say

A line may begin with `warning:`, `high:`, `medium:`, `low:` or `reminder:`. Lines of one word after `!` are orders: `!stop`,
`!talking`, `!pause`, `!heard`, `!not_understood`, `!warning`.")]
pub struct Say {
    /// Tell what became of each sentence, as JSON Lines
    #[arg(long)]
    json: bool,
}

impl Say {
    pub fn run(&self) -> Result<()> {
        let (events, happened) = unbounded();
        let (lines, typed) = unbounded();
        let voice = speak::open(Settings::of(VoiceKind::Auto), events);
        std::thread::spawn(move || read(lines));
        let failed = self.serve(&*voice, &typed, &happened)?;
        if failed > 0 {
            bail!("{failed} of the sentences could not be spoken; `thirdhand doctor` says what is missing");
        }
        Ok(())
    }

    /// Until stdin has ended and every sentence has; returns how many could not be spoken.
    fn serve(&self, voice: &dyn Voice, typed: &Receiver<String>, happened: &Receiver<VoiceEvent>) -> Result<usize> {
        let (mut open, mut next, mut failed) = (0usize, 0u64, 0usize);
        let mut typing = true;
        while typing || open > 0 {
            let never = crossbeam_channel::never();
            let line = if typing { typed } else { &never };
            select! {
                recv(line) -> line => match line {
                    Ok(line) => if let Some(utterance) = order(voice, &line, next + 1)? {
                        next += 1;
                        open += 1;
                        voice.queue(utterance);
                    },
                    Err(_) => typing = false,
                },
                recv(happened) -> event => {
                    let event = event.context("the voice has ended")?;
                    if let VoiceEvent::Finished { end, .. } = &event {
                        open = open.saturating_sub(1);
                        failed += usize::from(*end == End::Failed);
                    }
                    if self.json {
                        println!("{}", show(&event));
                    }
                },
            }
        }
        Ok(failed)
    }
}

fn read(lines: Sender<String>) {
    for line in std::io::stdin().lock().lines().map_while(std::io::Result::ok) {
        if lines.send(line).is_err() {
            return;
        }
    }
}

/// Obeys an order, or turns a line into a sentence.
fn order(voice: &dyn Voice, line: &str, id: u64) -> Result<Option<Utterance>> {
    let line = line.trim();
    match line {
        "" => return Ok(None),
        "!stop" => voice.stop(),
        "!talking" => voice.crew_speaking(true),
        "!pause" => voice.crew_speaking(false),
        "!heard" => voice.earcon(Earcon::Heard),
        "!not_understood" => voice.earcon(Earcon::NotUnderstood),
        "!warning" => voice.earcon(Earcon::Warning),
        order if order.starts_with('!') => bail!("`{order}` is no order; see `thirdhand say --help`"),
        _ => return Ok(Some(sentence(line, id))),
    }
    Ok(None)
}

fn sentence(line: &str, id: u64) -> Utterance {
    let (word, rest) = line.split_once(':').unwrap_or(("", line));
    match word {
        "warning" => Utterance::new(id, rest.trim(), Priority::High).warning(true),
        "high" => Utterance::new(id, rest.trim(), Priority::High),
        "medium" => Utterance::new(id, rest.trim(), Priority::Medium),
        "low" => Utterance::new(id, rest.trim(), Priority::Low),
        "reminder" => Utterance::new(id, rest.trim(), Priority::Medium).reminder(30_000),
        _ => Utterance::new(id, line, Priority::Medium),
    }
}

fn show(event: &VoiceEvent) -> serde_json::Value {
    match event {
        VoiceEvent::Started { id } => json!({ "event": "started", "id": id }),
        VoiceEvent::Finished { id, end } => json!({ "event": "finished", "id": id, "end": end.name() }),
        VoiceEvent::Earcon => json!({ "event": "earcon" }),
        VoiceEvent::State { state, detail } => json!({ "event": "voice", "state": state, "detail": detail }),
    }
}
