//! What has not been done or asked, and scores: the bridge to `core::clinical` and `core::checklist`.

use crate::core::time::Moment;

use super::Knowledge;
use super::state::State;

/// Short questions, the most important first.
pub fn missing(_state: &State, _knowledge: &Knowledge, _now: Moment) -> Vec<String> {
    Vec::new()
}

/// A score in words, the events it rests on, its source; or what it lacks.
pub fn score(_state: &State, _knowledge: &Knowledge, name: &str, _now: Moment) -> (String, Vec<u64>, Option<String>) {
    (format!("{} is not known here.", name.replace('_', " ")), Vec::new(), None)
}
