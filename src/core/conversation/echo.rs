//! Tells the program's own words, come back through the microphone, from the crew's.

use crate::core::grammar::Grammar;
use crate::core::text::{NumberWord, Token};
use crate::core::utterance::{Transcript, Whose};

/// How many of ten words must be ours; fewer where it began over our words, because those come back garbled ("breathing
/// three" of "breathing four?"), unless the sound says that it is somebody else's. Our own choice.
const OF_TEN: usize = 7;
const OF_TEN_OVER_OURS: usize = 3;

/// Where in the text the program's own words end, bytes, if it is mostly they; `None` if somebody else speaks.
pub fn ours(grammar: &Grammar, transcript: &Transcript) -> Option<usize> {
    let own = transcript.own_voice.as_ref()?;
    let tokens = grammar.utterance(&transcript.text).tokens;
    // A bare number after a question of ours is its answer, though we said it too.
    if tokens.is_empty() || (!transcript.talked_over && tokens.iter().all(Token::is_number)) {
        return None;
    }
    let said = grammar.utterance(own).tokens;
    let own: Vec<String> = said.iter().flat_map(spoken).collect();
    // Most of what was heard, in the order in which we said it.
    let (mut heard, mut kept, mut at, mut end) = (0, 0, 0, 0);
    // Digits are few: without one of our words beside them they are somebody else's.
    let mut a_word = tokens.iter().all(Token::is_number);
    for token in &tokens {
        for word in spoken(token) {
            heard += 1;
            if let Some(found) = own.iter().skip(at).position(|w| *w == word) {
                at += found + 1;
                kept += 1;
                a_word |= !token.is_number();
                end = token.span.end;
            }
        }
    }
    let (needed, our_value) = match transcript.whose {
        Whose::Ours => (OF_TEN_OVER_OURS, true),
        Whose::Unknown if transcript.talked_over => (OF_TEN_OVER_OURS, true),
        Whose::Unknown => (OF_TEN, true),
        // Another value of what we are just saying ("pressure one twenty over eighty") is news.
        Whose::Theirs => (OF_TEN, holds(&digits(&said), &digits(&tokens))),
    };
    (heard > 0 && a_word && our_value && kept * 10 >= heard * needed).then_some(end)
}

fn digits(tokens: &[Token]) -> Vec<String> {
    tokens.iter().filter(|token| token.is_number()).flat_map(spoken).collect()
}

/// Whether `part` stands in `all` without a gap.
fn holds(all: &[String], part: &[String]) -> bool {
    part.is_empty() || all.windows(part.len()).any(|window| window == part)
}

/// A word as it is compared with another that may be written otherwise: of a number the digits but for zeros, so that
/// `96` is `ninety six`.
fn spoken(token: &Token) -> Vec<String> {
    let digits = match token.number {
        Some(NumberWord::Digit(n) | NumberWord::Teen(n) | NumberWord::Tens(n)) => n.to_string(),
        Some(NumberWord::Written { value, .. }) => value.to_string(),
        Some(NumberWord::Oh | NumberWord::Hundred | NumberWord::Point) => String::new(),
        _ => return vec![token.text.clone()],
    };
    digits.chars().filter(|c| matches!(c, '1'..='9')).map(String::from).collect()
}
