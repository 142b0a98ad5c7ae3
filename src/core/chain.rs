//! The hash chain of a record: seal a line, check a line, name the first that is bad.
//!
//! A line is compact JSON ending `,"hash":"<hex>"}`. The hash is SHA-256 over the previous line's hash in hex (64
//! zeros before the first line) followed by this line's bytes up to and without `,"hash"`, as written. So every byte
//! is either hashed or compared: whoever changes one must change the last hash, which is why the last hash is what is
//! signed or written down elsewhere. Nothing here knows files; bytes come in, verdicts go out.

use std::fmt;

use serde_json::Value as Json;
use sha2::{Digest, Sha256};

/// The hash before the first line.
pub const START: &str = "0000000000000000000000000000000000000000000000000000000000000000";

/// No line of a record is longer, in bytes; a longer one is damage, and is not read into memory.
pub const MAX_LINE: usize = 1 << 20;

const MARK: &str = ",\"hash\":\"";
const HEX: usize = 64;
/// `,"hash":"` + 64 hex digits + `"}`.
const SEAL: usize = MARK.len() + HEX + 2;

/// SHA-256 in lower-case hex over `parts`, one after the other.
pub fn sha256_hex(parts: &[&[u8]]) -> String {
    let mut hasher = Sha256::new();
    parts.iter().for_each(|part| hasher.update(part));
    hasher.finalize().iter().fold(String::with_capacity(HEX), |mut hex, byte| {
        for nibble in [byte >> 4, byte & 15] {
            hex.push(char::from_digit(u32::from(nibble), 16).unwrap_or('0'));
        }
        hex
    })
}

/// Closes `json` (one compact JSON object) with its hash. Returns the line without newline, and its hash.
///
/// ```
/// use thirdhand::core::chain::{START, seal};
/// let (line, hash) = seal(START, r#"{"seq":1}"#);
/// assert_eq!(line, format!(r#"{{"seq":1,"hash":"{hash}"}}"#));
/// ```
pub fn seal(previous: &str, json: &str) -> (String, String) {
    let body = json.strip_suffix('}').unwrap_or(json);
    let hash = sha256_hex(&[previous.as_bytes(), body.as_bytes()]);
    (with_hash(json, &hash), hash)
}

/// The line `json` (an object without `hash`) with this hash at its end.
pub fn with_hash(json: &str, hash: &str) -> String {
    format!("{}{MARK}{hash}\"}}", json.strip_suffix('}').unwrap_or(json))
}

/// What is wrong with one line.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Fault {
    /// It does not end in `,"hash":"<64 hex digits>"}`.
    NoHash,
    /// The bytes and the hash do not belong together, or the line before it is not the one it was written after.
    Mismatch,
    /// The hash holds, but this is no event: not JSON, or `seq` is not the next number.
    NotAnEvent(String),
    /// Longer than [`MAX_LINE`].
    TooLong,
}

impl fmt::Display for Fault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Fault::NoHash => write!(f, "it does not end in `,\"hash\":\"...\"}}`"),
            Fault::Mismatch => write!(f, "its hash does not fit its bytes and the line before it"),
            Fault::NotAnEvent(why) => write!(f, "it is no event: {why}"),
            Fault::TooLong => write!(f, "it is longer than {MAX_LINE} bytes"),
        }
    }
}

/// The first bad line of a record.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Bad {
    /// The `seq` that should stand here.
    pub seq: u64,
    /// Line number, from 1.
    pub line: u64,
    /// Offset of the line's first byte, from 0.
    pub byte: u64,
    pub why: Fault,
}

impl fmt::Display for Bad {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "event {} (line {}, byte {}) is bad: {}", self.seq, self.line, self.byte, self.why)
    }
}

/// A last line without its newline: what a writer that was cut off leaves.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Torn {
    /// The `seq` that was being written.
    pub seq: u64,
    /// Offset of its first byte, from 0.
    pub byte: u64,
    /// How many bytes of it there are.
    pub len: u64,
}

impl fmt::Display for Torn {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(
            f,
            "torn tail: {} bytes from byte {} on are an unfinished line (event {})",
            self.len, self.byte, self.seq
        )
    }
}

/// Splits a line (without newline) into the bytes that are hashed and the hash it states.
pub fn split(line: &[u8]) -> Option<(&[u8], &str)> {
    let (body, tail) = line.split_at_checked(line.len().checked_sub(SEAL)?)?;
    let hex = tail.strip_prefix(MARK.as_bytes())?.strip_suffix(b"\"}")?;
    let plain = hex.iter().all(|b| b.is_ascii_digit() || (b'a'..=b'f').contains(b));
    plain.then_some((body, std::str::from_utf8(hex).ok()?))
}

/// Whether `line` states the hash that belongs to it when it follows a line with hash `previous`.
pub fn follows(previous: &str, line: &[u8]) -> bool {
    split(line).is_some_and(|(body, hash)| sha256_hex(&[previous.as_bytes(), body]) == hash)
}

/// Walks a record line by line.
#[derive(Clone, Debug)]
pub struct Walker {
    head: String,
    lines: u64,
    byte: u64,
}

impl Default for Walker {
    fn default() -> Self {
        Walker { head: START.to_string(), lines: 0, byte: 0 }
    }
}

impl Walker {
    /// The hash of the last good line: the head of the chain.
    pub fn head(&self) -> &str {
        &self.head
    }

    /// Good lines so far.
    pub fn lines(&self) -> u64 {
        self.lines
    }

    /// Bytes of the good lines so far, newlines counted.
    pub fn bytes(&self) -> u64 {
        self.byte
    }

    /// The torn tail that begins here.
    pub fn torn(&self, len: u64) -> Torn {
        Torn { seq: self.lines + 1, byte: self.byte, len }
    }

    /// The bad line that begins here.
    pub fn bad(&self, why: Fault) -> Bad {
        Bad { seq: self.lines + 1, line: self.lines + 1, byte: self.byte, why }
    }

    /// Checks the next line (without its newline) and gives its JSON, or says what is wrong with it. After an error the
    /// walker stands where it stood.
    pub fn step(&mut self, line: &[u8]) -> Result<Json, Bad> {
        if line.len() > MAX_LINE {
            return Err(self.bad(Fault::TooLong));
        }
        let (body, hash) = split(line).ok_or_else(|| self.bad(Fault::NoHash))?;
        if sha256_hex(&[self.head.as_bytes(), body]) != hash {
            return Err(self.bad(Fault::Mismatch));
        }
        let json: Json = serde_json::from_slice(line).map_err(|e| self.bad(Fault::NotAnEvent(e.to_string())))?;
        let next = self.lines + 1;
        match json.get("seq").and_then(Json::as_u64) {
            Some(seq) if seq == next => {}
            Some(seq) => return Err(self.bad(Fault::NotAnEvent(format!("`seq` is {seq} where {next} should stand")))),
            None => return Err(self.bad(Fault::NotAnEvent("`seq` is missing".into()))),
        }
        self.head = hash.to_string();
        self.lines = next;
        self.byte += line.len() as u64 + 1;
        Ok(json)
    }
}

/// What a whole record's bytes amount to.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Verdict {
    /// Good lines before the first fault, or all of them.
    pub lines: u64,
    /// Their bytes.
    pub bytes: u64,
    /// Hash of the last good line.
    pub head: String,
    pub bad: Option<Bad>,
    pub torn: Option<Torn>,
}

impl Verdict {
    /// Every byte is accounted for.
    pub fn whole(&self) -> bool {
        self.bad.is_none() && self.torn.is_none() && self.lines > 0
    }
}

/// Checks a whole record in memory (files are walked by `shell::journal`, a line at a time).
pub fn check(bytes: &[u8]) -> Verdict {
    let mut walker = Walker::default();
    let (mut bad, mut torn) = (None, None);
    let mut rest = bytes;
    while !rest.is_empty() {
        let Some(end) = rest.iter().position(|b| *b == b'\n') else {
            torn = Some(walker.torn(rest.len() as u64));
            break;
        };
        let (line, after) = rest.split_at(end);
        if let Err(fault) = walker.step(line) {
            bad = Some(fault);
            break;
        }
        rest = after.strip_prefix(b"\n").unwrap_or_default();
    }
    Verdict { lines: walker.lines(), bytes: walker.bytes(), head: walker.head().to_string(), bad, torn }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn record(events: u64) -> Vec<u8> {
        let mut head = START.to_string();
        let mut bytes = Vec::new();
        for seq in 1..=events {
            let (line, hash) =
                seal(&head, &format!(r#"{{"seq":{seq},"kind":"note","note":{{"text":"remark é {seq}"}}}}"#));
            bytes.extend_from_slice(line.as_bytes());
            bytes.push(b'\n');
            head = hash;
        }
        bytes
    }

    #[test]
    fn sha256_is_the_published_one() {
        // FIPS 180-2, appendix B.1: the message "abc".
        let abc = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad";
        assert_eq!(sha256_hex(&[b"a", b"bc"]), abc);
    }

    #[test]
    fn a_whole_record_is_whole() {
        let verdict = check(&record(3));
        assert!(verdict.whole(), "{verdict:?}");
        assert_eq!(verdict.lines, 3);
        assert!(!check(b"").whole(), "an empty file holds no record");
    }

    #[test]
    fn every_changed_byte_is_noticed() {
        let good = record(4);
        for at in 0..good.len() {
            for mask in [0x01, 0x20, 0x80, 0xff] {
                let mut bytes = good.clone();
                bytes[at] ^= mask;
                assert!(!check(&bytes).whole(), "byte {at} changed by {mask:#x} went unnoticed");
            }
        }
    }

    #[test]
    fn every_truncation_is_torn_or_leaves_whole_lines() {
        let good = record(4);
        for len in 0..good.len() {
            let verdict = check(&good[..len]);
            let at_a_line_end = len == 0 || good[len - 1] == b'\n';
            assert_eq!(verdict.torn.is_none(), at_a_line_end, "cut at {len}");
            assert_eq!(verdict.bad, None, "a cut is torn, never bad");
            assert!(good[..len].starts_with(&good[..verdict.bytes as usize]));
        }
    }

    #[test]
    fn lines_that_are_swapped_dropped_or_doubled_are_noticed() {
        let good = record(4);
        let lines: Vec<&[u8]> = good.split_inclusive(|b| *b == b'\n').collect();
        for order in [&[0, 2, 1, 3][..], &[0, 1, 3], &[1, 2, 3], &[0, 1, 1, 2, 3]] {
            let bytes: Vec<u8> = order.iter().flat_map(|at| lines[*at]).copied().collect();
            assert!(check(&bytes).bad.is_some(), "{order:?}");
        }
    }

    #[test]
    fn the_first_bad_event_is_named() {
        let mut bytes = record(3);
        let second = bytes.iter().position(|b| *b == b'\n').unwrap() + 1;
        bytes[second + 20] ^= 1;
        let bad = check(&bytes).bad.unwrap();
        assert_eq!((bad.seq, bad.line, bad.byte), (2, 2, second as u64));
    }
}
