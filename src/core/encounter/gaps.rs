//! The bridge to the clinical rooms: vital signs assessed together, what is missing, scores.

use crate::core::checklist;
use crate::core::clinical::ask;
use crate::core::event::{Advice, AdviceType, Priority};
use crate::core::time::Moment;
use crate::core::vitals::{self, Assessment};

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
    let new = all.into_iter().filter(|a| !told(a)).map(advice);
    (new.map(|a| critical::with_values(state, &knowledge.protocol, a)).collect(), next.map(|due| due.mono_ms))
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
pub fn score(state: &State, knowledge: &Knowledge, name: &str, now: Moment) -> Option<Advice> {
    let scores = &knowledge.protocol.scores;
    let entry = scores.find(name)?;
    let (about, say, because, source) = match ask::score(name, scores, &state.ledger, state.patient(), now) {
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
