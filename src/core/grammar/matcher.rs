//! One phrase at one place: every way in which it fits the words there.

use std::cell::Cell;
use std::collections::BTreeSet;

use super::{Grammar, Node, Role, Source, Target, WordId};
use crate::core::decimal::Decimal;
use crate::core::finding::Field;
use crate::core::text::{self, Break, Clock, Form, Half, Reading, Token};

/// An utterance made ready: words interned, meaningless ones dropped, numbers read.
#[derive(Clone, Debug)]
pub struct Utterance {
    pub text: String,
    pub tokens: Vec<Token>,
    pub ids: Vec<WordId>,
    /// Free to be passed over between words.
    pub free: Vec<bool>,
    readings: Vec<Vec<Reading>>,
    numeric: Vec<bool>,
    /// Where a clause begins, free words aside.
    pub starts: Vec<bool>,
}

#[derive(Clone, Debug, PartialEq)]
pub enum CapValue {
    Item { list: usize, item: usize },
    Number(Decimal),
    Text(String),
    Seconds { seconds: i64, approximate: bool },
    Clock(Clock),
    Month { year: u16, month: u8 },
}

/// One filled slot.
#[derive(Clone, Debug, PartialEq)]
pub struct Cap {
    /// Index into the grammar's slots.
    pub slot: usize,
    pub start: usize,
    pub end: usize,
    pub value: CapValue,
    /// Outside what the field can hold.
    pub impossible: bool,
}

#[derive(Clone, Debug, PartialEq)]
pub struct Match {
    pub phrase: u32,
    pub start: usize,
    pub end: usize,
    pub caps: Vec<Cap>,
    /// Free words inside that the phrase does not name.
    pub passed: usize,
}

/// Steps one phrase may take at one place: a bound on foolish templates.
const STEPS: usize = 4000;
/// Free words that may be passed over at one place inside a phrase.
const PASS: usize = 2;
/// Words that free text may hold.
const REST: usize = 24;

impl Grammar {
    /// Makes `text` ready for matching.
    pub fn utterance(&self, text: &str) -> Utterance {
        let all = self.lexicon.tokens(text);
        let mut tokens: Vec<Token> = Vec::with_capacity(all.len());
        let mut ids = Vec::with_capacity(all.len());
        for token in all {
            let heard = self.words.get(&token.text).copied();
            let id = match heard {
                Some(id) => id,
                None if token.number.is_some() => 0,
                None => self.sounds.like(&token.text).unwrap_or(0),
            };
            if self.drop.contains(&id) {
                // The pause behind a dropped word belongs to the word before it.
                if let Some(last) = tokens.last_mut() {
                    last.after = last.after.max(token.after);
                }
                continue;
            }
            tokens.push(token);
            ids.push(id);
        }
        let readings: Vec<Vec<Reading>> = (0..tokens.len()).map(|at| text::readings(&tokens, at)).collect();
        let numeric = (0..tokens.len()).map(|at| begins_value(&tokens, at, &readings)).collect();
        let free: Vec<bool> = ids.iter().map(|id| self.free.contains(id)).collect();
        let mut starts = Vec::with_capacity(tokens.len());
        for at in 0..tokens.len() {
            let before = at.checked_sub(1);
            let start = before.is_none_or(|b| {
                tokens[b].after >= Break::Comma
                    || (self.lead.contains(&ids[b]) && starts.get(b).copied().unwrap_or(true))
            });
            starts.push(start);
        }
        let mut on = Utterance { text: text.to_string(), tokens, ids, free, readings, numeric, starts };
        on.begin_behind_times(&self.subject);
        on
    }

    /// Every way in which `phrase` fits at `start`. `stops` tells where free text must end.
    pub(super) fn match_at(&self, phrase: u32, start: usize, on: &Utterance, stops: &[bool]) -> Vec<Match> {
        let Some(template) = self.phrases.get(phrase as usize) else { return Vec::new() };
        let exact = matches!(template.role, Role::Guard(_));
        let mut run = Run {
            grammar: self,
            on,
            stops,
            start,
            caps: Vec::new(),
            passed: 0,
            exact,
            ends: Vec::new(),
            steps: Cell::new(0),
        };
        run.node(&template.node, start, &Rest::Done);
        let mut ends = fullest(run.ends);
        if template.end {
            ends.retain(|way| on.ends_clause(way.end));
        }
        if template.tight {
            ends.retain(|way| (start + 1..way.end).all(|at| !on.ends_clause(at)));
        }
        ends.into_iter().map(|Way { end, caps, passed }| Match { phrase, start, end, caps, passed }).collect()
    }
}

impl Utterance {
    /// True when a number, a time or a duration begins at `at`.
    pub fn numeric(&self, at: usize) -> bool {
        self.numeric.get(at).copied().unwrap_or(false)
    }

    /// True when a number that is said as one goes on behind the end of `cap`.
    pub(super) fn breaks_number(&self, cap: &Cap) -> bool {
        let whole = |form: Form| matches!(form, Form::Cardinal | Form::Decimal | Form::Fraction);
        let longer = |start: usize, end: usize| {
            self.readings.get(start).is_some_and(|all| all.iter().any(|r| r.end > end && whole(r.form)))
        };
        // "point four nitro" is not four of them.
        let cut = (1..=2).any(|back| {
            let before = cap.start.checked_sub(back).filter(|b| self.tokens.get(*b).is_some_and(Token::is_number));
            before.is_some_and(|before| longer(before, cap.end - 1))
        });
        matches!(cap.value, CapValue::Number(_)) && (cut || longer(cap.start, cap.end))
    }

    /// The longest number that begins at `at`.
    pub fn number(&self, at: usize) -> Option<Decimal> {
        self.readings.get(at)?.iter().find(|r| r.form.is_ordinary()).map(|r| r.value)
    }

    /// The times of day at `at` that can be nothing else: on the 24-hour clock, or before who did it (`nine thirty we`).
    pub(crate) fn moments(&self, at: usize, subject: &BTreeSet<WordId>) -> Vec<Clock> {
        let acts = |end: usize| self.ids.get(end).is_some_and(|id| subject.contains(id));
        let sure = |clock: &Clock| !clock.bare && (clock.half == Half::Known || acts(clock.end));
        text::clocks(&self.tokens, at).into_iter().filter(sure).collect()
    }

    /// A time said first leads its clause: a statement may begin behind it.
    fn begin_behind_times(&mut self, subject: &BTreeSet<WordId>) {
        for at in 0..self.tokens.len() {
            let first = at + usize::from(self.is_free(at));
            if self.starts.get(at) != Some(&true) || self.tokens.get(at).is_some_and(|t| t.after >= Break::Comma) {
                continue;
            }
            for clock in self.moments(first, subject) {
                if let Some(start) = self.starts.get_mut(clock.end) {
                    *start = true;
                }
            }
        }
    }

    /// True for a word that is free to be passed over.
    pub fn is_free(&self, at: usize) -> bool {
        self.free.get(at) == Some(&true)
    }

    /// True when a clause ends before token `at`.
    pub fn ends_clause(&self, at: usize) -> bool {
        at >= self.tokens.len()
            || at.checked_sub(1).and_then(|b| self.tokens.get(b)).is_some_and(|t| t.after >= Break::Comma)
    }

    /// The words from `start` up to `end` as written.
    pub fn said(&self, start: usize, end: usize) -> &str {
        let span = match (self.tokens.get(start), end.checked_sub(1).and_then(|e| self.tokens.get(e))) {
            (Some(first), Some(last)) if end > start => first.span.start..last.span.end,
            _ => 0..0,
        };
        self.text.get(span).unwrap_or("")
    }
}

fn begins_value(tokens: &[Token], at: usize, readings: &[Vec<Reading>]) -> bool {
    readings.get(at).is_some_and(|r| !r.is_empty())
        || !text::durations(tokens, at).is_empty()
        || !text::clocks(tokens, at).is_empty()
        || !text::expiries(tokens, at).is_empty()
}

/// One way to the end of a phrase.
#[derive(Clone, PartialEq)]
struct Way {
    end: usize,
    caps: Vec<Cap>,
    passed: usize,
}

/// Of several ways over the same words, those that fill most slots and pass over fewest words; of two texts the one
/// that leaves more words to the phrase (`impression is` + `sick`, not `impression` + `is sick`).
fn fullest(ways: Vec<Way>) -> Vec<Way> {
    let weight = |way: &Way| {
        let texts = way.caps.iter().filter(|c| matches!(c.value, CapValue::Text(_)));
        (way.caps.len(), std::cmp::Reverse(way.passed), texts.map(|c| c.start).sum::<usize>())
    };
    let best = |end: usize| ways.iter().filter(|w| w.end == end).map(weight).max();
    ways.iter().filter(|way| Some(weight(way)) == best(way.end)).cloned().collect()
}

/// What remains to be matched after the current node.
enum Rest<'a> {
    Done,
    Seq(&'a [Node], &'a Rest<'a>),
}

struct Run<'a> {
    grammar: &'a Grammar,
    on: &'a Utterance,
    stops: &'a [bool],
    start: usize,
    caps: Vec<Cap>,
    ends: Vec<Way>,
    passed: usize,
    /// No word is passed over: guards say all their words.
    exact: bool,
    steps: Cell<usize>,
}

impl Run<'_> {
    fn node(&mut self, node: &Node, at: usize, rest: &Rest) {
        if self.steps.replace(self.steps.get() + 1) > STEPS {
            return;
        }
        match node {
            Node::Word(word) => {
                if let Some(place) = self.find(at, |run, at| run.on.ids.get(at) == Some(word)) {
                    self.passed += place - at;
                    self.resume(place + 1, rest);
                    self.passed -= place - at;
                }
            }
            Node::Seq(items) => self.sequence(items, at, rest),
            Node::Alt(items) => items.iter().for_each(|item| self.node(item, at, rest)),
            Node::Opt(inner) => {
                self.node(inner, at, rest);
                self.resume(at, rest);
            }
            Node::NoPause if at > self.start && self.on.ends_clause(at) => {}
            Node::NoPause => self.resume(at, rest),
            Node::Slot(slot) => self.slot(*slot, at, rest),
        }
    }

    fn sequence(&mut self, items: &[Node], at: usize, rest: &Rest) {
        match items.split_first() {
            None => self.resume(at, rest),
            Some((first, more)) => self.node(first, at, &Rest::Seq(more, rest)),
        }
    }

    fn resume(&mut self, at: usize, rest: &Rest) {
        match rest {
            Rest::Done => {
                let way = Way { end: at, caps: self.caps.clone(), passed: self.passed };
                if at > self.start && !self.ends.contains(&way) {
                    self.ends.push(way);
                }
            }
            Rest::Seq(items, outer) => self.sequence(items, at, outer),
        }
    }

    /// The place where `fits` holds: here, or behind a free word or two. Never across the end of a sentence.
    fn find(&self, at: usize, fits: impl Fn(&Self, usize) -> bool) -> Option<usize> {
        for at in at..=at + if self.exact { 0 } else { PASS } {
            if at > self.start && self.on.tokens.get(at - 1)?.after >= Break::Stop {
                return None;
            }
            if fits(self, at) {
                return Some(at);
            }
            // A phrase begins with its own word, not with a free one.
            if at == self.start || !self.passable(at) {
                return None;
            }
        }
        None
    }

    /// A free word, but not one that may begin a clause of its own, nor one that turns a "no" round ("no just aspirin").
    fn passable(&self, at: usize) -> bool {
        let turns = self.grammar.excepts(self.on, at) && at > 0 && self.grammar.is_denier(self.on, at - 1);
        !turns
            && self.on.is_free(at)
            && self.on.ids.get(at).is_some_and(|id| !self.grammar.lead.contains(id) || self.grammar.within.contains(id))
    }

    fn slot(&mut self, slot: usize, at: usize, rest: &Rest) {
        let Some(source) = self.grammar.slots.get(slot).map(|s| s.source) else { return };
        let place = self.find(at, |run, at| !run.values(slot, source, at).is_empty());
        let Some(place) = place else { return };
        // "gave her Benadryl at ten": a number behind an "at" that the phrase does not name is a time.
        let dose = self.grammar.slots.get(slot).is_some_and(|s| matches!(s.target, Target::Field(Field::Dose)));
        let timed = (at..place).any(|i| {
            let word = self.on.tokens.get(i).is_some_and(|t| t.text == "at");
            word || (dose && self.grammar.is_about(self.on, i))
        });
        // "nitro's in, fourteen oh six": so is one on the 24-hour clock behind a pause.
        let clocked = dose && place > self.start && self.on.ends_clause(place);
        let sure = |clock: &Clock| !clock.bare && clock.half == Half::Known;
        let clocked = clocked && text::clocks(&self.on.tokens, place).iter().any(sure);
        if (timed || clocked) && source == Source::Number {
            return;
        }
        self.passed += place - at;
        for (end, value, impossible) in self.values(slot, source, place) {
            self.caps.push(Cap { slot, start: place, end, value, impossible });
            self.resume(end, rest);
            self.caps.pop();
        }
        self.passed -= place - at;
    }

    /// The values that `slot` finds at `at`, each with its end and whether it is impossible.
    fn values(&self, slot: usize, source: Source, at: usize) -> Vec<(usize, CapValue, bool)> {
        let tokens = &self.on.tokens;
        match source {
            Source::List(list) => self.items(list, at),
            Source::Number
            | Source::Fahrenheit
            | Source::Celsius
            | Source::Degrees
            | Source::Tenths
            | Source::Pounds
            | Source::Kilograms => self.numbers(slot, source, at),
            Source::Rest => self.rest(at),
            Source::Seconds | Source::Minutes | Source::Hours | Source::Days | Source::Ago => {
                text::durations(tokens, at)
                    .into_iter()
                    .filter(|s| source != Source::Days || is_of_days(s))
                    .map(|s| (s.end, CapValue::Seconds { seconds: s.seconds, approximate: s.approximate }, false))
                    .collect()
            }
            Source::Clock | Source::ClockText => {
                text::clocks(tokens, at).into_iter().map(|c| (c.end, CapValue::Clock(c), false)).collect()
            }
            Source::Moment => self
                .on
                .moments(at, &self.grammar.subject)
                .into_iter()
                .map(|c| (c.end, CapValue::Clock(c), false))
                .collect(),
            Source::Month => text::expiries(tokens, at)
                .into_iter()
                .map(|m| (m.end, CapValue::Month { year: m.year, month: m.month }, false))
                .collect(),
        }
    }

    fn items(&self, list: usize, at: usize) -> Vec<(usize, CapValue, bool)> {
        let (Some(list_data), Some(word)) = (self.grammar.lists.get(list), self.on.ids.get(at)) else {
            return Vec::new();
        };
        let Some(entries) = list_data.starts.get(word) else { return Vec::new() };
        let mut found = Vec::new();
        for (words, item) in entries {
            let end = at + 1 + words.len();
            let fits = self.on.ids.get(at + 1..end) == Some(words.as_slice())
                && self.on.tokens.get(at..end - 1).is_some_and(|t| t.iter().all(|t| t.after < Break::Stop));
            if !fits {
                continue;
            }
            // An item that sets nothing is worth its words, where a text is wanted.
            let bare = list_data.items.get(*item).is_some_and(|i| i.sets.is_empty() && i.default.is_empty());
            let value = if bare {
                CapValue::Text(self.on.said(at, end).to_string())
            } else {
                CapValue::Item { list, item: *item }
            };
            found.push((end, value, false));
        }
        found
    }

    fn numbers(&self, slot: usize, source: Source, at: usize) -> Vec<(usize, CapValue, bool)> {
        let Some(readings) = self.on.readings.get(at) else { return Vec::new() };
        let rule = self.grammar.slots.get(slot).and_then(|s| s.number);
        let dropped = rule.is_some_and(|r| r.dropped_point);
        let takes = |form: Form| form.is_ordinary() || (form == Form::DroppedPoint && dropped);
        let readings = readings.iter().filter(|r| source != Source::Tenths || r.value.as_int().is_none());
        let possible = |value: Decimal| match (source, rule) {
            (Source::Number, Some(rule)) => {
                let fits = match rule.high.as_int() {
                    Some(_) => !(rule.whole || rule.strict) || value.as_int().is_some(),
                    // A bound that is no whole number asks for a value that is none.
                    None => value.as_int().is_none(),
                };
                rule.low <= value && value <= rule.high && fits
            }
            (_, Some(rule)) => super::gather::converted(source, value)
                .is_some_and(|(value, _)| rule.low <= value && value <= rule.high),
            (_, None) => true,
        };
        let mut found: Vec<(usize, CapValue, bool)> = Vec::new();
        for reading in readings.clone().filter(|r| takes(r.form)) {
            if possible(reading.value) {
                found.push((reading.end, CapValue::Number(reading.value), false));
            }
        }
        if rule.is_some_and(|r| r.strict) {
            return found;
        }
        for reading in readings.filter(|r| takes(r.form)) {
            let taken = found.iter().any(|(end, _, _)| *end == reading.end);
            if !taken && !possible(reading.value) {
                found.push((reading.end, CapValue::Number(reading.value), true));
            }
        }
        found
    }

    /// Free text: to the end of the sentence, a comma that begins something else, or a measured value.
    fn rest(&self, at: usize) -> Vec<(usize, CapValue, bool)> {
        let tokens = &self.on.tokens;
        // Behind a label a comma is no end ("chief complaint, chest pain"); behind words that are a text already it is.
        let paused =
            |cap: &Cap| (cap.end.saturating_sub(1)..at).any(|i| tokens.get(i).is_some_and(|t| t.after >= Break::Comma));
        if self.caps.last().is_some_and(paused) {
            return Vec::new();
        }
        let mut end = at;
        while end < tokens.len() && end - at < REST {
            if end > at && self.stops.get(end).copied().unwrap_or(false) {
                break;
            }
            end += 1;
            if tokens.get(end - 1).is_some_and(|t| t.after >= Break::Stop) {
                break;
            }
        }
        // `chest pain and`: what begins the next clause is no end of this one.
        while end > at && self.on.ids.get(end - 1).is_some_and(|id| self.grammar.lead.contains(id)) {
            end -= 1;
        }
        let (Some(first), Some(last)) = (tokens.get(at), end.checked_sub(1).and_then(|e| tokens.get(e))) else {
            return Vec::new();
        };
        if end <= at {
            return Vec::new();
        }
        // "because his": nothing was said yet.
        if (at..end).all(|i| self.on.is_free(i)) {
            return Vec::new();
        }
        let text = self.on.text.get(first.span.start..last.span.end).unwrap_or("").trim().to_string();
        vec![(end, CapValue::Text(text), false)]
    }
}

/// Minutes to weeks: months and years are no number of days.
fn is_of_days(length: &text::Span) -> bool {
    const DAY: i64 = 86_400;
    let months = length.approximate && length.seconds >= 28 * DAY;
    length.seconds <= 60 * DAY && !months
}
