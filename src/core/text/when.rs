//! Clock times, durations and expiry months as spoken.

use super::number::{self, Form};
use super::token::{Break, NumberWord, Token};
use crate::core::decimal::Decimal;

/// More minutes than these are not said in groups ("two thirty minutes"). Our own choice, no source.
const GROUPED_MINUTES: i64 = 120;

/// Which half of the day a spoken time belongs to.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Half {
    /// Said on the 24-hour clock, or with am/pm: `hour` is 0 to 23.
    Known,
    /// `half past nine`: `hour` is 1 to 12 and either half may be meant.
    Either,
}

/// A time of day.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Clock {
    pub end: usize,
    pub hour: u8,
    pub minute: u8,
    pub half: Half,
    /// A lone hour with nothing that makes it a time (`nine`): only where the words before say so (`at nine`).
    pub bare: bool,
}

/// A length of time.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Span {
    pub end: usize,
    pub seconds: i64,
    /// `about`, `a couple of`, and whatever is counted in months or years.
    pub approximate: bool,
}

/// The month in which something expires; it is good to that month's last day.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct YearMonth {
    pub end: usize,
    pub year: u16,
    pub month: u8,
}

/// All times of day that begin at token `at`, longest first: `oh five thirty`, `seventeen twenty`, `1402`, `14:02`,
/// `fourteen oh two hours`, `half past nine`, `noon`.
pub fn clocks(tokens: &[Token], at: usize) -> Vec<Clock> {
    let walk = Walk { tokens };
    let mut all = Vec::new();
    for time in walk.named(at).into_iter().chain(walk.relative(at)).chain(walk.plain(at)) {
        let settled = walk.half_of_day(time);
        if settled.end != time.end && time.half == Half::Either {
            all.push(settled);
        } else {
            all.extend([settled, time]);
        }
    }
    all.sort_by_key(|c| (std::cmp::Reverse(c.end), c.hour, c.minute, c.bare));
    all.dedup();
    all
}

/// How long ago, where a text says so once and only so: `about ten minutes ago`, `the last one was an hour ago`.
pub fn ago(tokens: &[Token]) -> Option<Span> {
    let is = |at: usize, word: &str| tokens.get(at).is_some_and(|token| token.text == word);
    if (0..tokens.len()).filter(|at| is(*at, "ago")).count() != 1 {
        return None;
    }
    // "The last one ten minutes ago" says ten, not a hundred and ten.
    let counted = (1..tokens.len()).filter(|at| is(*at, "one") && is(at - 1, "last")).map(|at| at + 1).max();
    (counted.unwrap_or(0)..tokens.len())
        .find_map(|at| durations(tokens, at).into_iter().find(|span| is(span.end, "ago")))
}

/// All durations that begin at token `at`, longest first: `five minutes`, `about an hour`, `an hour and a half`. `ago`
/// is the grammar's. `a second` is none.
pub fn durations(tokens: &[Token], at: usize) -> Vec<Span> {
    let walk = Walk { tokens };
    let about = matches!(walk.number(at), Some(NumberWord::About));
    let from = at + usize::from(about);
    let mut all = walk.lengths(from);
    for span in &mut all {
        span.approximate |= about;
    }
    all.sort_by_key(|s| (std::cmp::Reverse(s.end), s.seconds));
    all.dedup();
    all
}

/// All expiry months that begin at token `at`, longest first: `oh three twenty eight`, `march twenty twenty eight`,
/// `3/28`, `0328`. Years 2020 to 2059.
pub fn expiries(tokens: &[Token], at: usize) -> Vec<YearMonth> {
    let walk = Walk { tokens };
    let mut all = walk.year_first(at);
    for (next, month) in walk.months(at) {
        let mut next = next;
        // `march of`, `three slash twenty eight`, `3/28`.
        if ["of", "over", "slash", "dash"].iter().any(|word| walk.is(next, word)) {
            next += 1;
        }
        all.extend(walk.years(next).into_iter().map(|(end, year)| YearMonth { end, year, month }));
        // `twelve thirty one twenty eight`, `march fifteenth twenty twenty eight`, `3/15/28`: the day is passed over.
        // `one two twenty seven` is december, digit by digit.
        let digit = |i: usize| matches!(walk.number(i), Some(NumberWord::Digit(_)));
        let spelled = next.checked_sub(1).is_some_and(digit) && digit(next);
        for end in if spelled { Vec::new() } else { walk.days(next) } {
            let next = end + usize::from(walk.is(end, "over") || walk.is(end, "slash"));
            all.extend(walk.years(next).into_iter().map(|(end, year)| YearMonth { end, year, month }));
        }
    }
    if let Some((value, digits @ (4 | 6))) = walk.written(at) {
        let unit = if digits == 4 { 100 } else { 10_000 };
        all.extend(year_month(at + 1, value % unit, value / unit));
    }
    all.sort_by_key(|m| (std::cmp::Reverse(m.end), m.year, m.month));
    all.dedup();
    all
}

/// The year of a date on a label: two digits from 2020 on, four from 2010 on (a cylinder's last test).
fn full_year(said: i64) -> Option<i64> {
    let (year, first) = if said < 100 { (said + 2000, 2020) } else { (said, 2010) };
    (first..2060).contains(&year).then_some(year)
}

fn year_month(end: usize, year: i64, month: i64) -> Option<YearMonth> {
    let year = full_year(year)?;
    ((1..=12).contains(&month)).then_some(YearMonth { end, year: year as u16, month: month as u8 })
}

fn time(end: usize, hour: i64, minute: i64, half: Half) -> Option<Clock> {
    let hours = if half == Half::Known { 0..=23 } else { 1..=12 };
    (hours.contains(&hour) && (0..60).contains(&minute)).then_some(Clock {
        end,
        hour: hour as u8,
        minute: minute as u8,
        half,
        bare: false,
    })
}

struct Walk<'a> {
    tokens: &'a [Token],
}

impl Walk<'_> {
    fn number(&self, at: usize) -> Option<NumberWord> {
        self.tokens.get(at)?.number
    }

    fn is(&self, at: usize, word: &str) -> bool {
        self.tokens.get(at).is_some_and(|t| t.text == word)
    }

    fn runs_on(&self, at: usize) -> bool {
        self.tokens.get(at).is_some_and(|t| t.after <= Break::Joined)
    }

    fn starts(&self, at: usize, words: &str) -> Option<usize> {
        let mut end = at;
        for word in words.split(' ') {
            if !self.is(end, word) {
                return None;
            }
            end += 1;
        }
        Some(end)
    }

    fn written(&self, at: usize) -> Option<(i64, u8)> {
        match self.number(at)? {
            NumberWord::Written { value, digits } => Some((value.as_int()?, digits)),
            _ => None,
        }
    }

    fn digit(&self, at: usize) -> Option<i64> {
        match self.number(at)? {
            NumberWord::Digit(d) => Some(i64::from(d)),
            NumberWord::Oh => Some(0),
            _ => self.written(at).filter(|(_, digits)| *digits == 1).map(|(v, _)| v),
        }
    }

    fn is_nought(&self, at: usize) -> bool {
        self.digit(at) == Some(0)
    }

    /// Counted whole numbers at `at`: end and value.
    fn counts(&self, at: usize) -> Vec<(usize, i64)> {
        number::readings(self.tokens, at)
            .into_iter()
            .filter(|r| r.form == Form::Cardinal)
            .filter_map(|r| Some((r.end, r.value.as_int()?)))
            .collect()
    }

    /// `noon`, `midnight`.
    fn named(&self, at: usize) -> Option<Clock> {
        let hour = if self.is(at, "noon") {
            12
        } else if self.is(at, "midnight") {
            0
        } else {
            return None;
        };
        time(at + 1, hour, 0, Half::Known)
    }

    /// `half past nine`, `quarter to ten`, `a quarter after`, `ten past five`, `twenty minutes to six`.
    fn relative(&self, at: usize) -> Vec<Clock> {
        let mut parts: Vec<(usize, i64)> = Vec::new();
        let from = at + usize::from(self.is(at, "a"));
        match self.number(from) {
            Some(NumberWord::Half) => parts.push((from + 1, 30)),
            Some(NumberWord::Quarter) => parts.push((from + 1, 15)),
            _ => parts.extend(self.counts(at).into_iter().filter(|(_, v)| (1..60).contains(v))),
        }
        let mut all = Vec::new();
        for (end, minutes) in parts {
            let end = end + usize::from(self.is(end, "minutes"));
            let past = ["past", "after"].iter().any(|word| self.is(end, word));
            let to = ["to", "till", "before"].iter().any(|word| self.is(end, word));
            if !past && !to {
                continue;
            }
            for (end, hour) in self.counts(end + 1).into_iter().filter(|(_, h)| (1..=12).contains(h)) {
                let (hour, minute) = match (past, hour) {
                    (true, hour) => (hour, minutes),
                    (false, 1) => (12, 60 - minutes),
                    (false, hour) => (hour - 1, 60 - minutes),
                };
                all.extend(time(end, hour, minute, Half::Either));
            }
        }
        all
    }

    /// Hour and minutes, or a lone hour.
    fn plain(&self, at: usize) -> Vec<Clock> {
        let mut all = Vec::new();
        if let Some((value, digits)) = self.written(at) {
            match digits {
                4 => all.extend(time(at + 1, value / 100, value % 100, Half::Known)),
                3 => all.extend(time(at + 1, value / 100, value % 100, Half::Either)),
                _ => {}
            }
            if self.tokens.get(at).is_some_and(|t| t.after == Break::Colon) {
                all.extend(self.colon(at, value, digits));
                return all;
            }
        }
        all.extend(self.pointed(at));
        // `one four oh two`, `1 7 2 0`: four digits, each by itself.
        if let (Some(a), Some(b), Some(c), Some(d)) =
            (self.digit(at), self.digit(at + 1), self.digit(at + 2), self.digit(at + 3))
        {
            all.extend(time(at + 4, a * 10 + b, c * 10 + d, Half::Known));
        }
        for (end, hour, known) in self.hours(at) {
            for (end, minute) in self.minutes(end) {
                all.extend(time(end, hour, minute, if known { Half::Known } else { Half::Either }));
            }
            if let Some(end) = self.starts(end, "oclock") {
                all.extend(time(end, hour, 0, Half::Either));
            } else if !known {
                all.extend(time(end, hour, 0, Half::Either).map(|c| Clock { bare: true, ..c }));
            }
        }
        all
    }

    /// `9.30`, `14.05`: the minutes in two digits behind a point.
    fn pointed(&self, at: usize) -> Option<Clock> {
        let (hour, minute) = self.tokens.get(at)?.text.split_once('.').filter(|(_, minute)| minute.len() == 2)?;
        let (hour, minute) = (hour.parse().ok().filter(|hour| *hour > 0)?, minute.parse().ok()?);
        time(at + 1, hour, minute, if hour > 12 { Half::Known } else { Half::Either })
    }

    /// `14:02`, `9:30`, `14:02:10` (the seconds are dropped).
    fn colon(&self, at: usize, hour: i64, digits: u8) -> Option<Clock> {
        let (minute, 2) = self.written(at + 1)? else { return None };
        let seconds = self.tokens.get(at + 1).is_some_and(|t| t.after == Break::Colon);
        let end = at + 2 + usize::from(seconds && self.written(at + 2).is_some());
        let known = hour > 12 || hour == 0 || (digits == 2 && hour < 10);
        time(end, hour, minute, if known { Half::Known } else { Half::Either })
    }

    /// The hour that begins at `at`: end, hour, whether the 24-hour clock is certain.
    fn hours(&self, at: usize) -> Vec<(usize, i64, bool)> {
        if self.is_nought(at) {
            return match self.digit(at + 1) {
                Some(hour) if self.runs_on(at) => vec![(at + 2, hour, true)],
                _ => Vec::new(),
            };
        }
        let written_zero = self.written(at).is_some_and(|(v, digits)| digits == 2 && v < 10);
        if written_zero {
            return self.written(at).map(|(v, _)| (at + 1, v, true)).into_iter().collect();
        }
        let hours = self.counts(at).into_iter().filter(|(_, v)| (1..=23).contains(v));
        hours.map(|(end, hour)| (end, hour, hour > 12)).collect()
    }

    /// The minutes at `at`, behind an hour: `thirty`, `oh two`, `05`, `hundred`.
    fn minutes(&self, at: usize) -> Vec<(usize, i64)> {
        if !at.checked_sub(1).is_some_and(|before| self.runs_on(before)) {
            return Vec::new();
        }
        if matches!(self.number(at), Some(NumberWord::Hundred)) {
            return vec![(at + 1, 0)];
        }
        if self.is_nought(at) {
            return self.digit(at + 1).map(|minute| (at + 2, minute)).into_iter().collect();
        }
        if let Some((minute, 2)) = self.written(at) {
            return vec![(at + 1, minute)];
        }
        self.counts(at).into_iter().filter(|(_, v)| (10..60).contains(v)).collect()
    }

    /// `hours`, `p m`, `in the morning` behind a time settle which half of the day it is.
    fn half_of_day(&self, clock: Clock) -> Clock {
        let at = clock.end;
        let settle =
            |end: usize, add: u8| Clock { end, hour: clock.hour % 12 + add, half: Half::Known, bare: false, ..clock };
        if let (Some(end), false) = (self.starts(at, "hours"), clock.bare) {
            return Clock { end, half: Half::Known, ..clock };
        }
        if clock.hour > 12 || clock.hour == 0 {
            return clock;
        }
        for words in ["am", "a m", "in the morning", "this morning"] {
            if let Some(end) = self.starts(at, words) {
                return settle(end, 0);
            }
        }
        for words in ["pm", "p m", "in the afternoon", "in the evening", "this afternoon", "this evening", "tonight"] {
            if let Some(end) = self.starts(at, words) {
                return settle(end, 12);
            }
        }
        match self.starts(at, "at night").or_else(|| self.starts(at, "last night")) {
            Some(end) => settle(end, if clock.hour == 12 || clock.hour < 5 { 0 } else { 12 }),
            None => clock,
        }
    }

    fn unit(&self, at: usize) -> Option<i64> {
        match self.number(at)? {
            NumberWord::Seconds(seconds) => Some(seconds),
            _ => None,
        }
    }

    fn is_article(&self, at: usize) -> bool {
        self.is(at, "a") || self.is(at, "an")
    }

    fn lengths(&self, at: usize) -> Vec<Span> {
        let mut all = self.idioms(at);
        for reading in number::readings(self.tokens, at).into_iter().filter(|r| r.form.is_ordinary()) {
            if let Some(unit) = self.unit(reading.end) {
                // `one second` is what one says for "wait".
                let wait = unit == 1 && reading.value == Decimal::from_int(1);
                // "one forty two thirty minutes ago": nobody counts 230 minutes so, it is a 142 of half an hour ago.
                let grouped = reading.form == Form::Pair && unit == 60;
                let two_numbers = grouped && reading.value > Decimal::from_int(GROUPED_MINUTES);
                if let (Some(seconds), false) = (times(reading.value, unit), wait || two_numbers) {
                    all.push(Span { end: reading.end + 1, seconds, approximate: unit > 604_800 });
                }
            }
        }
        let longer: Vec<Span> = all.iter().filter_map(|span| self.and_more(*span)).collect();
        all.extend(longer);
        all
    }

    /// `an hour`, `half an hour`, `a couple of days`, `quarter of an hour`.
    fn idioms(&self, at: usize) -> Vec<Span> {
        let mut all = Vec::new();
        let mut add = |end: usize, seconds: i64, approximate: bool| all.push(Span { end, seconds, approximate });
        if self.is_article(at) {
            match self.unit(at + 1) {
                // `a second ago`, `a minute` are ways to say "just now".
                Some(1) => {}
                Some(60) => add(at + 2, 60, true),
                Some(unit) => add(at + 2, unit, unit > 604_800),
                None => {}
            }
        }
        // `the past hour`; without the article, "last week" is a moment and no length.
        let length = self.is(at, "past") || (self.is(at, "last") && at > 0 && self.is(at - 1, "the"));
        if let (Some(unit), true) = (self.unit(at + 1), length) {
            add(at + 2, unit, unit > 604_800);
        }
        let from = at + usize::from(self.is_article(at));
        let quarters = match self.number(from) {
            Some(NumberWord::Half) => 2,
            Some(NumberWord::Quarter) => 1,
            _ => 0,
        };
        if quarters > 0 {
            let next = from + 1 + usize::from(self.is(from + 1, "of"));
            let next = next + usize::from(self.is_article(next));
            if let Some(unit) = self.unit(next).filter(|unit| *unit >= 60) {
                add(next + 1, unit * quarters / 4, false);
            }
        }
        if self.is(from, "couple") {
            let next = from + 1 + usize::from(self.is(from + 1, "of"));
            if let Some(unit) = self.unit(next).filter(|unit| *unit >= 60) {
                add(next + 1, unit * 2, true);
            }
        }
        all
    }

    /// `an hour` goes on with `and a half`, `two hours` with `[and] twenty minutes`.
    fn and_more(&self, span: Span) -> Option<Span> {
        let unit = self.unit(span.end.checked_sub(1)?)?;
        let and = usize::from(self.is(span.end, "and"));
        if and == 1 && self.is_article(span.end + 1) && matches!(self.number(span.end + 2), Some(NumberWord::Half)) {
            return Some(Span { end: span.end + 3, seconds: span.seconds + unit / 2, ..span });
        }
        let (end, count) = self.counts(span.end + and).into_iter().find(|(end, _)| self.unit(*end).is_some())?;
        let smaller = self.unit(end).filter(|smaller| *smaller < unit)?;
        let seconds = times(Decimal::from_int(count), smaller)?.checked_add(span.seconds)?;
        Some(Span { end: end + 1, seconds, ..span })
    }

    /// `march`, `oh three`, `three`, `12`, `03`: end and month.
    fn months(&self, at: usize) -> Vec<(usize, u8)> {
        if let Some(NumberWord::Month(month)) = self.number(at) {
            return vec![(at + 1, month)];
        }
        if self.is_nought(at) {
            let month = self.digit(at + 1).filter(|m| *m > 0 && self.runs_on(at));
            return month.map(|m| (at + 2, m as u8)).into_iter().collect();
        }
        let month = |(end, value): (usize, i64)| (1..=12).contains(&value).then_some((end, value as u8));
        if let Some((value, _)) = self.written(at) {
            return month((at + 1, value)).into_iter().collect();
        }
        let mut all: Vec<_> = self.counts(at).into_iter().filter_map(month).collect();
        // `one two twenty eight`.
        if let (Some(1), Some(second @ 0..=2)) = (self.digit(at), self.digit(at + 1)) {
            all.push((at + 2, 10 + second as u8));
        }
        all
    }

    /// `twenty eight`, `twenty twenty eight`, `two thousand twenty eight`, `28`, `2 8`: end and year.
    fn years(&self, at: usize) -> Vec<(usize, u16)> {
        let mut all = Vec::new();
        for reading in number::readings(self.tokens, at).into_iter().filter(|r| r.form.is_ordinary()) {
            let Some(value) = reading.value.as_int() else { continue };
            if let Some(year) = full_year(value) {
                all.push((reading.end, year as u16));
            }
        }
        all
    }

    /// Where a day of the month that begins at `at` ends: `fifteenth`, `the 1st`, `thirty one`, `15`.
    fn days(&self, at: usize) -> Vec<usize> {
        let at = at + usize::from(self.is(at, "the"));
        let ordinal = |t: &Token| ["th", "st", "nd", "rd"].iter().any(|e| t.text.len() > 2 && t.text.ends_with(e));
        if self.tokens.get(at).is_some_and(ordinal) {
            return vec![at + 1];
        }
        if let Some(Token { number: Some(NumberWord::Tens(_)), .. }) = self.tokens.get(at)
            && self.tokens.get(at + 1).is_some_and(ordinal)
        {
            return vec![at + 2];
        }
        self.counts(at).into_iter().filter(|(_, day)| (1..=31).contains(day)).map(|(end, _)| end).collect()
    }

    /// `2028-03`.
    fn year_first(&self, at: usize) -> Vec<YearMonth> {
        let Some((year, 4)) = self.written(at) else { return Vec::new() };
        let month = self.written(at + 1).filter(|(_, digits)| *digits == 2 && self.runs_on(at));
        month.and_then(|(month, _)| year_month(at + 2, year, month)).into_iter().collect()
    }
}

/// Whole seconds of `count` units.
fn times(count: Decimal, unit: i64) -> Option<i64> {
    let product = count.checked_mul(Decimal::from_int(unit))?;
    product.as_int().or_else(|| {
        let rounded = product.as_f64().round();
        (rounded.abs() < 1e15).then_some(rounded as i64)
    })
}
