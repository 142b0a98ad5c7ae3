//! For whoever can glance: one status line below a scrolling log. Words and shapes, no colour, no cursor tricks beyond
//! one line, so that it works over ssh and when the window changes.

use std::io::{IsTerminal, Write};

use crate::core::encounter::State;
use crate::core::event::Outcome;
use crate::shell::capture::MicState;

#[derive(Default)]
pub struct Screen {
    /// A terminal that the status line is drawn on.
    drawn: bool,
    quiet: bool,
    level_dbfs: Option<f32>,
    microphone: Option<MicState>,
    words: String,
    outcome: Option<Outcome>,
    last: String,
}

impl Screen {
    /// A status line on stderr, if that is a terminal.
    pub fn status_line() -> Screen {
        Screen { drawn: std::io::stderr().is_terminal(), ..Screen::default() }
    }

    pub fn quiet() -> Screen {
        Screen { quiet: true, ..Screen::default() }
    }

    /// One line of news about the program itself.
    pub fn line(&mut self, text: &str) {
        if !self.quiet {
            self.wipe();
            eprintln!("thirdhand: {text}");
        }
    }

    pub fn level(&mut self, dbfs: f32) {
        self.level_dbfs = Some(dbfs);
    }

    pub fn heard(&mut self, words: &str) {
        self.words = words.to_string();
    }

    /// What became of the last words.
    pub fn outcome(&mut self, outcome: Outcome) {
        self.outcome = Some(outcome);
    }

    pub fn microphone(&mut self, state: MicState) {
        self.microphone = match state {
            MicState::Back => None,
            MicState::Lost | MicState::Muted => Some(state),
            MicState::Clipping | MicState::Overrun => self.microphone,
        };
    }

    /// Draws the status line anew where it changed.
    pub fn show(&mut self, call: Option<&State>, mono_ms: u64, speaking: bool) {
        if !self.drawn {
            return;
        }
        let status = self.status(call, mono_ms, speaking);
        if status != self.last {
            eprint!("\r\x1b[2K{status}");
            let _ = std::io::stderr().flush();
            self.last = status;
        }
    }

    fn status(&self, call: Option<&State>, mono_ms: u64, speaking: bool) -> String {
        let minutes = mono_ms / 60_000;
        let clock = match call {
            Some(_) => format!("call {:02}:{:02}", minutes, mono_ms / 1000 % 60),
            None => "no call".into(),
        };
        let ear = match self.microphone {
            Some(MicState::Muted) => "MICROPHONE MUTED".into(),
            Some(_) => "MICROPHONE LOST".into(),
            None if speaking => "speaking ".into(),
            None => format!("mic {}", bar(self.level_dbfs.unwrap_or(-90.0))),
        };
        let words: String = self.words.chars().take(50).collect();
        let became = match self.outcome {
            Some(Outcome::Matched) => "recorded",
            Some(Outcome::Doubtful) => "not sure",
            Some(Outcome::Ambiguous) => "two meanings",
            Some(Outcome::Rejected) => "cannot be",
            Some(Outcome::Unmatched) => "not understood",
            Some(Outcome::Echo) => "own voice",
            None => "",
        };
        format!("[{clock}] {ear} \"{words}\" {became}")
    }

    /// Takes the status line away, so that something else can be printed.
    pub fn wipe(&mut self) {
        if self.drawn && !self.last.is_empty() {
            eprint!("\r\x1b[2K");
            self.last.clear();
        }
    }

    pub fn end(&mut self) {
        self.wipe();
    }
}

/// -60 dBFS to 0 in eight steps.
fn bar(dbfs: f32) -> String {
    let steps = ((dbfs + 60.0) / 7.5).clamp(0.0, 8.0) as usize;
    format!("{:<8}", "#".repeat(steps))
}
