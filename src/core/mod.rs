//! Values in, values out. Nothing below this line of the tree reads a file, a clock, a device or the environment;
//! `tests/house.rs` fails when a room tries.

pub mod amend;
pub mod chain;
pub mod checklist;
pub mod clinical;
pub mod clocks;
pub mod command;
pub mod condition;
pub mod conversation;
pub mod dataset;
pub mod decimal;
pub mod diagnostic;
pub mod encounter;
pub mod event;
pub mod finding;
pub mod glance;
pub mod grammar;
pub mod ledger;
pub mod limits;
pub mod number_words;
pub mod planned;
pub mod prompt;
pub mod protocol;
pub mod redact;
pub mod report;
pub mod source;
pub mod text;
pub mod time;
pub mod utterance;
pub mod vitals;

/// The usual caution, wherever the program faces its users.
pub const CAUTION: &str = "An aid to memory, not a clinician: local protocol, medical direction and licensed practice \
decide. What it heard may be wrong and what it did not hear is unknown; check every value before you act on it.";
