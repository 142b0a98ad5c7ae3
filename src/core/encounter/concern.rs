//! What was told that does not go with something else that was told, as data says: a refusal of care by a patient who
//! was said to be confused. Named once a patient, and not where the crew settled it.

use crate::core::event::Advice;
use crate::core::prompt::render;
use crate::core::protocol::facts::{Answer, Facts};
use crate::core::protocol::model::Concern;
use crate::core::protocol::{Entry, Protocol};
use crate::core::time::Moment;

use super::state::State;

/// What is to be said now: the first of those that share an `about`.
pub fn due(state: &State, protocol: &Protocol, now: Moment) -> Vec<Advice> {
    let mut out: Vec<Advice> = Vec::new();
    for concern in &protocol.concerns {
        let about = &concern.body.about;
        if out.iter().any(|a| a.about == *about) || named(state, protocol, about) {
            continue;
        }
        out.extend(one(state, protocol, concern, now));
    }
    out
}

/// A concern with this `about` was spoken of this patient.
fn named(state: &State, protocol: &Protocol, about: &str) -> bool {
    let ours = |rule: &str| protocol.concerns.iter().any(|c| c.id() == rule && c.body.about == about);
    let patient = state.watch(state.patient());
    state.said.iter().any(|s| ours(&s.advice.rule) && s.anchor().is_some_and(|anchor| patient.concerns(anchor)))
}

fn one(state: &State, protocol: &Protocol, concern: &Entry<Concern>, now: Moment) -> Option<Advice> {
    let body = &concern.body;
    let facts = Facts::new(&state.ledger, protocol, state.patient(), now);
    let raised = facts.last_of(&body.after)?;
    if state.transferred(state.patient()) {
        return None;
    }
    let verdict = facts.evaluate(&body.condition);
    if verdict.answer != Answer::Yes {
        return None;
    }
    let newest = verdict.because.iter().copied().chain([raised.seq]).max();
    if facts.last_of(&body.settled_by).map(|e| e.seq) >= newest {
        return None;
    }
    let mut because = vec![raised.seq];
    because.extend(verdict.because.iter().filter(|seq| **seq != raised.seq));
    Some(Advice {
        kind: body.kind,
        priority: body.priority,
        about: body.about.clone(),
        say: render(&body.say, &verdict.slots),
        rule: concern.id().to_string(),
        because,
        source: concern.head.source.clone(),
        say_aloud: body.say_aloud.as_deref().map(|text| render(text, &verdict.slots)),
    })
}
