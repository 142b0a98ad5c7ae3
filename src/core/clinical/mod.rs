//! Scores and arithmetic with their published sources. Values in, values out: this room knows formulas, not the
//! encounter, not who asks, and no spoken words.
//!
//! A score refuses an incomplete set and names what is missing: a partial score looks like a low one.

pub mod age;
pub mod apgar;
pub mod ask;
pub mod burns;
pub mod convert;
pub mod cylinder;
pub mod gather;
pub mod gcs;
pub mod news2;
pub mod perfusion;
pub mod qsofa;
pub mod rts;
pub mod stroke;
pub mod triage;

pub use ask::{Missing, Score, ScoreRules, answer, score};
