//! Byte-pair encoding with a model's own vocabulary.
//!
//! In GPT-2's vocabulary the number of a token is the rank of its merge, so the vocabulary in the model file is all
//! that is needed: merge the pair whose union has the lowest number, until none is a token (the way of `tiktoken`).

use std::collections::HashMap;

/// Encodes text into token numbers.
pub struct Bpe {
    ranks: HashMap<Vec<u8>, i32>,
}

impl Bpe {
    /// `vocabulary` holds the raw bytes of the text tokens, by number.
    pub fn new(vocabulary: &[Vec<u8>]) -> Bpe {
        let ranks = vocabulary.iter().enumerate().map(|(id, bytes)| (bytes.clone(), id as i32)).collect();
        Bpe { ranks }
    }

    pub fn encode(&self, text: &str) -> Vec<i32> {
        pieces(text).into_iter().flat_map(|piece| self.piece(piece)).collect()
    }

    fn piece(&self, piece: &str) -> Vec<i32> {
        if let Some(id) = self.ranks.get(piece.as_bytes()) {
            return vec![*id];
        }
        let mut parts: Vec<Vec<u8>> = piece.bytes().map(|b| vec![b]).collect();
        loop {
            let rank = |i: usize| self.ranks.get(&[&parts[i][..], &parts[i + 1][..]].concat()).copied();
            let best = (0..parts.len().saturating_sub(1)).filter_map(|i| Some((rank(i)?, i))).min();
            let Some((_, i)) = best else { break };
            let right = parts.remove(i + 1);
            parts[i].extend(right);
        }
        parts.iter().filter_map(|part| self.ranks.get(part).copied()).collect()
    }
}

#[derive(Clone, Copy, PartialEq, Eq)]
enum Class {
    Letter,
    Number,
    Space,
    Other,
}

fn class(c: char) -> Class {
    if c.is_alphabetic() {
        Class::Letter
    } else if c.is_numeric() {
        Class::Number
    } else if c.is_whitespace() {
        Class::Space
    } else {
        Class::Other
    }
}

/// GPT-2's cut of a text: contractions, then runs of letters, of digits, of marks, each with one space before it.
fn pieces(text: &str) -> Vec<&str> {
    let mut pieces = Vec::new();
    let mut rest = text;
    while !rest.is_empty() {
        let end = piece_end(rest);
        let (piece, after) = rest.split_at(end);
        pieces.push(piece);
        rest = after;
    }
    pieces
}

fn piece_end(text: &str) -> usize {
    for contraction in ["'s", "'t", "'re", "'ve", "'m", "'ll", "'d"] {
        if text.starts_with(contraction) {
            return contraction.len();
        }
    }
    let body = text.strip_prefix(' ').unwrap_or(text);
    let lead = text.len() - body.len();
    match body.chars().next().map(class) {
        Some(kind) if kind != Class::Space => lead + run(body, kind),
        _ => {
            // Spaces: all of them, but the last is left to the word that follows.
            let spaces = run(text, Class::Space);
            let last = text[..spaces].chars().next_back().map_or(0, char::len_utf8);
            if spaces < text.len() && spaces > last { spaces - last } else { spaces.max(1) }
        }
    }
}

fn run(text: &str, kind: Class) -> usize {
    text.char_indices().find(|(_, c)| class(*c) != kind).map_or(text.len(), |(at, _)| at)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn text_is_cut_as_the_tokenizer_cuts_it() {
        assert_eq!(
            pieces(" Pulse 118, it's 94/62 (91%)."),
            [" Pulse", " 118", ",", " it", "'s", " 94", "/", "62", " (", "91", "%)."]
        );
        assert_eq!(pieces("a  b "), ["a", " ", " b", " "]);
        assert_eq!(pieces("0.4mg"), ["0", ".", "4", "mg"]);
    }

    #[test]
    fn the_lowest_number_merges_first() {
        let vocabulary: Vec<Vec<u8>> =
            ["a", "b", "c", "bc", "ab", "abc"].iter().map(|t| t.as_bytes().to_vec()).collect();
        let bpe = Bpe::new(&vocabulary);
        assert_eq!(bpe.encode("abc"), [5]);
        // `bc` has the lower number, so `ab` never forms: a, bc become abc.
        assert_eq!(bpe.encode("abcb"), [5, 1]);
    }
}
