//! Several decodings at once, guided by the language: the greedy one cannot take back a word that it should not have taken.
//!
//! Beginnings that differ in marks and capitals only are one, so that the few that are kept say different things.

use std::collections::HashSet;

use anyhow::{Context, Result};

use super::decode::{Path, Rules, Steps, log_probability, repeats};
use super::language::ngram::{FLOOR, NGram};
use super::pace::Pace;

/// Beginnings kept from one token to the next.
const KEPT: usize = 4;
/// Tokens tried behind each.
const TRIED: usize = 4;
/// What is worse than the best by more is given up.
const FARTHEST: f32 = 8.0;
/// Decodings handed on, at most.
const ENDED: usize = 6;
/// Tokens that are searched, at most: some 5 ms each for every beginning on a shared core.
const LONGEST: usize = 48;
/// What every token is worth: sound and language take some from each, and would sooner have few.
pub const A_TOKEN: f32 = 1.0;

/// What guides the search besides the sound.
pub struct Guide<'a> {
    pub rules: &'a Rules,
    pub model: &'a NGram,
    /// What tokens say.
    pub text: &'a dyn Fn(&[i32]) -> String,
    /// How long it takes to say, beside the sound.
    pub pace: Pace,
    /// Tokens of a decoding, at most.
    pub budget: usize,
}

/// A decoding, or its beginning.
pub struct Found {
    pub path: Path,
    /// By sound and language, and for its tokens; by its pace too if it came to its end.
    pub merit: f32,
}

/// The decodings that came to an end, the one of most merit first.
///
/// # Errors
/// The engine fails.
pub fn search(steps: &mut impl Steps, guide: &Guide) -> Result<Vec<Found>> {
    let mut open = vec![Found { path: Path::default(), merit: 0.0 }];
    let mut ended: Vec<Found> = Vec::new();
    for _ in 0..guide.budget.min(LONGEST) {
        // What begins alike is asked in turn, so that the engine's cache serves.
        open.sort_by(|a, b| a.path.tokens.cmp(&b.path.tokens));
        let mut next = Vec::new();
        for beginning in &open {
            next.extend(longer(steps, guide, beginning)?);
        }
        let (done, going): (Vec<_>, Vec<_>) = next.into_iter().partition(|b| b.path.ended);
        ended.extend(done);
        ended = best(ended, guide, ENDED);
        open = best(going, guide, KEPT);
        let hopeless = |b: &Found| ended.first().is_some_and(|e| b.merit < e.merit - FARTHEST);
        if open.iter().all(hopeless) {
            break;
        }
    }
    Ok(ended)
}

/// The best of them, one for each thing that is said.
fn best(mut all: Vec<Found>, guide: &Guide, most: usize) -> Vec<Found> {
    all.sort_by(|a, b| b.merit.total_cmp(&a.merit));
    let least = all.first().map_or(f32::NEG_INFINITY, |b| b.merit - FARTHEST);
    let mut seen = HashSet::new();
    let mut kept = Vec::with_capacity(most);
    for beginning in all {
        if kept.len() == most || beginning.merit < least {
            break;
        }
        let text = (guide.text)(&beginning.path.tokens);
        if !repeats(&beginning.path.tokens) && guide.pace.fits(&text) && seen.insert(plain(&text)) {
            kept.push(beginning);
        }
    }
    kept
}

/// Letters, digits and single spaces. A point or stroke between digits counts.
fn plain(text: &str) -> String {
    let kept = |c: char| if c.is_alphanumeric() || c == '.' || c == '/' { c.to_ascii_lowercase() } else { ' ' };
    let words: String = text.chars().map(kept).collect();
    words.split_whitespace().map(|word| word.trim_matches('.')).collect::<Vec<_>>().join(" ")
}

/// A beginning with each of the tokens that sound and language like best behind it.
fn longer(steps: &mut impl Steps, guide: &Guide, begin: &Found) -> Result<Vec<Found>> {
    let Guide { rules, model, .. } = *guide;
    let mut shares = Vec::new();
    model.next(&begin.path.tokens, &mut shares);
    let end = rules.end as usize;
    let logits = steps.after(&begin.path.tokens)?.get(..=end).context("the engine's vocabulary is short")?;
    let language = |id: usize| rules.weight * (FLOOR + shares.get(id).copied().unwrap_or(0.0)).ln();
    let never =
        |id: usize| rules.unspoken.get(id).copied().unwrap_or(false) || begin.path.tokens.is_empty() && id == end;
    let mut likeliest: Vec<(f32, usize)> = Vec::with_capacity(TRIED + 1);
    for id in (0..=end).filter(|id| !never(*id)) {
        let worth = logits[id] + language(id);
        if likeliest.len() < TRIED || likeliest.last().is_some_and(|last| worth > last.0) {
            likeliest.insert(likeliest.partition_point(|l| l.0 >= worth), (worth, id));
            likeliest.truncate(TRIED);
        }
    }
    let with = |id: usize| {
        let score = log_probability(logits, id);
        let mut path = begin.path.clone();
        path.scores.push(score);
        path.ended = id == end;
        if !path.ended {
            path.tokens.push(id as i32);
        }
        let worth = if path.ended { guide.pace.merit(&(guide.text)(&path.tokens)) } else { A_TOKEN };
        Found { path, merit: begin.merit + score + language(id) + worth }
    };
    Ok(likeliest.into_iter().map(|(_, id)| with(id)).collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    const END: i32 = 4;

    /// Tokens " a", " b", " c", "."; the sound begins a little sooner with " a", behind which nothing fits; " b c" fits
    /// well.
    struct Misled(Vec<f32>);

    impl Steps for Misled {
        fn after(&mut self, tokens: &[i32]) -> Result<&[f32]> {
            self.0 = match tokens {
                [] => vec![2.2, 2.0, 0.0, -2.0, 0.0],
                [1] => vec![0.0, 0.0, 6.0, 0.0, 0.0],
                [1, 2] | [1, 2, 3] => vec![0.0, 0.0, 0.0, 3.0, 6.0],
                _ => vec![0.0; 5],
            };
            Ok(&self.0)
        }
    }

    fn say(tokens: &[i32]) -> String {
        tokens.iter().map(|t| [" a", " b", " c", "."][*t as usize]).collect()
    }

    fn found(audio_ms: u64) -> Vec<String> {
        let vocabulary: Vec<Vec<u8>> = [" a", " b", " c", "."].iter().map(|t| t.as_bytes().to_vec()).collect();
        let model = NGram::train(&vocabulary, END, [vec![0, 0], vec![1, 2]].into_iter());
        let rules = Rules { end: END, unspoken: vec![false; 4], weight: 0.1 };
        let guide = Guide { rules: &rules, model: &model, text: &say, pace: Pace::new(audio_ms), budget: 12 };
        search(&mut Misled(Vec::new()), &guide).unwrap().iter().map(|found| say(&found.path.tokens)).collect()
    }

    #[test]
    fn a_first_word_that_misleads_is_taken_back_and_marks_make_no_difference() {
        let all = found(1_500);
        assert_eq!(all.first().map(String::as_str), Some(" b c"), "{all:?}");
        assert_eq!(all.iter().filter(|text| text.starts_with(" b c")).count(), 1, "{all:?}");
    }

    #[test]
    fn a_long_sound_wants_a_long_text() {
        assert!(found(8_000).first().is_some_and(|text| text.len() > 6), "{:?}", found(8_000));
    }
}
