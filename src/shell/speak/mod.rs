//! Speech out: what is to be said goes in, what became of it comes back as events.
//!
//! A [`Voice`] never blocks its caller and never decides what is worth saying: ranking among what was handed in is its
//! whole judgement. It knows nothing of findings, rules or the record.

pub mod earcon;
mod engine;
mod espeak;
mod queue;
mod speaker;
#[cfg(feature = "voice")]
mod speechd;
mod twin;

use crossbeam_channel::Sender;

pub use queue::{Queue, Step};
pub use twin::{NullVoice, RecordingVoice, Said};

use crate::core::event::Priority;

/// One sentence to say. `id` is the caller's (an advice's `seq`) and comes back in the events.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Utterance {
    pub id: u64,
    pub text: String,
    /// High interrupts lower ones, medium waits until the crew pauses, low comes last.
    pub priority: Priority,
    /// Said again when something more urgent cut it off. True for warnings, false for reminders.
    pub again_if_cut: bool,
    /// Not worth saying any more after so many milliseconds from being handed in.
    pub expires_ms: Option<u64>,
    /// A newer sentence about the same thing replaces an older one still waiting (`recheck_nitroglycerin`, `pulse`).
    pub about: Option<String>,
    /// It waits for a quiet moment: nobody has spoken for a while, we neither.
    pub at_quiet: bool,
    /// The sound of a warning goes before it.
    pub warns: bool,
}

impl Utterance {
    /// A sentence that is said again when cut off and does not expire.
    pub fn new(id: u64, text: impl Into<String>, priority: Priority) -> Utterance {
        Utterance {
            id,
            text: text.into(),
            priority,
            again_if_cut: true,
            expires_ms: None,
            about: None,
            at_quiet: false,
            warns: false,
        }
    }

    pub fn warning(self, warns: bool) -> Utterance {
        Utterance { warns, ..self }
    }

    /// A reminder: cut off, it is not said again; it expires after `expires_ms`.
    pub fn reminder(self, expires_ms: u64) -> Utterance {
        Utterance { again_if_cut: false, expires_ms: Some(expires_ms), ..self }
    }

    /// A sentence that waits for a quiet moment.
    pub fn when_quiet(self) -> Utterance {
        Utterance { at_quiet: true, ..self }
    }

    pub fn about(self, about: impl Into<String>) -> Utterance {
        Utterance { about: Some(about.into()), ..self }
    }
}

/// How saying a sentence ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum End {
    /// To the last word, as far as the engine can tell.
    Done,
    /// Begun and cut off, not to be said again.
    Interrupted,
    /// The engine could not say it, and no other engine could.
    Failed,
    /// Waited too long and was no longer due.
    Expired,
    /// The same words, or newer ones about the same thing, were said instead.
    Replaced,
    /// Taken back by `stop` or `withdraw` before it began.
    Withdrawn,
}

impl End {
    pub fn name(self) -> &'static str {
        match self {
            End::Done => "done",
            End::Interrupted => "interrupted",
            End::Failed => "failed",
            End::Expired => "expired",
            End::Replaced => "replaced",
            End::Withdrawn => "withdrawn",
        }
    }
}

/// What the voice reports. `Started` comes when sound begins, `Finished` exactly once for each `id` handed in.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum VoiceEvent {
    Started {
        id: u64,
    },
    Finished {
        id: u64,
        end: End,
    },
    /// A short sound of no words is being played.
    Earcon,
    /// The state of the voice itself changed: `lost` (nothing can speak), `fallback` (a lesser engine speaks), `back`.
    State {
        state: &'static str,
        detail: String,
    },
}

/// Something that can say sentences. Every call returns at once.
pub trait Voice: Send + Sync {
    fn queue(&self, utterance: Utterance);

    /// Short for [`Voice::queue`] of a sentence that is said again when cut off.
    fn say(&self, id: u64, text: &str, priority: Priority) {
        self.queue(Utterance::new(id, text, priority));
    }

    /// Silence now: the sentence being said is cut off and everything waiting is withdrawn.
    fn stop(&self);

    /// Silence now, as `stop`, but a warning that was not said to its end is said again a little later: "quiet" was meant
    /// for the noise, or never said.
    fn hush(&self) {
        self.stop();
    }

    /// Takes back one sentence that has not begun (a reminder whose reason is gone).
    fn withdraw(&self, id: u64);

    /// Whether somebody is talking: sentences below high priority wait for the pause.
    fn crew_speaking(&self, _talking: bool) {}

    /// There is a sound server again: whoever waits to try the voice once more need not wait.
    fn try_again(&self) {}

    /// A short sound of no words; see [`Earcon`].
    fn earcon(&self, _earcon: Earcon) {}
}

/// One voice for several calls of a shift.
impl Voice for std::sync::Arc<dyn Voice> {
    fn queue(&self, utterance: Utterance) {
        self.as_ref().queue(utterance);
    }

    fn stop(&self) {
        self.as_ref().stop();
    }

    fn hush(&self) {
        self.as_ref().hush();
    }

    fn withdraw(&self, id: u64) {
        self.as_ref().withdraw(id);
    }

    fn crew_speaking(&self, talking: bool) {
        self.as_ref().crew_speaking(talking);
    }

    fn try_again(&self) {
        self.as_ref().try_again();
    }

    fn earcon(&self, earcon: Earcon) {
        self.as_ref().earcon(earcon);
    }
}

/// Short sounds, so that silence is never ambiguous.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Earcon {
    /// Recorded: what was said is in the record.
    Heard,
    /// Something was said that was not understood, or asks for an answer.
    NotUnderstood,
    /// A warning follows.
    Warning,
}

/// Which voice to open.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum VoiceKind {
    /// Speech-dispatcher, or `espeak-ng` where it cannot speak.
    #[default]
    Auto,
    /// Nothing is spoken.
    None,
}

impl std::str::FromStr for VoiceKind {
    type Err = String;

    fn from_str(name: &str) -> Result<VoiceKind, String> {
        match name {
            "auto" => Ok(VoiceKind::Auto),
            "none" => Ok(VoiceKind::None),
            _ => Err(format!("`{name}` is no voice; choose `auto` or `none`")),
        }
    }
}

/// How the voice is to sound.
#[derive(Clone, Debug, PartialEq)]
pub struct Settings {
    pub kind: VoiceKind,
    /// -100 (slow) to 100 (fast), 0 is normal; `None` leaves speech-dispatcher's own setting.
    pub rate: Option<i8>,
    /// -100 (silent) to 100 (loudest); `None` leaves speech-dispatcher's own setting.
    pub volume: Option<i8>,
    pub earcons: bool,
    /// Speech-dispatcher must have answered by then, milliseconds; without a sound sink it never does.
    pub open_timeout_ms: u64,
}

impl Default for Settings {
    fn default() -> Settings {
        Settings { kind: VoiceKind::Auto, rate: None, volume: None, earcons: true, open_timeout_ms: 2_000 }
    }
}

impl Settings {
    pub fn of(kind: VoiceKind) -> Settings {
        Settings { kind, ..Settings::default() }
    }

    /// The rate on espeak-ng's scale: 175 words a minute is its normal, 80 and 450 its limits.
    fn words_per_minute(&self) -> u32 {
        let rate = f64::from(self.rate.unwrap_or(0)) / 100.0;
        let words = if rate < 0.0 { 175.0 + rate * 95.0 } else { 175.0 + rate * 275.0 };
        words as u32
    }
}

/// Opens a voice that reports to `events`. Returns at once; an engine that cannot be reached is reported as
/// [`VoiceEvent::State`] `fallback` or `lost`; while it is lost every sentence finishes as [`End::Failed`].
pub fn open(settings: Settings, events: Sender<VoiceEvent>) -> Box<dyn Voice> {
    if settings.kind == VoiceKind::None {
        return Box::new(NullVoice);
    }
    let words_per_minute = settings.words_per_minute();
    let fallback: speaker::OpenFallback =
        Box::new(move |reports| Ok(Box::new(espeak::Espeak::open(reports, words_per_minute)?)));
    let chime = if settings.earcons { chime() } else { None };
    let engines = speaker::Engines { better: better(&settings), fallback, chime };
    match speaker::Speaker::start(settings, engines, events.clone()) {
        Ok(speaker) => Box::new(speaker),
        Err(error) => {
            let _ = events.send(VoiceEvent::State { state: "lost", detail: error.to_string() });
            Box::new(NullVoice)
        }
    }
}

#[cfg(feature = "mic")]
fn chime() -> Option<speaker::Chime> {
    earcon::chime()
}

/// Earcons are played through cpal.
#[cfg(not(feature = "mic"))]
fn chime() -> Option<speaker::Chime> {
    None
}

/// Asks whether there is a voice, without saying anything: the engine's name.
///
/// # Errors
/// The fallback that would speak instead, if there is one, and why the better engine does not.
pub fn probe(kind: VoiceKind) -> Result<String, (Option<String>, String)> {
    if kind == VoiceKind::None {
        return Ok("none, as asked".into());
    }
    let (reports, _keep) = crossbeam_channel::unbounded();
    let settings = Settings::default();
    let why = match better(&settings) {
        None => "this build has no speech-dispatcher (feature `voice`)".to_string(),
        Some(open) => {
            match open(reports.clone()).recv_timeout(std::time::Duration::from_millis(settings.open_timeout_ms)) {
                Ok(Ok(_)) => return Ok("speech-dispatcher answers".into()),
                Ok(Err(why)) => why,
                Err(_) => "speech-dispatcher does not answer (it hangs where there is no sound output)".into(),
            }
        }
    };
    match espeak::Espeak::open(reports, settings.words_per_minute()) {
        Ok(_) => Err((Some("espeak-ng".into()), why)),
        Err(none) => Err((None, format!("{why}; {none}"))),
    }
}

#[cfg(feature = "voice")]
fn better(settings: &Settings) -> Option<speaker::OpenBetter> {
    let sound = speechd::Sound { rate: settings.rate.map(f32::from), volume: settings.volume.map(f32::from) };
    Some(Box::new(move |reports| speechd::Speechd::open(reports, sound)))
}

#[cfg(not(feature = "voice"))]
fn better(_: &Settings) -> Option<speaker::OpenBetter> {
    None
}
