//! The journal on a thread of its own, so that a slow disk never holds up a warning.
//!
//! The loop hands events over and waits as long as what it wants to say allows: a high-priority warning at most
//! [`WARNING_WAIT`], then it is spoken and the fault announced; the word "recorded" waits for the sync itself.

use std::sync::{Arc, Condvar, Mutex, MutexGuard};
use std::thread::JoinHandle;
use std::time::Duration;

use crossbeam_channel::{Receiver, RecvTimeoutError, Sender, TrySendError, bounded};

use super::{Fault, FaultKind, Journal};
use crate::core::event::Event;

/// How long a high-priority warning waits for a slow disk (contract of the record: 150 ms).
pub const WARNING_WAIT: Duration = Duration::from_millis(150);

/// How often a medium that failed is tried again.
const RETRY: Duration = Duration::from_secs(1);

/// How long dropping a writer waits for its thread.
const LAST_WAIT: Duration = Duration::from_secs(2);

/// Inputs that may wait for a thread that hangs in the disk; then the loop is told that memory is full.
const QUEUE: usize = 4096;

/// What the loop is told, as an input like any other.
#[derive(Clone, Debug, PartialEq)]
pub enum Report {
    /// The medium fails; said once, and again when it fails in another way.
    Trouble(Fault),
    /// All that waited is on the medium again, up to this event.
    Back { seq: u64 },
}

/// What became of events within the time allowed.
#[derive(Clone, Debug, PartialEq)]
pub enum Written {
    /// On the medium: "recorded" may be said.
    Recorded,
    /// Not yet; the disk is slow.
    Late,
    /// Not; kept in memory and tried again.
    Failed(Fault),
}

#[derive(Default)]
struct Progress {
    /// The last event on the medium.
    recorded: u64,
    /// The last event that was tried.
    tried: u64,
    fault: Option<Fault>,
    ended: bool,
}

type Shared = Arc<(Mutex<Progress>, Condvar)>;

/// Hands events to the journal's thread. Dropping it lets the thread write what it has and end, and waits
/// a little for that.
pub struct Writer {
    events: Option<Sender<Vec<Event>>>,
    shared: Shared,
    thread: Option<JoinHandle<()>>,
}

impl Writer {
    /// Starts the thread; `report` is called on it.
    ///
    /// # Errors
    /// The system gives no thread.
    pub fn start(journal: Journal, report: impl Fn(Report) + Send + 'static) -> std::io::Result<Writer> {
        let (events, incoming) = bounded(QUEUE);
        let shared: Shared = Arc::default();
        lock(&shared).recorded = journal.next_seq().saturating_sub(1);
        let worker = Worker { journal, shared: shared.clone(), report: Box::new(report), held: Vec::new() };
        let thread = std::thread::Builder::new().name("journal".into()).spawn(move || worker.run(&incoming))?;
        Ok(Writer { events: Some(events), shared, thread: Some(thread) })
    }

    /// Hands events over; one append and one sync for them all.
    ///
    /// # Errors
    /// Memory is full: they were *not* taken (their `seq` is still the next).
    pub fn append(&self, events: Vec<Event>) -> Result<(), Fault> {
        let Some(sender) = &self.events else { return Err(Fault::new(FaultKind::Failed, "the journal has ended")) };
        sender.try_send(events).map_err(|error| match error {
            TrySendError::Full(_) => Fault::new(FaultKind::MemoryFull, format!("{QUEUE} inputs wait for the disk")),
            TrySendError::Disconnected(_) => Fault::new(FaultKind::Failed, "the journal has ended"),
        })
    }

    /// Waits until event `seq` is on the medium, has failed, or `at_most` has passed.
    pub fn wait(&self, seq: u64, at_most: Duration) -> Written {
        let open = |p: &mut Progress| p.recorded < seq && p.tried < seq && !p.ended;
        let (lock, bell) = &*self.shared;
        let progress = lock.lock().unwrap_or_else(|e| e.into_inner());
        let (progress, _) = bell.wait_timeout_while(progress, at_most, open).unwrap_or_else(|e| e.into_inner());
        if progress.recorded >= seq {
            return Written::Recorded;
        }
        match &progress.fault {
            Some(fault) if progress.tried >= seq || progress.ended => Written::Failed(fault.clone()),
            _ => Written::Late,
        }
    }

    /// Waits until event `seq` is on the medium, at most so long, through failures too; whether it is.
    pub fn settle(&self, seq: u64, at_most: Duration) -> bool {
        let (lock, bell) = &*self.shared;
        let progress = lock.lock().unwrap_or_else(|e| e.into_inner());
        let open = |p: &mut Progress| !(p.ended || p.recorded >= seq && p.fault.is_none());
        let (progress, _) = bell.wait_timeout_while(progress, at_most, open).unwrap_or_else(|e| e.into_inner());
        progress.recorded >= seq && progress.fault.is_none()
    }

    /// The last event that is on the medium for certain.
    pub fn recorded(&self) -> u64 {
        lock(&self.shared).recorded
    }

    /// No more events: waits until all are on the medium, or `at_most` has passed.
    pub fn finish(mut self, at_most: Duration) -> Written {
        self.end(at_most)
    }

    fn end(&mut self, at_most: Duration) -> Written {
        self.events = None;
        let (lock, bell) = &*self.shared;
        let progress = lock.lock().unwrap_or_else(|e| e.into_inner());
        let (progress, _) = bell.wait_timeout_while(progress, at_most, |p| !p.ended).unwrap_or_else(|e| e.into_inner());
        let (ended, fault) = (progress.ended, progress.fault.clone());
        drop(progress);
        if ended {
            // The thread has nothing left to do: joining it gives the folder's lock back before we return.
            if let Some(thread) = self.thread.take() {
                let _ = thread.join();
            }
        }
        match fault {
            Some(fault) => Written::Failed(fault),
            None if ended => Written::Recorded,
            None => Written::Late,
        }
    }
}

impl Drop for Writer {
    fn drop(&mut self) {
        self.end(LAST_WAIT);
    }
}

struct Worker {
    journal: Journal,
    shared: Shared,
    report: Box<dyn Fn(Report) + Send>,
    /// Events that the journal would not take for want of memory.
    held: Vec<Event>,
}

impl Worker {
    fn run(mut self, incoming: &Receiver<Vec<Event>>) {
        loop {
            let failing = lock(&self.shared).fault.is_some();
            let next = if !self.held.is_empty() {
                // Nothing more is taken in: the queue fills up and the loop is told.
                pause(&self.shared);
                Err(RecvTimeoutError::Timeout)
            } else if failing {
                incoming.recv_timeout(RETRY)
            } else {
                incoming.recv().map_err(|_| RecvTimeoutError::Disconnected)
            };
            match next {
                Ok(events) => self.write(events),
                Err(RecvTimeoutError::Timeout) => {
                    let held = std::mem::take(&mut self.held);
                    self.write(held);
                }
                Err(RecvTimeoutError::Disconnected) => break,
            }
        }
        self.write(Vec::new());
        lock(&self.shared).ended = true;
        self.shared.1.notify_all();
    }

    fn write(&mut self, events: Vec<Event>) {
        let result = self.journal.append(&events);
        if matches!(&result, Err(fault) if fault.kind == FaultKind::MemoryFull) {
            self.held = events;
        }
        let seq = self.journal.next_seq().saturating_sub(1);
        let mut progress = lock(&self.shared);
        progress.tried = seq;
        let before = progress.fault.take();
        let report = match result {
            Ok(()) => {
                progress.recorded = seq;
                before.map(|_| Report::Back { seq })
            }
            Err(fault) => {
                progress.fault = Some(fault.clone());
                (before.map(|f| f.kind) != Some(fault.kind)).then_some(Report::Trouble(fault))
            }
        };
        drop(progress);
        self.shared.1.notify_all();
        if let Some(report) = report {
            (self.report)(report);
        }
    }
}

/// Waits a retry's time without taking anything in.
fn pause(shared: &Shared) {
    let (lock, bell) = &**shared;
    let progress = lock.lock().unwrap_or_else(|e| e.into_inner());
    let _ = bell.wait_timeout_while(progress, RETRY, |p| !p.ended);
}

fn lock(shared: &Shared) -> MutexGuard<'_, Progress> {
    shared.0.lock().unwrap_or_else(|e| e.into_inner())
}
