//! Words and numbers against text tables (`tests/text/*.txt`): what is said, `=>`, what it means.
//!
//! `num2words.txt` is the outside check (num2words 0.5.14, PyPI; `scripts/number-words.py` wrote it); the trade's own
//! forms in the other tables are common practice, no source.

use std::path::Path;

use proptest::prelude::*;
use thirdhand::core::limits;
use thirdhand::core::source::Source;
use thirdhand::core::text::{self, Break, Form, Half, Lexicon, Token};

fn read(path: &str) -> String {
    std::fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join(path)).unwrap()
}

fn lexicon() -> Lexicon {
    let path = "grammars/en/spelling.toml";
    let text = read(path);
    Lexicon::parse(&Source { path, text: &text, local: false }).unwrap()
}

/// Runs every `said => meant` line of a table; reports all that differ.
fn table(name: &str, at_least: usize, meaning: impl Fn(&[Token]) -> String) {
    let path = format!("tests/text/{name}.txt");
    let lexicon = lexicon();
    let mut wrong = Vec::new();
    let mut lines = 0;
    for (number, line) in read(&path).lines().enumerate() {
        if line.is_empty() || line.starts_with('#') {
            continue;
        }
        let Some((said, meant)) = line.split_once("=>") else { panic!("{path}:{}: no `=>`", number + 1) };
        lines += 1;
        let got = meaning(&lexicon.tokens(said.trim()));
        if got != meant.trim() {
            wrong.push(format!("{path}:{}: {} => {}, not {got}", number + 1, said.trim(), meant.trim()));
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
    assert!(lines >= at_least, "{path}: only {lines} lines");
}

fn form_name(form: Form) -> &'static str {
    match form {
        Form::Cardinal => "cardinal",
        Form::Decimal => "decimal",
        Form::Fraction => "fraction",
        Form::Pair => "pair",
        Form::Digits => "digits",
        Form::LeadingZero => "leading_zero",
        Form::DroppedPoint => "dropped_point",
    }
}

fn or_none(list: Vec<String>, between: &str) -> String {
    if list.is_empty() { "none".into() } else { list.join(between) }
}

#[test]
fn tokens() {
    table("tokens", 90, |tokens| {
        let mut line = String::new();
        for (i, token) in tokens.iter().enumerate() {
            line += if i > 0 { " " } else { "" };
            line += &token.text;
            line += match token.after {
                Break::Comma => ",",
                Break::Stop => ".",
                Break::Question => "?",
                _ => "",
            };
        }
        line
    });
}

/// The readings that take every word of the line.
#[test]
fn numbers() {
    table("numbers", 150, |tokens| {
        let whole = text::readings(tokens, 0).into_iter().filter(|r| r.end == tokens.len());
        or_none(whole.map(|r| format!("{} {}", r.value, form_name(r.form))).collect(), ", ")
    });
}

/// Where in a line numbers are seen at all: the longest reading at each place not yet covered.
#[test]
fn numbers_in_talk() {
    table("numbers_in_talk", 30, |tokens| {
        let mut found = Vec::new();
        let mut at = 0;
        while at < tokens.len() {
            match text::readings(tokens, at).into_iter().find(|r| r.form.is_ordinary()) {
                Some(reading) => {
                    found.push(reading.value.to_string());
                    at = reading.end;
                }
                None => at += 1,
            }
        }
        or_none(found, " ")
    });
}

#[test]
fn clocks() {
    table("clocks", 40, |tokens| {
        let whole = text::clocks(tokens, 0).into_iter().filter(|c| c.end == tokens.len());
        let shown = whole.map(|c| {
            let half = if c.half == Half::Either { "?" } else { "" };
            let bare = if c.bare { " bare" } else { "" };
            format!("{:02}:{:02}{half}{bare}", c.hour, c.minute)
        });
        or_none(shown.collect(), ", ")
    });
}

#[test]
fn durations() {
    table("durations", 30, |tokens| {
        let whole = text::durations(tokens, 0).into_iter().filter(|d| d.end == tokens.len());
        let shown = whole.map(|d| format!("{}{}", if d.approximate { "~" } else { "" }, d.seconds));
        or_none(shown.collect(), ", ")
    });
}

#[test]
fn expiries() {
    table("expiries", 25, |tokens| {
        let whole = text::expiries(tokens, 0).into_iter().filter(|e| e.end == tokens.len());
        or_none(whole.map(|e| format!("{}-{:02}", e.year, e.month)).collect(), ", ")
    });
}

/// Every number that num2words spells is read as itself, as an ordinary form, and as no other number in that form.
#[test]
fn num2words_is_read_back() {
    let lexicon = lexicon();
    let mut lines = 0;
    for line in read("tests/text/num2words.txt").lines().filter(|l| !l.starts_with('#')) {
        let (value, words) = line.split_once('\t').unwrap();
        lines += 1;
        // The comma behind "thousand" is written, not said. Americans leave "and" out.
        let written = words.replace(',', "");
        for said in [written.clone(), written.replace(" and ", " ")] {
            let tokens = lexicon.tokens(&said);
            let readings = text::readings(&tokens, 0);
            let counted: Vec<String> = readings
                .iter()
                .filter(|r| r.end == tokens.len() && matches!(r.form, Form::Cardinal | Form::Decimal))
                .map(|r| r.value.to_string())
                .collect();
            assert_eq!(counted, [value], "{said}");
        }
    }
    assert!(lines > 10_800);
}

/// The number as written in digits is read as itself.
#[test]
fn digits_are_read_as_themselves() {
    let lexicon = lexicon();
    for line in read("tests/text/num2words.txt").lines().filter(|l| !l.starts_with('#')) {
        let (value, _) = line.split_once('\t').unwrap();
        let tokens = lexicon.tokens(value);
        let ordinary: Vec<String> = text::readings(&tokens, 0)
            .iter()
            .filter(|r| r.end == tokens.len() && r.form.is_ordinary())
            .map(|r| r.value.to_string())
            .collect();
        assert_eq!(ordinary, [value]);
    }
}

/// 101 to 999 said in groups ("one eighteen", "one oh four", "1 18") and digit by digit.
#[test]
fn groups_and_digits_are_read_as_one_number() {
    let lexicon = lexicon();
    let words: std::collections::HashMap<i64, String> = read("tests/text/num2words.txt")
        .lines()
        .filter_map(|l| l.split_once('\t'))
        .filter_map(|(value, words)| Some((value.parse().ok()?, words.to_string())))
        .collect();
    for number in (101..1000).filter(|n| n % 100 != 0) {
        let (head, rest) = (number / 100, number % 100);
        let (tens, ones) = (rest / 10, rest % 10);
        let mut sayings =
            vec![format!("{} {} {}", words[&head], words[&tens], words[&ones]), format!("{head} {tens} {ones}")];
        if rest >= 10 {
            sayings.push(format!("{} {}", words[&head], words[&rest]));
            sayings.push(format!("{head} {rest}"));
            sayings.push(format!("{head}-{rest}"));
            sayings.push(format!("{head} {}", words[&rest]));
        } else {
            sayings.push(format!("{} oh {}", words[&head], words[&ones]));
            sayings.push(format!("{head} oh {ones}"));
            sayings.push(format!("{head} 0{ones}"));
        }
        for said in sayings {
            let tokens = lexicon.tokens(&said);
            let whole: Vec<i64> = text::readings(&tokens, 0)
                .iter()
                .filter(|r| r.end == tokens.len() && r.form.is_ordinary())
                .filter_map(|r| r.value.as_int())
                .collect();
            assert_eq!(whole, [number], "{said}");
        }
    }
}

#[test]
fn a_spelling_file_with_faults_is_named_with_its_places() {
    let path = "grammars/en/spelling.toml";
    let text = read(path);
    let broken = text.replace("[letters]\n", "[letters]\nnaems = []\n");
    let problems = Lexicon::parse(&Source { path, text: &broken, local: true }).unwrap_err();
    assert!(problems[0].line > 1 && problems[0].message.contains("naems"), "{}", problems[0]);
    let broken = text.replace("seven = 7", "seven = 17");
    let problems = Lexicon::parse(&Source { path, text: &broken, local: true }).unwrap_err();
    assert!(problems[0].message.contains("`seven` = 17"), "{}", problems[0]);
}

fn no_harm(lexicon: &Lexicon, line: &str) -> usize {
    let tokens = lexicon.tokens(line);
    assert!(tokens.len() <= limits::WORDS);
    let mut readings = 0;
    for at in 0..=tokens.len() {
        if let Some(token) = tokens.get(at) {
            assert!(line.get(token.span.clone()).is_some(), "{token:?} in {line:?}");
        }
        let found = text::readings(&tokens, at);
        readings += found.len();
        assert!(found.iter().all(|r| r.end > at && r.end <= tokens.len()));
        text::clocks(&tokens, at);
        text::durations(&tokens, at);
        text::expiries(&tokens, at);
    }
    readings
}

/// A printer's apostrophe is longer than the plain one that it is read as.
#[test]
fn a_word_behind_a_printers_apostrophe_is_cut_where_it_was_written() {
    no_harm(&lexicon(), "‘A'S:");
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(400))]

    #[test]
    fn any_text_is_cut_without_panic(line in "\\PC{0,200}") {
        no_harm(&lexicon(), &line);
    }

    #[test]
    fn any_number_words_are_read_within_bounds(
        words in proptest::collection::vec(
            proptest::sample::select(vec![
                "one", "oh", "zero", "eighteen", "ninety", "hundred", "thousand", "and", "a", "point", "half",
                "quarter", "past", "to", "1", "18", "04", "0.4", ".6", "1,400", "94/62", "14:02", "1/2", "'s", "x3",
                "march", "hours", "minutes", "about", "s p o 2", "e4v5m6", "½", ",", "…", "1st", "12345678901234567890",
            ]),
            0..60,
        )
    ) {
        let readings = no_harm(&lexicon(), &words.join(" "));
        // Bounded work at each place, however long the line.
        prop_assert!(readings <= 60 * (words.len() * 3 + 1), "{readings} readings of {} words", words.len());
    }
}
