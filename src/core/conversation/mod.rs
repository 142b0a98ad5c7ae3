//! One encounter's talk: what is open, what was just said, what that makes of the next utterance.

use super::event::Event;
use super::grammar::Grammar;
use super::time::Moment;
use super::utterance::{Transcript, Understood};

/// A fold over the record's events plus the last utterances.
#[derive(Clone, Debug, Default)]
pub struct Conversation {}

impl Conversation {
    /// Understands one utterance that began at `when`.
    pub fn hear(&mut self, _grammar: &Grammar, transcript: &Transcript, _when: Moment) -> Understood {
        Understood::unmatched(&transcript.text)
    }

    /// Folds one event of the record in.
    pub fn apply(&mut self, _event: &Event) {}
}
