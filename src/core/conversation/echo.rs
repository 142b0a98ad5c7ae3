//! Tells the program's own words, come back through the microphone, from the crew's.

use crate::core::grammar::Grammar;
use crate::core::text::{NumberWord, Token};
use crate::core::utterance::Transcript;

/// How many of ten words must be ours; fewer where it began over our words, because those come back garbled ("breathing
/// three" of "breathing four?"). Our own choice.
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
    let own: Vec<String> = grammar.utterance(own).tokens.iter().flat_map(spoken).collect();
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
    let needed = if transcript.talked_over { OF_TEN_OVER_OURS } else { OF_TEN };
    (heard > 0 && a_word && kept * 10 >= heard * needed).then_some(end)
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
