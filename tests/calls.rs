//! Whole calls told in findings, `tests/calls/*.txt`: `MM:SS kind field=value ...`, and under each line what must be
//! advised (`> MM:SS type about rule`), in order and nothing else. `== title` begins a new call; a call may have
//! a local data set written in the lines that start with `|`. Every rule of the vital signs' data fires in one call and
//! is silent in another. Medications and clocks have tests/encounters/.

mod story;

use std::collections::{BTreeMap, BTreeSet};

use story::{clock, files, finding, moment};
use thirdhand::core::encounter::{Effect, Encounter, Input, Knowledge};
use thirdhand::core::event::{Advice, Body, Closed, Event, Opened};
use thirdhand::core::grammar::Grammar;
use thirdhand::core::protocol::Protocol;
use thirdhand::core::source::Source;
use thirdhand::core::time::Moment;
use thirdhand::shell::data::DataSet;

fn knowledge(local: &str) -> Knowledge {
    let data = DataSet::built_in();
    let mut sources = data.sources("protocols/");
    if !local.is_empty() {
        sources.push(Source { path: "protocols/local.toml", text: local, local: true });
    }
    let protocol = Protocol::load(&sources)
        .unwrap_or_else(|all| panic!("{}", all.iter().map(ToString::to_string).collect::<Vec<_>>().join("\n")));
    Knowledge { grammar: Grammar::default(), protocol }
}

/// One call as written.
#[derive(Default)]
struct Call {
    file: String,
    line: usize,
    title: String,
    local: String,
    said: Vec<(String, String)>,
    expected: Vec<String>,
}

fn calls() -> Vec<Call> {
    let mut calls: Vec<Call> = Vec::new();
    for (file, text) in files("calls") {
        for (number, line) in text.lines().enumerate() {
            if let Some(title) = line.strip_prefix("==") {
                let title = title.trim().to_string();
                calls.push(Call { file: file.clone(), line: number + 1, title, ..Call::default() });
                continue;
            }
            let Some(call) = calls.last_mut() else { continue };
            if let Some(data) = line.strip_prefix('|') {
                call.local.push_str(data.strip_prefix(' ').unwrap_or(data));
                call.local.push('\n');
                continue;
            }
            let line = line.split(" #").next().unwrap().trim();
            if let Some(expected) = line.strip_prefix('>') {
                call.expected.push(expected.trim().to_string());
            } else if !line.is_empty() && !line.starts_with('#') {
                let (at, what) = line.split_once(' ').unwrap_or((line, ""));
                call.said.push((at.to_string(), what.to_string()));
            }
        }
    }
    calls
}

/// Plays a call on its own stopwatch; returns every advice with its moment.
fn play(knowledge: &Knowledge, call: &Call) -> Vec<(Moment, Advice)> {
    let mut encounter = Encounter::new(knowledge);
    let mut events: Vec<Event> = Vec::new();
    let mut take = |effects: Vec<Effect>| {
        events
            .extend(effects.into_iter().filter_map(|e| if let Effect::Append(event) = e { Some(event) } else { None }));
    };
    take(encounter.handle(Input::Open(Opened::default()), moment("00:00")));
    for (at, what) in &call.said {
        let now = moment(at);
        while let Some(due) = encounter.next_deadline().filter(|due| *due <= now.mono_ms) {
            take(encounter.handle(Input::Tick, moment("00:00").plus_ms(due)));
            assert!(
                encounter.next_deadline().is_none_or(|next| next > due),
                "{}: a deadline does not pass",
                call.title
            );
        }
        for text in what.split(';').map(str::trim).filter(|t| !t.is_empty()) {
            take(encounter.handle(Input::Found(finding(text)), now));
        }
    }
    let end = call.said.last().map_or(moment("00:00"), |(at, _)| moment(at));
    take(encounter.handle(Input::Close(Closed::default()), end));
    take(encounter.handle(Input::Tick, end.plus_ms(3_600_000)));
    let advice = events.iter().filter_map(|event| match &event.body {
        Body::Advice(advice) => Some((event.when, advice.clone())),
        _ => None,
    });
    advice.collect()
}

fn line(when: Moment, advice: &Advice) -> String {
    let kind = serde_json::to_value(advice.kind).unwrap();
    format!("{} {} {} {}", clock(when), kind.as_str().unwrap(), advice.about, advice.rule)
}

#[test]
fn every_call_gives_its_advice_and_no_other() {
    let shipped = knowledge("");
    let mut wrong = String::new();
    for call in calls() {
        let local = (!call.local.is_empty()).then(|| knowledge(&call.local));
        let advice = play(local.as_ref().unwrap_or(&shipped), &call);
        let said: Vec<String> = advice.iter().map(|(when, a)| line(*when, a)).collect();
        for (_, a) in &advice {
            assert!(!a.say.is_empty() && !a.source.is_empty(), "{}: {a:?}", call.title);
            assert!(!a.say.contains(['{', '}']), "{}: a slot was left open: {}", call.title, a.say);
            let lower = format!(" {} ", a.say.to_lowercase().replace([',', '.', ':', '?'], " "));
            for word in ["stop", "clear", "ok", "okay", "safe"] {
                assert!(!lower.contains(&format!(" {word} ")), "{}: says `{word}`: {}", call.title, a.say);
            }
        }
        if said != call.expected {
            let spoken: Vec<String> = advice.iter().map(|(w, a)| format!("> {}   # {}", line(*w, a), a.say)).collect();
            wrong.push_str(&format!("{}:{} {}\n", call.file, call.line, call.title));
            wrong.push_str(&format!("  said\n{}\n  expected\n> {}\n", spoken.join("\n"), call.expected.join("\n> ")));
        }
    }
    assert!(wrong.is_empty(), "\n{wrong}");
}

/// Limits have a walker of their own (tests/vitals.rs tries every value of every row).
#[test]
fn every_rule_fires_in_one_call_and_is_silent_in_another() {
    let shipped = knowledge("");
    let limits: BTreeSet<&str> = shipped.protocol.vitals.limits.iter().map(|l| l.id()).collect();
    let mut fired: BTreeMap<String, usize> = BTreeMap::new();
    let calls: Vec<Call> = calls().into_iter().filter(|call| call.local.is_empty()).collect();
    for call in &calls {
        let rules: BTreeSet<String> = play(&shipped, call).into_iter().map(|(_, a)| a.rule).collect();
        rules.into_iter().for_each(|rule| *fired.entry(rule).or_default() += 1);
    }
    let ids = shipped.protocol.vitals.ids();
    let never: Vec<&&str> = ids.iter().filter(|id| !limits.contains(**id) && !fired.contains_key(**id)).collect();
    let always: Vec<&&str> = ids.iter().filter(|id| fired.get(**id) == Some(&calls.len())).collect();
    assert!(never.is_empty() && always.is_empty(), "never fired: {never:#?}\nalways fired: {always:?}");
}
