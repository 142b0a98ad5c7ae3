//! How sure each number is, from its rivals at its own place: teens and tens, a point dropped, and what the engine
//! itself held possible there. Each rival is put in the number's place and scored by the sound alone.

use std::collections::BTreeMap;

use anyhow::Result;

use super::decode::{self, Rules, Steps};
use super::language::bpe::Bpe;
use crate::core::number_words;

/// Tokens after the number that are scored with it: a wrong number makes its surroundings unlikely too.
const LOOKAHEAD: usize = 3;
/// Numbers that the engine held possible, at most, beside the built-in rivals.
const MOST_OF_ENGINE: usize = 4;
/// Below this probability a rival is not worth a question.
const LEAST: f64 = 0.06;
/// The same for a rival that sounds alike: the ear is fooled more easily than the engine knows.
const LEAST_ALIKE: f64 = 0.03;
/// A number so much less likely than another is given up: well below what is worth a question.
const HOPELESS: f32 = 0.01;

/// A number in a decoding.
#[derive(Clone, Debug, PartialEq)]
pub struct Number {
    /// Its tokens: `from..to` of the path.
    pub from: usize,
    pub to: usize,
    /// As written, without a space: `118`, `0.4`, `four`.
    pub text: String,
    pub probability: f64,
    /// True when `text` is not what the decoding wrote.
    pub settled: bool,
    /// Other numbers, likeliest first.
    pub rivals: Vec<(String, f64)>,
}

/// The numbers of a decoding and how sure each is.
///
/// # Errors
/// The engine fails.
pub fn numbers(
    steps: &mut impl Steps,
    rules: &Rules,
    vocabulary: &[Vec<u8>],
    bpe: &Bpe,
    tokens: &[i32],
) -> Result<Vec<Number>> {
    let mut found = spans(vocabulary, tokens);
    for number in &mut found {
        weigh(steps, rules, vocabulary, bpe, tokens, number)?;
    }
    Ok(found)
}

fn weigh(
    steps: &mut impl Steps,
    rules: &Rules,
    vocabulary: &[Vec<u8>],
    bpe: &Bpe,
    tokens: &[i32],
    number: &mut Number,
) -> Result<()> {
    let spaced = text_of(vocabulary, &tokens[number.from..number.from + 1]).starts_with(' ');
    let mut candidates: Vec<String> = vec![number.text.clone()];
    for rival in sound_alikes(&number.text) {
        push_new(&mut candidates, rival);
    }
    for rival in of_engine(steps, rules, vocabulary, tokens, number)? {
        push_new(&mut candidates, rival);
    }
    let after = &tokens[number.to..(number.to + LOOKAHEAD).min(tokens.len())];
    let mut shares: BTreeMap<String, f64> = BTreeMap::new();
    let mut likeliest = f32::NEG_INFINITY;
    for candidate in &candidates {
        let written = if spaced { format!(" {candidate}") } else { candidate.clone() };
        let mut whole = tokens[..number.from].to_vec();
        whole.extend(bpe.encode(&written));
        whole.extend(after);
        if number.to + LOOKAHEAD >= tokens.len() {
            whole.push(rules.end);
        }
        let bound = likeliest + HOPELESS.ln();
        let Some(sum) = decode::sum_above(steps, rules, &whole, number.from, bound)? else { continue };
        likeliest = likeliest.max(sum);
        *shares.entry(value_of(candidate)).or_default() += f64::from(sum).exp();
    }
    let total: f64 = shares.values().sum();
    let own = value_of(&number.text);
    number.probability = if total > 0.0 { shares.get(&own).copied().unwrap_or(0.0) / total } else { 0.0 };
    settle(number, &shares, total);
    let own = value_of(&number.text);
    let mut rivals: Vec<(String, f64)> =
        shares.into_iter().filter(|(value, _)| *value != own).map(|(value, share)| (value, share / total)).collect();
    let alikes: Vec<String> = sound_alikes(&number.text).iter().map(|a| value_of(a)).collect();
    rivals.retain(|(value, p)| *p >= if alikes.contains(value) { LEAST_ALIKE } else { LEAST });
    rivals.sort_by(|a, b| b.1.total_cmp(&a.1));
    rivals.truncate(MOST_OF_ENGINE);
    number.rivals = rivals;
    Ok(())
}

/// Guidance may prefer one form of number over another (3.4 for 314): where the sound alone holds a rival likelier,
/// the rival is what was heard, and the number its rival.
fn settle(number: &mut Number, shares: &BTreeMap<String, f64>, total: f64) {
    let best = shares.iter().max_by(|a, b| a.1.total_cmp(b.1)).map(|(value, share)| (value.clone(), share / total));
    if let Some((value, probability)) = best.filter(|(_, p)| *p > number.probability) {
        number.text = value;
        number.probability = probability;
        number.settled = true;
    }
}

fn push_new(list: &mut Vec<String>, item: String) {
    if !list.contains(&item) {
        list.push(item);
    }
}

/// Numbers that the engine held most likely at the number's first token.
fn of_engine(
    steps: &mut impl Steps,
    rules: &Rules,
    vocabulary: &[Vec<u8>],
    tokens: &[i32],
    number: &Number,
) -> Result<Vec<String>> {
    let first = tokens[number.from];
    let logits = steps.after(&tokens[..number.from])?;
    let end = (rules.end as usize).min(vocabulary.len()).min(logits.len());
    let mine = logits.get(first as usize).copied().unwrap_or(f32::NEG_INFINITY);
    let mut likely: Vec<(f32, String)> = (0..end)
        .filter(|id| *id as i32 != first && logits[*id] > mine - 5.0)
        .filter_map(|id| Some((logits[id], number_text(&vocabulary[id])?)))
        .collect();
    likely.sort_by(|a, b| b.0.total_cmp(&a.0));
    // A number of several tokens (`0.4`) has rivals at its first token that keep its tail.
    let tail = text_of(vocabulary, &tokens[number.from + 1..number.to]);
    let whole = likely.into_iter().take(MOST_OF_ENGINE).flat_map(|(_, text)| {
        let with_tail = (!tail.is_empty()).then(|| format!("{text}{tail}"));
        [Some(text), with_tail].into_iter().flatten()
    });
    Ok(whole.collect())
}

/// The token's text if it can begin a number.
fn number_text(bytes: &[u8]) -> Option<String> {
    let text = std::str::from_utf8(bytes).ok()?.trim_start();
    let digits = !text.is_empty() && text.len() <= 4 && text.chars().all(|c| c.is_ascii_digit());
    (digits || number_words::value(&text.to_ascii_lowercase()).is_some()).then(|| text.to_string())
}

/// The values of a decoding's numbers, in order.
pub fn values(vocabulary: &[Vec<u8>], tokens: &[i32]) -> Vec<String> {
    spans(vocabulary, tokens).iter().map(|n| value_of(&n.text)).collect()
}

/// One spelling a value, so that `four` and `4` are not rivals of each other.
fn value_of(text: &str) -> String {
    let lower = text.to_ascii_lowercase();
    if let Some(n) = number_words::value(&lower) {
        return n.to_string();
    }
    let bare = lower.trim_start_matches('0');
    match bare.strip_prefix('.') {
        Some(rest) => format!("0.{rest}"),
        None if bare.is_empty() => "0".into(),
        None => bare.to_string(),
    }
}

/// What is easily taken for a number: 15 and 50, 115 and 150, 0.4 and 4, 1 18 and 118.
fn sound_alikes(text: &str) -> Vec<String> {
    let value = value_of(text);
    let mut alikes = Vec::new();
    if let Some((whole, fraction)) = value.split_once('.') {
        alikes.push(if whole == "0" { fraction.to_string() } else { format!("{whole}{fraction}") });
        return alikes;
    }
    let Ok(number) = value.parse::<u32>() else { return alikes };
    let (hundreds, rest) = (number / 100 * 100, number % 100);
    match rest {
        13..=19 => alikes.push((hundreds + (rest - 10) * 10).to_string()),
        30 | 40 | 50 | 60 | 70 | 80 | 90 => alikes.push((hundreds + rest / 10 + 10).to_string()),
        _ => {}
    }
    // "three ninety" written as 39.
    if (21..100).contains(&number) && number % 10 > 1 {
        alikes.push((number * 10).to_string());
    }
    if number < 10 && number > 0 {
        alikes.push(format!("0.{number}"));
    }
    alikes
}

/// Runs of tokens that write one number: digits, with a point between; or one number word.
fn spans(vocabulary: &[Vec<u8>], tokens: &[i32]) -> Vec<Number> {
    let texts: Vec<String> = tokens.iter().map(|t| text_of(vocabulary, &[*t])).collect();
    let digits = |i: usize| texts.get(i).is_some_and(|t| is_digits(t.trim_start()));
    let glued = |i: usize| texts.get(i).is_some_and(|t| !t.starts_with(' '));
    let mut found = Vec::new();
    let mut at = 0;
    while at < texts.len() {
        // ` .4`, and the `.4` that the engine glued to the word before (`nitroglycerin.4`).
        let glued_to_word = at > 0 && texts[at - 1].ends_with(|c: char| c.is_alphabetic());
        let point = texts[at].trim_start() == "." && (texts[at].starts_with(' ') || glued_to_word);
        let word = number_words::value(&texts[at].trim_start().to_ascii_lowercase()).is_some();
        if !(digits(at) || word || point && digits(at + 1) && glued(at + 1)) {
            at += 1;
            continue;
        }
        let mut to = at + 1;
        while !word && glued(to) && (digits(to) || texts[to] == "." && digits(to + 1) && glued(to + 1)) {
            to += 1;
        }
        let text = texts[at..to].concat().trim_start().to_string();
        found.push(Number { from: at, to, text, probability: 1.0, settled: false, rivals: Vec::new() });
        at = to;
    }
    found
}

fn is_digits(text: &str) -> bool {
    !text.is_empty() && text.chars().all(|c| c.is_ascii_digit())
}

/// The text of tokens, as written.
pub fn text_of(vocabulary: &[Vec<u8>], tokens: &[i32]) -> String {
    let bytes: Vec<u8> = tokens.iter().filter_map(|t| vocabulary.get(*t as usize)).flatten().copied().collect();
    String::from_utf8_lossy(&bytes).into_owned()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn teens_tens_and_points_are_rivals() {
        assert_eq!(sound_alikes("15"), ["50"]);
        assert_eq!(sound_alikes("180"), ["118"]);
        assert_eq!(sound_alikes("four"), ["0.4"]);
        assert_eq!(sound_alikes(".4"), ["4"]);
        assert_eq!(sound_alikes("98.6"), ["986"]);
        assert_eq!(sound_alikes("39"), ["390"]);
        assert!(sound_alikes("161").is_empty());
    }

    #[test]
    fn spellings_of_one_value_are_one() {
        assert_eq!(value_of("Fifteen"), "15");
        assert_eq!(value_of("ninety"), "90");
        assert_eq!(value_of(".4"), "0.4");
        assert_eq!(value_of("05"), "5");
        assert_eq!(value_of("0"), "0");
    }

    #[test]
    fn numbers_are_found_in_tokens() {
        let vocabulary: Vec<Vec<u8>> =
            [" 94", "/", "62", " 0", ".", "4", " four", " .", " mg"].iter().map(|t| t.as_bytes().to_vec()).collect();
        let texts = |tokens: &[i32]| spans(&vocabulary, tokens).into_iter().map(|n| n.text).collect::<Vec<_>>();
        assert_eq!(texts(&[0, 1, 2]), ["94", "62"]);
        assert_eq!(texts(&[3, 4, 5, 8]), ["0.4"]);
        assert_eq!(texts(&[7, 5, 8, 6, 4]), [".4", "four"]);
    }
}
