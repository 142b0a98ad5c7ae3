//! The bridge to the clinical rooms: vital signs assessed together, what is missing, scores.

use crate::core::checklist;
use crate::core::clinical::ask::{self, Supposed};
use crate::core::event::{Advice, AdviceType, Priority};
use crate::core::finding::Kind;
use crate::core::ledger::Entry;
use crate::core::time::Moment;
use crate::core::vitals::{self, Assessment};

use super::gate::NEWS_MS;
use super::state::State;
use super::{Knowledge, critical};

/// What the vital signs say now and nobody was told yet, and when time alone may add to that.
pub fn assessed(state: &State, knowledge: &Knowledge, now: Moment) -> (Vec<Advice>, Option<u64>) {
    if state.transferred(state.patient()) {
        return (Vec::new(), None);
    }
    let told =
        |a: &Assessment| state.said.iter().rev().any(|s| s.advice.rule == a.rule && s.advice.because == a.because);
    let (all, next) = vitals::look(&knowledge.protocol.vitals, &state.ledger, state.patient(), now);
    let new = all.into_iter().filter(|a| !told(a) && is_news(state, a, now)).map(advice);
    (new.map(|a| critical::with_values(state, &knowledge.protocol, a)).collect(), next.map(|due| due.mono_ms))
}

/// Somebody said it aloud a while ago, it makes nobody unstable and nothing has changed: told again it only disturbs. A value
/// corrected since, or that another age or a pregnancy shows in another light, is new.
fn is_news(state: &State, a: &Assessment, now: Moment) -> bool {
    if a.kind != AdviceType::AbnormalVital || a.priority != Priority::Low || a.changed {
        return true;
    }
    let late = |e: &Entry| now.since_ms(e.when) > NEWS_MS;
    let corrected = |e: &Entry| e.replaced.last().is_some_and(|(_, by)| *by > state.last_heard);
    let mut entries = a.because.iter().filter_map(|seq| state.ledger.find(*seq));
    let who =
        [Kind::Patient, Kind::Pregnancy].into_iter().filter_map(|kind| state.ledger.latest(kind, state.patient()));
    entries.any(|e| !late(e) || corrected(e)) || who.into_iter().any(|e| !late(e))
}

fn advice(a: Assessment) -> Advice {
    Advice {
        kind: a.kind,
        priority: a.priority,
        about: a.about,
        say: a.say,
        rule: a.rule,
        because: a.because,
        source: a.source,
        say_aloud: None,
    }
}

/// "What is missing?" in one sentence, and what a loudspeaker says instead.
pub fn missing(state: &State, knowledge: &Knowledge, now: Moment) -> checklist::Sentence {
    let lists = &knowledge.protocol.checklists;
    lists.say_missing(&checklist::missing(lists, &state.ledger, state.patient(), None, now))
}

/// The score asked for, or why there is none.
pub fn score(state: &State, knowledge: &Knowledge, name: &str, supposed: Supposed<'_>, now: Moment) -> Option<Advice> {
    let scores = &knowledge.protocol.scores;
    let entry = scores.find(name)?;
    let (about, say, because, source) =
        match ask::supposing(name, scores, &state.ledger, state.patient(), supposed, now) {
            Ok(score) => (score.about, score.say, score.because, score.source),
            Err(missing) => (missing.about, missing.say, Vec::new(), missing.source),
        };
    Some(Advice {
        kind: AdviceType::Score,
        priority: Priority::Medium,
        about,
        say,
        rule: entry.id().to_string(),
        because,
        source,
        say_aloud: None,
    })
}

/// On arrival, the grave things never asked or done, in one sentence, once; `None` where nothing is missing or the crew
/// does not wish it.
pub fn before_handover(state: &State, knowledge: &Knowledge, arrival: u64, now: Moment) -> Option<Advice> {
    let lists = &knowledge.protocol.checklists;
    let words = lists.words.as_ref().filter(|words| words.body.before_handover)?;
    if state.said.iter().any(|said| said.advice.rule == words.id()) {
        return None;
    }
    let missing = checklist::serious_gaps(lists, &state.ledger, state.patient(), now);
    let (say, say_aloud) = lists.say_before_handover(&missing)?;
    Some(Advice {
        kind: AdviceType::Omission,
        priority: Priority::Medium,
        about: missing.first()?.about.clone(),
        say,
        rule: words.id().to_string(),
        because: vec![arrival],
        source: words.head.source.clone(),
        say_aloud,
    })
}
