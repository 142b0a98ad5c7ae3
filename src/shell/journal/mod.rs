//! The record on the medium: framing, hash chain, recovery. "Recorded" is a claim about the disk, not about memory.
//!
//! [`Journal`] is the one writer: each call is one append and one sync. What could not be written stays in memory, in
//! order, and is written by the next call or by [`Journal::retry`]. Readers ([`read`]) never write.
//!
//! Beside `events.jsonl` a record's folder may hold `unmatched.jsonl` (the words of speech that was not understood,
//! kept apart so that they can be dropped without breaking the chain), `torn-*.bytes` (tails set aside) and `audio/`.
//! All of them may be deleted.

pub mod audio;
pub mod fakes;
mod fault;
pub mod purge;
mod reader;
mod storage;
mod store;
mod words;
mod writer;

use std::path::{Path, PathBuf};

use anyhow::{Context, Result, bail};

use crate::core::chain::{self, START, Torn, Walker};
use crate::core::event::Event;
pub use fault::{Fault, FaultKind};
pub use reader::{Record, inspect, read, survey};
pub use storage::{Folder, Storage};
pub use store::{Store, Urgency};
pub use words::Sealing;
pub use writer::{Report, WARNING_WAIT, Writer, Written};

/// The record itself.
pub const EVENTS: &str = "events.jsonl";
/// The words of unmatched speech, apart from the chain.
pub const UNMATCHED: &str = "unmatched.jsonl";
/// The record being written anew after a failed sync; of no worth until it has taken the record's name.
const ANEW: &str = "events.anew";

/// At most so much waits in memory for a medium that takes nothing: bytes, some days of talk.
pub const MAX_PENDING: usize = 64 << 20;

/// What the medium is known to hold.
#[derive(Clone, Debug)]
struct Place {
    /// Bytes of the record that a sync has confirmed.
    len: u64,
    /// Hash of the last line among them.
    head: String,
}

/// Whether the open file can be believed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Trust {
    /// It holds what was confirmed, and nothing else.
    Good,
    /// A write failed: it may hold a piece of what was tried, or be another file by now. Look before writing.
    Look,
    /// A sync failed: whatever it says it holds, the pages may be lost. Write the record anew.
    Never,
}

/// The one writer of a record.
pub struct Journal {
    storage: Box<dyn Storage>,
    path: PathBuf,
    /// The record's file within its folder.
    name: String,
    confirmed: Place,
    /// Hash of the last sealed line, confirmed or not.
    head: String,
    next_seq: u64,
    /// Sealed lines that no sync has confirmed.
    pending: Vec<u8>,
    pending_words: Vec<u8>,
    sealing: Sealing,
    /// The last `seq` that a sync has confirmed.
    confirmed_seq: u64,
    trust: Trust,
}

/// A record taken up again.
pub struct Resumed {
    pub journal: Journal,
    /// What stood in it.
    pub record: Record,
    /// The tail that was torn, and the side file that holds it now. The caller notes it (`recovered`).
    pub set_aside: Option<(Torn, String)>,
}

impl Journal {
    /// Begins a record in the folder `dir`, which is absent or empty.
    ///
    /// # Errors
    /// One line that says what and where: the folder holds something, cannot be made, is being written by another.
    pub fn create(dir: &Path) -> Result<Journal> {
        let folder = Folder::create(dir, &holder()).with_context(|| dir.display().to_string())?;
        Journal::begin(Box::new(folder), dir.join(EVENTS)).with_context(|| dir.display().to_string())
    }

    /// Begins a record on any storage.
    ///
    /// # Errors
    /// It holds a record already, or cannot be written.
    pub fn begin(mut storage: Box<dyn Storage>, path: PathBuf) -> Result<Journal> {
        if storage.read(EVENTS)?.is_some_and(|bytes| !bytes.is_empty()) {
            bail!("a record is here already");
        }
        storage.append(EVENTS, b"")?;
        storage.sync(EVENTS)?;
        Ok(Journal::at(storage, path, EVENTS.to_string(), &Walker::default()))
    }

    /// Takes up a record again: a folder, or the file in it. A torn tail is set aside in a side file.
    ///
    /// # Errors
    /// One line: nothing there, another writer has it, or damage that is no torn tail (nothing is changed then).
    pub fn resume(path: &Path) -> Result<Resumed> {
        let (dir, name) = locate(path);
        if !dir.join(&name).exists() {
            bail!("{}: no record here (no `{name}`)", dir.display());
        }
        let folder = Folder::open(&dir, &holder()).with_context(|| dir.display().to_string())?;
        Journal::take_up(Box::new(folder), dir.join(&name)).with_context(|| dir.display().to_string())
    }

    /// Takes up a record on any storage; `path` names the file.
    ///
    /// # Errors
    /// As [`Journal::resume`].
    pub fn take_up(mut storage: Box<dyn Storage>, path: PathBuf) -> Result<Resumed> {
        let name = path.file_name().map_or(EVENTS.to_string(), |n| n.to_string_lossy().into_owned());
        let bytes = storage.read(&name)?.unwrap_or_default();
        let mut record = reader::from_bytes(&path, &bytes);
        let words = storage.read(UNMATCHED)?.unwrap_or_default();
        words::rejoin(&mut record.events, &words);
        let (keep, tail) = bytes.split_at(usize::try_from(record.bytes)?);
        if let Some(bad) = record.bad.as_ref().filter(|_| reader::goes_on(tail)) {
            bail!("{bad}; good events follow it, so this is no torn tail and nothing is changed: begin a new record");
        }
        let mut set_aside = None;
        if !tail.is_empty() {
            let torn = Torn { seq: record.lines + 1, byte: record.bytes, len: tail.len() as u64 };
            let side = side_file(storage.as_mut(), torn.byte, tail)?;
            storage.truncate(&name, keep.len() as u64)?;
            set_aside = Some((torn, side));
            (record.torn, record.bad) = (None, None);
        }
        // What a writer that died had written but not confirmed is confirmed now, before anything follows it.
        storage.sync(&name)?;
        let mut journal = Journal::at(storage, path, name, &Walker::default());
        journal.confirmed = Place { len: record.bytes, head: record.head.clone() };
        journal.head = record.head.clone();
        journal.next_seq = record.lines + 1;
        journal.confirmed_seq = record.lines;
        Ok(Resumed { journal, record, set_aside })
    }

    fn at(storage: Box<dyn Storage>, path: PathBuf, name: String, walker: &Walker) -> Journal {
        Journal {
            storage,
            path,
            name,
            confirmed: Place { len: walker.bytes(), head: walker.head().to_string() },
            head: walker.head().to_string(),
            next_seq: walker.lines() + 1,
            pending: Vec::new(),
            pending_words: Vec::new(),
            sealing: Sealing::default(),
            confirmed_seq: walker.lines(),
            trust: Trust::Good,
        }
    }

    /// From now on the hash of unmatched words is salted (the salt lies with the words): once they are dropped, nobody
    /// can find them by guessing. Off by default, so that the same script gives the same record, byte by byte.
    pub fn salted(mut self) -> Journal {
        self.sealing = Sealing::salted();
        self
    }

    /// How events become lines here.
    pub fn sealing(&self) -> &Sealing {
        &self.sealing
    }

    /// The last `seq` that is on the medium for certain.
    pub fn confirmed_seq(&self) -> u64 {
        self.confirmed_seq
    }

    /// The record's file.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// The `seq` that the next event must carry.
    pub fn next_seq(&self) -> u64 {
        self.next_seq
    }

    /// Hash of the last line, written or waiting.
    pub fn head(&self) -> &str {
        &self.head
    }

    /// Bytes that wait in memory for the medium.
    pub fn pending_bytes(&self) -> usize {
        self.pending.len() + self.pending_words.len()
    }

    /// Adds events: one append, one sync. When this returns `Ok`, they and all before them are on the medium.
    ///
    /// # Errors
    /// They are not on the medium. They are kept and written later, except as [`FaultKind`] says.
    pub fn append(&mut self, events: &[Event]) -> Result<(), Fault> {
        self.take(events)?;
        self.retry()
    }

    /// Seals events into memory.
    fn take(&mut self, events: &[Event]) -> Result<(), Fault> {
        for (event, seq) in events.iter().zip(self.next_seq..) {
            if event.seq != seq {
                let detail = format!("event {} where {seq} should stand", event.seq);
                return Err(Fault::new(FaultKind::OutOfOrder, detail));
            }
        }
        if self.pending_bytes() > MAX_PENDING {
            return Err(Fault::new(FaultKind::MemoryFull, format!("{} bytes", self.pending_bytes())));
        }
        for event in events {
            let (event, words) = self.sealing.part(event);
            let (line, hash) = chain::seal(&self.head, &event.to_line());
            self.pending.extend_from_slice(line.as_bytes());
            self.pending.push(b'\n');
            self.head = hash;
            self.next_seq = event.seq + 1;
            if let Some(words) = words {
                self.pending_words.extend_from_slice(words.as_bytes());
                self.pending_words.push(b'\n');
            }
        }
        Ok(())
    }

    /// Tries to write what waits in memory; does nothing when nothing waits.
    ///
    /// # Errors
    /// As [`Journal::append`].
    pub fn retry(&mut self) -> Result<(), Fault> {
        if !self.pending.is_empty() {
            match self.trust {
                Trust::Good => {}
                Trust::Look => self.look()?,
                Trust::Never => return self.write_anew().and_then(|()| self.write_words()),
            }
            self.write()?;
        }
        self.write_words()
    }

    fn write(&mut self) -> Result<(), Fault> {
        if let Err(e) = self.storage.append(&self.name, &self.pending) {
            self.trust = Trust::Look;
            return Err(self.fault("writing", &e));
        }
        if let Err(e) = self.storage.sync(&self.name) {
            self.trust = Trust::Never;
            return Err(self.fault("syncing", &e));
        }
        self.confirm();
        Ok(())
    }

    fn confirm(&mut self) {
        self.confirmed = Place { len: self.confirmed.len + self.pending.len() as u64, head: self.head.clone() };
        self.confirmed_seq = self.next_seq.saturating_sub(1);
        self.pending.clear();
        self.trust = Trust::Good;
    }

    /// After a failed write: is this still our record, and what of the attempt does it hold? Cuts the attempt off.
    fn look(&mut self) -> Result<(), Fault> {
        self.confirmed_bytes()?;
        if let Err(e) = self.storage.truncate(&self.name, self.confirmed.len) {
            return Err(self.fault("cutting an unfinished line", &e));
        }
        self.trust = Trust::Good;
        Ok(())
    }

    /// The confirmed bytes, read back and checked against the chain.
    fn confirmed_bytes(&mut self) -> Result<Vec<u8>, Fault> {
        let bytes = match self.storage.read(&self.name) {
            Ok(Some(bytes)) => bytes,
            Ok(None) => return Err(Fault::new(FaultKind::Gone, format!("{}: no such file", self.path.display()))),
            Err(e) => return Err(self.fault("reading back", &e)),
        };
        let len = usize::try_from(self.confirmed.len).unwrap_or(usize::MAX);
        let ours = bytes.get(..len).filter(|ours| chain::check(ours).head == self.confirmed.head);
        match ours {
            Some(ours) => Ok(ours.to_vec()),
            None => Err(Fault::new(FaultKind::Foreign, self.path.display().to_string())),
        }
    }

    /// After a failed sync: the whole record into a new file, which then takes the old one's name.
    fn write_anew(&mut self) -> Result<(), Fault> {
        let mut bytes = self.confirmed_bytes()?;
        bytes.extend_from_slice(&self.pending);
        let storage = self.storage.as_mut();
        let written = storage
            .truncate(ANEW, 0)
            .and_then(|()| storage.append(ANEW, &bytes))
            .and_then(|()| storage.sync(ANEW))
            .and_then(|()| storage.rename(ANEW, &self.name));
        if let Err(e) = written {
            return Err(self.fault("writing the record anew", &e));
        }
        self.confirm();
        Ok(())
    }

    /// The words that are kept apart: not part of the record, so their file needs no more than trying again.
    fn write_words(&mut self) -> Result<(), Fault> {
        if self.pending_words.is_empty() {
            return Ok(());
        }
        let written = self.storage.append(UNMATCHED, &self.pending_words).and_then(|()| self.storage.sync(UNMATCHED));
        match written {
            Ok(()) => self.pending_words.clear(),
            Err(e) => {
                // A line that was begun is ended before it is tried again: readers skip what is no line of words.
                if self.pending_words.first() != Some(&b'\n') {
                    self.pending_words.insert(0, b'\n');
                }
                return Err(self.fault("writing unmatched words", &e));
            }
        }
        Ok(())
    }

    fn fault(&self, doing: &str, error: &std::io::Error) -> Fault {
        Fault::from_io(&format!("{}: {doing}", self.path.display()), error)
    }
}

/// The folder and the file that RECORD names: a folder, or a file in one.
pub fn locate(path: &Path) -> (PathBuf, String) {
    match path.file_name() {
        Some(name) if path.is_file() => {
            let dir = path.parent().filter(|dir| !dir.as_os_str().is_empty()).unwrap_or(Path::new("."));
            (dir.to_path_buf(), name.to_string_lossy().into_owned())
        }
        _ => (path.to_path_buf(), EVENTS.to_string()),
    }
}

/// Puts a torn tail into a side file of its own; the same tail twice (a crash in between) is kept once.
fn side_file(storage: &mut dyn Storage, byte: u64, tail: &[u8]) -> Result<String> {
    for copy in 1..1000 {
        let name = if copy == 1 { format!("torn-{byte}.bytes") } else { format!("torn-{byte}-{copy}.bytes") };
        match storage.read(&name)? {
            Some(there) if there == tail => return Ok(name),
            Some(there) if !there.is_empty() && !tail.starts_with(&there) => continue,
            _ => {
                storage.truncate(&name, 0)?;
                storage.append(&name, tail)?;
                storage.sync(&name)?;
                return Ok(name);
            }
        }
    }
    bail!("too many torn tails at byte {byte}")
}

fn holder() -> String {
    let since = crate::core::time::rfc3339(&crate::shell::clock::wall_now());
    format!("process {} (thirdhand, since {since})", std::process::id())
}

/// The head before any line, for callers that hash without a journal.
pub fn start_head() -> &'static str {
    START
}
