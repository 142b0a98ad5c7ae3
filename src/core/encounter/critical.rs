//! A value that makes a patient unstable is read back, also where it was heard clearly: in the sentence that warns of it,
//! because speech is rationed. It stands as heard; "correct" settles it, another number corrects it, a "no" asks for it.
//! Nobody is asked a second time; unanswered and not measured again, it is named on arrival as not confirmed.

use crate::core::decimal::Decimal;
use crate::core::event::{Advice, AdviceType};
use crate::core::finding::{Field, Finding, Value};
use crate::core::ledger::Entry;
use crate::core::prompt::{clear_number, digit_words};
use crate::core::protocol::Protocol;
use crate::core::vitals::{Level, Who, limits};

use super::clocks::spoken_kind;
use super::doubt;
use super::state::State;

/// What is said behind the warning.
const READ_BACK: &str = "doubt.critical";
/// Longer than so many words no warning is: where all values do not fit the gravest is read back, or none. Our own choice.
const WORDS: usize = 14;

/// The warning with the values behind it that no other sentence read back.
pub fn with_values(state: &State, protocol: &Protocol, advice: Advice) -> Advice {
    if advice.kind != AdviceType::AbnormalVital {
        return advice;
    }
    let entries = advice.because.iter().filter_map(|seq| state.ledger.find(*seq)).filter(|e| !named_before(state, e));
    let mut values: Vec<(&Entry, Decimal)> = entries.filter_map(|e| Some((e, value(state, protocol, e)?))).collect();
    // The sign that the warning is about comes first, as it does there.
    values.sort_by_key(|(entry, _)| entry.finding.kind().name() != advice.about);
    let Some((_, lead)) = values.first() else { return advice };
    let sentence = |values: &str| {
        let slots = vec![("values".to_string(), Value::text(values))];
        format!("{}. {}", advice.say, protocol.say(READ_BACK, &slots).0)
    };
    let named = |read: fn(Decimal) -> String| {
        let kind = |entry: &Entry| spoken_kind(protocol, entry.finding.kind().name());
        let named = values.iter().map(|(entry, value)| format!("{} {}", kind(entry), read(*value)));
        // "Four?" behind "five minutes" is four of what?
        let short = lead.as_f64() < 10.0;
        (values.len() > 1 || short).then(|| named.collect::<Vec<_>>().join(", "))
    };
    // Fullest first: "eight eight" by itself is hard to catch, "eighty eight, eight eight" is not.
    let forms = [named(clear_number), named(digit_words), Some(clear_number(*lead)), Some(digit_words(*lead))];
    let mut says = forms.iter().flatten().map(|values| sentence(values));
    let say = says.find(|say| say.split_whitespace().count() <= WORDS);
    Advice { say: say.unwrap_or_else(|| advice.say.clone()), ..advice }
}

/// In doubt it was asked about by itself; an earlier warning about it named it.
fn named_before(state: &State, entry: &Entry) -> bool {
    let warned = |advice: &Advice| advice.kind == AdviceType::AbnormalVital && advice.because.contains(&entry.seq);
    entry.unconfirmed()
        || entry.confirmed.is_some()
        || state.said.iter().any(|s| warned(&s.advice) || asked(&s.advice, entry))
}

fn asked(advice: &Advice, entry: &Entry) -> bool {
    doubt::is_question(&advice.rule) && advice.because.contains(&entry.seq)
}

/// The number that crosses a limit of the gravest kind.
fn value(state: &State, protocol: &Protocol, entry: &Entry) -> Option<Decimal> {
    let who = Who::of(&state.ledger, entry.finding.patient());
    let hit = limits::crossed(&protocol.vitals, &entry.finding, who)?;
    let field = Field::from_name(&hit.limit.body.field).filter(|_| hit.limit.body.level == Level::Unstable)?;
    as_told(&entry.finding).or_else(|| entry.finding.get(field)?.as_number())
}

/// A converted value is read back in the unit in which it was told: nobody knows a "forty" again who said "one oh four".
fn as_told(finding: &Finding) -> Option<Decimal> {
    finding.get(Field::Said)?.part("value")?.as_number()
}
