//! thirdhand: listens to what an EMT says aloud and keeps the record. See DEVELOPERS.md for the map of the house.
//!
//! `core` is values in, values out; `shell` is one file a device; `cli` is one file a subcommand.

pub mod cli;
pub mod core;
pub mod shell;
