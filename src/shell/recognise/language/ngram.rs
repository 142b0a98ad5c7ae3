//! Interpolated counts of one to four tokens. No number is favoured: a number counts as one of its kind (so many digits,
//! with or without a space before), and a kind's probability is spread evenly over the range seen at that place.

use std::collections::HashMap;

/// Weight of the histories of 0, 1, 2 and 3 tokens.
const WEIGHTS: [f32; 4] = [0.02, 0.13, 0.35, 0.5];
/// What every token has: the model may prefer, never forbid.
pub const FLOOR: f32 = 1e-4;

const BEGIN: u16 = 65_000;
const END: u16 = 65_001;
/// Kinds of numbers: + 2 * digits, + 1 with a space before.
const NUMBERS: u16 = 65_100;
const MOST_DIGITS: usize = 4;

/// A token as it is counted.
type Symbol = u16;

#[derive(Clone, Debug, Default)]
struct Context {
    total: u32,
    next: HashMap<Symbol, Count>,
}

#[derive(Clone, Copy, Debug)]
struct Count {
    times: u32,
    /// Smallest and largest value seen, for a kind of number.
    low: u32,
    high: u32,
}

/// The language model over a vocabulary.
pub struct NGram {
    contexts: Vec<HashMap<u64, Context>>,
    /// Number of the end token.
    end: i32,
    symbols: Vec<(Symbol, u32)>,
    /// Tokens of each kind of number, by value.
    numbers: HashMap<Symbol, HashMap<u32, i32>>,
    /// Probability of every token after no history.
    alone: Vec<f32>,
}

impl NGram {
    /// Counts `sentences`, each a run of token numbers without the end token.
    pub fn train(vocabulary: &[Vec<u8>], end: i32, sentences: impl Iterator<Item = Vec<i32>>) -> NGram {
        let symbols: Vec<(Symbol, u32)> = vocabulary.iter().enumerate().map(|(id, bytes)| symbol(id, bytes)).collect();
        let mut numbers: HashMap<Symbol, HashMap<u32, i32>> = HashMap::new();
        for (id, (kind, value)) in symbols.iter().enumerate().filter(|(_, (kind, _))| *kind >= NUMBERS) {
            numbers.entry(*kind).or_default().insert(*value, id as i32);
        }
        let mut model =
            NGram { contexts: vec![HashMap::new(); WEIGHTS.len()], end, symbols, numbers, alone: Vec::new() };
        for sentence in sentences {
            model.count(&sentence);
        }
        model.alone = vec![0.0; vocabulary.len().max(end as usize + 1)];
        let mut alone = std::mem::take(&mut model.alone);
        if let Some(context) = model.contexts[0].get(&0) {
            model.spread(context, 1.0, &mut |id, p| {
                if let Some(slot) = alone.get_mut(id as usize) {
                    *slot += p;
                }
            });
        }
        model.alone = alone;
        model
    }

    fn count(&mut self, sentence: &[i32]) {
        let mut history = vec![BEGIN; WEIGHTS.len() - 1];
        for token in sentence.iter().copied().chain([self.end]) {
            let (kind, value) = self.symbol_of(token);
            for (order, contexts) in self.contexts.iter_mut().enumerate() {
                let context = contexts.entry(key(&history[history.len() - order..])).or_default();
                context.total += 1;
                let count = context.next.entry(kind).or_insert(Count { times: 0, low: value, high: value });
                count.times += 1;
                count.low = count.low.min(value);
                count.high = count.high.max(value);
            }
            history.remove(0);
            history.push(kind);
        }
    }

    fn symbol_of(&self, token: i32) -> (Symbol, u32) {
        if token == self.end {
            return (END, 0);
        }
        self.symbols.get(token as usize).copied().unwrap_or((END, 0))
    }

    /// Calls `give` with every token that a history makes likely, and its share.
    fn spread(&self, context: &Context, weight: f32, give: &mut impl FnMut(i32, f32)) {
        for (kind, count) in &context.next {
            let p = weight * count.times as f32 / context.total as f32;
            match *kind {
                END => give(self.end, p),
                kind if kind >= NUMBERS => {
                    let Some(tokens) = self.numbers.get(&kind) else { continue };
                    let share = p / (count.high - count.low + 1) as f32;
                    for value in count.low..=count.high {
                        if let Some(id) = tokens.get(&value) {
                            give(*id, share);
                        }
                    }
                }
                token => give(i32::from(token), p),
            }
        }
    }

    /// The probability of every token after the tokens so far (without the prompt), less than [`FLOOR`] as 0.
    pub fn next(&self, tokens: &[i32], probabilities: &mut Vec<f32>) {
        let mut history = vec![BEGIN; WEIGHTS.len() - 1];
        history.extend(tokens.iter().map(|t| self.symbol_of(*t).0));
        let seen: Vec<Option<&Context>> =
            (0..WEIGHTS.len()).map(|n| self.contexts[n].get(&key(&history[history.len() - n..]))).collect();
        let known: f32 = seen.iter().zip(WEIGHTS).filter(|(c, _)| c.is_some()).map(|(_, w)| w).sum();
        probabilities.clear();
        let alone = WEIGHTS[0] / known.max(WEIGHTS[0]);
        probabilities.extend(self.alone.iter().map(|p| p * alone));
        for (context, weight) in seen.into_iter().zip(WEIGHTS).skip(1) {
            let Some(context) = context else { continue };
            self.spread(context, weight / known, &mut |id, p| {
                if let Some(slot) = probabilities.get_mut(id as usize) {
                    *slot += p;
                }
            });
        }
    }

    /// Log probability of a whole sentence and its end, no token below [`FLOOR`].
    pub fn log_probability(&self, tokens: &[i32]) -> f32 {
        let mut probabilities = Vec::new();
        let mut sum = 0.0;
        for (at, token) in tokens.iter().chain([&self.end]).enumerate() {
            self.next(tokens.get(..at).unwrap_or_default(), &mut probabilities);
            sum += (FLOOR + probabilities.get(*token as usize).copied().unwrap_or(0.0)).ln();
        }
        sum
    }
}

fn key(history: &[Symbol]) -> u64 {
    history.iter().fold(0, |key, symbol| key << 16 | u64::from(*symbol))
}

/// A token's symbol, and its value if it is a number of up to [`MOST_DIGITS`] digits.
fn symbol(id: usize, bytes: &[u8]) -> (Symbol, u32) {
    let digits = bytes.strip_prefix(b" ").unwrap_or(bytes);
    let number = !digits.is_empty() && digits.len() <= MOST_DIGITS && digits.iter().all(u8::is_ascii_digit);
    if !number {
        return (Symbol::try_from(id).unwrap_or(END), 0);
    }
    let value = digits.iter().fold(0, |value, d| value * 10 + u32::from(d - b'0'));
    let space = u16::from(digits.len() < bytes.len());
    (NUMBERS + 2 * digits.len() as u16 + space, value)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Tokens 0 " pulse", 1 " weak", then " 100" to " 199", end last.
    fn toy() -> (Vec<Vec<u8>>, i32) {
        let mut vocabulary = vec![b" pulse".to_vec(), b" weak".to_vec()];
        vocabulary.extend((100..200).map(|n| format!(" {n}").into_bytes()));
        let end = vocabulary.len() as i32;
        (vocabulary, end)
    }

    #[test]
    fn no_number_is_favoured_and_what_follows_is_learnt() {
        let (vocabulary, end) = toy();
        // 110 is seen ten times, 150 once, and nothing between them.
        let mut sentences = vec![vec![0, 12, 1]; 10];
        sentences.push(vec![0, 52, 1]);
        let model = NGram::train(&vocabulary, end, sentences.into_iter());
        let mut p = Vec::new();
        model.next(&[0], &mut p);
        assert_eq!(p[12], p[52]);
        assert_eq!(p[12], p[30], "a number within the range is as likely as those seen");
        assert!(p[12] > 100.0 * p[90].max(1e-9), "beyond the range it is not");
        let total: f32 = p.iter().sum();
        assert!((total - 1.0).abs() < 1e-4, "{total}");
        model.next(&[0, 77, 1], &mut p);
        assert!(p[end as usize] > 0.9, "the end is learnt, whatever the number was");
    }
}
