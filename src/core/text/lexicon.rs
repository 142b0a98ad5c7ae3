//! How the words of a language are spelled, read from `grammars/<language>/spelling.toml`.
//!
//! Cutting a text into words is here ([`Lexicon::tokens`]), in four passes that each look at a bounded window: written
//! words, then phrases and letters put together, then abbreviations behind numbers, then what each word can count for.

use std::collections::{BTreeMap, HashMap, HashSet};

use serde::Deserialize;

use super::scan::{self, Piece};
use super::token::{Break, NumberWord, Token};
use crate::core::diagnostic::{Diagnostic, position};
use crate::core::limits;
use crate::core::source::Source;

/// The file as written.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct File {
    numbers: Numbers,
    time: Time,
    contractions: BTreeMap<String, String>,
    endings: BTreeMap<String, String>,
    units: BTreeMap<String, String>,
    words: BTreeMap<String, String>,
    letters: Letters,
    twins: Twins,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Twins {
    heard: BTreeMap<String, String>,
    digits: BTreeMap<String, u8>,
    digits_before: HashSet<String>,
    no_digits_before: HashSet<String>,
    opposites: Vec<(String, String)>,
    blurred: BTreeMap<String, HashSet<String>>,
    unpaused: HashSet<String>,
    lost_endings: Vec<String>,
    sought: Vec<String>,
    goes_on: HashSet<String>,
    unless_before: HashSet<String>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Numbers {
    digit: BTreeMap<String, u8>,
    oh: Vec<String>,
    teen: BTreeMap<String, u8>,
    tens: BTreeMap<String, u8>,
    hundred: Vec<String>,
    thousand: Vec<String>,
    point: Vec<String>,
    half: Vec<String>,
    quarter: Vec<String>,
    one_behind: HashSet<String>,
    one_before: HashSet<String>,
    point_behind: HashSet<String>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Time {
    units: BTreeMap<String, i64>,
    months: BTreeMap<String, u8>,
    about: Vec<String>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Letters {
    names: HashSet<String>,
    keep: HashSet<String>,
}

type Words = Vec<String>;

/// Spellings, contractions, abbreviations and number words of one language.
#[derive(Clone, Debug, Default)]
pub struct Lexicon {
    numbers: HashMap<String, NumberWord>,
    one_behind: HashSet<String>,
    one_before: HashSet<String>,
    point_behind: HashSet<String>,
    contractions: HashMap<String, Words>,
    endings: Vec<(String, String)>,
    units: HashMap<String, Words>,
    /// Phrases by their first word, longest first.
    phrases: HashMap<String, Vec<(Words, Words)>>,
    letters: HashSet<String>,
    /// Longest of `letters`, in bytes.
    longest_letters: usize,
    keep: HashSet<String>,
    /// Words that sound like their opposite, and what else they may have been.
    twins: Vec<(Words, String)>,
    no_twin_before: HashSet<String>,
    /// Words that sound like a digit, and which.
    digit_twins: BTreeMap<String, u8>,
    /// Words (a unit's) before which a word that sounds like a digit may be the last digit of the round number before it.
    digit_before: HashSet<String>,
    no_digit_before: HashSet<String>,
    /// Words whose opposite sounds nearly the same, both ways.
    opposites: HashMap<String, String>,
    /// First words behind which a comma may have been written where nobody paused.
    unpaused: HashSet<String>,
    /// Words whose opposite sounds the same behind one of these words; `#` stands for a number.
    blurred: BTreeMap<String, HashSet<String>>,
    /// Words that are easily lost at an utterance's end and change what it means.
    lost_endings: Vec<String>,
    /// Sentences that silence us.
    sought: Vec<String>,
    /// Words and marks that nobody ends with.
    goes_on: HashSet<String>,
}

impl Lexicon {
    /// Reads `spelling.toml`.
    ///
    /// # Errors
    /// An unknown key, a missing one or a wrong type, with its line and column; every number word out of its range and
    /// every empty spelling.
    pub fn parse(source: &Source) -> Result<Lexicon, Vec<Diagnostic>> {
        let file: File = toml::from_str(source.text).map_err(|e| {
            let (line, column) = e.span().map_or((0, 0), |span| position(source.text, span.start));
            vec![Diagnostic::error(source.path, line, column, e.message().to_string())]
        })?;
        let problems = file.problems(source);
        if problems.is_empty() { Ok(Lexicon::of(file)) } else { Err(problems) }
    }

    fn of(file: File) -> Lexicon {
        let words = |text: &str| text.split_whitespace().map(str::to_string).collect::<Words>();
        let table = |map: &BTreeMap<String, String>| map.iter().map(|(k, v)| (k.clone(), words(v))).collect();
        let mut phrases: HashMap<String, Vec<(Words, Words)>> = HashMap::new();
        for (from, to) in &file.words {
            let from = words(from);
            if let Some(first) = from.first() {
                phrases.entry(first.clone()).or_default().push((from, words(to)));
            }
        }
        for list in phrases.values_mut() {
            list.sort_by_key(|(from, _)| std::cmp::Reverse(from.len()));
        }
        // `n't` before `'t`-like shorter ones: the longest ending wins.
        let mut endings: Vec<_> = file.endings.clone().into_iter().collect();
        endings.sort_by_key(|(ending, _)| std::cmp::Reverse(ending.len()));
        Lexicon {
            numbers: file.number_words(),
            one_behind: file.numbers.one_behind.clone(),
            one_before: file.numbers.one_before.clone(),
            point_behind: file.numbers.point_behind.clone(),
            contractions: table(&file.contractions),
            endings,
            units: table(&file.units),
            phrases,
            longest_letters: file.letters.names.iter().map(String::len).max().unwrap_or(0),
            letters: file.letters.names,
            keep: file.letters.keep,
            twins: file.twins.heard.iter().map(|(from, to)| (words(from), to.clone())).collect(),
            no_twin_before: file.twins.unless_before,
            digit_twins: file.twins.digits,
            digit_before: file.twins.digits_before,
            no_digit_before: file.twins.no_digits_before,
            blurred: file.twins.blurred,
            unpaused: file.twins.unpaused,
            lost_endings: file.twins.lost_endings,
            sought: file.twins.sought,
            goes_on: file.twins.goes_on,
            opposites: file.twins.opposites.into_iter().flat_map(|(a, b)| [(a.clone(), b.clone()), (b, a)]).collect(),
        }
    }

    /// What else `text` may have been where its words sound like their opposite ("a regular" for "irregular"): the text
    /// once for each such place, with the twin in it.
    pub fn twins(&self, text: &str) -> Vec<String> {
        let tokens = self.tokens(text);
        let places = (0..tokens.len()).flat_map(|at| self.twins.iter().map(move |twin| (at, twin)));
        let opposites = places.filter_map(|(at, (from, to))| self.with_twin(text, tokens.get(at..)?, from, to));
        let hundreds = (0..tokens.len()).filter_map(|at| self.with_hundreds(text, tokens.get(at..)?));
        let last = (0..tokens.len()).filter_map(|at| self.with_last_digit(text, tokens.get(at..)?));
        let joined = (0..tokens.len()).filter_map(|at| with_hundreds_joined(text, tokens.get(at..)?));
        opposites.chain(hundreds).chain(last).chain(joined).collect()
    }

    /// The word that means the opposite of `word` (lower case) and sounds nearly the same: for the recogniser to weigh.
    pub fn opposite(&self, word: &str) -> Option<&str> {
        self.opposites.get(word).map(String::as_str)
    }

    /// `text` without the pause that the recogniser wrote behind its first word and that may not have been made: "No, chest
    /// pain" for "no chest pain".
    pub fn unpaused(&self, text: &str) -> Option<String> {
        let tokens = self.tokens(text);
        let first = tokens.first().filter(|first| self.unpaused.contains(&first.text))?;
        let (word, behind) = text.split_at_checked(first.span.end)?;
        behind.strip_prefix(',').map(|behind| format!("{word}{behind}"))
    }

    /// True if the sound cannot tell `word` from its opposite right behind `before`; both in lower case, `#` for a number.
    pub fn is_blurred(&self, word: &str, before: &str) -> bool {
        self.blurred.get(word).is_some_and(|words| words.contains(before))
    }

    /// Words that are easily lost at an utterance's end and change what it means: for the recogniser to weigh.
    pub fn lost_endings(&self) -> &[String] {
        &self.lost_endings
    }

    /// What silences us, as the recogniser writes it: sought in whatever sounds while we speak.
    pub fn sought(&self) -> &[String] {
        &self.sought
    }

    /// Whether more follows behind `text`: nobody ends with its last word or mark. The recogniser ends everything with a point.
    pub fn goes_on(&self, text: &str) -> bool {
        let text = text.trim_end_matches(|c: char| c == '.' || c.is_whitespace()).to_lowercase();
        let word = text.split_whitespace().next_back().unwrap_or("");
        let mark = word.trim_start_matches(char::is_alphanumeric);
        [word, mark].into_iter().any(|last| self.goes_on.contains(last))
    }

    /// "to 43" may have been "243": a word that sounds like a digit right before a number of two digits.
    fn with_hundreds(&self, text: &str, tokens: &[Token]) -> Option<String> {
        let [word, number, behind @ ..] = tokens else { return None };
        if behind.first().is_some_and(|next| self.no_digit_before.contains(&next.text)) {
            return None;
        }
        let digit = self.digit_twins.get(&word.text)?;
        let Some(NumberWord::Written { digits: 2, .. }) = number.number else { return None };
        let (before, after) = (text.get(..word.span.start)?, text.get(number.span.start..)?);
        (word.after == Break::None).then(|| format!("{before}{digit}{after}"))
    }

    /// "320 for milligrams" may have been "324 milligrams": a word that sounds like a digit between a round number and a unit.
    fn with_last_digit(&self, text: &str, tokens: &[Token]) -> Option<String> {
        let [number, word, unit, ..] = tokens else { return None };
        let digit = i64::from(*self.digit_twins.get(&word.text)?);
        let round = match number.number? {
            NumberWord::Written { value, digits } if digits > 1 => value.as_int().filter(|value| value % 10 == 0)?,
            NumberWord::Tens(tens) => i64::from(tens),
            _ => return None,
        };
        let (before, after) = (text.get(..number.span.start)?, text.get(word.span.end..)?);
        self.digit_before.contains(&unit.text).then(|| format!("{before}{}{after}", round + digit))
    }

    fn with_twin(&self, text: &str, tokens: &[Token], from: &Words, to: &str) -> Option<String> {
        let (here, behind) = tokens.split_at_checked(from.len())?;
        let same = here.iter().zip(from).all(|(token, word)| token.text == *word);
        let harmless = behind.first().is_some_and(|next| self.no_twin_before.contains(&next.text));
        let (first, last) = (here.first()?, here.last()?);
        let (before, after) = (text.get(..first.span.start)?, text.get(last.span.end..)?);
        // A pause that the recogniser wrote as a comma would keep the twin apart from what it belongs to ("80, for over").
        let before = before.trim_end().trim_end_matches(',');
        (same && !harmless).then(|| format!("{before} {to}{after}"))
    }

    /// The words of `text`, at most [`limits::WORDS`] of them.
    pub fn tokens(&self, text: &str) -> Vec<Token> {
        let mut tokens = Vec::new();
        for piece in scan::pieces(text) {
            if tokens.len() >= limits::WORDS {
                break;
            }
            self.spell(piece, &mut tokens);
        }
        let mut tokens = self.put_together(tokens);
        self.unabbreviate(&mut tokens);
        tokens.truncate(limits::WORDS);
        self.count(&mut tokens);
        tokens
    }

    /// One written word as the tokens it stands for.
    fn spell(&self, piece: Piece, tokens: &mut Vec<Token>) {
        let Piece { text, span, after, digits } = piece;
        if let Some((value, digits)) = digits {
            let number = Some(NumberWord::Written { value, digits });
            tokens.push(Token { text, span, after, number });
            return;
        }
        if let Some(words) = self.contractions.get(&text) {
            push_words(tokens, words.iter().map(String::as_str), span, after);
            return;
        }
        for (ending, word) in &self.endings {
            let Some(stem) = text.strip_suffix(ending.as_str()).filter(|stem| !stem.is_empty()) else { continue };
            // Lower case may be longer or shorter than what was written, and a printer's apostrophe is longer: only plain
            // letters can be cut at a byte.
            let plain = stem.bytes().all(|b| b.is_ascii_alphanumeric());
            let cut = if plain { span.start + stem.len() } else { span.end };
            let ending = if plain { cut..span.end } else { span.clone() };
            tokens.push(Token { text: stem.into(), span: span.start..cut, after: Break::None, number: None });
            tokens.push(Token { text: word.clone(), span: ending, after, number: None });
            return;
        }
        let bare = text.replace('\'', "");
        if self.keep.contains(&bare) || !bare.bytes().any(|b| b.is_ascii_digit()) {
            if !bare.is_empty() {
                tokens.push(Token { text: bare, span, after, number: None });
            }
            return;
        }
        scan::split_digits(&bare, span, after, tokens);
    }

    /// Phrases replaced and letters joined, longest first, left to right.
    fn put_together(&self, tokens: Vec<Token>) -> Vec<Token> {
        let mut out = Vec::with_capacity(tokens.len());
        let mut at = 0;
        while let Some(token) = tokens.get(at) {
            if let Some((length, name)) = self.letters_at(&tokens, at) {
                let (span, after) = extent(&tokens, at, length);
                out.push(Token { text: name, span, after, number: None });
                at += length;
                // A name put together may itself be a spelling of something: `S P O 2`, `A A O`.
                if let Some(last) = out.pop() {
                    self.respell(last, &mut out);
                }
            } else if let Some((length, words)) = self.phrase_at(&tokens, at) {
                let (span, after) = extent(&tokens, at, length);
                push_words(&mut out, words.iter().map(String::as_str), span, after);
                at += length;
            } else {
                out.push(token.clone());
                at += 1;
            }
        }
        out
    }

    fn respell(&self, token: Token, out: &mut Vec<Token>) {
        match self.phrase_at(std::slice::from_ref(&token), 0) {
            Some((_, words)) => push_words(out, words.iter().map(String::as_str), token.span, token.after),
            None => out.push(token),
        }
    }

    fn phrase_at(&self, tokens: &[Token], at: usize) -> Option<(usize, &Words)> {
        let list = self.phrases.get(&tokens.get(at)?.text)?;
        let (from, to) = list.iter().find(|(from, _)| {
            from.iter().enumerate().all(|(i, word)| {
                tokens.get(at + i).is_some_and(|t| t.text == *word && (i + 1 == from.len() || t.runs_on()))
            })
        })?;
        Some((from.len(), to))
    }

    /// A run of two or more short pieces that spells one of the letter names: `s p o 2`, `j v d`.
    fn letters_at(&self, tokens: &[Token], at: usize) -> Option<(usize, String)> {
        // `one oh two`: behind a number, letters that look like digits are digits.
        let behind_number = at.checked_sub(1).and_then(|i| tokens.get(i)).is_some_and(|t| self.is_number(t));
        let mut name = String::new();
        let mut best = None;
        for (length, token) in tokens.iter().enumerate().skip(at).map(|(i, t)| (i + 1 - at, t)) {
            let piece = match self.numbers.get(&token.text) {
                Some(NumberWord::Digit(d)) => d.to_string(),
                Some(NumberWord::Oh) => "o".to_string(),
                // Single letters only: `as a` is no `asa`, `at v` no `atv`.
                _ if token.text.chars().count() == 1 => token.text.clone(),
                _ => break,
            };
            let begins = length > 1 || piece.bytes().all(|b| b.is_ascii_lowercase());
            if !begins || (length == 1 && behind_number && self.is_number(token)) {
                return None;
            }
            name.push_str(&piece);
            if name.len() > self.longest_letters {
                break;
            }
            if length > 1 && self.letters.contains(&name) {
                best = Some((length, name.clone()));
            }
            if !token.runs_on() {
                break;
            }
        }
        best
    }

    fn is_number(&self, token: &Token) -> bool {
        token.number.is_some() || matches!(self.numbers.get(&token.text), Some(n) if n.counts())
    }

    /// `4 mg` is 4 milligrams; `x3` is times 3.
    fn unabbreviate(&self, tokens: &mut Vec<Token>) {
        let mut out: Vec<Token> = Vec::with_capacity(tokens.len());
        for (at, token) in tokens.iter().enumerate() {
            let behind_number = out.last().is_some_and(|last| last.after <= Break::Joined && self.is_number(last));
            let before_number = tokens.get(at + 1).is_some_and(|next| self.is_number(next)) && token.runs_on();
            match self.units.get(&token.text) {
                Some(words) if behind_number => {
                    push_words(&mut out, words.iter().map(String::as_str), token.span.clone(), token.after);
                }
                _ if token.text == "x" && before_number => {
                    push_words(&mut out, ["times"].into_iter(), token.span.clone(), token.after);
                }
                _ => out.push(token.clone()),
            }
        }
        *tokens = out;
    }

    /// Marks what each token can count for.
    fn count(&self, tokens: &mut [Token]) {
        for at in 0..tokens.len() {
            let behind = at.checked_sub(1).and_then(|i| tokens.get(i)).filter(|t| t.runs_on()).map(|t| t.text.clone());
            let before = tokens.get(at + 1).map(|t| t.text.clone());
            let Some(token) = tokens.get_mut(at) else { return };
            if token.number.is_some() {
                continue;
            }
            let word = self.numbers.get(&token.text).copied();
            token.number = match word {
                Some(NumberWord::Point) if behind.as_ref().is_some_and(|b| self.point_behind.contains(b)) => None,
                // A lone "one" is a person or a thing; "the one eighteen" is still a number.
                Some(NumberWord::Digit(1)) if self.is_pronoun(behind.as_deref(), before.as_deref(), token) => None,
                other => other,
            };
        }
    }

    fn is_pronoun(&self, behind: Option<&str>, before: Option<&str>, token: &Token) -> bool {
        let goes_on = before.filter(|_| token.runs_on()).and_then(|word| self.numbers.get(word));
        if goes_on.is_some_and(|number| number.counts() || matches!(number, NumberWord::Point)) {
            return false;
        }
        behind.is_some_and(|word| self.one_behind.contains(word))
            || before.filter(|_| token.runs_on()).is_some_and(|word| self.one_before.contains(word))
    }
}

/// Span and break of `length` tokens from `at` taken as one.
fn extent(tokens: &[Token], at: usize, length: usize) -> (std::ops::Range<usize>, Break) {
    let start = tokens.get(at).map_or(0, |t| t.span.start);
    tokens.get(at + length - 1).map_or((start..start, Break::None), |last| (start..last.span.end, last.after))
}

fn push_words<'a>(
    tokens: &mut Vec<Token>,
    words: impl Iterator<Item = &'a str>,
    span: std::ops::Range<usize>,
    after: Break,
) {
    let first = tokens.len();
    tokens.extend(words.map(|word| {
        let number = word.parse().ok().map(|value| NumberWord::Written { value, digits: word.len() as u8 });
        Token { text: word.to_string(), span: span.clone(), after: Break::None, number }
    }));
    if tokens.len() > first
        && let Some(last) = tokens.last_mut()
    {
        last.after = after;
    }
}

impl File {
    fn number_words(&self) -> HashMap<String, NumberWord> {
        let mut words = HashMap::new();
        let mut add = |list: &[String], number: NumberWord| {
            words.extend(list.iter().map(|word| (word.clone(), number)));
        };
        add(&self.numbers.oh, NumberWord::Oh);
        add(&self.numbers.hundred, NumberWord::Hundred);
        add(&self.numbers.thousand, NumberWord::Thousand);
        add(&self.numbers.point, NumberWord::Point);
        add(&self.numbers.half, NumberWord::Half);
        add(&self.numbers.quarter, NumberWord::Quarter);
        add(&self.time.about, NumberWord::About);
        words.extend(self.numbers.digit.iter().map(|(word, d)| (word.clone(), NumberWord::Digit(*d))));
        words.extend(self.numbers.teen.iter().map(|(word, d)| (word.clone(), NumberWord::Teen(*d))));
        words.extend(self.numbers.tens.iter().map(|(word, d)| (word.clone(), NumberWord::Tens(*d))));
        words.extend(self.time.units.iter().map(|(word, s)| (word.clone(), NumberWord::Seconds(*s))));
        words.extend(self.time.months.iter().map(|(word, m)| (word.clone(), NumberWord::Month(*m))));
        words
    }

    fn problems(&self, source: &Source) -> Vec<Diagnostic> {
        let mut problems = Vec::new();
        let mut complain = |word: &str, message: String| {
            let (line, column) = source.text.find(word).map_or((0, 0), |at| position(source.text, at));
            problems.push(Diagnostic::error(source.path, line, column, message));
        };
        let numbers = &self.numbers;
        for (word, value) in numbers.digit.iter().filter(|(_, v)| **v > 9) {
            complain(word, format!("`{word}` = {value} is no digit (0 to 9)"));
        }
        for (word, value) in numbers.teen.iter().filter(|(_, v)| !(10..20).contains(*v)) {
            complain(word, format!("`{word}` = {value} is not within 10 to 19"));
        }
        for (word, value) in numbers.tens.iter().filter(|(_, v)| **v % 10 != 0 || !(20..=90).contains(*v)) {
            complain(word, format!("`{word}` = {value} is none of 20, 30, ... 90"));
        }
        for (word, value) in self.time.units.iter().filter(|(_, v)| **v <= 0) {
            complain(word, format!("`{word}` = {value} is not a number of seconds above 0"));
        }
        for (word, value) in self.time.months.iter().filter(|(_, v)| !(1..=12).contains(*v)) {
            complain(word, format!("`{word}` = {value} is no month (1 to 12)"));
        }
        for map in [&self.contractions, &self.endings, &self.units, &self.words] {
            for (from, to) in map.iter().filter(|(from, to)| from.trim().is_empty() || to.trim().is_empty()) {
                complain(from, format!("`{from}` = `{to}`: neither side may be empty"));
            }
        }
        problems
    }
}
/// "Sixteen hundred" is at times written "16, 100".
fn with_hundreds_joined(text: &str, tokens: &[Token]) -> Option<String> {
    let [tens, hundred, ..] = tokens else { return None };
    let NumberWord::Written { value: tens_value, digits: 2 } = tens.number? else { return None };
    let NumberWord::Written { value: hundred_value, digits: 3 } = hundred.number? else { return None };
    let tens_value = tens_value.as_int().filter(|_| hundred_value.as_int() == Some(100))?;
    let (before, after) = (text.get(..tens.span.start)?, text.get(hundred.span.end..)?);
    Some(format!("{before}{}{after}", tens_value * 100))
}
