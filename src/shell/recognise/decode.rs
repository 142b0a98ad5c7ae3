//! The decoding loop: which tokens, how sure, and where the sound alone would have gone another way.
//!
//! Values in, values out around one trait, so that it is tested without an engine.

use anyhow::{Context, Result};

use super::language::ngram::{FLOOR, NGram};

/// What an engine offers once a sound is encoded.
pub trait Steps {
    /// The logits of every token after the prompt and `tokens`.
    ///
    /// # Errors
    /// The engine fails.
    fn after(&mut self, tokens: &[i32]) -> Result<&[f32]>;
}

/// What decoding needs to know of a vocabulary.
pub struct Rules {
    /// The end token; every text token has a lower number.
    pub end: i32,
    /// Text tokens that are no speech (`[`, `(`, notes): never taken when guided.
    pub unspoken: Vec<bool>,
    /// Weight of the language model's log probability.
    pub weight: f32,
}

/// One decoding.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Path {
    /// Text tokens, without the end.
    pub tokens: Vec<i32>,
    /// Unfused log probability of each token, and of the end if it was reached.
    pub scores: Vec<f32>,
    /// True when the end token came before the budget ran out.
    pub ended: bool,
    /// First place where the sound alone preferred another token, and which.
    pub departure: Option<(usize, i32)>,
}

impl Path {
    /// Mean unfused log probability a token.
    pub fn mean(&self) -> f32 {
        if self.scores.is_empty() { f32::NEG_INFINITY } else { self.sum() / self.scores.len() as f32 }
    }

    /// Unfused log probability of the whole.
    pub fn sum(&self) -> f32 {
        self.scores.iter().sum()
    }
}

/// Takes the likeliest token each time, guided by `model` if there is one, until the end, the budget or a loop.
///
/// # Errors
/// The engine fails.
pub fn greedy(
    steps: &mut impl Steps,
    rules: &Rules,
    model: Option<&NGram>,
    begin: &[i32],
    budget: usize,
) -> Result<Path> {
    let mut path = Path { tokens: begin.to_vec(), ..Path::default() };
    let mut probabilities = Vec::new();
    while path.tokens.len() < budget {
        if let Some(model) = model {
            model.next(&path.tokens, &mut probabilities);
        }
        let first = path.tokens.is_empty();
        let logits = steps.after(&path.tokens)?;
        let Choice { token, score, unguided } = choose(logits, rules, model.map(|_| &probabilities[..]), first)?;
        if unguided != token && path.departure.is_none() {
            path.departure = Some((path.tokens.len(), unguided));
        }
        path.scores.push(score);
        if token == rules.end {
            path.ended = true;
            break;
        }
        path.tokens.push(token);
        if let Some(length) = looped(&path.tokens) {
            path.tokens.truncate(length);
            path.scores.truncate(length);
            break;
        }
    }
    Ok(path)
}

struct Choice {
    token: i32,
    /// Unfused log probability.
    score: f32,
    /// What the sound alone prefers.
    unguided: i32,
}

fn choose(logits: &[f32], rules: &Rules, probabilities: Option<&[f32]>, first: bool) -> Result<Choice> {
    let end = rules.end as usize;
    let logits = logits.get(..=end).context("the engine's vocabulary is short")?;
    // The first token is never the end: an utterance that reached the recogniser has something in it.
    let open = |id: usize| !(first && id == end);
    let best = |value: &dyn Fn(usize) -> f32| {
        (0..=end).filter(|id| open(*id)).max_by(|a, b| value(*a).total_cmp(&value(*b))).unwrap_or(end)
    };
    let unguided = best(&|id| logits[id]);
    let token = match probabilities {
        None => unguided,
        Some(p) => best(&|id| {
            if rules.unspoken.get(id).copied().unwrap_or(false) {
                return f32::NEG_INFINITY;
            }
            let share = p.get(id).copied().unwrap_or(0.0);
            if share > 0.0 { logits[id] + rules.weight * ((FLOOR + share) / FLOOR).ln() } else { logits[id] }
        }),
    };
    Ok(Choice { token: token as i32, score: log_probability(logits, token), unguided: unguided as i32 })
}

/// Log of the softmax at `token`.
pub fn log_probability(logits: &[f32], token: usize) -> f32 {
    let top = logits.iter().copied().fold(f32::NEG_INFINITY, f32::max);
    // What is far below the top adds nothing that a float can hold.
    let sum: f32 = logits.iter().filter(|l| **l > top - 16.0).map(|l| (l - top).exp()).sum();
    logits.get(token).map_or(f32::NEG_INFINITY, |l| l - top - sum.ln())
}

/// Unfused log probability of each of `tokens[from..]` in its place.
///
/// # Errors
/// The engine fails.
pub fn score(steps: &mut impl Steps, rules: &Rules, tokens: &[i32], from: usize) -> Result<Vec<f32>> {
    let end = rules.end as usize;
    (from..tokens.len())
        .map(|at| {
            let logits = steps.after(&tokens[..at])?;
            let logits = logits.get(..=end).context("the engine's vocabulary is short")?;
            Ok(log_probability(logits, tokens[at] as usize))
        })
        .collect()
}

/// Unfused log probability of all of `tokens[from..]`, or nothing once it falls below `bound`.
///
/// # Errors
/// The engine fails.
pub fn sum_above(
    steps: &mut impl Steps,
    rules: &Rules,
    tokens: &[i32],
    from: usize,
    bound: f32,
) -> Result<Option<f32>> {
    let mut sum = 0.0;
    for at in from..tokens.len() {
        sum += score(steps, rules, &tokens[..=at], at)?.iter().sum::<f32>();
        if sum < bound {
            return Ok(None);
        }
    }
    Ok(Some(sum))
}

/// True if the tokens end in the same three or more twice: nobody speaks so, and a recogniser with nothing to hear does.
pub fn repeats(tokens: &[i32]) -> bool {
    let n = tokens.len();
    (3..=n / 2).any(|length| tokens[n - length..] == tokens[n - 2 * length..n - length])
}

/// Where a loop began, if the tokens end in one: the same 3 or more tokens three times, or one token six times.
fn looped(tokens: &[i32]) -> Option<usize> {
    let n = tokens.len();
    for length in 1..=n / 3 {
        let times = if length < 3 { 6 / length } else { 3 };
        if length * times > n {
            continue;
        }
        let unit = &tokens[n - length..];
        if (1..times).all(|k| &tokens[n - (k + 1) * length..n - k * length] == unit) {
            return Some(n - (times - 1) * length);
        }
    }
    None
}

#[cfg(test)]
mod tests {
    use super::*;

    /// An engine that says tokens 0, 1, 2, ... and then the end.
    struct Counting {
        length: usize,
        logits: Vec<f32>,
    }

    impl Steps for Counting {
        fn after(&mut self, tokens: &[i32]) -> Result<&[f32]> {
            self.logits = vec![0.0; 11];
            let next = if tokens.len() < self.length { tokens.len() } else { 10 };
            self.logits[next] = 5.0;
            Ok(&self.logits)
        }
    }

    fn rules() -> Rules {
        Rules { end: 10, unspoken: vec![false; 10], weight: 0.6 }
    }

    #[test]
    fn it_stops_at_the_end_or_the_budget() {
        let mut steps = Counting { length: 4, logits: Vec::new() };
        let path = greedy(&mut steps, &rules(), None, &[], 20).unwrap();
        assert_eq!((path.tokens, path.ended, path.departure), (vec![0, 1, 2, 3], true, None));
        let path = greedy(&mut steps, &rules(), None, &[], 2).unwrap();
        assert_eq!((path.tokens, path.ended), (vec![0, 1], false));
    }

    #[test]
    fn a_guided_choice_remembers_what_the_sound_preferred() {
        let vocabulary = vec![b"a".to_vec(); 10];
        let model = NGram::train(&vocabulary, 10, vec![vec![7]; 50].into_iter());
        let mut steps = Counting { length: 1, logits: Vec::new() };
        let path = greedy(&mut steps, &rules(), Some(&model), &[], 20).unwrap();
        assert_eq!(path.tokens, [7]);
        assert_eq!(path.departure, Some((0, 0)));
        let scores = score(&mut steps, &rules(), &[0, 10], 0).unwrap();
        assert!(scores[0] > path.scores[0]);
    }

    #[test]
    fn what_is_said_twice_in_a_row_repeats() {
        assert!(repeats(&[9, 1, 2, 3, 1, 2, 3]));
        assert!(!repeats(&[1, 2, 1, 2]) && !repeats(&[1, 2, 3, 9, 1, 2, 3]) && !repeats(&[]));
    }

    #[test]
    fn loops_are_cut() {
        assert_eq!(looped(&[1, 2, 3, 4, 5, 4, 5, 4, 5]), Some(5));
        assert_eq!(looped(&[9, 1, 2, 3, 1, 2, 3, 1, 2, 3]), Some(4));
        assert_eq!(looped(&[6, 6, 6, 6]), None);
        assert_eq!(looped(&[6, 6, 6, 6, 6, 6]), Some(1));
        assert_eq!(looped(&[1, 2, 3, 4, 5, 6, 7]), None);
    }
}
