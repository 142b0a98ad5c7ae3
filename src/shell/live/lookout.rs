//! A "quiet" over our own words is listened for while we speak, and not only when an utterance ends.
//!
//! What is left of our words may run on with the crew's in one utterance that ends only when we do. So while we speak the last
//! moment of what was heard is looked through by itself, time and again, and forgotten unless it asks for silence.

use std::ops::Range;

use crate::shell::capture::{Block, RATE_HZ};

/// How much is recognised at a time, milliseconds, and how often: a word of half a second lies whole in two or three stretches,
/// each of which the recogniser hears a little otherwise ("Why." and "Quite."). Our own choice; one takes it a fifth of a
/// second, and only those are looked at in which somebody speaks beside us.
const STRETCH_MS: u64 = 1_600;
const EVERY_MS: u64 = 400;
/// Sound from before our words began, milliseconds: who answers them at once says "quiet" into their first syllable.
const BEFORE_MS: u64 = 300;

/// What was heard last.
#[derive(Default)]
pub struct Lookout {
    samples: Vec<f32>,
    /// Where they end.
    end_ms: u64,
    /// Samples since a stretch was last given out.
    fresh: usize,
    speaking: bool,
}

/// A stretch of sound to be recognised by itself.
#[derive(Debug, PartialEq)]
pub struct Stretch {
    pub samples: Vec<f32>,
    pub span: Range<u64>,
}

impl Lookout {
    /// Takes what was heard, and whether we spoke then; a stretch, when it is time for one.
    pub fn hear(&mut self, block: &Block, speaking: bool) -> Option<Stretch> {
        if !block.follows {
            self.samples.clear();
        }
        if speaking && !std::mem::replace(&mut self.speaking, speaking) {
            self.keep(BEFORE_MS);
            self.fresh = 0;
        }
        self.speaking = speaking;
        self.samples.extend(&block.samples);
        self.end_ms = block.at_ms + ms_of(block.samples.len());
        self.fresh += block.samples.len();
        self.keep(STRETCH_MS);
        let due = speaking && ms_of(self.fresh) >= EVERY_MS;
        due.then(|| {
            self.fresh = 0;
            let span = self.end_ms.saturating_sub(ms_of(self.samples.len()))..self.end_ms;
            Stretch { samples: self.samples.clone(), span }
        })
    }

    fn keep(&mut self, ms: u64) {
        let most = ms as usize * RATE_HZ as usize / 1000;
        self.samples.drain(..self.samples.len().saturating_sub(most));
    }
}

fn ms_of(samples: usize) -> u64 {
    samples as u64 * 1000 / u64::from(RATE_HZ)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The stretches of so many seconds, of which we speak in the last.
    fn stretches(silent_ms: u64, speaking_ms: u64) -> Vec<Range<u64>> {
        let mut lookout = Lookout::default();
        let heard = (0..silent_ms + speaking_ms).step_by(20).filter_map(|at| {
            let block = Block { at_ms: 1_000 + at, follows: at > 0, samples: vec![0.1; 320] };
            let stretch = lookout.hear(&block, at >= silent_ms)?;
            assert_eq!(ms_of(stretch.samples.len()), stretch.span.end - stretch.span.start);
            Some(stretch.span)
        });
        heard.collect()
    }

    #[test]
    fn a_word_of_ours_or_the_crews_lies_whole_in_one_of_the_stretches_while_we_speak() {
        assert_eq!(stretches(60_000, 0), []);
        let begin = 1_000 + 5_000;
        let found = stretches(5_000, 4_000);
        assert_eq!(found.first(), Some(&(begin - BEFORE_MS..begin + EVERY_MS)));
        for word in (begin..begin + 3_000).step_by(100).map(|from| from..from + 500) {
            let whole = found.iter().filter(|s| s.start <= word.start && word.end <= s.end).count();
            assert!(whole >= 2 || word.start < begin + EVERY_MS, "{word:?} in {found:?}");
        }
        assert!(found.iter().all(|s| s.end - s.start <= STRETCH_MS));
    }

    #[test]
    fn sound_that_does_not_follow_is_no_part_of_a_stretch() {
        let mut lookout = Lookout::default();
        let block = |at_ms, follows| Block { at_ms, follows, samples: vec![0.1; 6_000] };
        assert_eq!(lookout.hear(&block(1_000, false), true), None);
        let stretch = lookout.hear(&block(9_000, false), true).unwrap();
        assert_eq!(stretch.span, 9_000..9_375);
    }
}
