//! Our scores against an independent package: scripts/cross-check-scores.sh writes the cases and runs this.

use std::collections::BTreeMap;
use std::fs;

use thirdhand::core::clinical::news2::{Consciousness, Observations, Scale, news2};
use thirdhand::core::clinical::{apgar, gcs, qsofa, triage};

fn ours(score: &str, f: &[&str]) -> String {
    let int = |at: usize| f[at].parse::<i64>().ok();
    let flag = |at: usize| Some(f[at] == "True");
    match score {
        "news2" => {
            let set = Observations {
                respirations: int(0),
                saturation: int(1),
                on_oxygen: Some(f[2] == "o2"),
                systolic: int(3),
                pulse: int(4),
                consciousness: Some(if f[5] == "A" { Consciousness::Alert } else { Consciousness::Other }),
                temperature: f[6].parse().ok(),
                scale: if f[7] == "2" { Scale::Two } else { Scale::One },
            };
            let score = news2(&set).unwrap();
            let parts: Vec<String> = score.parts.iter().map(u8::to_string).collect();
            format!("{} {}", parts.join(" "), score.total())
        }
        "gcs" => gcs::total(gcs::Parts { eye: int(0), verbal: int(1), motor: int(2) }).unwrap().to_string(),
        "qsofa" => {
            let altered = int(2).map(|coma| coma < 15);
            let points =
                qsofa::qsofa(&qsofa::Observations { respirations: int(0), systolic: int(1), altered }).unwrap();
            points.iter().sum::<u8>().to_string()
        }
        "apgar" => apgar::total([int(0), int(1), int(2), int(3), int(4)]).unwrap().to_string(),
        "start" => {
            let signs = triage::Signs {
                walks: flag(0),
                breathing: Some(f[1] != "None"),
                breathing_opened: Some(false),
                rate: int(1),
                pulse: flag(2),
                obeys: flag(3),
                ..triage::Signs::default()
            };
            // The package calls the last category deceased; the trade's other word is expectant.
            triage::start(&signs).unwrap().name().replace("expectant", "deceased")
        }
        other => panic!("{other}?"),
    }
}

#[test]
#[ignore = "needs the cases that scripts/cross-check-scores.sh writes"]
fn the_independent_package_agrees() {
    let path = std::env::var("THIRDHAND_SCORE_CASES").expect("run scripts/cross-check-scores.sh");
    let mut counts: BTreeMap<String, usize> = BTreeMap::new();
    for line in fs::read_to_string(path).unwrap().lines() {
        let (inputs, expected) = line.split_once(" => ").unwrap();
        let (score, rest) = inputs.split_once(' ').unwrap();
        assert_eq!(ours(score, &rest.split(' ').collect::<Vec<_>>()), expected, "{line}");
        *counts.entry(score.to_string()).or_default() += 1;
    }
    println!("compared: {counts:?}");
    assert!(counts.len() == 5 && counts.values().all(|count| *count >= 10_000), "{counts:?}");
}
