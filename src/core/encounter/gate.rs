//! When a sentence may be spoken: high interrupts, the rest waits while somebody listens, reports or asked for quiet.
//!
//! The record has every advice at the moment of its decision; only its speaking waits here.

use crate::core::event::{AdviceType, Priority};
use crate::core::finding::Kind;
use crate::core::protocol::Protocol;
use crate::core::time::Moment;

use super::Speech;
use super::state::State;

/// Listening ends with its result, and after this in any case.
const LISTENING_MS: u64 = 60_000;
/// Lists of words that ask for quiet, and the result that each waits for.
const QUIET: [(&str, &[Kind]); 4] = [
    ("quiet_pressure", &[Kind::BloodPressure]),
    ("quiet_listening", &[Kind::LungSounds, Kind::BloodPressure]),
    ("aed_cues", &[Kind::Procedure]),
    ("quiet_cues", &[Kind::BloodPressure, Kind::LungSounds, Kind::Pulse, Kind::Procedure]),
];
/// A report to a third party is over after this, whether or not anybody said so.
const HANDOVER_MS: u64 = 180_000;
/// A reminder that could not be spoken within this is not spoken: what it says may be done by then.
pub const REMINDER_MS: u64 = 120_000;
/// A value that makes nobody unstable is news for so long after it was told. Our own choice, no source.
pub const NEWS_MS: u64 = 20_000;
/// Most sentences that wait; the oldest of the lowest priority goes first.
const WAITING: usize = 8;

/// Sentences that wait.
#[derive(Clone, Debug, Default)]
pub struct Gate {
    waiting: Vec<Speech>,
    /// Somebody listens, takes a pressure, or lets an AED speak, until then (ms) or until the result.
    listening_until_ms: Option<u64>,
    /// What the quiet is for: any of these ends it.
    awaited: &'static [Kind],
}

/// When a sentence is too old to be spoken.
pub fn expires_ms(kind: AdviceType, priority: Priority, now: Moment) -> Option<u64> {
    match kind {
        AdviceType::AbnormalVital if priority == Priority::Low => Some(now.mono_ms + NEWS_MS),
        AdviceType::Reminder | AdviceType::Omission | AdviceType::Trend => Some(now.mono_ms + REMINDER_MS),
        _ => None,
    }
}

impl Gate {
    /// Words that ask for quiet without saying so shut the gate; what they were waiting for opens it, and nothing else: a
    /// pulse told while the cuff goes down is no pressure.
    pub fn hear(&mut self, protocol: &Protocol, words: &str, findings: &[Kind], now: Moment) {
        if findings.iter().any(|kind| self.awaited.contains(kind)) {
            self.listening_until_ms = None;
            self.awaited = &[];
        }
        let words = format!(" {} ", words.to_lowercase().replace([',', '.'], " "));
        let said = |list: &str| protocol.word_list(list).iter().any(|cue| words.contains(&format!(" {cue} ")));
        let awaited =
            QUIET.into_iter().find(|(list, results)| said(list) && !findings.iter().any(|k| results.contains(k)));
        if let Some((_, results)) = awaited {
            self.listening_until_ms = Some(now.mono_ms + LISTENING_MS);
            self.awaited = results;
        }
    }

    /// The sentence, if it may be spoken now; otherwise it waits.
    pub fn admit(&mut self, state: &State, speech: Speech, now: Moment) -> Option<Speech> {
        if speech.priority == Priority::High || self.opens_ms(state).is_none_or(|at| at <= now.mono_ms) {
            return Some(speech);
        }
        self.waiting.push(speech);
        if self.waiting.len() > WAITING {
            let lowest = self.waiting.iter().enumerate().min_by_key(|(_, s)| s.priority).map(|(at, _)| at);
            lowest.map(|at| self.waiting.remove(at));
        }
        None
    }

    /// This advice does not wait any more.
    pub fn withdraw(&mut self, target: u64) {
        self.waiting.retain(|speech| speech.target != target);
    }

    /// When a waiting sentence may be let through by time alone.
    pub fn next_ms(&self, state: &State, now: Moment) -> Option<u64> {
        if self.waiting.is_empty() {
            return None;
        }
        self.opens_ms(state).map(|at| at.max(now.mono_ms))
    }

    /// What may be spoken now, most urgent first; what is too old is dropped.
    pub fn release(&mut self, state: &State, now: Moment) -> Vec<Speech> {
        if self.waiting.is_empty() || self.opens_ms(state).is_some_and(|at| at > now.mono_ms) {
            return Vec::new();
        }
        let mut out = std::mem::take(&mut self.waiting);
        out.retain(|s| s.expires_ms.is_none_or(|at| at > now.mono_ms));
        out.sort_by_key(|s| std::cmp::Reverse(s.priority));
        out
    }

    /// Until when the gate is shut, unless words open it earlier.
    fn opens_ms(&self, state: &State) -> Option<u64> {
        let quiet = (state.quiet_until_ms > 0).then_some(state.quiet_until_ms);
        let handover = state.handover_since_ms.map(|since| since + HANDOVER_MS);
        [self.listening_until_ms, quiet, handover].into_iter().flatten().max()
    }
}
