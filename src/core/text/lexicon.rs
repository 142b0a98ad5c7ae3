//! How the words of a language are spelled, read from `grammars/<language>/spelling.toml`.

use super::token::Token;
use crate::core::diagnostic::Diagnostic;
use crate::core::source::Source;

/// Spellings, contractions, abbreviations and number words of one language.
#[derive(Clone, Debug, Default)]
pub struct Lexicon {}

impl Lexicon {
    /// Reads `spelling.toml`.
    ///
    /// # Errors
    /// Every unknown key, unknown number word and empty spelling, with its line and column.
    pub fn parse(_source: &Source) -> Result<Lexicon, Vec<Diagnostic>> {
        Ok(Lexicon {})
    }

    /// The words of `text`, at most `limits::WORDS` of them.
    pub fn tokens(&self, text: &str) -> Vec<Token> {
        let mut tokens = Vec::new();
        let mut offset = 0;
        for word in text.split_inclusive(' ') {
            let bare = word.trim();
            if !bare.is_empty() {
                tokens.push(Token {
                    text: bare.to_lowercase(),
                    span: offset..offset + bare.len(),
                    after: super::Break::None,
                    number: None,
                });
            }
            offset += word.len();
        }
        tokens
    }
}
