//! English words of the numbers below a hundred: the one table for all who say, write or hear them.

const SMALL: [&str; 20] = [
    "zero",
    "one",
    "two",
    "three",
    "four",
    "five",
    "six",
    "seven",
    "eight",
    "nine",
    "ten",
    "eleven",
    "twelve",
    "thirteen",
    "fourteen",
    "fifteen",
    "sixteen",
    "seventeen",
    "eighteen",
    "nineteen",
];
const TENS: [&str; 10] = ["", "", "twenty", "thirty", "forty", "fifty", "sixty", "seventy", "eighty", "ninety"];

/// The word of a number below twenty; nothing for greater ones.
pub fn small(n: u64) -> &'static str {
    usize::try_from(n).ok().and_then(|n| SMALL.get(n)).copied().unwrap_or("")
}

/// 62 as "sixty two"; nothing from a hundred on.
pub fn below_hundred(n: u64) -> String {
    if n < 20 {
        return small(n).to_string();
    }
    let tens = usize::try_from(n / 10).ok().and_then(|n| TENS.get(n)).copied().unwrap_or("");
    if n.is_multiple_of(10) { tens.to_string() } else { format!("{tens} {}", small(n % 10)) }
}

/// The number that one word in small letters stands for: 0 to 20, and the tens up to 90.
pub fn value(word: &str) -> Option<u8> {
    let small = SMALL.iter().position(|w| *w == word);
    let tens = || TENS.iter().skip(2).position(|w| *w == word).map(|n| (n + 2) * 10);
    small.or_else(tens).and_then(|n| u8::try_from(n).ok())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_word_stands_for_its_number() {
        for n in (0..=20).chain([30, 40, 50, 60, 70, 80, 90]) {
            assert_eq!(value(&below_hundred(u64::from(n))), Some(n));
        }
        assert_eq!(below_hundred(62), "sixty two");
        for word in ["", "hundred", "sixty two", "Four", "to"] {
            assert_eq!(value(word), None, "{word}");
        }
    }
}
