//! Walks `tests/whole_calls/*.txt`: whole calls as crews talk, with what must be said within which seconds, and what must
//! not be said at all. What else is said may change as more is understood; the stories of `tests/encounters` are exact.
//!
//! `== title` begins a call; `MM:SS words` is spoken then, `MM:SS` alone moves the clock, the last line ends the record.
//! `+ MM:SS MM:SS pattern` must be said between these moments; `- pattern` never, `- MM:SS MM:SS pattern` not between them. A
//! pattern is a regular expression over `priority type/about: sentence [rule]`, the moment of the decision, and over `spoken:
//! sentence`, the moment at which it was let through to the voice. `#` starts a comment.

use std::fs;
use std::path::Path;

use chrono::DateTime;
use regex::Regex;

use thirdhand::core::encounter::{Effect, Encounter, Input, Knowledge};
use thirdhand::core::event::{Advice, Body, Closed, Opened};
use thirdhand::core::grammar::Grammar;
use thirdhand::core::protocol::Protocol;
use thirdhand::core::time::Moment;
use thirdhand::core::utterance::Transcript;
use thirdhand::shell::data::DataSet;

/// Most words spoken in a call: so many, and so many more a minute. Our own choice; the share of the busiest is printed.
const WORDS: f64 = 30.0;
const WORDS_A_MINUTE: f64 = 12.0;

#[derive(Default)]
struct Call {
    place: String,
    steps: Vec<(u64, String)>,
    rules: Vec<Rule>,
}

struct Rule {
    wanted: bool,
    from: u64,
    to: u64,
    pattern: Regex,
}

fn seconds(clock: &str) -> Option<u64> {
    let (minutes, seconds) = clock.split_once(':')?;
    Some(minutes.parse::<u64>().ok()? * 60 + seconds.parse::<u64>().ok()?)
}

fn rule(line: &str) -> Rule {
    let (sign, rest) = line.split_at(2);
    let mut words = rest.splitn(3, ' ');
    let window = (words.next().and_then(seconds), words.next().and_then(seconds));
    let (from, to, pattern) = match window {
        (Some(from), Some(to)) => (from, to, words.next().unwrap_or("")),
        _ => (0, u64::MAX, rest),
    };
    assert!(!pattern.trim().is_empty(), "no pattern: {line}");
    let pattern = Regex::new(pattern.trim()).unwrap_or_else(|why| panic!("{line}: {why}"));
    Rule { wanted: sign == "+ ", from, to, pattern }
}

fn calls() -> Vec<Call> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/whole_calls");
    let mut files: Vec<_> = fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path()).collect();
    files.retain(|path| path.extension().is_some_and(|e| e == "txt"));
    files.sort();
    let mut calls: Vec<Call> = Vec::new();
    for file in files {
        let name = file.file_name().unwrap().to_string_lossy().to_string();
        for (number, line) in fs::read_to_string(&file).unwrap().lines().enumerate() {
            let line = line.trim();
            if line.is_empty() || line.starts_with('#') {
                continue;
            }
            if let Some(title) = line.strip_prefix("== ") {
                calls.push(Call { place: format!("{name}:{} {title}", number + 1), ..Call::default() });
                continue;
            }
            let call = calls.last_mut().unwrap_or_else(|| panic!("{name}:{}: no call yet", number + 1));
            if line.starts_with("+ ") || line.starts_with("- ") {
                call.rules.push(rule(line));
            } else {
                let (clock, words) = line.split_once(' ').unwrap_or((line, ""));
                let at = seconds(clock).unwrap_or_else(|| panic!("{name}:{}: `{clock}` is no MM:SS", number + 1));
                call.steps.push((at * 1000, words.trim().to_string()));
            }
        }
    }
    calls
}

fn at(ms: u64) -> Moment {
    let start = DateTime::parse_from_rfc3339("2027-03-01T14:00:00-05:00").unwrap();
    Moment::new(0, start).plus_ms(ms)
}

/// What one call comes to: lines with their second, and how many words were advised.
#[derive(Default)]
struct Played {
    lines: Vec<(u64, String)>,
    words: usize,
}

impl Played {
    fn take(&mut self, effects: Vec<Effect>, now_ms: u64) {
        for effect in effects {
            match effect {
                Effect::Append(event) => {
                    let Body::Advice(advice) = event.body else { continue };
                    self.words += advice.say.split_whitespace().count();
                    self.lines.push((event.when.mono_ms / 1000, line(&advice)));
                }
                Effect::Speak(speech) => self.lines.push((now_ms / 1000, format!("spoken: {}", speech.say))),
                _ => {}
            }
        }
    }
}

fn play(knowledge: &Knowledge, call: &Call) -> Played {
    let mut encounter = Encounter::new(knowledge);
    let mut played = Played::default();
    played.take(encounter.handle(Input::Open(Opened::default()), at(0)), 0);
    for (ms, words) in &call.steps {
        while let Some(due) = encounter.next_deadline().filter(|due| due <= ms) {
            played.take(encounter.handle(Input::Tick, at(due)), due);
            assert!(
                encounter.next_deadline().is_none_or(|next| next > due),
                "{}: a deadline does not pass",
                call.place
            );
        }
        if !words.is_empty() {
            let transcript = Transcript::script(words);
            played.take(encounter.handle(Input::Heard { transcript, spoken_at: at(*ms) }, at(*ms)), *ms);
        }
    }
    let end = call.steps.last().map_or(0, |(ms, _)| *ms);
    played.take(encounter.handle(Input::Close(Closed::default()), at(end)), end);
    played
}

fn line(advice: &Advice) -> String {
    let word = |value: serde_json::Value| value.as_str().unwrap_or("").to_string();
    let priority = word(serde_json::to_value(advice.priority).unwrap());
    let kind = word(serde_json::to_value(advice.kind).unwrap());
    format!("{priority} {kind}/{}: {} [{}]", advice.about, advice.say, advice.rule)
}

#[test]
fn what_must_be_said_is_said_and_what_must_not_is_not() {
    let data = DataSet::built_in();
    let grammar = Grammar::load(&data.sources("grammars/")).unwrap();
    let protocol = Protocol::load(&data.sources("protocols/")).unwrap();
    let knowledge = Knowledge { grammar, protocol };
    let calls = calls();
    let (mut wrong, mut busiest, mut musts) = (Vec::new(), (0.0, String::new()), 0);
    for call in &calls {
        assert!(!call.rules.is_empty() && !call.steps.is_empty(), "{}: nothing is expected of it", call.place);
        let Played { lines, words } = play(&knowledge, call);
        for rule in &call.rules {
            let mut hits = lines.iter().filter(|(s, l)| (rule.from..=rule.to).contains(s) && rule.pattern.is_match(l));
            musts += usize::from(rule.wanted);
            match (rule.wanted, hits.next()) {
                (true, None) => wrong.push(format!("{}: not said: {}\n  said {lines:#?}", call.place, rule.pattern)),
                (false, Some(hit)) => wrong.push(format!("{}: must not be said: {hit:?}", call.place)),
                _ => {}
            }
        }
        let minutes = call.steps.last().map_or(0.0, |(ms, _)| *ms as f64 / 60_000.0);
        let share = words as f64 / (WORDS + WORDS_A_MINUTE * minutes);
        if share > busiest.0 {
            busiest = (share, call.place.clone());
        }
    }
    println!(
        "{} calls, {musts} sentences that must be said; the busiest speaks {:.2} of its bound: {}",
        calls.len(),
        busiest.0,
        busiest.1
    );
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
    assert!(busiest.0 < 1.0, "too many words: {busiest:?}");
}
