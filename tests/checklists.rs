//! Stories of omissions, `tests/checklists/*.txt`: findings with their time, then what is missing. `? => first, second`
//! asks and compares the beginning of the answer; `?NAME =>` asks for one list; `! =>` the serious gaps, whole;
//! `? has X` / `? lacks X` look for one item; `== title` begins a new story.

mod story;

use std::collections::BTreeSet;

use story::{Story, files, moment, shipped};
use thirdhand::core::checklist::{self, Checklists, Item};

fn asks(items: &[Item]) -> Vec<String> {
    items.iter().map(|item| item.ask.clone()).collect()
}

fn answer(lists: &Checklists, story: &Story, line: &str) -> Result<(), String> {
    let now = moment("90:00");
    let (head, rest) = line.split_once(' ').unwrap_or((line, ""));
    let complaint = head.get(1..).filter(|name| !name.is_empty());
    let items = match head.chars().next() {
        Some('!') => checklist::serious_gaps(lists, &story.ledger, 1, now),
        _ => checklist::missing(lists, &story.ledger, 1, complaint, now),
    };
    let got = asks(&items);
    let fail = || Err(format!("{line}\n    got {}", got.join(", ")));
    match rest.split_once(' ') {
        Some(("has", item)) if got.iter().any(|g| g == item.trim()) => Ok(()),
        Some(("lacks", item)) if !got.iter().any(|g| g == item.trim()) => Ok(()),
        Some(("=>", wanted)) => {
            let wanted: Vec<&str> = wanted.split(',').map(str::trim).filter(|w| !w.is_empty()).collect();
            let whole = head.starts_with('!');
            let begins = got.iter().zip(&wanted).all(|(g, w)| g == w) && got.len() >= wanted.len();
            if begins && (!whole || got.len() == wanted.len()) { Ok(()) } else { fail() }
        }
        _ if rest == "=>" && got.is_empty() => Ok(()),
        _ => fail(),
    }
}

#[test]
fn stories() {
    let (lists, _) = shipped(Checklists::read);
    let mut wrong = String::new();
    for (name, text) in files("checklists") {
        let mut story = Story::default();
        for (number, line) in text.lines().enumerate() {
            let line = line.split('#').next().unwrap().trim();
            if line.starts_with("==") {
                story = Story::default();
            } else if line.starts_with(['?', '!']) {
                if let Err(why) = answer(&lists, &story, line) {
                    wrong.push_str(&format!("{name}:{}: {why}\n", number + 1));
                }
            } else if let Some((at, findings)) = line.split_once(' ') {
                story.say(at, findings);
            }
        }
    }
    assert!(wrong.is_empty(), "\n{wrong}");
}

#[test]
fn every_list_is_reached_and_every_item_has_its_list() {
    let (lists, reading) = shipped(Checklists::read);
    assert!(
        reading.diagnostics.iter().all(|d| !d.file.contains("checklists/") || d.message.contains("no known section"))
    );
    let reached: BTreeSet<&str> = lists
        .lists
        .iter()
        .filter(|l| !l.body.when.is_empty() || l.body.always)
        .flat_map(|l| lists.applying(&Default::default(), 1, Some(l.id())))
        .collect();
    for list in &lists.lists {
        assert!(reached.contains(list.id()), "{} is reached by no complaint", list.id());
    }
    for list in [
        "medical",
        "chest-pain",
        "breathing",
        "altered",
        "allergic",
        "trauma",
        "spinal",
        "stroke",
        "overdose",
        "seizure",
        "pregnancy",
        "newborn",
        "child",
        "behavioural",
        "arrest",
        "refusal",
        "shift-equipment",
        "cylinder-inspection",
    ] {
        assert!(lists.items.iter().any(|item| item.body.checklist == list), "{list}");
    }
}

/// Answering what an item asks takes it off, whatever the list.
#[test]
fn could_not_ask_settles_every_item() {
    use thirdhand::core::condition::Condition;
    let (lists, _) = shipped(Checklists::read);
    for item in lists.items.iter().filter(|i| i.body.only.is_empty()) {
        let mut story = Story::default();
        let kind = Condition::parse(&item.body.done[0]).unwrap().kind;
        story.say("00:10", &format!("{} obtained=false why=unable", kind.name()));
        let left = checklist::missing(&lists, &story.ledger, 1, Some(&item.body.checklist), moment("01:00"));
        assert!(left.iter().all(|l| l.id != item.id()), "{}", item.id());
    }
}

/// Sensitive words go to an earpiece; a loudspeaker hears a neutral name.
#[test]
fn a_loudspeaker_hears_no_sensitive_words() {
    let (lists, _) = shipped(Checklists::read);
    let mut story = Story::default();
    story.say("00:00", "patient age_years=58; chief_complaint text=chest_pain");
    let items = checklist::missing(&lists, &story.ledger, 1, None, moment("01:00"));
    let (say, aloud) = lists.say_missing(&items);
    assert!(say.contains("E D drugs"), "{say}");
    let aloud = aloud.unwrap();
    assert!(aloud.contains("nitro questions") && !aloud.contains("E D"), "{aloud}");
    for item in &lists.items {
        let sensitive = ["E D ", "pregnan", "overdose", "abuse", "suicid", "harm", "drugs or alcohol"];
        let named = sensitive.iter().any(|word| item.body.ask.contains(word));
        assert!(!named || item.body.ask_aloud.is_some(), "{}", item.id());
    }
}
