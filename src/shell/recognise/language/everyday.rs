//! Sentences that crews say most (`grammars/en/everyday.txt`), expanded: they tell the recogniser what is common, which
//! a sampled grammar cannot know.

use super::Dice;

/// The text of the data file.
pub const TEXT: &str = include_str!("../../../../grammars/en/everyday.txt");

/// One line of the file, read.
#[derive(Debug, PartialEq)]
enum Piece {
    Words(String),
    /// Whole numbers, or decimals of `places`, scaled by ten to the `places`.
    Range {
        low: usize,
        high: usize,
        places: usize,
    },
    /// One of these.
    Either(Vec<Vec<Piece>>),
    /// One of these, or nothing.
    Maybe(Vec<Vec<Piece>>),
}

/// Draws sentences.
pub struct Everyday {
    lines: Vec<Vec<Piece>>,
}

impl Everyday {
    /// # Errors
    /// A line that cannot be read, by its number.
    pub fn parse(text: &str) -> Result<Everyday, String> {
        let lines = text.lines().enumerate().filter(|(_, line)| !line.trim().is_empty() && !line.starts_with('#'));
        let lines = lines.map(|(at, line)| {
            let mut rest = line.trim();
            let pieces = sequence(&mut rest)?;
            if rest.is_empty() { Ok(pieces) } else { Err(format!("line {}: `{rest}` closes nothing", at + 1)) }
        });
        Ok(Everyday { lines: lines.collect::<Result<_, String>>()? })
    }

    /// One sentence.
    pub fn sentence(&self, dice: &mut Dice) -> String {
        let mut text = String::new();
        if let Some(line) = self.lines.get(dice.roll(self.lines.len())) {
            expand(line, dice, &mut text);
        }
        text.split_whitespace().collect::<Vec<_>>().join(" ").replace(" ,", ",")
    }
}

/// Pieces up to the end or to a `|`, `)` or `]` that belongs to the caller.
fn sequence(rest: &mut &str) -> Result<Vec<Piece>, String> {
    let mut pieces = Vec::new();
    loop {
        let end = rest.find(['{', '(', '[', '|', ')', ']']).unwrap_or(rest.len());
        let (words, after) = rest.split_at(end);
        if !words.is_empty() {
            pieces.push(Piece::Words(words.to_string()));
        }
        *rest = after;
        match rest.chars().next() {
            Some('{') => pieces.push(range(rest)?),
            Some('(') => pieces.push(Piece::Either(choices(rest, ')')?)),
            Some('[') => pieces.push(Piece::Maybe(choices(rest, ']')?)),
            _ => return Ok(pieces),
        }
    }
}

fn choices(rest: &mut &str, close: char) -> Result<Vec<Vec<Piece>>, String> {
    let mut all = Vec::new();
    loop {
        *rest = rest.get(1..).unwrap_or("");
        all.push(sequence(rest)?);
        match rest.chars().next() {
            Some('|') => {}
            Some(c) if c == close => {
                *rest = &rest[1..];
                return Ok(all);
            }
            _ => return Err(format!("`{close}` is missing")),
        }
    }
}

fn range(rest: &mut &str) -> Result<Piece, String> {
    let (inside, after) = rest[1..].split_once('}').ok_or("`}` is missing")?;
    *rest = after;
    let unread = || format!("`{{{inside}}}` is no range");
    let (low, high) = inside.split_once('-').ok_or_else(unread)?;
    let places = low.split_once('.').map_or(0, |(_, fraction)| fraction.len());
    let scaled = |text: &str| text.replace('.', "").parse::<usize>().map_err(|_| unread());
    let (low, high) = (scaled(low)?, scaled(high)?);
    if low > high {
        return Err(unread());
    }
    Ok(Piece::Range { low, high, places })
}

fn expand(pieces: &[Piece], dice: &mut Dice, text: &mut String) {
    for piece in pieces {
        match piece {
            Piece::Words(words) => text.push_str(words),
            Piece::Range { low, high, places } => text.push_str(&number(low + dice.roll(high - low + 1), *places)),
            Piece::Either(all) => expand(&all[dice.roll(all.len())], dice, text),
            Piece::Maybe(all) => {
                if dice.chance(50) {
                    expand(&all[dice.roll(all.len())], dice, text);
                }
            }
        }
    }
}

fn number(scaled: usize, places: usize) -> String {
    if places == 0 {
        return scaled.to_string();
    }
    let digits = format!("{scaled:0>width$}", width = places + 1);
    let (whole, fraction) = digits.split_at(digits.len() - places);
    let fraction = fraction.trim_end_matches('0');
    if fraction.is_empty() { whole.to_string() } else { format!("{whole}.{fraction}") }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_file_is_sound_and_expands() {
        let everyday = Everyday::parse(TEXT).unwrap();
        assert!(everyday.lines.len() > 80);
        let mut dice = Dice::new(1);
        for _ in 0..2000 {
            let sentence = everyday.sentence(&mut dice);
            assert!(!sentence.is_empty() && !sentence.contains(['{', '(', '[', '|', ']', ')', '}']), "{sentence}");
        }
    }

    #[test]
    fn faults_are_named() {
        assert!(Everyday::parse("a {1-2").is_err());
        assert!(Everyday::parse("a {2-1}").is_err());
        assert!(Everyday::parse("(a|b").is_err());
        assert!(Everyday::parse("a) b").is_err());
    }

    #[test]
    fn decimals_are_written_short() {
        assert_eq!(number(4, 1), "0.4");
        assert_eq!(number(15, 2), "0.15");
        assert_eq!(number(40, 2), "0.4");
        assert_eq!(number(986, 1), "98.6");
        assert_eq!(number(100, 1), "10");
    }
}
