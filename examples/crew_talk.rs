//! Prints what crews say and how it is written, `said<TAB>written`, for training the recogniser (`scripts/tune.sh`):
//! the lines of `tests/findings`, COUNT everyday sentences, half as many sampled from the grammar and a third as many of
//! `scripts/tune/contrasts.txt`. What `make eval` speaks is left out, with other numbers too.
//!
//! usage: cargo run --example crew_talk -- COUNT

use std::collections::HashSet;
use std::error::Error;
use std::fs;

use thirdhand::core::grammar::Grammar;
use thirdhand::shell::data::DataSet;
use thirdhand::shell::recognise::language::everyday::{Everyday, TEXT};
use thirdhand::shell::recognise::language::{Dice, spelling};

/// Files of `tests/findings` whose lines are all things said once, each by itself.
const TABLES: [&str; 13] = [
    "assessment",
    "at_the_side",
    "fresh",
    "history",
    "medications",
    "mixed",
    "one_breath",
    "patient",
    "scene",
    "scene_talk",
    "symptoms",
    "talk",
    "treatments",
];
/// Longer ones do not fit the longest window that is trained (`SHAPES` in `scripts/tune/train.py`).
const MOST_WORDS: usize = 18;
/// Writings tried for each sentence; the one that keeps its numbers and commas is taken.
const TRIES: usize = 60;

fn main() -> Result<(), Box<dyn Error>> {
    let count: usize = std::env::args().nth(1).ok_or("usage: crew_talk COUNT")?.parse()?;
    let mut dice = Dice::new(77);
    let mut measured = HashSet::new();
    for line in fs::read_to_string("tests/hearing/utterances.txt")?.lines() {
        measured.extend(written(line, &mut dice).map(|text| wording(&text)));
    }
    let contrasts = fs::read_to_string("scripts/tune/contrasts.txt")?;
    let mut all = tables()?;
    all.extend(sampled(count / 2)?);
    all.extend(everyday(TEXT, count, &mut dice)?);
    all.extend(everyday(&contrasts, count / 3, &mut dice)?);
    for said in all {
        if said.split_whitespace().count() > MOST_WORDS {
            continue;
        }
        let written = written(&said, &mut dice).filter(|text| !measured.contains(&wording(text)));
        if let Some(written) = written {
            println!("{said}\t{written}");
        }
    }
    Ok(())
}

fn tables() -> Result<Vec<String>, Box<dyn Error>> {
    let mut all = Vec::new();
    for table in TABLES {
        let text = fs::read_to_string(format!("tests/findings/{table}.txt"))?;
        let said = text.lines().filter(|line| line.starts_with(|c: char| c.is_alphanumeric()));
        all.extend(said.map(|line| line.trim().to_string()));
    }
    Ok(all)
}

fn sampled(count: usize) -> Result<Vec<String>, Box<dyn Error>> {
    let data = DataSet::find(None)?;
    let grammar = Grammar::load(&data.sources("grammars/")).map_err(|_| "the grammar has faults: thirdhand check")?;
    Ok(grammar.sample(991, count).into_iter().map(|sample| sample.text).collect())
}

/// Sentences drawn from a text in the syntax of `grammars/en/everyday.txt`, at times some in a breath.
fn everyday(text: &str, count: usize, dice: &mut Dice) -> Result<Vec<String>, Box<dyn Error>> {
    let everyday = Everyday::parse(text)?;
    let mut all = Vec::new();
    for _ in 0..count {
        let breaths = [1, 1, 1, 1, 1, 1, 1, 2, 2, 3][dice.roll(10)];
        let said: Vec<String> = (0..breaths).map(|_| everyday.sentence(dice)).collect();
        all.push(said.join(", "));
    }
    Ok(all)
}

/// As the recogniser is to write it: one way, with the numbers as said, a capital and the commas.
fn written(said: &str, dice: &mut Dice) -> Option<String> {
    let numbers = digits(said);
    let all =
        (0..TRIES).map(|_| spelling::written(said, dice)).filter(|text| numbers.is_empty() || digits(text) == numbers);
    let capital = all.filter(|text| text.starts_with(|c: char| !c.is_lowercase()));
    capital.max_by_key(|text| (text.matches(',').count(), text.ends_with('.')))
}

/// The words without marks and capitals, any number as one sign.
fn wording(text: &str) -> Vec<String> {
    let words = text.split_whitespace().map(|word| {
        let bare = word.trim_matches(|c: char| !c.is_alphanumeric()).to_lowercase();
        if bare.starts_with(|c: char| c.is_ascii_digit()) { "#".to_string() } else { bare }
    });
    words.collect()
}

fn digits(text: &str) -> Vec<&str> {
    let parts = text.split(|c: char| !c.is_ascii_digit() && c != '.').map(|part| part.trim_matches('.'));
    parts.filter(|part| !part.is_empty()).collect()
}
