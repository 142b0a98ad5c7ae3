//! The microphone through cpal, watched and reopened by a thread of its own.
//!
//! Measured hazards that shape this file (reference/ecosystem.md 0.4, speech.md 4.3): the stream can go silent without
//! an error; the error callback can fire 260,000 times a second; dropping a stream can hang for ever; the sound server
//! moves a stream to another microphone without a word; opening takes up to 2 s.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::time::Duration;

use anyhow::{Context, Result, anyhow, bail};
use cpal::traits::{DeviceTrait, HostTrait, StreamTrait};
use cpal::{BufferSize, Data, FromSample, HostId, SampleFormat, StreamConfig};
use crossbeam_channel::{Receiver, Sender, TryRecvError, TrySendError, bounded};

use super::watchdog::{MicState, Watchdog};
use super::{Block, CaptureEvent, RATE_HZ, SampleClock};
use crate::shell::clock::boot_ms;
use crate::shell::segment::resample::Resampler;
use crate::shell::sound;

/// The ring between the callback and the supervisor, seconds.
const RING_SECONDS: u32 = 4;
/// The supervisor looks into the ring so often.
const POLL: Duration = Duration::from_millis(10);
/// Opening a stream takes no longer, or the server hangs.
const OPEN_TIMEOUT: Duration = Duration::from_secs(5);
/// Pauses between attempts to open again, milliseconds; the last one repeats.
const RETRY_MS: [u64; 4] = [300, 500, 1_000, 2_000];
/// A pause of the supervisor itself from which it is worth telling, milliseconds: more than a busy machine explains.
const STANDSTILL_MS: u64 = 2_000;
/// Which devices there are is asked so often.
const CENSUS: Duration = Duration::from_millis(700);

/// One microphone, as `devices` lists it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Device {
    /// Stable; what `--device` takes.
    pub id: String,
    pub name: String,
    pub default: bool,
}

/// Every microphone there is.
///
/// # Errors
/// The sound server does not answer.
pub fn devices() -> Result<Vec<Device>> {
    on_a_thread(OPEN_TIMEOUT, || list(&sound::host()?))
}

fn list(host: &cpal::Host) -> Result<Vec<Device>> {
    let default = host.default_input_device().and_then(|d| d.id().ok()).map(|id| id.to_string());
    let devices = host.input_devices().map_err(|e| anyhow!("the microphones cannot be listed: {e}"))?;
    Ok(devices
        .filter_map(|device| {
            let id = device.id().ok()?.to_string();
            let name = device.description().map_or_else(|_| id.clone(), |d| d.name().to_string());
            Some(Device { default: Some(&id) == default.as_ref(), id, name })
        })
        .collect())
}

/// Runs `work` on a thread and waits no longer than `timeout`; a thread that hangs is left behind.
fn on_a_thread<T: Send + 'static>(timeout: Duration, work: impl FnOnce() -> Result<T> + Send + 'static) -> Result<T> {
    let (done, result) = bounded(1);
    std::thread::Builder::new().name("sound-server".into()).spawn(move || drop(done.send(work())))?;
    result.recv_timeout(timeout).map_err(|_| anyhow!("the sound server does not answer"))?
}

/// Id of the source that repeats what the default loudspeaker plays.
pub fn loudspeaker_monitor() -> Option<String> {
    let find = || monitor(&sound::host()?).context("no loudspeaker whose sound can be listened to");
    on_a_thread(OPEN_TIMEOUT, find).ok()
}

/// The same on `host`; only PulseAudio has such sources.
fn monitor(host: &cpal::Host) -> Option<String> {
    let sink = host.default_output_device().filter(|_| host.id() == HostId::PulseAudio)?;
    Some(format!("{}.monitor", sink.id().ok()?))
}

/// Opens the microphone and starts its supervisor; returns the microphone's id and name.
///
/// # Errors
/// The named device is not there, or nothing can be opened.
pub fn start(wanted: Option<&str>, events: Sender<CaptureEvent>, stopped: Receiver<()>) -> Result<(String, String)> {
    let choice = Choice { wanted: wanted.map(str::to_string), host: None };
    let first = choice.clone();
    let live = on_a_thread(OPEN_TIMEOUT, move || open(&first))?;
    let named = (live.id.clone(), live.name.clone());
    let choice = Choice { wanted: choice.wanted.map(|_| live.id.clone()), host: Some(live.host) };
    let census = census(live.host);
    let supervisor = Supervisor {
        choice,
        events,
        census,
        watchdog: Watchdog::new(boot_ms()).silence_is_normal(live.id.ends_with(".monitor")),
        last_poll_ms: boot_ms(),
        clock: SampleClock::default(),
        attempts: 0,
        dropped_here: 0,
        openings: Vec::new(),
        retry_at_ms: 0,
    };
    std::thread::Builder::new().name("microphone".into()).spawn(move || supervisor.run(live, &stopped))?;
    Ok(named)
}

/// Which microphone is to be opened.
#[derive(Clone)]
struct Choice {
    /// Id or name as the user gave it; the id once it was found.
    wanted: Option<String>,
    /// The sound system first used: another one is not silently tried later.
    host: Option<HostId>,
}

/// An open stream and what comes out of it.
struct Live {
    stream: cpal::Stream,
    ring: rtrb::Consumer<f32>,
    signs: Arc<Signs>,
    channels: usize,
    resampler: Resampler,
    id: String,
    name: String,
    host: HostId,
}

/// What the callbacks tell, without a lock.
#[derive(Default)]
struct Signs {
    failed: AtomicBool,
    /// Frames for which the ring had no room.
    dropped: AtomicU64,
}

fn open(choice: &Choice) -> Result<Live> {
    let host = match choice.host {
        Some(id) => cpal::host_from_id(id).map_err(|e| anyhow!("the sound system is gone: {e}"))?,
        None => sound::host()?,
    };
    let device = match &choice.wanted {
        Some(wanted) => find(&host, wanted)?,
        None => default_microphone(&host)?,
    };
    let id = device.id().map_or_else(|_| "unnamed".into(), |id| id.to_string());
    let name = device.description().map_or_else(|_| id.clone(), |d| d.name().to_string());
    let (config, format) = best_config(&device).with_context(|| format!("{name}: cannot be opened"))?;
    let channels = usize::from(config.channels);
    let rate = config.sample_rate;
    let (producer, ring) = rtrb::RingBuffer::new(rate as usize * channels * RING_SECONDS as usize);
    let signs = Arc::new(Signs::default());
    let stream =
        build(&device, config, format, producer, &signs).with_context(|| format!("{name}: cannot be opened"))?;
    stream.play().map_err(|e| anyhow!("{name}: does not start: {e}"))?;
    Ok(Live { stream, ring, signs, channels, resampler: Resampler::new(rate)?, id, name, host: host.id() })
}

/// The system's default. Without a microphone PulseAudio names what the loudspeaker plays as one: listening to that the
/// program would hear itself alone and say that it hears.
fn default_microphone(host: &cpal::Host) -> Result<cpal::Device> {
    let device = host
        .default_input_device()
        .context("there is no microphone; `thirdhand devices` lists what there is, `thirdhand doctor` what to do")?;
    let id = device.id().ok().map(|id| id.to_string());
    if id.is_some() && id == monitor(host) {
        bail!(
            "there is no microphone, only what the loudspeaker plays; plug one in (`thirdhand devices`), or name that with \
             --device if it is meant"
        );
    }
    Ok(device)
}

/// The device whose id is `wanted`, with or without its sound system's prefix, or whose name it is alone.
fn find(host: &cpal::Host, wanted: &str) -> Result<cpal::Device> {
    let all: Vec<(String, String, cpal::Device)> = host
        .input_devices()
        .map_err(|e| anyhow!("the microphones cannot be listed: {e}"))?
        .filter_map(|d| {
            let id = d.id().ok()?.to_string();
            let name = d.description().map_or_else(|_| String::new(), |x| x.name().to_string());
            Some((id, name, d))
        })
        .collect();
    let is_id = |id: &str| id == wanted || id.split_once(':').is_some_and(|(_, rest)| rest == wanted);
    if let Some((_, _, device)) = all.iter().find(|(id, ..)| is_id(id)) {
        return Ok(device.clone());
    }
    let mut named = all.iter().filter(|(_, name, _)| name == wanted);
    match (named.next(), named.next()) {
        (Some((_, _, device)), None) => Ok(device.clone()),
        (Some(_), Some(_)) => bail!("`{wanted}` is the name of more than one microphone; give its id"),
        _ => {
            let ids: Vec<&str> = all.iter().map(|(id, ..)| id.as_str()).collect();
            let there = if ids.is_empty() { "there is none".into() } else { format!("there are: {}", ids.join(", ")) };
            bail!("no microphone `{wanted}`; {there}")
        }
    }
}

/// 16 kHz mono if the device gives it, otherwise what it gives; a buffer of 20 ms in any case.
fn best_config(device: &cpal::Device) -> Result<(StreamConfig, SampleFormat)> {
    let rank = |format: SampleFormat| match format {
        SampleFormat::F32 => 0,
        SampleFormat::I16 => 1,
        SampleFormat::I24 | SampleFormat::I32 => 2,
        SampleFormat::U8 | SampleFormat::I8 => 9,
        _ => 3,
    };
    let ready = device
        .supported_input_configs()
        .map_err(|e| anyhow!("it does not say what it can do: {e}"))?
        .filter(|c| c.channels() == 1 && (c.min_sample_rate()..=c.max_sample_rate()).contains(&RATE_HZ))
        .min_by_key(|c| rank(c.sample_format()));
    let (channels, rate, format) = match ready {
        Some(config) => (1, RATE_HZ, config.sample_format()),
        None => {
            let config = device.default_input_config().map_err(|e| anyhow!("it has no format: {e}"))?;
            (config.channels(), config.sample_rate(), config.sample_format())
        }
    };
    Ok((StreamConfig { channels, sample_rate: rate, buffer_size: BufferSize::Fixed(rate / 50) }, format))
}

fn build(
    device: &cpal::Device,
    config: StreamConfig,
    format: SampleFormat,
    mut producer: rtrb::Producer<f32>,
    signs: &Arc<Signs>,
) -> Result<cpal::Stream> {
    let channels = usize::from(config.channels);
    let (heard, failed) = (signs.clone(), signs.clone());
    device
        .build_input_stream_raw(
            config,
            format,
            move |data: &Data, _: &cpal::InputCallbackInfo| take(data, channels, &mut producer, &heard),
            // It may fire without end: a flag is all it sets.
            move |_| failed.failed.store(true, Ordering::Relaxed),
            Some(OPEN_TIMEOUT),
        )
        .map_err(|e| anyhow!("{e}"))
}

/// The callback: converts and copies whole frames, counts what had no room. No lock, no allocation, no call.
fn take(data: &Data, channels: usize, ring: &mut rtrb::Producer<f32>, signs: &Signs) {
    match data.sample_format() {
        SampleFormat::I8 => copy::<i8>(data, channels, ring, signs),
        SampleFormat::I16 => copy::<i16>(data, channels, ring, signs),
        SampleFormat::I24 => copy::<cpal::I24>(data, channels, ring, signs),
        SampleFormat::I32 => copy::<i32>(data, channels, ring, signs),
        SampleFormat::I64 => copy::<i64>(data, channels, ring, signs),
        SampleFormat::U8 => copy::<u8>(data, channels, ring, signs),
        SampleFormat::U16 => copy::<u16>(data, channels, ring, signs),
        SampleFormat::U24 => copy::<cpal::U24>(data, channels, ring, signs),
        SampleFormat::U32 => copy::<u32>(data, channels, ring, signs),
        SampleFormat::U64 => copy::<u64>(data, channels, ring, signs),
        SampleFormat::F32 => copy::<f32>(data, channels, ring, signs),
        SampleFormat::F64 => copy::<f64>(data, channels, ring, signs),
        _ => signs.failed.store(true, Ordering::Relaxed),
    }
}

fn copy<T>(data: &Data, channels: usize, ring: &mut rtrb::Producer<f32>, signs: &Signs)
where
    T: cpal::SizedSample,
    f32: FromSample<T>,
{
    let Some(samples) = data.as_slice::<T>() else { return };
    let room = ring.slots();
    let fits = samples.len().min(room - room % channels);
    if let Ok(chunk) = ring.write_chunk_uninit(fits) {
        chunk.fill_from_iter(samples.iter().map(|s| f32::from_sample_(*s)));
    }
    let lost = (samples.len() - fits) / channels;
    if lost > 0 {
        signs.dropped.fetch_add(lost as u64, Ordering::Relaxed);
    }
}

struct Supervisor {
    choice: Choice,
    events: Sender<CaptureEvent>,
    census: Receiver<Vec<Present>>,
    watchdog: Watchdog,
    clock: SampleClock,
    attempts: usize,
    /// Blocks for which the listener had no room.
    dropped_here: u64,
    /// Attempts to open that have not answered: a stopped sound server holds them until it goes on.
    openings: Vec<Receiver<Result<Live>>>,
    retry_at_ms: u64,
    last_poll_ms: u64,
}

/// Attempts that may hang at a time; each holds a thread.
const OPENINGS_MAX: usize = 3;

impl Supervisor {
    fn run(mut self, first: Live, stopped: &Receiver<()>) {
        let mut live = Some(first);
        while let Err(crossbeam_channel::RecvTimeoutError::Timeout) = stopped.recv_timeout(POLL) {
            self.notice_standstill();
            if let Some(open) = &mut live {
                self.drop_late_openings();
                match self.listen(open) {
                    Ok(()) => {}
                    Err(why) => {
                        let change = self.watchdog.broken();
                        self.tell(change, &why);
                        drop_elsewhere(live.take());
                        self.retry_at_ms = boot_ms();
                    }
                }
                continue;
            }
            live = self.reopen();
        }
        drop_elsewhere(live);
    }

    /// The machine slept, or the program was stopped: what was said meanwhile was not heard.
    fn notice_standstill(&mut self) {
        let now = boot_ms();
        let still_ms = now.saturating_sub(std::mem::replace(&mut self.last_poll_ms, now));
        if still_ms >= STANDSTILL_MS {
            let change = self.watchdog.broken();
            self.tell(change, &format!("nothing was heard for {} s: the machine slept", still_ms / 1000));
        }
    }

    /// Takes what the stream has given.
    ///
    /// # Errors
    /// Why the stream has to be opened again.
    fn listen(&mut self, live: &mut Live) -> Result<(), String> {
        let samples = pull(live).map_err(|e| e.to_string())?;
        let now = boot_ms();
        if !samples.is_empty() {
            self.attempts = 0;
            let change = self.watchdog.sound(&samples, now);
            self.tell(change, &live.name);
            self.pass_on(samples, now);
        }
        let dropped = live.signs.dropped.swap(0, Ordering::Relaxed);
        if dropped > 0 {
            self.tell(Some(MicState::Overrun), &format!("{dropped} frames lost"));
        }
        if live.signs.failed.load(Ordering::Relaxed) {
            return Err("the sound server reports a failure".into());
        }
        self.look_around(live)?;
        match self.watchdog.poll(now) {
            Some(state) => {
                self.tell(Some(state), "no sound comes");
                Err("no sound comes".into())
            }
            None if self.watchdog.is_lost() && samples_overdue(&self.watchdog, now) => Err("no sound comes".into()),
            None => Ok(()),
        }
    }

    /// The device that we listen to may have vanished (the server then moves the stream to another one, without a
    /// word), or may have been muted.
    fn look_around(&mut self, live: &Live) -> Result<(), String> {
        let Some(present) = self.census.try_iter().last().filter(|all| !all.is_empty()) else { return Ok(()) };
        let Some(ours) = present.iter().find(|p| p.id == live.id) else {
            return Err(format!("{} is gone", live.name));
        };
        let change = self.watchdog.flagged(ours.muted);
        self.tell(change, &live.name);
        Ok(())
    }

    fn pass_on(&mut self, samples: Vec<f32>, now_ms: u64) {
        let (at_ms, follows) = self.clock.stamp(samples.len(), now_ms);
        let follows = follows && self.dropped_here == 0;
        match self.events.try_send(CaptureEvent::Sound(Block { at_ms, follows, samples })) {
            Ok(()) if self.dropped_here > 0 => {
                let lost = std::mem::take(&mut self.dropped_here);
                self.tell(Some(MicState::Overrun), &format!("{lost} blocks lost: the listener was busy"));
            }
            Ok(()) => {}
            Err(TrySendError::Full(_)) => self.dropped_here += 1,
            Err(TrySendError::Disconnected(_)) => {}
        }
    }

    /// Looks after the attempts to open again, and starts one when its time has come.
    fn reopen(&mut self) -> Option<Live> {
        let mut opened = None;
        self.openings.retain(|opening| match opening.try_recv() {
            Ok(Ok(live)) => {
                drop_elsewhere(opened.replace(live));
                false
            }
            Ok(Err(_)) | Err(TryRecvError::Disconnected) => false,
            Err(TryRecvError::Empty) => true,
        });
        let now = boot_ms();
        if opened.is_some() {
            self.watchdog.opened(now);
            while self.census.try_recv().is_ok() {}
        } else if now >= self.retry_at_ms && self.openings.len() < OPENINGS_MAX {
            self.start_opening(now);
        }
        opened
    }

    /// Attempts that answered after another had succeeded.
    fn drop_late_openings(&mut self) {
        self.openings.retain(|opening| match opening.try_recv() {
            Ok(live) => {
                drop_elsewhere(live.ok());
                false
            }
            Err(TryRecvError::Disconnected) => false,
            Err(TryRecvError::Empty) => true,
        });
    }

    fn start_opening(&mut self, now_ms: u64) {
        let pause = RETRY_MS[self.attempts.min(RETRY_MS.len() - 1)];
        self.attempts += 1;
        let hangs = self.openings.len() as u64 * OPEN_TIMEOUT.as_millis() as u64;
        self.retry_at_ms = now_ms + pause + hangs;
        let choice = self.choice.clone();
        let (done, opening) = bounded(1);
        let open = move || drop(done.send(open(&choice)));
        if std::thread::Builder::new().name("sound-server".into()).spawn(open).is_ok() {
            self.openings.push(opening);
        }
    }

    fn tell(&self, state: Option<MicState>, detail: &str) {
        if let Some(state) = state {
            // News of the microphone waits for room: it is rare, and it must not be lost.
            let _ = self.events.send_timeout(CaptureEvent::State(state, detail.to_string()), Duration::from_secs(1));
        }
    }
}

/// A stream opened again that gives nothing is opened once more.
fn samples_overdue(watchdog: &Watchdog, now_ms: u64) -> bool {
    watchdog.silent_for_ms(now_ms) >= super::watchdog::NO_FRAMES_AT_START_MS
}

/// Everything in the ring, mixed down and at 16 kHz.
fn pull(live: &mut Live) -> Result<Vec<f32>> {
    let ready = live.ring.slots();
    let Ok(chunk) = live.ring.read_chunk(ready - ready % live.channels) else { return Ok(Vec::new()) };
    if chunk.is_empty() {
        return Ok(Vec::new());
    }
    let interleaved: Vec<f32> = chunk.into_iter().collect();
    let mono: Vec<f32> =
        interleaved.chunks_exact(live.channels).map(|f| f.iter().sum::<f32>() / live.channels as f32).collect();
    live.resampler.push(&mono)
}

/// Dropping can hang for ever: on a thread that nobody waits for.
fn drop_elsewhere(live: Option<Live>) {
    if let Some(live) = live {
        let _ = std::thread::Builder::new().name("drop-stream".into()).spawn(move || drop(live.stream));
    }
}

/// A microphone that is there now.
struct Present {
    id: String,
    muted: bool,
}

/// Whom to ask which microphones there are. PulseAudio also says which are muted, which cpal does not pass on.
enum Census {
    Pulse(pulseaudio::Client),
    Cpal(cpal::Host),
}

impl Census {
    fn open(host: HostId) -> Option<Census> {
        match host {
            HostId::PulseAudio => pulseaudio::Client::from_env(c"thirdhand").ok().map(Census::Pulse),
            _ => cpal::host_from_id(host).ok().map(Census::Cpal),
        }
    }

    fn take(&self) -> Option<Vec<Present>> {
        Some(match self {
            Census::Pulse(client) => futures::executor::block_on(client.list_sources())
                .ok()?
                .iter()
                .map(|s| Present { id: format!("pulseaudio:{}", s.name.to_string_lossy()), muted: s.muted })
                .collect(),
            Census::Cpal(host) => list(host).ok()?.into_iter().map(|d| Present { id: d.id, muted: false }).collect(),
        })
    }
}

/// Asks again and again which microphones there are, on a thread that may hang with the server.
fn census(host: HostId) -> Receiver<Vec<Present>> {
    let (send, receive) = bounded(4);
    let _ = std::thread::Builder::new().name("census".into()).spawn(move || {
        let (_keep, never) = bounded::<()>(0);
        let mut open = Census::open(host);
        loop {
            let _ = never.recv_timeout(CENSUS);
            match open.as_ref().and_then(Census::take) {
                Some(present) => {
                    if let Err(TrySendError::Disconnected(_)) = send.try_send(present) {
                        return;
                    }
                }
                None => open = Census::open(host),
            }
        }
    });
    receive
}
