//! The sentences that the live room says of itself, from `protocols/prompts-live.toml`.

use std::collections::BTreeMap;

use serde::Deserialize;

use crate::core::dataset::Reader;
use crate::shell::data::DataSet;

#[derive(Deserialize)]
struct Prompt {
    say: String,
}

pub struct Prompts {
    sentences: BTreeMap<String, String>,
}

impl Prompts {
    pub fn read(data: &DataSet) -> Prompts {
        let sources = data.sources("protocols/");
        let mut reader = Reader::open(&sources);
        let entries = reader.take::<Prompt>("prompt");
        Prompts { sentences: entries.into_iter().map(|e| (e.head.id, e.body.say)).collect() }
    }

    /// The sentence, `{slot}` filled in. A sentence that is missing from the data is its id read aloud: a fault must not
    /// be silent because a data file is poor.
    pub fn say(&self, id: &str, slots: &[(&str, &str)]) -> String {
        let mut text = self.sentences.get(id).cloned().unwrap_or_else(|| id.replace(['.', '_'], " "));
        for (slot, value) in slots {
            text = text.replace(&format!("{{{slot}}}"), value);
        }
        text
    }

    /// Whether the data has this sentence.
    pub fn has(&self, id: &str) -> bool {
        self.sentences.contains_key(id)
    }
}
