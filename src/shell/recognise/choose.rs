//! Which of several decodings of one sound is believed, and which stay its rivals.

use std::collections::HashSet;

use anyhow::Result;

use super::alike::{Alike, Find};
use super::beam::{self, A_TOKEN, Found, Guide};
use super::decode::{Path, repeats};
use super::doubt::{self, text_of};
use super::engine::{CHATTER, Engine, Length, NOISE, WEIGHT, beside, likelihood};
use super::language::Language;
use super::template::{self, Ear};

/// Sentences that sound like what was written: so many are weighed, none farther than `FARTHEST` a sound.
const FINDS: usize = 6;
const FARTHEST: f32 = 0.45;
/// The same of sentences with a name in the place of words that sound like it.
const NAMES: usize = 4;
const FARTHEST_NAME: f32 = 0.4;
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
/// A sentence of nearly the same sounds ("Unseen" for "on scene") may be less likely still, and worse by `WORSE_SAME`
/// more; that is worth `UNDERSTOOD_SAME`. Of 58 utterances of the samples and 151 of the tuning voices 3 and 4 more came out
/// right by these and the likelier numbers below, none wrong; 8 for both was no better.
const SAME_SOUNDS: f32 = 0.1;
const CHATTER_SAME: f64 = 0.02;
const WORSE_SAME: f32 = 4.0;
const UNDERSTOOD_SAME: f32 = 4.0;
/// A decoding of the search is believed without a question if the sound likes it best, above `CLEAR`, or if it has the
/// numbers that were written and is worse than the best by no more than this.
const WORSE_SEARCHED: f32 = 2.5;
/// Letters by which another decoding must go on beyond one for that to count as cut off.
const MORE: usize = 5;
/// Below this probability beside what is believed, another decoding is no rival.
const LEAST_RIVAL: f64 = 0.06;

/// What is believed.
pub struct Chosen {
    pub path: Path,
    /// True if the grammar understands every word of it.
    pub understood: bool,
    /// True when it is to be asked about.
    pub guessed: bool,
    /// Other decodings that mean something, with their probabilities.
    pub rivals: Vec<(String, f64)>,
}

/// A decoding, and whether the grammar understands every word of it.
struct Reading {
    path: Path,
    understood: bool,
}

struct Candidate {
    reading: Reading,
    /// By sound, language and pace, and for being understood.
    merit: f32,
    /// False for a noise ("(static)") or a loop.
    words: bool,
    /// True when it is not to be believed without a question.
    guessed: bool,
}

impl Engine {
    /// The guided decoding, or another in its place where that was not understood, stopped before the sound did, is much
    /// too short for it, or the sound alone had other numbers: the free one, one of several searched for together, or one
    /// of the grammar's sentences, whichever sound, language and pace together hold likeliest.
    ///
    /// # Errors
    /// The engine fails.
    pub(super) fn chosen(&mut self, path: Path, free: Option<Path>, length: &Length) -> Result<Chosen> {
        let Some(language) = &self.language else {
            let rivals = free.iter().map(|free| (self.text(free), likelihood(free))).collect();
            return Ok(Chosen { path, understood: false, guessed: false, rivals });
        };
        let guided = self.reading(language, path);
        let free = free.map(|free| self.reading(language, free));
        let cut = free.as_ref().is_some_and(|free| self.goes_on(&guided.path, &free.path));
        let same = free.as_ref().is_none_or(|free| self.values(&free.path) == self.values(&guided.path));
        let lost = length.pace.lost(&self.text(&guided.path));
        let settled = guided.understood && same && !cut && !lost;
        let (chosen, guessed, others) = if settled {
            (guided, false, free.into_iter().collect())
        } else {
            self.likeliest_of(guided, free, length)?
        };
        let rivals = others.iter().filter_map(|other| self.rival(&chosen.path, other)).collect();
        let Reading { path, understood } = chosen;
        // What makes sense and is no clearer than chatter is asked about, not thrown away.
        let faint = understood && (NOISE..CHATTER).contains(&likelihood(&path));
        Ok(Chosen { path, understood, guessed: guessed || faint, rivals })
    }

    /// The likeliest, whether it is to be asked about, and the others.
    fn likeliest_of(
        &mut self,
        guided: Reading,
        free: Option<Reading>,
        length: &Length,
    ) -> Result<(Reading, bool, Vec<Reading>)> {
        let Some(language) = &self.language else { return Ok((guided, false, Vec::new())) };
        let weigh = |reading: Reading| {
            let merit = self.merit(language, &reading, length);
            Candidate { words: self.is_speech(&reading.path), reading, merit, guessed: false }
        };
        let mut candidates: Vec<Candidate> = [guided].into_iter().chain(free).map(weigh).collect();
        let searched = self.searched(&candidates, length)?;
        candidates.extend(searched);
        self.add_sentences(&mut candidates, length)?;
        let Candidate { reading: chosen, mut guessed, .. } = candidates.remove(likeliest(&candidates));
        let others: Vec<Reading> = candidates.into_iter().map(|candidate| candidate.reading).collect();
        // What is chatter anyway is not to be asked about.
        if chosen.understood && likelihood(&chosen.path) >= CHATTER {
            guessed |= others.iter().any(|other| !other.understood && self.goes_on(&chosen.path, &other.path));
        }
        Ok((chosen, guessed, others))
    }

    /// Decodings that go other ways than the guided and the free one, several followed at once.
    fn searched(&mut self, written: &[Candidate], length: &Length) -> Result<Vec<Candidate>> {
        let Some(language) = &self.language else { return Ok(Vec::new()) };
        let vocabulary = &self.vocabulary;
        let guide = Guide {
            rules: &self.rules,
            model: &language.model,
            text: &|tokens| text_of(vocabulary, tokens),
            pace: length.pace,
            budget: length.budget,
        };
        let found = beam::search(&mut self.encoded, &guide)?;
        let heard = written.iter().map(|c| c.reading.path.sum()).fold(f32::NEG_INFINITY, f32::max);
        let numbers: Vec<Vec<String>> = written.iter().map(|c| self.values(&c.reading.path)).collect();
        let candidate = |Found { path, merit }: Found| {
            let best = path.sum() > heard;
            let near = path.sum() > heard - WORSE_SEARCHED && numbers.contains(&self.values(&path));
            let guessed = !(best || near) || likelihood(&path) < CLEAR;
            let reading = self.reading(language, path);
            Candidate { merit: merit + sense(&reading), reading, words: true, guessed }
        };
        let new = |found: &Found| written.iter().all(|c| c.reading.path.tokens != found.path.tokens);
        Ok(found.into_iter().filter(new).map(candidate).collect())
    }

    /// Adds the grammar's sentences that sound like what was written, and that the sound does not rule out.
    fn add_sentences(&mut self, candidates: &mut Vec<Candidate>, length: &Length) -> Result<()> {
        let Some(language) = &self.language else { return Ok(()) };
        let written: Vec<Vec<String>> = candidates.iter().map(|c| self.values(&c.reading.path)).collect();
        let texts: Vec<String> = candidates.iter().map(|c| self.text(&c.reading.path)).collect();
        let clearest = candidates.iter().map(|c| &c.reading.path).max_by(|a, b| a.sum().total_cmp(&b.sum()));
        let Some((heard, mean)) = clearest.map(|path| (path.sum(), path.mean())) else { return Ok(()) };
        let guided = candidates.first().map_or(f32::NEG_INFINITY, |c| c.reading.path.sum());
        let allowed = heard - WORSE + WORSE_UNSURE * mean;
        let ear = Ear { rules: &self.rules, digits: &self.digits, bpe: &self.bpe, model: &language.model };
        let mut finds = finds(&language.alike, &texts);
        finds.extend(self.names_in(language, candidates));
        for find in finds {
            let (further, bonus) = if find.cost <= SAME_SOUNDS { (WORSE_SAME, UNDERSTOOD_SAME) } else { (0.0, 0.0) };
            let closer = WORSE_NEAR * (NEAR - find.cost).max(0.0) + further;
            let best = candidates.get(likeliest(candidates)).map_or(f32::NEG_INFINITY, |c| c.merit);
            let tokens = A_TOKEN * self.bpe.encode(&find.text).len() as f32;
            let bound = (allowed - closer).max(best - UNDERSTOOD - bonus - tokens);
            let Some(found) = template::filled(&mut self.encoded, &ear, &find.text, find.numbers, bound)? else {
                continue;
            };
            let same = written.contains(&self.values(&found));
            // Where no number was written there is none that this one contradicts.
            let contradicts = !same && written.iter().any(|values| !values.is_empty());
            let likelier = found.sum() > guided;
            let least = match contradicts {
                false if find.cost <= SAME_SOUNDS => CHATTER_SAME,
                true if !likelier => CHATTER,
                _ => CHATTER_GUESSED,
            };
            if likelihood(&found) < least || !language.understands(&self.text(&found)) {
                continue;
            }
            let near = find.cost < NEAR && same && found.sum() > heard - WORSE_SURELY;
            let best_by_sound = found.sum() > heard && likelihood(&found) >= CLEAR;
            let sure = best_by_sound || near && likelihood(&found) >= CHATTER;
            let reading = Reading { path: found, understood: true };
            let merit = self.merit(language, &reading, length) + bonus;
            candidates.push(Candidate { reading, merit, words: true, guessed: !sure });
        }
        Ok(())
    }

    /// What was written and makes no sense, with a name in the place of words that sound like it.
    fn names_in(&self, language: &Language, candidates: &[Candidate]) -> Vec<Find> {
        let senseless = candidates.iter().filter(|c| !c.reading.understood && c.words);
        let find = |c: &Candidate| {
            let written = self.text(&c.reading.path);
            language.names.find(&written, NAMES, FARTHEST_NAME, |text| language.understands(text))
        };
        // However near, it is not believed for its likeness alone.
        let unsure = |find: Find| Find { cost: find.cost.max(NEAR), ..find };
        nearest(senseless.flat_map(find).map(unsure).collect(), NAMES)
    }

    fn reading(&self, language: &Language, path: Path) -> Reading {
        Reading { understood: language.understands(&self.text(&path)), path }
    }

    /// Another decoding as a rival of the chosen one: where it has other numbers, or is understood and likely beside it.
    /// Whether it means anything else is for the conversation to find.
    fn rival(&self, chosen: &Path, other: &Reading) -> Option<(String, f64)> {
        let beside = beside(other.path.sum(), chosen.sum());
        let other_numbers = self.values(&other.path) != self.values(chosen);
        let probability = if other_numbers { likelihood(&other.path) } else { beside };
        let counts = if other.understood { beside >= LEAST_RIVAL } else { other_numbers };
        counts.then(|| (self.text(&other.path).trim().to_string(), probability))
    }

    /// True if `other` says the same as `path` and then goes on with words that are not in it, and is likelier by the
    /// sound alone. A loop goes on with the same words.
    fn goes_on(&self, path: &Path, other: &Path) -> bool {
        let stem = &path.tokens[..self.words_end(&path.tokens)];
        let Some(beyond) = other.tokens.strip_prefix(stem) else { return false };
        let said = self.text(path).to_lowercase();
        let beyond = text_of(&self.vocabulary, beyond).to_lowercase();
        let mut words = beyond.split(|c: char| !c.is_alphanumeric()).filter(|word| word.len() > 1);
        other.sum() > path.sum() && beyond.len() >= MORE && words.any(|word| !said.contains(word))
    }

    /// False for what is no speech, or goes round in a circle.
    fn is_speech(&self, path: &Path) -> bool {
        let unspoken = |token: &i32| self.rules.unspoken.get(*token as usize).copied().unwrap_or(false);
        let circles = (1..=path.tokens.len()).any(|to| repeats(path.tokens.get(..to).unwrap_or_default()));
        !circles && !path.tokens.iter().any(unspoken)
    }

    /// By sound, language and pace, and for being understood.
    fn merit(&self, language: &Language, reading: &Reading, length: &Length) -> f32 {
        let path = &reading.path;
        let tokens = A_TOKEN * path.tokens.len() as f32;
        let spoken = length.pace.merit(&self.text(path));
        path.sum() + WEIGHT * language.model.log_probability(&path.tokens) + tokens + sense(reading) + spoken
    }

    fn text(&self, path: &Path) -> String {
        text_of(&self.vocabulary, &path.tokens)
    }

    fn values(&self, path: &Path) -> Vec<String> {
        doubt::values(&self.vocabulary, &path.tokens)
    }
}

/// What it is worth whether the grammar understands it.
fn sense(reading: &Reading) -> f32 {
    if reading.understood { UNDERSTOOD } else { 0.0 }
}

/// Place of the candidate with the greatest merit among the first, which is the guided one, and those understood: what
/// means nothing is believed only where nothing makes sense.
fn likeliest(candidates: &[Candidate]) -> usize {
    let better = |best: usize, at: usize| if candidates[at].merit > candidates[best].merit { at } else { best };
    let understood = |at: &usize| candidates[*at].reading.understood;
    let best = (1..candidates.len()).filter(understood).fold(0, better);
    let words = |at: &usize| candidates[*at].words;
    if understood(&best) { best } else { (1..candidates.len()).filter(words).fold(best, better) }
}

/// The grammar's sentences nearest to any of what was written, the nearest first.
fn finds(alike: &Alike, written: &[String]) -> Vec<Find> {
    nearest(written.iter().flat_map(|text| alike.find(text, FINDS, FARTHEST)).collect(), FINDS)
}

/// So many of them, each once, the nearest first.
fn nearest(mut finds: Vec<Find>, most: usize) -> Vec<Find> {
    finds.sort_by(|a, b| a.cost.total_cmp(&b.cost));
    let mut seen = HashSet::new();
    finds.retain(|find| seen.insert(find.text.clone()));
    finds.truncate(most);
    finds
}
