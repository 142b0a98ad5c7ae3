//! Sentences from data with slots: `{drug}`, `{value!}`. It does not know when a sentence is due, nor a voice.
//!
//! A number slot is read in words; with `!` it is read so that it cannot be taken for another: "ninety four, nine
//! four". A text slot is read as it is, `_` as a space.

use crate::core::decimal::Decimal;
use crate::core::finding::Value;
use crate::core::number_words::{below_hundred, small};

/// What fills a template.
pub type Slots = Vec<(String, Value)>;

/// Most words that a spoken sentence may have; `check` warns about longer ones.
pub const WORDS: usize = 12;

/// `template` with its slots filled; an unknown slot is left out (`check` finds it first).
pub fn render(template: &str, slots: &[(String, Value)]) -> String {
    let mut out = String::new();
    let mut rest = template;
    while let Some((before, after)) = rest.split_once('{') {
        out.push_str(before);
        let Some((name, tail)) = after.split_once('}') else {
            rest = after;
            break;
        };
        let (name, reading) = match (name.strip_suffix('!'), name.strip_suffix('#')) {
            (Some(name), _) => (name, Reading::Clear),
            (None, Some(name)) => (name, Reading::Count),
            (None, None) => (name, Reading::Words),
        };
        rest = tail;
        if let Some((_, value)) = slots.iter().find(|(slot, _)| slot == name) {
            out.push_str(&read(value, reading));
            if value.as_number() == Some(Decimal::from_int(1)) {
                rest = singular(tail, &mut out);
            }
        }
    }
    out.push_str(rest);
    first_upper(&out.split_whitespace().collect::<Vec<_>>().join(" "))
}

/// Every slot name in `template`, in order.
pub fn slots(template: &str) -> Vec<String> {
    template
        .split('{')
        .skip(1)
        .filter_map(|part| part.split_once('}'))
        .map(|(name, _)| name.trim_end_matches(['!', '#']).to_string())
        .collect()
}

#[derive(Clone, Copy, PartialEq)]
enum Reading {
    /// As the trade says it: "one twenty".
    Words,
    /// As one counts: "one hundred twenty".
    Count,
    /// Words and then digits.
    Clear,
}

/// After "one": the next word without its plural ending. Returns what follows it.
fn singular<'a>(tail: &'a str, out: &mut String) -> &'a str {
    for unit in [" minute", " hour", " second"] {
        if let Some(rest) = tail.strip_prefix(unit).and_then(|rest| rest.strip_prefix('s')) {
            out.push_str(unit);
            return rest;
        }
    }
    tail
}

fn first_upper(text: &str) -> String {
    let mut chars = text.chars();
    chars.next().map_or_else(String::new, |first| first.to_uppercase().chain(chars).collect())
}

fn read(value: &Value, reading: Reading) -> String {
    match value {
        Value::Number(number) if reading == Reading::Clear => clear_number(*number),
        Value::Number(number) if reading == Reading::Count => count_words(*number),
        Value::Number(number) => number_words(*number),
        other => other.to_string().replace('_', " "),
    }
}

/// The number in the trade's words: 118 is "one eighteen", 0.4 is "zero point four".
pub fn number_words(number: Decimal) -> String {
    let text = number.to_string();
    let (sign, text) = match text.strip_prefix('-') {
        Some(rest) => ("minus ", rest),
        None => ("", text.as_str()),
    };
    let (whole, fraction) = text.split_once('.').unwrap_or((text, ""));
    let mut words = format!("{sign}{}", whole_words(whole.parse().unwrap_or(0)));
    if !fraction.is_empty() {
        words.push_str(" point ");
        words.push_str(&digits(fraction));
    }
    words
}

/// A count of minutes or hours: 120 is "one hundred twenty".
fn count_words(number: Decimal) -> String {
    match number.as_int().and_then(|n| u64::try_from(n).ok()) {
        Some(n @ 101..=999) if !n.is_multiple_of(100) => {
            format!("{} hundred {}", small(n / 100), whole_words(n % 100))
        }
        _ => number_words(number),
    }
}

fn whole_words(n: u64) -> String {
    match n {
        0..=99 => below_hundred(n),
        100..=999 => match n % 100 {
            0 => format!("{} hundred", small(n / 100)),
            rest @ 1..=9 => format!("{} oh {}", small(n / 100), small(rest)),
            rest => format!("{} {}", small(n / 100), whole_words(rest)),
        },
        1000..=999_999 if n.is_multiple_of(1000) => format!("{} thousand", whole_words(n / 1000)),
        1000..=999_999 => {
            let rest = n % 1000;
            let tail = if rest < 100 { format!("and {}", whole_words(rest)) } else { whole_words(rest) };
            format!("{} thousand {tail}", whole_words(n / 1000))
        }
        _ => digits(&n.to_string()),
    }
}

fn digits(text: &str) -> String {
    text.chars().filter_map(|c| c.to_digit(10)).map(|d| small(u64::from(d))).collect::<Vec<_>>().join(" ")
}

/// The number and then its digits one by one, where both differ: "fifteen, one five"; "zero point four"; "eight".
pub fn clear_number(number: Decimal) -> String {
    let (words, digits) = (number_words(number), digit_words(number));
    if words == digits { words } else { format!("{words}, {digits}") }
}

/// The number so that it cannot be taken for another: a whole one digit by digit, "one five".
pub fn digit_words(number: Decimal) -> String {
    let text = number.to_string();
    match text.contains('.') || text.chars().filter(char::is_ascii_digit).count() < 2 {
        true => number_words(number),
        false => digits(&text),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn number(text: &str) -> Value {
        Value::Number(text.parse().unwrap())
    }

    #[test]
    fn digits_are_read_so_that_they_cannot_be_confused() {
        for (value, read) in [
            ("94", "ninety four, nine four"),
            ("15", "fifteen, one five"),
            ("50", "fifty, five zero"),
            ("118", "one eighteen, one one eight"),
            ("104", "one oh four, one zero four"),
            ("100", "one hundred, one zero zero"),
            ("0.4", "zero point four"),
            ("8", "eight"),
            ("2.5", "two point five"),
        ] {
            assert_eq!(clear_number(value.parse().unwrap()), read);
        }
    }

    #[test]
    fn numbers_in_words() {
        for (value, read) in [
            ("324", "three twenty four"),
            ("650", "six fifty"),
            ("1000", "one thousand"),
            ("1250", "one thousand two fifty"),
            ("98.6", "ninety eight point six"),
            ("20", "twenty"),
        ] {
            assert_eq!(number_words(value.parse().unwrap()), read);
        }
    }

    #[test]
    fn a_template_is_filled_and_begins_with_a_capital() {
        let slots = vec![("drug".to_string(), Value::text("nitro")), ("value".to_string(), number("94"))];
        assert_eq!(render("{drug}, hold: pressure {value!}.", &slots), "Nitro, hold: pressure ninety four, nine four.");
        assert_eq!(render("{nobody}pulse {value}", &slots), "Pulse ninety four");
        let minutes = |n: i64| render("on {minutes#} minutes", &[("minutes".to_string(), Value::int(n))]);
        assert_eq!(minutes(1), "On one minute");
        assert_eq!(minutes(120), "On one hundred twenty minutes");
        assert_eq!(minutes(21), "On twenty one minutes");
    }
}
