//! From files as written to a grammar that can match: names resolved, words interned, phrases indexed by first word.

use std::collections::{BTreeSet, HashMap};

use super::data::{self, At, Files, Said, Sets};
use super::needed::needed;
use super::template::{self, Piece};
use super::{
    Act, Asks, CommandEntry, Frame, Grammar, Guard, Item, List, Mood, Node, NumberRule, Phrase, Role, Slot, Source,
    Talk, Target, WordId,
};
use crate::core::condition::Condition;
use crate::core::decimal::Decimal;
use crate::core::diagnostic::position;
use crate::core::finding::{Field, Kind, Shape, Value, schema};
use crate::core::text::Lexicon;

/// Deepest chain of rules that name rules.
const RULE_DEPTH: usize = 8;

pub fn compile(files: &mut Files, lexicon: Lexicon) -> Grammar {
    let mut compiler = Compiler { grammar: Grammar { lexicon, ..Grammar::default() }, lists: HashMap::new(), files };
    compiler.fillers();
    compiler.lists();
    compiler.frames();
    compiler.guards();
    compiler.talk();
    compiler.commands();
    compiler.grammar.prompts =
        compiler.files.prompts.iter().map(|(id, said)| (id.clone(), said.text.clone())).collect();
    compiler.sounds();
    index(&mut compiler.grammar);
    compiler.grammar
}

struct Compiler<'f> {
    grammar: Grammar,
    lists: HashMap<String, usize>,
    files: &'f mut Files,
}

/// What a phrase's slots may fill.
struct Scope {
    kind: Option<Kind>,
    numbers: HashMap<String, data::Number>,
    command: bool,
}

impl Compiler<'_> {
    fn complain(&mut self, at: At, message: impl Into<String>, hint: impl Into<String>) {
        let hint = Some(hint.into()).filter(|h: &String| !h.is_empty());
        self.files.complain(at, message, hint);
    }

    /// Single words of lists that allow it may be recognised by their sound.
    fn sounds(&mut self) {
        let lists = self.grammar.lists.iter().filter(|l| l.sounds);
        let said: Vec<String> = lists.flat_map(|l| l.items.iter().flat_map(|i| i.say.iter().cloned())).collect();
        for text in said {
            let mut tokens = self.grammar.lexicon.tokens(&text);
            if let (Some(token), true) = (tokens.pop(), tokens.is_empty()) {
                let id = self.intern(token.text.clone());
                self.grammar.sounds.add(&token.text, id);
            }
        }
    }

    fn words(&mut self, text: &str) -> Vec<WordId> {
        let tokens = self.grammar.lexicon.tokens(text);
        tokens.into_iter().map(|token| self.intern(token.text)).collect()
    }

    fn intern(&mut self, word: String) -> WordId {
        let next = self.grammar.words.len() as WordId + 1;
        *self.grammar.words.entry(word).or_insert(next)
    }

    fn fillers(&mut self) {
        for said in self.files.drop.clone() {
            let words = self.words(&said.text);
            if words.len() != 1 {
                self.complain(said.at, format!("`{}` is not one word", said.text), "");
            }
            self.grammar.drop.extend(words);
        }
        for said in self.files.free.clone() {
            let words = self.words(&said.text);
            self.grammar.within.extend(words.iter().copied());
            self.grammar.free.extend(words);
        }
        self.grammar.about = self.word_set(&self.files.about.clone());
        self.grammar.telling = self.word_set(&self.files.telling.clone());
        self.grammar.asserting = self.word_set(&self.files.asserting.clone());
        self.grammar.denying = self.word_set(&self.files.denying.clone());
        self.grammar.narrowing = self.word_set(&self.files.narrowing.clone());
        self.grammar.excepting = self.word_set(&self.files.excepting.clone());
        self.grammar.pronoun = self.word_set(&self.files.pronoun.clone());
        self.grammar.anew = self.word_set(&self.files.anew.clone());
        self.grammar.dating = self.word_set(&self.files.dating.clone());
        self.grammar.now = self.word_set(&self.files.now.clone());
        self.grammar.since = self.word_set(&self.files.since.clone());
        self.grammar.denying_lists = self.word_set(&self.files.denying_lists.clone());
        self.grammar.auxiliary = self.word_set(&self.files.auxiliary.clone());
        self.grammar.subject = self.word_set(&self.files.subject.clone());
        for said in self.files.lead.clone() {
            let words = self.words(&said.text);
            self.grammar.free.extend(words.clone());
            self.grammar.lead.extend(words);
        }
    }

    /// Every word of `all`.
    fn word_set(&mut self, all: &[data::Said]) -> BTreeSet<WordId> {
        all.iter().flat_map(|said| self.words(&said.text)).collect()
    }

    fn lists(&mut self) {
        for list in self.files.lists.clone() {
            let mut compiled = List { id: list.id.clone(), sounds: list.sounds, ..List::default() };
            for item in &list.items {
                self.item(&mut compiled, item);
            }
            if compiled.items.is_empty() {
                self.complain(list.at, format!("list `{}` is empty", list.id), "");
            }
            self.lists.insert(list.id.clone(), self.grammar.lists.len());
            self.grammar.lists.push(compiled);
        }
    }

    fn item(&mut self, list: &mut List, item: &data::Item) {
        let index = list.items.len();
        let sets = self.sets(&item.set, None);
        let default = self.sets(&item.default, None);
        let mut say = Vec::new();
        for said in &item.say {
            for text in expand(&said.text) {
                let words = self.words(&text);
                let Some((first, rest)) = words.split_first() else {
                    self.complain(said.at, "an item says nothing", "");
                    continue;
                };
                let entry = list.starts.entry(*first).or_default();
                if let Some((_, other)) = entry.iter().find(|(words, _)| words == rest) {
                    // Two spellings of one word within an item are one.
                    if *other == index {
                        continue;
                    }
                    self.complain(said.at, format!("`{text}` stands twice in list `{}`", list.id), "");
                    continue;
                }
                entry.push((rest.to_vec(), index));
                say.push(text);
            }
        }
        let usual_below = item.usual_below.as_ref().and_then(Value::as_number);
        list.items.push(Item { say, sets, default, usual_below, confirm: item.confirm, adjective: item.adjective });
    }

    /// Resolves field names; with a kind, values are checked against the schema.
    fn sets(&mut self, sets: &Sets, kind: Option<Kind>) -> Vec<(Field, Value)> {
        let mut resolved = Vec::new();
        for (key, value, at) in sets {
            let Some(field) = Field::from_name(key) else {
                let near = nearest(key, Field::ALL.iter().map(|f| f.name()));
                self.complain(*at, format!("`{key}` is no known field"), near);
                continue;
            };
            if let Some(problem) = kind.and_then(|kind| schema::problem(kind, field, value)) {
                self.complain(*at, problem, "");
                continue;
            }
            resolved.push((field, value.clone()));
        }
        resolved
    }

    fn fields(&mut self, names: &[Said]) -> Vec<Field> {
        let mut fields = Vec::new();
        for name in names {
            match Field::from_name(&name.text) {
                Some(field) => fields.push(field),
                None => self.complain(name.at, format!("`{}` is no known field", name.text), ""),
            }
        }
        fields
    }

    fn frames(&mut self) {
        for raw in self.files.frames.clone() {
            let Some(kind) = self.kind(&raw) else { continue };
            let index = self.grammar.frames.len();
            let deny = raw.deny.as_ref().map(|s| self.sets(s, Some(kind)));
            let frame = Frame {
                id: raw.id.clone(),
                kind,
                sets: self.sets(&raw.set, Some(kind)),
                default: self.sets(&raw.default, Some(kind)),
                yes: Some(raw.yes.as_ref().map(|s| self.sets(s, Some(kind))).unwrap_or_default()),
                no: raw.no.as_ref().map(|s| self.sets(s, Some(kind))).or(deny.clone()),
                deny,
                needs: self.fields(&raw.needs),
                carry: self.fields(&raw.carry),
                carry_back: self.fields(&raw.carry_back),
                vital: raw.vital,
                changes: raw.vital || raw.changes,
                in_text: raw.in_text,
                ends_text: raw.ends_text,
                by_order: raw.by_order,
            };
            self.grammar.frames.push(frame);
            let numbers = raw.number.iter().map(|n| (n.field.clone(), n.clone())).collect();
            for number in &raw.number {
                if Field::from_name(&number.field).and_then(|f| schema::bounds(kind, f)).is_none() {
                    self.complain(number.at, format!("`{}` holds no number in {}", number.field, kind.name()), "");
                }
            }
            let scope = Scope { kind: Some(kind), numbers, command: false };
            for (phrases, role) in [
                (&raw.open, Role::Open(index)),
                (&raw.alone, Role::Alone(index)),
                (&raw.fill, Role::Fill(index)),
                (&raw.answer, Role::Answer(index)),
            ] {
                self.phrases(phrases, role, &scope);
            }
        }
    }

    fn kind(&mut self, raw: &data::Frame) -> Option<Kind> {
        let Some(said) = &raw.finding else {
            self.complain(raw.at, format!("frame `{}` does not say which `finding` it makes", raw.id), "");
            return None;
        };
        let kind = Kind::from_name(&said.text);
        if kind.is_none() {
            let near = nearest(&said.text, Kind::ALL.iter().map(|k| k.name()));
            self.complain(said.at, format!("`{}` is no known finding", said.text), near);
        }
        kind
    }

    fn guards(&mut self) {
        for raw in self.files.guards.clone() {
            let Some(mood) = Mood::from_name(&raw.mood.text) else {
                let hint = format!("known: {}", Mood::NAMES.join(", "));
                self.complain(raw.mood.at, format!("`{}` is no known mood", raw.mood.text), hint);
                continue;
            };
            let index = self.grammar.guards.len();
            self.grammar.guards.push(Guard { id: raw.id, mood });
            let phrases: Vec<_> =
                raw.say.into_iter().map(|p| data::Phrase { starts: p.starts || raw.start, ..p }).collect();
            self.phrases(&phrases, Role::Guard(index), &Scope::none());
        }
    }

    fn talk(&mut self) {
        for raw in self.files.talk.clone() {
            let Some(act) = Act::from_name(&raw.act.text) else {
                let hint = format!("known: {}", Act::NAMES.join(", "));
                self.complain(raw.act.at, format!("`{}` is no known act", raw.act.text), hint);
                continue;
            };
            let index = self.grammar.talk.len();
            self.grammar.talk.push(Talk { id: raw.id, act });
            let single = raw.say.iter().filter(|p| !p.say.text.contains(' '));
            let words: Vec<WordId> = single.flat_map(|said| self.words(&said.say.text)).collect();
            match act {
                Act::Or => self.grammar.ors.extend(words),
                Act::And => self.grammar.ands.extend(words),
                Act::Still => self.grammar.stills.extend(words),
                Act::Not => self.grammar.nots.extend(words),
                _ => {}
            }
            let phrases: Vec<_> =
                raw.say.into_iter().map(|p| data::Phrase { starts: p.starts || raw.start, ..p }).collect();
            self.phrases(&phrases, Role::Talk(index), &Scope::none());
        }
    }

    fn commands(&mut self) {
        for raw in self.files.commands.clone() {
            let index = self.grammar.commands.len();
            let sets = raw.set.iter().map(|(k, v, _)| (k.clone(), v.clone())).collect();
            let entry = CommandEntry { id: raw.id, command: raw.command.text, sets, addressed: raw.addressed };
            self.grammar.commands.push(entry);
            let scope = Scope { kind: None, numbers: HashMap::new(), command: true };
            let mut plain = raw.say.clone();
            let extra: Vec<_> = plain.iter_mut().map(|p| std::mem::take(&mut p.set)).collect();
            let first = self.grammar.phrases.len();
            self.phrases(&plain, Role::Command(index), &scope);
            for (phrase, extra) in self.grammar.phrases.iter_mut().skip(first).zip(extra) {
                phrase.command_sets = extra.into_iter().map(|(k, v, _)| (k, v)).collect();
            }
        }
    }

    fn phrases(&mut self, phrases: &[data::Phrase], role: Role, scope: &Scope) {
        for raw in phrases {
            let at = raw.say.at;
            let first_slot = self.grammar.slots.len();
            let node = match template::parse(&raw.say.text) {
                Ok(piece) => self.node(&piece, at, scope, 0),
                Err(fault) => {
                    // +1: the opening quote.
                    let place = At { offset: at.offset + 1 + fault.offset, ..at };
                    self.complain(place, fault.message, fault.hint);
                    continue;
                }
            };
            let Some(node) = node else { continue };
            let texts = self.grammar.slots.iter().skip(first_slot).any(|s| s.source == Source::Rest);
            let first = first(&self.grammar, &node);
            if first.nullable {
                self.complain(at, "this phrase can be said with no word at all", "make one of its words required");
                continue;
            }
            let sets = self.sets(&raw.set, scope.kind);
            let asks = raw.asks.as_ref().and_then(|said| self.asks(said));
            let behind = raw.behind.iter().filter_map(|said| self.frame_named(said)).collect();
            let before = raw.before.iter().filter_map(|said| self.frame_named(said)).collect();
            let known = raw.known.iter().filter_map(|said| self.condition(said)).collect();
            let (file, text) = self.files.names.get(at.file).cloned().unwrap_or_default();
            self.grammar.phrases.push(Phrase {
                role,
                node,
                sets,
                command_sets: Vec::new(),
                cost: raw.cost as i32,
                text: raw.say.text.clone(),
                file,
                line: position(&text, at.offset).0,
                texts,
                start: raw.starts,
                end: raw.ends,
                asks,
                negative: raw.negative,
                tight: raw.tight,
                bare: raw.bare,
                behind,
                before,
                known,
                needed: Vec::new(),
            });
        }
    }

    fn condition(&mut self, said: &Said) -> Option<usize> {
        match Condition::parse(&said.text) {
            Ok(condition) => {
                let at = self.grammar.known.iter().position(|c| *c == condition);
                Some(at.unwrap_or_else(|| {
                    self.grammar.known.push(condition);
                    self.grammar.known.len() - 1
                }))
            }
            Err(why) => {
                self.complain(said.at, why, "`known` names a finding: `refusal`, `medication_given name=aspirin`");
                None
            }
        }
    }

    /// Frames are numbered in the order in which they are read; a frame of an unknown kind is a complaint of its own.
    fn frame_named(&mut self, said: &Said) -> Option<usize> {
        let found = self.files.frames.iter().position(|f| f.id == said.text);
        if found.is_none() {
            self.complain(said.at, format!("there is no frame `{}`", said.text), "`behind` names the id of a frame");
        }
        found
    }

    fn asks(&mut self, said: &Said) -> Option<Asks> {
        match said.text.as_str() {
            "yes_no" => Some(Asks::YesNo),
            "value" => Some(Asks::Value),
            other => {
                self.complain(said.at, format!("`{other}` is no way to ask"), "known: yes_no, value");
                None
            }
        }
    }

    fn node(&mut self, piece: &Piece, at: At, scope: &Scope, depth: usize) -> Option<Node> {
        Some(match piece {
            Piece::Words(text) => {
                let mut words: Vec<Node> = self.words(text).into_iter().map(Node::Word).collect();
                if words.len() == 1 { words.remove(0) } else { Node::Seq(words) }
            }
            Piece::Sequence(items) => {
                Node::Seq(items.iter().map(|i| self.node(i, at, scope, depth)).collect::<Option<_>>()?)
            }
            Piece::Choice(items) => {
                Node::Alt(items.iter().map(|i| self.node(i, at, scope, depth)).collect::<Option<_>>()?)
            }
            Piece::Optional(inner) => Node::Opt(Box::new(self.node(inner, at, scope, depth)?)),
            Piece::NoPause => Node::NoPause,
            Piece::Slot { name, source, offset } => {
                let at = if depth == 0 { At { offset: at.offset + 1 + offset, ..at } } else { at };
                Node::Slot(self.slot(name, source.as_deref(), at, scope)?)
            }
            Piece::Rule { name, offset } => {
                let place = if depth == 0 { At { offset: at.offset + 1 + offset, ..at } } else { at };
                let Some(said) = self.files.rules.get(name).cloned() else {
                    let near = nearest(name, self.files.rules.keys().map(String::as_str));
                    self.complain(place, format!("`<{name}>` is no known rule"), near);
                    return None;
                };
                if depth >= RULE_DEPTH {
                    self.complain(said.at, format!("rule `{name}` leads back to itself"), "");
                    return None;
                }
                match template::parse(&said.text) {
                    Ok(inner) => self.node(&inner, said.at, scope, depth + 1)?,
                    Err(fault) => {
                        let place = At { offset: said.at.offset + 1 + fault.offset, ..said.at };
                        self.complain(place, fault.message, fault.hint);
                        return None;
                    }
                }
            }
        })
    }

    fn slot(&mut self, name: &str, source: Option<&str>, at: At, scope: &Scope) -> Option<usize> {
        let slot = match source {
            None => match self.lists.get(name) {
                Some(list) => Slot { target: Target::Item, source: Source::List(*list), number: None },
                None => self.number_slot(name, Source::Number, at, scope)?,
            },
            Some(source) => match self.lists.get(source).copied() {
                Some(list) => Slot { target: self.target(name, at, scope)?, source: Source::List(list), number: None },
                None => {
                    if let Some((low, high)) = range(source) {
                        let mut slot = self.number_slot(name, Source::Number, at, scope)?;
                        slot.number = slot.number.map(|rule| NumberRule { low, high, strict: true, ..rule });
                        self.grammar.slots.push(slot);
                        return Some(self.grammar.slots.len() - 1);
                    }
                    let Some(kind) = Source::from_name(source) else {
                        let near = nearest(source, self.lists.keys().map(String::as_str));
                        self.complain(at, format!("`{source}` is neither a list nor a kind of value"), near);
                        return None;
                    };
                    self.number_slot(name, kind, at, scope)?
                }
            },
        };
        self.grammar.slots.push(slot);
        Some(self.grammar.slots.len() - 1)
    }

    fn target(&mut self, name: &str, at: At, scope: &Scope) -> Option<Target> {
        if scope.command {
            return Some(Target::Key(name.to_string()));
        }
        let field = Field::from_name(name);
        let fits = field.filter(|f| scope.kind.is_none_or(|kind| schema::shape(kind, *f).is_some()));
        let Some(field) = fits else {
            let message = match scope.kind {
                Some(kind) => format!("`{name}` is no field of {}, nor a list", kind.name()),
                None => format!("`{name}` is no known field, nor a list"),
            };
            let known = scope.kind.map_or(String::new(), |kind| {
                let names: Vec<_> = schema::fields(kind).iter().map(|(f, _)| f.name()).collect();
                format!("its fields: {}", names.join(", "))
            });
            self.complain(at, message, known);
            return None;
        };
        Some(Target::Field(field))
    }

    fn number_slot(&mut self, name: &str, source: Source, at: At, scope: &Scope) -> Option<Slot> {
        let target = self.target(name, at, scope)?;
        let number = match (&target, scope.kind) {
            (Target::Field(field), Some(kind)) => {
                let bounds = schema::bounds(kind, *field);
                if source == Source::Number && bounds.is_none() {
                    self.complain(at, format!("`{name}` holds no number"), format!("write {{{name}:a_list}}"));
                    return None;
                }
                let whole = matches!(schema::shape(kind, *field), Some(Shape::Int(..)));
                let said = scope.numbers.get(name);
                bounds.map(|(low, high)| NumberRule {
                    low,
                    high,
                    whole,
                    ask: said.and_then(|n| n.ask),
                    ask_child: said.and_then(|n| n.ask_child),
                    dropped_point: said.is_some_and(|n| n.dropped_point),
                    ..NumberRule::default()
                })
            }
            _ => (source == Source::Number).then(|| NumberRule {
                low: Decimal::ZERO,
                high: Decimal::from_int(1_000_000),
                whole: true,
                ..NumberRule::default()
            }),
        };
        Some(Slot { target, source, number })
    }
}

impl Scope {
    fn none() -> Scope {
        Scope { kind: None, numbers: HashMap::new(), command: false }
    }
}

/// `1_10`: whole numbers, both included; `part`: less than one; `decimal`: no whole number.
fn range(source: &str) -> Option<(Decimal, Decimal)> {
    if source == "part" {
        return Some((Decimal::new(1, 3), Decimal::new(999, 3)));
    }
    if source == "decimal" {
        return Some((Decimal::new(1, 3), Decimal::new(999_999, 3)));
    }
    let (low, high) = source.split_once('_')?;
    let (low, high): (i64, i64) = (low.parse().ok()?, high.parse().ok()?);
    (low <= high).then(|| (Decimal::from_int(low), Decimal::from_int(high)))
}

/// `[the] (x|y)` in a list item: every plain text it stands for.
fn expand(text: &str) -> Vec<String> {
    fn ways(piece: &Piece) -> Vec<String> {
        match piece {
            Piece::Words(words) => vec![words.clone()],
            Piece::Choice(items) => items.iter().flat_map(ways).collect(),
            Piece::Optional(inner) => std::iter::once(String::new()).chain(ways(inner)).collect(),
            Piece::Sequence(items) => items.iter().fold(vec![String::new()], |done, item| {
                let more = ways(item);
                done.iter()
                    .flat_map(|left| more.iter().map(move |right| format!("{left} {right}").trim().to_string()))
                    .collect()
            }),
            Piece::NoPause => vec![String::new()],
            Piece::Slot { .. } | Piece::Rule { .. } => Vec::new(),
        }
    }
    match template::parse(text) {
        Ok(piece) => ways(&piece).into_iter().filter(|t| !t.is_empty()).collect(),
        Err(_) => vec![text.to_string()],
    }
}

/// What a phrase can begin with.
#[derive(Default)]
struct First {
    words: BTreeSet<WordId>,
    number: bool,
    nullable: bool,
}

fn first(grammar: &Grammar, node: &Node) -> First {
    match node {
        Node::Word(word) => First { words: BTreeSet::from([*word]), ..First::default() },
        Node::Seq(items) => {
            let mut all = First { nullable: true, ..First::default() };
            for item in items {
                let one = first(grammar, item);
                all.words.extend(one.words);
                all.number |= one.number;
                if !one.nullable {
                    all.nullable = false;
                    break;
                }
            }
            all
        }
        Node::Alt(items) => items.iter().map(|i| first(grammar, i)).fold(First::default(), |mut all, one| {
            all.words.extend(one.words);
            all.number |= one.number;
            all.nullable |= one.nullable;
            all
        }),
        Node::Opt(inner) => First { nullable: true, ..first(grammar, inner) },
        Node::NoPause => First { nullable: true, ..First::default() },
        Node::Slot(slot) => match grammar.slots.get(*slot).map(|s| s.source) {
            Some(Source::List(list)) => First {
                words: grammar.lists.get(list).map(|l| l.starts.keys().copied().collect()).unwrap_or_default(),
                ..First::default()
            },
            _ => First { number: true, ..First::default() },
        },
    }
}

fn index(grammar: &mut Grammar) {
    let mut by_word: HashMap<WordId, Vec<u32>> = HashMap::new();
    let mut by_number = Vec::new();
    for (at, phrase) in grammar.phrases.iter().enumerate() {
        let first = first(grammar, &phrase.node);
        for word in first.words {
            by_word.entry(word).or_default().push(at as u32);
        }
        if first.number {
            by_number.push(at as u32);
        }
    }
    grammar.by_word = by_word;
    grammar.by_number = by_number;
    let needed: Vec<_> = grammar.phrases.iter().map(|phrase| needed(grammar, &phrase.node)).collect();
    for (phrase, words) in grammar.phrases.iter_mut().zip(needed) {
        phrase.needed = words;
    }
}

pub fn nearest<'a>(name: &str, known: impl Iterator<Item = &'a str>) -> String {
    let best = known.map(|k| (strsim::damerau_levenshtein(k, name), k)).min();
    match best {
        Some((distance, near)) if distance <= 3 => format!("did you mean `{near}`?"),
        _ => String::new(),
    }
}
