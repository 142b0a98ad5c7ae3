//! What is not sure of what was heard: other readings, cut ages, half a denial. It stands unconfirmed and is asked about.

use serde_json::Value as Json;

use crate::core::finding::{Field, Finding, Kind, Value};
use crate::core::grammar::Grammar;
use crate::core::text::Break;
use crate::core::time::Moment;
use crate::core::utterance::{Change, Doubt, Transcript, Whose};

use super::Conversation;
use super::over_ours::{SURE_OVER_OURS, is_unsure_over_ours, without_our_values};
use super::taken::{Taken, has_number, recorded};

/// Rival texts parsed for one utterance.
const RIVALS: usize = 12;

/// How likely the other is of two readings that nothing tells apart (0 to 1). Our own choice, no source.
pub const EVEN: f64 = 0.5;

/// An utterance of which only a part is understood is believed from this mean probability of its tokens on (0 to 1); below
/// it the part may be made up from something else. Measured: the two silent errors of the tuning voices that were neither
/// a digit nor a route ("acetaminophen one milligrams" as "a 10 year old") had 0.17 and 0.23 (docs/hearing.md).
pub(super) const SURE_IN_PART: f64 = 0.3;

impl Conversation {
    /// Parses what else the sound may have been; where a value differs, it is doubtful.
    pub(super) fn weigh_rivals(&self, grammar: &Grammar, transcript: &Transcript, when: Moment, taken: &mut Taken) {
        let twins = grammar.lexicon().twins(&transcript.text).into_iter().map(|text| (text, EVEN));
        for (text, probability) in rivals(transcript).into_iter().chain(twins.take(RIVALS)) {
            let other = self.understand(grammar, &text, when);
            if other.rejected || other.ambiguous {
                continue;
            }
            doubt_where_different(taken, &other, probability);
        }
        if let Some(text) = grammar.lexicon().unpaused(&transcript.text) {
            let other = self.understand(grammar, &text, when);
            if denies_what_stands(taken, &other) {
                doubt_where_different(taken, &other, EVEN);
            }
        }
    }
}

/// Doubts what the sound does not bear out, and what cannot be meant as it stands.
pub(super) fn doubt_what_is_unsure(grammar: &Grammar, transcript: &Transcript, taken: &mut Taken) {
    // Beside a sentence of the crew's a piece of ours is heard a little better: "90, sats, third hand, ..." at 0.61.
    // However well it is heard, beside words that mean nothing it is a piece of ours: "state, saturation 96, is it's room air".
    let sounded = transcript.talked_over || transcript.mixed;
    let unsure = transcript.confidence < SURE_OVER_OURS || !taken.leftover.is_empty();
    if let Some(own_voice) = transcript.own_voice.as_ref().filter(|_| sounded && unsure) {
        without_our_values(grammar, own_voice, taken);
    }
    doubt_two_ages(taken);
    doubt_half_denied(grammar, &transcript.text, taken);
    let in_part = transcript.confidence < SURE_IN_PART && !taken.leftover.is_empty();
    // "152 over 90, four" may have been 94: beside a number that can not be, its neighbours are asked.
    let unsure = transcript.guessed || in_part || is_unsure_over_ours(transcript);
    if unsure || taken.rejected || transcript.whose == Whose::Ours {
        doubt_all(taken, transcript.confidence);
    }
    if transcript.mixed {
        // Words of ours were in the sound: a value or a drug may have lost a part, or gained one.
        doubt_those(taken, transcript.confidence, may_hurt);
    }
}

/// Whole rival texts, and the text with one word replaced by its rival.
pub(super) fn rivals(transcript: &Transcript) -> Vec<(String, f64)> {
    let mut all: Vec<(String, f64)> =
        transcript.rivals.iter().filter(|(text, _)| *text != transcript.text).cloned().collect();
    for (at, word) in transcript.words.iter().enumerate() {
        for (rival, probability) in &word.rivals {
            let words: Vec<&str> = transcript
                .words
                .iter()
                .enumerate()
                .map(|(i, w)| if i == at { rival.as_str() } else { w.text.as_str() })
                .map(str::trim)
                .collect();
            all.push((words.join(" "), *probability));
        }
    }
    all.truncate(RIVALS);
    all
}

/// Everything recorded is doubtful, with no rival known.
fn doubt_all(taken: &mut Taken, probability: f64) {
    doubt_those(taken, probability, |_| true);
}

/// Two ages in one breath ("she is 60, 80 years old") are one that was cut in two: neither stands.
fn doubt_two_ages(taken: &mut Taken) {
    let age = |finding: &Finding| finding.get(Field::AgeYears).cloned();
    let ages: Vec<Value> = taken.changes.iter().filter_map(recorded).filter_map(age).collect();
    if ages.iter().any(|age| Some(age) != ages.first()) {
        doubt_those(taken, EVEN, |finding| age(finding).is_some());
    }
}

/// "No kiwi allergies", "no allergies to kiwi" say nothing of other allergies: where what was denied is not understood, it
/// is not "none".
fn doubt_half_denied(grammar: &Grammar, text: &str, taken: &mut Taken) {
    if taken.leftover.is_empty() {
        return;
    }
    let on = grammar.utterance(text);
    let begins_leftover = |at: usize| {
        let word = on.tokens.get(at).map(|token| token.text.as_str());
        word.is_some() && taken.leftover.iter().any(|left| left.split(' ').next() == word)
    };
    // The words that a denial reaches over, up to the next pause.
    let reach = |from: usize| {
        let pause = on.tokens.iter().skip(from).position(|token| matches!(token.after, Break::Comma | Break::Stop));
        from..pause.map_or(on.tokens.len(), |words| from + words)
    };
    let narrowed = |from: usize| reach(from).any(|at| grammar.narrows(&on, at) && begins_leftover(at + 1));
    let half = |at: usize| grammar.is_denier(&on, at) && (begins_leftover(at + 1) || narrowed(at));
    if (0..on.tokens.len()).any(half) {
        doubt_those(taken, EVEN, |finding| finding.flag(Field::None) == Some(true));
    }
}

/// The recorded findings that `which` picks are doubtful, with no rival known.
pub(super) fn doubt_those(taken: &mut Taken, probability: f64, mut which: impl FnMut(&Finding) -> bool) {
    let mut index = 0;
    for change in &mut taken.changes {
        let (Change::Record(finding) | Change::Correct { finding, .. }) = change else { continue };
        if which(finding) {
            if !taken.doubts.iter().any(|d| d.finding == index) {
                let told = |field: &Field| !matches!(field, Field::Unconfirmed | Field::HappenedAt | Field::Said);
                // A number is what is read back, where there is one: "aspirin three twenty?", not "aspirin aspirin?".
                let fields = || finding.fields().filter(|(field, _)| told(field) && *field != Field::Patient);
                let (field, heard) = fields()
                    .find(|(_, value)| value.as_number().is_some())
                    .or_else(|| fields().next())
                    .map_or((String::new(), Json::Null), |(field, value)| (field.name().to_string(), as_json(value)));
                taken.doubts.push(Doubt { finding: index, field, heard, or: Vec::new(), probability });
            }
            finding.set(Field::Unconfirmed, Value::Flag(true));
        }
        index += 1;
    }
}

fn as_json(value: &Value) -> Json {
    serde_json::to_value(Finding::new(Kind::Events).with(Field::Text, value.clone()))
        .ok()
        .and_then(|json| json.get("text").cloned())
        .unwrap_or(Json::Null)
}

/// True if `other` has a finding absent of a kind that is not absent in `taken`.
fn denies_what_stands(taken: &Taken, other: &Taken) -> bool {
    // "No, no allergies" denies them either way.
    let none = |finding: &&Finding| finding.flag(Field::None) == Some(true);
    let absent = |finding: &&Finding| finding.flag(Field::Present) == Some(false) && !none(finding);
    let denied = other.changes.iter().filter_map(recorded).filter(absent);
    let standing = |kind: Kind| taken.changes.iter().filter_map(recorded).any(|f| f.kind() == kind && !absent(&f));
    denied.map(Finding::kind).any(standing)
}

/// Doubts each value that another reading has otherwise.
fn doubt_where_different(taken: &mut Taken, other: &Taken, probability: f64) {
    let kinds = |t: &Taken| t.changes.iter().map(|c| recorded(c).map(Finding::kind)).collect::<Vec<_>>();
    if kinds(taken) != kinds(other) {
        return doubt_unshared(taken, other, probability);
    }
    let mut index = 0;
    for (change, rival) in taken.changes.iter_mut().zip(other.changes.iter().map(recorded)) {
        let (Change::Record(finding) | Change::Correct { finding, .. }) = change else { continue };
        let Some(rival) = rival else { continue };
        for (field, value) in rival.fields() {
            let told = !matches!(field, Field::Unconfirmed | Field::HappenedAt | Field::Said | Field::WeightSaid);
            let heard = finding.get(field);
            if told && heard != Some(value) {
                let heard = heard.map_or(Json::Null, as_json);
                let (field, or) = (field.name().into(), vec![as_json(value)]);
                let doubt = Doubt { finding: index, field, heard, or, probability: 1.0 - probability };
                add_doubt(&mut taken.doubts, doubt);
            }
        }
        if taken.doubts.iter().any(|d| d.finding == index) {
            finding.set(Field::Unconfirmed, Value::Flag(true));
        }
        index += 1;
    }
}

/// One more thing that a field may have been is an option of the doubt that it already has.
fn add_doubt(doubts: &mut Vec<Doubt>, doubt: Doubt) {
    let Some(known) = doubts.iter_mut().find(|d| d.finding == doubt.finding && d.field == doubt.field) else {
        return doubts.push(doubt);
    };
    let new = doubt.or.into_iter().filter(|or| !known.or.contains(or)).collect::<Vec<_>>();
    known.or.extend(new);
    known.probability = known.probability.min(doubt.probability);
}

/// Doubts what a rival that is wholly understood does not record at all: a drug given where it may have been planned.
fn doubt_unshared(taken: &mut Taken, other: &Taken, probability: f64) {
    let mut shared: Vec<Kind> = other.changes.iter().filter_map(recorded).map(Finding::kind).collect();
    if shared.is_empty() || !other.leftover.is_empty() {
        return;
    }
    doubt_those(taken, 1.0 - probability, |finding| match shared.iter().position(|kind| *kind == finding.kind()) {
        Some(at) => {
            shared.swap_remove(at);
            false
        }
        None => true,
    });
}

/// A number, or a drug.
fn may_hurt(finding: &Finding) -> bool {
    let drug = matches!(
        finding.kind(),
        Kind::MedicationPlanned | Kind::MedicationGiven | Kind::MedicationTaken | Kind::Allergy
    );
    drug || has_number(finding)
}

/// Doubts of the finding that is recorded next.
pub(super) fn doubt_next(taken: &mut Taken, doubts: Vec<Doubt>) {
    let index = taken.changes.iter().filter(|c| recorded(c).is_some()).count();
    taken.doubts.extend(doubts.into_iter().map(|d| Doubt { finding: index, ..d }));
}
