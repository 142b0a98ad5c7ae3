//! The engine within the child process: whisper.cpp encodes, the decoding loop is ours. No callbacks, no `unsafe`.

use std::collections::HashMap;
use std::ops::Range;
use std::path::Path as FilePath;

use anyhow::{Context, Result, anyhow};
use whisper_rs::{FullParams, SamplingStrategy, WhisperContext, WhisperContextParameters, WhisperState};

use super::Options;
use super::choose::Chosen;
use super::decode::{self, Path, Rules, Steps};
use super::doubt::{self, Number, text_of};
use super::language::bpe::Bpe;
use super::language::{self, Language};
use super::pace::Pace;
use super::template::Digits;
use super::wire::Request;
use crate::core::conversation::EVEN;
use crate::core::number_words;
use crate::core::utterance::{Transcript, Word};
use crate::shell::model::{ggml, tuning};
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
/// Beginnings whose logits are kept, at most: some 200 KB each.
const MOST_KNOWN: usize = 128;
/// Weight of the language model's log probability.
pub(super) const WEIGHT: f32 = 0.6;

/// Below this mean probability of its tokens an utterance is chatter, noise or another language.
pub(super) const CHATTER: f64 = 0.1;
/// Below this one nothing was said, and words that make no sense were not said below `CHATTER`: they are made up from noise.
pub(super) const NOISE: f64 = 0.06;

/// With our tuning nothing below this is believed or asked about: trained on crew talk, the model finds crew talk in a
/// telephone's prompts too, but seldom as likely (14 findings in 15 minutes of other people's talk, 12 of them fainter than this;
/// of 382 crew utterances that came out right in noise one).
const FAINTEST_TUNED: f64 = 0.2;

/// More sound a word than this is not speech of a crew. From memory: people say two to three words a second. The screeching
/// of 16 s that it was made for came out as five words and passes all the same.
const MOST_MS_A_WORD: u64 = 1_500;

/// Words that may be the first syllable of the next one: of "unlabored", "irregular".
const JOINS: [&str; 6] = ["a", "an", "and", "in", "on", "are"];
/// Below this probability the opposite of a word is not worth a question: "pupils unequal", heard as "pupils are equal",
/// was down to 1.7 % on the tuning voices.
const LEAST_OPPOSITE: f64 = 0.015;
/// The same for an ending that may be lost.
const LEAST_LONGER: f64 = 0.03;
/// Below this probability beside what was heard nobody silenced us, nor where the sound itself makes "quiet" less likely than
/// the second, a log probability. "Quiet" once into 24 readouts at -6 and -12 dB, idle machine: all had a stretch of sound with so
/// much (the least 0.036, and -6.4); of 42 stretches without it, and near no other word of the crew's, none (the most 0.004, -11.3).
const LEAST_SOUGHT: f64 = 0.02;
const LEAST_SOUGHT_SUM: f32 = -9.0;
/// How the lexicon writes that a number stands before a word.
const NUMBER: &str = "#";

/// How long a sound is.
pub(super) struct Length {
    pub pace: Pace,
    /// Tokens of speech in it, at most.
    pub budget: usize,
}

impl Length {
    fn of(samples: &[f32]) -> Length {
        let audio_ms = length_ms(samples);
        let budget = (audio_ms as f64 / 1000.0 * TOKENS_A_SECOND + TOKENS_BESIDES) as usize;
        Length { pace: Pace::new(audio_ms), budget }
    }
}

pub struct Engine {
    pub(super) encoded: Encoded,
    pub(super) rules: Rules,
    pub(super) vocabulary: Vec<Vec<u8>>,
    pub(super) bpe: Bpe,
    pub(super) digits: Digits,
    pub(super) language: Option<Language>,
    /// Mean probability below which nothing counts as said.
    faintest: f64,
}

/// whisper.cpp's state, and which tokens it has been fed.
pub(super) struct Encoded {
    state: WhisperState,
    threads: usize,
    prompt: Vec<i32>,
    /// Tokens whose keys and values are in the cache, prompt included.
    fed: Vec<i32>,
    /// Logits after the tokens that were asked about before: rivals and sentences begin alike.
    known: HashMap<Vec<i32>, Vec<f32>>,
}

impl Engine {
    /// Loads the model, builds the language model, and runs once so that the first utterance is as quick as the rest.
    ///
    /// # Errors
    /// whisper.cpp refuses the file, or the data files are wrong.
    pub fn open(path: &FilePath, tuned: bool, options: &Options) -> Result<Engine> {
        whisper_rs::install_logging_hooks();
        let context = load(path, tuned)?;
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
        let encoded =
            Encoded { state, threads: cores.saturating_sub(1).max(1), prompt, fed: Vec::new(), known: HashMap::new() };
        let rules = Rules { end, unspoken, weight: WEIGHT };
        let digits = Digits::new(&vocabulary, end);
        let faintest = if tuned { FAINTEST_TUNED } else { 0.0 };
        let mut engine = Engine { encoded, rules, vocabulary, bpe, digits, language, faintest };
        engine.hear(&vec![0.0; SHORTEST])?;
        Ok(engine)
    }

    /// What is said in `samples`.
    ///
    /// # Errors
    /// whisper.cpp fails.
    pub fn hear(&mut self, samples: &[f32]) -> Result<Transcript> {
        let length = Length::of(samples);
        let (path, free) = self.decoded(samples, &length)?;
        let chosen = self.chosen(path, free, &length)?;
        let tokens = &chosen.path.tokens;
        let numbers = doubt::numbers(&mut self.encoded, &self.rules, &self.vocabulary, &self.bpe, tokens)?;
        let opposites = self.opposites(&chosen.path)?;
        let longer = self.longer(&chosen.path)?;
        let mut transcript = self.transcript(chosen, &numbers, length_ms(samples));
        transcript.rivals.extend(longer);
        for (at, opposite) in opposites {
            if let Some(word) = transcript.words.get_mut(at) {
                word.rivals.push(opposite);
            }
        }
        Ok(transcript)
    }

    /// What is said in a request's sound.
    ///
    /// # Errors
    /// whisper.cpp fails.
    pub fn answer(&mut self, request: &Request) -> Result<Transcript> {
        if request.look { self.look(&request.samples) } else { self.hear(&request.samples) }
    }

    /// What is said in a stretch of sound, as far as guided and free decoding tell, and of what silences us the likeliest, where
    /// the sound leaves room for it.
    fn look(&mut self, samples: &[f32]) -> Result<Transcript> {
        let (path, free) = self.decoded(samples, &Length::of(samples))?;
        let heard = free.iter().map(Path::sum).fold(path.sum(), f32::max);
        let sought = if likelihood(&path) < CHATTER { None } else { self.sought(heard)? };
        let chosen = Chosen { path, understood: true, guessed: false, rivals: Vec::new() };
        let heard = self.transcript(chosen, &[], length_ms(samples));
        Ok(Transcript { rivals: sought.into_iter().collect(), ..heard })
    }

    /// The likeliest of the sentences that silence us, and its probability beside what was `heard` (log probability).
    fn sought(&mut self, heard: f32) -> Result<Option<(String, f64)>> {
        let Some(language) = &self.language else { return Ok(None) };
        let mut best: Option<(String, f32)> = None;
        for sentence in language.grammar.lexicon().sought() {
            let tokens = [self.bpe.encode(&format!(" {sentence}")), vec![self.rules.end]].concat();
            let least =
                best.as_ref().map_or_else(|| least_rival(heard, LEAST_SOUGHT).max(LEAST_SOUGHT_SUM), |(_, sum)| *sum);
            if let Some(sum) = decode::sum_above(&mut self.encoded, &self.rules, &tokens, 0, least)? {
                best = Some((sentence.clone(), sum));
            }
        }
        Ok(best.map(|(sentence, sum)| (sentence, beside(sum, heard))))
    }

    /// The guided decoding, and what the sound alone says where that departs from it.
    fn decoded(&mut self, samples: &[f32], length: &Length) -> Result<(Path, Option<Path>)> {
        self.encoded.encode(samples, self.language.is_some())?;
        let guide = self.language.as_ref().map(|language| &language.model);
        let path = decode::greedy(&mut self.encoded, &self.rules, guide, &[], length.budget)?;
        let free = self.free(&path, length.budget)?;
        Ok((path, free))
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

    /// Words whose opposite sounds nearly the same, where the sound itself leaves room for it: the word's place among the
    /// words, the opposite and its probability.
    fn opposites(&mut self, path: &Path) -> Result<Vec<(usize, (String, f64))>> {
        let Some(language) = &self.language else { return Ok(Vec::new()) };
        let mut found = Vec::new();
        let ranges = self.word_ranges(path);
        let lexicon = language.grammar.lexicon();
        let bare = |range: &Range<usize>| {
            let text = text_of(&self.vocabulary, &path.tokens[range.clone()]);
            text.trim().trim_end_matches([',', '.']).to_lowercase()
        };
        for (at, range) in ranges.iter().enumerate() {
            let before = at.checked_sub(1).and_then(|at| ranges.get(at));
            let word = bare(range);
            let Some(opposite) = lexicon.opposite(&word) else { continue };
            let word_before = before.map_or(String::new(), bare);
            if lexicon.is_blurred(&word, if is_number(&word_before) { NUMBER } else { &word_before }) {
                found.push((at, (opposite.to_string(), EVEN)));
                continue;
            }
            let to = range.start + path.tokens[range.clone()].iter().take_while(|token| self.is_word(token)).count();
            // "8 and labored" may be "8, unlabored": the first syllable as a word of its own.
            let from =
                before.filter(|_| JOINS.contains(&word_before.as_str())).map_or(range.start, |before| before.start);
            let other = self.bpe.encode(&format!(" {opposite}"));
            let mut sum = |begin: &[i32], middle: &[i32], bound: f32| {
                let tokens = [begin, middle, &path.tokens[to..], &[self.rules.end]].concat();
                decode::sum_above(&mut self.encoded, &self.rules, &tokens, from, bound)
            };
            let own = sum(&path.tokens[..to], &[], f32::NEG_INFINITY)?.unwrap_or(f32::NEG_INFINITY);
            let least = least_rival(own, LEAST_OPPOSITE);
            let apart = sum(&path.tokens[..range.start], &other, least)?;
            let joined = sum(&path.tokens[..from], &other, least)?;
            if let Some(rival) = apart.into_iter().chain(joined).reduce(f32::max) {
                found.push((at, (opposite.to_string(), beside(rival, own))));
            }
        }
        Ok(found)
    }

    /// The sentence with an ending that is easily lost, where it makes sense and the sound itself leaves room for it.
    fn longer(&mut self, path: &Path) -> Result<Vec<(String, f64)>> {
        let Some(language) = &self.language else { return Ok(Vec::new()) };
        let words = self.words_end(&path.tokens);
        let (stem, rest) = path.tokens.split_at(words);
        let text = text_of(&self.vocabulary, stem).trim().to_string();
        let lost = language.grammar.lexicon().lost_endings().iter().filter(|ending| !text.ends_with(ending.as_str()));
        let longer: Vec<(String, &String)> = lost
            .map(|ending| (format!("{text} {ending}"), ending))
            .filter(|(longer, _)| language.understands(longer))
            .collect();
        if longer.is_empty() {
            return Ok(Vec::new());
        }
        let mut sum = |ending: &[i32], bound: f32| {
            let tokens = [stem, ending, rest, &[self.rules.end]].concat();
            decode::sum_above(&mut self.encoded, &self.rules, &tokens, words, bound)
        };
        let own = sum(&[], f32::NEG_INFINITY)?.unwrap_or(f32::NEG_INFINITY);
        let mut found = Vec::new();
        for (longer, ending) in longer {
            let rival = sum(&self.bpe.encode(&format!(" {ending}")), least_rival(own, LEAST_LONGER))?;
            found.extend(rival.map(|rival| (longer, beside(rival, own))));
        }
        Ok(found)
    }

    /// Where the last word of `tokens` ends: behind it stand marks alone.
    pub(super) fn words_end(&self, tokens: &[i32]) -> usize {
        tokens.iter().rposition(|token| self.is_word(token)).map_or(0, |last| last + 1)
    }

    fn is_word(&self, token: &i32) -> bool {
        text_of(&self.vocabulary, &[*token]).chars().any(char::is_alphanumeric)
    }

    fn transcript(&self, chosen: Chosen, numbers: &[Number], audio_ms: u64) -> Transcript {
        let Chosen { path, understood, guessed, rivals } = chosen;
        let confidence = likelihood(&path);
        let least = if understood || self.language.is_none() { NOISE } else { CHATTER };
        if confidence < self.faintest || confidence < least && !guessed {
            return Transcript { confidence, audio_ms, chatter: true, ..Transcript::default() };
        }
        let words = self.words(&path, numbers);
        let text = words.iter().map(|w| w.text.as_str()).collect::<Vec<_>>().join(" ");
        let sparse = audio_ms > MOST_MS_A_WORD * (words.len() as u64 + 1);
        let chatter = confidence < CHATTER && (!guessed || sparse);
        Transcript { text, confidence, words, audio_ms, chatter, rivals, guessed, ..Transcript::default() }
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
        self.known.clear();
        self.state.full(parameters, &padded).map_err(|e| anyhow!("whisper.cpp cannot encode: {e}"))?;
        Ok(())
    }
}

impl Steps for Encoded {
    fn after(&mut self, tokens: &[i32]) -> Result<&[f32]> {
        if !self.known.contains_key(tokens) {
            if self.known.len() >= MOST_KNOWN {
                self.known.clear();
            }
            let logits = self.fresh(tokens)?.to_vec();
            self.known.insert(tokens.to_vec(), logits);
        }
        self.known.get(tokens).map(Vec::as_slice).context("logits are lost")
    }
}

impl Encoded {
    /// What is in the cache already is not fed again, but the last token always is, and by itself: whisper.cpp gives the
    /// logits of the first of a batch only.
    fn fresh(&mut self, tokens: &[i32]) -> Result<&[f32]> {
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

/// The model with our tuning added in memory, or as it is on disk.
fn load(path: &FilePath, tuned: bool) -> Result<WhisperContext> {
    let mut parameters = WhisperContextParameters::new();
    parameters.use_gpu(false);
    let context = if tuned {
        let mut bytes = std::fs::read(path).with_context(|| path.display().to_string())?;
        tuning::add_to_tiny_en(&mut bytes)?;
        WhisperContext::new_from_buffer_with_params(&bytes, parameters)
    } else {
        WhisperContext::new_with_params(path, parameters)
    };
    context.map_err(|e| anyhow!("{}: whisper.cpp cannot load it: {e}", path.display()))
}

/// Tokens for music, noises and stage directions.
fn is_unspoken(bytes: &[u8]) -> bool {
    let text = String::from_utf8_lossy(bytes);
    text.trim_start()
        .starts_with(['[', '(', '{', '<', '*', '#', '_', '~', '^', '@', '|', '>', '\u{266a}', '\u{fffd}', '"'])
}

/// Geometric mean of the tokens' probabilities, by the sound alone; 0 where there is none.
pub(super) fn likelihood(path: &Path) -> f64 {
    f64::from(path.mean().exp())
}

/// Probability of a rival beside what is believed, from the log probabilities of both by the sound alone.
pub(super) fn beside(rival: f32, own: f32) -> f64 {
    1.0 / (1.0 + f64::from(own - rival).exp())
}

/// Log probability from which a rival is worth a question beside what is believed: where its probability is `least`.
fn least_rival(own: f32, least: f64) -> f32 {
    own + (least / (1.0 - least)).ln() as f32
}

fn is_number(word: &str) -> bool {
    word.ends_with(|c: char| c.is_ascii_digit()) || number_words::value(word).is_some()
}
