//! The domain's language model: what is likely to be said next at a patient's side, in the recogniser's own tokens.
//!
//! Sentences sampled from the grammar are written as the recogniser writes ([`spelling`]), cut into its tokens
//! ([`bpe`]), and counted ([`ngram`]). A phrase that an agency adds to its grammar is thereby heard better at once.

pub mod bpe;
mod cache;
pub mod everyday;
pub mod ngram;
pub mod spelling;

use anyhow::{Context, Result};

use super::Options;
use super::alike::Alike;
use super::doubt::text_of;
use super::named::Names;
use crate::core::conversation::Conversation;
use crate::core::event::Outcome;
use crate::core::finding::Kind;
use crate::core::grammar::sample::Random;
use crate::core::grammar::{Derivation, Grammar, Role, Step};
use crate::core::time::Moment;
use crate::core::utterance::Transcript;
use crate::shell::clock::wall_now;
use crate::shell::data::DataSet;
use bpe::Bpe;
use everyday::Everyday;
use ngram::NGram;

/// Sentences sampled from the grammar.
const SENTENCES: usize = 40_000;
/// Changes whenever the same data would give other tokens.
const VERSION: u32 = 3;
/// Of the sentences that hold neither a vital sign nor a treatment, this share is kept: the grammar knows far more
/// rare things than a crew says.
const OTHERS_PERCENT: usize = 35;

/// What is known of the language spoken at a patient's side.
pub struct Language {
    /// What is likely next.
    pub model: NGram,
    /// The same sentences, to be found by their sounds.
    pub alike: Alike,
    /// Names of drugs and allergens, to be found by their sounds in any sentence.
    pub names: Names,
    /// What is understood.
    pub grammar: Grammar,
}

impl Language {
    /// True when every word of `text` is understood: something is recorded, asked for, or a question.
    pub fn understands(&self, text: &str) -> bool {
        let when = Moment::new(0, wall_now());
        let understood = Conversation::default().hear(&self.grammar, &Transcript::script(text), when);
        let says = matches!(understood.outcome, Outcome::Matched | Outcome::Doubtful)
            && (understood.findings().next().is_some() || !understood.commands.is_empty());
        let asks = understood.outcome == Outcome::Unmatched && !understood.asked.is_empty();
        understood.leftover.is_empty() && (says || asks)
    }
}

/// The language of the data in force; none if decoding is to be plain or there is nothing to sample.
///
/// # Errors
/// The data files are wrong, or the corpus cannot be read.
pub fn build(options: &Options, vocabulary: &[Vec<u8>], bpe: &Bpe, end: i32) -> Result<Option<Language>> {
    if options.plain {
        return Ok(None);
    }
    let data = DataSet::find(options.data.as_deref())?;
    let grammar = grammar(&data)?;
    let sentences = match &options.corpus {
        Some(path) => {
            let text = std::fs::read_to_string(path).with_context(|| format!("{}: cannot be read", path.display()))?;
            let lines: Vec<String> = text.lines().map(str::to_string).collect();
            tokens_of(&lines, bpe)
        }
        None => of_grammar(&data, &grammar, bpe, end)?,
    };
    if sentences.is_empty() {
        return Ok(None);
    }
    let alike = Alike::new(sentences.iter().map(|tokens| text_of(vocabulary, tokens)));
    let names = Names::new(grammar.names());
    Ok(Some(Language { model: NGram::train(vocabulary, end, sentences.into_iter()), alike, names, grammar }))
}

fn grammar(data: &DataSet) -> Result<Grammar> {
    Grammar::load(&data.sources("grammars/"))
        .map_err(|complaints| anyhow::anyhow!("{}", complaints.first().map(ToString::to_string).unwrap_or_default()))
}

/// The grammar's sentences in tokens: from the cache, or sampled and put there.
fn of_grammar(data: &DataSet, grammar: &Grammar, bpe: &Bpe, end: i32) -> Result<Vec<Vec<i32>>> {
    let key = format!("{}-{end}-{VERSION}-{}-{}", data.digest, env!("CARGO_PKG_VERSION"), everyday::TEXT);
    if let Some(sentences) = cache::read(&key) {
        return Ok(sentences);
    }
    let mut sentences = tokens_of(&sampled(grammar), bpe);
    sentences.extend(common(bpe)?);
    cache::write(&key, &sentences);
    Ok(sentences)
}

fn tokens_of(sentences: &[String], bpe: &Bpe) -> Vec<Vec<i32>> {
    let mut dice = Dice::new(1);
    sentences.iter().map(|s| bpe.encode(&format!(" {}", spelling::written(s, &mut dice)))).collect()
}

/// What is said most, as often as all the rest together.
fn common(bpe: &Bpe) -> Result<Vec<Vec<i32>>> {
    let everyday = Everyday::parse(everyday::TEXT).map_err(|why| anyhow::anyhow!("everyday.txt: {why}"))?;
    let mut dice = Dice::new(3);
    let mut sentences = Vec::with_capacity(SENTENCES);
    for _ in 0..SENTENCES {
        let breaths = [1, 1, 1, 1, 1, 1, 1, 2, 2, 3][dice.roll(10)];
        let said: Vec<String> =
            (0..breaths).map(|_| spelling::written(&everyday.sentence(&mut dice), &mut dice)).collect();
        sentences.push(bpe.encode(&format!(" {}", spelling::joined(&said, &mut dice))));
    }
    Ok(sentences)
}

fn sampled(grammar: &Grammar) -> Vec<String> {
    let spelling = grammar.spelling();
    let mut random = Random::new(1);
    let mut dice = Dice::new(2);
    let mut sentences = Vec::with_capacity(SENTENCES);
    // A grammar whose sentences all fail must not keep us here.
    for _ in 0..SENTENCES * 4 {
        if sentences.len() == SENTENCES {
            break;
        }
        let Some((said, how)) = grammar.sentence(&mut random, &spelling) else { continue };
        if is_everyday(grammar, &how) || dice.chance(OTHERS_PERCENT) {
            sentences.push(said.text);
        }
    }
    sentences
}

/// True for a sentence with a vital sign, a medication or oxygen in it.
fn is_everyday(grammar: &Grammar, how: &Derivation) -> bool {
    how.steps.iter().any(|step| {
        let Step::Phrase(found) = step else { return false };
        let frame = grammar.phrase(found.phrase).and_then(|phrase| match phrase.role {
            Role::Open(frame) | Role::Alone(frame) | Role::Fill(frame) => grammar.frame(frame),
            _ => None,
        });
        let treatment = |kind| matches!(kind, Kind::MedicationGiven | Kind::MedicationPlanned | Kind::Oxygen);
        frame.is_some_and(|frame| frame.vital || treatment(frame.kind))
    })
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
