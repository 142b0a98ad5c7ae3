//! Every reading of a number that begins at a token.

use super::token::Token;
use crate::core::decimal::Decimal;

/// How a number was put together: a slot states which forms it takes.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Form {
    /// The number as counted or written: `one hundred and eighteen`, `fourteen hundred`, `118`.
    Cardinal,
    /// Said in groups: `one eighteen`, `two ten`, `three twenty four`, `1 18`; also `one oh four`.
    Pair,
    /// Digit by digit: `one one eight`, `one six zero`.
    Digits,
    /// Begins with a nought: `oh five`, `05`, `oh three twenty eight`. Only times, dates and codes take it.
    LeadingZero,
    /// With a point said or written: `zero point four`, `98.6`.
    Decimal,
    /// The point left out: `ninety eight six` for 98.6. Only a slot that expects it takes it.
    DroppedPoint,
    /// `half`, `one and a half`, `two and a quarter`.
    Fraction,
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
pub fn readings(_tokens: &[Token], _at: usize) -> Vec<Reading> {
    Vec::new()
}
