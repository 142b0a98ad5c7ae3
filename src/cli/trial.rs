//! The calls that a local set brings with it (`calls/*.call`), played under it: which of its own rules spoke in one and
//! were silent in another. Part of `check`.

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};

use anyhow::{Context, Result};
use chrono::DateTime;

use crate::core::encounter::{Effect, Encounter, Input, Knowledge};
use crate::core::event::{Body, Closed, Opened};
use crate::core::time::Moment;
use crate::core::utterance::Transcript;
use crate::shell::script::{self, Action, Step};

/// When the calls are played: dates in them are told apart from it.
const START: &str = "2027-03-01T14:00:00-05:00";

/// What the calls below `dir` show of the local rules, in words.
///
/// # Errors
/// A call that cannot be read or is no script.
pub fn report(knowledge: &Knowledge, dir: &Path) -> Result<Vec<String>> {
    let local = knowledge.protocol.local_rule_ids();
    if local.is_empty() {
        return Ok(Vec::new());
    }
    let calls = calls(&dir.join("calls"))?;
    let mut spoke: BTreeMap<String, usize> = BTreeMap::new();
    for call in &calls {
        let rules = play(knowledge, &script::read(call)?)?;
        rules.into_iter().for_each(|rule| *spoke.entry(rule).or_default() += 1);
    }
    let times = |id: &&String| spoke.get(*id).copied().unwrap_or(0);
    let (never, tested): (Vec<&String>, Vec<&String>) = local.iter().partition(|id| times(id) == 0);
    let always: Vec<&String> = tested.into_iter().filter(|id| times(id) == calls.len()).collect();
    let mut out = Vec::new();
    if never.is_empty() && always.is_empty() {
        out.push(format!("calls: {}; each rule of this set speaks in one and is silent in another", calls.len()));
    }
    if !never.is_empty() {
        out.push(format!(
            "not tested, no call in which they speak: {} (hint: put one into `calls/NAME.call`)",
            list(&never)
        ));
    }
    if !always.is_empty() {
        out.push(format!("not tested, no call in which they are silent: {}", list(&always)));
    }
    Ok(out)
}

fn list(ids: &[&String]) -> String {
    ids.iter().map(|id| format!("`{id}`")).collect::<Vec<_>>().join(", ")
}

fn calls(dir: &Path) -> Result<Vec<PathBuf>> {
    if !dir.is_dir() {
        return Ok(Vec::new());
    }
    let entries = std::fs::read_dir(dir).with_context(|| format!("{}: cannot be read", dir.display()))?;
    let mut calls: Vec<PathBuf> = entries.filter_map(|entry| entry.ok().map(|e| e.path())).collect();
    calls.retain(|path| path.extension().is_some_and(|e| e == "call"));
    calls.sort();
    Ok(calls)
}

/// The rules that spoke.
fn play(knowledge: &Knowledge, steps: &[Step]) -> Result<BTreeSet<String>> {
    let start = Moment::new(0, DateTime::parse_from_rfc3339(START)?);
    let mut encounter = Encounter::new(knowledge);
    let mut effects = encounter.handle(Input::Open(Opened::default()), start);
    for step in steps {
        let now = start.plus_ms(step.at_ms);
        effects.extend(encounter.run_to(now));
        if let Action::Say(words) = &step.action {
            let transcript = Transcript::script(words);
            effects.extend(encounter.handle(Input::Heard { transcript, spoken_at: now }, now));
        }
    }
    let end = start.plus_ms(steps.last().map_or(0, |step| step.at_ms));
    effects.extend(encounter.handle(Input::Close(Closed::default()), end));
    let rules = effects.into_iter().filter_map(|effect| match effect {
        Effect::Append(event) => match event.body {
            Body::Advice(advice) => Some(advice.rule),
            _ => None,
        },
        _ => None,
    });
    Ok(rules.collect())
}
