//! Walks `tests/findings/*.txt`: an utterance, then what must be made of it. Anybody can add a case.
//!
//! - an unindented line is an utterance; indented lines below it say what is expected: a finding as JSON, or one of
//!   `none`, `matched`, `doubtful`, `ambiguous`, `rejected`, `unmatched`, or a command as JSON, or `restated {...}`;
//! - `? words` before an utterance is said first, in the same encounter; `#` begins a comment;
//! - a line without anything below it must yield nothing.

use std::fs;
use std::path::Path;
use std::sync::LazyLock;

use serde_json::{Value as Json, json};
use thirdhand::cli::parse::Encounter;
use thirdhand::core::event::Outcome;
use thirdhand::core::finding::{Field, Finding, Kind};
use thirdhand::core::grammar::{Grammar, Random};
use thirdhand::core::utterance::Understood;
use thirdhand::shell::clock::boot_ms;
use thirdhand::shell::data::DataSet;

struct Case {
    place: String,
    before: Vec<String>,
    said: String,
    expected: Vec<String>,
}

fn cases(path: &Path) -> Vec<Case> {
    let text = fs::read_to_string(path).unwrap();
    let mut cases: Vec<Case> = Vec::new();
    let mut before = Vec::new();
    for (number, line) in text.lines().enumerate() {
        let place = format!("{}:{}", path.file_name().unwrap().to_string_lossy(), number + 1);
        if line.trim().is_empty() || line.starts_with('#') {
            continue;
        }
        if let Some(words) = line.strip_prefix("? ") {
            before.push(words.to_string());
        } else if line.starts_with(' ') || line.starts_with('\t') {
            let case = cases.last_mut().unwrap_or_else(|| panic!("{place}: nothing was said before this"));
            case.expected.push(line.trim().to_string());
        } else {
            let before = std::mem::take(&mut before);
            cases.push(Case { place, before, said: line.to_string(), expected: Vec::new() });
        }
    }
    cases
}

fn check(case: &Case, got: &Understood) -> Result<(), String> {
    let outcome = serde_json::to_value(got.outcome).unwrap();
    let shown = got.to_json();
    let findings = shown["findings"].as_array().cloned().unwrap_or_default();
    let commands: Vec<Json> = got.commands.iter().map(|c| json!(c)).collect();
    let restated: Vec<Json> = got.restated.iter().map(|f| f.to_json()).collect();
    let mut wanted = (Vec::new(), Vec::new(), Vec::new());
    let mut named = None;
    for line in &case.expected {
        if let Some(rest) = line.strip_prefix("restated ") {
            wanted.2.push(read(rest)?);
        } else if line.starts_with('{') {
            let json = read(line)?;
            if json.get("command").is_some() { wanted.1.push(json) } else { wanted.0.push(json) }
        } else if line != "none" {
            named = Some(line.clone());
        }
    }
    let plain = if wanted.0.is_empty() && wanted.1.is_empty() && wanted.2.is_empty() { None } else { Some("matched") };
    let named = named.or(plain.map(str::to_string));
    if findings != wanted.0 || commands != wanted.1 || restated != wanted.2 {
        return Err(format!("got {shown}"));
    }
    match named {
        Some(name) if outcome != json!(name) => Err(format!("wanted {name}, got {shown}")),
        _ => Ok(()),
    }
}

fn read(text: &str) -> Result<Json, String> {
    serde_json::from_str(text).map_err(|e| format!("`{text}` is no JSON: {e}"))
}

#[test]
fn every_utterance_means_what_its_table_says() {
    let grammar = grammar();
    let at = chrono::DateTime::parse_from_rfc3339("2027-03-01T14:00:00-05:00").unwrap();
    let (mut count, mut faults) = (0, Vec::new());
    let mut files: Vec<_> = fs::read_dir("tests/findings").unwrap().map(|e| e.unwrap().path()).collect();
    files.sort();
    for path in files.iter().filter(|p| p.extension().is_some_and(|e| e == "txt")) {
        for case in cases(path) {
            count += 1;
            let mut encounter = Encounter::new(at);
            for words in &case.before {
                encounter.hear(grammar, words);
            }
            let got = encounter.hear(grammar, &case.said);
            if let Err(fault) = check(&case, &got) {
                faults.push(format!("{}: {}\n    {fault}", case.place, case.said));
            }
        }
    }
    assert!(count > 0, "no case was found");
    assert!(faults.is_empty(), "{} of {count} cases:\n{}", faults.len(), faults.join("\n"));
}

/// The built-in grammar, made once for all tests.
fn grammar() -> &'static Grammar {
    static GRAMMAR: LazyLock<Grammar> = LazyLock::new(built_in);
    &GRAMMAR
}

fn built_in() -> Grammar {
    let data = DataSet::built_in();
    Grammar::load(&data.sources("grammars/")).unwrap_or_else(|complaints| {
        panic!("{}", complaints.iter().map(|c| c.to_string()).collect::<Vec<_>>().join("\n"))
    })
}

/// What a phrase says when it is sampled is what it means when it is heard.
#[test]
fn sampled_phrases_come_back_as_they_were_meant() {
    let grammar = grammar();
    let at = chrono::DateTime::parse_from_rfc3339("2027-01-15T08:00:00Z").unwrap();
    let (mut faults, mut asks) = (Vec::new(), Vec::new());
    let samples: Vec<_> = (1..=5).flat_map(|seed| grammar.sample_phrases(seed)).collect();
    for (place, sample) in &samples {
        // A line is heard three seconds after the encounter's last.
        let got = Encounter::new(at - chrono::TimeDelta::seconds(3)).hear(grammar, &sample.text);
        let findings: Vec<_> = got.findings().cloned().collect();
        // "glucose 7.9" may be a dose or a reading: asking aloud is right, guessing would not be.
        let part = findings.iter().all(|f| sample.findings.contains(f));
        let asked = (part && matches!(got.outcome, Outcome::Rejected | Outcome::Ambiguous))
            || (got.outcome == Outcome::Doubtful && read_back(&findings, &sample.findings));
        if asked && !asked_by_design(&got) {
            asks.push(format!("{place}: {} {}", sample.text, got.to_json()));
        }
        if findings != sample.findings && !asked && !used_lately(&sample.findings, &findings) {
            let wanted: Vec<_> = sample.findings.iter().map(|f| f.to_json().to_string()).collect();
            faults.push(format!(
                "{place}\n  said `{}`\n  meant {}\n  heard {}",
                sample.text,
                wanted.join(" "),
                got.to_json()
            ));
        }
    }
    assert!(samples.len() > 300, "only {} samples", samples.len());
    assert!(asks.is_empty(), "{} of {} were asked about:\n{}", asks.len(), samples.len(), asks.join("\n"));
    assert!(faults.is_empty(), "{} of {}:\n{}", faults.len(), samples.len(), faults.join("\n"));
}

/// A medicine that rules ask about by its name and hours is told as its recent use, whatever else it is to the patient.
fn used_lately(meant: &[Finding], heard: &[Finding]) -> bool {
    let ([meant], [heard]) = (meant, heard) else { return false };
    let same_name = meant.text(Field::Name).is_some() && meant.text(Field::Name) == heard.text(Field::Name);
    let dated = meant.get(Field::LastTaken).is_some() && heard.get(Field::WithinHours).is_some();
    meant.kind() == Kind::HomeMedication && heard.kind() == Kind::RecentUse && same_name && dated
}

/// What is asked on purpose: a weight without a unit (kilograms or pounds), "four of nitro" (milligrams or pieces),
/// "glucose 4.6" (grams, or a reading in millimoles), "could not get a pulse" (none there, or none taken), and "down to 60", which sounds like 260 and is read back.
fn asked_by_design(got: &Understood) -> bool {
    let any = |field: Field| got.options.iter().flatten().any(|f| f.get(field).is_some());
    let reading = got.outcome == Outcome::Rejected && got.refused.iter().any(|f| f.kind() == Kind::Glucose);
    any(Field::Obtained)
        || any(Field::WeightSaid)
        || (any(Field::Count) && any(Field::Dose))
        || reading
        || got.outcome == Outcome::Doubtful
}

/// The same findings, each waiting for its read-back.
fn read_back(findings: &[Finding], wanted: &[Finding]) -> bool {
    let same = |(got, wanted): (&Finding, &Finding)| {
        let mut got = got.clone();
        got.remove(Field::Unconfirmed);
        got == *wanted
    };
    !findings.is_empty() && findings.len() == wanted.len() && findings.iter().zip(wanted).all(same)
}

/// Words at random, the grammar's own and others: never a panic, and always one outcome.
#[test]
fn no_words_bring_it_down() {
    use proptest::prelude::*;
    use proptest::test_runner::{Config, TestRunner};

    let grammar = grammar();
    let at = chrono::DateTime::parse_from_rfc3339("2027-01-15T08:00:00Z").unwrap();
    let words: Vec<String> = grammar
        .sample(7, 200)
        .iter()
        .flat_map(|s| s.text.split(' ').map(str::to_string).collect::<Vec<_>>())
        .chain(
            ["?", ".", ",", "\u{00e9}", "9999999999999", "94/62", "no", "not", "correction", "", "\u{0}"]
                .map(String::from),
        )
        .collect();
    let mut runner = TestRunner::new(Config { cases: 300, failure_persistence: None, ..Config::default() });
    let lines = prop::collection::vec(prop::collection::vec(prop::sample::select(words), 0..30), 1..5);
    runner
        .run(&(lines, any::<String>()), |(lines, noise)| {
            let mut encounter = Encounter::new(at);
            for line in &lines {
                let got = encounter.hear(grammar, &line.join(" "));
                for finding in got.findings() {
                    prop_assert!(finding.problems().is_empty(), "{:?}", finding.problems());
                }
            }
            encounter.hear(grammar, &noise);
            Ok(())
        })
        .unwrap();
}

/// Where the sound leaves two values open, the one heard is recorded as doubtful.
#[test]
fn rivals_of_the_recogniser_make_a_value_doubtful() {
    use thirdhand::core::conversation::Conversation;
    use thirdhand::core::time::Moment;
    use thirdhand::core::utterance::{Transcript, Word};

    let grammar = grammar();
    let when = Moment::new(0, chrono::DateTime::parse_from_rfc3339("2027-01-15T08:00:00Z").unwrap());
    let word = |text: &str, rivals: &[(&str, f64)]| Word {
        text: text.into(),
        probability: 0.6,
        rivals: rivals.iter().map(|(r, p)| (r.to_string(), *p)).collect(),
    };
    let transcript = Transcript {
        text: "pulse 50".into(),
        confidence: 0.9,
        words: vec![word("pulse", &[("pulls", 0.1)]), word("50", &[("115", 0.3), ("900", 0.05)])],
        ..Transcript::default()
    };
    let got = Conversation::default().hear(grammar, &transcript, when);
    assert_eq!(got.outcome, Outcome::Doubtful);
    let json = got.to_json();
    assert_eq!(json["findings"][0]["rate_per_min"], 50);
    assert_eq!(json["findings"][0]["unconfirmed"], true);
    // A rival that no pulse can have is none.
    assert_eq!(json["doubt"], json!([{"field":"rate_per_min","heard":50,"or":[115],"probability":0.7}]));
}

/// What would not be recorded without a word that the sound does not bear out is asked; the rest of the breath is not.
#[test]
fn what_hangs_on_a_faint_word_is_doubtful() {
    use thirdhand::core::conversation::Conversation;
    use thirdhand::core::time::Moment;
    use thirdhand::core::utterance::{Transcript, Word};

    let grammar = grammar();
    let when = Moment::new(0, chrono::DateTime::parse_from_rfc3339("2027-01-15T08:00:00Z").unwrap());
    let heard = |text: &str, faint: &str| {
        let probability = |word: &str| if word == faint { 0.02 } else { 0.9 };
        let words = text.split(' ');
        let words = words.map(|word| Word { text: word.into(), probability: probability(word), rivals: Vec::new() });
        let transcript = Transcript { confidence: 0.7, words: words.collect(), ..Transcript::script(text) };
        let told = Conversation::default().hear(grammar, &transcript, when).to_json();
        let findings = told["findings"].as_array().unwrap().clone();
        findings.iter().map(|finding| finding["unconfirmed"] == true).collect::<Vec<_>>()
    };
    assert_eq!(heard("Denies viagra in the last two days.", "Denies"), [true]);
    assert_eq!(heard("Denies viagra in the last two days.", "viagra"), [true]);
    assert_eq!(heard("Denies viagra in the last two days.", "none"), [false]);
    assert_eq!(heard("Denies viagra, pulse 80.", "Denies"), [true, false]);
    assert_eq!(heard("Pulse is 98.", "is"), [false], "without it the pulse is the same");
}

/// A read-back that comes back garbled while it is being spoken neither answers itself nor is a finding; the crew's answer
/// after it is one, and a whole finding over it is too.
#[test]
fn a_read_back_does_not_answer_itself() {
    use thirdhand::core::conversation::Conversation;
    use thirdhand::core::event::{Advice, AdviceType, Body, Event, Priority};
    use thirdhand::core::finding::{Field, Finding, Kind, Value as Held};
    use thirdhand::core::time::Moment;
    use thirdhand::core::utterance::Transcript;

    let grammar = grammar();
    let start = Moment::new(0, chrono::DateTime::parse_from_rfc3339("2027-01-15T08:00:00Z").unwrap());
    let asked = Advice {
        kind: AdviceType::ReadBack,
        priority: Priority::High,
        about: "respirations".into(),
        say: "Breathing four?".into(),
        rule: "doubt.value".into(),
        because: vec![1],
        source: "our own wording".into(),
        say_aloud: None,
    };
    let mut conversation = Conversation::default();
    let four = Finding::new(Kind::Respirations).with(Field::RatePerMin, Held::int(4));
    for (seq, body) in [(1, Body::Finding(four)), (2, Body::Advice(asked))] {
        conversation.apply(&Event { seq, when: start.plus_ms(seq * 100), body, from: None });
    }
    let hear = |text: &str, talked_over: bool| {
        let own_voice = Some("Breathing four?".to_string());
        let transcript = Transcript { own_voice, talked_over, ..Transcript::script(text) };
        let understood = conversation.clone().hear(grammar, &transcript, start.plus_ms(2_000));
        (understood.outcome, understood.changes.len())
    };
    assert_eq!(hear("three", true), (Outcome::Unmatched, 0), "a scrap of our own words");
    assert_eq!(hear("breathing three", true), (Outcome::Echo, 0), "our own words, garbled");
    assert_eq!(hear("breathing 4", true), (Outcome::Echo, 0), "our own words, written otherwise");
    assert_eq!(hear("four", false).1, 1, "the answer, though it is our word too");
    assert_eq!(hear("pulse one eighteen", true), (Outcome::Matched, 1), "a whole finding");
    assert_eq!(hear("fourteen", false).1, 1, "an answer");
}

/// "Quiet" as a recogniser writes it falls silent over our own words; in a sentence of the crew's it does nothing.
#[test]
fn quiet_is_understood_as_it_is_misheard() {
    use thirdhand::core::conversation::Conversation;
    use thirdhand::core::time::Moment;
    use thirdhand::core::utterance::Transcript;

    let grammar = grammar();
    let when = Moment::new(0, chrono::DateTime::parse_from_rfc3339("2027-01-15T08:00:00Z").unwrap());
    let hear = |text: &str, own_voice: Option<&str>| {
        let own_voice = own_voice.map(str::to_string);
        let transcript = Transcript { own_voice, talked_over: true, ..Transcript::script(text) };
        Conversation::default().hear(grammar, &transcript, when).to_json()["commands"].clone()
    };
    let ours = Some("fast pulse: unstable, five minutes");
    for text in ["quiet", "quite", "quite please", "quiet now", "why please"] {
        assert_eq!(hear(text, ours), json!([{"command":"quiet","minutes":0}]), "{text}");
        assert_eq!(hear(text, None), json!([]), "{text}, said to nobody");
    }
    for text in ["quite pale", "her lungs are quiet now", "why please tell me"] {
        assert_eq!(hear(text, ours), json!([]), "{text}");
    }
}

/// What is said over the program's words is kept, and what could hurt in it is asked about.
#[test]
fn a_value_mixed_with_our_own_words_is_doubtful() {
    use thirdhand::core::conversation::Conversation;
    use thirdhand::core::time::Moment;
    use thirdhand::core::utterance::Transcript;

    let grammar = grammar();
    let when = Moment::new(0, chrono::DateTime::parse_from_rfc3339("2027-01-15T08:00:00Z").unwrap());
    let hear = |text: &str| {
        let own_voice = Some("fast pulse: unstable, five minutes".to_string());
        let transcript = Transcript { confidence: 0.9, own_voice, mixed: true, ..Transcript::script(text) };
        Conversation::default().hear(grammar, &transcript, when).to_json()
    };
    for text in ["blood pressure 142 over 90", "giving aspirin 320 mg by mouth", "allergic to aspirin"] {
        let told = hear(text);
        assert_eq!(told["outcome"], "doubtful", "{told}");
        assert_eq!(told["findings"][0]["unconfirmed"], true, "{told}");
    }
    assert_eq!(hear("lungs are clear on both sides")["outcome"], "matched");
}

/// What the crew says behind words of ours that came back in the same utterance is kept, and asked about.
#[test]
fn a_finding_behind_our_own_words_is_no_echo() {
    use thirdhand::core::conversation::Conversation;
    use thirdhand::core::time::Moment;
    use thirdhand::core::utterance::Transcript;

    let grammar = grammar();
    let when = Moment::new(0, chrono::DateTime::parse_from_rfc3339("2027-01-15T08:00:00Z").unwrap());
    let hear = |text: &str| {
        let own_voice = Some("fast pulse: unstable, five minutes".to_string());
        let transcript = Transcript { confidence: 0.9, own_voice, talked_over: true, ..Transcript::script(text) };
        Conversation::default().hear(grammar, &transcript, when)
    };
    let text = "Fast pulse unstable, giving aspirin 324 mg.";
    let told = hear(text).to_json();
    assert_eq!((&told["outcome"], &told["heard"]), (&json!("doubtful"), &json!(text)), "{told}");
    assert_eq!(told["findings"][0]["dose"], 324, "{told}");
    assert_eq!(told["findings"][0]["unconfirmed"], true, "{told}");
    // The digits of another value are no words of ours.
    let own_voice = Some("Glucose forty, four zero, is that right? Forty?".to_string());
    let transcript =
        Transcript { confidence: 0.9, own_voice, talked_over: true, ..Transcript::script("blood pressure 144/90") };
    assert_eq!(Conversation::default().hear(grammar, &transcript, when).findings().count(), 1);
    for text in ["Fast pulse unstable fine", "fast pulse and stable five minutes then", "past pulse 5 minutes"] {
        assert_eq!(hear(text).outcome, Outcome::Echo, "{text}");
    }
}

/// What is left of the sound tells who spoke: another value of what the program is just saying is news from the crew and
/// garbled words of our own from ourselves.
#[test]
fn another_value_over_ours_is_the_crews_where_the_sound_says_so() {
    use thirdhand::core::conversation::Conversation;
    use thirdhand::core::time::Moment;
    use thirdhand::core::utterance::{Transcript, Whose};

    let grammar = grammar();
    let when = Moment::new(0, chrono::DateTime::parse_from_rfc3339("2027-01-15T08:00:00Z").unwrap());
    let hear = |text: &str, whose: Whose| {
        let own_voice = Some("Not confirmed: Pressure one twenty over eighty, sat ninety six percent.".to_string());
        let transcript = Transcript { own_voice, whose, talked_over: true, mixed: true, ..Transcript::script(text) };
        Conversation::default().hear(grammar, &transcript, when).to_json()
    };
    for text in ["blood pressure 148 over 90", "blood pressure 122 over 80", "pressure 120 over 90", "sat 93 percent"] {
        let told = hear(text, Whose::Theirs);
        assert_eq!(told["outcome"], "doubtful", "{text}: {told}");
        assert_eq!(told["findings"][0]["unconfirmed"], true, "{told}");
        assert_eq!(hear(text, Whose::Ours)["outcome"], "echo", "{text}");
    }
    assert_eq!(hear("pressure one twenty over eighty", Whose::Theirs)["outcome"], "echo", "the same is no news");
    assert_eq!(hear("not confused", Whose::Ours)["outcome"], "echo", "our own words, garbled");
    let told = hear("not confused", Whose::Unknown);
    assert_eq!(told["findings"][0]["confused"], false, "a `not` that we said too is still theirs: {told}");
    assert_eq!(told["findings"][0]["unconfirmed"], true, "{told}");
    assert_eq!(hear("the free crew map", Whose::Ours)["outcome"], "echo", "nothing that is to be said again");
    assert_eq!(hear("the free crew map", Whose::Theirs)["outcome"], "unmatched");
    let told = hear("skin is pale and cool", Whose::Ours);
    assert_eq!(told["findings"][0]["unconfirmed"], true, "quiet beside ours: asked, not dropped: {told}");
}

/// A value of ours that came back garbled before more of our words: the same measurement is never recorded from it. Where
/// the sound tells of somebody else it is asked for again.
#[test]
fn another_value_before_more_of_our_words_is_asked_for_again() {
    use thirdhand::core::conversation::Conversation;
    use thirdhand::core::time::Moment;
    use thirdhand::core::utterance::{Transcript, Whose};

    let grammar = grammar();
    let when = Moment::new(0, chrono::DateTime::parse_from_rfc3339("2027-01-15T08:00:00Z").unwrap());
    let hear = |text: &str, somebody: bool| {
        let own_voice = Some("Pressure one thirty eight over eighty, pulse eighty eight, breathing twenty two.".into());
        let whose = if somebody { Whose::Theirs } else { Whose::Unknown };
        let confidence = if text == "Resps." { 0.4 } else { 1.0 };
        let script = Transcript { confidence, ..Transcript::script(text) };
        let heard = Transcript { own_voice, whose, somebody, talked_over: true, mixed: true, ..script };
        Conversation::default().hear(grammar, &heard, when).to_json()
    };
    let garbled = "It is 138/48, pulse 88, 88, breathing.";
    assert_eq!(hear(garbled, false)["outcome"], "echo");
    let told = hear(garbled, true);
    assert_eq!(
        (told["outcome"].as_str(), told["findings"].as_array().map(Vec::len)),
        (Some("ambiguous"), Some(0)),
        "{told}"
    );
    assert_eq!(hear("Resps.", false)["outcome"], "echo", "ours by another name: nothing that is to be said again");
    assert_eq!(hear("Resps.", true)["outcome"], "ambiguous");
    let told = hear("Pressure 38, temperature 99.1.", true);
    assert_eq!(told["outcome"], "ambiguous", "the pressure is asked for again: {told}");
    assert_eq!(told["findings"].as_array().map(Vec::len), Some(1), "{told}");
    assert_eq!(told["findings"][0]["celsius"], 37.3, "{told}");
    assert_eq!(told["findings"][0]["unconfirmed"], true, "{told}");
    let told = hear("Temperature 99.1, pulse 88, breathing 22", true);
    assert_eq!(told["findings"][0]["finding"], "temperature", "not what we say: recorded and read back: {told}");
    assert_eq!(told["findings"][0]["unconfirmed"], true, "{told}");
}

/// The recogniser made "stable" of what was left of our "unstable": a guess over our words is the crew's only where the sound
/// says so.
#[test]
fn a_guess_over_our_own_words_is_an_echo() {
    use thirdhand::core::conversation::Conversation;
    use thirdhand::core::time::Moment;
    use thirdhand::core::utterance::{Transcript, Whose};

    let grammar = grammar();
    let when = Moment::new(0, chrono::DateTime::parse_from_rfc3339("2027-01-15T08:00:00Z").unwrap());
    let hear = |own_voice: Option<&str>, whose: Whose| {
        let own_voice = own_voice.map(str::to_string);
        let transcript = Transcript { own_voice, whose, guessed: true, ..Transcript::script("patient is stable") };
        Conversation::default().hear(grammar, &transcript, when).to_json()
    };
    let ours = Some("Low pressure, unstable, five minutes.");
    for whose in [Whose::Ours, Whose::Unknown] {
        assert_eq!(hear(ours, whose)["outcome"], "echo", "{whose:?}");
    }
    for told in [hear(ours, Whose::Theirs), hear(None, Whose::Unknown)] {
        assert_eq!(told["findings"][0]["unconfirmed"], true, "asked: {told}");
    }
}

/// While the program talks falling silent is harmless: a guess of "quiet" does it, and a "quiet" behind our own words.
#[test]
fn quiet_over_our_own_words_need_not_be_sure() {
    use thirdhand::core::command::Command;
    use thirdhand::core::conversation::Conversation;
    use thirdhand::core::time::Moment;
    use thirdhand::core::utterance::{Transcript, Whose};

    let grammar = grammar();
    let when = Moment::new(0, chrono::DateTime::parse_from_rfc3339("2027-01-15T08:00:00Z").unwrap());
    let base = Transcript {
        own_voice: Some("Pressure one thirty eight over eighty, sat ninety six percent.".into()),
        whose: Whose::Unknown,
        guessed: true,
        talked_over: true,
        mixed: true,
        ..Transcript::script("quiet")
    };
    let rivals = |text: &str| vec![(text.to_string(), 0.1)];
    let quiet = |transcript: &Transcript| {
        let understood = Conversation::default().hear(grammar, transcript, when);
        assert_eq!(understood.findings().count(), 0);
        understood.commands == [Command::Quiet { minutes: 0 }]
    };
    for whose in [Whose::Ours, Whose::Unknown, Whose::Theirs] {
        assert!(quiet(&Transcript { whose, ..base.clone() }), "a guess: {whose:?}");
    }
    assert!(
        quiet(&Transcript { text: "why please".into(), rivals: rivals("quiet please"), ..base.clone() }),
        "a rival"
    );
    assert!(quiet(&Transcript { text: "sat 96 percent quiet".into(), ..base.clone() }), "behind our words");
    assert!(quiet(&Transcript { text: "percent quiet 38".into(), ..base.clone() }), "among our words");
    assert!(!quiet(&Transcript { text: "sat 96 percent".into(), ..base.clone() }));
    assert!(!quiet(&Transcript { text: "her lungs are quiet".into(), ..base.clone() }), "said of something else");
    assert!(
        !quiet(&Transcript { text: "quiet for ten minutes".into(), ..base.clone() }),
        "that would be no small thing"
    );
    assert!(!quiet(&Transcript { own_voice: None, ..base.clone() }), "we are silent");
}

/// Words that nobody said were made of what was left of ours: what is unsure over our words is the crew's only where the sound
/// says so.
#[test]
fn what_is_unsure_over_our_own_words_is_an_echo() {
    use thirdhand::core::conversation::Conversation;
    use thirdhand::core::event::Outcome;
    use thirdhand::core::time::Moment;
    use thirdhand::core::utterance::{Transcript, Whose};

    let grammar = grammar();
    let when = Moment::new(0, chrono::DateTime::parse_from_rfc3339("2027-01-15T08:00:00Z").unwrap());
    let hear = |confidence: f64, whose: Whose, mixed: bool| {
        let own_voice = Some("low pressure: unstable, five minutes, adult limits, age not known".to_string());
        let text = "tourniquet is on the right arm";
        let transcript = Transcript { own_voice, whose, mixed, confidence, ..Transcript::script(text) };
        Conversation::default().hear(grammar, &transcript, when).findings().count()
    };
    for whose in [Whose::Ours, Whose::Unknown] {
        assert_eq!(hear(0.3, whose, true), 0, "{whose:?}");
        assert_eq!(hear(0.9, whose, true), 1, "{whose:?}: sure, so kept");
        assert_eq!(hear(0.3, whose, false), 1, "{whose:?}: behind ours");
    }
    assert_eq!(hear(0.58, Whose::Theirs, true), 0, "said again, or not");
    // Our own values, which nobody could take out of the sound.
    let values = |text: &str, confidence: f64| {
        let own_voice = "Last vitals: At twenty fifty two, pulse eighty eight, pressure one thirty eight over eighty.";
        let own_voice = Some(own_voice.to_string());
        let heard = Transcript { own_voice, whose: Whose::Theirs, mixed: true, confidence, ..Transcript::script(text) };
        Conversation::default().hear(grammar, &heard, when).findings().count()
    };
    let ours = ["pulse 88", "she is fine, pressure 38", "vitals at 22, pulse 88, pressure 38 over 80, the patient"];
    assert_eq!(ours.map(|text| values(text, 0.4)), [0; 3]);
    assert_eq!(values("pulse 88, third hand, read back the vitals", 0.61), 0, "beside a command of the crew's");
    assert_eq!(values("blood pressure 144 over 90", 0.4), 1, "another value");
    assert_eq!(values("oxygen saturation 96 percent on room air", 0.4), 1, "another vital sign");
    // Somebody spoke into our words: silence would let him believe that it was taken.
    let outcome = |text: &str, whose: Whose, somebody: bool| {
        let own_voice = Some("low pressure: unstable, five minutes, adult limits, age not known".to_string());
        let heard = Transcript { own_voice, whose, somebody, mixed: true, confidence: 0.3, ..Transcript::script(text) };
        Conversation::default().hear(grammar, &heard, when).outcome
    };
    let tourniquet = "tourniquet is on the right arm";
    assert_eq!(outcome(tourniquet, Whose::Unknown, true), Outcome::Unmatched);
    assert_eq!(outcome(tourniquet, Whose::Unknown, false), Outcome::Echo);
    assert_eq!(outcome(tourniquet, Whose::Ours, true), Outcome::Echo);
    assert_eq!(outcome("pressure unstable adult limits", Whose::Unknown, true), Outcome::Echo, "our words");
    assert_eq!((hear(0.65, Whose::Theirs, true), hear(0.3, Whose::Theirs, false)), (1, 1));
    // A value is asked about.
    let transcript = Transcript {
        own_voice: Some("an aid to memory: your protocol decides".into()),
        whose: Whose::Theirs,
        mixed: true,
        confidence: 0.44,
        ..Transcript::script("oxygen saturation ninety six percent on room air")
    };
    let told = Conversation::default().hear(grammar, &transcript, when).to_json();
    assert_eq!((&told["findings"][0]["percent"], &told["findings"][0]["unconfirmed"]), (&json!(96), &json!(true)));
}

/// A measurement's name over our words is asked for again, its value lost or unsure; what we say ourselves is not.
#[test]
fn a_measurements_name_over_our_own_words_is_never_dropped() {
    use thirdhand::core::conversation::Conversation;
    use thirdhand::core::event::Outcome;
    use thirdhand::core::time::Moment;
    use thirdhand::core::utterance::{Transcript, Whose};

    let grammar = grammar();
    let when = Moment::new(0, chrono::DateTime::parse_from_rfc3339("2027-01-15T08:00:00Z").unwrap());
    let own = "Pressure: one thirty eight, one three eight; over ninety; pulse one eighteen, one one eight; saturation ninety six.";
    let hear = |text: &str, whose: Whose, confidence: f64| {
        let transcript = Transcript {
            own_voice: Some(own.into()),
            whose,
            somebody: whose != Whose::Ours,
            talked_over: true,
            mixed: true,
            confidence,
            ..Transcript::script(text)
        };
        Conversation::default().hear(grammar, &transcript, when)
    };
    let asked = |text: &str, whose: Whose, confidence: f64| {
        let understood = hear(text, whose, confidence);
        assert_eq!(understood.findings().count(), 0, "{text}: nothing of it is recorded");
        understood.options.first().map(|option| option[0].kind().name())
    };
    for whose in [Whose::Ours, Whose::Unknown, Whose::Theirs] {
        assert_eq!(asked("Respirations.", whose, 0.55), Some("respirations"), "{whose:?}");
        assert_eq!(hear("Respirations.", whose, 0.55).outcome, Outcome::Ambiguous);
        assert_eq!(asked("Pulse.", whose, 0.55), None, "{whose:?}: ours");
    }
    for whose in [Whose::Ours, Whose::Unknown] {
        assert_eq!(asked("Respirations 22.", whose, 0.5), Some("respirations"), "{whose:?}: its value is not sure");
        assert_eq!(asked("Pulse 118, what.", whose, 0.5), None, "{whose:?}: our value");
        assert_eq!(asked("Respirations.", whose, 0.2), None, "{whose:?}: made up of what is left of ours");
    }
    // Clearly another value of what we are just saying, and the sound does not tell whose.
    let clearly = |text: &str, confidence: f64| asked(text, Whose::Unknown, confidence);
    assert_eq!(clearly("Blood pressure 152/90.", 0.91), Some("blood_pressure"));
    assert_eq!((clearly("Blood pressure 138/90.", 0.91), clearly("Blood pressure 152/90.", 0.5)), (None, None));
    assert_eq!(clearly("130.", 0.83), None, "a bare number may be a piece of ours");
    assert_eq!(clearly("A rate of 118.", 0.31), None, "our value by another name");
    // "Ninety; pulse one" is no 91.
    let told = hear("oxygen saturation 91 percent", Whose::Theirs, 0.55).to_json();
    assert_eq!((&told["findings"][0]["percent"], &told["findings"][0]["unconfirmed"]), (&json!(91), &json!(true)));
}

/// Our words stand before, behind or between the crew's in one utterance: they are taken out of it, and nothing else is.
#[test]
fn a_row_of_our_words_is_taken_out_of_the_crews() {
    use thirdhand::core::conversation::Conversation;
    use thirdhand::core::time::Moment;
    use thirdhand::core::utterance::{Transcript, Whose};

    let grammar = grammar();
    let when = Moment::new(0, chrono::DateTime::parse_from_rfc3339("2027-01-15T08:00:00Z").unwrap());
    let hear = |text: &str, mixed: bool| {
        let own_voice = Some("Pressure one ten over seventy, low saturation: unstable, five minutes".to_string());
        let whose = Whose::Theirs;
        let transcript = Transcript { confidence: 0.9, own_voice, whose, mixed, ..Transcript::script(text) };
        Conversation::default().hear(grammar, &transcript, when).to_json()
    };
    let row = "pressure 110 over 70 low saturation unstable";
    let crew = "tourniquet on the right arm at ten fifteen, bleeding is controlled";
    for text in [format!("{row}. {crew}."), format!("{crew}. {row}."), format!("{crew}. {row}. skin is pale and cool.")]
    {
        let told = hear(&text, true);
        let found: Vec<&Json> = told["findings"].as_array().unwrap().iter().map(|f| &f["finding"]).collect();
        assert!(found.contains(&&json!("procedure")) && !found.contains(&&json!("blood_pressure")), "{told}");
        assert!(told["findings"].as_array().unwrap().iter().all(|f| f["unconfirmed"] == true), "{told}");
    }
    for other in ["pressure 110 over 90", "pressure 118 over 70", "pressure 110 over 78 low saturation"] {
        let told = hear(&format!("{crew}. {other}"), true);
        let is_pressure = |f: &Json| f["finding"] == "blood_pressure";
        assert!(told["findings"].as_array().unwrap().iter().any(is_pressure), "another value: {told}");
    }
    let told = hear(&format!("{crew}. {row}"), false);
    assert_eq!(told["findings"][0]["unconfirmed"], json!(null), "ours did not sound any more: {told}");
}

/// "Quiet" without the tool's name is meant for it while it talks, and for a moment after advice; said of anything else it
/// never is.
#[test]
fn quiet_needs_no_name_while_the_program_talks() {
    use thirdhand::core::command::Command;
    use thirdhand::core::conversation::Conversation;
    use thirdhand::core::time::Moment;
    use thirdhand::core::utterance::Transcript;

    let grammar = grammar();
    let when = Moment::new(0, chrono::DateTime::parse_from_rfc3339("2027-01-15T08:00:00Z").unwrap());
    let hear = |text: &str, own: Option<&str>| {
        let talked_over = own.is_some();
        let transcript = Transcript { own_voice: own.map(String::from), talked_over, ..Transcript::script(text) };
        Conversation::default().hear(grammar, &transcript, when).commands
    };
    let own = Some("Local protocol and medical direction decide.");
    for words in ["quiet", "Quiet, please.", "be quiet", "hush", "stop talking"] {
        assert_eq!(hear(words, own), [Command::Quiet { minutes: 0 }], "{words}");
        assert_eq!(hear(words, None), [], "{words}");
    }
    for words in ["her lungs are quiet", "quiet chest", "the baby is quiet"] {
        assert_eq!(hear(words, own), [], "{words}");
    }
}

/// A drug that may have been given, or may only be planned, is asked about; what both readings hold is not.
#[test]
fn a_rival_of_another_kind_makes_the_finding_doubtful() {
    use thirdhand::core::conversation::Conversation;
    use thirdhand::core::time::Moment;
    use thirdhand::core::utterance::Transcript;

    let grammar = grammar();
    let when = Moment::new(0, chrono::DateTime::parse_from_rfc3339("2027-01-15T08:00:00Z").unwrap());
    let hear = |text: &str, rival: &str| {
        let rivals = vec![(rival.to_string(), 0.2)];
        let transcript = Transcript { confidence: 0.9, rivals, ..Transcript::script(text) };
        Conversation::default().hear(grammar, &transcript, when).to_json()
    };
    let told = hear("pulse 80, nitro point four", "pulse 80, nitro point four is in");
    assert_eq!(told["outcome"], "doubtful");
    assert_eq!(told["findings"][0]["unconfirmed"], json!(null), "{told}");
    assert_eq!(told["findings"][1]["unconfirmed"], true, "{told}");
    // Talk beside it is no rival.
    assert_eq!(hear("nitro point four", "nitro point four the cat sat in")["outcome"], "matched");
}

/// What we said ourselves is no finding, what somebody says beside it is.
#[test]
fn our_own_voice_is_an_echo() {
    use thirdhand::core::conversation::Conversation;
    use thirdhand::core::time::Moment;
    use thirdhand::core::utterance::{Transcript, Whose};

    let grammar = grammar();
    let when = Moment::new(0, chrono::DateTime::parse_from_rfc3339("2027-01-15T08:00:00Z").unwrap());
    let own = Some("Pressure ninety over sixty, is that right?".to_string());
    for (text, outcome) in
        [("pressure ninety over sixty is that right", Outcome::Echo), ("pulse one eighteen", Outcome::Matched)]
    {
        let transcript = Transcript { own_voice: own.clone(), ..Transcript::script(text) };
        assert_eq!(Conversation::default().hear(grammar, &transcript, when).outcome, outcome, "{text}");
    }
    // The number repeated is the answer, where the sound says that we were silent.
    let transcript =
        Transcript { own_voice: own, whose: Whose::Theirs, ..Transcript::script("pressure ninety over sixty") };
    assert_eq!(Conversation::default().hear(grammar, &transcript, when).outcome, Outcome::Matched);
}

/// The longest that one line may take, milliseconds: hundreds of times what it does take, so that a busy machine does
/// not fail it and a line that grows out of hand does.
const LINE_MS: u64 = 2_000;

/// Every third line of the tables with words dropped, doubled, swapped or another line's put in, and some lines eight
/// times over: no panic, no impossible finding, and soon done.
#[test]
fn mangled_utterances_are_soon_done() {
    let grammar = grammar();
    let at = chrono::DateTime::parse_from_rfc3339("2027-01-15T08:00:00Z").unwrap();
    let mut files: Vec<_> = fs::read_dir("tests/findings").unwrap().map(|e| e.unwrap().path()).collect();
    files.sort();
    let said: Vec<String> = files.iter().flat_map(|path| cases(path)).map(|case| case.said).collect();
    let mut dice = Random::of_text(1, "mangled");
    let mut slow = Vec::new();
    for line in said.iter().step_by(3) {
        let mut words: Vec<&str> = line.split_whitespace().collect();
        let (from, to) = (dice.below(words.len()), dice.below(words.len()));
        match dice.below(5) {
            0 => drop(words.remove(from)),
            1 => words.insert(to, words[from]),
            2 => words.swap(from, to),
            3 => words.splice(to..to, said[dice.below(said.len())].split_whitespace()).for_each(drop),
            _ => words = words.repeat(8),
        }
        let text = words.join(" ");
        let began = boot_ms();
        let got = Encounter::new(at).hear(grammar, &text);
        if boot_ms() - began > LINE_MS {
            slow.push(text.clone());
        }
        for finding in got.findings() {
            assert!(finding.problems().is_empty(), "{text}: {:?}", finding.problems());
        }
    }
    assert!(said.len() > 1000, "only {} lines", said.len());
    assert!(slow.is_empty(), "{slow:?}");
}
