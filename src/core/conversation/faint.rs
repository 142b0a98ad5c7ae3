//! Words that the sound does not bear out: what hangs on one is asked about.
//!
//! The recogniser writes what is likely by sound and language together, and now and then the language alone brings a word:
//! "Denies viagra or cialis" for "any viagra or cialis?", "a carotid at 42" for 52.

use super::doubt::doubt_those;
use super::{Conversation, Taken, recorded};
use crate::core::finding::{Field, Finding, Kind};
use crate::core::grammar::Grammar;
use crate::core::time::Moment;
use crate::core::utterance::{Transcript, Word};

/// Below this probability (0 to 1) a word is faint. Measured with the tuned model on 503 files of `make eval` that recorded
/// something without a question: of 18 that recorded what was not said 9 had such a word, of the others 33
/// (docs/hearing.md).
const FAINT: f64 = 0.05;

/// The same for a word that names a drug or what somebody is allergic to: there are hundreds of them, and the recogniser
/// writes one that it knows well for one that it does not (docs/hearing.md).
const FAINT_NAME: f64 = 0.15;

impl Conversation {
    /// Whatever would not be recorded, or otherwise, if a faint word had not been said is doubtful.
    pub(super) fn doubt_what_hangs_on_faint_words(
        &self,
        grammar: &Grammar,
        transcript: &Transcript,
        when: Moment,
        taken: &mut Taken,
    ) {
        for (at, word) in transcript.words.iter().enumerate().filter(|(_, word)| word.probability < FAINT_NAME) {
            let may_hang = |finding: &Finding| word.probability < FAINT || names_a_substance(finding);
            if !taken.changes.iter().filter_map(recorded).any(may_hang) {
                continue;
            }
            let without = self.understand(grammar, &all_but(&transcript.words, at), when);
            let stands: Vec<Finding> = without.changes.iter().filter_map(recorded).map(bare).collect();
            doubt_those(taken, word.probability, |finding| may_hang(finding) && !stands.contains(&bare(finding)));
        }
    }
}

fn names_a_substance(finding: &Finding) -> bool {
    let kinds = [
        Kind::Allergy,
        Kind::HomeMedication,
        Kind::RecentUse,
        Kind::MedicationPlanned,
        Kind::MedicationGiven,
        Kind::MedicationTaken,
    ];
    kinds.contains(&finding.kind()) && finding.get(Field::Name).is_some()
}

fn all_but(words: &[Word], at: usize) -> String {
    let rest = words.iter().enumerate().filter(|(i, _)| *i != at);
    rest.map(|(_, word)| word.text.trim()).collect::<Vec<_>>().join(" ")
}

fn bare(finding: &Finding) -> Finding {
    let mut bare = finding.clone();
    bare.remove(Field::Unconfirmed);
    bare
}
