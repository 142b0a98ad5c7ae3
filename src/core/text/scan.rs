//! Cutting a text into written words: where one ends, what stands between, which are digits.

use std::ops::Range;

use super::token::{Break, NumberWord, Token};
use crate::core::decimal::Decimal;
use crate::core::limits;

/// One written word, lower case, straight apostrophes.
#[derive(Debug, PartialEq)]
pub struct Piece {
    pub text: String,
    pub span: Range<usize>,
    pub after: Break,
    /// Set when it is written in digits alone: the value and the digits before the point.
    pub digits: Option<(Decimal, u8)>,
}

/// Signs that are read as a word.
fn spoken_sign(c: char) -> Option<&'static str> {
    Some(match c {
        '%' => "percent",
        '&' => "and",
        '°' => "degrees",
        '+' => "plus",
        '<' => "under",
        '>' => "over",
        '≤' => "under",
        '≥' => "over",
        '~' | '≈' => "about",
        '×' => "x",
        '½' => "half",
        '¼' => "quarter",
        '=' => "equals",
        _ => return None,
    })
}

fn is_apostrophe(c: char) -> bool {
    matches!(c, '\'' | '\u{2019}' | '\u{2018}' | '\u{02bc}' | '\u{00b4}' | '`' | '\u{ff07}')
}

fn is_hyphen(c: char) -> bool {
    matches!(c, '-' | '\u{2010}' | '\u{2011}' | '\u{2212}')
}

struct Scanner<'a> {
    text: &'a str,
    at: usize,
    pieces: Vec<Piece>,
}

/// The written words of `text` in order, at most [`limits::WORDS`].
pub fn pieces(text: &str) -> Vec<Piece> {
    let mut scanner = Scanner { text, at: 0, pieces: Vec::new() };
    while scanner.pieces.len() < limits::WORDS {
        let Some(c) = scanner.peek() else { break };
        scanner.step(c);
    }
    scanner.pieces
}

impl Scanner<'_> {
    fn rest(&self) -> &str {
        self.text.get(self.at..).unwrap_or("")
    }

    fn peek(&self) -> Option<char> {
        self.rest().chars().next()
    }

    fn peek_second(&self) -> Option<char> {
        self.rest().chars().nth(1)
    }

    fn previous(&self) -> Option<char> {
        self.text.get(..self.at).and_then(|before| before.chars().next_back())
    }

    fn step(&mut self, c: char) {
        let next_is_digit = self.peek_second().is_some_and(|c| c.is_ascii_digit());
        let touches_digit = self.previous().is_some_and(|c| c.is_ascii_digit());
        if c.is_ascii_digit() || (c == '.' && next_is_digit && !self.inside_dotted()) {
            self.number();
        } else if let Some(sign) = spoken_sign(c) {
            self.push(sign.into(), c.len_utf8(), None);
        } else if c.is_alphanumeric() || (is_apostrophe(c) && self.peek_second().is_some_and(char::is_alphabetic)) {
            self.word();
        } else if c == '/' && (touches_digit && next_is_digit || self.between_digits()) {
            self.mark(Break::Slash);
            self.push("over".into(), 1, None);
            self.mark(Break::Slash);
        } else {
            let found = self.separator(c);
            self.mark(found);
            self.at += c.len_utf8();
        }
    }

    /// `168 / 94`: digits on both sides, spaces aside.
    fn between_digits(&self) -> bool {
        let digit = |c: Option<char>| c.is_some_and(|c| c.is_ascii_digit());
        let before = self.text.get(..self.at).unwrap_or_default().trim_end_matches(' ');
        let behind = self.text.get(self.at + 1..).unwrap_or_default().trim_start_matches(' ');
        digit(before.chars().next_back()) && digit(behind.chars().next())
    }

    /// `S.P.O.2`: the point belongs to a letter, not to the 2.
    fn inside_dotted(&self) -> bool {
        self.previous().is_some_and(char::is_alphabetic)
    }

    fn separator(&self, c: char) -> Break {
        let next = self.peek_second();
        let touches = self.previous().is_some_and(char::is_alphanumeric) && next.is_some_and(char::is_alphanumeric);
        match c {
            '?' => Break::Question,
            '!' | '\n' => Break::Stop,
            '.' if touches || self.previous() == Some('.') || next == Some('.') => {
                if touches {
                    Break::Joined
                } else {
                    Break::Comma
                }
            }
            '.' if self.ends_dotted() => Break::None,
            '.' => Break::Stop,
            ':' if touches => Break::Colon,
            ',' if touches && self.splits_a_number() => Break::Joined,
            ',' | ';' | '(' | ')' | '[' | ']' | '…' | '—' | '–' => Break::Comma,
            _ if is_hyphen(c) && touches => Break::Joined,
            // A dash between spaces, or two of them.
            _ if is_hyphen(c) => Break::Comma,
            _ => Break::None,
        }
    }

    /// `p.m.`: the last full stop of a dotted abbreviation ends no sentence.
    fn ends_dotted(&self) -> bool {
        let mut before = self.text.get(..self.at).unwrap_or("").chars().rev();
        before.next().is_some_and(char::is_alphabetic) && before.next() == Some('.')
    }

    /// `1,18`: a recogniser's comma inside a number said in groups.
    fn splits_a_number(&self) -> bool {
        let before = self.text.get(..self.at).unwrap_or("").chars().rev();
        let after = self.rest().chars().skip(1);
        before.take_while(char::is_ascii_digit).count() == 1 && after.take_while(char::is_ascii_digit).count() == 2
    }

    /// Strengthens the break behind the last piece.
    fn mark(&mut self, found: Break) {
        if let Some(last) = self.pieces.last_mut() {
            last.after = last.after.max(found);
        }
    }

    fn push(&mut self, text: String, bytes: usize, digits: Option<(Decimal, u8)>) {
        // Written against the last piece without a space or a sign: `10L`, `95%`.
        if let Some(last) = self.pieces.last_mut()
            && last.span.end == self.at
            && last.after == Break::None
        {
            last.after = Break::Joined;
        }
        self.pieces.push(Piece { text, span: self.at..self.at + bytes, after: Break::None, digits });
        self.at += bytes;
    }

    fn number(&mut self) {
        let rest = self.rest();
        let (length, plain) = number_extent(rest);
        let written = rest.get(..length).unwrap_or("");
        let before_point = written.split('.').next().unwrap_or("");
        let digits = before_point.bytes().filter(u8::is_ascii_digit).count().min(250) as u8;
        let follows = rest.get(length..).and_then(|r| r.chars().next());
        // `1st`, `10L`, `e4v5`: letters behind digits are cut apart later; ordinals and decades are words.
        if plain && follows.is_some_and(|c| c.is_alphabetic()) && is_word_of_digits(rest) {
            return self.word();
        }
        match written.replace(',', "").parse() {
            Ok(value) => self.push(written.replace(',', ""), length, Some((value, digits))),
            // Too long to be a value: a word like any other.
            Err(_) => self.push(written.to_lowercase(), length, None),
        }
    }

    fn word(&mut self) {
        let mut text = String::new();
        let mut bytes = 0;
        let mut chars = self.rest().chars().peekable();
        while let Some(c) = chars.next() {
            let inside = (c.is_alphanumeric() && spoken_sign(c).is_none())
                || (is_apostrophe(c) && (bytes == 0 || chars.peek().is_some_and(|next| next.is_alphabetic())))
                // `w/ nitro`, `c/o pain`, `a/o`: letters that a slash belongs to.
                || (c == '/' && text.len() == 1 && chars.peek().is_none_or(|n| n.is_whitespace() || n.is_alphabetic()));
            if !inside || bytes > limits::WORD_BYTES {
                break;
            }
            bytes += c.len_utf8();
            if is_apostrophe(c) {
                text.push('\'');
            } else {
                text.extend(c.to_lowercase());
            }
        }
        self.push(text, bytes.max(1), None);
        // A plural's apostrophe (`patients'`) is no separator.
        if self.peek().is_some_and(is_apostrophe) {
            self.at += self.peek().map_or(0, char::len_utf8);
        }
    }
}

/// Bytes of the number at the start of `text`, and whether it is digits alone (no point, no thousands comma).
fn number_extent(text: &str) -> (usize, bool) {
    let bytes = text.as_bytes();
    let run = |from: usize| bytes.iter().skip(from).take_while(|b| b.is_ascii_digit()).count();
    let whole = run(0);
    let mut end = whole;
    while bytes.get(end) == Some(&b',') && (1..=2).contains(&whole) && run(end + 1) == 3 {
        end += 4;
    }
    if bytes.get(end) == Some(&b'.') && run(end + 1) > 0 {
        return (end + 1 + run(end + 1), false);
    }
    (end, end == whole)
}

/// `1st`, `2nd`, `80s`: digits that make a word, not a count.
fn is_word_of_digits(text: &str) -> bool {
    let word: String = text.chars().take_while(|c| c.is_alphanumeric()).take(12).collect::<String>().to_lowercase();
    let digits = word.bytes().take_while(u8::is_ascii_digit).count();
    let tail = word.get(digits..).unwrap_or("");
    matches!(tail, "st" | "nd" | "rd" | "th") || (tail == "s" && digits > 1)
}

/// Cuts `e4v5m6` or `x3` into letters and digits; `1st` and `80s` stay whole.
pub fn split_digits(word: &str, span: Range<usize>, after: Break, tokens: &mut Vec<Token>) {
    if is_word_of_digits(word) {
        tokens.push(Token { text: word.into(), span, after, number: None });
        return;
    }
    // Lower case may be longer or shorter than what was written: only plain letters can be cut at a byte.
    let cuttable = word.is_ascii() && word.len() == span.len();
    let mut rest = word;
    let mut start = span.start;
    while let Some(first) = rest.chars().next() {
        let digit = first.is_ascii_digit();
        let length = rest.find(|c: char| c.is_ascii_digit() != digit).unwrap_or(rest.len());
        let (part, tail) = rest.split_at(length);
        let number = digit
            .then(|| part.parse().ok())
            .flatten()
            .map(|value| NumberWord::Written { value, digits: length.min(250) as u8 });
        let place = if cuttable { start..start + length } else { span.clone() };
        let after = if tail.is_empty() { after } else { Break::Joined };
        start = place.end;
        tokens.push(Token { text: part.into(), span: place, after, number });
        rest = tail;
    }
}
