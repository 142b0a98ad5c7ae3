//! Writes a spoken sentence as the recogniser would: numbers in digits, `91%`, `94/62`, `BP`, a capital, a full stop.
//!
//! Where the recogniser is of two minds, the dice are too, so that the language model knows both.

use super::Dice;
use crate::core::number_words;
use crate::core::text::{self, Break, NumberWord, Token};

/// One written form of `sentence`, which is in spoken words (digits in it are left alone).
pub fn written(sentence: &str, dice: &mut Dice) -> String {
    let tokens: Vec<Token> = words(sentence);
    let mut out = Writer { text: String::new(), dice };
    let mut at = 0;
    while at < tokens.len() {
        at = out.take(&tokens, at);
    }
    let mut text = out.text;
    if dice.chance(92) {
        text = capitalised(&text);
    }
    if dice.chance(55) {
        text.push('.');
    }
    text
}

/// Several sentences in one breath.
pub fn joined(sentences: &[String], dice: &mut Dice) -> String {
    let mut text = String::new();
    for (i, sentence) in sentences.iter().enumerate() {
        if i == 0 {
            text.push_str(sentence);
            continue;
        }
        let stopped = text.ends_with('.');
        if stopped && dice.chance(50) {
            text.push(' ');
            text.push_str(&capitalised(sentence));
            continue;
        }
        let before = text.trim_end_matches('.').len();
        text.truncate(before);
        text.push_str([", ", ", ", " and ", " "][dice.roll(4)]);
        text.push_str(&uncapitalised(sentence));
    }
    text
}

fn capitalised(text: &str) -> String {
    let mut chars = text.chars();
    chars.next().map_or(String::new(), |first| first.to_uppercase().chain(chars).collect())
}

/// `Pulse` to `pulse`, but `BP` stays.
fn uncapitalised(text: &str) -> String {
    let mut chars = text.chars();
    match (chars.next(), text.chars().nth(1)) {
        (Some(first), Some(second)) if !second.is_uppercase() => first.to_lowercase().chain(chars).collect(),
        _ => text.to_string(),
    }
}

fn words(sentence: &str) -> Vec<Token> {
    let mut tokens = Vec::new();
    for word in sentence.split_whitespace() {
        let bare = word.trim_end_matches([',', '.', ';', '?', '!']);
        let after = if bare.len() < word.len() { Break::Comma } else { Break::None };
        for part in hyphened(bare) {
            tokens.push(Token { text: part.to_string(), span: 0..0, after: Break::None, number: number_word(part) });
        }
        if let Some(last) = tokens.last_mut() {
            last.after = after;
        }
    }
    tokens
}

/// `ninety-four` is two words where both halves are numbers.
fn hyphened(word: &str) -> Vec<&str> {
    match word.split_once('-') {
        Some((a, b)) if number_word(a).is_some() && number_word(b).is_some() => vec![a, b],
        _ => vec![word],
    }
}

fn number_word(word: &str) -> Option<NumberWord> {
    match number_words::value(word) {
        Some(n @ 0..=9) => return Some(NumberWord::Digit(n)),
        Some(n @ 10..=19) => return Some(NumberWord::Teen(n)),
        Some(n) => return Some(NumberWord::Tens(n)),
        None => {}
    }
    match word {
        "hundred" => Some(NumberWord::Hundred),
        "thousand" => Some(NumberWord::Thousand),
        "point" => Some(NumberWord::Point),
        "oh" => Some(NumberWord::Oh),
        _ => None,
    }
}

/// Units whose numbers come with a fraction, as spoken and as written.
const FRACTIONAL_UNITS: [&str; 10] =
    ["milligram", "milligrams", "mg", "milliliters", "ml", "mls", "kilograms", "millimoles", "seconds", "grams"];

fn is_written_number(word: &str) -> bool {
    word.starts_with(|c: char| c.is_ascii_digit()) && word.chars().all(|c| c.is_ascii_digit() || c == '.')
}

/// `4` as `four`; greater numbers stay in digits.
fn small_word(number: &str) -> String {
    match number.parse::<u64>() {
        Ok(n @ 0..=9) => number_words::small(n).to_string(),
        _ => number.to_string(),
    }
}

/// True for a number that is said in two parts with a pause between, as "one eighteen" may be: `1 18`.
fn in_pairs(digits: &str) -> bool {
    digits.len() == 3 && digits.bytes().all(|b| b.is_ascii_digit()) && !digits[1..].starts_with('0')
}

struct Writer<'a> {
    text: String,
    dice: &'a mut Dice,
}

impl Writer<'_> {
    /// Writes what begins at `at`; returns where the next begins.
    fn take(&mut self, tokens: &[Token], at: usize) -> usize {
        let Some(token) = tokens.get(at) else { return tokens.len() };
        if let Some(end) = self.letters(tokens, at) {
            return end;
        }
        if is_written_number(&token.text) {
            let number = self.varied(&token.text, tokens.get(at + 1));
            let said = [Token { text: small_word(&number), ..token.clone() }];
            self.number(&number, &said, tokens.get(at.wrapping_sub(1)));
            return self.after_number(tokens, at + 1);
        }
        if let Some(reading) = text::readings(tokens, at).into_iter().next() {
            self.number(&reading.value.to_string(), &tokens[at..reading.end], tokens.get(at.wrapping_sub(1)));
            return self.after_number(tokens, reading.end);
        }
        let word = self.word(&token.text);
        self.push(&word);
        self.mark(token);
        at + 1
    }

    /// `b p` is `BP`, `s p o two` is `SPO2`.
    fn letters(&mut self, tokens: &[Token], at: usize) -> Option<usize> {
        let single = |t: &&Token| t.text.len() == 1 && t.text.chars().all(char::is_alphabetic);
        let count = tokens[at..].iter().take_while(single).count();
        if count < 2 {
            return None;
        }
        let mut word: String = tokens[at..at + count].iter().map(|t| t.text.to_uppercase()).collect();
        let mut end = at + count;
        if word.ends_with('O') && tokens.get(end).is_some_and(|t| t.text == "two") {
            word.push('2');
            end += 1;
        }
        self.push(&word);
        self.mark(&tokens[end - 1]);
        Some(end)
    }

    fn number(&mut self, digits: &str, said: &[Token], before: Option<&Token>) {
        let small = digits.len() == 1 && said.len() == 1;
        let decimal = digits.contains('.');
        let spoken = || said.iter().map(|t| t.text.as_str()).collect::<Vec<_>>().join(" ");
        let over = before.is_some_and(|t| t.text == "over") && self.text.ends_with(['/', ' ']);
        if small && !over && self.dice.chance(45) || decimal && self.dice.chance(12) {
            self.push(&spoken());
        } else if decimal && self.dice.chance(25) {
            self.push(digits.trim_start_matches('0'));
        } else if in_pairs(digits) && self.dice.chance(8) {
            let (hundreds, rest) = digits.split_at(1);
            self.push(hundreds);
            self.push(rest);
        } else {
            self.push(digits);
        }
        if let Some(last) = said.last() {
            self.mark(last);
        }
    }

    /// Doses, flows and lengths may have a fraction, which sampled whole numbers do not show.
    fn varied(&mut self, number: &str, unit: Option<&Token>) -> String {
        let takes_fraction = unit.is_some_and(|u| FRACTIONAL_UNITS.contains(&u.text.as_str()));
        if !takes_fraction || number.contains('.') || !self.dice.chance(25) {
            return number.to_string();
        }
        let whole = [0, 0, 0, 1, 2, 5][self.dice.roll(6)];
        let hundredths = if self.dice.chance(20) { "5" } else { "" };
        format!("{whole}.{}{hundredths}", 1 + self.dice.roll(9))
    }

    /// `percent` after a number is `%`, `over` between numbers may be `/`, `milligrams` may be `mg`.
    fn after_number(&mut self, tokens: &[Token], at: usize) -> usize {
        let Some(token) = tokens.get(at) else { return at };
        let ends_in_digit = self.text.ends_with(|c: char| c.is_ascii_digit());
        let next_is_number = tokens.get(at + 1).is_some_and(|t| t.number.is_some() || is_written_number(&t.text));
        match token.text.as_str() {
            "percent" if ends_in_digit && self.dice.chance(85) => {
                self.text.push('%');
                self.mark(token);
                at + 1
            }
            "over" if ends_in_digit && next_is_number && self.dice.chance(50) => {
                self.text.push('/');
                at + 1
            }
            "milligrams" | "milligram" if self.dice.chance(30) => {
                self.push("mg");
                self.mark(token);
                at + 1
            }
            _ => at,
        }
    }

    /// Abbreviations have no vowels and are written in capitals; a name may have a capital.
    fn word(&mut self, word: &str) -> String {
        let abbreviation = (2..=4).contains(&word.len())
            && word.chars().all(|c| c.is_ascii_alphabetic())
            && !word.contains(['a', 'e', 'i', 'o', 'u', 'y']);
        if abbreviation && word != "mg" && word != "ml" && self.dice.chance(85) {
            return word.to_uppercase();
        }
        if word.len() > 6 && self.dice.chance(4) { capitalised(word) } else { word.to_string() }
    }

    fn push(&mut self, word: &str) {
        if !self.text.is_empty() && !self.text.ends_with('/') {
            self.text.push(' ');
        }
        self.text.push_str(word);
    }

    fn mark(&mut self, token: &Token) {
        if token.after >= Break::Comma && self.dice.chance(70) {
            self.text.push(',');
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::BTreeSet;

    fn forms(sentence: &str) -> BTreeSet<String> {
        let mut dice = Dice::new(1);
        (0..200).map(|_| written(sentence, &mut dice)).collect()
    }

    #[test]
    fn numbers_are_written_as_the_recogniser_writes_them() {
        let pulse = forms("pulse one eighteen irregular");
        assert!(pulse.contains("Pulse 118 irregular.") && pulse.contains("Pulse 1 18 irregular"), "{pulse:?}");
        let pressure = forms("blood pressure ninety four over sixty two");
        assert!(pressure.contains("Blood pressure 94/62.") && pressure.contains("Blood pressure 94 over 62"));
        assert!(forms("saturation ninety one percent on room air").contains("Saturation 91% on room air"));
        let nitro = forms("nitro point four milligrams");
        assert!(nitro.contains("Nitro 0.4 milligrams") && nitro.contains("Nitro .4 mg"), "{nitro:?}");
        assert!(forms("b p one oh four over sixty").contains("BP 104 over 60"));
        assert!(forms("s p o two is ninety").contains("SPO2 is 90"));
        assert!(forms("gcs fifteen").contains("GCS 15"));
    }

    #[test]
    fn digits_are_left_alone() {
        assert!(forms("pulse 118").contains("Pulse 118"));
        assert!(forms("saturation 91 percent").contains("Saturation 91%."));
        assert!(forms("bp 94 over 62").contains("BP 94/62"));
        assert!(forms("refill 3 seconds").contains("Refill three seconds."));
        assert!(forms("nitro 1 milligrams").iter().any(|f| f.starts_with("Nitro 0.")));
    }
}
