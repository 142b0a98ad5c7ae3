//! Every bound in one place: what is longer, deeper or more than this is cut, refused or asked about, never unbounded.

/// Words of one utterance that are looked at; the rest is left over.
pub const WORDS: usize = 400;
/// Tokens that one number may span.
pub const NUMBER_TOKENS: usize = 13;
/// Bytes of one written word; longer ones are cut.
pub const WORD_BYTES: usize = 64;
/// Reminders that may fall due at one moment.
pub const DEADLINES_AT_ONCE: usize = 64;
