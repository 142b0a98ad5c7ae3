//! Published worked values: one text table a formula in `tests/clinical/`. Add a row, not code.

use std::fs;
use std::path::PathBuf;

use thirdhand::core::clinical::age::Age;
use thirdhand::core::clinical::convert::{self, Weight};
use thirdhand::core::clinical::{apgar, burns, cylinder, gcs, news2, perfusion, qsofa, rts, stroke, triage};
use thirdhand::core::decimal::Decimal;

fn folder() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("tests/clinical")
}

/// Every row of one table through `work`; all failures at once.
fn table(name: &str, work: fn(&[&str]) -> Result<String, String>) {
    let text = fs::read_to_string(folder().join(name)).unwrap();
    let (mut rows, mut wrong) = (0, String::new());
    for (number, line) in text.lines().enumerate() {
        let line = line.split('#').next().unwrap().trim();
        if line.is_empty() {
            continue;
        }
        let (inputs, expected) = line.split_once("=>").unwrap_or_else(|| panic!("{name}:{}: no `=>`", number + 1));
        let inputs: Vec<&str> = inputs.split_whitespace().collect();
        let got = work(&inputs).unwrap_or_else(|missing| format!("!{missing}"));
        rows += 1;
        if got != expected.trim() {
            wrong.push_str(&format!("{name}:{}: {line}\n    got {got}\n", number + 1));
        }
    }
    assert!(rows > 0, "{name} has no rows");
    assert!(wrong.is_empty(), "\n{wrong}");
}

fn int(text: &str) -> Option<i64> {
    text.parse().ok()
}

fn number(text: &str) -> Decimal {
    text.parse().unwrap()
}

fn yes_no(text: &str) -> Option<bool> {
    match text {
        "y" | "yes" | "a" => Some(true),
        "n" | "no" => Some(false),
        _ => None,
    }
}

fn list(parts: impl IntoIterator<Item = impl ToString>) -> String {
    parts.into_iter().map(|p| p.to_string()).collect::<Vec<_>>().join(" ")
}

#[test]
fn news2_rows() {
    table("news2.txt", |f| {
        let set = news2::Observations {
            respirations: int(f[0]),
            saturation: int(f[1]),
            on_oxygen: (f[2] != "-").then_some(f[2] == "o2"),
            systolic: int(f[3]),
            pulse: int(f[4]),
            consciousness: match f[5] {
                "-" => None,
                "A" => Some(news2::Consciousness::Alert),
                _ => Some(news2::Consciousness::Other),
            },
            temperature: f[6].parse().ok(),
            scale: if f[7] == "2" { news2::Scale::Two } else { news2::Scale::One },
        };
        let score = news2::news2(&set).map_err(|missing| missing.join(", "))?;
        Ok(format!("{} = {}, {}", list(score.parts), score.total(), score.band()))
    });
}

#[test]
fn gcs_rows() {
    table("gcs.txt", |f| {
        let parts = gcs::Parts { eye: int(f[0]), verbal: int(f[1]), motor: int(f[2]) };
        match gcs::total(parts) {
            Ok(total) => Ok(format!("{total}, {}", gcs::band(total))),
            Err(gcs::Refused::Missing(parts)) => Err(parts.join(", ")),
            Err(gcs::Refused::Impossible(part)) => Err(part.to_string()),
        }
    });
}

#[test]
fn qsofa_rows() {
    table("qsofa.txt", |f| {
        let set = qsofa::Observations { respirations: int(f[0]), systolic: int(f[1]), altered: yes_no(f[2]) };
        let points = qsofa::qsofa(&set).map_err(|missing| missing.join(", "))?;
        let total = points.iter().sum();
        Ok(format!("{} = {total}, {}", list(points), qsofa::band(total)))
    });
}

#[test]
fn rts_rows() {
    table("rts.txt", |f| {
        let score = rts::rts(int(f[0]), int(f[1]), int(f[2])).map_err(|missing| missing.join(", "))?;
        Ok(format!("{}, {}, {}", score.triage(), score.weighted(), score.band()))
    });
}

#[test]
fn perfusion_rows() {
    table("perfusion.txt", |f| {
        let at = |i: usize| f.get(i).and_then(|t| int(t)).unwrap_or(0);
        match f[0] {
            "map" => Ok(perfusion::mean_pressure(at(1), at(2)).unwrap().to_string()),
            "pp" if perfusion::narrow(at(1), at(2)) => {
                Ok(format!("{} narrow", perfusion::pulse_pressure(at(1), at(2))))
            }
            "pp" => Ok(perfusion::pulse_pressure(at(1), at(2)).to_string()),
            "si" => perfusion::shock_index(at(1), at(2)).map(|i| i.to_string()).ok_or("blood_pressure".into()),
            "sipa" => match perfusion::sipa_raised(at(1), at(2), at(3)) {
                Some(true) => Ok("raised".into()),
                Some(false) => Ok("not raised".into()),
                None => Err("age".into()),
            },
            "hypotension" => Ok(perfusion::hypotension_below(age(f[1])).to_string()),
            other => panic!("{other}?"),
        }
    });
}

fn age(text: &str) -> Age {
    let at = text.find(|c: char| c.is_alphabetic()).unwrap();
    let number = text[..at].parse().unwrap();
    match &text[at..] {
        "y" => Age::years(number),
        "mo" => Age::months(number),
        "d" => Age::days(number),
        other => panic!("{other}?"),
    }
}

#[test]
fn cylinder_rows() {
    table("cylinder.txt", |f| {
        let (psi, residual) = (int(f[1]).unwrap(), int(f[3]).unwrap());
        let litres = cylinder::litres(f[0], psi, residual).ok_or("size")?;
        let minutes = cylinder::minutes(f[0], psi, residual, number(f[2])).ok_or("flow")?;
        Ok(format!("{litres}, {minutes}"))
    });
}

#[test]
fn burns_rows() {
    table("burns.txt", |f| {
        burns::percent(f[1..].iter().copied(), f[0] == "child").map(|p| p.to_string()).map_err(String::from)
    });
}

#[test]
fn apgar_rows() {
    table("apgar.txt", |f| {
        if f[0] == "next" {
            let made: Vec<(i64, i64)> = f[1..]
                .iter()
                .map(|pair| pair.split_once(':').map(|(m, t)| (int(m).unwrap(), int(t).unwrap())).unwrap())
                .collect();
            return Ok(apgar::next_minute(&made).map_or("done".into(), |minute| minute.to_string()));
        }
        let parts = [int(f[0]), int(f[1]), int(f[2]), int(f[3]), int(f[4])];
        let total = apgar::total(parts).map_err(|missing| missing.join(", "))?;
        Ok(format!("{total}, {}", apgar::band(total)))
    });
}

#[test]
fn convert_rows() {
    table("convert.txt", |f| {
        let value = number(f[1]);
        Ok(match f[0] {
            "c-f" => convert::fahrenheit(value).unwrap().to_string(),
            "f-c" => convert::celsius(value).unwrap().to_string(),
            "mmol" => convert::mmol_per_l(value).unwrap().to_string(),
            "mg" => convert::mg_per_dl(value).unwrap().to_string(),
            "kg" => convert::kilograms(value).unwrap().to_string(),
            "reaches" => {
                let weight = match f[2] {
                    "lb" => Weight { kg: convert::kilograms(value).unwrap(), lb: Some(value), approximate: false },
                    _ => Weight { kg: value, lb: None, approximate: false },
                };
                if weight.at_least(number(f[3])) { "yes".into() } else { "no".into() }
            }
            other => panic!("{other}?"),
        })
    });
}

#[test]
fn triage_rows() {
    table("triage.txt", |f| {
        let at = |i: usize| yes_no(f[i]);
        let result = match f[0] {
            "start" => triage::start(&triage::Signs {
                walks: at(1),
                breathing: at(2),
                breathing_opened: at(3),
                rate: int(f[4]),
                pulse: at(5),
                slow_refill: at(6),
                obeys: at(7),
                ..triage::Signs::default()
            }),
            _ => triage::jump_start(&triage::Signs {
                walks: at(1),
                breathing: at(2),
                breathing_opened: at(3),
                breathing_rescued: at(4),
                rate: int(f[5]),
                pulse: at(6),
                responds: at(7),
                ..triage::Signs::default()
            }),
        };
        result.map(|c| format!("{} {}", c.name(), c.colour())).map_err(String::from)
    });
}

#[test]
fn stroke_rows() {
    table("stroke.txt", |f| {
        let items = stroke::Items { face: yes_no(f[0]), arm: yes_no(f[1]), speech: yes_no(f[2]) };
        let abnormal = stroke::cincinnati(items).map_err(|missing| missing.join(", "))?;
        Ok(format!("{abnormal} {}", stroke::band(abnormal)))
    });
}

/// A table nobody runs is no test.
#[test]
fn every_table_has_a_walker() {
    let here = fs::read_to_string(PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("tests/clinical.rs")).unwrap();
    for entry in fs::read_dir(folder()).unwrap() {
        let name = entry.unwrap().file_name().into_string().unwrap();
        assert!(!name.ends_with(".txt") || here.contains(&format!("table(\"{name}\"")), "{name} has no walker");
    }
}
