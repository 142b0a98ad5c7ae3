//! News for systemd: ready, alive, stopping. Without a service manager nothing happens.

use sd_notify::NotifyState;

use crate::shell::clock::boot_ms;

/// How often the service manager is told, at most, milliseconds.
const EVERY_MS: u64 = 1_000;

#[derive(Default)]
pub struct Service {
    told_ms: u64,
    deaf: bool,
}

impl Service {
    pub fn ready(&mut self) {
        let _ = sd_notify::notify(&[NotifyState::Ready, NotifyState::Status("listening")]);
    }

    /// The loop runs; `alive` says whether the ear does. While it does not, the watchdog is not fed and the service
    /// manager restarts the program, which then goes on with the open call.
    pub fn alive(&mut self, alive: bool) {
        let now = boot_ms();
        if now.saturating_sub(self.told_ms) < EVERY_MS {
            return;
        }
        self.told_ms = now;
        if alive {
            let _ = sd_notify::notify(&[NotifyState::Watchdog]);
        }
        if self.deaf == alive {
            self.deaf = !alive;
            let status = if alive { "listening" } else { "the ear does not answer" };
            let _ = sd_notify::notify(&[NotifyState::Status(status)]);
        }
    }

    pub fn stopping(&mut self) {
        let _ = sd_notify::notify(&[NotifyState::Stopping]);
    }
}
