//! Keeping the sound of utterances, only when it was asked for (`--keep-audio`).
//!
//! The sound waits here, by number, from the recogniser until the loop knows whose record it belongs to; it is written
//! by a thread of its own, so that no warning waits for it.

use std::collections::BTreeMap;
use std::path::PathBuf;
use std::sync::{Arc, Mutex, MutexGuard};

use anyhow::Result;
use crossbeam_channel::{Sender, bounded};

use super::ear::Open;
use crate::core::utterance::Transcript;
use crate::shell::capture::RATE_HZ;
use crate::shell::journal::audio;
use crate::shell::recognise::Recogniser;

/// Utterances that wait for their record at most; beyond that the oldest is forgotten (words recognised early in a
/// pause and then again are the usual case).
const WAITING: usize = 12;

/// Utterances that wait for the disk at most; beyond that their sound is not kept, which is said.
const WRITING: usize = 64;

#[derive(Default)]
struct Waiting {
    sounds: BTreeMap<u64, Vec<f32>>,
    next: u64,
}

/// A recogniser that also remembers what it heard.
pub struct Keeping {
    inner: Box<dyn Recogniser>,
    waiting: Arc<Mutex<Waiting>>,
}

impl Recogniser for Keeping {
    fn recognise(&mut self, samples: &[f32]) -> Result<Transcript> {
        let mut transcript = self.inner.recognise(samples)?;
        let mut waiting = lock(&self.waiting);
        waiting.next += 1;
        let number = waiting.next;
        waiting.sounds.insert(number, samples.to_vec());
        while waiting.sounds.len() > WAITING {
            waiting.sounds.pop_first();
        }
        transcript.kept_audio = Some(number.to_string());
        Ok(transcript)
    }

    /// What is only looked through is no utterance, and is not kept.
    fn look(&mut self, samples: &[f32]) -> Result<Transcript> {
        self.inner.look(samples)
    }

    fn model(&self) -> &str {
        self.inner.model()
    }

    fn troubles(&mut self) -> Vec<String> {
        self.inner.troubles()
    }
}

/// Writes the sound of utterances into their record's folder.
pub struct Keeper {
    waiting: Arc<Mutex<Waiting>>,
    /// `None` only while it is being dropped.
    files: Option<Sender<(PathBuf, u64, Vec<f32>)>>,
    thread: Option<std::thread::JoinHandle<()>>,
    failed: Arc<Mutex<Option<String>>>,
}

impl Keeper {
    /// Starts the thread.
    ///
    /// # Errors
    /// The system gives no thread.
    pub fn start() -> std::io::Result<Keeper> {
        let waiting: Arc<Mutex<Waiting>> = Arc::default();
        let failed: Arc<Mutex<Option<String>>> = Arc::default();
        let (files, work) = bounded::<(PathBuf, u64, Vec<f32>)>(WRITING);
        let failing = failed.clone();
        let thread = std::thread::Builder::new().name("audio".into()).spawn(move || {
            for (record, begun_ms, samples) in work {
                let samples: Vec<i16> = samples.iter().map(|s| (s.clamp(-1.0, 1.0) * 32_767.0) as i16).collect();
                if let Err(error) = audio::keep(&record, begun_ms, &samples, RATE_HZ) {
                    *failing.lock().unwrap_or_else(|e| e.into_inner()) = Some(error.to_string());
                }
            }
        })?;
        Ok(Keeper { waiting, files: Some(files), thread: Some(thread), failed })
    }

    /// A recogniser, once it opens, that also remembers what it heard.
    pub fn wrap(&self, open: Open) -> Open {
        let waiting = self.waiting.clone();
        Box::new(move || {
            let keeping: Box<dyn Recogniser> = Box::new(Keeping { inner: open()?, waiting });
            Ok(keeping)
        })
    }

    /// Hands the sound that `transcript` came from over to be kept in `record`, and names its file in the transcript.
    pub fn keep(&self, record: PathBuf, begun_ms: u64, transcript: &mut Transcript) {
        let number = transcript.kept_audio.take().and_then(|number| number.parse().ok());
        let Some(samples) = number.and_then(|number: u64| lock(&self.waiting).sounds.remove(&number)) else { return };
        let Some(files) = &self.files else { return };
        match files.try_send((record, begun_ms, samples)) {
            Ok(()) => transcript.kept_audio = Some(audio::name(begun_ms)),
            Err(_) => {
                let mut failed = self.failed.lock().unwrap_or_else(|e| e.into_inner());
                *failed = Some("the disk is too slow for the sound".into());
            }
        }
    }

    /// Why sound could not be kept since the last time this was asked.
    pub fn trouble(&self) -> Option<String> {
        self.failed.lock().unwrap_or_else(|e| e.into_inner()).take()
    }
}

impl Drop for Keeper {
    fn drop(&mut self) {
        self.files = None;
        if let Some(thread) = self.thread.take() {
            let _ = thread.join();
        }
    }
}

fn lock(waiting: &Mutex<Waiting>) -> MutexGuard<'_, Waiting> {
    waiting.lock().unwrap_or_else(|e| e.into_inner())
}

#[cfg(test)]
mod tests {
    use super::*;

    struct Parrot;

    impl Recogniser for Parrot {
        fn recognise(&mut self, samples: &[f32]) -> Result<Transcript> {
            Ok(Transcript::script(&format!("{} samples", samples.len())))
        }

        fn model(&self) -> &str {
            "parrot"
        }
    }

    #[test]
    fn the_sound_of_an_utterance_lies_beside_its_record() {
        let place = tempfile::tempdir().unwrap();
        let keeper = Keeper::start().unwrap();
        let mut recogniser = keeper.wrap(Box::new(|| Ok(Box::new(Parrot))))().unwrap();
        // Heard early in a pause, then again in full: the second is the one that is kept.
        recogniser.recognise(&[0.1; 800]).unwrap();
        let mut transcript = recogniser.recognise(&[0.5; 1600]).unwrap();
        keeper.keep(place.path().to_path_buf(), 12_000, &mut transcript);
        let name = transcript.kept_audio.unwrap();
        assert_eq!(keeper.trouble(), None);
        drop(keeper);
        let reader = hound::WavReader::open(place.path().join(name)).unwrap();
        assert_eq!(reader.duration(), 1600);
    }

    #[test]
    fn a_folder_that_takes_nothing_is_told() {
        let keeper = Keeper::start().unwrap();
        let mut recogniser = keeper.wrap(Box::new(|| Ok(Box::new(Parrot))))().unwrap();
        let mut transcript = recogniser.recognise(&[0.5; 1600]).unwrap();
        keeper.keep(PathBuf::from("/no/such/record"), 12_000, &mut transcript);
        let failed = keeper.failed.clone();
        drop(keeper);
        assert!(failed.lock().unwrap().is_some());
    }

    #[test]
    fn what_no_record_wants_is_forgotten() {
        let keeper = Keeper::start().unwrap();
        let mut recogniser = keeper.wrap(Box::new(|| Ok(Box::new(Parrot))))().unwrap();
        (0..100).for_each(|_| drop(recogniser.recognise(&[0.5; 16]).unwrap()));
        assert!(lock(&keeper.waiting).sounds.len() <= WAITING);
    }
}
