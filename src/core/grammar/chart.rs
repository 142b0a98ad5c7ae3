//! The best ways to cover an utterance with phrases: a shortest path over (place, what is open), linear in the words.
//! All equally good ways are kept, up to a bound.

use std::collections::BTreeSet;
use std::rc::Rc;

use super::needed::Last;
use super::{Act, CapValue, Grammar, Match, Mood, Phrase, Role, Utterance, WordId};
use crate::core::text::Break;

/// What the conversation has open when the utterance begins.
#[derive(Clone, Debug, Default)]
pub struct Openings {
    /// Frames whose slots may be filled at once: open questions.
    pub answers: Vec<usize>,
    /// Frames that "correction" reopens.
    pub corrections: Vec<usize>,
    /// Measured things said just now, which a "no" before a number contests: "no, one eighteen".
    pub contested: Vec<usize>,
    /// The tool was addressed just now and nothing followed.
    pub addressed: bool,
    /// Which conditions of `Grammar::known` the record satisfies.
    pub known: Vec<usize>,
}

/// One piece of a derivation, in order.
#[derive(Clone, Debug)]
pub enum Step {
    Phrase(Rc<Match>),
    /// A word that belongs to no phrase; `free` ones are nothing to wonder about.
    Skip {
        at: usize,
        free: bool,
    },
    /// The frame that was open from the conversation when the first phrase came.
    Opened(usize),
}

impl Step {
    /// The word at which it begins; none for what no word was said of.
    pub fn start(&self) -> Option<usize> {
        match self {
            Step::Phrase(found) => Some(found.start),
            Step::Skip { at, .. } => Some(*at),
            Step::Opened(_) => None,
        }
    }
}

#[derive(Clone, Debug, Default)]
pub struct Derivation {
    pub steps: Vec<Step>,
}

/// Most derivations looked at for one utterance.
const DERIVATIONS: usize = 64;

const PHRASE: i32 = 30;
const FILL: i32 = 20;
const TALK: i32 = 5;
const FREE: i32 = 10;
/// For leaving a thing that was named without a word of it: what follows is more likely its value.
const EMPTY: i32 = 40;
/// For hearing no order to the tool where its name was said right before: dearer than any word that may belong to one.
const NOT_TO_US: i32 = 60;
/// Talk of rules and of others: dearer than a phrase that explains the same words, cheaper than two.
const ASIDE: i32 = 28;
/// A word of such talk.
const MUTED: i32 = 5;
const WORD: i32 = 100;
const NUMBER: i32 = 140;
const IMPOSSIBLE: i32 = 60;
/// For a free word inside a phrase that does not name it: as much as between phrases, and a little more.
const PASSED: i32 = 11;
/// For breaking a number that is said as one: "nine hundred" is not nine.
const BROKEN: i32 = 250;

#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum Open {
    Nothing,
    Addressed,
    Question,
    /// Behind talk of what should be: words mean nothing to the end of the sentence.
    Muted,
    /// Behind talk of somebody else: to the next pause.
    Elsewhere,
    /// Named, and nothing said of it yet.
    Named(usize),
    Frame(usize),
    Answer(usize),
}

struct Edge {
    from: usize,
    step: Step,
}

struct State {
    open: Open,
    at: usize,
    cost: i32,
    edges: Vec<Edge>,
}

impl Grammar {
    /// The best ways to cover `on`.
    pub fn derive(&self, on: &Utterance, openings: &Openings) -> Vec<Derivation> {
        let matches = self.all_matches(on);
        let mut chart = Chart::new(on.tokens.len());
        if openings.addressed {
            chart.reach(0, Open::Addressed, 0, None);
        }
        // Behind the tool's name alone a value may be told as well: "BP 86/54" asks nothing of it.
        chart.reach(0, Open::Nothing, if openings.addressed { NOT_TO_US } else { 0 }, None);
        for frame in &openings.answers {
            chart.reach(0, Open::Answer(*frame), 1, None);
        }
        for at in 0..on.tokens.len() {
            let here: Vec<usize> = chart.at.get(at).cloned().unwrap_or_default();
            for state in here {
                self.skip(&mut chart, state, at, on);
                for found in matches.get(at).into_iter().flatten() {
                    if !self.fits_before(found, &matches, openings, on) {
                        continue;
                    }
                    self.take(&mut chart, state, found, openings, on);
                }
            }
        }
        chart.read(on.tokens.len())
    }

    fn all_matches(&self, on: &Utterance) -> Vec<Vec<Rc<Match>>> {
        let mut all: Vec<Vec<Rc<Match>>> = Vec::with_capacity(on.tokens.len());
        let mut texts: Vec<(usize, u32)> = Vec::new();
        let last = Last::of(self, on);
        for at in 0..on.tokens.len() {
            let mut here = Vec::new();
            let words = on.ids.get(at).and_then(|id| self.by_word.get(id)).map(Vec::as_slice).unwrap_or_default();
            let numeric = on.numeric(at);
            let numbers = if numeric { self.by_number.as_slice() } else { &[] };
            for phrase in words.iter().chain(numbers) {
                let Some(template) = self.phrases.get(*phrase as usize) else { continue };
                let begins = !template.start || on.starts.get(at).copied().unwrap_or(false);
                if !begins || !last.allows(&template.needed, at) {
                    continue;
                }
                if template.texts {
                    texts.push((at, *phrase));
                    continue;
                }
                if self.inverted(template, at, on) {
                    continue;
                }
                here.extend(self.match_at(*phrase, at, on, &[]).into_iter().map(Rc::new));
            }
            all.push(here);
        }
        if texts.is_empty() {
            return all;
        }
        let stops: Vec<bool> = (0..on.tokens.len()).map(|at| self.stops_text(at, &all, on)).collect();
        for (at, phrase) in texts {
            let found = self.match_at(phrase, at, on, &stops);
            if let Some(here) = all.get_mut(at) {
                here.extend(found.into_iter().map(Rc::new));
            }
        }
        all
    }

    /// "is he allergic": an auxiliary before its subject asks, and no phrase that states may begin with it.
    fn inverted(&self, phrase: &Phrase, at: usize, on: &Utterance) -> bool {
        let states = matches!(phrase.role, Role::Open(_) | Role::Alone(_) | Role::Fill(_) | Role::Answer(_));
        let is = |at: usize, set: &BTreeSet<WordId>| on.ids.get(at).is_some_and(|id| set.contains(id));
        // "isn't he on blood thinners" asks too.
        let not = on.tokens.get(at + 1).is_some_and(|t| t.text == "not");
        let passed = not || on.is_free(at + 1);
        let before_subject = is(at + 1, &self.subject) || (passed && is(at + 2, &self.subject));
        states && phrase.asks.is_none() && is(at, &self.auxiliary) && before_subject
    }

    /// Free text may not swallow a measured value, a correction, or (behind a comma) anything but more of its like.
    fn stops_text(&self, at: usize, all: &[Vec<Rc<Match>>], on: &Utterance) -> bool {
        let comma = at > 0 && on.tokens.get(at - 1).is_some_and(|t| t.after == Break::Comma);
        let frame_of = |m: &Match| match self.phrases.get(m.phrase as usize).map(|p| p.role) {
            Some(Role::Open(f) | Role::Alone(f)) => self.frames.get(f),
            _ => None,
        };
        let here = all.get(at).map(Vec::as_slice).unwrap_or_default();
        // "breathing" alone names no measured value ("worse with deep breathing"); with a value behind it it does.
        let valued = |m: &Match| match self.phrases.get(m.phrase as usize).map(|p| p.role) {
            Some(Role::Open(frame)) if !comma => {
                let behind = all.get(m.end).map(Vec::as_slice).unwrap_or_default();
                behind.iter().any(|b| self.phrases.get(b.phrase as usize).is_some_and(|p| p.role == Role::Fill(frame)))
            }
            _ => true,
        };
        // What only goes on with something ("vitals are" ... "eighty eight") is no value by itself.
        let goes_on = |m: &Match| self.phrases.get(m.phrase as usize).is_some_and(|p| !p.behind.is_empty());
        let vital = here.iter().any(|m| frame_of(m).is_some_and(|f| f.vital) && valued(m) && !goes_on(m));
        let ends = here.iter().any(|m| {
            let alone = self.phrases.get(m.phrase as usize).is_some_and(|p| matches!(p.role, Role::Alone(_)));
            alone && frame_of(m).is_some_and(|f| f.ends_text)
        });
        let talk = here.iter().any(|m| match self.phrases.get(m.phrase as usize).map(|p| p.role) {
            Some(Role::Talk(t)) => {
                matches!(self.act(t), Some(Act::Correct | Act::Address | Act::Retract | Act::Denies))
            }
            Some(Role::Guard(_)) => comma,
            _ => false,
        });
        let other = comma && !here.iter().any(|m| frame_of(m).is_some_and(|f| f.in_text));
        vital || ends || talk || other
    }

    /// True unless the phrase needs one of certain frames right behind it ("no nitro, his pressure is"), or a question is
    /// open that it would answer.
    fn fits_before(&self, found: &Match, all: &[Vec<Rc<Match>>], openings: &Openings, on: &Utterance) -> bool {
        let Some(phrase) = self.phrases.get(found.phrase as usize).filter(|p| !p.before.is_empty()) else {
            return true;
        };
        let of_frame = |m: &Rc<Match>| match self.phrases.get(m.phrase as usize).map(|p| p.role) {
            Some(Role::Open(frame) | Role::Alone(frame)) => phrase.before.contains(&frame),
            _ => false,
        };
        let free = |at: &usize| on.is_free(*at);
        let next = (found.end..on.tokens.len()).take_while(|at| *at == found.end || free(&(at - 1)));
        openings.answers.is_empty() && next.into_iter().any(|at| all.get(at).into_iter().flatten().any(of_frame))
    }

    fn skip(&self, chart: &mut Chart, state: usize, at: usize, on: &Utterance) {
        let Some((open, cost)) = chart.states.get(state).map(|s| (s.open, s.cost)) else { return };
        let free = on.is_free(at);
        let number = on.tokens.get(at).is_some_and(|t| t.is_number());
        let open = awake(open, at, on);
        // "Oh, about one ten" answers as "about one ten" does.
        let interjected = on.starts.get(at) == Some(&true)
            && on.ends_clause(at + 1)
            && on.ids.get(at).is_some_and(|id| self.lead.contains(id));
        let free = free || interjected;
        let number = number && !interjected;
        let (open, price) = match (free, number) {
            _ if matches!(open, Open::Muted | Open::Elsewhere) => (open, MUTED),
            // Behind the tool's name little is said for nothing.
            (true, false) if open == Open::Addressed => (open, PHRASE + 1),
            (true, false) => (open, FREE),
            (_, true) => (closed(open), NUMBER),
            (false, false) => (closed(open), WORD),
        };
        chart.reach(at + 1, open, cost + price, Some(Edge { from: state, step: Step::Skip { at, free } }));
    }

    fn take(&self, chart: &mut Chart, state: usize, found: &Rc<Match>, openings: &Openings, on: &Utterance) {
        let Some((open, cost)) = chart.states.get(state).map(|s| (s.open, s.cost)) else { return };
        let Some(phrase) = self.phrases.get(found.phrase as usize) else { return };
        let open = awake(open, found.start, on);
        if !phrase.behind.is_empty() && !matches!(open, Open::Frame(frame) if phrase.behind.contains(&frame)) {
            return;
        }
        if !phrase.known.is_empty() && !phrase.known.iter().any(|condition| openings.known.contains(condition)) {
            return;
        }
        let impossible = found.caps.iter().filter(|c| c.impossible).count() as i32 * IMPOSSIBLE;
        let broken = found.caps.iter().filter(|c| on.breaks_number(c)).count() as i32 * BROKEN;
        let price = phrase.cost + impossible + broken + found.passed as i32 * PASSED;
        let edge = || Some(Edge { from: state, step: Step::Phrase(found.clone()) });
        let mut go = |next: Open, base: i32| chart.reach(found.end, next, cost + base + price, edge());
        match phrase.role {
            Role::Open(frame) | Role::Alone(frame) => {
                let bare = matches!(phrase.role, Role::Open(_)) && found.caps.is_empty() && phrase.sets.is_empty();
                let next = match open {
                    Open::Question => Open::Answer(frame),
                    _ if bare => Open::Named(frame),
                    _ => Open::Frame(frame),
                };
                let empty = if matches!(open, Open::Named(named) if named != frame) { EMPTY } else { 0 };
                // A question that names what it asks for costs what another question costs.
                if phrase.asks.is_some() {
                    go(Open::Answer(frame), TALK - 1);
                } else if open != Open::Addressed {
                    go(next, PHRASE + empty);
                }
            }
            Role::Fill(frame) => {
                let go = |next: Open, base: i32| go(next, base + self.of_somebody(found, on));
                let mut go = go;
                if open == Open::Frame(frame) || open == Open::Answer(frame) {
                    go(open, FILL);
                } else if open == Open::Named(frame) {
                    go(Open::Frame(frame), FILL);
                }
            }
            Role::Answer(frame) => {
                if open == Open::Answer(frame) {
                    go(open, FILL);
                }
            }
            // A question put to the tool is a command.
            Role::Guard(_) if open == Open::Addressed => {}
            Role::Guard(guard) => match self.guards.get(guard).map(|g| g.mood) {
                Some(Mood::Question | Mood::Which) => go(Open::Question, TALK),
                Some(Mood::Purpose | Mood::Restated | Mood::Was | Mood::Newborn) => go(open, TALK),
                Some(Mood::Rule | Mood::Condition) => go(Open::Muted, ASIDE),
                Some(Mood::Other | Mood::Past | Mood::NotHere) => go(Open::Elsewhere, ASIDE),
                _ => go(Open::Nothing, TALK),
            },
            Role::Talk(talk) => match self.act(talk) {
                Some(Act::Address) => go(Open::Addressed, TALK),
                Some(Act::Correct) => {
                    match open {
                        Open::Frame(frame) | Open::Named(frame) | Open::Answer(frame) => go(Open::Answer(frame), TALK),
                        _ => go(Open::Nothing, TALK),
                    }
                    for frame in &openings.corrections {
                        go(Open::Answer(*frame), TALK);
                    }
                }
                Some(Act::No) => {
                    go(open, TALK);
                    for frame in openings.contested.iter().filter(|_| found.start == 0) {
                        go(Open::Answer(*frame), TALK);
                    }
                }
                // What somebody tells is no more of what was measured: "pulse is strong, he tells me he is sixty six".
                Some(Act::Patient | Act::Family | Act::Bystander | Act::OtherAgency) => match open {
                    Open::Frame(frame) if self.frames.get(frame).is_some_and(|f| f.vital) => go(Open::Nothing, TALK),
                    _ => go(open, TALK),
                },
                _ => go(open, TALK),
            },
            Role::Command(command) => {
                let addressed = self.commands.get(command).is_none_or(|c| c.addressed);
                if open == Open::Addressed {
                    go(Open::Addressed, PHRASE);
                } else if !addressed {
                    go(Open::Nothing, PHRASE);
                }
            }
        }
    }
}

impl Grammar {
    /// "pulse is strong, he is sixty six": behind a pause and a "he" a bare number may be an age as well. As dear as
    /// that, so that it is asked.
    fn of_somebody(&self, found: &Match, on: &Utterance) -> i32 {
        let is = |at: usize, set: &BTreeSet<WordId>| on.ids.get(at).is_some_and(|id| set.contains(id));
        let number = found.caps.iter().any(|c| matches!(c.value, CapValue::Number(_)));
        let verb = usize::from(found.start > 0 && is(found.start - 1, &self.auxiliary));
        let before = found.start.checked_sub(1 + verb).filter(|b| is(*b, &self.subject));
        let paused = before.and_then(|b| b.checked_sub(1)).and_then(|b| on.tokens.get(b)).map(|t| t.after);
        match number && found.end == on.tokens.len() && paused == Some(Break::Comma) {
            true => EMPTY,
            false => 0,
        }
    }
}

/// A pause ends what is said of somebody else, the end of the sentence what is said of rules.
fn awake(open: Open, at: usize, on: &Utterance) -> Open {
    let pause = at.checked_sub(1).and_then(|b| on.tokens.get(b)).map_or(Break::None, |t| t.after);
    match open {
        Open::Muted if pause >= Break::Stop => Open::Nothing,
        Open::Elsewhere if pause >= Break::Comma => Open::Nothing,
        _ => open,
    }
}

/// An unknown word closes what was open, except that the tool stays addressed.
fn closed(open: Open) -> Open {
    match open {
        Open::Addressed => Open::Addressed,
        _ => Open::Nothing,
    }
}

struct Chart {
    states: Vec<State>,
    /// State indices by place.
    at: Vec<Vec<usize>>,
}

impl Chart {
    fn new(words: usize) -> Chart {
        Chart { states: Vec::new(), at: vec![Vec::new(); words + 1] }
    }

    fn reach(&mut self, at: usize, open: Open, cost: i32, edge: Option<Edge>) {
        let Some(here) = self.at.get_mut(at) else { return };
        let known = here.iter().copied().find(|s| self.states.get(*s).is_some_and(|s| s.open == open));
        let Some(state) = known.and_then(|k| self.states.get_mut(k)) else {
            here.push(self.states.len());
            self.states.push(State { open, at, cost, edges: edge.into_iter().collect() });
            return;
        };
        if cost < state.cost {
            state.cost = cost;
            state.edges = edge.into_iter().collect();
        } else if cost == state.cost {
            state.edges.extend(edge);
        }
    }

    /// Every cheapest path from the start to `end`, up to a bound.
    fn read(&self, end: usize) -> Vec<Derivation> {
        let last = self.at.get(end).map(Vec::as_slice).unwrap_or_default();
        let best = last.iter().filter_map(|s| self.states.get(*s)).map(|s| s.cost).min();
        let mut all = Vec::new();
        for state in last.iter().copied() {
            if self.states.get(state).map(|s| s.cost) == best {
                self.walk(state, &mut Vec::new(), &mut all);
            }
        }
        all
    }

    fn walk(&self, state: usize, later: &mut Vec<Step>, all: &mut Vec<Derivation>) {
        if all.len() >= DERIVATIONS {
            return;
        }
        let Some(node) = self.states.get(state) else { return };
        if node.edges.is_empty() {
            let mut steps: Vec<Step> = later.iter().rev().cloned().collect();
            if let (Open::Answer(frame), 0) = (node.open, node.at) {
                steps.insert(0, Step::Opened(frame));
            }
            all.push(Derivation { steps });
            return;
        }
        for edge in &node.edges {
            later.push(edge.step.clone());
            self.walk(edge.from, later, all);
            later.pop();
        }
    }
}
