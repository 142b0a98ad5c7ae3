//! What an engine is: something that sounds one sentence at a time and reports when it began and ended.
//!
//! Engines do not rank, queue or retry: [`super::speaker`] does.

use super::End;

/// What an engine reports about the sentence started under `token`.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Report {
    Began {
        token: u64,
    },
    Ended {
        token: u64,
        end: End,
    },
    /// The engine itself is of no more use.
    #[cfg_attr(not(feature = "voice"), allow(dead_code))] // only speech-dispatcher breaks; a child just ends
    Broken {
        why: String,
    },
}

pub trait Engine: Send {
    /// Begins to say `text` and returns at once; `token` comes back in the reports.
    ///
    /// # Errors
    /// The engine is gone: the reaction is to use another.
    fn start(&mut self, token: u64, text: &str) -> Result<(), String>;

    /// Cuts off what is being said; an `Ended` report follows.
    fn stop(&mut self);
}

/// Milliseconds after which a sentence must have ended, or the engine is taken to hang.
///
/// Speech takes about 80 ms a character (measured: espeak-ng at its normal rate, 76 ms); a digit is read as a word.
pub fn deadline_ms(text: &str) -> u64 {
    estimate_ms(text) * 3 / 2 + 2_000
}

/// How long saying `text` takes, roughly, milliseconds.
pub fn estimate_ms(text: &str) -> u64 {
    let weight = |c: char| if c.is_ascii_digit() { 5 } else { 1 };
    80 * text.chars().map(weight).sum::<u64>()
}

/// Text that no engine chokes on: control characters become spaces (a NUL makes `tts` panic), angle brackets and
/// ampersands go (markup to some engines), and the length is bounded.
pub fn speakable(text: &str) -> String {
    const CHARS_MAX: usize = 2_000;
    let safe = |c: char| match c {
        '<' | '>' | '&' => ' ',
        c if c.is_control() => ' ',
        c => c,
    };
    let words: Vec<String> =
        text.chars().take(CHARS_MAX).map(safe).collect::<String>().split_whitespace().map(str::to_string).collect();
    words.join(" ")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn control_characters_and_markup_never_reach_an_engine() {
        assert_eq!(speakable("hold\0 it <b>\n now\u{7}"), "hold it b now");
    }

    #[test]
    fn the_deadline_leaves_room_for_the_sentence() {
        // 36 characters took 2.75 s with speech-dispatcher and espeak-ng (measured, reference/speech.md 3.1).
        let text = "Warning. Systolic ninety over fifty.";
        assert!((2_000..=4_000).contains(&estimate_ms(text)));
        assert!(deadline_ms(text) > 2_750 + 1_000);
    }
}
