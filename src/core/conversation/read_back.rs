//! Which sentences read a value back: a question about it, and a warning that names it digit by digit. Such a warning is
//! its read-back too, so that nobody hears a second sentence about it.

use crate::core::event::{Advice, AdviceType};
use crate::core::ledger::Entry;
use crate::core::prompt::digit_words;

use super::echo::holds;

/// A warning that names a value of `entry` digit by digit; an answer settles it as it settles a question.
pub fn warns_of_value(advice: &Advice, entry: &Entry) -> bool {
    let warns = matches!(advice.kind, AdviceType::AbnormalVital | AdviceType::Contraindication);
    let said = words(&advice.say);
    let named = |number| words(&digit_words(number));
    let numbers = entry.finding.fields().filter_map(|(_, value)| value.as_number());
    warns && advice.because.contains(&entry.seq) && numbers.map(named).any(|value| holds(&said, &value))
}

/// What of `about` the sentence reads back.
pub fn read_back_by<'a>(advice: &Advice, about: impl Iterator<Item = &'a Entry>) -> Vec<u64> {
    let asks = matches!(advice.kind, AdviceType::ReadBack | AdviceType::Inconsistency);
    about.filter(|entry| asks || warns_of_value(advice, entry)).map(|entry| entry.seq).collect()
}

fn words(text: &str) -> Vec<String> {
    let words = text.split(|c: char| !c.is_alphanumeric()).filter(|word| !word.is_empty());
    words.map(str::to_lowercase).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::core::event::Priority;
    use crate::core::finding::{Field, Finding, Kind, Value};
    use crate::core::time::Moment;

    fn entry(finding: Finding) -> Entry {
        let when = Moment::new(0, chrono::DateTime::parse_from_rfc3339("2027-03-01T14:00:00-05:00").unwrap());
        Entry { seq: 4, when, from: None, finding, replaced: Vec::new(), retracted: None, confirmed: None }
    }

    fn advice(kind: AdviceType, say: &str) -> Advice {
        Advice {
            kind,
            priority: Priority::Medium,
            about: "pulse".into(),
            say: say.into(),
            rule: "r".into(),
            because: vec![4],
            source: "s".into(),
            say_aloud: None,
        }
    }

    #[test]
    fn a_warning_that_names_the_value_reads_it_back_and_one_that_does_not_waits_for_nothing() {
        let pulse = entry(Finding::new(Kind::Pulse).with(Field::RatePerMin, Value::int(138)));
        let four = entry(Finding::new(Kind::Respirations).with(Field::RatePerMin, Value::int(4)));
        let warns = |say: &str, of: &Entry| warns_of_value(&advice(AdviceType::AbnormalVital, say), of);
        assert!(warns("fast pulse: unstable, five minutes. One three eight?", &pulse));
        assert!(warns("Nitro, hold: pulse one thirty eight, one three eight.", &pulse));
        assert!(!warns("fast pulse: unstable, five minutes", &pulse));
        assert!(!warns("fast pulse: one thirty eight", &pulse), "not digit by digit");
        assert!(warns("slow breathing. Breathing four?", &four) && !warns("slow breathing, fourteen", &four));
        let omission = advice(AdviceType::Omission, "Pulse one thirty eight, one three eight");
        assert!(!warns_of_value(&omission, &pulse));
    }
}
