//! Words heard nearly right: an unknown word that sounds like exactly one word of a list that allows it.
//!
//! Numbers never come here, nor do words that the grammar knows. Sound is Double Metaphone (Philips 2000, by the
//! rphonetic crate); a small spelling distance beside it keeps far-fetched likenesses out.

use std::collections::HashMap;

use rphonetic::{DoubleMetaphone, Encoder};

use super::WordId;

/// Shorter words have too many likenesses.
const LETTERS: usize = 5;
/// Shorter codes have too many likenesses.
const CODE: usize = 3;
/// Longest code compared.
const CODE_MAX: usize = 12;

/// Words that may be recognised by their sound.
#[derive(Clone, Debug, Default)]
pub struct Sounds {
    by_code: HashMap<String, Vec<(String, WordId)>>,
}

impl Sounds {
    pub fn add(&mut self, word: &str, id: WordId) {
        let Some(code) = code(word) else { return };
        let words = self.by_code.entry(code).or_default();
        if !words.iter().any(|(_, known)| *known == id) {
            words.push((word.to_string(), id));
        }
    }

    /// The one word that `heard` sounds like.
    pub fn like(&self, heard: &str) -> Option<WordId> {
        let words = self.by_code.get(&code(heard)?)?;
        let distance = |word: &str| strsim::damerau_levenshtein(word, heard);
        let nearest = words.iter().map(|(word, _)| distance(word)).min().filter(|d| *d <= 1 + heard.len() / 4)?;
        let mut candidates = words.iter().filter(|(word, _)| distance(word) == nearest);
        let (_, id) = candidates.next()?;
        candidates.next().is_none().then_some(*id)
    }
}

fn code(word: &str) -> Option<String> {
    if word.len() < LETTERS || !word.bytes().all(|b| b.is_ascii_lowercase()) {
        return None;
    }
    let code = DoubleMetaphone::new(Some(CODE_MAX)).encode(word);
    (code.len() >= CODE).then_some(code)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sounds() -> Sounds {
        let mut sounds = Sounds::default();
        for (id, word) in ["aspirin", "narcan", "epinephrine", "albuterol", "warfarin"].iter().enumerate() {
            sounds.add(word, id as WordId);
        }
        sounds
    }

    #[test]
    fn a_word_heard_nearly_right_is_the_one_it_sounds_like() {
        for (heard, id) in [("asprin", 0), ("narkan", 1), ("epinefrin", 2), ("albuteral", 3)] {
            assert_eq!(sounds().like(heard), Some(id), "{heard}");
        }
    }

    #[test]
    fn ordinary_words_are_like_none() {
        for heard in ["expiring", "spring", "narrow", "butter", "ten", "eighteen", "größe"] {
            assert_eq!(sounds().like(heard), None, "{heard}");
        }
    }
}
