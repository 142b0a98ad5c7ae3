//! Walks `tests/encounters/*.txt`: a call as it is told, and every advice that it must give, and no other.
//!
//! A story begins with `== title`. A line `MM:SS words` is spoken then (`MM:SS {...}` is a finding in JSON); `MM:SS`
//! alone moves the clock; the last line ends the record. A line `> MM:SS type about rule` is an advice expected, in
//! order; `priority` may follow, and after it a line `>> words` that the sentence must hold. `!> words` is in no sentence of
//! the story. `#` starts a comment. `= MM:SS` restarts the program from its journal at that moment.

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::Path;

use chrono::DateTime;

use thirdhand::core::encounter::{Effect, Encounter, Input, Knowledge};
use thirdhand::core::event::{Advice, AdviceType, Body, Closed, Event, Opened};
use thirdhand::core::finding::{Field, Kind};
use thirdhand::core::grammar::Grammar;
use thirdhand::core::protocol::{Protocol, finding_of};
use thirdhand::core::time::Moment;
use thirdhand::core::utterance::Transcript;
use thirdhand::shell::data::DataSet;

#[derive(Default)]
struct Story {
    place: String,
    title: String,
    steps: Vec<(u64, String)>,
    expected: Vec<String>,
    /// By place in `expected`: words of the sentence.
    wording: Vec<(usize, String)>,
    never: Vec<String>,
}

fn knowledge() -> Knowledge {
    let data = DataSet::built_in();
    let lines = |all: Vec<_>| all.iter().map(ToString::to_string).collect::<Vec<String>>().join("\n");
    let grammar = Grammar::load(&data.sources("grammars/")).unwrap_or_else(|all| panic!("{}", lines(all)));
    let protocol = Protocol::load(&data.sources("protocols/")).unwrap_or_else(|all| panic!("{}", lines(all)));
    Knowledge { grammar, protocol }
}

fn at(ms: u64) -> Moment {
    let start = DateTime::parse_from_rfc3339("2027-03-01T14:00:00-05:00").unwrap();
    Moment::new(0, start).plus_ms(ms)
}

fn seconds(clock: &str) -> u64 {
    let (minutes, seconds) = clock.split_once(':').unwrap_or_else(|| panic!("`{clock}` is no MM:SS"));
    minutes.parse::<u64>().unwrap() * 60 + seconds.parse::<u64>().unwrap()
}

fn stories() -> Vec<Story> {
    let mut files: Vec<_> = fs::read_dir(Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/encounters"))
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .filter(|path| path.extension().is_some_and(|e| e == "txt"))
        .collect();
    files.sort();
    let mut out: Vec<Story> = Vec::new();
    for file in files {
        let name = file.file_name().unwrap().to_string_lossy().to_string();
        for (number, line) in fs::read_to_string(&file).unwrap().lines().enumerate() {
            let line = line.split(" # ").next().unwrap_or("").trim();
            if line.is_empty() || line.starts_with('#') {
                continue;
            }
            if let Some(title) = line.strip_prefix("== ") {
                let place = format!("{name}:{}", number + 1);
                out.push(Story { place, title: title.into(), ..Story::default() });
                continue;
            }
            let story = out.last_mut().unwrap_or_else(|| panic!("{name}:{}: no story yet", number + 1));
            if let Some(words) = line.strip_prefix(">> ") {
                let at = story.expected.len().checked_sub(1).unwrap_or_else(|| panic!("{name}:{}: no `>`", number + 1));
                story.wording.push((at, words.into()));
                continue;
            }
            if let Some(words) = line.strip_prefix("!> ") {
                story.never.push(words.into());
                continue;
            }
            match line.strip_prefix("> ") {
                Some(expected) => story.expected.push(expected.split_whitespace().collect::<Vec<_>>().join(" ")),
                None => {
                    let (line, again) = line.strip_prefix("= ").map_or((line, false), |rest| (rest, true));
                    let (clock, words) = line.split_once(' ').unwrap_or((line, ""));
                    let words = if again { "=".to_string() } else { words.trim().to_string() };
                    story.steps.push((seconds(clock) * 1000, words));
                }
            }
        }
    }
    out
}

struct Played {
    events: Vec<Event>,
    advice: Vec<(u64, Advice)>,
}

/// Plays a story; `ticks` more ticks are thrown in between steps.
fn play(knowledge: &Knowledge, story: &Story, ticks: u64) -> Played {
    let mut encounter = Encounter::new(knowledge);
    let mut events: Vec<Event> = Vec::new();
    let keep = |events: &mut Vec<Event>, effects: Vec<Effect>| {
        events
            .extend(effects.into_iter().filter_map(|e| if let Effect::Append(event) = e { Some(event) } else { None }));
    };
    keep(&mut events, encounter.handle(Input::Open(Opened::default()), at(0)));
    let mut last = 0;
    for (ms, words) in &story.steps {
        for tick in 0..ticks {
            let between = last + (ms - last) * tick / ticks;
            advance(&mut encounter, &mut events, between, &keep);
            keep(&mut events, encounter.handle(Input::Tick, at(between)));
        }
        advance(&mut encounter, &mut events, *ms, &keep);
        last = *ms;
        match words.as_str() {
            "" => {}
            "=" => encounter = Encounter::resume(knowledge, &events),
            json if json.starts_with('{') => {
                let finding = finding_of(json).unwrap_or_else(|why| panic!("{}: {why}", story.place));
                keep(&mut events, encounter.handle(Input::Found(finding), at(*ms)));
            }
            words => {
                let transcript = Transcript::script(words);
                keep(&mut events, encounter.handle(Input::Heard { transcript, spoken_at: at(*ms) }, at(*ms)));
            }
        }
    }
    keep(&mut events, encounter.handle(Input::Close(Closed::default()), at(last)));
    assert_eq!(encounter.next_deadline(), None, "{}: something is due after the record closed", story.place);
    assert!(encounter.handle(Input::Tick, at(last + 7_200_000)).is_empty(), "{}: speaks after close", story.place);
    let advice = events.iter().filter_map(|event| match &event.body {
        Body::Advice(advice) => Some((event.when.mono_ms / 1000, advice.clone())),
        _ => None,
    });
    Played { advice: advice.collect(), events: events.clone() }
}

fn advance(
    encounter: &mut Encounter,
    events: &mut Vec<Event>,
    to_ms: u64,
    keep: &dyn Fn(&mut Vec<Event>, Vec<Effect>),
) {
    while let Some(due) = encounter.next_deadline().filter(|due| *due <= to_ms) {
        keep(events, encounter.handle(Input::Tick, at(due)));
        assert!(encounter.next_deadline().is_none_or(|next| next > due), "a deadline at {due} ms does not pass");
    }
}

fn told(advice: &[(u64, Advice)]) -> Vec<String> {
    let line = |(second, a): &(u64, Advice)| {
        let kind = serde_json::to_value(a.kind).unwrap();
        let priority = serde_json::to_value(a.priority).unwrap();
        let (kind, priority) = (kind.as_str().unwrap(), priority.as_str().unwrap());
        format!("{:02}:{:02} {kind} {} {} {priority}", second / 60, second % 60, a.about, a.rule)
    };
    advice.iter().map(line).collect()
}

#[test]
fn every_story_gives_its_advice_and_no_other() {
    let knowledge = knowledge();
    let mut wrong = Vec::new();
    for story in stories() {
        let played = play(&knowledge, &story, 0);
        let told = told(&played.advice);
        let agree = told.len() == story.expected.len()
            && told
                .iter()
                .zip(&story.expected)
                .all(|(told, expected)| (told.clone() + " ").starts_with(&(expected.clone() + " ")));
        if !agree {
            let lines = told.iter().zip(&played.advice).map(|(l, (_, a))| format!("  > {l} # {}", a.say));
            let lines = lines.collect::<Vec<_>>().join("\n");
            wrong.push(format!(
                "{}: {}\n  expected {} advice, got:\n{lines}",
                story.place,
                story.title,
                story.expected.len()
            ));
            continue;
        }
        let says = |at: usize| played.advice.get(at).map_or("", |(_, a)| a.say.as_str());
        for (at, words) in story.wording.iter().filter(|(at, words)| !says(*at).contains(words.as_str())) {
            wrong.push(format!("{}: {}: \"{}\" does not hold \"{words}\"", story.place, story.title, says(*at)));
        }
        for words in &story.never {
            let said = played.advice.iter().find(|(_, a)| a.say.to_lowercase().contains(&words.to_lowercase()));
            wrong.extend(said.map(|(_, a)| format!("{}: {}: says \"{}\"", story.place, story.title, a.say)));
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn spurious_ticks_and_restarts_change_nothing() {
    let knowledge = knowledge();
    for story in stories() {
        let plain = play(&knowledge, &story, 0);
        let ticked = play(&knowledge, &story, 3);
        assert_eq!(plain.events, ticked.events, "{}: ticks change it", story.place);
        let restarted = Story {
            place: story.place.clone(),
            title: story.title.clone(),
            steps: story.steps.iter().flat_map(|s| [s.clone(), (s.0, "=".to_string())]).collect(),
            ..Story::default()
        };
        assert_eq!(
            told(&plain.advice),
            told(&play(&knowledge, &restarted, 0).advice),
            "{}: restarting from the journal changes it",
            story.place
        );
    }
}

#[test]
fn no_sentence_gives_a_forbidden_order_or_runs_long() {
    let knowledge = knowledge();
    for story in stories() {
        for (_, advice) in play(&knowledge, &story, 0).advice {
            let words: Vec<String> = advice
                .say
                .split_whitespace()
                .map(|w| w.to_lowercase().trim_matches(|c: char| !c.is_alphanumeric()).into())
                .collect();
            for order in ["stop", "clear", "ok", "okay", "safe"] {
                assert!(!words.iter().any(|w| w == order), "{}: \"{}\" says `{order}`", story.place, advice.say);
            }
            let answer = advice.rule.starts_with("answer.");
            assert!(answer || words.len() <= 14, "{}: \"{}\" is long", story.place, advice.say);
        }
    }
}

/// What fell due and was done before anybody could say it is taken back, from the voice and from behind the gate.
#[test]
fn a_reminder_that_is_done_before_it_is_spoken_is_withdrawn() {
    let knowledge = knowledge();
    let effects = |words: &[(u64, &str)]| {
        let mut encounter = Encounter::new(&knowledge);
        encounter.handle(Input::Open(Opened::default()), at(0));
        let mut last = Vec::new();
        for (ms, words) in words {
            let transcript = Transcript::script(words);
            let input = if words.is_empty() { Input::Tick } else { Input::Heard { transcript, spoken_at: at(*ms) } };
            last.extend(encounter.handle(input, at(*ms)));
        }
        last
    };
    let withdrawn = |words: &[(u64, &str)]| {
        let effects = effects(words);
        let due = effects.iter().find_map(|effect| match effect {
            Effect::Append(Event { seq, body: Body::Advice(advice), .. }) if advice.kind == AdviceType::Reminder => {
                Some(*seq)
            }
            _ => None,
        });
        let spoken = effects.iter().any(|e| matches!(e, Effect::Speak(speech) if Some(speech.target) == due));
        (due.is_some(), spoken, effects.iter().any(|e| matches!(e, Effect::Withdraw(target) if Some(*target) == due)))
    };
    let look = [(5_000, "at patient"), (10_000, "pulse eighty"), (12_000, "respirations sixteen")];
    let with = |more: &[(u64, &'static str)]| withdrawn(&[&look[..], more].concat());
    assert_eq!(with(&[(320_000, "")]), (true, true, false), "due, and nothing done");
    assert_eq!(with(&[(320_000, ""), (325_000, "he is alert")]), (true, true, false), "something else was done");
    let done = [(325_000, "pulse eighty four"), (326_000, "respirations eighteen")];
    assert_eq!(with(&[&[(320_000, "")], &done[..]].concat()), (true, true, true), "done while it waited for a pause");
    let gated = [(310_000, "let me listen"), (320_000, ""), (325_000, "pulse eighty four, respirations eighteen")];
    assert_eq!(with(&gated), (true, false, true), "done while somebody listened");
}

/// "Quiet for two minutes" may be heard as forty two: the crew is told for how long, though it wants quiet, and nothing else.
#[test]
fn who_asks_for_minutes_of_quiet_is_told_how_many_and_then_has_them() {
    let knowledge = knowledge();
    let mut encounter = Encounter::new(&knowledge);
    let mut said = |clock: &str, words: &str| {
        let when = at(seconds(clock) * 1000);
        let effects = encounter.handle(Input::Heard { transcript: Transcript::script(words), spoken_at: when }, when);
        let spoken = |effect| match effect {
            Effect::Speak(speech) => Some(speech.say),
            _ => None,
        };
        effects.into_iter().filter_map(spoken).collect::<Vec<String>>()
    };
    assert_eq!(said("00:00", "at patient"), [""; 0]);
    assert_eq!(said("00:10", "third hand, quiet for two minutes"), ["Quiet for two minutes."]);
    assert_eq!(said("00:20", "pulse one twelve, adult"), [""; 0], "fast, and no emergency");
    assert_eq!(said("00:30", "second patient"), [""; 0]);
    assert!(!said("02:20", "pulse eighty").is_empty(), "what has waited");
}

fn told_a_refusal(event: &Event) -> bool {
    matches!(&event.body, Body::Finding(f) if f.kind() == Kind::Refusal)
}

/// Every rule of the medication and clock data fires in one story and stays silent in another that could have had it.
#[test]
fn every_rule_fires_somewhere_and_is_silent_elsewhere() {
    let knowledge = knowledge();
    let protocol = &knowledge.protocol;
    let mut fired: BTreeMap<String, usize> = BTreeMap::new();
    let mut silent: BTreeSet<String> = BTreeSet::new();
    let clinical: BTreeSet<&str> = protocol.vitals.ids().into_iter().collect();
    let ids: Vec<&str> = protocol.rule_ids().into_iter().filter(|id| !clinical.contains(id)).collect();
    for story in stories() {
        let played = play(&knowledge, &story, 0);
        let drugs: BTreeSet<String> = played
            .events
            .iter()
            .filter_map(|e| match &e.body {
                Body::Finding(f) => f.text(Field::Name).map(|name| protocol.generic(name)),
                _ => None,
            })
            .collect();
        for id in &ids {
            let fires = played.advice.iter().any(|(_, a)| a.rule == *id);
            let drug = id.split('.').next().unwrap_or("");
            let refused = drug == "refusal" && played.events.iter().any(told_a_refusal);
            if fires {
                *fired.entry((*id).to_string()).or_default() += 1;
            } else if drugs.contains(drug) || refused || matches!(drug, "clock" | "any" | "oxygen") {
                silent.insert((*id).to_string());
            }
        }
    }
    let never: Vec<&&str> = ids.iter().filter(|id| !fired.contains_key(**id)).collect();
    let always: Vec<&&str> = ids.iter().filter(|id| !silent.contains(**id)).collect();
    assert!(never.is_empty(), "no story in which these fire: {never:?}");
    assert!(always.is_empty(), "no story in which these stay silent: {always:?}");
}

/// "Symptom six?" is no question that anybody understands.
#[test]
fn a_doubtful_pain_score_is_asked_as_one() {
    let knowledge = knowledge();
    let mut encounter = Encounter::new(&knowledge);
    encounter.handle(Input::Open(Opened::default()), at(0));
    let transcript = Transcript { guessed: true, ..Transcript::script("pain is six out of ten") };
    let effects = encounter.handle(Input::Heard { transcript, spoken_at: at(5_000) }, at(5_000));
    let advice = effects.iter().filter_map(|effect| match effect {
        Effect::Append(Event { body: Body::Advice(advice), .. }) => Some((advice.rule.as_str(), advice.say.as_str())),
        _ => None,
    });
    assert_eq!(advice.collect::<Vec<_>>(), [("doubt.score", "Pain six out of ten?")]);
}
