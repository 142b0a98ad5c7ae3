//! The engine within the child process: whisper.cpp encodes, the decoding loop is ours. No callbacks, no `unsafe`.

use std::path::Path;

use anyhow::{Context, Result, anyhow, bail};
use whisper_rs::{FullParams, SamplingStrategy, WhisperContext, WhisperContextParameters, WhisperState};

use super::Options;
use crate::core::utterance::{Transcript, Word};
use crate::shell::segment::length_ms;

/// Units of the encoder's window a second of sound; the whole window is 30 s.
const UNITS_A_SECOND: f64 = 50.0;
const WHOLE_WINDOW: i32 = 1500;
/// Most tokens of speech a second, and what is allowed besides: contains a loop.
const TOKENS_A_SECOND: f64 = 6.0;
const TOKENS_BESIDES: f64 = 8.0;
/// whisper.cpp takes nothing shorter than 100 ms; silence is added up to this many samples.
const SHORTEST: usize = 8_000;

pub struct Engine {
    state: WhisperState,
    special: Special,
    vocabulary: Vec<Vec<u8>>,
    threads: usize,
}

/// Numbers of the tokens that are no text.
struct Special {
    /// What every decoding starts with.
    prompt: Vec<i32>,
    end: i32,
}

impl Engine {
    /// Loads the model and runs it once, so that the first utterance is as quick as the rest.
    ///
    /// # Errors
    /// whisper.cpp refuses the file.
    pub fn open(model: &Path, _options: &Options) -> Result<Engine> {
        whisper_rs::install_logging_hooks();
        let mut parameters = WhisperContextParameters::new();
        parameters.use_gpu(false);
        let context = WhisperContext::new_with_params(model, parameters)
            .map_err(|e| anyhow!("{}: whisper.cpp cannot load it: {e}", model.display()))?;
        let state = context.create_state().map_err(|e| anyhow!("whisper.cpp has no room for its state: {e}"))?;
        let end = context.token_eot();
        let mut prompt = vec![context.token_sot()];
        if context.is_multilingual() {
            prompt.extend([context.token_lang(0), context.token_transcribe()]);
        }
        prompt.push(context.token_not());
        let file = std::fs::File::open(model)?;
        let vocabulary = crate::shell::model::ggml::read_vocabulary(file).context("the model's vocabulary")?;
        let cores = std::thread::available_parallelism().map_or(1, usize::from);
        let mut engine =
            Engine { state, special: Special { prompt, end }, vocabulary, threads: cores.saturating_sub(1).max(1) };
        engine.hear(&vec![0.0; SHORTEST])?;
        Ok(engine)
    }

    /// What is said in `samples`.
    ///
    /// # Errors
    /// whisper.cpp fails.
    pub fn hear(&mut self, samples: &[f32]) -> Result<Transcript> {
        let audio_ms = length_ms(samples);
        self.encode(samples)?;
        let tokens = self.decode(audio_ms)?;
        let words = self.words(&tokens);
        let text = words.iter().map(|w| w.text.as_str()).collect::<Vec<_>>().join(" ");
        let confidence = mean_probability(&tokens);
        Ok(Transcript { text, confidence, words, audio_ms, ..Transcript::default() })
    }

    /// Sets the window by the length and encodes: `full` with a single token is the safe call that does both.
    fn encode(&mut self, samples: &[f32]) -> Result<()> {
        let mut padded = samples.to_vec();
        if padded.len() < SHORTEST {
            padded.resize(SHORTEST, 0.0);
        }
        let seconds = padded.len() as f64 / 16_000.0;
        let window = ((seconds * UNITS_A_SECOND) as i32 + 256).clamp(768, WHOLE_WINDOW);
        let mut parameters = FullParams::new(SamplingStrategy::Greedy { best_of: 1 });
        parameters.set_n_threads(self.threads as i32);
        parameters.set_audio_ctx(window);
        parameters.set_max_tokens(1);
        parameters.set_single_segment(true);
        parameters.set_no_timestamps(true);
        parameters.set_no_context(true);
        parameters.set_temperature_inc(0.0);
        parameters.set_print_progress(false);
        parameters.set_print_realtime(false);
        parameters.set_print_special(false);
        parameters.set_print_timestamps(false);
        self.state.full(parameters, &padded).map_err(|e| anyhow!("whisper.cpp cannot encode: {e}"))?;
        Ok(())
    }

    /// The likeliest token each time, until the end or the budget.
    fn decode(&mut self, audio_ms: u64) -> Result<Vec<Scored>> {
        let budget = (audio_ms as f64 / 1000.0 * TOKENS_A_SECOND + TOKENS_BESIDES) as usize;
        let mut past = 0;
        for token in self.special.prompt.clone() {
            self.step(token, &mut past)?;
        }
        let mut tokens = Vec::new();
        while tokens.len() < budget {
            let next = self.likeliest(tokens.is_empty())?;
            if next.id == self.special.end {
                break;
            }
            tokens.push(next);
            self.step(next.id, &mut past)?;
        }
        Ok(tokens)
    }

    fn step(&mut self, token: i32, past: &mut usize) -> Result<()> {
        self.state.decode(&[token], *past, self.threads).map_err(|e| anyhow!("whisper.cpp cannot decode: {e}"))?;
        *past += 1;
        Ok(())
    }

    fn likeliest(&self, first: bool) -> Result<Scored> {
        let logits = self.state.get_logits().map_err(|e| anyhow!("whisper.cpp has no result: {e}"))?;
        let end = usize::try_from(self.special.end)?;
        let text = logits.get(..end).context("the vocabulary is short")?;
        let mut best = Scored { id: -1, log_probability: f32::NEG_INFINITY };
        for (id, logit) in text.iter().enumerate() {
            if *logit > best.log_probability {
                best = Scored { id: id as i32, log_probability: *logit };
            }
        }
        if !first && logits[end] > best.log_probability {
            best = Scored { id: self.special.end, log_probability: logits[end] };
        }
        if best.id < 0 {
            bail!("whisper.cpp gave no number");
        }
        let top = logits[..=end].iter().copied().fold(f32::NEG_INFINITY, f32::max);
        let sum: f32 = logits[..=end].iter().map(|l| (l - top).exp()).sum();
        best.log_probability -= top + sum.ln();
        Ok(best)
    }

    /// Gathers tokens into words; a word is as sure as its least sure token.
    fn words(&self, tokens: &[Scored]) -> Vec<Word> {
        let mut words: Vec<(Vec<u8>, f64)> = Vec::new();
        for token in tokens {
            let bytes = self.vocabulary.get(token.id as usize).map_or(&[][..], Vec::as_slice);
            let probability = f64::from(token.log_probability.exp());
            match words.last_mut() {
                Some((word, least)) if !bytes.starts_with(b" ") => {
                    word.extend(bytes);
                    *least = least.min(probability);
                }
                _ => words.push((bytes.to_vec(), probability)),
            }
        }
        let text = |bytes: Vec<u8>| String::from_utf8_lossy(&bytes).trim().to_string();
        words
            .into_iter()
            .map(|(bytes, probability)| Word { text: text(bytes), probability, rivals: Vec::new() })
            .filter(|word| !word.text.is_empty())
            .collect()
    }
}

#[derive(Clone, Copy)]
struct Scored {
    id: i32,
    log_probability: f32,
}

/// Geometric mean of the tokens' probabilities; 0 where there is none.
fn mean_probability(tokens: &[Scored]) -> f64 {
    if tokens.is_empty() {
        return 0.0;
    }
    let sum: f64 = tokens.iter().map(|t| f64::from(t.log_probability)).sum();
    (sum / tokens.len() as f64).exp()
}
