//! Scores asked for, `tests/scores/*.txt`: findings with their time, then `NAME => sentence` at the moment of the last
//! line. `== title` begins a new story. Also: the shipped rule data of this room loads without a complaint.

mod story;

use std::collections::BTreeSet;

use story::{Story, files, moment, shipped};
use thirdhand::core::checklist::Checklists;
use thirdhand::core::clinical::{self, ScoreRules};
use thirdhand::core::vitals::VitalsRules;

#[test]
fn stories() {
    let (rules, _) = shipped(ScoreRules::read);
    let mut wrong = String::new();
    let (mut answered, mut refused) = (BTreeSet::new(), BTreeSet::new());
    for (file, text) in files("scores") {
        let (mut story, mut now) = (Story::default(), "00:00");
        for (number, line) in text.lines().enumerate() {
            let line = line.split('#').next().unwrap().trim();
            if line.starts_with("==") {
                (story, now) = (Story::default(), "00:00");
            } else if let Some((name, say)) = line.split_once("=>") {
                let result = clinical::score(name.trim(), &rules, &story.ledger, 1, moment(now));
                let id = rules.find(name.trim()).map(|r| r.id().to_string()).unwrap_or_default();
                let got = match result {
                    Ok(score) => {
                        assert!(!score.because.is_empty(), "{file}:{}", number + 1);
                        answered.insert(id);
                        score.say
                    }
                    Err(missing) => {
                        refused.insert(id);
                        missing.say
                    }
                };
                if got != say.trim() {
                    wrong.push_str(&format!("{file}:{}: {line}\n    got {got}\n", number + 1));
                }
            } else if !line.is_empty() {
                let (at, findings) = line.split_once(' ').unwrap_or((line, ""));
                now = at;
                story.say(at, findings);
            }
        }
    }
    assert!(wrong.is_empty(), "\n{wrong}");
    for rule in &rules.scores {
        assert!(
            answered.contains(rule.id()) && refused.contains(rule.id()),
            "{}: not both answered and refused",
            rule.id()
        );
    }
}

#[test]
fn the_shipped_data_loads_without_a_complaint() {
    let (_, reading) = shipped(|reader| {
        ScoreRules::read(reader);
        VitalsRules::read(reader);
        Checklists::read(reader);
    });
    let ours = |file: &str| {
        ["protocols/vitals.toml", "protocols/trends.toml", "protocols/scores.toml"].contains(&file)
            || file.starts_with("protocols/checklists/")
    };
    let complaints: Vec<String> = reading.diagnostics.iter().filter(|d| ours(&d.file)).map(|d| d.to_string()).collect();
    assert_eq!(complaints, Vec::<String>::new());
}
