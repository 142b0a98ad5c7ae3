//! Voices without sound: one that says nothing, one that writes down what it would have said.

use std::sync::{Arc, Mutex};

use crossbeam_channel::Sender;

use super::{Earcon, End, Utterance, Voice, VoiceEvent};
use crate::core::event::Priority;

/// Says nothing and reports nothing (`--voice none`).
pub struct NullVoice;

impl Voice for NullVoice {
    fn queue(&self, _: Utterance) {}
    fn stop(&self) {}
    fn withdraw(&self, _: u64) {}
}

/// One sentence as the recording twin took it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Said {
    pub id: u64,
    pub text: String,
    pub priority: Priority,
}

/// Writes down every sentence and reports it as started and done at once.
#[derive(Clone)]
pub struct RecordingVoice {
    events: Sender<VoiceEvent>,
    said: Arc<Mutex<Vec<Said>>>,
    earcons: Arc<Mutex<Vec<Earcon>>>,
}

impl RecordingVoice {
    pub fn new(events: Sender<VoiceEvent>) -> RecordingVoice {
        RecordingVoice { events, said: Arc::default(), earcons: Arc::default() }
    }

    /// Everything said so far, in order.
    pub fn said(&self) -> Vec<Said> {
        self.said.lock().unwrap_or_else(|e| e.into_inner()).clone()
    }

    pub fn earcons(&self) -> Vec<Earcon> {
        self.earcons.lock().unwrap_or_else(|e| e.into_inner()).clone()
    }
}

impl Voice for RecordingVoice {
    fn queue(&self, utterance: Utterance) {
        let Utterance { id, text, priority, .. } = utterance;
        self.said.lock().unwrap_or_else(|e| e.into_inner()).push(Said { id, text, priority });
        let _ = self.events.send(VoiceEvent::Started { id });
        let _ = self.events.send(VoiceEvent::Finished { id, end: End::Done });
    }

    fn stop(&self) {}

    fn withdraw(&self, _: u64) {}

    fn earcon(&self, earcon: Earcon) {
        self.earcons.lock().unwrap_or_else(|e| e.into_inner()).push(earcon);
    }
}
