//! What sampled sentences mean: by the way they were made, not by parsing them.

use chrono::DateTime;

use super::{Conversation, interpret};
use crate::core::finding::Finding;
use crate::core::grammar::sample::Random;
use crate::core::grammar::{Derivation, Grammar, Sample, Utterance};
use crate::core::time::Moment;

impl Grammar {
    /// `n` sentences; the same seed gives the same sentences.
    pub fn sample(&self, rng_seed: u64, n: usize) -> Vec<Sample> {
        let mut random = Random::new(rng_seed);
        let spelling = self.spelling();
        let mut samples = Vec::with_capacity(n);
        for _ in 0..n.saturating_mul(20) {
            if samples.len() >= n {
                break;
            }
            let made = self.sentence(&mut random, &spelling);
            samples.extend(made.and_then(|(on, derivation)| self.meant(&on, &derivation)));
        }
        samples
    }

    /// One sentence of each phrase that makes a finding by itself, with the phrase's place in its file.
    pub fn sample_phrases(&self, rng_seed: u64) -> Vec<(String, Sample)> {
        let spelling = self.spelling();
        let mut samples = Vec::new();
        for index in 0..self.counts().1 {
            let Some(phrase) = self.phrase(index as u32) else { continue };
            let place = format!("{}:{} `{}`", phrase.file, phrase.line, phrase.text);
            let mut random = Random::of_text(rng_seed, &phrase.text);
            let made = self.sentence_of(index, &mut random, &spelling);
            let sample = made.and_then(|(on, derivation)| self.meant(&on, &derivation));
            samples.extend(sample.filter(|s| !s.findings.is_empty()).map(|s| (place, s)));
        }
        samples
    }

    fn meant(&self, on: &Utterance, derivation: &Derivation) -> Option<Sample> {
        let at = DateTime::from_timestamp(1_800_000_000, 0)?.fixed_offset();
        let conversation = Conversation::default();
        let when = Moment::new(0, at);
        let meaning = interpret::interpret(self, on, derivation, &at, &[]);
        let taken = conversation.take(self, meaning, when);
        if taken.rejected || taken.ambiguous || !taken.doubts.is_empty() {
            return None;
        }
        let findings: Vec<Finding> = taken.changes.iter().filter_map(super::recorded).cloned().collect();
        Some(Sample { text: on.text.clone(), findings })
    }
}
