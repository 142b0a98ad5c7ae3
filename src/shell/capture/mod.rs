//! Sound in: blocks of 16 kHz mono with the moment at which each was heard, and news of the microphone itself.
//!
//! The microphone stays open all the time and is opened again by itself when it was lost. Nothing here knows what
//! speech is, and nothing ever waits for a stuck sound server: streams are opened and dropped on threads of their own.

#[cfg(feature = "mic")]
mod device;
#[cfg(feature = "mic")]
mod monitor;
mod pcm;
pub mod watchdog;

use crossbeam_channel::{Receiver, Sender};

#[cfg(feature = "mic")]
pub use device::{Device, devices};
pub use watchdog::MicState;

/// Sample rate of every block, hertz.
pub const RATE_HZ: u32 = 16_000;

/// Blocks waiting for the listener at most: 10 s of 20 ms blocks. When more come the newest are dropped and counted.
pub const BLOCKS_MAX: usize = 500;

/// A stretch of sound without a gap.
#[derive(Clone, Debug, PartialEq)]
pub struct Block {
    /// When its first sample was heard, on `clock::boot_ms`; from the sample counter, so that a late reader does not
    /// make the sound later.
    pub at_ms: u64,
    /// False where sound was lost between the block before and this one.
    pub follows: bool,
    /// 16 kHz mono, -1 to 1.
    pub samples: Vec<f32>,
}

#[derive(Clone, Debug, PartialEq)]
pub enum CaptureEvent {
    Sound(Block),
    /// The microphone's state changed.
    State(MicState, String),
    /// The input has ended (stdin); a microphone never ends.
    Ended,
}

/// What to listen with.
#[derive(Clone, Debug, PartialEq)]
pub enum Source {
    /// A microphone: this one or none, or the system's default.
    Microphone { device: Option<String> },
    /// Raw PCM on stdin.
    Stdin(Pcm),
}

/// Raw PCM: little-endian signed 16-bit.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Pcm {
    pub rate_hz: u32,
    pub channels: u16,
    /// Time is counted from the samples alone, however fast they come: for a pipe that is not paced.
    pub own_clock: bool,
}

impl Default for Pcm {
    fn default() -> Pcm {
        Pcm { rate_hz: RATE_HZ, channels: 1, own_clock: false }
    }
}

/// A running capture; it ends when this is dropped.
pub struct Capture {
    /// What is being listened to, for people.
    pub name: String,
    /// The microphone's id; none for stdin.
    pub id: Option<String>,
    _stop: Sender<()>,
}

/// Starts to listen.
///
/// # Errors
/// The device named is not there (the message lists those that are), or nothing can be captured at all.
pub fn open(source: &Source, events: Sender<CaptureEvent>) -> anyhow::Result<Capture> {
    let (stop, stopped) = crossbeam_channel::bounded(0);
    let (id, name) = match source {
        Source::Microphone { device } => {
            let (id, name) = microphone(device.as_deref(), events, stopped)?;
            (Some(id), name)
        }
        Source::Stdin(format) => (None, pcm::start(*format, events)?),
    };
    Ok(Capture { name, id, _stop: stop })
}

/// Starts to listen to what the loudspeaker plays, where the sound server lets that be heard (PulseAudio's monitors) and
/// it is not what `microphone` listens to already.
pub fn open_loudspeaker(microphone: &Capture, events: Sender<CaptureEvent>) -> Option<Capture> {
    let (stop, stopped) = crossbeam_channel::bounded(0);
    let name = loudspeaker(microphone.id.as_ref()?, events, stopped)?;
    Some(Capture { id: Some(name.clone()), name, _stop: stop })
}

#[cfg(feature = "mic")]
fn loudspeaker(microphone: &str, events: Sender<CaptureEvent>, stopped: Receiver<()>) -> Option<String> {
    let id = device::loudspeaker_monitor().filter(|id| id != microphone)?;
    monitor::start(&id, events, stopped).ok()?;
    Some(id)
}

#[cfg(not(feature = "mic"))]
fn loudspeaker(_: &str, _: Sender<CaptureEvent>, _: Receiver<()>) -> Option<String> {
    None
}

#[cfg(feature = "mic")]
fn microphone(
    device: Option<&str>,
    events: Sender<CaptureEvent>,
    stopped: Receiver<()>,
) -> anyhow::Result<(String, String)> {
    device::start(device, events, stopped)
}

#[cfg(not(feature = "mic"))]
fn microphone(_: Option<&str>, _: Sender<CaptureEvent>, _: Receiver<()>) -> anyhow::Result<(String, String)> {
    anyhow::bail!("this build has no microphone (it was built without the feature `mic`); feed it PCM on stdin")
}

/// Counts samples and says when each was heard.
///
/// The counter is the clock; the machine's stopwatch only corrects it when they disagree by more than scheduling can
/// explain: sound was lost, the machine slept, or the card's clock drifted.
#[derive(Default)]
pub(crate) struct SampleClock {
    /// Stopwatch at sample zero, and the samples since.
    base_ms: Option<u64>,
    samples: u64,
}

/// Disagreement from which the stopwatch is believed, milliseconds: more than a sound server's usual latency.
const SLIP_MAX_MS: u64 = 400;

impl SampleClock {
    /// A block of `len` samples arrived at `now_ms`: when it was heard, and whether it follows the one before.
    pub(crate) fn stamp(&mut self, len: usize, now_ms: u64) -> (u64, bool) {
        let length_ms = len as u64 * 1000 / u64::from(RATE_HZ);
        let arrived = now_ms.saturating_sub(length_ms);
        let counted = self.base_ms.map(|base| base + self.samples * 1000 / u64::from(RATE_HZ));
        match counted {
            Some(at_ms) if at_ms.abs_diff(arrived) <= SLIP_MAX_MS => {
                self.samples += len as u64;
                (at_ms, true)
            }
            _ => {
                self.base_ms = Some(arrived);
                self.samples = len as u64;
                (arrived, false)
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn time_is_counted_in_samples_and_does_not_jitter() {
        let mut clock = SampleClock::default();
        assert_eq!(clock.stamp(320, 1_020), (1_000, false));
        assert_eq!(clock.stamp(320, 1_075), (1_020, true), "read late: heard on time all the same");
        assert_eq!(clock.stamp(320, 1_060), (1_040, true));
    }

    #[test]
    fn lost_sound_moves_the_clock_and_is_marked() {
        let mut clock = SampleClock::default();
        clock.stamp(320, 1_020);
        assert_eq!(clock.stamp(320, 60_020), (60_000, false), "the machine slept for a minute");
        assert_eq!(clock.stamp(320, 60_040), (60_020, true));
    }
}
