//! The engine within the child process: whisper.cpp encodes, the decoding loop is ours. No callbacks, no `unsafe`.

use std::collections::HashSet;
use std::ops::Range;
use std::path::Path as FilePath;

use anyhow::{Context, Result, anyhow};
use whisper_rs::{FullParams, SamplingStrategy, WhisperContext, WhisperContextParameters, WhisperState};

use super::Options;
use super::alike::{Alike, Find};
use super::decode::{self, Path, Rules, Steps};
use super::doubt::{self, Number, text_of};
use super::language::bpe::Bpe;
use super::language::{self, Language};
use super::template::{self, Digits, Ear};
use crate::core::utterance::{Transcript, Word};
use crate::shell::model::ggml;
use crate::shell::segment::length_ms;

/// Units of the encoder's window a second of sound; the whole window is 30 s.
const UNITS_A_SECOND: f64 = 50.0;
const WHOLE_WINDOW: i32 = 1500;
/// Units beyond the sound. Guided decoding knows where sentences end; without it small windows loop.
const MARGIN: i32 = 64;
const PLAIN_MARGIN: i32 = 256;
const PLAIN_LEAST: i32 = 768;
/// Most tokens of speech a second, and what is allowed besides: contains a loop.
const TOKENS_A_SECOND: f64 = 6.0;
const TOKENS_BESIDES: f64 = 8.0;
/// whisper.cpp takes nothing shorter than 100 ms; silence is added up to this many samples.
const SHORTEST: usize = 16_000;
/// Weight of the language model's log probability.
const WEIGHT: f32 = 0.6;

/// Below this mean probability of its tokens an utterance is chatter, noise or another language.
const CHATTER: f64 = 0.1;
/// Below this one nothing was said: the words are made up from noise.
const NOISE: f64 = 0.06;

/// Sentences that sound like what was written: so many are weighed, none farther than `FARTHEST` a sound.
const FINDS: usize = 6;
const FARTHEST: f32 = 0.45;
/// A sentence takes the place of what was written if its log probability by the sound alone is worse by no more than
/// `WORSE`, and `WORSE_UNSURE` more for each unit by which the mean token of the best decoding falls short of certainty, and
/// `WORSE_NEAR` more for each unit by which it is nearer than `NEAR` a sound.
/// Without a question only within `WORSE_SURELY`, nearer than `NEAR` a sound and with the same numbers. Chosen on the
/// tuning voices.
const WORSE: f32 = 9.0;
const WORSE_UNSURE: f32 = 6.0;
const WORSE_NEAR: f32 = 20.0;
const WORSE_SURELY: f32 = 5.0;
const NEAR: f32 = 0.3;
/// Other numbers than were written are believed only if the sound itself likes them better, and above this.
const CLEAR: f64 = 0.25;
/// What it is worth, in log probability, that the grammar understands every word.
const UNDERSTOOD: f32 = 5.0;
/// What is asked about may be less likely than what is believed.
const CHATTER_GUESSED: f64 = 0.04;

/// Words that may be the first syllable of the next one: of "unlabored", "irregular".
const JOINS: [&str; 6] = ["a", "an", "and", "in", "on", "are"];
/// Below this probability the opposite of a word is not worth a question.
const LEAST_OPPOSITE: f64 = 0.03;

/// A sentence in the place of what was written.
struct Repaired {
    path: Path,
    /// True when it is to be asked about.
    guessed: bool,
}

pub struct Engine {
    encoded: Encoded,
    rules: Rules,
    vocabulary: Vec<Vec<u8>>,
    bpe: Bpe,
    digits: Digits,
    language: Option<Language>,
}

/// whisper.cpp's state, and which tokens it has been fed.
struct Encoded {
    state: WhisperState,
    threads: usize,
    prompt: Vec<i32>,
    /// Tokens whose keys and values are in the cache, prompt included.
    fed: Vec<i32>,
}

impl Engine {
    /// Loads the model, builds the language model, and runs once so that the first utterance is as quick as the rest.
    ///
    /// # Errors
    /// whisper.cpp refuses the file, or the data files are wrong.
    pub fn open(path: &FilePath, options: &Options) -> Result<Engine> {
        whisper_rs::install_logging_hooks();
        let mut parameters = WhisperContextParameters::new();
        parameters.use_gpu(false);
        let context = WhisperContext::new_with_params(path, parameters)
            .map_err(|e| anyhow!("{}: whisper.cpp cannot load it: {e}", path.display()))?;
        let state = context.create_state().map_err(|e| anyhow!("whisper.cpp has no room for its state: {e}"))?;
        let end = context.token_eot();
        let mut prompt = vec![context.token_sot()];
        if context.is_multilingual() {
            prompt.extend([context.token_lang(0), context.token_transcribe()]);
        }
        prompt.push(context.token_not());
        let file = std::fs::File::open(path)?;
        let vocabulary = ggml::read_vocabulary(file).context("the model's vocabulary")?;
        let bpe = Bpe::new(&vocabulary);
        let language = language::build(options, &vocabulary, &bpe, end)?;
        let unspoken = vocabulary.iter().take(end as usize).map(|bytes| is_unspoken(bytes)).collect();
        let cores = std::thread::available_parallelism().map_or(1, usize::from);
        let encoded = Encoded { state, threads: cores.saturating_sub(1).max(1), prompt, fed: Vec::new() };
        let rules = Rules { end, unspoken, weight: WEIGHT };
        let digits = Digits::new(&vocabulary, end);
        let mut engine = Engine { encoded, rules, vocabulary, bpe, digits, language };
        engine.hear(&vec![0.0; SHORTEST])?;
        Ok(engine)
    }

    /// What is said in `samples`.
    ///
    /// # Errors
    /// whisper.cpp fails.
    pub fn hear(&mut self, samples: &[f32]) -> Result<Transcript> {
        let audio_ms = length_ms(samples);
        self.encoded.encode(samples, self.language.is_some())?;
        let budget = (audio_ms as f64 / 1000.0 * TOKENS_A_SECOND + TOKENS_BESIDES) as usize;
        let guide = self.language.as_ref().map(|language| &language.model);
        let mut path = decode::greedy(&mut self.encoded, &self.rules, guide, &[], budget)?;
        let mut free = self.free(&path, budget)?;
        let mut guessed = false;
        let repaired = self.repaired(&path, free.as_ref())?;
        if let Some(repaired) = repaired {
            free = Some(std::mem::replace(&mut path, repaired.path));
            guessed = repaired.guessed;
        }
        let numbers = doubt::numbers(&mut self.encoded, &self.rules, &self.vocabulary, &self.bpe, &path.tokens)?;
        let opposites = self.opposites(&path)?;
        let mut transcript = self.transcript(&path, free.as_ref(), &numbers, audio_ms, guessed);
        for (at, opposite) in opposites {
            if let Some(word) = transcript.words.get_mut(at) {
                word.rivals.push(opposite);
            }
        }
        Ok(transcript)
    }

    /// What the sound alone says, where that departs from the guided decoding.
    fn free(&mut self, path: &Path, budget: usize) -> Result<Option<Path>> {
        let Some((at, token)) = path.departure else { return Ok(None) };
        let mut begin = path.tokens[..at].to_vec();
        let mut scores = path.scores[..at].to_vec();
        if token != self.rules.end {
            begin.push(token);
        }
        scores.extend(decode::score(&mut self.encoded, &self.rules, &[&path.tokens[..at], &[token]].concat(), at)?);
        if token == self.rules.end {
            return Ok(Some(Path { tokens: begin, scores, ended: true, departure: None }));
        }
        let mut free = decode::greedy(&mut self.encoded, &self.rules, None, &begin, budget)?;
        scores.append(&mut free.scores);
        free.scores = scores;
        Ok(Some(free))
    }

    /// Another decoding in the place of the guided one, where that was not understood or the sound alone had other
    /// numbers: the free one, or one of the grammar's sentences that sound alike, whichever sound and language
    /// together hold likeliest.
    fn repaired(&mut self, path: &Path, free: Option<&Path>) -> Result<Option<Repaired>> {
        let Some(language) = &self.language else { return Ok(None) };
        let text = |path: &Path| text_of(&self.vocabulary, &path.tokens);
        let values = |path: &Path| doubt::values(&self.vocabulary, &path.tokens);
        let understood = language.understands(&text(path));
        if understood && free.is_none_or(|free| values(free) == values(path)) {
            return Ok(None);
        }
        let merit = |path: &Path, understood: bool| {
            let bonus = if understood { UNDERSTOOD } else { 0.0 };
            path.sum() + WEIGHT * language.model.log_probability(&path.tokens) + bonus
        };
        let sources: Vec<&Path> = free.into_iter().chain([path]).collect();
        let written: Vec<Vec<String>> = sources.iter().map(|path| values(path)).collect();
        let clearest = sources.iter().max_by(|a, b| a.sum().total_cmp(&b.sum())).unwrap_or(&path);
        let heard = clearest.sum();
        let allowed = heard - WORSE + WORSE_UNSURE * clearest.mean();
        let mut best = (merit(path, understood), None);
        if let Some(free) = free.filter(|free| language.understands(&text(free))) {
            let merit = merit(free, true);
            if merit > best.0 {
                best = (merit, Some(Repaired { path: free.clone(), guessed: false }));
            }
        }
        let ear = Ear { rules: &self.rules, digits: &self.digits, bpe: &self.bpe, model: &language.model };
        for find in finds(&language.alike, sources.iter().map(|path| text(path))) {
            let closer = WORSE_NEAR * (NEAR - find.cost).max(0.0);
            let bound = (allowed - closer).max(best.0 - UNDERSTOOD);
            let filled = template::filled(&mut self.encoded, &ear, &find.text, bound)?;
            let Some(found) = filled.filter(|found| language.understands(&text(found))) else { continue };
            let merit = merit(&found, true);
            let same = written.contains(&values(&found));
            let least = if same { CHATTER_GUESSED } else { CHATTER };
            if merit > best.0 && likelihood(&found) >= least {
                let near = find.cost < NEAR && same && found.sum() > heard - WORSE_SURELY;
                let best_by_sound = found.sum() > heard && likelihood(&found) >= CLEAR;
                let sure = best_by_sound || near && likelihood(&found) >= CHATTER;
                best = (merit, Some(Repaired { path: found, guessed: !sure }));
            }
        }
        Ok(best.1)
    }

    /// Words whose opposite sounds nearly the same, where the sound itself leaves room for it: the word's place among the
    /// words, the opposite and its probability.
    fn opposites(&mut self, path: &Path) -> Result<Vec<(usize, (String, f64))>> {
        let Some(language) = &self.language else { return Ok(Vec::new()) };
        let mut found = Vec::new();
        let ranges = self.word_ranges(path);
        for (at, range) in ranges.iter().enumerate() {
            let before = at.checked_sub(1).and_then(|at| ranges.get(at));
            let text = |tokens: &[i32]| text_of(&self.vocabulary, tokens);
            let bare = text(&path.tokens[range.clone()]).trim().trim_end_matches([',', '.']).to_string();
            let Some(opposite) = language.grammar.lexicon().opposite(&bare.to_lowercase()) else { continue };
            let letters = |t: &i32| text(&[*t]).chars().any(char::is_alphanumeric);
            let to = range.start + path.tokens[range.clone()].iter().take_while(|t| letters(t)).count();
            // "8 and labored" may be "8, unlabored": the first syllable as a word of its own.
            let joins = before.is_some_and(|before: &Range<usize>| {
                JOINS.contains(&text(&path.tokens[before.clone()]).trim().to_lowercase().as_str())
            });
            let from = before.filter(|_| joins).map_or(range.start, |before| before.start);
            let other = self.bpe.encode(&format!(" {opposite}"));
            let mut sum = |begin: &[i32], middle: &[i32]| -> Result<f32> {
                let tokens = [begin, middle, &path.tokens[to..], &[self.rules.end]].concat();
                Ok(decode::score(&mut self.encoded, &self.rules, &tokens, from)?.iter().sum())
            };
            let own = sum(&path.tokens[..to], &[])?;
            let rival = sum(&path.tokens[..range.start], &other)?.max(sum(&path.tokens[..from], &other)?);
            let probability = 1.0 / (1.0 + f64::from(own - rival).exp());
            if probability >= LEAST_OPPOSITE {
                found.push((at, (opposite.to_string(), probability)));
            }
        }
        Ok(found)
    }

    fn transcript(
        &self,
        path: &Path,
        free: Option<&Path>,
        numbers: &[Number],
        audio_ms: u64,
        guessed: bool,
    ) -> Transcript {
        if likelihood(path) < NOISE && !guessed {
            return Transcript { confidence: likelihood(path), audio_ms, chatter: true, ..Transcript::default() };
        }
        let words = self.words(path, numbers);
        let text = words.iter().map(|w| w.text.as_str()).collect::<Vec<_>>().join(" ");
        // The free decoding counts as a rival where its numbers are others; other words it may spell as it likes.
        let values = |path: &Path| doubt::values(&self.vocabulary, &path.tokens);
        let rivals = free
            .filter(|free| values(free) != values(path))
            .map(|free| (text_of(&self.vocabulary, &free.tokens).trim().to_string(), likelihood(free)));
        Transcript {
            text,
            confidence: likelihood(path),
            words,
            audio_ms,
            chatter: likelihood(path) < CHATTER && !guessed,
            rivals: rivals.into_iter().collect(),
            guessed,
            ..Transcript::default()
        }
    }

    /// Gathers tokens into words. A word is as sure as its least sure token, a number as its rivals leave it.
    fn words(&self, path: &Path, numbers: &[Number]) -> Vec<Word> {
        let least = |range: &Range<usize>| {
            let scores = path.scores.get(range.clone()).unwrap_or_default();
            scores.iter().map(|score| f64::from(score.exp())).fold(1.0, f64::min)
        };
        let ranges = self.word_ranges(path).into_iter();
        ranges.map(|range| self.word(path, range.clone(), least(&range), numbers)).collect()
    }

    /// The tokens of each word.
    fn word_ranges(&self, path: &Path) -> Vec<Range<usize>> {
        let mut words: Vec<Range<usize>> = Vec::new();
        for (at, token) in path.tokens.iter().enumerate() {
            let spaced = self.vocabulary.get(*token as usize).is_some_and(|b| b.starts_with(b" "))
                || self.is_point_of_number(path, at);
            match words.last_mut() {
                Some(range) if !spaced => range.end = at + 1,
                _ => words.push(at..at + 1),
            }
        }
        words
    }

    /// The point of `nitroglycerin.4`: what the engine glued to the word before is a number of its own.
    fn is_point_of_number(&self, path: &Path, at: usize) -> bool {
        let text = |at: usize| path.tokens.get(at).map_or(String::new(), |t| text_of(&self.vocabulary, &[*t]));
        let before = at.checked_sub(1).map(text).unwrap_or_default();
        text(at) == "."
            && before.ends_with(|c: char| c.is_alphabetic())
            && text(at + 1).starts_with(|c: char| c.is_ascii_digit())
    }

    fn word(&self, path: &Path, range: Range<usize>, probability: f64, numbers: &[Number]) -> Word {
        let within: Vec<&Number> = numbers.iter().filter(|n| range.contains(&n.from)).collect();
        let written = |instead: Option<(usize, &str)>| {
            let mut text = String::new();
            let mut at = range.start;
            for (i, number) in within.iter().enumerate() {
                text.push_str(&text_of(&self.vocabulary, &path.tokens[at..number.from]));
                let own = text_of(&self.vocabulary, &path.tokens[number.from..number.to.min(range.end)]);
                let spaced = own.starts_with(' ');
                let now = match instead {
                    Some((which, rival)) if which == i => rival,
                    _ if number.settled => number.text.as_str(),
                    _ => own.trim_start(),
                };
                text.push_str(if spaced { " " } else { "" });
                text.push_str(now);
                at = number.to.min(range.end);
            }
            text.push_str(&text_of(&self.vocabulary, &path.tokens[at..range.end]));
            text.trim().to_string()
        };
        let mut word = Word { text: written(None), probability, rivals: Vec::new() };
        for (i, number) in within.iter().enumerate() {
            word.probability = if i == 0 { number.probability } else { word.probability.min(number.probability) };
            word.rivals.extend(number.rivals.iter().map(|(rival, p)| (written(Some((i, rival))), *p)));
        }
        word.rivals.sort_by(|a, b| b.1.total_cmp(&a.1));
        word
    }
}

impl Encoded {
    /// Sets the window by the length and encodes: `full` with a single token is the safe call that does both.
    fn encode(&mut self, samples: &[f32], guided: bool) -> Result<()> {
        let mut padded = samples.to_vec();
        if padded.len() < SHORTEST {
            padded.resize(SHORTEST, 0.0);
        }
        let units = (padded.len() as f64 / 16_000.0 * UNITS_A_SECOND) as i32;
        let (least, margin) = if guided { (0, MARGIN) } else { (PLAIN_LEAST, PLAIN_MARGIN) };
        let window = (units + margin).clamp(least, WHOLE_WINDOW);
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
        self.fed.clear();
        self.state.full(parameters, &padded).map_err(|e| anyhow!("whisper.cpp cannot encode: {e}"))?;
        Ok(())
    }
}

impl Steps for Encoded {
    /// What is in the cache already is not fed again, but the last token always is, and by itself: whisper.cpp gives the
    /// logits of the first of a batch only.
    fn after(&mut self, tokens: &[i32]) -> Result<&[f32]> {
        let wanted: Vec<i32> = self.prompt.iter().chain(tokens).copied().collect();
        let common = self.fed.iter().zip(&wanted).take_while(|(a, b)| a == b).count().min(wanted.len() - 1);
        let last = wanted.len() - 1;
        for range in [common..last, last..wanted.len()].into_iter().filter(|range| !range.is_empty()) {
            self.state
                .decode(&wanted[range.clone()], range.start, self.threads)
                .map_err(|e| anyhow!("whisper.cpp cannot decode: {e}"))?;
        }
        self.fed = wanted;
        self.state.get_logits().map_err(|e| anyhow!("whisper.cpp has no result: {e}"))
    }
}

/// Tokens for music, noises and stage directions.
fn is_unspoken(bytes: &[u8]) -> bool {
    let text = String::from_utf8_lossy(bytes);
    text.trim_start()
        .starts_with(['[', '(', '{', '<', '*', '#', '_', '~', '^', '@', '|', '>', '\u{266a}', '\u{fffd}', '"'])
}

/// The grammar's sentences nearest to any of what was written, the nearest first.
fn finds(alike: &Alike, written: impl Iterator<Item = String>) -> Vec<Find> {
    let mut finds: Vec<Find> = written.flat_map(|text| alike.find(&text, FINDS, FARTHEST)).collect();
    finds.sort_by(|a, b| a.cost.total_cmp(&b.cost));
    let mut seen = HashSet::new();
    finds.retain(|find| seen.insert(find.text.clone()));
    finds.truncate(FINDS);
    finds
}

/// Geometric mean of the tokens' probabilities, by the sound alone; 0 where there is none.
fn likelihood(path: &Path) -> f64 {
    f64::from(path.mean().exp())
}
