//! The findings of a call without their certainty, counted: what a call from its sound is held against its script by.

use std::collections::BTreeMap;

use serde_json::Value;
use thirdhand::core::number_words::below_hundred;

/// Each finding as JSON without its certainty: how often it is there, and how often without a question.
pub type Counted = BTreeMap<String, (usize, usize)>;

pub fn findings<'a>(events: impl IntoIterator<Item = &'a Value>) -> Counted {
    let mut counted = Counted::new();
    for event in events.into_iter().filter(|event| event["kind"] == "finding") {
        let (finding, certain) = without_certainty(&event["finding"]);
        let (times, surely) = counted.entry(finding).or_default();
        *times += 1;
        *surely += usize::from(certain);
    }
    counted
}

/// A finding, and whether it stands without a question.
pub fn without_certainty(finding: &Value) -> (String, bool) {
    let mut finding: BTreeMap<String, Value> = serde_json::from_value(finding.clone()).expect("a finding is an object");
    let unconfirmed = finding.remove("unconfirmed") == Some(Value::Bool(true));
    // That a second voice said the same is about the talk, not about the patient.
    finding.remove("echoed");
    if let Some(text) = finding.get("text").and_then(Value::as_str).map(plain) {
        finding.insert("text".into(), Value::String(text));
    }
    (serde_json::to_string(&finding).expect("JSON"), !unconfirmed)
}

/// Free words as they are compared: how a recogniser spells a number and which article it writes says nothing else.
fn plain(text: &str) -> String {
    let article = |word: &&str| !matches!(*word, "a" | "an" | "the");
    let digits = |word: &str| {
        let number = (0..=20).chain((30..100).step_by(10)).find(|n| below_hundred(*n) == word);
        number.map_or_else(|| word.to_string(), |n: u64| n.to_string())
    };
    text.to_lowercase().split_whitespace().filter(article).map(digits).collect::<Vec<_>>().join(" ")
}
