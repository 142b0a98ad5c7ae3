//! The findings of a call without their certainty, counted: what a call from its sound is held against its script by.

use std::collections::BTreeMap;

use serde_json::Value;

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
    (serde_json::to_string(&finding).expect("JSON"), !unconfirmed)
}
