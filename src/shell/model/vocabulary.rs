//! Reads the tokens of a Whisper model from the `tokenizer.json` beside a CTranslate2 model.
//!
//! GPT-2's tokenizer spells every byte as one printable character; the ggml file wants the bytes themselves.

use std::collections::HashMap;

use anyhow::{Context, Result, bail};
use serde_json::Value as Json;

/// Every Whisper model has this many text tokens, end of text included.
pub const TEXT_TOKENS: usize = 50_257;

/// The raw bytes of the first [`TEXT_TOKENS`] tokens, by token number.
///
/// # Errors
/// Not the JSON of a byte-level tokenizer, or a token is missing.
pub fn read(json: &str) -> Result<Vec<Vec<u8>>> {
    let json: Json = serde_json::from_str(json).context("it is no JSON")?;
    let vocabulary = json.pointer("/model/vocab").and_then(Json::as_object).context("it has no `model.vocab`")?;
    let mut texts: Vec<Option<&str>> = vec![None; TEXT_TOKENS];
    let added = json.get("added_tokens").and_then(Json::as_array).into_iter().flatten();
    let added = added.filter_map(|t| Some((t.get("content")?.as_str()?, t.get("id")?)));
    for (text, id) in vocabulary.iter().map(|(k, v)| (k.as_str(), v)).chain(added) {
        let id = id.as_u64().and_then(|id| usize::try_from(id).ok()).context("a token has no number")?;
        if let Some(slot) = texts.get_mut(id) {
            *slot = Some(text);
        }
    }
    let bytes = byte_of_char();
    texts
        .into_iter()
        .enumerate()
        .map(|(id, text)| {
            let text = text.with_context(|| format!("token {id} is missing"))?;
            let raw: Option<Vec<u8>> = text.chars().map(|c| bytes.get(&c).copied()).collect();
            match raw {
                Some(raw) => Ok(raw),
                None => bail!("token {id} is no byte-level token"),
            }
        })
        .collect()
}

/// GPT-2's map: printable Latin-1 bytes stand for themselves, the rest follow from U+0100 in order.
fn byte_of_char() -> HashMap<char, u8> {
    let mut map = HashMap::new();
    let mut next = 0x100;
    for byte in 0..=255u8 {
        let printable = matches!(byte, b'!'..=b'~' | 0xa1..=0xac | 0xae..=0xff);
        let code = if printable { u32::from(byte) } else { next };
        if !printable {
            next += 1;
        }
        if let Some(c) = char::from_u32(code) {
            map.insert(c, byte);
        }
    }
    map
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_map_is_a_bijection() {
        let map = byte_of_char();
        assert_eq!(map.len(), 256);
        assert_eq!(map[&'\u{120}'], b' '); // Ġ
        assert_eq!(map[&'\u{10a}'], b'\n'); // Ċ
        assert_eq!(map[&'A'], b'A');
    }
}
