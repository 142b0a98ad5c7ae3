//! Sentences the grammar accepts, each with the phrases it was made of: for the recogniser to learn from, and for a
//! test that goes round in a circle.

use super::{Cap, CapValue, Derivation, Grammar, List, Match, Node, Role, Slot, Source, Step, Target, Utterance};
use crate::core::decimal::Decimal;
use crate::core::finding::Field;
use crate::core::text;

/// A small generator of its own (xorshift64*): the same seed gives the same sentences on every machine.
#[derive(Clone, Debug)]
pub struct Random(u64);

impl Random {
    pub fn new(seed: u64) -> Random {
        Random(seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) | 1)
    }

    /// One stream for each text, so that what is made of one phrase does not change when another phrase does
    /// (FNV-1a over the text).
    pub fn of_text(seed: u64, text: &str) -> Random {
        let hash = text
            .bytes()
            .fold(0xCBF2_9CE4_8422_2325_u64, |hash, byte| (hash ^ u64::from(byte)).wrapping_mul(0x0000_0100_0000_01B3));
        Random::new(seed ^ hash)
    }

    fn next(&mut self) -> u64 {
        self.0 ^= self.0 >> 12;
        self.0 ^= self.0 << 25;
        self.0 ^= self.0 >> 27;
        self.0.wrapping_mul(0x2545_F491_4F6C_DD1D) >> 11
    }

    /// Below `n`; 0 when `n` is 0.
    pub fn below(&mut self, n: usize) -> usize {
        if n == 0 { 0 } else { (self.next() % n as u64) as usize }
    }

    fn pick<'a, T>(&mut self, items: &'a [T]) -> Option<&'a T> {
        items.get(self.below(items.len()))
    }

    fn chance(&mut self, percent: usize) -> bool {
        self.below(100) < percent
    }
}

/// A sentence being made.
struct Maker<'a> {
    grammar: &'a Grammar,
    random: &'a mut Random,
    spelling: &'a [String],
    text: String,
    steps: Vec<Step>,
    /// How many words the pieces said have, each by itself.
    pieces: usize,
}

impl Grammar {
    /// Words by number, for spelling samples out.
    pub(crate) fn spelling(&self) -> Vec<String> {
        let mut words = vec![String::new(); self.words.len() + 1];
        for (word, id) in &self.words {
            if let Some(place) = words.get_mut(*id as usize) {
                *place = word.clone();
            }
        }
        words
    }

    /// One sentence of one to three breaths.
    pub(crate) fn sentence(&self, random: &mut Random, spelling: &[String]) -> Option<(Utterance, Derivation)> {
        let mut maker = Maker { grammar: self, random, spelling, text: String::new(), steps: Vec::new(), pieces: 0 };
        let breaths = 1 + maker.random.below(10) / 6 + maker.random.below(10) / 8;
        match maker.random.below(100) {
            0..8 => maker.question()?,
            8..12 => maker.command()?,
            _ => {
                for at in 0..breaths {
                    if at > 0 {
                        maker.text.push(',');
                    }
                    let frame = maker.random.below(self.frames.len());
                    maker.breath(frame)?;
                }
            }
        }
        let text = std::mem::take(&mut maker.text);
        let steps = std::mem::take(&mut maker.steps);
        Some((self.utterance(&text), Derivation { steps }))
    }

    /// One sentence made of phrase `index` (and a cue before it where it needs one).
    pub(crate) fn sentence_of(
        &self,
        index: usize,
        random: &mut Random,
        spelling: &[String],
    ) -> Option<(Utterance, Derivation)> {
        let mut maker = Maker { grammar: self, random, spelling, text: String::new(), steps: Vec::new(), pieces: 0 };
        match self.phrases.get(index)?.role {
            Role::Fill(frame) => {
                let opens = maker.of_role(|r| r == Role::Open(frame));
                let alone = maker.of_role(|r| r == Role::Alone(frame));
                let cue = *maker.random.pick(if opens.is_empty() { &alone } else { &opens })?;
                // Nothing follows what only stands at the end of a clause.
                // Behind a clause's end nothing fills, and free text takes all that follows.
                if self.phrases.get(cue).is_some_and(|p| p.end || p.texts || !p.behind.is_empty()) {
                    return None;
                }
                maker.phrase(cue)?;
                maker.phrase(index)?;
            }
            Role::Command(_) => {
                maker.address()?;
                maker.phrase(index)?;
            }
            // An answer says nothing without its question.
            Role::Answer(_) => return None,
            _ => {
                let phrase = self.phrases.get(index)?;
                if !phrase.known.is_empty() || !phrase.before.is_empty() {
                    return None;
                }
                if let Some(frame) = self.phrases.get(index)?.behind.first().copied() {
                    let cues = maker.of_role(|r| r == Role::Alone(frame));
                    let cue = *maker.random.pick(&cues)?;
                    if self.phrases.get(cue).is_some_and(|p| p.end || p.texts || !p.behind.is_empty()) {
                        return None;
                    }
                    maker.phrase(cue)?;
                }
                maker.phrase(index)?;
            }
        }
        let text = std::mem::take(&mut maker.text);
        let steps = std::mem::take(&mut maker.steps);
        let on = self.utterance(&text);
        // The spelling may join what two pieces say ("a" + "e d medications" is read "aed medications"): that sentence
        // says something else.
        (on.tokens.len() == maker.pieces).then_some((on, Derivation { steps }))
    }
}

impl Maker<'_> {
    fn of_role(&self, wanted: impl Fn(Role) -> bool) -> Vec<usize> {
        let all = self.grammar.phrases.iter().enumerate();
        // What only the record or the next words make legal says nothing by itself.
        all.filter(|(_, p)| wanted(p.role) && p.known.is_empty() && p.before.is_empty()).map(|(i, _)| i).collect()
    }

    fn breath(&mut self, frame: usize) -> Option<()> {
        let opens = self.of_role(|r| r == Role::Open(frame));
        let mut alone = self.of_role(|r| r == Role::Alone(frame));
        alone.retain(|at| self.grammar.phrases.get(*at).is_some_and(|p| p.behind.is_empty()));
        let fills = self.of_role(|r| r == Role::Fill(frame));
        if opens.is_empty() || fills.is_empty() || (!alone.is_empty() && self.random.chance(45)) {
            let phrase = *self.random.pick(if alone.is_empty() { &opens } else { &alone })?;
            return self.phrase(phrase);
        }
        let open = *self.random.pick(&opens)?;
        self.phrase(open)?;
        let mut used = Vec::new();
        for _ in 0..1 + self.random.below(3) {
            let fill = *self.random.pick(&fills)?;
            if !used.contains(&fill) {
                self.phrase(fill)?;
                used.push(fill);
            }
        }
        Some(())
    }

    fn question(&mut self) -> Option<()> {
        let guards = self.of_role(|r| matches!(r, Role::Guard(_)));
        let opens = self.of_role(|r| matches!(r, Role::Open(_)));
        let guard = *self.random.pick(&guards)?;
        let open = *self.random.pick(&opens)?;
        self.phrase(guard)?;
        self.phrase(open)
    }

    fn command(&mut self) -> Option<()> {
        self.address()?;
        let commands = self.of_role(|r| matches!(r, Role::Command(_)));
        let command = *self.random.pick(&commands)?;
        self.phrase(command)
    }

    fn address(&mut self) -> Option<()> {
        let address = self.of_role(|r| matches!(r, Role::Talk(t) if self.grammar.act(t) == Some(super::Act::Address)));
        let address = *self.random.pick(&address)?;
        self.phrase(address)?;
        self.text.push(',');
        Some(())
    }

    fn place(&self) -> usize {
        self.grammar.utterance(&self.text).tokens.len()
    }

    fn phrase(&mut self, index: usize) -> Option<()> {
        let grammar = self.grammar;
        let phrase = grammar.phrases.get(index)?;
        let start = self.place();
        let mut caps = Vec::new();
        self.node(&phrase.node, &mut caps)?;
        let end = self.place();
        let found = Match { phrase: index as u32, start, end, caps, passed: 0 };
        self.steps.push(Step::Phrase(std::rc::Rc::new(found)));
        Some(())
    }

    fn say(&mut self, words: &str) {
        if !self.text.is_empty() {
            self.text.push(' ');
        }
        self.text.push_str(words);
        self.pieces += self.grammar.utterance(words).tokens.len();
    }

    fn node(&mut self, node: &Node, caps: &mut Vec<Cap>) -> Option<()> {
        match node {
            Node::Word(word) => {
                let word = self.spelling.get(*word as usize)?.clone();
                self.say(&word);
            }
            Node::Seq(items) => {
                for item in items {
                    self.node(item, caps)?;
                }
            }
            Node::Alt(items) => {
                let item = self.random.pick(items)?.clone();
                self.node(&item, caps)?;
            }
            Node::Opt(inner) => {
                if self.random.chance(35) {
                    self.node(inner, caps)?;
                }
            }
            Node::NoPause => {}
            Node::Slot(slot) => self.slot(*slot, caps)?,
        }
        Some(())
    }

    fn slot(&mut self, index: usize, caps: &mut Vec<Cap>) -> Option<()> {
        let grammar = self.grammar;
        let slot = grammar.slots.get(index)?;
        // Two numbers side by side, or one thing said twice, is nothing that anybody says.
        let counts = !matches!(slot.source, Source::List(_) | Source::Rest);
        let number_before = || self.grammar.utterance(&self.text).tokens.last().is_some_and(|t| t.is_number());
        if (counts && number_before()) || self.said(slot) {
            return None;
        }
        let start = self.place();
        let value = match slot.source {
            Source::List(list) => self.item(list, grammar.lists.get(list)?)?,
            _ => self.value(slot)?,
        };
        let end = self.place();
        caps.push(Cap { slot: index, start, end, value, impossible: false });
        Some(())
    }

    /// True when an earlier phrase of the sentence filled the same field.
    fn said(&self, slot: &Slot) -> bool {
        let Some(field) = self.only_field(slot) else { return false };
        let fills = |cap: &Cap| match (self.grammar.slots.get(cap.slot).map(|s| &s.target), &cap.value) {
            (Some(Target::Field(other)), _) => *other == field,
            (_, CapValue::Item { list, item }) => {
                let item = self.grammar.item(*list, *item);
                item.is_some_and(|i| i.sets.iter().chain(&i.default).any(|(f, _)| *f == field))
            }
            _ => false,
        };
        self.steps.iter().any(|step| matches!(step, Step::Phrase(found) if found.caps.iter().any(fills)))
    }

    /// The field that every value of the slot fills, if there is one.
    fn only_field(&self, slot: &Slot) -> Option<Field> {
        match (&slot.target, slot.source) {
            (Target::Field(field), _) => Some(*field),
            (Target::Item, Source::List(list)) => {
                let items = &self.grammar.lists.get(list)?.items;
                let first = items.first()?.sets.first()?.0;
                items.iter().all(|i| i.sets.first().is_some_and(|(f, _)| *f == first)).then_some(first)
            }
            _ => None,
        }
    }

    fn item(&mut self, list: usize, data: &List) -> Option<CapValue> {
        let item = self.random.below(data.items.len());
        let words = self.random.pick(&data.items.get(item)?.say)?.clone();
        self.say(&words);
        let bare = data.items.get(item).is_some_and(|i| i.sets.is_empty() && i.default.is_empty());
        Some(if bare { CapValue::Text(words) } else { CapValue::Item { list, item } })
    }

    /// A value in the recogniser's own spelling: digits.
    fn value(&mut self, slot: &Slot) -> Option<CapValue> {
        let number = |value: i64| Decimal::from_int(value);
        Some(match slot.source {
            Source::Number => {
                let value = self.number(slot);
                self.say(&value.to_string());
                CapValue::Number(value)
            }
            Source::Fahrenheit | Source::Degrees => {
                let value = Decimal::new(950 + self.random.below(100) as i64, 1);
                self.say(&value.to_string());
                CapValue::Number(value)
            }
            Source::Tenths => {
                let value = Decimal::new(951 + 10 * self.random.below(10) as i64, 1);
                self.say(&value.to_string());
                CapValue::Number(value)
            }
            Source::Celsius => {
                let value = Decimal::new(350 + self.random.below(55) as i64, 1);
                self.say(&value.to_string());
                CapValue::Number(value)
            }
            Source::Pounds => {
                let value = number(90 + self.random.below(200) as i64);
                self.say(&value.to_string());
                CapValue::Number(value)
            }
            Source::Kilograms => {
                let value = number(40 + self.random.below(80) as i64);
                self.say(&value.to_string());
                CapValue::Number(value)
            }
            Source::Days => {
                let weeks = 2 + self.random.below(5) as i64;
                self.say(&format!("{weeks} weeks"));
                CapValue::Seconds { seconds: weeks * 604_800, approximate: false }
            }
            Source::Seconds | Source::Minutes | Source::Hours | Source::Ago => {
                let minutes = 2 + self.random.below(50) as i64;
                self.say(&format!("{minutes} minutes"));
                CapValue::Seconds { seconds: minutes * 60, approximate: false }
            }
            Source::Clock | Source::ClockText | Source::Moment => {
                let (hour, minute) = (13 + self.random.below(10), 10 + self.random.below(50));
                self.say(&format!("{hour}:{minute}"));
                let tokens = self.grammar.utterance(&format!("{hour}:{minute}")).tokens;
                CapValue::Clock(*text::clocks(&tokens, 0).first()?)
            }
            Source::Month => {
                let (year, month) = (2027 + self.random.below(4) as u16, 1 + self.random.below(12) as u8);
                self.say(&format!("{month:02}/{year}"));
                CapValue::Month { year, month }
            }
            _ => return self.free_text(),
        })
    }

    fn free_text(&mut self) -> Option<CapValue> {
        let list = self.grammar.lists.iter().find(|l| l.id == "sample_text")?;
        let item = self.random.below(list.items.len());
        let words = list.items.get(item)?.say.first()?.clone();
        self.say(&words);
        Some(CapValue::Text(words))
    }

    fn number(&mut self, slot: &Slot) -> Decimal {
        let Some(rule) = slot.number else { return Decimal::from_int(2 + self.random.below(8) as i64) };
        if rule.high.as_int().is_none() {
            let tenths = if rule.high < Decimal::from_int(1) { 0 } else { self.random.below(10) * 10 };
            return Decimal::new((tenths + 1 + self.random.below(9)) as i64, 1);
        }
        let (low, high) = rule.ask.unwrap_or_else(|| {
            let whole = |d: Decimal| d.as_f64() as i64;
            (whole(rule.low), whole(rule.high).min(whole(rule.low) + 60))
        });
        let span = usize::try_from(high - low).unwrap_or(0);
        let value = Decimal::from_int(low + self.random.below(span + 1) as i64);
        value.max(rule.low).min(rule.high)
    }
}
