//! `thirdhand transcribe`: recognition and understanding of sound files, without a record.

use std::path::{Path, PathBuf};

use anyhow::{Result, bail};
use clap::Args;
use serde_json::{Value as Json, json};

use super::parse;
use crate::core::conversation::Conversation;
use crate::core::time::Moment;
use crate::core::utterance::{Transcript, Understood};
use crate::shell::data::DataSet;
use crate::shell::recognise::{self, Options, Recogniser};
use crate::shell::{clock, segment, wav};

/// Writes what is said in sound files and what it means; each file is one utterance
#[derive(Args)]
#[command(after_help = "Example:\n  thirdhand transcribe pulse.wav --json")]
pub struct Transcribe {
    /// WAV files: any rate, 16, 24 or 32-bit, mono or stereo
    #[arg(required = true, value_name = "FILE.wav")]
    files: Vec<PathBuf>,
    /// The speech model (a ggml Whisper file)
    #[arg(long, value_name = "FILE")]
    model: Option<PathBuf>,
    /// JSON Lines on stdout
    #[arg(long)]
    json: bool,
    /// With the published weights alone
    #[arg(long, hide = true)]
    untuned: bool,
    /// Without the domain's language model and our tuning
    #[arg(long, hide = true)]
    plain: bool,
    /// Sentences for the language model instead of the grammar's
    #[arg(long, hide = true)]
    corpus: Option<PathBuf>,
}

impl Transcribe {
    /// # Errors
    /// No model, or at least one file could not be read or heard.
    pub fn run(&self, data: &DataSet) -> Result<()> {
        let grammar = parse::load(data)?;
        let options = Options {
            model: self.model.clone(),
            data: data.local.clone(),
            plain: self.plain,
            untuned: self.untuned,
            corpus: self.corpus.clone(),
            ..Options::default()
        };
        let mut recogniser = recognise::open_with(&options)?;
        let mut failed = 0;
        for file in &self.files {
            match hear(recogniser.as_mut(), file) {
                Ok((transcript, took_ms)) => {
                    let when = Moment::new(0, clock::wall_now());
                    let understood = Conversation::default().hear(&grammar, &transcript, when);
                    self.show(file, &transcript, &understood, took_ms);
                }
                Err(error) => {
                    failed += 1;
                    self.complain(file, &error);
                }
            }
        }
        match failed {
            0 => Ok(()),
            n => bail!("{n} of {} files could not be heard", self.files.len()),
        }
    }

    fn show(&self, file: &Path, transcript: &Transcript, understood: &Understood, took_ms: u64) {
        if self.json {
            println!("{}", line(file, transcript, understood, took_ms));
        } else if self.files.len() == 1 {
            println!("{}", transcript.text);
        } else {
            println!("{}: {}", file.display(), transcript.text);
        }
    }

    fn complain(&self, file: &Path, error: &anyhow::Error) {
        if self.json {
            println!("{}", json!({ "file": file, "error": format!("{error:#}") }));
        }
        eprintln!("thirdhand: {error:#}");
    }
}

fn line(file: &Path, transcript: &Transcript, understood: &Understood, took_ms: u64) -> Json {
    let mut line = json!({
        "file": file,
        "text": transcript.text,
        "confidence": rounded(transcript.confidence),
        "audio_ms": transcript.audio_ms,
        "took_ms": took_ms,
    });
    // What `parse --json` says of the same words, without the words again.
    let said = understood.to_json();
    for (key, value) in said.as_object().into_iter().flatten().filter(|(key, _)| *key != "heard") {
        line[key] = value.clone();
    }
    if std::env::var_os("THIRDHAND_WORDS").is_some() {
        line["words"] = transcript.words.iter().map(|w| json!([w.text, rounded(w.probability), w.rivals])).collect();
        line["rivals"] = json!(transcript.rivals);
    }
    line
}

fn rounded(value: f64) -> f64 {
    (value * 1000.0).round() / 1000.0
}

/// Recognises one file as one utterance: its voiced parts, joined across pauses.
fn hear(recogniser: &mut dyn Recogniser, file: &Path) -> Result<(Transcript, u64)> {
    let recording = wav::read(file)?;
    let began = clock::instant();
    let mut whole = Transcript { audio_ms: recording.duration_ms, ..Transcript::default() };
    let mut parts = Vec::new();
    for segment in segment::all(&recording.samples) {
        parts.push(recogniser.recognise(&segment.samples)?);
    }
    join(&mut whole, parts);
    Ok((whole, u64::try_from(began.elapsed().as_millis()).unwrap_or(u64::MAX)))
}

/// One utterance of several parts: as sure as the mean of its words, chatter if all of it is, asked about if any part is to
/// be. A rival of one part is one of the whole.
fn join(whole: &mut Transcript, parts: Vec<Transcript>) {
    let parts: Vec<Transcript> = parts.into_iter().filter(|p| !p.text.is_empty()).collect();
    let with = |at: usize, text: &str| {
        let texts = parts.iter().enumerate().map(|(i, part)| if i == at { text } else { part.text.as_str() });
        texts.collect::<Vec<_>>().join(" ")
    };
    whole.text = with(parts.len(), "");
    let rivals = |(at, part): (usize, &Transcript)| -> Vec<(String, f64)> {
        part.rivals.iter().map(|(text, probability)| (with(at, text), *probability)).collect()
    };
    whole.rivals = parts.iter().enumerate().flat_map(rivals).collect();
    whole.guessed = parts.iter().any(|p| p.guessed);
    whole.chatter = !parts.is_empty() && parts.iter().all(|p| p.chatter);
    let words: usize = parts.iter().map(|p| p.words.len().max(1)).sum();
    let sum: f64 = parts.iter().map(|p| p.confidence * p.words.len().max(1) as f64).sum();
    whole.confidence = if words == 0 { 0.0 } else { sum / words as f64 };
    whole.words = parts.into_iter().flat_map(|p| p.words).collect();
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_one_part_leaves_open_the_whole_leaves_open() {
        let part = |text: &str, guessed: bool, rivals: &[(&str, f64)]| Transcript {
            text: text.into(),
            guessed,
            rivals: rivals.iter().map(|(text, p)| (text.to_string(), *p)).collect(),
            ..Transcript::default()
        };
        let mut whole = Transcript::default();
        join(&mut whole, vec![part("Pulse 80,", false, &[("Pulse 18,", 0.2)]), part("weak.", true, &[])]);
        assert_eq!(whole.text, "Pulse 80, weak.");
        assert!(whole.guessed);
        assert_eq!(whole.rivals, [("Pulse 18, weak.".to_string(), 0.2)]);
    }
}
