//! The thread between the queue and the engines: one sentence at a time, each with a deadline, on the best engine
//! that works.
//!
//! An engine that refuses, dies or hangs is left behind at once, the sentence it held is started on the next one, and
//! the better engine is tried again later. Nobody ever waits for an engine here.

use std::time::Duration;

use crossbeam_channel::{Receiver, Sender, TrySendError, bounded, never, select, unbounded};

use super::engine::{Engine, Report, deadline_ms, speakable};
use super::{Earcon, End, Queue, Settings, Step, Utterance, Voice, VoiceEvent};
use crate::shell::clock::boot_ms;

/// Orders waiting for the thread at most; it never blocks, so more than a few means that it died.
const ORDERS_MAX: usize = 256;
/// An engine told to stop must be silent by then, milliseconds (measured: 24 ms).
const STOP_TIMEOUT_MS: u64 = 1_000;
/// An engine must have begun to sound by then, milliseconds, or it hangs: it takes 0.1 to 0.3 s, and up to 1 s where the
/// sound server has to wake its output. A warning must not wait for the time that the whole sentence would have taken.
const BEGIN_TIMEOUT_MS: u64 = 2_000;
/// Waits between attempts to get the better engine back, milliseconds; the last one repeats.
const RETRY_MS: [u64; 4] = [1_000, 2_000, 5_000, 10_000];
/// The wait after the better engine opened and failed more than once in a row, milliseconds: its server answers and cannot
/// speak (its output module died), and each attempt makes a sentence late.
const RETRY_DISTRUSTED_MS: u64 = 60_000;
/// While nothing can speak, a sentence waits so long for the voice to come back, milliseconds.
const LOST_WAIT_MS: u64 = 30_000;
/// The words of a warning begin so long after its earcon was ordered, milliseconds: the second tap has sounded when they are
/// heard, because an engine takes another 0.1 s at least.
const WARNING_LEAD_MS: u64 = 150;

enum Order {
    Queue(Utterance),
    Stop,
    Hush,
    Withdraw(u64),
    Talking(bool),
    TryAgain,
    Earcon(Earcon),
}

/// The voice that sounds.
pub struct Speaker {
    orders: Sender<Order>,
    events: Sender<VoiceEvent>,
}

/// An engine being opened on its own thread.
pub type Opening = Receiver<Result<Box<dyn Engine>, String>>;
/// Begins to open the better engine; its reports go to the sender.
pub type OpenBetter = Box<dyn Fn(Sender<Report>) -> Opening + Send>;
/// Opens the fallback; quick.
pub type OpenFallback = Box<dyn Fn(Sender<Report>) -> Result<Box<dyn Engine>, String> + Send>;
/// Plays an earcon; returns at once.
pub type Chime = Box<dyn Fn(Earcon) + Send>;

/// What the speaker can sound with.
pub struct Engines {
    pub better: Option<OpenBetter>,
    pub fallback: OpenFallback,
    pub chime: Option<Chime>,
}

impl Speaker {
    /// # Errors
    /// No thread can be started.
    pub fn start(settings: Settings, engines: Engines, events: Sender<VoiceEvent>) -> std::io::Result<Speaker> {
        let (orders, inbox) = bounded(ORDERS_MAX);
        let (reports, reported) = unbounded();
        let desk = Desk::new(settings, engines, events.clone(), reports);
        std::thread::Builder::new().name("speaker".into()).spawn(move || desk.run(inbox, reported))?;
        Ok(Speaker { orders, events })
    }

    fn order(&self, order: Order) {
        if let Err(TrySendError::Full(Order::Queue(u)) | TrySendError::Disconnected(Order::Queue(u))) =
            self.orders.try_send(order)
        {
            let _ = self.events.try_send(VoiceEvent::Finished { id: u.id, end: End::Failed });
        }
    }
}

impl Voice for Speaker {
    fn queue(&self, utterance: Utterance) {
        self.order(Order::Queue(utterance));
    }

    fn stop(&self) {
        self.order(Order::Stop);
    }

    fn hush(&self) {
        self.order(Order::Hush);
    }

    fn withdraw(&self, id: u64) {
        self.order(Order::Withdraw(id));
    }

    fn crew_speaking(&self, talking: bool) {
        self.order(Order::Talking(talking));
    }

    fn try_again(&self) {
        self.order(Order::TryAgain);
    }

    fn earcon(&self, earcon: Earcon) {
        self.order(Order::Earcon(earcon));
    }
}

/// The sentence on an engine now.
struct Current {
    token: u64,
    text: String,
    /// Its earcon sounds; it goes to the engine then.
    from_ms: Option<u64>,
    /// The engine must have ended it by then.
    deadline_ms: u64,
    began: bool,
    stopping: bool,
    on_fallback: bool,
}

struct Desk {
    queue: Queue,
    events: Sender<VoiceEvent>,
    reports: Sender<Report>,
    settings: Settings,
    engines: Engines,
    opening: Option<(Opening, u64)>,
    engine: Option<Box<dyn Engine>>,
    /// The fallback, opened when first needed; `engine` is the better one.
    second: Option<Box<dyn Engine>>,
    current: Option<Current>,
    token: u64,
    attempts: usize,
    retry_at_ms: Option<u64>,
    /// How often in a row the better engine opened and then failed: once is forgiven, after more it is called back only when
    /// it has said a sentence, or each attempt would be announced and the announcement be the next attempt.
    failures: u32,
    /// The state last told: `back`, `fallback` or `lost`.
    announced: &'static str,
    /// No engine worked last time; sentences wait for the next attempt.
    lost: bool,
}

impl Desk {
    fn new(settings: Settings, engines: Engines, events: Sender<VoiceEvent>, reports: Sender<Report>) -> Desk {
        Desk {
            queue: Queue::default(),
            events,
            reports,
            settings,
            engines,
            opening: None,
            engine: None,
            second: None,
            current: None,
            token: 0,
            attempts: 0,
            retry_at_ms: None,
            failures: 0,
            announced: "back",
            lost: false,
        }
    }

    fn run(mut self, inbox: Receiver<Order>, reported: Receiver<Report>) {
        self.open_better();
        loop {
            let wake = self.work();
            for event in self.queue.drain() {
                let _ = self.events.send(event);
            }
            let opening = self.opening.as_ref().map_or_else(never, |(opening, _)| opening.clone());
            let wait = wake.map_or(Duration::from_secs(3600), |at| {
                Duration::from_millis(at.saturating_sub(boot_ms()).clamp(1, 3_600_000))
            });
            select! {
                recv(inbox) -> order => match order {
                    Ok(order) => self.obey(order),
                    // The program drops its voice when it ends: what is being said is let finish by the engine.
                    Err(_) => return,
                },
                recv(reported) -> report => if let Ok(report) = report { self.learn(report) },
                recv(opening) -> engine => {
                    self.opening = None;
                    self.opened(engine.unwrap_or_else(|_| Err("speech-dispatcher's thread has ended".into())));
                },
                default(wait) => {},
            }
        }
    }

    fn obey(&mut self, order: Order) {
        match order {
            Order::Queue(mut utterance) => {
                utterance.text = speakable(&utterance.text);
                self.queue.push(utterance, boot_ms());
            }
            Order::Stop => {
                self.queue.clear();
                self.cut();
            }
            Order::Hush => {
                self.queue.hush(boot_ms());
                self.cut();
            }
            Order::Withdraw(id) => self.queue.withdraw(id),
            Order::Talking(talking) => self.queue.crew_speaking(talking),
            Order::TryAgain => {
                if self.lost {
                    self.retry_at_ms = Some(boot_ms());
                }
            }
            Order::Earcon(earcon) => drop(self.chime(earcon)),
        }
    }

    /// Whether it sounds.
    fn chime(&self, earcon: Earcon) -> bool {
        let Some(chime) = &self.engines.chime else { return false };
        let _ = self.events.send(VoiceEvent::Earcon);
        chime(earcon);
        true
    }

    /// Does what can be done now; returns when to look again.
    fn work(&mut self) -> Option<u64> {
        let now = boot_ms();
        self.check_deadlines(now);
        if self.still_opening(now) {
            return self.opening.as_ref().map(|(_, until)| *until);
        }
        let wake = loop {
            if self.lost {
                break self.queue.fail_older(now, LOST_WAIT_MS);
            }
            match self.queue.next(now) {
                Step::Say(utterance) => self.begin(&utterance),
                Step::Cut => self.cut(),
                Step::Wait(until) => break until,
            }
        };
        let deadline = self.current.as_ref().map(|c| c.from_ms.unwrap_or(c.deadline_ms));
        let opening = self.opening.as_ref().map(|(_, until)| *until).filter(|until| *until > now);
        [wake, deadline, self.retry_at_ms, opening].into_iter().flatten().min()
    }

    /// At first nothing is said until the better engine answers or its time is up.
    fn still_opening(&self, now: u64) -> bool {
        self.attempts <= 1 && self.engine.is_none() && self.opening.as_ref().is_some_and(|(_, until)| now < *until)
    }

    fn check_deadlines(&mut self, now: u64) {
        if self.retry_at_ms.is_some_and(|at| now >= at) {
            self.retry_at_ms = None;
            self.lost = false;
            self.open_better();
        }
        if let Some(current) = self.current.as_mut().filter(|c| c.from_ms.is_some_and(|from| now >= from)) {
            current.from_ms = None;
            current.deadline_ms = now + BEGIN_TIMEOUT_MS;
            self.start_on_an_engine();
        }
        if self.current.as_ref().is_some_and(|c| c.from_ms.is_none() && now >= c.deadline_ms) {
            let began = self.current.as_ref().is_some_and(|c| c.began);
            self.give_up(if began {
                "no end of the sentence was reported in time"
            } else {
                "it does not begin to speak"
            });
        }
    }

    fn open_better(&mut self) {
        if self.opening.is_some() {
            return; // an attempt still hangs: another thread would hang too
        }
        if let Some(better) = &self.engines.better {
            self.opening = Some((better(self.reports.clone()), boot_ms() + self.settings.open_timeout_ms));
            self.attempts += 1;
        }
    }

    fn opened(&mut self, result: Result<Box<dyn Engine>, String>) {
        match result {
            Ok(engine) => {
                self.engine = Some(engine);
                self.retry_at_ms = None;
                if self.failures < 2 {
                    self.tell("back", "speech-dispatcher speaks");
                }
            }
            Err(error) => self.retry_later(&error),
        }
    }

    /// The better engine opened and did not do its work.
    fn leave_better(&mut self, why: &str) {
        self.engine = None;
        self.failures += 1;
        self.retry_later(why);
    }

    fn retry_later(&mut self, why: &str) {
        self.schedule_retry();
        if self.announced != "lost" {
            let state = if self.fallback().is_some() { "fallback" } else { "lost" };
            self.tell(state, why);
        }
    }

    fn schedule_retry(&mut self) {
        let at = self.attempts.saturating_sub(1).min(RETRY_MS.len() - 1);
        let wait = if self.failures < 2 || self.lost { RETRY_MS[at] } else { RETRY_DISTRUSTED_MS };
        self.retry_at_ms = Some(boot_ms() + wait);
    }

    /// Nothing can speak: the sentence goes back to wait for the next attempt.
    fn lose(&mut self, why: &str) {
        self.lost = true;
        self.attempts += 1;
        self.schedule_retry();
        self.tell("lost", why);
        self.current = None;
        self.queue.put_back();
    }

    fn tell(&mut self, state: &'static str, detail: &str) {
        if self.announced != state {
            self.announced = state;
            let _ = self.events.send(VoiceEvent::State { state, detail: detail.to_string() });
        }
    }

    fn fallback(&mut self) -> Option<&mut Box<dyn Engine>> {
        if self.second.is_none() {
            self.second = (self.engines.fallback)(self.reports.clone()).ok();
        }
        self.second.as_mut()
    }

    fn begin(&mut self, utterance: &Utterance) {
        self.token += 1;
        let from_ms = (utterance.warns && self.chime(Earcon::Warning)).then(|| boot_ms() + WARNING_LEAD_MS);
        self.current = Some(Current {
            token: self.token,
            text: utterance.text.clone(),
            from_ms,
            deadline_ms: boot_ms() + BEGIN_TIMEOUT_MS,
            began: false,
            stopping: false,
            on_fallback: false,
        });
        if from_ms.is_none() {
            self.start_on_an_engine();
        }
    }

    /// Starts the current sentence on the better engine, else on the fallback, else it has failed.
    fn start_on_an_engine(&mut self) {
        let Some(current) = &self.current else { return };
        let (token, text) = (current.token, current.text.clone());
        if let Some(engine) = &mut self.engine {
            match engine.start(token, &text) {
                Ok(()) => return self.now_on_fallback(false),
                Err(why) => self.leave_better(&why),
            }
        }
        let started = self.fallback().ok_or("espeak-ng is not there".to_string()).and_then(|e| e.start(token, &text));
        match started {
            // Also when speech-dispatcher was never there or still hangs while opening.
            Ok(()) => {
                self.now_on_fallback(true);
                if self.announced != "lost" {
                    self.tell("fallback", "espeak-ng speaks");
                }
            }
            Err(why) => {
                self.second = None;
                self.lose(&why);
            }
        }
    }

    fn now_on_fallback(&mut self, on_fallback: bool) {
        if let Some(current) = &mut self.current {
            current.on_fallback = on_fallback;
        }
    }

    fn cut(&mut self) {
        let Some(current) = &mut self.current else { return };
        if current.from_ms.is_some() {
            return self.end(End::Interrupted);
        }
        current.stopping = true;
        current.deadline_ms = boot_ms() + STOP_TIMEOUT_MS;
        let engine = if current.on_fallback { &mut self.second } else { &mut self.engine };
        if let Some(engine) = engine {
            engine.stop();
        }
    }

    fn learn(&mut self, report: Report) {
        let current = self.current.as_ref().map(|c| c.token);
        match report {
            Report::Began { token } if current == Some(token) => {
                let Some(current) = self.current.as_mut() else { return };
                if !current.stopping {
                    current.deadline_ms = boot_ms() + deadline_ms(&current.text);
                }
                // Begun once already, if the engine that began it was left behind.
                if !std::mem::replace(&mut current.began, true) {
                    self.queue.started();
                }
            }
            Report::Ended { token, end } if current == Some(token) => match end {
                End::Failed => self.give_up("the sentence could not be said"),
                end => {
                    self.attempts = 0;
                    let on_fallback = self.current.as_ref().is_some_and(|c| c.on_fallback);
                    if !on_fallback {
                        self.failures = 0;
                        self.tell("back", "it speaks again");
                    } else if self.announced == "lost" {
                        self.tell("fallback", "it speaks again");
                    }
                    self.end(end);
                }
            },
            Report::Broken { why, .. } => {
                if self.engine.is_some() {
                    self.leave_better(&why);
                    if self.current.as_ref().is_some_and(|c| !c.on_fallback && c.from_ms.is_none()) {
                        self.restart();
                    }
                }
            }
            Report::Began { .. } | Report::Ended { .. } => {} // of a sentence already left behind
        }
    }

    /// The engine did not do its work: leaves it behind and starts the sentence on the next one.
    fn give_up(&mut self, why: &str) {
        let Some(current) = &self.current else { return };
        let (stopping, on_fallback) = (current.stopping, current.on_fallback);
        if on_fallback {
            if let Some(mut second) = self.second.take() {
                second.stop();
            }
        } else {
            self.leave_better(why);
        }
        match (on_fallback, stopping) {
            (_, true) => self.end(End::Interrupted),
            (false, false) => self.restart(),
            (true, false) => self.lose(why),
        }
    }

    /// The same sentence under a new token, so that late reports of the old engine are not believed.
    fn restart(&mut self) {
        if let Some(current) = &mut self.current {
            self.token += 1;
            current.token = self.token;
            current.deadline_ms = boot_ms() + BEGIN_TIMEOUT_MS;
            self.start_on_an_engine();
        }
    }

    fn end(&mut self, end: End) {
        self.current = None;
        self.queue.ended(end);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::core::event::Priority;

    /// An engine that does as its script says.
    struct Scripted {
        reports: Sender<Report>,
        hangs: bool,
        said: Sender<String>,
        token: u64,
    }

    impl Engine for Scripted {
        fn start(&mut self, token: u64, text: &str) -> Result<(), String> {
            self.token = token;
            let _ = self.said.send(text.to_string());
            let _ = self.reports.send(Report::Began { token });
            if !self.hangs {
                let _ = self.reports.send(Report::Ended { token, end: End::Done });
            }
            Ok(())
        }

        fn stop(&mut self) {
            let _ = self.reports.send(Report::Ended { token: self.token, end: End::Interrupted });
        }
    }

    fn speaker(hangs: bool) -> (Speaker, Receiver<VoiceEvent>, Receiver<String>) {
        let (events, happened) = unbounded();
        let (said, heard) = unbounded();
        let better: OpenBetter = Box::new(move |reports| {
            let (done, opened) = bounded(1);
            let engine = Scripted { reports, hangs, said: said.clone(), token: 0 };
            let _ = done.send(Ok(Box::new(engine) as Box<dyn Engine>));
            opened
        });
        let fallback: OpenFallback = Box::new(|_| Err("none in this test".into()));
        let engines = Engines { better: Some(better), fallback, chime: None };
        (Speaker::start(Settings::default(), engines, events).unwrap(), happened, heard)
    }

    fn wait(happened: &Receiver<VoiceEvent>, wanted: VoiceEvent) {
        loop {
            let event = happened.recv_timeout(Duration::from_secs(10)).expect("the event never came");
            if event == wanted {
                return;
            }
        }
    }

    #[test]
    fn each_sentence_is_started_and_finished_once_and_in_order() {
        let (speaker, happened, heard) = speaker(false);
        speaker.say(1, "first", Priority::Medium);
        speaker.say(2, "second", Priority::Medium);
        wait(&happened, VoiceEvent::Started { id: 1 });
        wait(&happened, VoiceEvent::Finished { id: 1, end: End::Done });
        wait(&happened, VoiceEvent::Started { id: 2 });
        wait(&happened, VoiceEvent::Finished { id: 2, end: End::Done });
        assert_eq!(heard.try_iter().collect::<Vec<_>>(), ["first", "second"]);
    }

    #[test]
    fn a_warning_cuts_off_a_reminder_and_stop_silences_the_warning() {
        let (speaker, happened, heard) = speaker(true);
        speaker.queue(Utterance::new(1, "reminder", Priority::Medium).reminder(60_000));
        wait(&happened, VoiceEvent::Started { id: 1 });
        speaker.say(2, "warning", Priority::High);
        wait(&happened, VoiceEvent::Finished { id: 1, end: End::Interrupted });
        wait(&happened, VoiceEvent::Started { id: 2 });
        speaker.stop();
        wait(&happened, VoiceEvent::Finished { id: 2, end: End::Interrupted });
        assert_eq!(heard.try_iter().collect::<Vec<_>>(), ["reminder", "warning"]);
    }

    /// Speech-dispatcher dies with a sentence in its mouth; the fallback says the sentence.
    #[test]
    fn a_sentence_is_said_by_the_fallback_when_the_engine_breaks() {
        let (events, happened) = unbounded();
        let (said, heard) = unbounded();
        let better: OpenBetter = Box::new(|reports: Sender<Report>| {
            let (done, opened) = bounded(1);
            let _ = done.send(Ok(Box::new(Dying { reports }) as Box<dyn Engine>));
            opened
        });
        let fallback: OpenFallback =
            Box::new(move |reports| Ok(Box::new(Scripted { reports, hangs: false, said: said.clone(), token: 0 })));
        let engines = Engines { better: Some(better), fallback, chime: None };
        let speaker = Speaker::start(Settings::default(), engines, events).unwrap();
        speaker.say(1, "hold the drug", Priority::High);
        wait(&happened, VoiceEvent::State { state: "fallback", detail: "gone".into() });
        wait(&happened, VoiceEvent::Finished { id: 1, end: End::Done });
        assert_eq!(heard.try_iter().collect::<Vec<_>>(), ["hold the drug"]);
    }

    #[test]
    fn with_no_engine_at_all_the_loss_is_told_and_the_sentence_waits_for_the_voice_to_come_back() {
        let (events, happened) = unbounded();
        let (said, heard) = unbounded();
        let times = std::sync::atomic::AtomicU32::new(0);
        let fallback: OpenFallback =
            Box::new(move |reports| match times.fetch_add(1, std::sync::atomic::Ordering::Relaxed) {
                0 => Err("none".into()),
                _ => Ok(Box::new(Scripted { reports, hangs: false, said: said.clone(), token: 0 })),
            });
        let engines = Engines { better: None, fallback, chime: None };
        let speaker = Speaker::start(Settings::default(), engines, events).unwrap();
        speaker.say(1, "hold the drug", Priority::High);
        wait(&happened, VoiceEvent::State { state: "lost", detail: "espeak-ng is not there".into() });
        wait(&happened, VoiceEvent::State { state: "fallback", detail: "it speaks again".into() });
        wait(&happened, VoiceEvent::Finished { id: 1, end: End::Done });
        assert_eq!(heard.try_iter().collect::<Vec<_>>(), ["hold the drug"]);
    }

    struct Hanging;

    impl Engine for Hanging {
        fn start(&mut self, _: u64, _: &str) -> Result<(), String> {
            Ok(())
        }

        fn stop(&mut self) {}
    }

    /// Speech-dispatcher answers, but its output module is dead: it opens each time and never speaks. Told once that it is
    /// back, and from then on only when it has spoken.
    #[test]
    fn an_engine_that_opens_and_never_speaks_is_not_announced_each_time() {
        let (events, happened) = unbounded();
        let (reports, reported) = unbounded();
        let fallback: OpenFallback = Box::new(|_| Ok(Box::new(Hanging)));
        let engines = Engines { better: None, fallback, chime: None };
        let mut desk = Desk::new(Settings::default(), engines, events, reports.clone());
        let states = |desk: &mut Desk, engine: Box<dyn Engine>, speaks: bool| {
            desk.opened(Ok(engine));
            desk.begin(&Utterance::new(1, "a sentence", Priority::High));
            if !speaks {
                desk.give_up("it does not begin to speak");
            }
            // On whatever engine it is now, it is said to its end.
            let token = desk.token;
            let _ = reports.send(Report::Ended { token, end: End::Done });
            reported.try_iter().for_each(|report| desk.learn(report));
            let state = |event| match event {
                VoiceEvent::State { state, .. } => Some(state),
                _ => None,
            };
            happened.try_iter().filter_map(state).collect::<Vec<_>>()
        };
        assert_eq!(states(&mut desk, Box::new(Hanging), false), ["fallback"]);
        assert_eq!(states(&mut desk, Box::new(Hanging), false), ["back", "fallback"], "once it is believed");
        for _ in 0..3 {
            assert_eq!(states(&mut desk, Box::new(Hanging), false), [""; 0], "and then not any more");
        }
        assert_eq!(states(&mut desk, Box::new(Hanging), true), ["back"], "until it has spoken");
    }

    /// Speech-dispatcher hangs with a warning in its hands: it takes the order and nothing ever comes of it.
    #[test]
    fn an_engine_that_does_not_begin_is_left_for_the_fallback_long_before_the_sentence_would_have_ended() {
        let (events, happened) = unbounded();
        let (said, heard) = unbounded();
        let better: OpenBetter = Box::new(|_| {
            let (done, opened) = bounded(1);
            let _ = done.send(Ok(Box::new(Hanging) as Box<dyn Engine>));
            opened
        });
        let fallback: OpenFallback =
            Box::new(move |reports| Ok(Box::new(Scripted { reports, hangs: false, said: said.clone(), token: 0 })));
        let engines = Engines { better: Some(better), fallback, chime: None };
        let speaker = Speaker::start(Settings::default(), engines, events).unwrap();
        let text = "low pressure: unstable, five minutes, adult limits, age not known";
        let begun = boot_ms();
        speaker.say(1, text, Priority::High);
        wait(&happened, VoiceEvent::Finished { id: 1, end: End::Done });
        let took = boot_ms() - begun;
        assert!(took + 1_000 < deadline_ms(text), "{took} ms");
        assert_eq!(heard.try_iter().collect::<Vec<_>>(), [text]);
    }

    /// A desk whose voice and earcons write down what they sound.
    fn desk() -> (Desk, Receiver<String>) {
        let (events, _) = unbounded();
        let (reports, _) = unbounded();
        let (said, heard) = unbounded();
        let chimes = said.clone();
        let fallback: OpenFallback =
            Box::new(move |reports| Ok(Box::new(Scripted { reports, hangs: true, said: said.clone(), token: 0 })));
        let chime: Chime = Box::new(move |earcon| drop(chimes.send(format!("{earcon:?}"))));
        let engines = Engines { better: None, fallback, chime: Some(chime) };
        (Desk::new(Settings::default(), engines, events, reports), heard)
    }

    #[test]
    fn the_sound_of_a_warning_goes_before_its_words_and_before_no_others() {
        let (mut desk, heard) = desk();
        desk.begin(&Utterance::new(1, "pressure one twenty?", Priority::High));
        assert_eq!(heard.try_iter().collect::<Vec<_>>(), ["pressure one twenty?"]);
        desk.begin(&Utterance::new(2, "hold the drug", Priority::High).warning(true));
        assert_eq!(heard.try_iter().collect::<Vec<_>>(), ["Warning"]);
        desk.check_deadlines(boot_ms() + WARNING_LEAD_MS);
        assert_eq!(heard.try_iter().collect::<Vec<_>>(), ["hold the drug"]);
    }

    #[test]
    fn a_warning_cut_off_at_its_earcon_is_not_said() {
        let (mut desk, heard) = desk();
        desk.begin(&Utterance::new(1, "hold the drug", Priority::High).warning(true));
        desk.cut();
        desk.check_deadlines(boot_ms() + WARNING_LEAD_MS);
        assert_eq!(heard.try_iter().collect::<Vec<_>>(), ["Warning"]);
    }

    /// The sound server has come back: nobody waits ten seconds more to be told so.
    #[test]
    fn a_lost_voice_is_tried_again_at_once_when_there_is_reason_to() {
        let (mut desk, _heard) = desk();
        desk.attempts = RETRY_MS.len();
        desk.lose("no sound server");
        let now = boot_ms();
        desk.check_deadlines(now);
        assert!(desk.lost, "not before its time");
        desk.obey(Order::TryAgain);
        desk.check_deadlines(boot_ms());
        assert!(!desk.lost);
    }

    struct Dying {
        reports: Sender<Report>,
    }

    impl Engine for Dying {
        fn start(&mut self, token: u64, _: &str) -> Result<(), String> {
            let _ = self.reports.send(Report::Began { token });
            let _ = self.reports.send(Report::Broken { why: "gone".into() });
            Ok(())
        }

        fn stop(&mut self) {}
    }

    #[test]
    fn a_warning_that_was_cut_off_is_said_again() {
        let (speaker, happened, heard) = speaker(true);
        speaker.say(1, "lower warning", Priority::Medium);
        wait(&happened, VoiceEvent::Started { id: 1 });
        speaker.say(2, "higher warning", Priority::High);
        wait(&happened, VoiceEvent::Started { id: 2 });
        speaker.withdraw(99);
        drop(speaker);
        let said: Vec<_> = heard.iter().collect();
        assert_eq!(said, ["lower warning", "higher warning"]);
    }
}
