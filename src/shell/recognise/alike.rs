//! Sentences that sound like what was written: the grammar's own, found by their sounds.
//!
//! The recogniser writes "Puddles raid 51. Bounding." for "pulse rate 51, bounding". The sentences sampled from the
//! grammar are kept with their numbers as holes; letters become rough classes of sound (voiced and unvoiced are one,
//! vowels are one), and the cheapest alignment finds what may have been said. Numbers never match by sound: each digit
//! that was written goes into a hole, unchanged. Whether a find is what was said is for the sound to decide.

use std::collections::HashSet;

/// A hole for a number, in a sentence and among its sounds.
const HOLE: u8 = b'#';
/// The two of `O2`, which is no number.
const GAS: char = '\u{2082}';
const VOWEL: u8 = b'A';
/// Costs, in halves of a sound.
const WHOLE: u16 = 2;
const HALF: u16 = 1;
const NEVER: u16 = 1_000;
/// Sounds of a sentence, at least and at most: shorter ones are like anything, longer ones are slow.
const SOUNDS: std::ops::RangeInclusive<usize> = 5..=48;
/// Kinds of sound that are counted to leave out hopeless sentences early.
const KINDS: usize = 16;

struct Entry {
    text: String,
    sounds: Vec<u8>,
    counts: [u8; KINDS],
    holes: usize,
}

/// The sentences that may be found.
pub struct Alike {
    entries: Vec<Entry>,
}

/// A sentence that sounds like what was written.
#[derive(Clone, Debug, PartialEq)]
pub struct Find {
    /// With the numbers that were written.
    pub text: String,
    /// Cost of the alignment a sound, 0 where all sounds are the same.
    pub cost: f32,
}

impl Alike {
    /// From sentences as the recogniser writes them.
    pub fn new(sentences: impl Iterator<Item = String>) -> Alike {
        let mut seen = HashSet::new();
        let mut entries = Vec::new();
        for sentence in sentences {
            let text = with_holes(sentence.trim().trim_end_matches('.'));
            let sounds = sounds_of(&text);
            if SOUNDS.contains(&sounds.len()) && seen.insert(sounds.clone()) {
                let holes = sounds.iter().filter(|s| **s == HOLE).count();
                entries.push(Entry { text, counts: counts(&sounds), holes, sounds });
            }
        }
        Alike { entries }
    }

    /// The `most` sentences nearest to `written`, none farther than `limit` a sound; the nearest first.
    pub fn find(&self, written: &str, most: usize, limit: f32) -> Vec<Find> {
        let (sounds, digits) = heard(written);
        if !SOUNDS.contains(&sounds.len()) {
            return Vec::new();
        }
        let numbers = sounds.iter().filter(|s| **s == HOLE).count();
        let own = counts(&sounds);
        let mut found: Vec<(u16, &Entry)> = Vec::new();
        for entry in self.entries.iter().filter(|e| e.holes == numbers) {
            let bound = (limit * 2.0 * entry.sounds.len().max(sounds.len()) as f32) as u16;
            let bound = found.get(most.wrapping_sub(1)).map_or(bound, |worst| bound.min(worst.0));
            if least(&own, &entry.counts) > bound {
                continue;
            }
            let cost = distance(&sounds, &entry.sounds, bound);
            if cost <= bound {
                let at = found.partition_point(|f| f.0 <= cost);
                found.insert(at, (cost, entry));
                found.truncate(most);
            }
        }
        let finds = found.into_iter().map(|(cost, entry)| Find {
            text: filled(&entry.text, &digits),
            cost: f32::from(cost) / 2.0 / entry.sounds.len().max(sounds.len()) as f32,
        });
        finds.collect()
    }
}

/// The sounds of what was written, numbers as holes, and the numbers.
fn heard(written: &str) -> (Vec<u8>, Vec<String>) {
    let mut numbers = Vec::new();
    let text = holed(written, &mut |number| numbers.push(number.to_string()));
    (sounds_of(&text), numbers)
}

fn with_holes(text: &str) -> String {
    holed(text, &mut |_| {})
}

/// `text` with its numbers as holes; each number is handed on. The digit of `O2` is none.
fn holed(text: &str, tell: &mut dyn FnMut(&str)) -> String {
    let chars: Vec<char> = text.chars().collect();
    let digit = |at: usize| chars.get(at).is_some_and(char::is_ascii_digit);
    let mut out = String::new();
    let mut at = 0;
    while at < chars.len() {
        let begins = digit(at) || chars[at] == '.' && digit(at + 1);
        let gas = at > 0 && chars[at - 1].eq_ignore_ascii_case(&'o') && chars[at] == '2';
        if gas {
            out.push(GAS);
            at += 1;
            if digit(at) {
                out.push(' ');
            }
        } else if begins {
            let from = at;
            while digit(at) || chars.get(at) == Some(&'.') && digit(at + 1) {
                at += 1;
            }
            tell(&chars[from..at].iter().collect::<String>());
            out.push('#');
        } else {
            out.push(chars[at]);
            at += 1;
        }
    }
    out
}

/// `text` with its holes filled, in order.
fn filled(text: &str, numbers: &[String]) -> String {
    let mut numbers = numbers.iter();
    text.split('#').enumerate().fold(String::new(), |mut out, (i, part)| {
        if i > 0 {
            out.push_str(numbers.next().map_or("#", String::as_str));
        }
        out.push_str(&part.replace(GAS, "2"));
        out
    })
}

/// Rough classes of sound, one letter each.
fn sounds_of(text: &str) -> Vec<u8> {
    let mut sounds: Vec<u8> = Vec::new();
    for word in text.split(|c: char| c.is_whitespace() || ",.;:?!-'\"".contains(c)) {
        let letters: Vec<char> = word.to_lowercase().chars().collect();
        let mut at = 0;
        while at < letters.len() {
            let (sound, taken) = sound(&letters, at);
            for s in sound {
                // Doubled letters and runs of vowels are one sound.
                if sounds.last() != Some(s) || *s == HOLE {
                    sounds.push(*s);
                }
            }
            at += taken;
        }
    }
    sounds
}

/// The sounds that begin at a letter, and how many letters they take. English spelling, from memory; no more exact than
/// the confusions of a recogniser.
fn sound(letters: &[char], at: usize) -> (&'static [u8], usize) {
    let next = letters.get(at + 1).copied().unwrap_or(' ');
    let soft = matches!(next, 'e' | 'i' | 'y');
    match letters[at] {
        '#' => (b"#", 1),
        GAS => (b"TA", 1),
        '%' => (b"PASANT", 1),
        '/' => (b"AFA", 1),
        'a' | 'e' | 'i' | 'o' | 'u' => (b"A", 1),
        'y' => (b"A", 1),
        'w' if next == 'r' => (b"R", 2),
        'w' if next == 'h' => (b"W", 2),
        'w' => (b"W", 1),
        'k' if at == 0 && next == 'n' => (b"N", 2),
        'p' if next == 'h' => (b"F", 2),
        'g' if next == 'h' => (b"", 2),
        's' | 'c' if next == 'h' => (b"J", 2),
        't' if next == 'h' => (b"T", 2),
        't' if letters.get(at + 1..at + 3) == Some(&['i', 'o']) => (b"JA", 3),
        'c' if soft => (b"S", 1),
        'g' if soft => (b"J", 1),
        'c' if next == 'k' => (b"K", 2),
        'c' | 'k' | 'g' => (b"K", 1),
        'q' => (b"KW", if next == 'u' { 2 } else { 1 }),
        'x' => (b"KS", 1),
        'b' | 'p' => (b"P", 1),
        'd' | 't' => (b"T", 1),
        'f' | 'v' => (b"F", 1),
        's' | 'z' => (b"S", 1),
        'j' => (b"J", 1),
        'l' => (b"L", 1),
        'm' => (b"M", 1),
        'n' => (b"N", 1),
        'r' => (b"R", 1),
        'h' => (b"H", 1),
        _ => (b"", 1),
    }
}

fn kind(sound: u8) -> usize {
    b"AFHJKLMNPRSTW#".iter().position(|s| *s == sound).unwrap_or(KINDS - 1)
}

fn counts(sounds: &[u8]) -> [u8; KINDS] {
    let mut counts = [0u8; KINDS];
    for sound in sounds {
        counts[kind(*sound)] = counts[kind(*sound)].saturating_add(1);
    }
    counts
}

/// No alignment of sounds with these counts costs less: every sound too many is dropped or becomes another, for a half
/// at least.
fn least(a: &[u8; KINDS], b: &[u8; KINDS]) -> u16 {
    let (mut more, mut fewer) = (0u16, 0u16);
    for (x, y) in a.iter().zip(b) {
        more += u16::from(x.saturating_sub(*y));
        fewer += u16::from(y.saturating_sub(*x));
    }
    more.max(fewer) * HALF
}

/// Cheapest alignment of two sequences of sounds, or anything over `bound`.
fn distance(a: &[u8], b: &[u8], bound: u16) -> u16 {
    let mut last: Vec<u16> = Vec::with_capacity(b.len() + 1);
    last.push(0);
    for (j, s) in b.iter().enumerate() {
        last.push(last[j].saturating_add(alone(*s)));
    }
    let mut row = vec![0; b.len() + 1];
    for s in a {
        row[0] = last[0].saturating_add(alone(*s));
        let mut best = row[0];
        for (j, t) in b.iter().enumerate() {
            let both = last[j].saturating_add(between(*s, *t));
            let dropped = last[j + 1].saturating_add(alone(*s));
            let added = row[j].saturating_add(alone(*t));
            row[j + 1] = both.min(dropped).min(added);
            best = best.min(row[j + 1]);
        }
        if best > bound {
            return best;
        }
        std::mem::swap(&mut last, &mut row);
    }
    last.last().copied().unwrap_or(NEVER)
}

/// Cost of a sound that only one side has.
fn alone(sound: u8) -> u16 {
    match sound {
        HOLE => NEVER,
        VOWEL | b'H' => HALF,
        _ => WHOLE,
    }
}

/// Cost of one sound in another's place.
fn between(a: u8, b: u8) -> u16 {
    if a == b {
        return 0;
    }
    if a == HOLE || b == HOLE {
        return NEVER;
    }
    let near = |x, y| (a, b) == (x, y) || (a, b) == (y, x);
    let alike = near(b'M', b'N')
        || near(b'F', b'T')
        || near(b'F', b'P')
        || near(b'S', b'J')
        || near(b'S', b'T')
        || near(b'J', b'T')
        || near(b'L', b'R')
        || near(b'L', b'W')
        || near(b'R', VOWEL)
        || near(b'L', VOWEL)
        || near(b'W', VOWEL)
        || near(b'K', b'T')
        || near(b'P', b'T');
    if alike { HALF } else { WHOLE }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn alike() -> Alike {
        let sentences = [
            "Pulse rate 88, bounding.",
            "Respirations 16, unlabored.",
            "End tidal CO2 is 35.",
            "Blood pressure 120/80.",
            "Oxygen 4 liters by nasal cannula.",
            "He takes warfarin.",
        ];
        Alike::new(sentences.iter().map(ToString::to_string))
    }

    fn nearest(written: &str) -> Option<String> {
        alike().find(written, 2, 0.4).first().map(|f| f.text.clone())
    }

    #[test]
    fn what_sounds_alike_is_found_and_keeps_its_numbers() {
        assert_eq!(nearest("Puddles raid 51. Bounding.").as_deref(), Some("Pulse rate 51, bounding"));
        assert_eq!(nearest("Respirations 8 and labored.").as_deref(), Some("Respirations 8, unlabored"));
        assert_eq!(nearest("and title CO264.").as_deref(), Some("End tidal CO2 is 64"));
        assert_eq!(nearest("Plot pressure 94/62").as_deref(), Some("Blood pressure 94/62"));
        assert_eq!(nearest("He takes war faring").as_deref(), Some("He takes warfarin"));
    }

    #[test]
    fn a_number_is_never_made_or_lost() {
        assert_eq!(nearest("Puddles raid. Bounding."), None);
        assert_eq!(nearest("He takes 2 warfarin"), None);
        assert_eq!(nearest("Blood pressure 94"), None);
    }

    #[test]
    fn talk_is_far_from_everything() {
        for talk in ["can you pass me that bag over there", "the road is closed", "you", ""] {
            assert_eq!(nearest(talk), None, "{talk}");
        }
    }

    #[test]
    fn the_quick_bound_is_never_above_the_cost() {
        let all = alike();
        for a in &all.entries {
            for b in &all.entries {
                let cost = distance(&a.sounds, &b.sounds, NEVER);
                assert!(least(&a.counts, &b.counts) <= cost, "{} / {}", a.text, b.text);
            }
        }
    }
}
