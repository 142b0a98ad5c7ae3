//! Exact decimal numbers: what was said, never a float.
//!
//! A dose of 0.4 is the integer 4 with one decimal place. This module knows arithmetic and spelling; it does not
//! know units, findings or words.

use std::cmp::Ordering;
use std::fmt;
use std::str::FromStr;

use serde::{Deserialize, Deserializer, Serialize, Serializer};

/// Most decimal places a spoken value may have; more is refused by [`FromStr`].
pub const MAX_SCALE: u8 = 9;

/// An exact decimal number, kept without trailing zeros.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Decimal {
    mantissa: i64,
    scale: u8,
}

impl Decimal {
    pub const ZERO: Decimal = Decimal { mantissa: 0, scale: 0 };

    /// The number `mantissa / 10^scale`.
    pub fn new(mantissa: i64, scale: u8) -> Decimal {
        let mut d = Decimal { mantissa, scale };
        while d.scale > 0 && d.mantissa % 10 == 0 {
            d.mantissa /= 10;
            d.scale -= 1;
        }
        d
    }

    pub fn from_int(value: i64) -> Decimal {
        Decimal { mantissa: value, scale: 0 }
    }

    /// The nearest decimal with `places` decimal places (half away from zero); not finite gives `None`.
    pub fn from_f64(value: f64, places: u8) -> Option<Decimal> {
        if !value.is_finite() || places > MAX_SCALE {
            return None;
        }
        let scaled = (value * 10f64.powi(i32::from(places))).round();
        if scaled.abs() > 9e15 {
            return None;
        }
        Some(Decimal::new(scaled as i64, places))
    }

    pub fn as_f64(self) -> f64 {
        self.mantissa as f64 / 10f64.powi(i32::from(self.scale))
    }

    /// The whole number, if it is one.
    pub fn as_int(self) -> Option<i64> {
        (self.scale == 0).then_some(self.mantissa)
    }

    pub fn is_zero(self) -> bool {
        self.mantissa == 0
    }

    pub fn checked_add(self, other: Decimal) -> Option<Decimal> {
        let scale = self.scale.max(other.scale);
        Some(Decimal::new(self.at_scale(scale)?.checked_add(other.at_scale(scale)?)?, scale))
    }

    pub fn checked_sub(self, other: Decimal) -> Option<Decimal> {
        self.checked_add(Decimal { mantissa: other.mantissa.checked_neg()?, scale: other.scale })
    }

    pub fn checked_mul(self, other: Decimal) -> Option<Decimal> {
        let scale = self.scale.checked_add(other.scale)?;
        (scale <= 2 * MAX_SCALE)
            .then(|| self.mantissa.checked_mul(other.mantissa).map(|m| Decimal::new(m, scale)))
            .flatten()
    }

    fn at_scale(self, scale: u8) -> Option<i64> {
        self.mantissa.checked_mul(10i64.checked_pow(u32::from(scale.checked_sub(self.scale)?))?)
    }
}

impl Ord for Decimal {
    fn cmp(&self, other: &Self) -> Ordering {
        let left = i128::from(self.mantissa) * 10i128.pow(u32::from(other.scale));
        let right = i128::from(other.mantissa) * 10i128.pow(u32::from(self.scale));
        left.cmp(&right)
    }
}

impl PartialOrd for Decimal {
    fn partial_cmp(&self, other: &Self) -> Option<Ordering> {
        Some(self.cmp(other))
    }
}

impl From<i64> for Decimal {
    fn from(value: i64) -> Self {
        Decimal::from_int(value)
    }
}

/// Always a leading zero, never a trailing one: `0.4`, `5`, `98.6`.
impl fmt::Display for Decimal {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.scale == 0 {
            return write!(f, "{}", self.mantissa);
        }
        let unit = 10u64.pow(u32::from(self.scale));
        let magnitude = self.mantissa.unsigned_abs();
        let sign = if self.mantissa < 0 { "-" } else { "" };
        write!(f, "{sign}{}.{:0width$}", magnitude / unit, magnitude % unit, width = usize::from(self.scale))
    }
}

impl FromStr for Decimal {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        let bad = || format!("`{text}` is not a number");
        let (sign, digits) = match text.strip_prefix('-') {
            Some(rest) => (-1, rest),
            None => (1, text),
        };
        let (whole, fraction) = digits.split_once('.').unwrap_or((digits, ""));
        if (whole.is_empty() && fraction.is_empty()) || fraction.len() > usize::from(MAX_SCALE) || whole.len() > 12 {
            return Err(bad());
        }
        if !whole.bytes().chain(fraction.bytes()).all(|b| b.is_ascii_digit()) {
            return Err(bad());
        }
        let mantissa: i64 = format!("0{whole}{fraction}").parse().map_err(|_| bad())?;
        Ok(Decimal::new(sign * mantissa, fraction.len() as u8))
    }
}

impl Serialize for Decimal {
    fn serialize<S: Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
        match self.as_int() {
            Some(whole) => s.serialize_i64(whole),
            // The shortest f64 spelling of a decimal with at most 15 digits is that decimal.
            None => s.serialize_f64(self.as_f64()),
        }
    }
}

impl<'de> Deserialize<'de> for Decimal {
    fn deserialize<D: Deserializer<'de>>(d: D) -> Result<Self, D::Error> {
        let number = serde_json::Number::deserialize(d)?;
        number.to_string().parse().map_err(serde::de::Error::custom)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn spelling_has_a_leading_zero_and_no_trailing_one() {
        for (said, shown) in [("0.40", "0.4"), (".4", "0.4"), ("5.0", "5"), ("98.6", "98.6"), ("0.05", "0.05")] {
            assert_eq!(said.parse::<Decimal>().unwrap().to_string(), shown);
        }
    }

    #[test]
    fn json_is_the_same_number() {
        for text in ["0.4", "118", "98.6", "0.15", "37.2"] {
            let d: Decimal = text.parse().unwrap();
            assert_eq!(serde_json::to_string(&d).unwrap(), text);
            assert_eq!(serde_json::from_str::<Decimal>(text).unwrap(), d);
        }
    }

    #[test]
    fn order_and_arithmetic_are_exact() {
        let d = |t: &str| t.parse::<Decimal>().unwrap();
        assert!(d("29.94") < d("30"));
        assert_eq!(d("0.1").checked_add(d("0.2")), Some(d("0.3")));
        assert_eq!(d("81").checked_mul(d("4")), Some(d("324")));
    }
}
