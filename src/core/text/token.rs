//! One word of an utterance and where it stands in the text.

use std::ops::Range;

use crate::core::decimal::Decimal;

/// What stands between a token and the next one, weakest first.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord)]
pub enum Break {
    /// Nothing but space.
    #[default]
    None,
    /// Written together or hyphened: `10L`, `one-thirty`, `1-18`.
    Joined,
    /// `14:02`.
    Colon,
    /// `94/62`: the token `over` that stands for it has this break on both sides.
    Slash,
    /// Comma, semicolon, dash, dots: the speaker drew breath.
    Comma,
    /// Full stop or exclamation mark.
    Stop,
    Question,
}

/// What a token can contribute to a number or a time.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum NumberWord {
    /// `one` to `nine`, and `zero`.
    Digit(u8),
    /// `oh`: a zero inside a number, an exclamation elsewhere.
    Oh,
    /// `ten` to `nineteen`.
    Teen(u8),
    /// `twenty` to `ninety`.
    Tens(u8),
    Hundred,
    Thousand,
    Point,
    Half,
    Quarter,
    /// Written in digits: the value, and how many digits stand before the point (`05` is 5 with two, `.6` has none).
    Written {
        value: Decimal,
        digits: u8,
    },
    /// A unit of time, in seconds.
    Seconds(i64),
    /// `march` is 3.
    Month(u8),
    /// `about`, `around`.
    About,
}

impl NumberWord {
    /// True for what a count is made of; false for units, months and `about`.
    pub fn counts(self) -> bool {
        !matches!(self, NumberWord::Seconds(_) | NumberWord::Month(_) | NumberWord::About | NumberWord::Point)
    }
}

/// One word, normalised: lower case, contractions undone, abbreviations in their usual spelling.
#[derive(Clone, Debug, PartialEq)]
pub struct Token {
    pub text: String,
    /// Bytes of the original text; words made from one written word (`isn't` -> `is not`) share or split it.
    pub span: Range<usize>,
    /// What stands between this token and the next; the end of the text is `None` unless a mark stands there.
    pub after: Break,
    pub number: Option<NumberWord>,
}

impl Token {
    /// True for a word that a number is made of (`eighteen`, `point four`'s `four`), not for units or `about`.
    pub fn is_number(&self) -> bool {
        self.number.is_some_and(NumberWord::counts)
    }

    /// True when nothing that separates numbers stands behind this token.
    pub fn runs_on(&self) -> bool {
        self.after < Break::Comma
    }
}
