//! Keeps the sampled sentences between runs, one file a data set: `$XDG_CACHE_HOME/thirdhand/language-KEY.tokens`.
//!
//! u16 token numbers, little endian, each sentence closed by 0xffff. A cache may be deleted at any time; one that is
//! unreadable counts as absent.

use std::fs;
use std::path::PathBuf;

use sha2::{Digest, Sha256};

use crate::shell::data;

const CLOSED: u16 = u16::MAX;

fn path(key: &str) -> Option<PathBuf> {
    let name: String = Sha256::digest(key.as_bytes()).iter().take(12).map(|b| format!("{b:02x}")).collect();
    Some(data::cache_home()?.join(format!("language-{name}.tokens")))
}

/// The sentences kept under `key`.
pub fn read(key: &str) -> Option<Vec<Vec<i32>>> {
    let bytes = fs::read(path(key)?).ok()?;
    let tokens: Vec<u16> = bytes.chunks_exact(2).map(|b| u16::from_le_bytes([b[0], b[1]])).collect();
    (tokens.last() == Some(&CLOSED)).then(|| {
        let sentences = tokens[..tokens.len() - 1].split(|t| *t == CLOSED);
        sentences.map(|s| s.iter().map(|t| i32::from(*t)).collect()).collect()
    })
}

/// Keeps `sentences`, whole or not at all. That they cannot be kept costs the next start a few seconds, no more.
pub fn write(key: &str, sentences: &[Vec<i32>]) {
    let Some(path) = path(key) else { return };
    let mut bytes = Vec::new();
    for sentence in sentences {
        let tokens = sentence.iter().filter_map(|t| u16::try_from(*t).ok()).chain([CLOSED]);
        bytes.extend(tokens.flat_map(u16::to_le_bytes));
    }
    let partial = path.with_extension(format!("{}.partial", std::process::id()));
    let kept = path.parent().map(fs::create_dir_all).is_some_and(|made| made.is_ok())
        && fs::write(&partial, bytes).is_ok()
        && fs::rename(&partial, &path).is_ok();
    if !kept {
        fs::remove_file(partial).ok();
    }
}
