//! What may be removed from a record's folder without breaking the record, and removing it.
//!
//! Removing a file takes its name away and asks the medium to forget its place; on flash memory the bytes may stay
//! until they are written over. What must not be found lies on an encrypted volume.

use std::fs::{self, File};
use std::io;
use std::path::{Path, PathBuf};

use super::audio::AUDIO;
use super::{EVENTS, UNMATCHED, locate};

/// A sort of thing that can be removed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum What {
    /// The words of speech that was not understood.
    Words,
    /// Kept audio.
    Audio,
    /// Tails that were set aside, leftovers of writing.
    SetAside,
    /// The record itself, with all that lies beside it.
    Record,
}

impl What {
    pub fn describe(self) -> &'static str {
        match self {
            What::Words => "words of unmatched speech",
            What::Audio => "kept audio",
            What::SetAside => "unfinished lines set aside",
            What::Record => "the whole record",
        }
    }
}

/// One file or folder to be removed.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Item {
    pub path: PathBuf,
    pub what: What,
    pub bytes: u64,
}

/// What of these sorts lies in the record's folder; touches nothing.
///
/// # Errors
/// The folder cannot be read.
pub fn plan(record: &Path, sorts: &[What]) -> io::Result<Vec<Item>> {
    let (dir, _) = locate(record);
    if sorts.contains(&What::Record) {
        return Ok(vec![Item { bytes: size(&dir), path: dir, what: What::Record }]);
    }
    let mut items = Vec::new();
    for entry in fs::read_dir(&dir)? {
        let entry = entry?;
        let name = entry.file_name().to_string_lossy().into_owned();
        if let Some(what) = sort(&name).filter(|what| sorts.contains(what)) {
            items.push(Item { bytes: size(&entry.path()), path: entry.path(), what });
        }
    }
    items.sort_by(|a, b| a.path.cmp(&b.path));
    Ok(items)
}

fn sort(name: &str) -> Option<What> {
    match name {
        EVENTS => None,
        UNMATCHED => Some(What::Words),
        AUDIO => Some(What::Audio),
        super::ANEW => Some(What::SetAside),
        _ if name.starts_with("torn-") && name.ends_with(".bytes") => Some(What::SetAside),
        _ => None,
    }
}

/// Removes what was planned, and makes the removal last.
///
/// # Errors
/// The first item that cannot be removed; those before it are gone.
pub fn remove(items: &[Item]) -> io::Result<()> {
    for item in items {
        if item.path.is_dir() { fs::remove_dir_all(&item.path) } else { fs::remove_file(&item.path) }
            .map_err(|e| io::Error::new(e.kind(), format!("{}: {e}", item.path.display())))?;
        if let Some(parent) = item.path.parent().filter(|parent| !parent.as_os_str().is_empty()) {
            File::open(parent).and_then(|dir| dir.sync_all())?;
        }
    }
    Ok(())
}

/// Drops the words of unmatched speech; how many utterances they were.
///
/// # Errors
/// They cannot be removed.
pub fn drop_words(record: &Path) -> io::Result<usize> {
    let (dir, _) = locate(record);
    let utterances = match fs::read(dir.join(UNMATCHED)) {
        Ok(bytes) => bytes.split(|b| *b == b'\n').filter(|line| !line.is_empty()).count(),
        Err(e) if e.kind() == io::ErrorKind::NotFound => return Ok(0),
        Err(e) => return Err(e),
    };
    remove(&plan(record, &[What::Words])?)?;
    Ok(utterances)
}

fn size(path: &Path) -> u64 {
    if !path.is_dir() {
        return fs::symlink_metadata(path).map_or(0, |meta| meta.len());
    }
    fs::read_dir(path).map_or(0, |entries| entries.flatten().map(|entry| size(&entry.path())).sum())
}
