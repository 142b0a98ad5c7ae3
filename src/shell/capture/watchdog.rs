//! Notices that the microphone has gone deaf, though nothing reports an error: no frames, nothing but digital silence,
//! a level that is cut off. A value: it is told the time and what came.

/// What can be said about the microphone.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum MicState {
    /// Sound comes again.
    Back,
    /// No frames come.
    Lost,
    /// Frames come and every sample is the same: muted, or switched off.
    Muted,
    /// Too loud: samples at the limit.
    Clipping,
    /// Sound came faster than it was taken and was dropped.
    Overrun,
}

impl MicState {
    /// As the record spells it.
    pub fn name(self) -> &'static str {
        match self {
            MicState::Back => "back",
            MicState::Lost => "lost",
            MicState::Muted => "muted",
            MicState::Clipping => "clipping",
            MicState::Overrun => "overrun",
        }
    }
}

/// No frames for so long: lost, milliseconds. A cold start takes 0.6 s, an idle virtual source up to 2 s.
pub const NO_FRAMES_MS: u64 = 1_000;
pub const NO_FRAMES_AT_START_MS: u64 = 3_000;
/// Every sample the same for so long: muted. A real microphone is never so quiet.
pub const SILENCE_MS: u64 = 1_500;
/// The same for a source that repeats what others play: its silence says little.
pub const SILENCE_OF_A_MONITOR_MS: u64 = 60_000;
/// So many of the last second's samples at the limit: clipping.
const CLIPPED_PER_SECOND: u32 = 80;
const LIMIT: f32 = 0.999;
/// Told again no sooner than this, milliseconds.
const CLIPPING_PAUSE_MS: u64 = 60_000;

#[derive(Clone, Copy, PartialEq)]
enum Stand {
    Well,
    Lost,
    Muted,
}

pub struct Watchdog {
    stand: Stand,
    opened_ms: u64,
    last_frames_ms: Option<u64>,
    /// The value that all samples since then had.
    constant: Option<(f32, u64)>,
    silence_ms: u64,
    /// The sound server says that it is muted.
    muted: bool,
    clipped: u32,
    clip_window_ms: u64,
    clipping_told_ms: Option<u64>,
}

impl Watchdog {
    pub fn new(now_ms: u64) -> Watchdog {
        Watchdog {
            stand: Stand::Well,
            opened_ms: now_ms,
            last_frames_ms: None,
            constant: None,
            silence_ms: SILENCE_MS,
            muted: false,
            clipped: 0,
            clip_window_ms: now_ms,
            clipping_told_ms: None,
        }
    }

    pub fn silence_is_normal(self, normal: bool) -> Watchdog {
        Watchdog { silence_ms: if normal { SILENCE_OF_A_MONITOR_MS } else { SILENCE_MS }, ..self }
    }

    /// The sound server says whether the microphone is muted.
    pub fn flagged(&mut self, muted: bool) -> Option<MicState> {
        let was = std::mem::replace(&mut self.muted, muted);
        match (was, muted) {
            (false, true) if self.stand == Stand::Well => self.turn(Stand::Muted),
            (true, false) if self.stand == Stand::Muted => self.turn(Stand::Well),
            _ => None,
        }
    }

    /// A stream was opened (again).
    pub fn opened(&mut self, now_ms: u64) {
        self.opened_ms = now_ms;
        self.last_frames_ms = None;
        self.constant = None;
    }

    /// The stream reported an error or its device is gone.
    pub fn broken(&mut self) -> Option<MicState> {
        self.turn(Stand::Lost)
    }

    pub fn is_lost(&self) -> bool {
        self.stand == Stand::Lost
    }

    /// Milliseconds since the last frames, or since the stream was opened.
    pub fn silent_for_ms(&self, now_ms: u64) -> u64 {
        now_ms.saturating_sub(self.last_frames_ms.unwrap_or(self.opened_ms))
    }

    /// Frames came.
    pub fn sound(&mut self, samples: &[f32], now_ms: u64) -> Option<MicState> {
        if samples.is_empty() {
            return None;
        }
        self.last_frames_ms = Some(now_ms);
        if self.is_constant(samples, now_ms) {
            let since = self.constant.map_or(now_ms, |(_, since)| since);
            let muted = self.muted || now_ms.saturating_sub(since) >= self.silence_ms;
            return match (muted, self.stand) {
                (true, _) => self.turn(Stand::Muted),
                // Frames come again, be they silent.
                (false, Stand::Lost) => self.turn(Stand::Well),
                (false, _) => None,
            };
        }
        if self.muted {
            return self.turn(Stand::Muted);
        }
        self.turn(Stand::Well).or_else(|| self.clipping(samples, now_ms))
    }

    /// Called often: has too long a time passed without frames?
    pub fn poll(&mut self, now_ms: u64) -> Option<MicState> {
        let (since, limit) = match self.last_frames_ms {
            Some(last) => (last, NO_FRAMES_MS),
            None => (self.opened_ms, NO_FRAMES_AT_START_MS),
        };
        if now_ms.saturating_sub(since) >= limit { self.turn(Stand::Lost) } else { None }
    }

    fn is_constant(&mut self, samples: &[f32], now_ms: u64) -> bool {
        let first = samples[0];
        if samples.iter().any(|s| *s != first) {
            self.constant = None;
            return false;
        }
        if self.constant.is_none_or(|(value, _)| value != first) {
            self.constant = Some((first, now_ms));
        }
        true
    }

    fn clipping(&mut self, samples: &[f32], now_ms: u64) -> Option<MicState> {
        if now_ms.saturating_sub(self.clip_window_ms) >= 1_000 {
            self.clip_window_ms = now_ms;
            self.clipped = 0;
        }
        self.clipped += samples.iter().filter(|s| s.abs() >= LIMIT).count() as u32;
        let told = self.clipping_told_ms.is_some_and(|told| now_ms.saturating_sub(told) < CLIPPING_PAUSE_MS);
        if self.clipped < CLIPPED_PER_SECOND || told {
            return None;
        }
        self.clipping_told_ms = Some(now_ms);
        Some(MicState::Clipping)
    }

    fn turn(&mut self, stand: Stand) -> Option<MicState> {
        if self.stand == stand {
            return None;
        }
        self.stand = stand;
        Some(match stand {
            Stand::Well => MicState::Back,
            Stand::Lost => MicState::Lost,
            Stand::Muted => MicState::Muted,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 20 ms of something.
    fn noise() -> Vec<f32> {
        (0..320).map(|i| if i % 2 == 0 { 0.01 } else { -0.02 }).collect()
    }

    fn run(dog: &mut Watchdog, from_ms: u64, to_ms: u64, samples: &[f32]) -> Vec<(u64, MicState)> {
        (from_ms..to_ms)
            .step_by(20)
            .filter_map(|now| dog.sound(samples, now).or_else(|| dog.poll(now)).map(|state| (now, state)))
            .collect()
    }

    #[test]
    fn frames_that_stop_are_noticed_within_two_seconds_and_their_return_too() {
        let mut dog = Watchdog::new(0);
        assert_eq!(run(&mut dog, 0, 1_000, &noise()), []);
        let lost: Vec<u64> = (1_000..5_000).step_by(20).filter(|now| dog.poll(*now).is_some()).collect();
        assert_eq!(lost, [1_980]);
        assert_eq!(run(&mut dog, 5_000, 5_100, &noise()), [(5_000, MicState::Back)]);
    }

    #[test]
    fn digital_silence_is_not_taken_for_a_quiet_room() {
        let mut dog = Watchdog::new(0);
        assert_eq!(run(&mut dog, 0, 1_000, &noise()), []);
        assert_eq!(run(&mut dog, 1_000, 4_000, &[0.0; 320]), [(2_500, MicState::Muted)]);
        assert_eq!(run(&mut dog, 4_000, 5_000, &noise()), [(4_000, MicState::Back)]);
    }

    #[test]
    fn a_mute_at_the_sound_server_is_told_at_once_and_lifted_at_once() {
        let mut dog = Watchdog::new(0).silence_is_normal(true);
        assert_eq!(run(&mut dog, 0, 10_000, &[0.0; 320]), [], "a monitor may be silent");
        assert_eq!(dog.flagged(true), Some(MicState::Muted));
        assert_eq!(run(&mut dog, 10_000, 12_000, &[0.0; 320]), []);
        assert_eq!(dog.flagged(false), Some(MicState::Back));
    }

    #[test]
    fn a_silent_stream_that_comes_back_is_back() {
        let mut dog = Watchdog::new(0);
        assert_eq!(run(&mut dog, 0, 1_000, &noise()), []);
        assert_eq!(dog.broken(), Some(MicState::Lost));
        dog.opened(2_000);
        assert_eq!(run(&mut dog, 2_000, 2_500, &[0.0; 320]), [(2_000, MicState::Back)]);
    }

    #[test]
    fn a_start_without_frames_is_noticed() {
        let mut dog = Watchdog::new(0);
        assert_eq!(dog.poll(NO_FRAMES_AT_START_MS - 1), None);
        assert_eq!(dog.poll(NO_FRAMES_AT_START_MS), Some(MicState::Lost));
    }

    #[test]
    fn clipping_is_told_once_a_minute() {
        let mut dog = Watchdog::new(0);
        let loud: Vec<f32> = (0..320).map(|i| if i % 4 == 0 { 1.0 } else { -0.5 }).collect();
        assert_eq!(run(&mut dog, 0, 30_000, &loud), [(0, MicState::Clipping)]);
        assert_eq!(run(&mut dog, 30_000, 61_000, &loud), [(60_000, MicState::Clipping)]);
    }

    #[test]
    fn a_single_loud_bang_is_no_clipping() {
        let mut dog = Watchdog::new(0);
        let mut bang = noise();
        bang[..40].fill(1.0);
        assert_eq!(dog.sound(&bang, 0), None);
    }
}
