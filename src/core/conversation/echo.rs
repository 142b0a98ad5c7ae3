//! Tells the program's own words, come back through the microphone, from the crew's.

use std::ops::Range;

use crate::core::finding::{Field, Finding};
use crate::core::grammar::Grammar;
use crate::core::text::{NumberWord, Token};
use crate::core::utterance::{Transcript, Whose};

/// How many of ten words must be ours; fewer where it began over our words, because those come back garbled ("breathing
/// three" of "breathing four?"), unless the sound says that it is somebody else's. Our own choice.
const OF_TEN: usize = 7;
const OF_TEN_OVER_OURS: usize = 3;
const OF_TEN_UNSURE: usize = 5;

/// So many of our words in a row, in our order, are ours in the midst of somebody else's too. Our own choice.
const IN_A_ROW: usize = 4;

/// A word of what was heard, as it is compared.
struct Said {
    word: String,
    /// Which of the tokens it is of.
    token: usize,
    is_number: bool,
}

/// Where in the text the program's own words stand, bytes: from its begin if it is mostly they, or a row of them in the
/// midst of somebody else's; `None` if somebody else speaks alone.
pub fn ours(grammar: &Grammar, transcript: &Transcript) -> Option<Range<usize>> {
    let own = transcript.own_voice.as_ref()?;
    // Only the sound of our words, still in the air, brings them between the crew's.
    let sounded = transcript.talked_over || transcript.mixed;
    if transcript.whose == Whose::Theirs && !sounded {
        return None;
    }
    let tokens = grammar.utterance(&transcript.text).tokens;
    let said = grammar.utterance(own).tokens;
    let own: Vec<String> = said.iter().flat_map(spoken).collect();
    mostly_ours(transcript, &tokens, &said, &own)
        .map(|end| 0..end)
        .or_else(|| sounded.then(|| row_of_ours(&tokens, &said, &own)).flatten())
}

/// The words that are none of ours, whatever stands between them.
pub fn beside_ours(grammar: &Grammar, transcript: &Transcript) -> Option<String> {
    let own = grammar.utterance(transcript.own_voice.as_ref()?).tokens;
    let own: Vec<String> = own.iter().flat_map(spoken).collect();
    let tokens = grammar.utterance(&transcript.text).tokens;
    let theirs = tokens.iter().filter(|token| !spoken(token).iter().all(|word| own.contains(word)));
    Some(theirs.map(|token| token.text.as_str()).collect::<Vec<_>>().join(" "))
}

/// Where the last of our words ends, if the text is mostly they.
fn mostly_ours(transcript: &Transcript, tokens: &[Token], said: &[Token], own: &[String]) -> Option<usize> {
    // A bare number after a question of ours is its answer, though we said it too.
    let numbers = tokens.iter().all(Token::is_number);
    if tokens.is_empty() || (!transcript.talked_over && numbers) {
        return None;
    }
    let heard = words_of(tokens);
    let kept: Vec<&Said> =
        heard.iter().zip(Common::of(&heard, own).in_order(0)).filter(|(_, ours)| *ours).map(|(w, _)| w).collect();
    // Digits are few: without one of our words beside them they are somebody else's.
    let a_word = numbers || kept.iter().any(|word| !word.is_number);
    let (needed, our_value) = match transcript.whose {
        Whose::Ours => (OF_TEN_OVER_OURS, true),
        Whose::Unknown if transcript.talked_over => (OF_TEN_OVER_OURS, true),
        Whose::Unknown => (OF_TEN, true),
        // Another value of what we are just saying ("pressure one twenty over eighty") is news.
        // Unsure, it may also be what nobody could take out.
        Whose::Theirs if super::over_ours::is_unsure_over_ours(transcript) => {
            (OF_TEN_UNSURE, in_turn(&digits(said), &digits(tokens)))
        }
        Whose::Theirs => (OF_TEN, holds(&digits(said), &digits(tokens))),
    };
    let last = kept.last().filter(|_| a_word && our_value && kept.len() * 10 >= heard.len() * needed)?;
    tokens.get(last.token).map(|token| token.span.end)
}

/// The longest row of our words, whatever stands before and behind it. Its numbers are ours too and end with it, or it is
/// another value. It holds no word of ours twice, so that it is no longer than `most`, however long they talked.
fn row_of_ours(tokens: &[Token], said: &[Token], own: &[String]) -> Option<Range<usize>> {
    let heard = words_of(tokens);
    let our_digits = digits(said);
    let common = Common::of(&heard, own);
    let most = own.len() * 10 / OF_TEN;
    let mut longest: Option<(usize, Range<usize>)> = None;
    for from in 0..heard.len() {
        let kept: Vec<bool> = common.in_order(from).take(most).collect();
        if kept.first() != Some(&true) {
            continue;
        }
        let mut count = 0;
        for (at, _) in kept.iter().enumerate().filter(|(_, ours)| **ours) {
            count += 1;
            let words = &heard[from..=from + at];
            let row = heard[from].token..heard[from + at].token + 1;
            let longer = longest.as_ref().is_none_or(|(most, _)| count > *most);
            let ours = longer && count >= IN_A_ROW && count * 10 >= words.len() * OF_TEN;
            if ours && words.iter().any(|word| !word.is_number) && is_our_value(tokens, &row, &our_digits) {
                longest = Some((count, row));
            }
        }
    }
    let (_, row) = longest?;
    Some(tokens[row.start].span.start..tokens[row.end - 1].span.end)
}

/// Whether the numbers of a row are among ours, and none goes on before or behind it.
fn is_our_value(tokens: &[Token], row: &Range<usize>, our_digits: &[String]) -> bool {
    let goes_on = |at: Option<usize>| at.and_then(|at| tokens.get(at)).is_some_and(Token::is_number);
    let whole = !goes_on(row.start.checked_sub(1)) && !goes_on(Some(row.end));
    whole && holds(our_digits, &digits(&tokens[row.clone()]))
}

fn words_of(tokens: &[Token]) -> Vec<Said> {
    let words = |(at, token): (usize, &Token)| {
        let is_number = token.is_number();
        spoken(token).into_iter().map(move |word| Said { word, token: at, is_number }).collect::<Vec<_>>()
    };
    tokens.iter().enumerate().flat_map(words).collect()
}

/// Which of the words heard are ours, in the order in which we said them: as many as can be.
struct Common<'a> {
    heard: &'a [Said],
    own: &'a [String],
    /// How many of the words from each on are ours, from each of ours on.
    rest: Vec<Vec<usize>>,
}

impl<'a> Common<'a> {
    fn of(heard: &'a [Said], own: &'a [String]) -> Common<'a> {
        let mut rest = vec![vec![0usize; own.len() + 1]; heard.len() + 1];
        for (h, said) in heard.iter().enumerate().rev() {
            for (o, word) in own.iter().enumerate().rev() {
                let skipped = rest[h + 1][o].max(rest[h][o + 1]);
                rest[h][o] = if *word == said.word { skipped.max(rest[h + 1][o + 1] + 1) } else { skipped };
            }
        }
        Common { heard, own, rest }
    }

    /// Of each word heard from `from` on, whether it is ours.
    fn in_order(&self, from: usize) -> impl Iterator<Item = bool> + '_ {
        let mut at = 0;
        (from..self.heard.len()).map(move |h| {
            let kept = self.rest[h][at] > self.rest[h + 1][at];
            let found = self.own.iter().skip(at).position(|word| kept && *word == self.heard[h].word);
            at += found.map_or(0, |found| found + 1);
            found.is_some()
        })
    }
}

fn digits(tokens: &[Token]) -> Vec<String> {
    tokens.iter().filter(|token| token.is_number()).flat_map(spoken).collect()
}

/// Whether `part` stands in `all` without a gap.
pub(super) fn holds(all: &[String], part: &[String]) -> bool {
    part.is_empty() || all.windows(part.len()).any(|window| window == part)
}

/// Whether the values of a finding, if it has any, are all among those of our words.
pub fn says_our_values(grammar: &Grammar, own_voice: &str, finding: &Finding) -> bool {
    let own = grammar.utterance(own_voice).tokens;
    // Numbers with a word between are two: "over ninety; pulse one eighteen" has no 91 in it.
    let ours: Vec<Vec<String>> = own.split(|token| !token.is_number()).map(digits).collect();
    let numbers = finding.fields().filter(|(field, _)| *field != Field::Patient).filter_map(|(_, v)| v.as_number());
    let said: Vec<Vec<String>> = numbers.map(|number| digits(&grammar.utterance(&number.to_string()).tokens)).collect();
    !said.is_empty() && said.iter().all(|number| ours.iter().any(|ours| holds(ours, number)))
}

/// Whether `part` stands in `all`, in its order.
fn in_turn(all: &[String], part: &[String]) -> bool {
    let mut all = all.iter();
    part.iter().all(|digit| all.any(|other| other == digit))
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
