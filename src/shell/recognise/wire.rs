//! What passes between the program and its recogniser process.
//!
//! To the child: u32 count (its highest bit: only to be looked through for what silences us), then that many f32 samples, little
//! endian. From the child: one JSON line when it is ready,
//! then one a request.

use std::io::{self, BufRead, Read, Write};

use anyhow::{Context, Result, bail};
use serde::{Deserialize, Serialize};

use crate::core::utterance::{Transcript, Word};

/// Ten minutes: no request is longer.
const MOST_SAMPLES: u32 = 16_000 * 600;
/// The bit of the count that asks for a look.
const LOOK: u32 = 1 << 31;

/// Sound for the child.
pub struct Request {
    pub samples: Vec<f32>,
    /// True where it is only looked through for what silences us.
    pub look: bool,
}

/// One line from the child.
#[derive(Debug, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Reply {
    /// The model is loaded and warm.
    Ready,
    Heard(Heard),
    /// It cannot go on; the process ends.
    Failed(String),
}

/// A transcript as it is written.
#[derive(Debug, Default, Serialize, Deserialize)]
pub struct Heard {
    pub text: String,
    pub confidence: f64,
    pub words: Vec<HeardWord>,
    pub audio_ms: u64,
    pub rivals: Vec<(String, f64)>,
    pub chatter: bool,
    #[serde(default)]
    pub guessed: bool,
}

#[derive(Debug, Default, Serialize, Deserialize)]
pub struct HeardWord {
    pub text: String,
    pub probability: f64,
    pub rivals: Vec<(String, f64)>,
}

impl From<Transcript> for Heard {
    fn from(t: Transcript) -> Heard {
        let words = t.words.into_iter();
        let words = words.map(|w| HeardWord { text: w.text, probability: w.probability, rivals: w.rivals }).collect();
        Heard {
            text: t.text,
            confidence: t.confidence,
            words,
            audio_ms: t.audio_ms,
            rivals: t.rivals,
            chatter: t.chatter,
            guessed: t.guessed,
        }
    }
}

impl From<Heard> for Transcript {
    fn from(h: Heard) -> Transcript {
        let words = h.words.into_iter();
        let words = words.map(|w| Word { text: w.text, probability: w.probability, rivals: w.rivals }).collect();
        Transcript {
            text: h.text,
            confidence: h.confidence,
            words,
            audio_ms: h.audio_ms,
            rivals: h.rivals,
            chatter: h.chatter,
            guessed: h.guessed,
            ..Transcript::default()
        }
    }
}

/// Writes one request.
///
/// # Errors
/// The pipe is broken.
pub fn ask(out: &mut impl Write, request: &Request) -> io::Result<()> {
    let samples = &request.samples[..request.samples.len().min(MOST_SAMPLES as usize)];
    let look = if request.look { LOOK } else { 0 };
    let mut bytes = Vec::with_capacity(4 + samples.len() * 4);
    bytes.extend((samples.len() as u32 | look).to_le_bytes());
    bytes.extend(samples.iter().flat_map(|s| s.to_le_bytes()));
    out.write_all(&bytes)?;
    out.flush()
}

/// Reads one request; `None` at the end of the stream.
fn asked(input: &mut impl Read) -> Result<Option<Request>> {
    let mut count = [0; 4];
    match input.read_exact(&mut count) {
        Err(error) if error.kind() == io::ErrorKind::UnexpectedEof => return Ok(None),
        other => other?,
    }
    let count = u32::from_le_bytes(count);
    let (count, look) = (count & !LOOK, count & LOOK != 0);
    if count > MOST_SAMPLES {
        bail!("a request of {count} samples is too long");
    }
    let mut bytes = vec![0; count as usize * 4];
    input.read_exact(&mut bytes).context("a request ends early")?;
    let samples = bytes.chunks_exact(4).map(|b| f32::from_le_bytes([b[0], b[1], b[2], b[3]])).collect();
    Ok(Some(Request { samples, look }))
}

fn tell(reply: &Reply) -> Result<()> {
    let mut out = io::stdout().lock();
    serde_json::to_writer(&mut out, reply)?;
    out.write_all(b"\n")?;
    Ok(out.flush()?)
}

/// The child's loop around an engine.
///
/// # Errors
/// A pipe breaks. An engine's failure is told to the parent instead.
pub fn serve<E>(open: impl FnOnce() -> Result<E>, hear: impl Fn(&mut E, &Request) -> Result<Transcript>) -> Result<()> {
    let mut engine = match open() {
        Ok(engine) => engine,
        Err(error) => return tell(&Reply::Failed(format!("{error:#}"))),
    };
    tell(&Reply::Ready)?;
    let mut input = io::BufReader::new(io::stdin().lock());
    while let Some(request) = asked(&mut input)? {
        match hear(&mut engine, &request) {
            Ok(transcript) => tell(&Reply::Heard(transcript.into()))?,
            Err(error) => return tell(&Reply::Failed(format!("{error:#}"))),
        }
    }
    Ok(())
}

/// Reads one reply; `None` when the child has closed its end.
///
/// # Errors
/// The pipe is broken or the line is none of ours.
pub fn reply(input: &mut impl BufRead) -> Result<Option<Reply>> {
    let mut line = String::new();
    if input.read_line(&mut line)? == 0 {
        return Ok(None);
    }
    Ok(Some(serde_json::from_str(&line).with_context(|| format!("unreadable reply `{}`", line.trim()))?))
}
