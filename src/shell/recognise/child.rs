//! The parent's side: keeps a recogniser process, replaces it when it dies or hangs, and asks again.

use std::io::BufReader;
use std::process::{Child, ChildStdin, Command, Stdio};
use std::thread;
use std::time::Duration;

use anyhow::{Context, Result, anyhow, bail};
use crossbeam_channel::{Receiver, RecvTimeoutError, Sender, bounded};

use super::wire::{self, Reply, Request};
use super::{Options, Recogniser};
use crate::core::utterance::Transcript;
use crate::shell::model::Model;
use crate::shell::segment::length_ms;

/// Loading, building the language model once and warming up, on a busy machine.
const START_LIMIT: Duration = Duration::from_secs(300);
/// An utterance may take this long, and this many times its own length more.
const HANG_LIMIT: Duration = Duration::from_secs(15);
const HANG_FACTOR: u32 = 6;

/// A recogniser process that is replaced when it fails.
pub struct ChildRecogniser {
    model: Model,
    /// The model's name and whether it is tuned, for the record.
    name: String,
    tuned: bool,
    options: Options,
    running: Option<Running>,
    troubles: Vec<String>,
}

struct Running {
    process: Child,
    /// To the thread that writes: a process that hangs reads nothing, and a full pipe must not hold the caller.
    requests: Sender<Request>,
    replies: Receiver<Result<Option<Reply>>>,
}

impl ChildRecogniser {
    /// Starts the process and waits until it is ready.
    ///
    /// # Errors
    /// The process cannot be started or says why it cannot serve.
    pub fn start(model: Model, options: &Options) -> Result<ChildRecogniser> {
        let tuned = model.tunable && !options.plain && !options.untuned;
        let name = if tuned { format!("{} tuned", model.name) } else { model.name.clone() };
        let options = options.clone();
        let mut recogniser = ChildRecogniser { model, name, tuned, options, running: None, troubles: Vec::new() };
        recogniser.running = Some(recogniser.spawn()?);
        Ok(recogniser)
    }

    fn spawn(&self) -> Result<Running> {
        let program = match &self.options.program {
            Some(program) => program.clone(),
            None => std::env::current_exe().context("the running program cannot be found")?,
        };
        let mut command = Command::new(&program);
        command.arg("recogniser").arg("--model").arg(&self.model.path);
        if let Some(data) = &self.options.data {
            command.arg("--data").arg(data);
        }
        if let Some(corpus) = &self.options.corpus {
            command.arg("--corpus").arg(corpus);
        }
        if self.options.plain {
            command.arg("--plain");
        }
        if self.tuned {
            command.arg("--tuned");
        }
        command.stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::null());
        let mut process =
            command.spawn().with_context(|| format!("{}: the recogniser cannot be started", program.display()))?;
        let (Some(input), Some(output)) = (process.stdin.take(), process.stdout.take()) else {
            bail!("the recogniser has no pipes");
        };
        let requests = writer(input)?;
        let (send, replies) = bounded(4);
        thread::Builder::new().name("recogniser".into()).spawn(move || {
            let mut output = BufReader::new(output);
            loop {
                let reply = wire::reply(&mut output);
                let last = !matches!(reply, Ok(Some(_)));
                if send.send(reply).is_err() || last {
                    return;
                }
            }
        })?;
        let running = Running { process, requests, replies };
        match running.wait(START_LIMIT)? {
            Reply::Ready => Ok(running),
            Reply::Failed(why) => bail!("the recogniser cannot start: {why}"),
            Reply::Heard(_) => bail!("the recogniser answered before it was asked"),
        }
    }

    fn once(&mut self, samples: &[f32], look: bool) -> Result<Transcript> {
        if self.running.is_none() {
            self.running = Some(self.spawn()?);
        }
        let running = self.running.as_mut().context("the recogniser is not running")?;
        let limit =
            self.options.patience.unwrap_or(HANG_LIMIT) + Duration::from_millis(length_ms(samples)) * HANG_FACTOR;
        let asked = running
            .requests
            .send(Request { samples: samples.to_vec(), look })
            .map_err(|_| anyhow!("the recogniser died"));
        match asked.and_then(|()| running.wait(limit)) {
            Ok(Reply::Heard(heard)) => Ok(heard.into()),
            Ok(Reply::Failed(why)) => {
                self.running = None;
                Err(anyhow!("the recogniser failed: {why}"))
            }
            Ok(Reply::Ready) => {
                self.running = None;
                Err(anyhow!("the recogniser answered out of turn"))
            }
            Err(error) => {
                self.running = None;
                Err(error)
            }
        }
    }

    /// The process number, for tests that kill it.
    pub fn process_id(&self) -> Option<u32> {
        self.running.as_ref().map(|r| r.process.id())
    }
}

/// Writes requests until the process is gone (its end of the pipe closes) or the recogniser is dropped.
fn writer(mut input: ChildStdin) -> Result<Sender<Request>> {
    let (send, requests) = bounded::<Request>(1);
    thread::Builder::new().name("recogniser-in".into()).spawn(move || {
        for request in requests {
            if wire::ask(&mut input, &request).is_err() {
                return;
            }
        }
    })?;
    Ok(send)
}

impl ChildRecogniser {
    fn twice(&mut self, samples: &[f32], look: bool) -> Result<Transcript> {
        if samples.is_empty() {
            return Ok(Transcript::default());
        }
        match self.once(samples, look) {
            Ok(transcript) => Ok(transcript),
            Err(first) => {
                self.troubles.push(format!("{first:#}; the utterance was heard again"));
                self.once(samples, look).context("the recogniser failed twice on one utterance")
            }
        }
    }
}

impl Recogniser for ChildRecogniser {
    fn recognise(&mut self, samples: &[f32]) -> Result<Transcript> {
        self.twice(samples, false)
    }

    fn look(&mut self, samples: &[f32]) -> Result<Transcript> {
        self.twice(samples, true)
    }

    fn model(&self) -> &str {
        &self.name
    }

    fn troubles(&mut self) -> Vec<String> {
        std::mem::take(&mut self.troubles)
    }
}

impl Running {
    fn wait(&self, limit: Duration) -> Result<Reply> {
        match self.replies.recv_timeout(limit) {
            Ok(Ok(Some(reply))) => Ok(reply),
            Ok(Ok(None)) | Err(RecvTimeoutError::Disconnected) => bail!("the recogniser died"),
            Ok(Err(error)) => Err(error),
            Err(RecvTimeoutError::Timeout) => bail!("the recogniser hung for {} s", limit.as_secs()),
        }
    }
}

/// No process is left behind, whatever it is doing.
impl Drop for Running {
    fn drop(&mut self) {
        let _ = self.process.kill();
        let _ = self.process.wait();
    }
}
