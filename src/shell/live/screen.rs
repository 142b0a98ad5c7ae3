//! For whoever can glance: one status line below a scrolling log. Words and shapes, no colour, no cursor tricks beyond
//! one line, so that it works over ssh and when the window changes.

use std::io::{IsTerminal, Write};

use super::view::{self, Glance};
use crate::core::encounter::{Knowledge, State};
use crate::core::event::Heard;
use crate::core::glance;
use crate::core::time::Moment;
use crate::shell::capture::MicState;

#[derive(Default)]
pub struct Screen {
    /// A terminal that the status line is drawn on.
    drawn: bool,
    /// The whole terminal is ours.
    full: bool,
    /// The last lines of news, for the whole screen.
    news: Vec<String>,
    quiet: bool,
    level_dbfs: Option<f32>,
    microphone: Option<MicState>,
    words: String,
    /// What became of them.
    became: &'static str,
    last: String,
}

impl Screen {
    /// A status line on stderr, if that is a terminal.
    pub fn status_line() -> Screen {
        let mut screen = Screen::default();
        screen.drawn = std::io::stderr().is_terminal();
        screen
    }

    /// The whole of the terminal on stderr, if that is one.
    pub fn full() -> Screen {
        let mut screen = Screen::status_line();
        screen.full = screen.drawn;
        if screen.full {
            // The alternate screen, without a cursor; what was there comes back at the end.
            eprint!("\x1b[?1049h\x1b[?25l");
        }
        screen
    }

    pub fn quiet() -> Screen {
        let mut screen = Screen::default();
        screen.quiet = true;
        screen
    }

    /// One line of news about the program itself.
    pub fn line(&mut self, text: &str) {
        if self.full {
            self.news.push(text.to_string());
            if self.news.len() > 3 {
                self.news.remove(0);
            }
        } else if !self.quiet {
            self.wipe();
            eprintln!("thirdhand: {text}");
        }
    }

    /// A line with spoken words: for eyes alone. Where stderr is no terminal it is a log, and a log holds no words.
    pub fn words_line(&mut self, text: &str, words: &str) {
        if self.drawn || self.full {
            self.line(&format!("{text} \"{words}\""));
        } else {
            self.line(&format!("{text} {} words", words.split_whitespace().count()));
        }
    }

    pub fn level(&mut self, dbfs: f32) {
        self.level_dbfs = Some(dbfs);
    }

    pub fn heard(&mut self, words: &str) {
        self.words = words.to_string();
    }

    /// What became of the last words.
    pub fn outcome(&mut self, heard: &Heard) {
        self.became = glance::became(heard);
    }

    /// Something was said, and no word of it was made out.
    pub fn no_words(&mut self) {
        self.words = "...".into();
        self.became = "no words made out";
    }

    pub fn microphone(&mut self, state: MicState) {
        self.microphone = match state {
            MicState::Back => None,
            MicState::Lost | MicState::Muted => Some(state),
            MicState::Clipping | MicState::Overrun => self.microphone,
        };
    }

    /// Draws the status line anew where it changed.
    pub fn show(&mut self, call: Option<&State>, knowledge: &Knowledge, now: Moment, speaking: bool) {
        if !self.drawn {
            return;
        }
        if self.full {
            return self.show_all(call, knowledge, now, speaking);
        }
        // A line that wraps could not be wiped away again.
        let status = self.status(call, now.mono_ms, speaking).chars().take(size().0.saturating_sub(1)).collect();
        if status != self.last {
            eprint!("\r\x1b[2K{status}");
            let _ = std::io::stderr().flush();
            self.last = status;
        }
    }

    fn show_all(&mut self, call: Option<&State>, knowledge: &Knowledge, now: Moment, speaking: bool) {
        let (width, height) = size();
        let glance = Glance { ear: self.ear(speaking), words: &self.words, became: self.became, news: &self.news };
        let lines = view::lines(call, knowledge, now, &glance, width, height);
        let page = lines.join("\x1b[K\r\n");
        if page != self.last {
            eprint!("\x1b[H{page}\x1b[K\x1b[J");
            let _ = std::io::stderr().flush();
            self.last = page;
        }
    }

    fn status(&self, call: Option<&State>, mono_ms: u64, speaking: bool) -> String {
        let minutes = mono_ms / 60_000;
        let clock = match call {
            Some(_) => format!("call {:02}:{:02}", minutes, mono_ms / 1000 % 60),
            None => "no call".into(),
        };
        let ear = self.ear(speaking);
        let words: String = self.words.chars().take(50).collect();
        // What became of the words comes first: a narrow terminal cuts off the end.
        match self.became {
            "" => format!("[{clock}] {ear}"),
            became => format!("[{clock}] {ear} {became}: \"{words}\""),
        }
    }

    fn ear(&self, speaking: bool) -> String {
        match self.microphone {
            Some(MicState::Muted) => "MICROPHONE MUTED".into(),
            Some(_) => "MICROPHONE LOST".into(),
            None if speaking => "speaking    ".into(),
            None => format!("mic {}", bar(self.level_dbfs.unwrap_or(-90.0))),
        }
    }

    /// Takes the status line away, so that something else can be printed.
    pub fn wipe(&mut self) {
        if self.drawn && !self.full && !self.last.is_empty() {
            eprint!("\r\x1b[2K");
            self.last.clear();
        }
    }

    pub fn end(&mut self) {
        self.wipe();
        if std::mem::take(&mut self.full) {
            self.drawn = false;
            eprint!("\x1b[?25h\x1b[?1049l");
        }
    }
}

impl Drop for Screen {
    fn drop(&mut self) {
        self.end();
    }
}

/// Columns and rows of the terminal, asked anew each time: it may change.
fn size() -> (usize, usize) {
    match rustix::termios::tcgetwinsize(std::io::stderr()) {
        Ok(size) if size.ws_col > 0 && size.ws_row > 0 => (usize::from(size.ws_col), usize::from(size.ws_row)),
        _ => (80, 24),
    }
}

/// -60 dBFS to 0 in eight steps.
fn bar(dbfs: f32) -> String {
    let steps = ((dbfs + 60.0) / 7.5).clamp(0.0, 8.0) as usize;
    format!("{:<8}", "#".repeat(steps))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::core::event::Outcome;

    #[test]
    fn a_narrow_status_line_still_tells_what_became_of_the_words() {
        let heard = Heard {
            text: None,
            text_sha256: None,
            confidence: 1.0,
            outcome: Outcome::Unmatched,
            audio_ms: 0,
            commands: Vec::new(),
            speech: None,
            audio: None,
        };
        let mut screen = Screen::default();
        screen.heard("hand me the other bag from the shelf behind you");
        screen.outcome(&heard);
        let line: String = screen.status(None, 0, false).chars().take(40).collect();
        assert!(line.contains("not understood"), "{line}");
    }
}
