//! Media for tests: one that forgets what was not synced, and fails when it is told to.
//!
//! A killed process and a lost supply are different tests. Killing leaves what was written, synced or not: kill a real
//! process for that. [`Disk`] is for the lost supply and for the failing medium.

use std::collections::BTreeMap;
use std::io;
use std::ops::Range;
use std::sync::{Arc, Mutex, MutexGuard};

use super::storage::Storage;

/// What a medium may keep of bytes that were appended but never synced.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Keep {
    Nothing,
    /// The first half of them.
    Half,
    All,
    /// Their length, but zeros for bytes (a file system that writes sizes before data).
    Zeros,
}

/// When calls fail.
#[derive(Clone, Debug, Default)]
pub struct Plan {
    /// The calls that fail, counted from 1: from the first of these, up to and without the second.
    pub failing: Option<(u64, u64)>,
    /// With which error.
    pub error: Option<io::ErrorKind>,
    /// The sync at which the supply is lost, counted from 1: it and every call after it fail.
    pub lost_at_sync: Option<u64>,
}

#[derive(Default)]
struct State {
    inodes: Vec<Inode>,
    names: BTreeMap<String, usize>,
    lasting_names: BTreeMap<String, usize>,
    plan: Plan,
    calls: u64,
    syncs: u64,
}

#[derive(Clone, Default)]
struct Inode {
    live: Vec<u8>,
    lasting: Vec<u8>,
    /// Bytes that a failed sync dropped: a process still reads them, no later sync makes them last.
    dropped: Vec<Range<usize>>,
}

/// A folder in memory. Clones are the same folder, so a test keeps one while a journal writes to another.
#[derive(Clone, Default)]
pub struct Disk {
    state: Arc<Mutex<State>>,
}

impl Disk {
    pub fn new(plan: Plan) -> Disk {
        let disk = Disk::default();
        disk.state().plan = plan;
        disk
    }

    fn state(&self) -> MutexGuard<'_, State> {
        self.state.lock().unwrap_or_else(|e| e.into_inner())
    }

    /// From now on nothing fails (calls go on counting).
    pub fn mend(&self) {
        self.state().plan = Plan::default();
    }

    /// From now on calls fail as `plan` says.
    pub fn plan(&self, plan: Plan) {
        self.state().plan = plan;
    }

    pub fn calls(&self) -> u64 {
        self.state().calls
    }

    pub fn syncs(&self) -> u64 {
        self.state().syncs
    }

    /// The file as a process would read it now.
    pub fn file(&self, name: &str) -> Option<Vec<u8>> {
        let state = self.state();
        state.names.get(name).and_then(|at| state.inodes.get(*at)).map(|inode| inode.live.clone())
    }

    /// Writes straight into the medium, lasting: damage, or a file made elsewhere.
    pub fn put(&self, name: &str, bytes: &[u8]) {
        let mut state = self.state();
        let at = state.inode(name);
        if let Some(inode) = state.inodes.get_mut(at) {
            *inode = Inode { live: bytes.to_vec(), lasting: bytes.to_vec(), dropped: Vec::new() };
        }
        state.lasting_names.insert(name.to_string(), at);
    }

    /// The medium as it is found after the supply was lost: what was not synced is gone, or partly there.
    pub fn after_power_loss(&self, keep: Keep) -> Disk {
        let state = self.state();
        let found = Disk::default();
        for (name, at) in &state.lasting_names {
            if let Some(inode) = state.inodes.get(*at) {
                found.put(name, &inode.after(keep));
            }
        }
        found
    }
}

impl Inode {
    /// A sync that succeeds; one that failed before it has lost its bytes for good.
    fn sync(&mut self) {
        self.lasting = self.live.clone();
        for range in &self.dropped {
            let end = range.end.min(self.lasting.len());
            if let Some(bytes) = self.lasting.get_mut(range.start..end) {
                bytes.fill(0);
            }
        }
    }

    fn after(&self, keep: Keep) -> Vec<u8> {
        let Some(unsynced) = self.live.strip_prefix(self.lasting.as_slice()) else { return self.lasting.clone() };
        let mut bytes = self.lasting.clone();
        match keep {
            Keep::Nothing => {}
            Keep::Half => bytes.extend_from_slice(&unsynced[..unsynced.len() / 2]),
            Keep::All => bytes.extend_from_slice(unsynced),
            Keep::Zeros => bytes.resize(self.live.len(), 0),
        }
        bytes
    }
}

impl State {
    /// Counts a call; an error if it is to fail.
    fn call(&mut self) -> io::Result<()> {
        self.calls += 1;
        let failing = self.plan.failing.is_some_and(|(from, to)| (from..to).contains(&self.calls));
        let dead = self.plan.lost_at_sync.is_some_and(|at| self.syncs >= at);
        if failing || dead {
            return Err(io::Error::new(self.plan.error.unwrap_or(io::ErrorKind::Other), "told to fail"));
        }
        Ok(())
    }

    fn inode(&mut self, name: &str) -> usize {
        if let Some(at) = self.names.get(name) {
            return *at;
        }
        self.inodes.push(Inode::default());
        self.names.insert(name.to_string(), self.inodes.len() - 1);
        self.inodes.len() - 1
    }

    fn live(&mut self, name: &str) -> io::Result<&mut Vec<u8>> {
        let at = self.inode(name);
        self.inodes.get_mut(at).map(|inode| &mut inode.live).ok_or_else(|| io::Error::other("no such inode"))
    }
}

impl Storage for Disk {
    fn read(&mut self, name: &str) -> io::Result<Option<Vec<u8>>> {
        self.state().call()?;
        Ok(self.file(name))
    }

    /// A failing append leaves half of its bytes.
    fn append(&mut self, name: &str, bytes: &[u8]) -> io::Result<()> {
        let mut state = self.state();
        let called = state.call();
        let taken = if called.is_ok() { bytes } else { &bytes[..bytes.len() / 2] };
        state.live(name)?.extend_from_slice(taken);
        called
    }

    fn truncate(&mut self, name: &str, len: u64) -> io::Result<()> {
        let mut state = self.state();
        state.call()?;
        let at = state.inode(name);
        if let Some(inode) = state.inodes.get_mut(at) {
            inode.live.resize(len as usize, 0);
            // What was cut off may come back after a loss of supply, what was lasting below it stays.
        }
        Ok(())
    }

    /// A failing sync loses what it was to make last, and the next one says that all is well: so real ones do.
    fn sync(&mut self, name: &str) -> io::Result<()> {
        let mut state = self.state();
        state.syncs += 1;
        let called = state.call();
        let at = state.inode(name);
        if let Some(inode) = state.inodes.get_mut(at) {
            if called.is_ok() {
                inode.sync();
            } else {
                inode.dropped.push(inode.lasting.len()..inode.live.len());
            }
        }
        if called.is_ok() {
            state.lasting_names.insert(name.to_string(), at);
        }
        called
    }

    fn rename(&mut self, from: &str, to: &str) -> io::Result<()> {
        let mut state = self.state();
        state.call()?;
        let at = state.names.remove(from).ok_or(io::ErrorKind::NotFound)?;
        state.names.insert(to.to_string(), at);
        state.lasting_names.remove(from);
        state.lasting_names.insert(to.to_string(), at);
        Ok(())
    }
}
