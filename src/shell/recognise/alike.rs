//! Sentences that sound like what was written: the grammar's own, found by their sounds.
//!
//! The recogniser writes "Puddles raid 51. Bounding." for "pulse rate 51, bounding". The sentences sampled from the
//! grammar are kept with their numbers as holes; letters become rough classes of sound (voiced and unvoiced are one,
//! vowels are one), and the cheapest alignment finds what may have been said. A hole takes whatever stands in its place;
//! which number it was, and whether the sentence was said at all, is for the sound to decide (`template.rs`).

use std::collections::HashMap;

use crate::core::number_words::{self, below_hundred};

/// A hole for a number, in a sentence and among its sounds.
pub const HOLE: char = '#';
const HOLE_SOUND: u8 = b'#';
/// The two of `O2`, which is no number.
const GAS: char = '\u{2082}';
const VOWEL: u8 = b'A';
/// Costs, in halves of a sound.
const WHOLE: u16 = 2;
const HALF: u16 = 1;
/// Sounds of a sentence, at least and at most: shorter ones are like anything, longer ones are slow.
pub(super) const SOUNDS: std::ops::RangeInclusive<usize> = 5..=60;
/// Sounds of a sentence besides its holes, at least.
const LETTERS: usize = 3;
/// What is said often is nearer: a sound's cost for each factor of e, and at most.
const FAVOUR: f32 = 0.02;
const MOST_FAVOUR: f32 = 0.1;
/// Parts of the limit that are searched one after the other until enough is found.
const SEARCHED: [f32; 3] = [0.4, 0.7, 1.0];
/// Kinds of sound that are counted to leave out hopeless sentences early.
const KINDS: usize = 14;
/// The classes of sound; the last kind is what is none of them.
const LETTERS_OF_SOUND: &[u8; KINDS - 1] = b"AFHJKLMNPRSTW";

struct Entry {
    text: String,
    sounds: Vec<u8>,
    counts: [u8; KINDS],
    letters: usize,
    /// How much nearer it is for having been sampled often.
    favour: f32,
    /// Sounds at the beginning that the entry before it has too.
    shared: usize,
    numbers: Numbers,
}

/// The numbers that were seen in a sentence's holes.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Numbers {
    /// Digits of the longest.
    pub digits: usize,
    /// One of them has a point.
    pub points: bool,
}

/// Digits that any number may have: a sentence sampled a few times has not shown its longest.
const DIGITS: usize = 3;

impl Numbers {
    fn see(&mut self, number: &str) {
        self.digits = self.digits.max(DIGITS).max(number.bytes().filter(u8::is_ascii_digit).count());
        self.points |= number.contains('.');
    }
}

/// The sentences that may be found, in the order of their sounds: what begins alike is aligned once.
pub struct Alike {
    entries: Vec<Entry>,
}

/// A sentence that sounds like what was written.
#[derive(Clone, Debug, PartialEq)]
pub struct Find {
    /// With a [`HOLE`] for each number.
    pub text: String,
    /// Cost of the alignment a sound, 0 where all sounds are the same.
    pub cost: f32,
    pub numbers: Numbers,
}

/// One sound of what was written.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Heard {
    sound: u8,
    /// True within a number.
    number: bool,
}

impl Alike {
    /// From sentences as the recogniser writes them.
    pub fn new(sentences: impl Iterator<Item = String>) -> Alike {
        let mut seen: HashMap<Vec<u8>, usize> = HashMap::new();
        let mut entries: Vec<Entry> = Vec::new();
        let mut times: Vec<f32> = Vec::new();
        for sentence in sentences {
            let (text, numbers) = with_holes(&sentence);
            let sounds = sounds_of(&text);
            let letters = sounds.iter().filter(|s| **s != HOLE_SOUND).count();
            if let Some(at) = seen.get(&sounds) {
                times[*at] += 1.0;
                let known = &mut entries[*at].numbers;
                known.digits = known.digits.max(numbers.digits);
                known.points |= numbers.points;
            } else if SOUNDS.contains(&sounds.len()) && letters >= LETTERS {
                seen.insert(sounds.clone(), entries.len());
                times.push(1.0);
                let (text, counts) = (text.replace(GAS, "2"), counts(sounds.iter().copied()));
                entries.push(Entry { text, counts, letters, sounds, favour: 0.0, shared: 0, numbers });
            }
        }
        for (entry, times) in entries.iter_mut().zip(times) {
            entry.favour = (FAVOUR * times.ln()).min(MOST_FAVOUR);
        }
        entries.sort_by(|a, b| a.sounds.cmp(&b.sounds));
        let shared = shared_with_the_one_before(entries.iter().map(|entry| entry.sounds.as_slice()));
        entries.iter_mut().zip(shared).for_each(|(entry, shared)| entry.shared = shared);
        Alike { entries }
    }

    /// The `most` sentences nearest to `written`, none farther than `limit` a sound; the nearest first.
    pub fn find(&self, written: &str, most: usize, limit: f32) -> Vec<Find> {
        let heard = heard(written);
        if !SOUNDS.contains(&heard.len()) {
            return Vec::new();
        }
        // Near sentences are found much quicker than far ones are ruled out.
        let mut found = Vec::new();
        for part in SEARCHED {
            found = self.within(&heard, most, limit * part);
            let worst = found.get(most.wrapping_sub(1)).map_or(limit, |(cost, _)| *cost);
            // What is said often may be farther and nearer all the same.
            if worst + MOST_FAVOUR <= limit * part {
                break;
            }
        }
        let find = |(cost, entry): (f32, &Entry)| Find {
            text: entry.text.clone(),
            cost: cost + entry.favour,
            numbers: entry.numbers,
        };
        found.into_iter().map(find).collect()
    }

    /// The nearest and their costs, favour included.
    fn within(&self, heard: &[Heard], most: usize, limit: f32) -> Vec<(f32, &Entry)> {
        let spoken = heard.iter().filter(|h| !h.number).count();
        let own = counts(heard.iter().filter(|h| !h.number).map(|h| h.sound));
        let all = counts(heard.iter().map(|h| h.sound));
        let mut found: Vec<(f32, &Entry)> = Vec::new();
        let mut rows = Rows::new(heard);
        for entry in &self.entries {
            rows.keep(entry.shared);
            let length = entry.letters.max(spoken) as f32;
            let limit = found.get(most.wrapping_sub(1)).map_or(limit, |worst| limit.min(worst.0 + entry.favour));
            let bound = (limit * 2.0 * length) as u16;
            if least(&own, &all, &entry.counts) > bound {
                continue;
            }
            if let Some(cost) = rows.align(&entry.sounds, bound) {
                let cost = f32::from(cost) / 2.0 / length - entry.favour;
                let at = found.partition_point(|f| f.0 <= cost);
                found.insert(at, (cost, entry));
                found.truncate(most);
            }
        }
        found
    }
}

/// The sounds of what was written. Numbers sound as they are said.
pub(super) fn heard(written: &str) -> Vec<Heard> {
    let mut numbers = Vec::new();
    let text = holed(written, &mut |number| numbers.push(number.to_string()));
    let mut numbers = numbers.into_iter();
    let mut heard = Vec::new();
    for (i, part) in text.split(HOLE).enumerate() {
        if i > 0 {
            let said = numbers.next().map_or(String::new(), |number| said(&number));
            heard.extend(sounds_of(&said).into_iter().map(|sound| Heard { sound, number: true }));
        }
        for word in part.split_inclusive(char::is_whitespace) {
            let number = is_number(&word.trim_matches(|c: char| !c.is_alphabetic()).to_lowercase());
            heard.extend(sounds_of(word).into_iter().map(|sound| Heard { sound, number }));
        }
    }
    heard.dedup();
    heard
}

const HUNDRED: &str = "hundred";
const POINT: &str = "point";

fn is_number(word: &str) -> bool {
    word == HUNDRED || word == POINT || number_words::value(word).is_some()
}

/// A number in words: `449` is "four forty nine", `99.3` "ninety nine point three".
fn said(number: &str) -> String {
    let parts: Vec<String> = number.split('.').map(said_whole).collect();
    parts.join(&format!(" {POINT} "))
}

/// `text` with its numbers in words.
pub fn in_words(text: &str) -> String {
    let mut numbers = Vec::new();
    let holed = holed(text, &mut |number| numbers.push(said(number)));
    let mut words = String::new();
    let mut numbers = numbers.into_iter();
    for (i, part) in holed.replace(GAS, "2").split(HOLE).enumerate() {
        if i > 0 {
            words.push_str(&format!(" {} ", numbers.next().unwrap_or_default()));
        }
        words.push_str(part);
    }
    words
}

fn said_whole(digits: &str) -> String {
    let begin = digits.len() % 2;
    let mut said = Vec::new();
    if begin == 1 {
        said.extend(digits.get(..1).and_then(|d| d.parse().ok()).map(below_hundred));
    }
    for at in (begin..digits.len()).step_by(2) {
        let pair = digits.get(at..at + 2).and_then(|d| d.parse().ok()).unwrap_or(0);
        said.push(if pair == 0 { HUNDRED.to_string() } else { below_hundred(pair) });
    }
    said.join(" ")
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
            out.push(HOLE);
        } else {
            out.push(chars[at]);
            at += 1;
        }
    }
    out
}

/// A sentence with its numbers as holes.
pub(super) fn with_holes(sentence: &str) -> (String, Numbers) {
    let mut numbers = Numbers::default();
    let text = holed(sentence.trim().trim_end_matches('.'), &mut |number| numbers.see(number));
    (text, numbers)
}

/// For each of these, how many sounds at its beginning the one before it has too.
pub(super) fn shared_with_the_one_before<'a>(sorted: impl Iterator<Item = &'a [u8]>) -> Vec<usize> {
    let mut before: &'a [u8] = &[];
    let shared = |sounds: &'a [u8]| {
        let alike = sounds.iter().zip(std::mem::replace(&mut before, sounds)).take_while(|(a, b)| a == b);
        alike.count()
    };
    sorted.map(shared).collect()
}

/// Rough classes of sound, one letter each.
pub(super) fn sounds_of(text: &str) -> Vec<u8> {
    let mut sounds: Vec<u8> = Vec::new();
    for word in text.split(|c: char| c.is_whitespace() || ",.;:?!-'\"".contains(c)) {
        let letters: Vec<char> = word.to_lowercase().chars().collect();
        let mut at = 0;
        while at < letters.len() {
            let (sound, taken) = sound(&letters, at);
            for s in sound {
                // Doubled letters and runs of vowels are one sound.
                if sounds.last() != Some(s) || *s == HOLE_SOUND {
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
    LETTERS_OF_SOUND.iter().position(|s| *s == sound).unwrap_or(KINDS - 1)
}

fn counts(sounds: impl Iterator<Item = u8>) -> [u8; KINDS] {
    let mut counts = [0u8; KINDS];
    for sound in sounds.filter(|s| *s != HOLE_SOUND) {
        counts[kind(sound)] = counts[kind(sound)].saturating_add(1);
    }
    counts
}

/// No alignment costs less: every sound of the words too many, and every sound of the sentence that was not written, is
/// dropped, taken by a hole or becomes another, for a half at least.
fn least(words: &[u8; KINDS], all: &[u8; KINDS], sentence: &[u8; KINDS]) -> u16 {
    let over =
        |a: &[u8; KINDS], b: &[u8; KINDS]| a.iter().zip(b).map(|(x, y)| u16::from(x.saturating_sub(*y))).sum::<u16>();
    over(words, sentence).max(over(sentence, all)) * HALF
}

/// Alignments of what was heard with the beginning of a sentence, a row for each of its sounds: the cheapest for each
/// beginning of what was heard. What the next sentence begins with in the same way is kept.
pub(super) struct Rows {
    /// For each kind of sound in a sentence, the cost of each sound heard in its place.
    between: Vec<Vec<u16>>,
    /// Cost of each sound heard that no sentence has, and of each that a hole takes.
    alone: Vec<u16>,
    taken: Vec<u16>,
    rows: Vec<Row>,
    /// Rows that hold for the sentence at hand, the first of no sounds included.
    valid: usize,
}

#[derive(Clone)]
struct Row {
    costs: Vec<u16>,
    cheapest: u16,
}

impl Rows {
    pub(super) fn new(heard: &[Heard]) -> Rows {
        let between = |sound: &u8| heard.iter().map(|h| between(h.sound, *sound)).collect();
        let alone: Vec<u16> = heard.iter().map(|h| alone(h.sound)).collect();
        let mut rows = vec![Row { costs: vec![0; heard.len() + 1], cheapest: 0 }; SOUNDS.end() + 1];
        for (j, cost) in alone.iter().enumerate() {
            rows[0].costs[j + 1] = rows[0].costs[j].saturating_add(*cost);
        }
        let taken = heard.iter().map(|h| if h.number { 0 } else { HALF }).collect();
        Rows { between: LETTERS_OF_SOUND.iter().map(between).collect(), alone, taken, rows, valid: 1 }
    }

    /// The next sentence has its first `shared` sounds from the one before it.
    pub(super) fn keep(&mut self, shared: usize) {
        self.valid = self.valid.min(shared + 1);
    }

    /// Cost of the cheapest alignment with `sentence`, if not above `bound`. The cheapest of a row never falls from one
    /// sound to the next, so the first row above `bound` ends it.
    fn align(&mut self, sentence: &[u8], bound: u16) -> Option<u16> {
        self.beginnings(sentence, bound)?.last().copied().filter(|cost| *cost <= bound)
    }

    /// Cost of the cheapest alignment of `sentence` with each beginning of what was heard, if one is not above `bound`.
    pub(super) fn beginnings(&mut self, sentence: &[u8], bound: u16) -> Option<&[u16]> {
        loop {
            if self.rows.get(self.valid - 1)?.cheapest > bound {
                return None;
            }
            match sentence.get(self.valid - 1) {
                Some(sound) => self.add(*sound),
                None => return self.rows.get(self.valid - 1).map(|row| row.costs.as_slice()),
            }
        }
    }

    fn add(&mut self, sound: u8) {
        let (before, from) = self.rows.split_at_mut(self.valid);
        let (Some(last), Some(row)) = (before.last(), from.first_mut()) else { return };
        let (last, costs) = (&last.costs, &mut row.costs);
        let missing = alone(sound);
        let mut left = last[0].saturating_add(missing);
        costs[0] = left;
        match self.between.get(kind(sound)) {
            None => {
                for ((cost, taken), diagonal) in costs[1..].iter_mut().zip(&self.taken).zip(last) {
                    left = left.min(*diagonal).saturating_add(*taken);
                    *cost = left;
                }
            }
            Some(between) => {
                // In two passes: the first has no cell wait for its neighbour.
                let diagonals = last.iter().zip(between).map(|(cost, both)| cost.saturating_add(*both));
                let above = last[1..].iter().map(|cost| cost.saturating_add(missing));
                for ((cost, diagonal), above) in costs[1..].iter_mut().zip(diagonals).zip(above) {
                    *cost = diagonal.min(above);
                }
                for (cost, dropped) in costs[1..].iter_mut().zip(&self.alone) {
                    left = left.saturating_add(*dropped).min(*cost);
                    *cost = left;
                }
            }
        }
        row.cheapest = row.costs.iter().copied().min().unwrap_or(0);
        self.valid += 1;
    }
}

/// Cost of a sound that only one side has.
fn alone(sound: u8) -> u16 {
    match sound {
        // A hole is never empty.
        HOLE_SOUND => 8 * WHOLE,
        VOWEL | b'H' => HALF,
        _ => WHOLE,
    }
}

/// Cost of one sound in another's place.
fn between(a: u8, b: u8) -> u16 {
    if a == b {
        return 0;
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
    fn what_sounds_alike_is_found_with_holes_for_its_numbers() {
        assert_eq!(nearest("Puddles raid 51. Bounding.").as_deref(), Some("Pulse rate #, bounding"));
        assert_eq!(nearest("Respirations 8 and labored.").as_deref(), Some("Respirations #, unlabored"));
        assert_eq!(nearest("and title CO264.").as_deref(), Some("End tidal CO2 is #"));
        assert_eq!(nearest("Plot pressure 94/62").as_deref(), Some("Blood pressure #/#"));
        assert_eq!(nearest("He takes war faring").as_deref(), Some("He takes warfarin"));
    }

    #[test]
    fn a_hole_takes_what_stands_in_its_place() {
        assert_eq!(nearest("pulse rate fifty five, bounding").as_deref(), Some("Pulse rate #, bounding"));
        assert_eq!(nearest("Oxygen for leaders by nasal cannula").as_deref(), Some("Oxygen # liters by nasal cannula"));
    }

    #[test]
    fn numbers_sound_as_they_are_said() {
        assert_eq!(said("449"), "four forty nine");
        assert_eq!(said("99.3"), "ninety nine point three");
        assert_eq!(said("600"), "six hundred");
        assert_eq!(said("0.4"), "zero point four");
    }

    #[test]
    fn talk_is_far_from_everything() {
        for talk in ["can you pass me that bag over there", "the road is closed", "you", ""] {
            assert_eq!(nearest(talk), None, "{talk}");
        }
    }

    #[test]
    fn what_begins_alike_is_aligned_as_if_alone() {
        let all = alike();
        let heard = heard("Blood pressure 94, pulse weak");
        let mut rows = Rows::new(&heard);
        for entry in &all.entries {
            rows.keep(entry.shared);
            assert_eq!(rows.align(&entry.sounds, 40), Rows::new(&heard).align(&entry.sounds, 40), "{}", entry.text);
        }
    }

    #[test]
    fn the_quick_bound_is_never_above_the_cost() {
        let all = alike();
        for written in ["Pulse rate 88, bounding.", "He takes 12 warfarin", "and title CO264.", "Oxygen for leaders"] {
            let heard = heard(written);
            let words = counts(heard.iter().filter(|h| !h.number).map(|h| h.sound));
            let every = counts(heard.iter().map(|h| h.sound));
            for entry in &all.entries {
                let cost = Rows::new(&heard).align(&entry.sounds, u16::MAX).unwrap();
                assert!(least(&words, &every, &entry.counts) <= cost, "{written} / {}", entry.text);
            }
        }
    }
}
