//! From text to words and values: tokens with their places in the text, and every reading of a number, a clock time,
//! a duration or an expiry month that begins at a token.
//!
//! How English is spelled is data ([`Lexicon`], `grammars/en/spelling.toml`); how its numbers are put together is
//! code. This module knows no grammar and no medicine: it offers readings, the slot that wants one decides.
//!
//! Everything that is compared with a token (a template's words, a name's spoken form) goes through
//! [`Lexicon::tokens`] too, so both sides are spelled alike.

mod lexicon;
mod number;
mod scan;
mod token;
mod when;

pub use lexicon::Lexicon;
pub use number::{Form, Reading, readings};
pub use token::{Break, NumberWord, Token};
pub use when::{Clock, Half, Span, YearMonth, ago, clocks, durations, expiries};
