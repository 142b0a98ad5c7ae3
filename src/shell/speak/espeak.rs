//! The fallback engine: one `espeak-ng` child process a sentence. Its exit is a truthful end; cutting off is a kill.
//!
//! The text goes in on stdin, never on the command line, where other users could read it.

use std::io::Write;
use std::process::{Child, ChildStdout, Command, Stdio};
use std::sync::{Arc, Mutex};

use crossbeam_channel::Sender;

use super::End;
use super::engine::{Engine, Report, estimate_ms};
use crate::shell::clock::instant;

pub struct Espeak {
    reports: Sender<Report>,
    /// Words a minute.
    rate: u32,
    child: Option<Arc<Mutex<Speaking>>>,
}

struct Speaking {
    child: Child,
    cut: bool,
}

impl Espeak {
    /// # Errors
    /// The program is not installed.
    pub fn open(reports: Sender<Report>, rate: u32) -> Result<Espeak, String> {
        let probe = Command::new("espeak-ng").arg("--version").stdout(Stdio::null()).stderr(Stdio::null()).status();
        match probe {
            Ok(status) if status.success() => Ok(Espeak { reports, rate, child: None }),
            Ok(status) => Err(format!("espeak-ng does not run ({status})")),
            Err(error) => Err(format!("espeak-ng cannot be started: {error}")),
        }
    }
}

impl Engine for Espeak {
    fn start(&mut self, token: u64, text: &str) -> Result<(), String> {
        let mut child = Command::new("espeak-ng")
            .args(["-v", "en-us", "-s", &self.rate.to_string(), "--stdin"])
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .map_err(|error| format!("espeak-ng cannot be started: {error}"))?;
        let (stdin, stdout) = (child.stdin.take(), child.stdout.take());
        let speaking = Arc::new(Mutex::new(Speaking { child, cut: false }));
        self.child = Some(speaking.clone());
        let (text, reports) = (text.to_string(), self.reports.clone());
        std::thread::Builder::new()
            .name("espeak".into())
            .spawn(move || {
                let wrote = stdin.is_some_and(|mut pipe| pipe.write_all(text.as_bytes()).is_ok());
                let _ = reports.send(Report::Began { token });
                let began = instant();
                let end = match wait(&speaking, stdout, wrote) {
                    // Without a sound device espeak-ng ends at once, with status 0 (measured: 25 ms).
                    End::Done if began.elapsed().as_millis() < u128::from(estimate_ms(&text) / 4) => End::Failed,
                    end => end,
                };
                let _ = reports.send(Report::Ended { token, end });
            })
            .map_err(|error| format!("no thread for espeak-ng: {error}"))?;
        Ok(())
    }

    fn stop(&mut self) {
        if let Some(speaking) = &self.child {
            let mut speaking = speaking.lock().unwrap_or_else(|e| e.into_inner());
            speaking.cut = true;
            let _ = speaking.child.kill();
        }
    }
}

impl Drop for Espeak {
    fn drop(&mut self) {
        self.stop();
    }
}

/// Waits for the child without holding the lock that `stop` needs: its stdout closes when it exits.
fn wait(speaking: &Mutex<Speaking>, stdout: Option<ChildStdout>, wrote: bool) -> End {
    if let Some(mut stdout) = stdout {
        let _ = std::io::copy(&mut stdout, &mut std::io::sink());
    }
    let mut speaking = speaking.lock().unwrap_or_else(|e| e.into_inner());
    match speaking.child.wait() {
        _ if speaking.cut => End::Interrupted,
        Ok(status) if status.success() && wrote => End::Done,
        _ => End::Failed,
    }
}
