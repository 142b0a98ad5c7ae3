//! The domain's language model: what is likely to be said next at a patient's side, in the recogniser's own tokens.
//!
//! Sentences sampled from the grammar are written as the recogniser writes ([`spelling`]), cut into its tokens
//! ([`bpe`]), and counted ([`ngram`]). A phrase that an agency adds to its grammar is thereby heard better at once.

pub mod bpe;
pub mod ngram;
pub mod spelling;

use anyhow::{Context, Result};

use super::Options;
use crate::core::grammar::Grammar;
use crate::core::grammar::sample::Random;
use crate::shell::data::DataSet;
use bpe::Bpe;
use ngram::NGram;

/// Sentences sampled from the grammar.
const SENTENCES: usize = 40_000;

/// The language model of the data in force; none if decoding is to be plain or there is nothing to sample.
///
/// # Errors
/// The data files are wrong, or the corpus cannot be read.
pub fn build(options: &Options, vocabulary: &[Vec<u8>], bpe: &Bpe, end: i32) -> Result<Option<NGram>> {
    if options.plain {
        return Ok(None);
    }
    let sentences = match &options.corpus {
        Some(path) => {
            let text = std::fs::read_to_string(path).with_context(|| format!("{}: cannot be read", path.display()))?;
            text.lines().map(str::to_string).collect()
        }
        None => sampled(options)?,
    };
    if sentences.is_empty() {
        return Ok(None);
    }
    let mut dice = Dice::new(1);
    let tokens = sentences.iter().map(|s| bpe.encode(&format!(" {}", spelling::written(s, &mut dice))));
    Ok(Some(NGram::train(vocabulary, end, tokens)))
}

fn sampled(options: &Options) -> Result<Vec<String>> {
    let data = DataSet::find(options.data.as_deref())?;
    let grammar = Grammar::load(&data.sources("grammars/"))
        .map_err(|complaints| anyhow::anyhow!("{}", complaints.first().map(ToString::to_string).unwrap_or_default()))?;
    let spelling = grammar.spelling();
    let mut random = Random::new(1);
    let tries = (0..SENTENCES).filter_map(|_| grammar.sentence(&mut random, &spelling));
    Ok(tries.map(|(said, _)| said.text).collect())
}

/// A small generator for sampling: the same seed gives the same sentences everywhere (splitmix64, Steele 2014).
#[derive(Clone, Debug)]
pub struct Dice(u64);

impl Dice {
    pub fn new(seed: u64) -> Dice {
        Dice(seed)
    }

    /// From 0 up to and without `sides`.
    pub fn roll(&mut self, sides: usize) -> usize {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        ((z ^ (z >> 31)) % sides.max(1) as u64) as usize
    }

    /// True in `percent` of a hundred.
    pub fn chance(&mut self, percent: usize) -> bool {
        self.roll(100) < percent
    }
}
