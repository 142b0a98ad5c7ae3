//! Doses by weight and age: `tests/doses/*.txt`, one planned dose for one patient a row, and what is said of it.

mod story;

use story::{files, finding, moment};
use thirdhand::core::encounter::{Effect, Encounter, Input, Knowledge};
use thirdhand::core::event::{AdviceType, Body, Opened};
use thirdhand::core::finding::Finding;
use thirdhand::core::grammar::Grammar;
use thirdhand::core::protocol::Protocol;
use thirdhand::shell::data::DataSet;

fn patient(age: &str, weight: &str) -> Finding {
    let years = age.trim_end_matches('y');
    let weight = match weight.split_at(weight.len().saturating_sub(2)) {
        (pounds, "lb") => {
            let said: thirdhand::core::decimal::Decimal = pounds.parse().unwrap();
            let kg = thirdhand::core::clinical::convert::kilograms(said).unwrap();
            format!(" weight_kg={kg} weight_said={pounds}_lb")
        }
        (kg, "kg") => format!(" weight_kg={kg}"),
        _ => String::new(),
    };
    finding(&format!("patient age_years={years}{weight}"))
}

fn plan(drug: &str, dose: &str, unit: &str, how: &str) -> Finding {
    let route = matches!(how, "oral" | "sublingual" | "intranasal" | "intramuscular");
    let how = if route { format!("route={how}") } else { format!("device={how}") };
    finding(&format!("medication_planned name={drug} dose={dose} unit={unit} {how}"))
}

#[test]
fn every_row() {
    let data = DataSet::built_in();
    let protocol = Protocol::load(&data.sources("protocols/")).unwrap();
    let knowledge = Knowledge { grammar: Grammar::default(), protocol };
    let (mut rows, mut wrong) = (0, String::new());
    for (file, text) in files("doses") {
        for (number, line) in text.lines().enumerate() {
            let line = line.split('#').next().unwrap().trim();
            let Some((inputs, expected)) = line.split_once("=>") else { continue };
            let f: Vec<&str> = inputs.split_whitespace().collect();
            let mut encounter = Encounter::new(&knowledge);
            encounter.handle(Input::Open(Opened::default()), moment("00:00"));
            encounter.handle(Input::Found(patient(f[4], f[5])), moment("00:01"));
            // The questions of other rules come first, two a plan: they are answered here.
            for known in ["allergy none=true of=any", "recent_use class=acetaminophen_product taken=false"] {
                encounter.handle(Input::Found(finding(known)), moment("00:05"));
            }
            let effects = encounter.handle(Input::Found(plan(f[0], f[1], f[2], f[3])), moment("00:10"));
            let said: Vec<String> = effects
                .iter()
                .filter_map(|effect| match effect {
                    Effect::Append(event) => match &event.body {
                        Body::Advice(a) if a.kind == AdviceType::Dose => Some(a.rule.clone()),
                        Body::Advice(a) if a.kind == AdviceType::MissingFact && a.say.contains("weigh") => {
                            Some("ask".into())
                        }
                        _ => None,
                    },
                    _ => None,
                })
                .collect();
            let got = if said.is_empty() { "fits".to_string() } else { said.join(" ") };
            rows += 1;
            if got != expected.trim() {
                wrong.push_str(&format!("{file}:{}: {line}\n    got {got}\n", number + 1));
            }
        }
    }
    assert!(rows > 50, "{rows} rows");
    assert!(wrong.is_empty(), "\n{wrong}");
}
