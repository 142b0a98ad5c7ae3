//! The grammar: short cue-and-slot phrases from data files, matched in every way they fit.

use super::diagnostic::Diagnostic;
use super::finding::Finding;
use super::source::Source;

/// Everything read from `grammars/`, ready to match.
#[derive(Clone, Debug, Default)]
pub struct Grammar {}

/// One sentence the grammar accepts, with what it means.
#[derive(Clone, Debug, PartialEq)]
pub struct Sample {
    pub text: String,
    pub findings: Vec<Finding>,
}

impl Grammar {
    /// Reads the grammar files; local ones lie over the built-in set by id.
    ///
    /// # Errors
    /// Every complaint about every file.
    pub fn load(_sources: &[Source]) -> Result<Grammar, Vec<Diagnostic>> {
        Ok(Grammar::default())
    }

    /// `n` sentences; the same seed gives the same sentences.
    pub fn sample(&self, _rng_seed: u64, _n: usize) -> Vec<Sample> {
        Vec::new()
    }
}
