//! A sentence with holes, held against the sound: its words as they stand, in each hole the number that the sound likes
//! best there. Nothing else can be written, so the sum says how well the sentence fits.

use std::collections::HashMap;

use anyhow::{Context, Result};

use super::alike::{HOLE, Numbers};
use super::decode::{Path, Rules, Steps, log_probability};
use super::language::bpe::Bpe;
use super::language::ngram::{FLOOR, NGram};

/// Tokens of one number, at most.
const LONGEST: usize = 5;
/// First tokens of a number that are tried.
const BEGINNINGS: usize = 3;

/// What is known besides the sound.
pub struct Ear<'a> {
    pub rules: &'a Rules,
    pub digits: &'a Digits,
    pub bpe: &'a Bpe,
    pub model: &'a NGram,
}

/// Which tokens write numbers.
pub struct Digits {
    spaced: Vec<i32>,
    bare: Vec<i32>,
    point: i32,
    spaced_point: i32,
    /// Digits of each token that writes some.
    lengths: HashMap<i32, usize>,
}

impl Digits {
    fn length(&self, tokens: &[i32]) -> usize {
        tokens.iter().filter_map(|token| self.lengths.get(token)).sum()
    }

    fn no_longer(&self, tokens: &[i32], than: usize) -> Vec<i32> {
        tokens.iter().copied().filter(|token| self.length(&[*token]) <= than).collect()
    }

    pub fn new(vocabulary: &[Vec<u8>], end: i32) -> Digits {
        let text = vocabulary.iter().take(end as usize).enumerate();
        let of = |begin: &str| -> Vec<i32> {
            let digits = |bytes: &[u8]| {
                let rest = bytes.strip_prefix(begin.as_bytes()).unwrap_or_default();
                !rest.is_empty() && rest.len() <= 4 && rest.iter().all(u8::is_ascii_digit)
            };
            text.clone().filter(|(_, bytes)| digits(bytes)).map(|(id, _)| id as i32).collect()
        };
        let exactly = |wanted: &[u8]| text.clone().find(|(_, b)| *b == wanted).map_or(end, |(id, _)| id as i32);
        let (spaced, bare) = (of(" "), of(""));
        let length = |id: &i32| vocabulary[*id as usize].iter().filter(|byte| byte.is_ascii_digit()).count();
        let lengths = spaced.iter().chain(&bare).map(|id| (*id, length(id))).collect();
        Digits { spaced, bare, point: exactly(b"."), spaced_point: exactly(b" ."), lengths }
    }
}

/// `sentence` with its holes filled, or nothing where its log probability falls below `bound`.
///
/// # Errors
/// The engine fails.
pub fn filled(steps: &mut impl Steps, ear: &Ear, sentence: &str, numbers: Numbers, bound: f32) -> Result<Option<Path>> {
    let Ear { rules, digits, bpe, .. } = *ear;
    let mut pieces = pieces(bpe, sentence);
    let small = bpe.encode(&format!(" {}", uncapitalised(sentence)));
    if let Some((first, _)) = pieces.first_mut()
        && begins_better(steps, &small, first)?
    {
        *first = small;
    }
    let mut path = Path { tokens: Vec::new(), scores: Vec::new(), ended: true, departure: None };
    for (i, (tokens, spaced)) in pieces.iter().enumerate() {
        for token in tokens {
            take(steps, rules, &mut path, &[*token])?;
            if path.sum() < bound {
                return Ok(None);
            }
        }
        if i + 1 < pieces.len() {
            let next = pieces.get(i + 1).and_then(|(tokens, _)| tokens.first().copied()).unwrap_or(rules.end);
            number(steps, ear, &mut path, numbers, *spaced, next)?;
        }
    }
    take(steps, rules, &mut path, &[digits.point, rules.end])?;
    if path.tokens.last() == Some(&digits.point) {
        take(steps, rules, &mut path, &[rules.end])?;
    }
    path.tokens.pop();
    Ok(Some(path).filter(|path| path.sum() >= bound))
}

/// The tokens between the holes, and whether a space stands before the hole that follows.
fn pieces(bpe: &Bpe, sentence: &str) -> Vec<(Vec<i32>, bool)> {
    let texts = format!(" {sentence}");
    let piece = |text: &str| (bpe.encode(text.trim_end()), text.ends_with(' '));
    texts.split(HOLE).map(piece).collect()
}

/// True if the sound would sooner begin with the first of `one` than with the first of `other`.
fn begins_better(steps: &mut impl Steps, one: &[i32], other: &[i32]) -> Result<bool> {
    let logits = steps.after(&[])?;
    let first =
        |tokens: &[i32]| tokens.first().and_then(|t| logits.get(*t as usize)).copied().unwrap_or(f32::NEG_INFINITY);
    Ok(first(one) > first(other))
}

/// The text before the first hole with a small first letter, unless it is an abbreviation.
fn uncapitalised(sentence: &str) -> String {
    let text = sentence.split(HOLE).next().unwrap_or_default().trim_end();
    let mut chars = text.chars();
    match (chars.next(), text.chars().nth(1)) {
        (Some(first), Some(second)) if second.is_lowercase() => first.to_lowercase().chain(chars).collect(),
        _ => text.to_string(),
    }
}

/// Fills one hole with the number that sound and language hold likeliest there, what follows included.
fn number(steps: &mut impl Steps, ear: &Ear, path: &mut Path, numbers: Numbers, spaced: bool, next: i32) -> Result<()> {
    let digits = ear.digits;
    let mut begin = digits.no_longer(if spaced { &digits.spaced } else { &digits.bare }, numbers.digits);
    if numbers.points {
        begin.push(if spaced { digits.spaced_point } else { digits.point });
    }
    let mut best: Option<(f32, Path)> = None;
    for first in weighed(steps, ear, path, &begin)? {
        let mut filled = path.clone();
        let mut merit = first.merit();
        filled.push(&first);
        // Merits only fall: what is behind already stays behind.
        let behind = |merit: f32| best.as_ref().is_some_and(|(most, _)| merit <= *most);
        if behind(merit) {
            continue;
        }
        while let Some(more) = digit(steps, ear, &filled, numbers, path.tokens.len(), next)? {
            merit += more.merit();
            filled.push(&more);
        }
        if behind(merit) {
            continue;
        }
        merit += weighed(steps, ear, &filled, &[next])?.first().map_or(0.0, Weighed::merit);
        if !behind(merit) {
            best = Some((merit, filled));
        }
    }
    if let Some((_, filled)) = best {
        *path = filled;
    }
    Ok(())
}

/// The next token of the number that began at `from`, if it goes on. A point that ends the sentence is none of it.
fn digit(
    steps: &mut impl Steps,
    ear: &Ear,
    path: &Path,
    numbers: Numbers,
    from: usize,
    next: i32,
) -> Result<Option<Weighed>> {
    let digits = ear.digits;
    let points = [digits.point, digits.spaced_point];
    let number = path.tokens.get(from..).unwrap_or_default();
    let pointed = number.iter().any(|token| points.contains(token));
    let bare = digits.no_longer(&digits.bare, numbers.digits.saturating_sub(digits.length(number)));
    let must = number.last().is_some_and(|token| points.contains(token));
    if must {
        return Ok(weighed(steps, ear, path, &bare)?.into_iter().next());
    }
    if number.len() >= LONGEST {
        return Ok(None);
    }
    let mut allowed = bare;
    allowed.push(next);
    if !pointed && numbers.points {
        allowed.push(digits.point);
    }
    let Some(likeliest) = weighed(steps, ear, path, &allowed)?.into_iter().next() else { return Ok(None) };
    if likeliest.token == next {
        return Ok(None);
    }
    if likeliest.token == digits.point && next == ear.rules.end {
        let mut after = path.clone();
        after.push(&likeliest);
        let end = [&digits.bare[..], &[ear.rules.end]].concat();
        let ends = weighed(steps, ear, &after, &end)?.first().is_none_or(|w| w.token == ear.rules.end);
        return Ok(Some(likeliest).filter(|_| !ends));
    }
    Ok(Some(likeliest))
}

impl Path {
    fn push(&mut self, token: &Weighed) {
        self.tokens.push(token.token);
        self.scores.push(token.score);
    }
}

/// A token in its place.
struct Weighed {
    token: i32,
    /// Log probability by the sound alone, and the guidance of the language.
    score: f32,
    guidance: f32,
}

impl Weighed {
    fn merit(&self) -> f32 {
        self.score + self.guidance
    }
}

/// The likeliest few of `allowed`, the best first.
fn weighed(steps: &mut impl Steps, ear: &Ear, path: &Path, allowed: &[i32]) -> Result<Vec<Weighed>> {
    let mut probabilities = Vec::new();
    ear.model.next(&path.tokens, &mut probabilities);
    let logits = steps.after(&path.tokens)?;
    let logits = logits.get(..=ear.rules.end as usize).context("the engine's vocabulary is short")?;
    let guidance = |token: i32| {
        let share = probabilities.get(token as usize).copied().unwrap_or(0.0);
        ear.rules.weight * (FLOOR + share).ln()
    };
    let logit = |token: i32| logits.get(token as usize).copied().unwrap_or(f32::NEG_INFINITY);
    let mut best: Vec<(f32, i32)> = allowed.iter().map(|token| (logit(*token) + guidance(*token), *token)).collect();
    best.sort_by(|a, b| b.0.total_cmp(&a.0));
    best.truncate(BEGINNINGS);
    let weighed = best.into_iter().map(|(_, token)| Weighed {
        token,
        score: log_probability(logits, token as usize),
        guidance: guidance(token),
    });
    Ok(weighed.collect())
}

/// Takes the likeliest of `allowed`.
fn take(steps: &mut impl Steps, rules: &Rules, path: &mut Path, allowed: &[i32]) -> Result<()> {
    let logits = steps.after(&path.tokens)?;
    let logits = logits.get(..=rules.end as usize).context("the engine's vocabulary is short")?;
    let of = |token: &i32| logits.get(*token as usize).copied().unwrap_or(f32::NEG_INFINITY);
    let best = allowed.iter().copied().max_by(|a, b| of(a).total_cmp(&of(b))).unwrap_or(rules.end);
    path.push(&Weighed { token: best, score: log_probability(logits, best as usize), guidance: 0.0 });
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Holds its own tokens likeliest, in order, then the end, which is the next likeliest everywhere.
    struct Saying {
        tokens: Vec<i32>,
        logits: Vec<f32>,
        size: usize,
    }

    impl Steps for Saying {
        fn after(&mut self, tokens: &[i32]) -> Result<&[f32]> {
            self.logits = vec![0.0; self.size];
            self.logits[self.size - 1] = 4.0;
            if let Some(next) = self.tokens.get(tokens.len()) {
                self.logits[*next as usize] = 9.0;
            }
            Ok(&self.logits)
        }
    }

    fn vocabulary() -> Vec<Vec<u8>> {
        let mut all: Vec<Vec<u8>> = (0..=255u8).map(|b| vec![b]).collect();
        all.extend([" p", " pulse", " 9", " 98", " .", " weak"].map(|t| t.as_bytes().to_vec()));
        all
    }

    fn fill(said: &[&str], sentence: &str) -> Option<String> {
        fill_with(said, sentence, Numbers { digits: 3, points: true })
    }

    fn fill_with(said: &[&str], sentence: &str, numbers: Numbers) -> Option<String> {
        let vocabulary = vocabulary();
        let end = vocabulary.len() as i32;
        let id = |t: &&str| vocabulary.iter().rposition(|v| v == t.as_bytes()).map_or(end, |id| id as i32);
        let tokens: Vec<i32> = said.iter().map(id).chain([end]).collect();
        let mut steps = Saying { tokens, logits: Vec::new(), size: end as usize + 1 };
        let rules = Rules { end, unspoken: Vec::new(), weight: 0.6 };
        let digits = Digits::new(&vocabulary, end);
        let model = NGram::train(&vocabulary, end, std::iter::empty());
        let ear = Ear { rules: &rules, digits: &digits, bpe: &Bpe::new(&vocabulary), model: &model };
        let path = filled(&mut steps, &ear, sentence, numbers, -20.0).unwrap()?;
        Some(super::super::doubt::text_of(&vocabulary, &path.tokens))
    }

    #[test]
    fn a_hole_takes_the_number_that_was_said() {
        let said = |number: &[&'static str]| [&[" pulse"][..], number].concat();
        assert_eq!(fill(&said(&[" 98"]), "pulse #").as_deref(), Some(" pulse 98"));
        assert_eq!(fill(&said(&[" 98", ".", "6"]), "pulse #").as_deref(), Some(" pulse 98.6"));
        assert_eq!(fill(&said(&[" 98", "."]), "pulse #").as_deref(), Some(" pulse 98."));
        assert_eq!(fill(&said(&[" .", "4"]), "pulse #").as_deref(), Some(" pulse .4"));
    }

    #[test]
    fn a_hole_takes_no_number_that_nobody_says_there() {
        let said = [" pulse", " 98", ".", "6"];
        let whole = Numbers { digits: 3, points: false };
        assert_eq!(fill_with(&said, "pulse #", whole).as_deref(), Some(" pulse 98."));
        let one = Numbers { digits: 1, points: false };
        assert_eq!(fill_with(&said, "pulse #", one).as_deref(), Some(" pulse 9."));
    }

    #[test]
    fn a_sentence_that_was_not_said_is_given_up() {
        assert_eq!(fill(&[" weak", " weak", " weak", " weak", " weak", " weak", " weak"], "pulse #"), None);
    }
}
