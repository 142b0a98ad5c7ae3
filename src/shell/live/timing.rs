//! How long the way from the end of speech to the first sound of advice takes, and each part of it.

use serde_json::{Value, json};

use crate::shell::clock::boot_ms;

/// The utterance that is on its way. All times are on the machine's stopwatch.
#[derive(Default)]
pub struct Timing {
    end_ms: u64,
    cut_ms: u64,
    words_ms: u64,
    /// The sentence that followed, when it was handed to the voice, and how long the disk took.
    handed: Option<(u64, u64, u64)>,
    open: bool,
}

impl Timing {
    /// An utterance ended, its end was noticed, its words were known.
    pub fn words(&mut self, end_ms: u64, cut_ms: u64, words_ms: u64) {
        *self = Timing { end_ms, cut_ms, words_ms, handed: None, open: true };
    }

    /// It went through decision and disk; `sentence` is what the voice got.
    pub fn fed(&mut self, sync_us: u64, sentence: Option<u64>) {
        if std::mem::take(&mut self.open) {
            self.handed = sentence.map(|id| (id, boot_ms(), sync_us));
        }
    }

    /// A sentence begins to sound: the parts, if it is the one that followed. Milliseconds.
    pub fn sounds(&mut self, id: u64) -> Option<Value> {
        let (_, handed_ms, sync_us) = self.handed.take_if(|(handed, ..)| *handed == id)?;
        let now = boot_ms();
        let sync_ms = sync_us as f64 / 1000.0;
        Some(json!({ "timing": {
            "pause": self.cut_ms.saturating_sub(self.end_ms),
            "recognition_after_pause": self.words_ms.saturating_sub(self.cut_ms),
            "understanding_and_decision": (handed_ms.saturating_sub(self.words_ms) as f64 - sync_ms).max(0.0),
            "sync": sync_ms,
            "synthesis": now.saturating_sub(handed_ms),
            "total": now.saturating_sub(self.end_ms),
        }}))
    }
}
