//! What the program itself is saying, and was until a moment ago: so that it never takes its own words for the crew's.
//!
//! It only remembers and answers "what of ours sounded then?"; what follows from that is the conversation's to decide.

use std::collections::VecDeque;
use std::sync::Mutex;

/// Our words may still be in the air, the sound server and the room so long after their end, milliseconds. Voice tools
/// use 250 to 1500 (reference/speech.md 3.2); the longer is safer where nothing is dropped unless the words match.
pub const TAIL_MS: u64 = 1_500;
/// From the end that is reported to the last sound at the microphone, milliseconds: a sound server's latency and a room.
/// Somebody who answers takes longer to begin.
const AIR_MS: u64 = 250;
/// Sentences remembered.
const REMEMBERED: usize = 16;

#[derive(Clone, Debug)]
struct Sentence {
    id: u64,
    text: String,
    from_ms: u64,
    until_ms: Option<u64>,
}

/// Shared between the loop that hears of begins and ends, and the ear that cuts sound into utterances.
#[derive(Debug, Default)]
pub struct OwnVoice {
    sentences: Mutex<VecDeque<Sentence>>,
    /// When the last earcon was played.
    earcon_ms: Mutex<Option<u64>>,
}

impl OwnVoice {
    fn lock(&self) -> std::sync::MutexGuard<'_, VecDeque<Sentence>> {
        self.sentences.lock().unwrap_or_else(|e| e.into_inner())
    }

    /// Sound of sentence `id` began.
    pub fn started(&self, id: u64, text: &str, now_ms: u64) {
        let mut sentences = self.lock();
        if sentences.len() >= REMEMBERED {
            sentences.pop_front();
        }
        sentences.push_back(Sentence { id, text: text.to_string(), from_ms: now_ms, until_ms: None });
    }

    /// It ended, in whatever way.
    pub fn finished(&self, id: u64, now_ms: u64) {
        for sentence in self.lock().iter_mut().filter(|s| s.id == id && s.until_ms.is_none()) {
            sentence.until_ms = Some(now_ms);
        }
    }

    /// An earcon is being played.
    pub fn earcon(&self, now_ms: u64) {
        *self.earcon_ms.lock().unwrap_or_else(|e| e.into_inner()) = Some(now_ms);
    }

    /// True when an earcon may have sounded, or been in the air, at some moment from `from_ms` to `to_ms`.
    pub fn earcon_within(&self, from_ms: u64, to_ms: u64) -> bool {
        let earcon_ms = *self.earcon_ms.lock().unwrap_or_else(|e| e.into_inner());
        earcon_ms.is_some_and(|at| at <= to_ms && at + TAIL_MS >= from_ms)
    }

    pub fn speaking(&self) -> bool {
        self.lock().iter().any(|s| s.until_ms.is_none())
    }

    pub fn speaking_at(&self, ms: u64) -> bool {
        self.lock().iter().any(|s| s.from_ms <= ms && s.until_ms.is_none_or(|until| until > ms))
    }

    /// True when what begins at `ms` begins over our words, as far as their begin and end are known.
    pub fn talked_over(&self, ms: u64) -> bool {
        let sounded = |s: &Sentence| s.from_ms <= ms + AIR_MS && s.until_ms.is_none_or(|until| until + AIR_MS > ms);
        self.lock().iter().any(sounded)
    }

    /// True when words of ours sounded at some moment from `from_ms` to `to_ms`, as far as their begin and end are known.
    pub fn mixed(&self, from_ms: u64, to_ms: u64) -> bool {
        let sounded =
            |s: &Sentence| s.from_ms + AIR_MS <= to_ms && s.until_ms.is_none_or(|until| until + AIR_MS > from_ms);
        self.lock().iter().any(sounded)
    }

    /// Our words that sounded, or were still in the air, at some moment from `from_ms` to `to_ms`.
    pub fn over(&self, from_ms: u64, to_ms: u64) -> Option<String> {
        let sounded = |s: &&Sentence| s.from_ms <= to_ms && s.until_ms.is_none_or(|end| end + TAIL_MS >= from_ms);
        let texts: Vec<String> = self.lock().iter().filter(sounded).map(|s| s.text.clone()).collect();
        (!texts.is_empty()).then(|| texts.join(" "))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_sounds_during_our_words_and_for_a_tail_after_is_under_suspicion() {
        let own = OwnVoice::default();
        own.started(1, "ask about the allergy", 1_000);
        assert!(own.speaking());
        assert_eq!(own.over(0, 999), None);
        assert_eq!(own.over(900, 1_100).as_deref(), Some("ask about the allergy"));
        own.finished(1, 2_500);
        assert!(!own.speaking() && own.speaking_at(2_499) && !own.speaking_at(2_500) && !own.speaking_at(999));
        assert_eq!(own.over(2_500 + TAIL_MS, 9_000).as_deref(), Some("ask about the allergy"));
        assert_eq!(own.over(2_501 + TAIL_MS, 9_000), None);
    }

    #[test]
    fn an_answer_after_our_words_is_not_over_them() {
        let own = OwnVoice::default();
        own.started(1, "breathing four?", 1_000);
        assert!(own.talked_over(1_000 - AIR_MS) && own.talked_over(1_500) && !own.talked_over(999 - AIR_MS));
        own.finished(1, 2_000);
        assert!(own.talked_over(2_000 + AIR_MS - 1) && !own.talked_over(2_000 + AIR_MS));
    }

    #[test]
    fn what_we_began_to_say_in_the_middle_of_an_utterance_is_mixed_with_it() {
        let own = OwnVoice::default();
        own.started(1, "low pressure", 3_000);
        assert!(own.mixed(1_000, 4_000) && !own.mixed(1_000, 3_000), "the last of it ended as we began");
        own.finished(1, 5_000);
        assert!(own.mixed(4_000, 7_000) && own.mixed(5_200, 7_000) && !own.mixed(5_000 + AIR_MS, 7_000));
    }

    #[test]
    fn an_earcon_is_under_suspicion_for_a_tail() {
        let own = OwnVoice::default();
        assert!(!own.earcon_within(0, 9_000));
        own.earcon(1_000);
        assert!(own.earcon_within(900, 1_100) && own.earcon_within(1_000 + TAIL_MS, 9_000));
        assert!(!own.earcon_within(0, 999) && !own.earcon_within(1_001 + TAIL_MS, 9_000));
    }

    #[test]
    fn two_sentences_in_a_row_are_both_remembered() {
        let own = OwnVoice::default();
        own.started(1, "first", 0);
        own.finished(1, 1_000);
        own.started(2, "second", 1_100);
        assert_eq!(own.over(800, 1_200).as_deref(), Some("first second"));
    }
}
