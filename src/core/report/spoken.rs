//! Numbers as crews say them: 118 is "one eighteen", 105 "one oh five", 0.4 "zero point four".

use chrono::{DateTime, FixedOffset, Timelike};

use crate::core::decimal::Decimal;
use crate::core::number_words::{below_hundred, small};

/// A number in words, never with a digit left in it.
pub fn number(value: Decimal) -> String {
    let text = value.to_string();
    let (sign, digits) = text.strip_prefix('-').map_or(("", text.as_str()), |rest| ("minus ", rest));
    match digits.split_once('.') {
        Some((whole, fraction)) => {
            let fraction: Vec<&str> = fraction.bytes().map(digit).collect();
            format!("{sign}{} point {}", whole_text(whole), fraction.join(" "))
        }
        None => format!("{sign}{}", whole_text(digits)),
    }
}

/// A wall-clock time in words: 14:05 is "fourteen oh five".
pub fn clock(at: &DateTime<FixedOffset>) -> String {
    let minute = match at.minute() {
        0 => "hundred".to_string(),
        m @ 1..=9 => format!("oh {}", below_hundred(u64::from(m))),
        m => below_hundred(u64::from(m)),
    };
    let hour = match at.hour() {
        h @ 0..=9 => format!("oh {}", below_hundred(u64::from(h))),
        h => below_hundred(u64::from(h)),
    };
    format!("{hour} {minute}")
}

fn whole_text(digits: &str) -> String {
    digits.parse().map_or_else(|_| digits.to_string(), whole)
}

/// A whole number as crews say it.
pub fn whole(n: u64) -> String {
    match n {
        0..=99 => below_hundred(n),
        100..=999 => match (n / 100, n % 100) {
            (h, 0) => format!("{} hundred", below_hundred(h)),
            (h, rest @ 1..=9) => format!("{} oh {}", below_hundred(h), below_hundred(rest)),
            (h, rest) => format!("{} {}", below_hundred(h), below_hundred(rest)),
        },
        1000..=999_999 => {
            let rest = n % 1000;
            let rest = if rest == 0 { String::new() } else { format!(" {}", full(rest)) };
            format!("{} thousand{rest}", full(n / 1000))
        }
        _ => n.to_string().bytes().map(digit).collect::<Vec<_>>().join(" "),
    }
}

/// 118 as "one hundred eighteen": inside larger numbers, where "one eighteen" would mislead.
fn full(n: u64) -> String {
    match (n / 100, n % 100) {
        (0, rest) => below_hundred(rest),
        (h, 0) => format!("{} hundred", below_hundred(h)),
        (h, rest) => format!("{} hundred {}", below_hundred(h), below_hundred(rest)),
    }
}

fn digit(byte: u8) -> &'static str {
    small(u64::from(byte.wrapping_sub(b'0')))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn as_crews_say_it() {
        for (value, words) in [
            ("118", "one eighteen"),
            ("105", "one oh five"),
            ("110", "one ten"),
            ("200", "two hundred"),
            ("62", "sixty two"),
            ("0", "zero"),
            ("0.4", "zero point four"),
            ("37.25", "thirty seven point two five"),
            ("2150", "two thousand one hundred fifty"),
            ("324", "three twenty four"),
        ] {
            assert_eq!(number(value.parse().unwrap()), words);
        }
        let at = |t: &str| clock(&DateTime::parse_from_rfc3339(t).unwrap());
        assert_eq!(at("2027-03-01T14:05:00-05:00"), "fourteen oh five");
        assert_eq!(at("2027-03-01T09:00:00-05:00"), "oh nine hundred");
    }
}
