//! Reading a record. Readers never write there, and several may read while one writes.

use std::fs::{self, File};
use std::io::{BufRead, BufReader, Read};
use std::path::{Path, PathBuf};

use anyhow::{Context, Result, bail};

use super::{UNMATCHED, locate, words};
use crate::core::chain::{Bad, Fault, MAX_LINE, Torn, Walker, follows, split};
use crate::core::event::{Body, Event};

/// A record as read.
#[derive(Clone, Debug, Default)]
pub struct Record {
    pub path: PathBuf,
    /// In order of writing. After damage those that can still be read follow, unproven.
    pub events: Vec<Event>,
    /// Lines whose chain holds.
    pub lines: u64,
    /// Bytes of those lines.
    pub bytes: u64,
    /// Hash of the last of them.
    pub head: String,
    /// The first bad line, if any.
    pub bad: Option<Bad>,
    pub torn: Option<Torn>,
    /// Good lines that this version does not understand (a kind or field it does not know), with the reason.
    pub unknown: Vec<(u64, String)>,
    /// Lines after the damage, readable or not.
    pub unproven: u64,
    /// The event whose hash was sought (see [`survey`]).
    pub sought: Option<u64>,
    /// Whether a `closed` stands in it.
    closed: bool,
}

impl Record {
    /// Whether a `closed` stands in it.
    pub fn closed(&self) -> bool {
        self.closed
    }

    /// The event with this number.
    pub fn event(&self, seq: u64) -> Option<&Event> {
        self.events.iter().find(|event| event.seq == seq)
    }

    /// What whoever reads this must be told, a line each.
    pub fn warnings(&self) -> Vec<String> {
        let mut lines = Vec::new();
        if let Some(torn) = &self.torn {
            lines.push(format!("{torn}; what stands before it is shown"));
        }
        if let Some(bad) = &self.bad {
            lines
                .push(format!("{bad}; this event and the {} after it are not proven", self.unproven.saturating_sub(1)));
        }
        if let Some((seq, why)) = self.unknown.first() {
            let others = self.unknown.len() - 1;
            let more = if others > 0 { format!(", and {others} more") } else { String::new() };
            lines.push(format!("event {seq} is not understood by this version ({why}){more}"));
        }
        lines
    }
}

/// Reads a record, folder or file, and says on stderr what is wrong with it.
///
/// # Errors
/// There is nothing there, or it cannot be read.
pub fn read(path: &Path) -> Result<Record> {
    let record = inspect(path)?;
    for line in record.warnings() {
        eprintln!("thirdhand: {}: {line}", record.path.display());
    }
    Ok(record)
}

/// Reads a record, folder or file, a line at a time; says nothing.
///
/// # Errors
/// There is nothing there, or it cannot be read.
pub fn inspect(path: &Path) -> Result<Record> {
    let file = find(path)?;
    let mut record = walk_file(&file, Purpose::Events)?;
    let words = file.parent().and_then(|dir| fs::read(dir.join(UNMATCHED)).ok()).unwrap_or_default();
    words::rejoin(&mut record.events, &words);
    Ok(record)
}

/// Walks a record, folder or file, without keeping its events: what `verify` needs, in a few kilobytes of memory.
/// `sought` is a hash to look for among its lines.
///
/// # Errors
/// There is nothing there, or it cannot be read.
pub fn survey(path: &Path, sought: Option<&str>) -> Result<Record> {
    walk_file(&find(path)?, Purpose::Survey { sought })
}

/// What a walk keeps.
#[derive(Clone, Copy)]
enum Purpose<'a> {
    Events,
    Survey { sought: Option<&'a str> },
}

fn find(path: &Path) -> Result<PathBuf> {
    let (dir, name) = locate(path);
    let file = dir.join(name);
    if !file.is_file() {
        if path.exists() {
            bail!("{}: no record in this folder (no `events.jsonl`)", path.display());
        }
        bail!("{}: no such file or folder", path.display());
    }
    Ok(file)
}

fn walk_file(file: &Path, purpose: Purpose) -> Result<Record> {
    let open = File::open(file).with_context(|| file.display().to_string())?;
    walk(file, BufReader::with_capacity(1 << 16, open), purpose).with_context(|| file.display().to_string())
}

/// Reads a record from memory.
pub fn from_bytes(path: &Path, bytes: &[u8]) -> Record {
    walk(path, bytes, Purpose::Events).unwrap_or_default()
}

fn walk(path: &Path, mut source: impl BufRead, purpose: Purpose) -> Result<Record> {
    let (keep, sought) = match purpose {
        Purpose::Events => (true, None),
        Purpose::Survey { sought } => (false, sought),
    };
    let mut walker = Walker::default();
    let mut record = Record { path: path.to_path_buf(), ..Record::default() };
    let mut line = Vec::new();
    loop {
        line.clear();
        let read = source.by_ref().take(MAX_LINE as u64 + 1).read_until(b'\n', &mut line)?;
        if read == 0 {
            break;
        }
        let ended = line.pop_if(|last| *last == b'\n').is_some();
        if record.bad.is_some() {
            record.unproven += 1;
            record.events.extend(unproven(&line).filter(|_| keep));
            continue;
        }
        if !ended && line.len() <= MAX_LINE {
            record.torn = Some(walker.torn(line.len() as u64));
            break;
        }
        match if ended { walker.step(&line) } else { Err(walker.bad(Fault::TooLong)) } {
            Ok(json) if !keep => {
                record.closed |= json.get("kind").is_some_and(|kind| kind == "closed");
                if sought == Some(walker.head()) {
                    record.sought = Some(walker.lines());
                }
            }
            Ok(json) => match Event::from_json(&json) {
                Ok(event) => {
                    record.closed |= matches!(event.body, Body::Closed(_));
                    record.events.push(event);
                }
                Err(why) => record.unknown.push((walker.lines(), why)),
            },
            Err(bad) => {
                record.bad = Some(bad);
                record.unproven = 1;
                record.events.extend(unproven(&line).filter(|_| keep));
            }
        }
    }
    (record.lines, record.bytes, record.head) = (walker.lines(), walker.bytes(), walker.head().to_string());
    Ok(record)
}

/// An event of a line whose chain does not hold.
fn unproven(line: &[u8]) -> Option<Event> {
    Event::from_json(&serde_json::from_slice(line).ok()?).ok()
}

/// Whether, after damage at the start of `tail`, the chain goes on: some line fits the one before it. A write that was
/// cut off leaves no such line, so this is damage to something that was recorded.
pub fn goes_on(tail: &[u8]) -> bool {
    let lines: Vec<&[u8]> = tail.split_inclusive(|b| *b == b'\n').filter_map(|l| l.strip_suffix(b"\n")).collect();
    lines.windows(2).any(|pair| match pair {
        [before, line] => split(before).is_some_and(|(_, hash)| follows(hash, line)),
        _ => false,
    })
}
