//! `thirdhand replay RECORD`: what was heard in an old call, heard again under the data in force today, and what would
//! be said now beside what was said then. Nothing is written to the record.

use std::path::Path;

use anyhow::{Result, bail};
use serde_json::json;

use super::reports::print;
use crate::core::encounter::{Effect, Encounter, Input, Knowledge};
use crate::core::event::{Advice, Body, Event};
use crate::core::time::Moment;
use crate::core::utterance::Transcript;
use crate::shell::journal;

/// The same sentence may fall a little later than then: recognition took its time.
const NEAR_MS: u64 = 120_000;

/// One advice at its moment.
#[derive(Clone)]
struct Told {
    when: Moment,
    advice: Advice,
}

/// What was said then, and what would be said now; both where they are about the same.
struct Pair {
    then: Option<Told>,
    now: Option<Told>,
}

pub fn run(path: &Path, knowledge: &Knowledge, as_json: bool) -> Result<()> {
    let record = journal::read(path)?;
    for warning in record.warnings() {
        eprintln!("thirdhand: {warning}");
    }
    if record.events.is_empty() {
        bail!("{}: the record holds no events", path.display());
    }
    let then = advice_of(&record.events);
    let now = advice_of(&heard_again(knowledge, &record.events));
    let pairs = compare(then, now);
    if as_json {
        return print(&pairs.iter().map(|pair| json_line(pair) + "\n").collect::<String>());
    }
    let lines: String = pairs.iter().map(text_line).collect();
    let same = pairs.iter().filter(|pair| pair.mark() == "same").count();
    print(&format!("{lines}{same} the same, {} different\n", pairs.len() - same))
}

/// The words (and findings that came without words) of a record, through an encounter of today.
fn heard_again(knowledge: &Knowledge, events: &[Event]) -> Vec<Event> {
    let mut encounter = Encounter::new(knowledge);
    let mut out = Vec::new();
    for event in events {
        let Some(input) = input(event) else { continue };
        // The wall clock is carried on from the event that is next: a record has no clock of its own in between.
        out.extend(appended(encounter.run_to(event.when)));
        out.extend(appended(encounter.handle(input, event.when)));
    }
    out
}

/// What came from outside; advice and what follows from words is made anew.
fn input(event: &Event) -> Option<Input> {
    Some(match &event.body {
        Body::Opened(opened) => Input::Open(opened.clone()),
        Body::Heard(heard) => {
            let script = Transcript::script(heard.text.as_deref()?);
            let transcript = Transcript { confidence: heard.confidence, audio_ms: heard.audio_ms, ..script };
            Input::Heard { transcript, spoken_at: event.when }
        }
        Body::Finding(finding) if event.from.is_none() => Input::Found(finding.clone()),
        Body::Closed(closed) => Input::Close(closed.clone()),
        _ => return None,
    })
}

fn appended(effects: Vec<Effect>) -> impl Iterator<Item = Event> {
    effects.into_iter().filter_map(|effect| if let Effect::Append(event) = effect { Some(event) } else { None })
}

fn advice_of(events: &[Event]) -> Vec<Told> {
    let told = events.iter().filter_map(|event| match &event.body {
        Body::Advice(advice) => Some(Told { when: event.when, advice: advice.clone() }),
        _ => None,
    });
    told.collect()
}

/// Pairs what says the same about the same thing at about the same time; first word for word (by whatever rule), then by rule.
fn compare(then: Vec<Told>, now: Vec<Told>) -> Vec<Pair> {
    let mut open: Vec<Option<Told>> = now.into_iter().map(Some).collect();
    let mut pairs: Vec<Pair> = then.into_iter().map(|then| Pair { then: Some(then), now: None }).collect();
    for words in [true, false] {
        for pair in pairs.iter_mut().filter(|pair| pair.now.is_none()) {
            let Some(then) = &pair.then else { continue };
            let alike = |now: &&mut Option<Told>| now.as_ref().is_some_and(|now| alike(then, now, words));
            pair.now = open.iter_mut().find(alike).and_then(Option::take);
        }
    }
    pairs.extend(open.into_iter().flatten().map(|now| Pair { then: None, now: Some(now) }));
    pairs.sort_by_key(Pair::at_ms);
    pairs
}

fn alike(then: &Told, now: &Told, words: bool) -> bool {
    let (a, b) = (&then.advice, &now.advice);
    let near = then.when.mono_ms.abs_diff(now.when.mono_ms) <= NEAR_MS;
    let thing = if words { a.say == b.say } else { a.rule == b.rule };
    near && a.kind == b.kind && a.about == b.about && thing
}

impl Pair {
    fn at_ms(&self) -> u64 {
        self.then.as_ref().or(self.now.as_ref()).map_or(0, |told| told.when.mono_ms)
    }

    fn mark(&self) -> &'static str {
        match (&self.then, &self.now) {
            (Some(then), Some(now)) if then.advice.say == now.advice.say => "same",
            (Some(_), Some(_)) => "changed",
            (Some(_), None) => "only_then",
            (None, _) => "only_now",
        }
    }
}

fn text_line(pair: &Pair) -> String {
    let seconds = pair.at_ms() / 1000;
    let clock = format!("{:02}:{:02}", seconds / 60, seconds % 60);
    let line = |mark: char, told: &Told| format!("{mark} {clock}  {}  [{}]\n", told.advice.say, told.advice.rule);
    match (&pair.then, &pair.now) {
        (Some(then), Some(_)) if pair.mark() == "same" => line('=', then),
        (then, now) => {
            let then = then.iter().map(|told| line('-', told));
            then.chain(now.iter().map(|told| line('+', told))).collect()
        }
    }
}

fn json_line(pair: &Pair) -> String {
    let one =
        |told: &Option<Told>| told.as_ref().map(|told| json!({"mono_ms": told.when.mono_ms, "advice": told.advice}));
    json!({"difference": pair.mark(), "then": one(&pair.then), "now": one(&pair.now)}).to_string()
}
