//! When a sentence may be spoken: high interrupts, the rest waits while somebody listens, reports or asked for quiet.
//!
//! The record has every advice at the moment of its decision; only its speaking waits here.

use crate::core::event::{AdviceType, Priority};
use crate::core::time::Moment;

use super::Speech;
use super::state::State;

/// Listening ends with its result, and after this in any case.
const LISTENING_MS: u64 = 60_000;
/// A reminder that could not be spoken within this is not spoken: what it says may be done by then.
const REMINDER_MS: u64 = 120_000;
/// Most sentences that wait; the oldest of the lowest priority goes first.
const WAITING: usize = 8;

/// Sentences that wait.
#[derive(Clone, Debug, Default)]
pub struct Gate {
    waiting: Vec<Speech>,
}

/// When a sentence is too old to be spoken.
pub fn expires_ms(kind: AdviceType, now: Moment) -> Option<u64> {
    match kind {
        AdviceType::Reminder | AdviceType::Omission | AdviceType::Trend => Some(now.mono_ms + REMINDER_MS),
        _ => None,
    }
}

impl Gate {
    /// The sentence, if it may be spoken now; otherwise it waits.
    pub fn admit(&mut self, state: &State, speech: Speech, now: Moment) -> Option<Speech> {
        if speech.priority == Priority::High || opens_ms(state, now).is_none_or(|at| at <= now.mono_ms) {
            return Some(speech);
        }
        self.waiting.push(speech);
        if self.waiting.len() > WAITING {
            let lowest = self.waiting.iter().enumerate().min_by_key(|(_, s)| s.priority).map(|(at, _)| at);
            lowest.map(|at| self.waiting.remove(at));
        }
        None
    }

    /// When a waiting sentence may be let through by time alone.
    pub fn next_ms(&self, state: &State, now: Moment) -> Option<u64> {
        if self.waiting.is_empty() {
            return None;
        }
        opens_ms(state, now).filter(|at| *at != u64::MAX).map(|at| at.max(now.mono_ms))
    }

    /// What may be spoken now, most urgent first; what is too old is dropped.
    pub fn release(&mut self, state: &State, now: Moment) -> Vec<Speech> {
        if self.waiting.is_empty() || opens_ms(state, now).is_some_and(|at| at > now.mono_ms) {
            return Vec::new();
        }
        let mut out = std::mem::take(&mut self.waiting);
        out.retain(|s| s.expires_ms.is_none_or(|at| at > now.mono_ms));
        out.sort_by_key(|s| std::cmp::Reverse(s.priority));
        out
    }
}

/// Until when the gate is shut; `u64::MAX` while only words can open it.
fn opens_ms(state: &State, _now: Moment) -> Option<u64> {
    let listening = state.listening_since.map(|since| since.mono_ms + LISTENING_MS);
    let quiet = (state.quiet_until_ms > 0).then_some(state.quiet_until_ms);
    let handover = state.handover.then_some(u64::MAX);
    [listening, quiet, handover].into_iter().flatten().max()
}
