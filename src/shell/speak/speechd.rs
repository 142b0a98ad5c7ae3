//! Speech-dispatcher through the `tts` crate. One thread owns the one `Tts` of the process.
//!
//! Why so careful: without a sound sink `Tts::default()` and `speak` block for ever, callbacks run with the crate's
//! locks held (so they only send on a channel), and events of a cut-off sentence arrive late.

use std::collections::HashMap;
use std::sync::{Arc, Mutex};

use crossbeam_channel::{Receiver, Sender, bounded, unbounded};
use tts::{Tts, UtteranceId};

use super::End;
use super::engine::{Engine, Report};

enum Order {
    Say { token: u64, text: String },
    Stop,
}

pub struct Speechd {
    orders: Sender<Order>,
}

/// How the voice is to sound.
#[derive(Clone, Copy, Debug)]
pub struct Sound {
    /// -100 to 100, 0 is normal; `None` leaves what the user set for speech-dispatcher.
    pub rate: Option<f32>,
    /// -100 to 100, 100 is loudest; `None` leaves what the user set.
    pub volume: Option<f32>,
}

/// Which of our tokens the engine's message numbers belong to. A callback may come before `speak` has returned.
#[derive(Default)]
struct Tokens {
    ours: HashMap<u64, u64>,
    early: Vec<(u64, Sign)>,
}

#[derive(Clone, Copy)]
enum Sign {
    Began,
    Ended(End),
}

impl Speechd {
    /// Opens on a thread of its own; what comes of it arrives on the channel returned, possibly never.
    pub fn open(reports: Sender<Report>, sound: Sound) -> Receiver<Result<Box<dyn Engine>, String>> {
        let (done, opened) = bounded(1);
        let failed = done.clone();
        let spawned = std::thread::Builder::new().name("speechd".into()).spawn(move || own(reports, sound, done));
        if let Err(error) = spawned {
            let _ = failed.send(Err(format!("no thread for speech-dispatcher: {error}")));
        }
        opened
    }
}

impl Engine for Speechd {
    fn start(&mut self, token: u64, text: &str) -> Result<(), String> {
        self.orders
            .send(Order::Say { token, text: text.to_string() })
            .map_err(|_| "speech-dispatcher's thread has ended".to_string())
    }

    fn stop(&mut self) {
        let _ = self.orders.send(Order::Stop);
    }
}

/// The owner thread: opens, then obeys until the handle is dropped or an order fails.
fn own(reports: Sender<Report>, sound: Sound, done: Sender<Result<Box<dyn Engine>, String>>) {
    let tokens = Arc::new(Mutex::new(Tokens::default()));
    let mut tts = match prepare(&reports, sound, &tokens) {
        Ok(tts) => tts,
        Err(error) => {
            let _ = done.send(Err(error));
            return;
        }
    };
    let (orders, inbox) = unbounded();
    if done.send(Ok(Box::new(Speechd { orders }))).is_err() {
        return;
    }
    drop(done);
    let mut refused = false;
    for order in inbox {
        let result = match order {
            Order::Say { token, text } => say(&mut tts, &tokens, &reports, token, &text),
            Order::Stop => tts.stop().map(|_| ()).map_err(|e| e.to_string()),
        };
        if let Err(error) = result {
            let why = format!("speech-dispatcher refuses: {error}");
            let _ = reports.send(Report::Broken { why });
            refused = true;
            break;
        }
    }
    if !refused {
        // Left behind because it hung: another voice has said the sentence, and it must not come out late.
        let _ = tts.stop();
    }
    // A late event after `Drop` would abort the process (tts 0.26: unwrap in an `extern "C"` callback), so the one
    // connection is left open for the kernel to close.
    std::mem::forget(tts);
}

fn prepare(reports: &Sender<Report>, sound: Sound, tokens: &Arc<Mutex<Tokens>>) -> Result<Tts, String> {
    let explain = |error: tts::Error| format!("speech-dispatcher cannot be reached: {error}");
    let mut tts = Tts::default().map_err(explain)?;
    let hook = |sign: Sign| -> Option<Box<dyn FnMut(UtteranceId)>> {
        let (tokens, reports) = (tokens.clone(), reports.clone());
        Some(Box::new(move |id| tell(&tokens, &reports, id, sign)))
    };
    tts.on_utterance_begin(hook(Sign::Began)).map_err(explain)?;
    tts.on_utterance_end(hook(Sign::Ended(End::Done))).map_err(explain)?;
    tts.on_utterance_stop(hook(Sign::Ended(End::Interrupted))).map_err(explain)?;
    if let Some(rate) = sound.rate {
        tts.set_rate(rate.clamp(-100.0, 100.0)).map_err(explain)?;
    }
    if let Some(volume) = sound.volume {
        tts.set_volume(volume.clamp(-100.0, 100.0)).map_err(explain)?;
    }
    Ok(tts)
}

fn say(tts: &mut Tts, tokens: &Mutex<Tokens>, reports: &Sender<Report>, token: u64, text: &str) -> Result<(), String> {
    let id = tts.speak(text, false).map_err(|e| e.to_string())?.ok_or("no message number came back")?;
    let id = number(id);
    let early = {
        let mut tokens = tokens.lock().unwrap_or_else(|e| e.into_inner());
        // One sentence at a time: what came before is over, so the table stays small.
        tokens.ours.retain(|_, old| *old + 8 > token);
        tokens.ours.insert(id, token);
        std::mem::take(&mut tokens.early)
    };
    early.into_iter().filter(|(early, _)| *early == id).for_each(|(_, sign)| report(reports, token, sign));
    Ok(())
}

fn tell(tokens: &Mutex<Tokens>, reports: &Sender<Report>, id: UtteranceId, sign: Sign) {
    let id = number(id);
    let mut tokens = tokens.lock().unwrap_or_else(|e| e.into_inner());
    match tokens.ours.get(&id) {
        Some(token) => report(reports, *token, sign),
        None => tokens.early.push((id, sign)),
    }
}

fn report(reports: &Sender<Report>, token: u64, sign: Sign) {
    let _ = reports.send(match sign {
        Sign::Began => Report::Began { token },
        Sign::Ended(end) => Report::Ended { token, end },
    });
}

fn number(id: UtteranceId) -> u64 {
    match id {
        UtteranceId::SpeechDispatcher(id) => id,
        #[allow(unreachable_patterns)] // other systems have other variants
        _ => 0,
    }
}
