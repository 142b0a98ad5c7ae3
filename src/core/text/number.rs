//! Every reading of a number that begins at a token.
//!
//! English number words have few rules and many habits: people at a patient's side say 118 as "one eighteen", "one one
//! eight", "a hundred and eighteen", and a recogniser writes any of them half in digits. Each habit is one function
//! below; all of them look at no more than [`limits::NUMBER_TOKENS`] tokens.

use super::token::{Break, NumberWord, Token};
use crate::core::decimal::Decimal;
use crate::core::limits;

/// How a number was put together: a slot states which forms it takes.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Form {
    /// The number as counted or written: `one hundred and eighteen`, `fourteen hundred`, `118`.
    Cardinal,
    /// With a point said or written: `zero point four`, `98.6`.
    Decimal,
    /// `half`, `one and a half`, `two and a quarter`.
    Fraction,
    /// Said in groups: `one eighteen`, `two ten`, `three twenty four`, `1 18`; also `one oh four`.
    Pair,
    /// Digit by digit: `one one eight`, `one six zero`.
    Digits,
    /// Begins with a nought: `oh five`, `05`, `oh three twenty eight`. Only times, dates and codes take it.
    LeadingZero,
    /// The point left out: `ninety eight six` for 98.6. Only a slot that expects it takes it.
    DroppedPoint,
}

impl Form {
    /// Taken by a slot that does not say otherwise.
    pub fn is_ordinary(self) -> bool {
        !matches!(self, Form::LeadingZero | Form::DroppedPoint)
    }
}

/// One reading: the tokens from the start up to (not including) `end` mean `value`.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Reading {
    pub end: usize,
    pub value: Decimal,
    pub form: Form,
}

/// All readings of a number that begins at token `at`, longest first, no two alike. Shorter ones stop inside the longer
/// (`one eighteen` is 118, and 1 with `eighteen` left): they are there for slots that follow one another
/// (`four five six`), and a caller that leaves number words over should ask, not guess.
pub fn readings(tokens: &[Token], at: usize) -> Vec<Reading> {
    let run = Run::new(tokens, at);
    // "point four" is never four: a number does not begin behind its point.
    let behind_point =
        at.checked_sub(1).and_then(|i| tokens.get(i)).is_some_and(|t| t.number == Some(NumberWord::Point));
    if behind_point {
        return Vec::new();
    }
    // Most words begin no number: say so before anything is built.
    if !run.begins_number() {
        return Vec::new();
    }
    let mut found = Found { at, readings: Vec::new() };
    let whole = run.cardinals(0);
    let digits = run.digit_strings();
    let pairs = run.pairs();
    found.extend(&whole, Form::Cardinal);
    run.decimals(&[&whole, &pairs, &digits], &mut found);
    run.fractions(&whole, &mut found);
    found.extend(&pairs, Form::Pair);
    found.extend(&digits, Form::Digits);
    run.leading_zeros(&mut found);
    run.dropped_points(&[&whole, &pairs, &digits], &mut found);
    found.readings.sort_by_key(|r| (std::cmp::Reverse(r.end), r.form));
    found.readings
}

/// A whole number and the number of tokens it took.
type Whole = (usize, i64);

struct Found {
    at: usize,
    readings: Vec<Reading>,
}

impl Found {
    fn push(&mut self, length: usize, value: Decimal, form: Form) {
        let reading = Reading { end: self.at + length, value, form };
        if !self.readings.iter().any(|r| r.end == reading.end && r.value == value) {
            self.readings.push(reading);
        }
    }

    fn extend(&mut self, wholes: &[Whole], form: Form) {
        for (length, value) in wholes {
            self.push(*length, Decimal::from_int(*value), form);
        }
    }
}

/// The tokens from `at` on that may belong to one number.
struct Run<'a> {
    tokens: &'a [Token],
}

impl<'a> Run<'a> {
    fn new(tokens: &'a [Token], at: usize) -> Run<'a> {
        let rest = tokens.get(at..).unwrap_or(&[]);
        let runs_on = rest.iter().take(limits::NUMBER_TOKENS).take_while(|t| t.runs_on()).count();
        Run { tokens: rest.get(..(runs_on + 1).min(limits::NUMBER_TOKENS)).unwrap_or(rest) }
    }

    fn begins_number(&self) -> bool {
        let counts = |i| self.number(i).is_some_and(|n| n.counts() || matches!(n, NumberWord::Point));
        counts(0) || (self.is_article(0) && counts(1))
    }

    fn number(&self, i: usize) -> Option<NumberWord> {
        self.tokens.get(i)?.number
    }

    /// The number word at `i`, if it stands in the same written or spoken run as the one before it.
    fn next(&self, i: usize) -> Option<NumberWord> {
        let joined =
            i.checked_sub(1).and_then(|before| self.tokens.get(before)).is_none_or(|t| t.after <= Break::Joined);
        if joined { self.number(i) } else { None }
    }

    fn is(&self, i: usize, word: &str) -> bool {
        self.tokens.get(i).is_some_and(|t| t.text == word)
    }

    fn is_article(&self, i: usize) -> bool {
        self.is(i, "a") || self.is(i, "an")
    }

    /// A whole number written in digits, and how many of them.
    fn written(&self, i: usize) -> Option<(i64, u8)> {
        match self.next(i)? {
            NumberWord::Written { value, digits } if digits > 0 => Some((value.as_int()?, digits)),
            _ => None,
        }
    }

    /// One digit, 0 to 9, as a word or written; `oh` counts as 0.
    fn digit(&self, i: usize) -> Option<i64> {
        match self.next(i)? {
            NumberWord::Digit(d) => Some(i64::from(d)),
            NumberWord::Oh => Some(0),
            _ => self.written(i).filter(|(_, digits)| *digits == 1).map(|(value, _)| value),
        }
    }

    fn is_nought(&self, i: usize) -> bool {
        self.digit(i) == Some(0)
    }

    /// 0 to 99 as counted: `eighteen`, `twenty`, `twenty four`, `24`, `20 four`.
    fn below_hundred(&self, i: usize) -> Vec<Whole> {
        let tens = |tens: i64| {
            let mut all = vec![(1, tens)];
            // `20 4` in digits stays two numbers; a word makes it one.
            if let Some(NumberWord::Digit(d @ 1..=9)) = self.next(i + 1) {
                all.push((2, tens + i64::from(d)));
            }
            all
        };
        match self.next(i) {
            Some(NumberWord::Digit(d)) => vec![(1, i64::from(d))],
            Some(NumberWord::Teen(t)) => vec![(1, i64::from(t))],
            Some(NumberWord::Tens(t)) => match self.written(i + 1) {
                Some((d @ 1..=9, 1)) => vec![(1, i64::from(t)), (2, i64::from(t) + d)],
                _ => tens(i64::from(t)),
            },
            Some(NumberWord::Written { .. }) => match self.written(i) {
                Some((value, 2)) if value >= 20 && value % 10 == 0 => tens(value),
                Some((value, 1 | 2)) if value >= 10 || self.written(i).is_some_and(|(_, n)| n == 1) => vec![(1, value)],
                _ => Vec::new(),
            },
            _ => Vec::new(),
        }
    }

    /// What may follow `hundred` or `thousand`: nothing, or [and] a smaller number; `oh five` too.
    fn tail(&self, i: usize, below: impl Fn(usize) -> Vec<Whole>) -> Vec<Whole> {
        let mut all = vec![(0, 0)];
        let and = usize::from(self.is(i, "and") && self.tokens.get(i).is_some_and(|t| t.after <= Break::Joined));
        all.extend(below(i + and).into_iter().filter(|(_, v)| *v > 0).map(|(length, v)| (and + length, v)));
        if self.is_nought(i)
            && let Some(d @ 1..=9) = self.digit(i + 1)
        {
            all.push((2, d));
        }
        all
    }

    /// Up to 9999 with `hundred`: `a hundred and five`, `fourteen hundred`, `100 and 5`.
    fn hundreds(&self, i: usize) -> Vec<Whole> {
        let mut all = Vec::new();
        let mut heads: Vec<Whole> = self.below_hundred(i).into_iter().filter(|(_, v)| *v > 0).collect();
        if self.is_article(i) {
            heads.push((1, 1));
        }
        if i == 0 {
            heads.push((0, 1));
        }
        for (length, head) in heads {
            if matches!(self.next(i + length), Some(NumberWord::Hundred)) {
                let from = i + length + 1;
                all.extend(
                    self.tail(from, |j| self.below_hundred(j)).iter().map(|(l, v)| (length + 1 + l, head * 100 + v)),
                );
            }
        }
        if let Some((value, 3)) = self.written(i)
            && value % 100 == 0
            && value > 0
        {
            all.extend(self.tail(i + 1, |j| self.below_hundred(j)).iter().map(|(l, v)| (1 + l, value + v)));
        }
        all
    }

    /// Counted and written whole numbers that begin at `i`.
    fn cardinals(&self, i: usize) -> Vec<Whole> {
        let mut small = self.below_hundred(i);
        small.extend(self.hundreds(i));
        let mut all = Vec::new();
        let mut heads: Vec<Whole> = small.iter().copied().filter(|(_, v)| (1..1000).contains(v)).collect();
        if self.is_article(i) {
            heads.push((1, 1));
        }
        for (length, head) in heads {
            if matches!(self.next(i + length), Some(NumberWord::Thousand)) {
                let below = |j: usize| {
                    let mut below = self.below_hundred(j);
                    below.extend(self.hundreds(j));
                    below.retain(|(_, v)| *v < 1000);
                    below
                };
                let tails = self.tail(i + length + 1, below);
                all.extend(tails.iter().map(|(l, v)| (length + 1 + l, head * 1000 + v)));
            }
        }
        if let Some((value, digits)) = self.written(i)
            && (digits > 2 || value >= 10)
            && value.to_string().len() == usize::from(digits)
        {
            all.push((1, value));
        }
        all.extend(small);
        all
    }

    /// `one eighteen`, `two ten`, `three twenty four`, `fourteen oh two`, `1 18`, `1 04`.
    fn pairs(&self) -> Vec<Whole> {
        let mut all = Vec::new();
        for (length, head) in self.below_hundred(0).into_iter().filter(|(_, v)| *v > 0) {
            let seconds = self.below_hundred(length).into_iter().filter(|(_, v)| *v >= 10);
            all.extend(seconds.map(|(l, second)| (length + l, head * 100 + second)));
            if self.is_nought(length)
                && let Some(d @ 1..=9) = self.digit(length + 1)
            {
                all.push((length + 2, head * 100 + d));
            }
            if let Some((second, 2)) = self.written(length)
                && second < 10
            {
                all.push((length + 1, head * 100 + second));
            }
        }
        all
    }

    /// `one one eight`, `one six zero`, `1 0 4`: two to six digits, not beginning with a nought.
    fn digit_strings(&self) -> Vec<Whole> {
        let mut all = Vec::new();
        let mut value = 0;
        for i in 0..6 {
            let Some(d) = self.digit(i) else { break };
            if i == 0 && d == 0 {
                break;
            }
            value = value * 10 + d;
            // `nine oh` is no number that anybody says.
            let ends_oh = matches!(self.number(i), Some(NumberWord::Oh));
            if i > 1 || (i == 1 && !ends_oh) {
                all.push((i + 1, value));
            }
        }
        all
    }

    /// Digits behind a point: tokens taken, the digits' value, how many places.
    fn places(&self, i: usize) -> Vec<(usize, i64, u8)> {
        let mut all = Vec::new();
        let mut value = 0;
        for taken in 0..4 {
            let Some(d) = self.digit(i + taken) else { break };
            value = value * 10 + d;
            all.push((taken + 1, value, taken as u8 + 1));
        }
        // `point fifteen`, `point twenty five`.
        all.extend(self.below_hundred(i).into_iter().filter(|(_, v)| *v >= 10).map(|(l, v)| (l, v, 2)));
        if let Some((value, digits @ 2..=4)) = self.written(i) {
            all.push((1, value, digits));
        }
        all
    }

    fn decimals(&self, heads: &[&Vec<Whole>], found: &mut Found) {
        match self.number(0) {
            // `0.4`; `.4`.
            Some(NumberWord::Written { value, digits }) if digits == 0 || value.as_int().is_none() => {
                found.push(1, value, Form::Decimal);
            }
            // `5.0` is whole, and said with a point.
            Some(NumberWord::Written { value, .. }) if self.tokens.first().is_some_and(|t| t.text.contains('.')) => {
                found.push(1, value, Form::Decimal);
            }
            _ => {}
        }
        let none = (0, 0);
        let nought = self.is_nought(0).then_some((1, 0));
        let heads = heads.iter().flat_map(|list| list.iter()).chain([&none]).chain(nought.as_ref());
        for (length, head) in heads {
            if matches!(self.next(*length), Some(NumberWord::Point)) {
                for (taken, value, places) in self.places(length + 1) {
                    found.push(length + 1 + taken, with_places(*head, value, places), Form::Decimal);
                }
            }
            // `98 .6`, as some recognisers write it.
            if *length > 0
                && let Some(NumberWord::Written { value, digits: 0 }) = self.next(*length)
                && let Some(sum) = value.checked_add(Decimal::from_int(*head))
            {
                found.push(length + 1, sum, Form::Decimal);
            }
        }
    }

    /// The part of a fraction that begins at `i`, in quarters: `half`, `a half`, `three quarters`, `1/2`.
    fn quarters(&self, i: usize) -> Option<(usize, i64)> {
        let part = |i: usize| match self.number(i) {
            Some(NumberWord::Half) => Some(2),
            Some(NumberWord::Quarter) => Some(1),
            _ => None,
        };
        if let Some(quarters) = part(i) {
            return Some((1, quarters));
        }
        if self.is_article(i) || self.digit(i) == Some(1) {
            if let Some(quarters) = part(i + 1) {
                return Some((2, quarters));
            }
        } else if self.digit(i) == Some(3) && part(i + 1) == Some(1) {
            return Some((2, 3));
        }
        self.slashed(i)
    }

    /// `1/2`, `3/4`.
    fn slashed(&self, i: usize) -> Option<(usize, i64)> {
        let slash = self.tokens.get(i)?.after == Break::Slash && self.is(i + 1, "over");
        let part = |i: usize| match self.number(i)? {
            NumberWord::Written { value, .. } => value.as_int(),
            _ => None,
        };
        match (slash, part(i)?, part(i + 2)?) {
            (true, 1, 2) => Some((3, 2)),
            (true, numerator @ (1 | 3), 4) => Some((3, numerator)),
            _ => None,
        }
    }

    fn fractions(&self, wholes: &[Whole], found: &mut Found) {
        // `half past nine` is a time.
        if let Some((length, quarters)) = self.quarters(0)
            && !self.is(length, "past")
        {
            found.push(length, in_quarters(0, quarters), Form::Fraction);
        }
        for (length, whole) in wholes.iter().filter(|(_, v)| *v < 100) {
            let and = usize::from(self.is(*length, "and"));
            // `2 1/2`, `2½`: without "and" only when written so.
            let part = if and == 1 { self.quarters(length + 1) } else { self.written_part(*length) };
            if let Some((taken, quarters)) = part {
                found.push(length + and + taken, in_quarters(*whole, quarters), Form::Fraction);
            }
        }
    }

    fn written_part(&self, i: usize) -> Option<(usize, i64)> {
        let joined = i.checked_sub(1).and_then(|b| self.tokens.get(b)).is_some_and(|t| t.after == Break::Joined);
        match self.number(i)? {
            NumberWord::Half if joined => Some((1, 2)),
            NumberWord::Quarter if joined => Some((1, 1)),
            NumberWord::Written { .. } => self.slashed(i),
            _ => None,
        }
    }

    /// `oh five`, `05`, `oh three twenty eight`, `zero three two eight`.
    fn leading_zeros(&self, found: &mut Found) {
        if let Some((value, digits)) = self.written(0)
            && digits > 1
            && value.to_string().len() < usize::from(digits)
        {
            found.push(1, Decimal::from_int(value), Form::LeadingZero);
        }
        if !self.is_nought(0) {
            return;
        }
        let mut value = 0;
        for i in 1..6 {
            let Some(d) = self.digit(i) else { break };
            value = value * 10 + d;
            found.push(i + 1, Decimal::from_int(value), Form::LeadingZero);
        }
        if let Some(head @ 1..=9) = self.digit(1) {
            let seconds = self.below_hundred(2).into_iter().filter(|(_, v)| *v >= 10);
            for (length, second) in seconds {
                found.push(2 + length, Decimal::from_int(head * 100 + second), Form::LeadingZero);
            }
            if matches!(self.next(2), Some(NumberWord::Hundred)) {
                found.push(3, Decimal::from_int(head * 100), Form::LeadingZero);
            }
        }
    }

    /// `ninety eight six`, `one oh one four`, `98 6`, `986`: one digit behind the point that was not said.
    fn dropped_points(&self, heads: &[&Vec<Whole>], found: &mut Found) {
        for (length, head) in heads.iter().flat_map(|list| list.iter()).filter(|(_, v)| (20..=115).contains(v)) {
            let Some(tenth) = self.digit(*length) else { continue };
            let last = length.checked_sub(1).and_then(|i| self.number(i));
            // `ninety eight` is 98 before it is 90.8; `a hundred four` is 104.
            let swallows = match last {
                Some(NumberWord::Tens(_) | NumberWord::Hundred) => tenth > 0,
                // `100 4` is 104.
                Some(NumberWord::Written { value, .. }) => tenth > 0 && value == Decimal::from_int(100),
                _ => false,
            };
            if !swallows {
                found.push(length + 1, Decimal::new(head * 10 + tenth, 1), Form::DroppedPoint);
            }
        }
        if let Some((value, 3 | 4)) = self.written(0)
            && (200..=1150).contains(&value)
        {
            found.push(1, Decimal::new(value, 1), Form::DroppedPoint);
        }
    }
}

fn with_places(head: i64, value: i64, places: u8) -> Decimal {
    let unit = 10i64.pow(u32::from(places.min(6)));
    Decimal::new(head.saturating_mul(unit).saturating_add(value), places)
}

fn in_quarters(whole: i64, quarters: i64) -> Decimal {
    Decimal::new(whole * 100 + quarters * 25, 2)
}
