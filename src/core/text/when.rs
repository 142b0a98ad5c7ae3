//! Clock times, durations and expiry months as spoken.

use super::token::Token;

/// Which half of the day a spoken time belongs to.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Half {
    /// Said on the 24-hour clock, or with am/pm: `hour` is 0 to 23.
    Known,
    /// `half past nine`: `hour` is 1 to 12 and either half may be meant.
    Either,
}

/// A time of day.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Clock {
    pub end: usize,
    pub hour: u8,
    pub minute: u8,
    pub half: Half,
}

/// A length of time.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Span {
    pub end: usize,
    pub seconds: i64,
    /// `about`, `a couple of`.
    pub approximate: bool,
}

/// The month in which something expires; it is good to that month's last day.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct YearMonth {
    pub end: usize,
    pub year: u16,
    pub month: u8,
}

/// All times of day that begin at token `at`, longest first: `oh five thirty`, `seventeen twenty`, `1402`, `14:02`,
/// `fourteen oh two hours`, `half past nine`, `noon`.
pub fn clocks(_tokens: &[Token], _at: usize) -> Vec<Clock> {
    Vec::new()
}

/// All durations that begin at token `at`, longest first: `five minutes`, `about an hour`, `an hour and a half`. `ago`
/// is the grammar's. `a second` is none.
pub fn durations(_tokens: &[Token], _at: usize) -> Vec<Span> {
    Vec::new()
}

/// All expiry months that begin at token `at`, longest first: `oh three twenty eight`, `march twenty twenty eight`,
/// `3/28`, `0328`.
pub fn expiries(_tokens: &[Token], _at: usize) -> Vec<YearMonth> {
    Vec::new()
}
