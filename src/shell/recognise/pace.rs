//! How long a text takes to say, beside how long was spoken: a decoding that stops too early, or tells a story over a
//! short sound, is unlikely for that alone.

use super::alike::in_words;
use crate::shell::segment::Settings;

/// Length of a sentence: so much a syllable, and so much besides. Least squares over 248 utterances of the tuning voices
/// (flite, espeak-ng, festival, piper; 270 ms spread). People are from memory within a factor of 1.6 either way.
const MS_A_SYLLABLE: f32 = 175.0;
const MS_BESIDES: f32 = 740.0;
/// Nothing that is said is shorter.
const SHORTEST_MS: u64 = 200;
/// Factors within which a length says nothing, as logarithms: the sound longer than the text, and shorter.
const SLOW: f32 = 0.2;
const FAST: f32 = 0.45;
/// Log probability for each unit beyond.
const STEEP: f32 = 20.0;
/// A text so much too long for its sound is a loop.
const TOO_FAST: f32 = 0.9;
/// A text so much too short for its sound has lost something.
const LOST: f32 = 0.25;

/// The length of one sound.
#[derive(Clone, Copy)]
pub struct Pace {
    spoken_ms: f32,
}

impl Pace {
    /// Of a sound as the segmenter cuts it, with what it leaves before and behind the voice.
    pub fn new(audio_ms: u64) -> Pace {
        let Settings { pre_roll_ms, tail_ms, .. } = Settings::default();
        let spoken_ms = audio_ms.saturating_sub(pre_roll_ms + tail_ms).max(SHORTEST_MS);
        Pace { spoken_ms: spoken_ms as f32 }
    }

    /// Logarithm of the sound's length in that of the text.
    fn slowness(self, text: &str) -> f32 {
        (self.spoken_ms / (MS_BESIDES + MS_A_SYLLABLE * syllables(text) as f32)).ln()
    }

    /// What to add to the log probability of a text, 0 or less.
    pub fn merit(self, text: &str) -> f32 {
        let slowness = self.slowness(text);
        -STEEP * (slowness - SLOW).max(-slowness - FAST).max(0.0)
    }

    /// False for a text that nobody says in so short a time.
    pub fn fits(self, text: &str) -> bool {
        self.slowness(text) > -TOO_FAST
    }

    /// True if a text is so short that something must be missing.
    pub fn lost(self, text: &str) -> bool {
        self.slowness(text) > LOST
    }
}

/// Syllables of a text as it is said, about: runs of vowels, without a silent "e".
fn syllables(text: &str) -> usize {
    let said = in_words(text).replace('%', " percent ").replace('/', " over ").to_lowercase();
    said.split(|c: char| !c.is_alphabetic()).filter(|word| !word.is_empty()).map(of_word).sum()
}

fn of_word(word: &str) -> usize {
    let vowel = |c: char| "aeiouy".contains(c);
    let runs = word.split(|c| !vowel(c)).filter(|run| !run.is_empty()).count();
    let last = word.ends_with('e') && !word.ends_with("le");
    let silent = runs > 1 && (last || word.starts_with("ninet"));
    // Letters that are named, `BP`, are a syllable each.
    if runs == 0 { word.chars().count() } else { runs - usize::from(silent) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn syllables_are_counted_as_said() {
        for (text, count) in [
            ("Pulse 118, irregular and weak.", 10),
            ("BP 94/62", 2 + 3 + 2 + 3),
            ("91% on room air", 3 + 2 + 3),
            ("giving epi 0.4 mg", 2 + 2 + 2 + 1 + 1 + 2),
        ] {
            assert_eq!(syllables(text), count, "{text}");
        }
    }
}
