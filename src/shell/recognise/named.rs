//! Names that sound like what was written where that makes no sense: "he takes listen a pill" for lisinopril.
//!
//! The sentences of [`super::alike`] cannot hold every name in every place. Here a few words of what was written give way to
//! each name of the grammar's lists that sounds like them; whether that was said is for the sound to decide.

use std::collections::HashMap;

use super::alike::{Find, HOLE, Rows, SOUNDS, heard, shared_with_the_one_before, sounds_of, with_holes};

/// Words that may stand for one name.
const WORDS: usize = 5;
/// Sounds of a name, at least: shorter ones are like anything.
const SHORTEST: usize = 4;
/// Places in which one name is tried.
const PLACES: usize = 2;
/// Sentences of which it is tried whether they make sense.
const TRIED: usize = 16;

struct Name {
    text: String,
    sounds: Vec<u8>,
    /// Sounds at the beginning that the name before it has too.
    shared: usize,
}

/// The names, in the order of their sounds: what begins alike is aligned once.
pub struct Names {
    all: Vec<Name>,
}

/// A name in the place of the words `from` to `to`.
#[derive(Clone, Copy)]
struct Place {
    name: usize,
    from: usize,
    to: usize,
    /// Cost of the alignment a sound.
    cost: f32,
}

impl Names {
    /// From names as they are written within a sentence.
    pub fn new(names: impl Iterator<Item = String>) -> Names {
        let named = |text: String| Name { sounds: sounds_of(&text), text, shared: 0 };
        let fits = |name: &Name| {
            (SHORTEST..=*SOUNDS.end()).contains(&name.sounds.len()) && !with_holes(&name.text).0.contains(HOLE)
        };
        let mut all: Vec<Name> = names.map(named).filter(fits).collect();
        all.sort_by(|a, b| (&a.sounds, &a.text).cmp(&(&b.sounds, &b.text)));
        all.dedup_by(|a, b| a.sounds == b.sounds);
        let shared = shared_with_the_one_before(all.iter().map(|name| name.sounds.as_slice()));
        all.iter_mut().zip(shared).for_each(|(name, shared)| name.shared = shared);
        Names { all }
    }

    /// At most `most` sentences that `make_sense`, each `written` with a name in the place of words that sound like it, none
    /// farther than `limit` a sound of the name; the nearest first.
    pub fn find(&self, written: &str, most: usize, limit: f32, make_sense: impl Fn(&str) -> bool) -> Vec<Find> {
        let words: Vec<&str> = written.split_whitespace().collect();
        let sentence = |place: &Place| {
            let name = &self.all.get(place.name)?.text;
            Some((replaced(&words, place, name), place.cost)).filter(|(text, _)| make_sense(text))
        };
        let find = |(text, cost): (String, f32)| {
            let (text, numbers) = with_holes(&text);
            Find { text, numbers, cost }
        };
        self.places(&words, limit).iter().take(TRIED).filter_map(sentence).take(most).map(find).collect()
    }

    /// Where names may have been said, the nearest first, each name in few places.
    fn places(&self, words: &[&str], limit: f32) -> Vec<Place> {
        let mut places: Vec<Place> = (0..words.len()).flat_map(|from| self.places_from(words, from, limit)).collect();
        places.sort_by(|a, b| a.cost.total_cmp(&b.cost));
        let mut times: HashMap<usize, usize> = HashMap::new();
        places.retain(|place| {
            let times = times.entry(place.name).or_default();
            *times += 1;
            *times <= PLACES
        });
        places
    }

    /// The names that may have been said from the word `from` on.
    fn places_from(&self, words: &[&str], from: usize, limit: f32) -> Vec<Place> {
        let to = words.len().min(from + WORDS);
        let Some(part) = words.get(from..to) else { return Vec::new() };
        let ends: Vec<usize> = (1..=part.len()).map(|to| heard(&part[..to].join(" ")).len()).collect();
        // A number alone is never a name, however it sounds.
        let numbers = part.iter().take_while(|word| word.chars().all(|c| !c.is_alphabetic())).count();
        let mut rows = Rows::new(&heard(&part.join(" ")));
        let mut places = Vec::new();
        for (index, name) in self.all.iter().enumerate() {
            rows.keep(name.shared);
            let length = name.sounds.len() as f32;
            let Some(costs) = rows.beginnings(&name.sounds, (limit * 2.0 * length) as u16) else { continue };
            let cost = |end: &usize| costs.get(*end).map_or(f32::INFINITY, |cost| f32::from(*cost) / 2.0 / length);
            let ends = ends.iter().map(cost).enumerate().skip(numbers).filter(|(_, cost)| *cost <= limit);
            places.extend(ends.map(|(end, cost)| Place { name: index, from, to: from + end + 1, cost }));
        }
        places
    }
}

/// `words` with `name` in their place; marks behind them stay.
fn replaced(words: &[&str], place: &Place, name: &str) -> String {
    let mark = |word: &&str| word.chars().last().filter(|c| ",.?!".contains(*c)).map(String::from);
    let last = place.to.checked_sub(1).and_then(|at| words.get(at));
    let name = format!("{name}{}", last.and_then(mark).unwrap_or_default());
    let (before, after) = (words.get(..place.from).unwrap_or_default(), words.get(place.to..).unwrap_or_default());
    let all: Vec<&str> = before.iter().copied().chain([name.as_str()]).chain(after.iter().copied()).collect();
    all.join(" ")
}

#[cfg(test)]
mod tests {
    use super::*;

    fn nearest(written: &str) -> Option<String> {
        let names = ["lisinopril", "metoprolol", "penicillin", "atrial fibrillation", "sulfa"];
        let names = Names::new(names.iter().map(ToString::to_string));
        let sense = |text: &str| !text.contains("pill") || text.contains("pills");
        names.find(written, 1, 0.35, sense).first().map(|find| find.text.clone())
    }

    #[test]
    fn a_name_stands_in_the_place_of_words_like_it() {
        assert_eq!(nearest("He takes listen a pill.").as_deref(), Some("He takes lisinopril"));
        assert_eq!(nearest("Me top row law and 12 pills").as_deref(), Some("metoprolol and # pills"));
        assert_eq!(
            nearest("history of a tree all fibrillations, no pills").as_deref(),
            Some("history of atrial fibrillation, no pills")
        );
    }

    #[test]
    fn talk_is_like_no_name() {
        for talk in ["can you pass me that bag over there", "the road is closed", "you", "", "12"] {
            assert_eq!(nearest(talk), None, "{talk}");
        }
    }
}
