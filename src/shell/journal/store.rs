//! Where a call's events go: straight to the journal (`replay`: nobody waits), or by a thread of its own (`listen`: a
//! warning never waits long for a disk).

use std::io;
use std::path::{Path, PathBuf};
use std::time::Duration;

use super::{Fault, FaultKind, Journal, Sealing, WARNING_WAIT, Writer, Written};
use crate::core::event::Event;

/// A disk that takes longer than this for what is no warning is told as slow.
pub const PATIENCE: Duration = Duration::from_secs(1);

/// How much may hang on these events.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Urgency {
    /// A high-priority warning follows: wait at most [`WARNING_WAIT`].
    Warning,
    Ordinary,
}

pub enum Store {
    Direct(Box<Journal>),
    Thread(Threaded),
}

/// A journal on its own thread, as the loop sees it.
pub struct Threaded {
    writer: Writer,
    path: PathBuf,
    sealing: Sealing,
    /// The last event handed over or held back.
    last: u64,
    /// Events that the thread's queue had no room for.
    held: Vec<Event>,
    /// The disk has not caught up: nothing waits for it any longer than a warning would.
    behind: bool,
}

impl Store {
    pub fn direct(journal: Journal) -> Store {
        Store::Direct(Box::new(journal))
    }

    /// The same record written from a thread, its unmatched words salted from now on.
    ///
    /// # Errors
    /// The system gives no thread.
    pub fn on_a_thread(self) -> io::Result<Store> {
        let Store::Direct(journal) = self else { return Ok(self) };
        let journal = journal.salted();
        let (path, sealing) = (journal.path().to_path_buf(), journal.sealing().clone());
        let last = journal.next_seq().saturating_sub(1);
        // Nothing to report to: the loop asks after each input and twice a second.
        let writer = Writer::start(journal, |_| {})?;
        Ok(Store::Thread(Threaded { writer, path, sealing, last, held: Vec::new(), behind: false }))
    }

    pub fn path(&self) -> &Path {
        match self {
            Store::Direct(journal) => journal.path(),
            Store::Thread(thread) => &thread.path,
        }
    }

    /// How events become lines here, for whoever shows them.
    pub fn sealing(&self) -> &Sealing {
        match self {
            Store::Direct(journal) => journal.sealing(),
            Store::Thread(thread) => &thread.sealing,
        }
    }

    /// Takes events; `None` when they are on the medium, or why they are not yet. They are kept and written later.
    pub fn append(&mut self, events: &[Event], urgency: Urgency) -> Option<Fault> {
        match self {
            Store::Direct(journal) => journal.append(events).err(),
            Store::Thread(thread) => thread.append(events, urgency),
        }
    }

    /// The last event that is on the medium for certain.
    pub fn recorded(&self) -> u64 {
        match self {
            Store::Direct(journal) => journal.confirmed_seq(),
            Store::Thread(thread) => thread.writer.recorded(),
        }
    }

    /// Whether nothing waits for the medium; tries again where trying is up to us.
    pub fn settled(&mut self) -> bool {
        match self {
            Store::Direct(journal) => journal.pending_bytes() == 0 || journal.retry().is_ok(),
            Store::Thread(thread) => thread.settled(Duration::ZERO),
        }
    }

    /// Waits until nothing waits for the medium, at most so long; whether that is so.
    pub fn settle(&mut self, at_most: Duration) -> bool {
        match self {
            Store::Direct(_) => self.settled(),
            Store::Thread(thread) => thread.settled(at_most),
        }
    }
}

impl Threaded {
    fn append(&mut self, events: &[Event], urgency: Urgency) -> Option<Fault> {
        self.held.extend_from_slice(events);
        self.last = self.held.last().map_or(self.last, |event| event.seq);
        if let Err(fault) = self.hand_over() {
            self.behind = true;
            return Some(fault);
        }
        let at_most = if urgency == Urgency::Warning || self.behind { WARNING_WAIT } else { PATIENCE };
        let written = self.writer.wait(self.last, at_most);
        self.behind = written != Written::Recorded;
        match written {
            Written::Recorded => None,
            Written::Failed(fault) => Some(fault),
            Written::Late => {
                Some(Fault::new(FaultKind::Slow, format!("{}: longer than {at_most:?}", self.path.display())))
            }
        }
    }

    fn hand_over(&mut self) -> Result<(), Fault> {
        if self.held.is_empty() {
            return Ok(());
        }
        self.writer.append(self.held.clone())?;
        self.held.clear();
        Ok(())
    }

    fn settled(&mut self, at_most: Duration) -> bool {
        let handed = self.hand_over().is_ok();
        let written = handed && self.writer.settle(self.last, at_most);
        if written {
            self.behind = false;
        }
        written
    }
}
