//! The words of speech that was not understood: kept apart from the chain, which holds only their hash.
//!
//! `unmatched.jsonl` has one line an utterance, `{"seq":11,"text":"..."}` or with `"salt"`; `text_sha256` in the event
//! is SHA-256 over salt and text. Dropping the file drops the words; the chain goes on verifying.

use std::collections::HashMap;
use std::fs::File;
use std::io::Read;

use serde::{Deserialize, Serialize};

use crate::core::chain::sha256_hex;
use crate::core::event::{Body, Event, Outcome};

#[derive(Serialize, Deserialize)]
struct Words {
    seq: u64,
    #[serde(default, skip_serializing_if = "String::is_empty")]
    salt: String,
    text: String,
}

/// How events become what the chain holds: with a key, the hashes of unmatched words are salted.
#[derive(Clone, Debug, Default)]
pub struct Sealing {
    /// Known to the writer alone, and only while it runs; each utterance's salt is made from it and lies with the words.
    key: Option<String>,
}

impl Sealing {
    /// With a new random key. Without a source of randomness words go unsalted rather than unrecorded.
    pub fn salted() -> Sealing {
        let mut bytes = [0u8; 32];
        let read = File::open("/dev/urandom").and_then(|mut f| f.read_exact(&mut bytes));
        Sealing { key: read.ok().map(|()| sha256_hex(&[&bytes])) }
    }

    /// The event as its line in the record has it: the words of unmatched speech stand beside it, not in it.
    pub fn as_recorded(&self, event: &Event) -> Event {
        self.part(event).0
    }

    /// The event as the chain takes it, and the line of words that goes apart, if any.
    pub fn part(&self, event: &Event) -> (Event, Option<String>) {
        let mut event = event.clone();
        let Body::Heard(heard) = &mut event.body else { return (event, None) };
        if heard.outcome != Outcome::Unmatched {
            return (event, None);
        }
        let Some(text) = heard.text.take() else { return (event, None) };
        let salt = self.salt(event.seq);
        heard.text_sha256 = Some(sha256_hex(&[salt.as_bytes(), text.as_bytes()]));
        let line = serde_json::to_string(&Words { seq: event.seq, salt, text }).ok();
        (event, line)
    }

    fn salt(&self, seq: u64) -> String {
        let Some(key) = &self.key else { return String::new() };
        let mut salt = sha256_hex(&[key.as_bytes(), seq.to_string().as_bytes()]);
        salt.truncate(32);
        salt
    }
}

/// Puts the words back beside their events, where they are still there and are the ones that were heard.
pub fn rejoin(events: &mut [Event], side: &[u8]) {
    if side.is_empty() {
        return;
    }
    let mut words: HashMap<u64, Words> = side
        .split(|b| *b == b'\n')
        .filter_map(|line| serde_json::from_slice::<Words>(line).ok())
        .map(|words| (words.seq, words))
        .collect();
    for event in events {
        let Body::Heard(heard) = &mut event.body else { continue };
        let Some(expected) = &heard.text_sha256 else { continue };
        let Some(found) = words.remove(&event.seq) else { continue };
        if sha256_hex(&[found.salt.as_bytes(), found.text.as_bytes()]) == *expected {
            heard.text = Some(found.text);
        }
    }
}
