//! What can go wrong with a record being written; a kind exists only where the reaction differs.

use std::fmt;
use std::io;

/// Why the last append is not on the medium. Its events are kept in memory and written by a later call, except where
/// the kind says otherwise.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{kind}: {detail}")]
pub struct Fault {
    pub kind: FaultKind,
    /// Where and what, for the screen and the record; names no spoken word.
    pub detail: String,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum FaultKind {
    /// No space left: say so, free some, retried by itself.
    Full,
    /// The medium takes no writing: say so, retried by itself.
    ReadOnly,
    /// The folder or its medium is not there: say so, retried by itself.
    Gone,
    /// It has not failed, but takes longer than a warning may wait: said so, nothing waits for it until it has caught up.
    Slow,
    /// The medium failed in another way: say so, retried by itself; after a failed sync on a new file.
    Failed,
    /// Another record lies where ours was: say so; nothing is written over it; retried by itself.
    Foreign,
    /// Too much is waiting in memory: the newest events were *not* taken. Say so, keep warning, exit last.
    MemoryFull,
    /// A mistake of the caller's: `seq` is not the next one. The events were *not* taken.
    OutOfOrder,
}

impl FaultKind {
    /// The word used in the record and in prompt data.
    pub fn name(self) -> &'static str {
        match self {
            FaultKind::Full => "full",
            FaultKind::ReadOnly => "read_only",
            FaultKind::Gone => "gone",
            FaultKind::Slow => "slow",
            FaultKind::Failed => "failed",
            FaultKind::Foreign => "foreign",
            FaultKind::MemoryFull => "memory_full",
            FaultKind::OutOfOrder => "out_of_order",
        }
    }
}

impl fmt::Display for FaultKind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            FaultKind::Full => "the disk is full",
            FaultKind::ReadOnly => "the disk is read-only",
            FaultKind::Gone => "the record's folder is gone",
            FaultKind::Slow => "the disk is slow",
            FaultKind::Failed => "the disk failed",
            FaultKind::Foreign => "another record lies where this one was",
            FaultKind::MemoryFull => "too much is waiting in memory",
            FaultKind::OutOfOrder => "events out of order",
        })
    }
}

impl Fault {
    pub fn new(kind: FaultKind, detail: impl Into<String>) -> Fault {
        Fault { kind, detail: detail.into() }
    }

    /// Sorts an error of the medium; `doing` says what was tried.
    pub fn from_io(doing: &str, error: &io::Error) -> Fault {
        let kind = match error.kind() {
            io::ErrorKind::StorageFull | io::ErrorKind::QuotaExceeded | io::ErrorKind::FileTooLarge => FaultKind::Full,
            io::ErrorKind::ReadOnlyFilesystem | io::ErrorKind::PermissionDenied => FaultKind::ReadOnly,
            io::ErrorKind::NotFound | io::ErrorKind::NotADirectory | io::ErrorKind::StaleNetworkFileHandle => {
                FaultKind::Gone
            }
            _ => FaultKind::Failed,
        };
        Fault::new(kind, format!("{doing}: {error}"))
    }
}
