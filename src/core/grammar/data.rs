//! Grammar files as written: TOML tables with their places, nothing resolved yet. Every complaint is kept, none stops
//! the reading.

use std::collections::BTreeMap;
use std::ops::Range;

use toml::Spanned;
use toml::de::{DeTable, DeValue};

use crate::core::diagnostic::{Diagnostic, position};
use crate::core::finding::Value;
use crate::core::source::Source;

/// A place in a file.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct At {
    pub file: usize,
    pub offset: usize,
}

/// A text with its place.
#[derive(Clone, Debug, PartialEq)]
pub struct Said {
    pub text: String,
    pub at: At,
}

/// `key = value` pairs that a phrase, item or frame sets.
pub type Sets = Vec<(String, Value, At)>;

#[derive(Clone, Debug, Default)]
pub struct Item {
    pub say: Vec<Said>,
    pub set: Sets,
    /// Set only where nothing else was said.
    pub default: Sets,
    /// From this dose on no usual route is known: it is another use of the drug.
    pub usual_below: Option<Value>,
    /// Recorded as unconfirmed and asked about.
    pub confirm: bool,
    /// Cannot follow a plain "no": it begins a new statement.
    pub adjective: bool,
}

#[derive(Clone, Debug)]
pub struct List {
    pub id: String,
    pub at: At,
    pub items: Vec<Item>,
    pub sounds: bool,
}

#[derive(Clone, Debug)]
pub struct Phrase {
    pub say: Said,
    pub set: Sets,
    pub cost: i64,
    pub starts: bool,
    pub ends: bool,
    pub asks: Option<Said>,
    pub negative: bool,
    /// No pause inside.
    pub tight: bool,
    pub bare: bool,
    /// Only while one of these frames is open.
    pub behind: Vec<Said>,
    /// Only right before a phrase of one of these frames, and never as an answer.
    pub before: Vec<Said>,
    /// Only where the record holds a finding of one of these conditions.
    pub known: Vec<Said>,
}

/// How a numeric slot of a frame reads.
#[derive(Clone, Debug)]
pub struct Number {
    pub field: String,
    pub at: At,
    /// Values outside are heard but asked about.
    pub ask: Option<(i64, i64)>,
    /// The same for a patient younger than `child_under` years.
    pub ask_child: Option<(i64, i64)>,
    pub dropped_point: bool,
}

#[derive(Clone, Debug, Default)]
pub struct Frame {
    pub id: String,
    pub at: At,
    pub finding: Option<Said>,
    pub open: Vec<Phrase>,
    pub alone: Vec<Phrase>,
    pub fill: Vec<Phrase>,
    pub answer: Vec<Phrase>,
    pub set: Sets,
    pub default: Sets,
    pub number: Vec<Number>,
    pub deny: Option<Sets>,
    pub yes: Option<Sets>,
    pub no: Option<Sets>,
    pub needs: Vec<Said>,
    pub carry: Vec<Said>,
    pub carry_back: Vec<Said>,
    pub vital: bool,
    pub changes: bool,
    pub in_text: bool,
    pub ends_text: bool,
    pub by_order: bool,
}

#[derive(Clone, Debug)]
pub struct Guard {
    pub id: String,
    pub mood: Said,
    pub say: Vec<Phrase>,
    pub start: bool,
}

#[derive(Clone, Debug)]
pub struct Talk {
    pub id: String,
    pub act: Said,
    pub say: Vec<Phrase>,
    pub start: bool,
}

#[derive(Clone, Debug)]
pub struct CommandEntry {
    pub id: String,
    pub command: Said,
    pub say: Vec<Phrase>,
    pub set: Sets,
    pub addressed: bool,
}

#[derive(Clone, Debug, Default)]
pub struct Files {
    pub names: Vec<(String, String)>,
    pub rules: BTreeMap<String, Said>,
    pub lists: Vec<List>,
    pub frames: Vec<Frame>,
    pub guards: Vec<Guard>,
    pub talk: Vec<Talk>,
    pub commands: Vec<CommandEntry>,
    /// Words without meaning wherever they stand.
    pub drop: Vec<Said>,
    /// Words that may stand between phrases.
    pub free: Vec<Said>,
    /// Words that may stand before the first word of a clause.
    pub lead: Vec<Said>,
    /// `is`, `does`: before a subject they ask.
    pub auxiliary: Vec<Said>,
    pub subject: Vec<Said>,
    /// Make the number behind them an estimate.
    pub about: Vec<Said>,
    /// Left over beside a finding, they may turn it round.
    pub telling: Vec<Said>,
    /// State for themselves: what a "no" before a comma does not reach.
    pub asserting: Vec<Said>,
    /// A phrase that begins with one denies, and so does the list that goes on behind it.
    pub denying: Vec<Said>,
    pub denying_lists: Vec<Said>,
    /// Behind one of these a denial denies only what follows.
    pub narrowing: Vec<Said>,
    /// Right behind a "no" one of these tells that what follows is there.
    pub excepting: Vec<Said>,
    /// `he`, `we`: right behind a "no" they begin a sentence of their own.
    pub pronoun: Vec<Said>,
    /// What a value was ends here: "was forty eight, now one twelve".
    pub anew: Vec<Said>,
    /// Right before a time of day they tell that it is one ("at"); right before a time of before, that it lasts ("since").
    pub dating: Vec<Said>,
    pub since: Vec<Said>,
    /// Right beside a value: it is that of now, and the one before it is not.
    pub now: Vec<Said>,
    /// Sentences to be asked aloud, by id.
    pub prompts: BTreeMap<String, Said>,
    pub changes: Vec<String>,
    pub diagnostics: Vec<Diagnostic>,
}

impl Files {
    pub fn complain(&mut self, at: At, message: impl Into<String>, hint: Option<String>) {
        let (path, text) = self.names.get(at.file).cloned().unwrap_or_default();
        let (line, column) = position(&text, at.offset);
        let mut diagnostic = Diagnostic::error(&path, line, column, message);
        diagnostic.hint = hint;
        self.diagnostics.push(diagnostic);
    }
}

/// Reads every source that is a grammar file (`spelling.toml` belongs to `core::text`).
pub fn read(sources: &[Source]) -> Files {
    let mut files = Files::default();
    for source in sources.iter().filter(|s| !s.path.ends_with("spelling.toml")) {
        let index = files.names.len();
        files.names.push((source.path.to_string(), source.text.to_string()));
        let (table, errors) = DeTable::parse_recoverable(source.text);
        if errors.is_empty() {
            Reader { files: &mut files, file: index, local: source.local }.top(table.into_inner());
            continue;
        }
        for error in errors {
            let offset = error.span().map_or(0, |s| s.start);
            let message = error.message().lines().next().unwrap_or("this is no TOML").to_string();
            files.complain(At { file: index, offset }, message, None);
        }
    }
    files
}

type Spot<'a> = Spanned<DeValue<'a>>;

struct Reader<'f> {
    files: &'f mut Files,
    file: usize,
    local: bool,
}

/// One table being read: keys are taken; what is left is unknown.
struct Table<'a> {
    keys: BTreeMap<String, (usize, Spot<'a>)>,
    asked: Vec<&'static str>,
    at: At,
}

impl<'a> Table<'a> {
    fn take(&mut self, key: &'static str) -> Option<Spot<'a>> {
        self.asked.push(key);
        self.keys.remove(key).map(|(_, value)| value)
    }
}

impl Reader<'_> {
    fn at(&self, offset: usize) -> At {
        At { file: self.file, offset }
    }

    fn wrong(&mut self, span: Range<usize>, what: &str) {
        self.files.complain(self.at(span.start), format!("this should be {what}"), None);
    }

    fn table<'a>(&mut self, value: Spot<'a>) -> Option<Table<'a>> {
        let span = value.span();
        let at = self.at(span.start);
        let DeValue::Table(table) = value.into_inner() else {
            self.wrong(span, "a table");
            return None;
        };
        let keys = table.into_iter().map(|(k, v)| (k.get_ref().to_string(), (k.span().start, v))).collect();
        Some(Table { keys, asked: Vec::new(), at })
    }

    fn finish(&mut self, table: Table) {
        for (key, (offset, _)) in table.keys {
            let known = table.asked.iter().copied().filter(|k| !k.is_empty()).collect::<Vec<_>>();
            let near = known.iter().filter(|k| strsim::damerau_levenshtein(k, &key) <= 2).copied().next();
            let hint = near.map_or(format!("known here: {}", known.join(", ")), |k| format!("did you mean `{k}`?"));
            self.files.complain(self.at(offset), format!("`{key}` is no known key"), Some(hint));
        }
    }

    fn text(&mut self, value: Spot) -> Option<Said> {
        let span = value.span();
        match value.get_ref().as_str() {
            Some(text) => Some(Said { text: text.to_string(), at: self.at(span.start) }),
            None => {
                self.wrong(span, "a text in quotes");
                None
            }
        }
    }

    fn texts(&mut self, value: Spot) -> Vec<Said> {
        if value.get_ref().is_str() {
            return self.text(value).into_iter().collect();
        }
        let span = value.span();
        let DeValue::Array(items) = value.into_inner() else {
            self.wrong(span, "a text or a list of texts");
            return Vec::new();
        };
        items.into_iter().filter_map(|item| self.text(item)).collect()
    }

    fn flag(&mut self, value: Option<Spot>) -> bool {
        let Some(value) = value else { return false };
        let span = value.span();
        value.get_ref().as_bool().unwrap_or_else(|| {
            self.wrong(span, "true or false");
            false
        })
    }

    fn scalar(&mut self, value: Spot) -> Option<Value> {
        let span = value.span();
        let found = match value.get_ref() {
            DeValue::String(text) => Some(Value::text(text.to_string())),
            DeValue::Boolean(flag) => Some(Value::Flag(*flag)),
            DeValue::Integer(n) => n.as_str().parse().ok().map(Value::Number),
            DeValue::Float(n) => n.as_str().parse().ok().map(Value::Number),
            DeValue::Array(_) => None,
            _ => None,
        };
        if let (None, DeValue::Array(items)) = (&found, value.into_inner()) {
            return Some(Value::List(items.into_iter().filter_map(|item| self.scalar(item)).collect()));
        }
        if found.is_none() {
            self.wrong(span, "a text, a number, true or false");
        }
        found
    }

    fn sets(&mut self, value: Option<Spot>) -> Option<Sets> {
        let table = self.table(value?)?;
        let mut sets = Vec::new();
        for (key, (offset, value)) in table.keys {
            if let Some(value) = self.scalar(value) {
                sets.push((key, value, self.at(offset)));
            }
        }
        Some(sets)
    }

    fn pair(&mut self, value: Option<Spot>) -> Option<(i64, i64)> {
        let value = value?;
        let span = value.span();
        let DeValue::Array(items) = value.into_inner() else {
            self.wrong(span, "two numbers, [low, high]");
            return None;
        };
        let numbers: Vec<i64> =
            items.into_iter().filter_map(|i| i.get_ref().as_integer().and_then(|n| n.as_str().parse().ok())).collect();
        match numbers.as_slice() {
            [low, high] if low <= high => Some((*low, *high)),
            _ => {
                self.wrong(span, "two whole numbers, [low, high]");
                None
            }
        }
    }

    fn int(&mut self, value: Option<Spot>) -> i64 {
        let Some(value) = value else { return 0 };
        let span = value.span();
        value.get_ref().as_integer().and_then(|n| n.as_str().parse().ok()).unwrap_or_else(|| {
            self.wrong(span, "a whole number");
            0
        })
    }

    fn top(&mut self, table: DeTable) {
        for (key, value) in table {
            let offset = key.span().start;
            match key.get_ref().as_ref() {
                "rule" => self.rules(value),
                "list" => self.lists(value),
                "frame" => self.each(value, Reader::frame),
                "guard" => self.each(value, Reader::guard),
                "talk" => self.each(value, Reader::talk),
                "command" => self.each(value, Reader::command),
                "filler" => self.filler(value),
                "prompt" => self.prompts(value),
                other => {
                    let hint = "known: rule, list, frame, guard, talk, command, filler, prompt".to_string();
                    self.files.complain(self.at(offset), format!("`{other}` is no known section"), Some(hint));
                }
            }
        }
    }

    fn each(&mut self, value: Spot, read: fn(&mut Self, Table)) {
        let span = value.span();
        let DeValue::Array(items) = value.into_inner() else {
            self.wrong(span, "a list of entries: write the heading in double brackets, [[...]]");
            return;
        };
        for item in items {
            if let Some(table) = self.table(item) {
                read(self, table);
            }
        }
    }

    fn rules(&mut self, value: Spot) {
        let Some(table) = self.table(value) else { return };
        for (name, (offset, value)) in table.keys {
            let Some(said) = self.text(value) else { continue };
            if self.files.rules.contains_key(&name) && !self.local {
                self.files.complain(self.at(offset), format!("rule `{name}` is defined twice"), None);
            }
            self.files.rules.insert(name, said);
        }
    }

    fn prompts(&mut self, value: Spot) {
        let Some(table) = self.table(value) else { return };
        for (name, (_, value)) in table.keys {
            if let Some(said) = self.text(value) {
                self.files.prompts.insert(name, said);
            }
        }
    }

    /// The texts of `name`; none where it is not given.
    fn list(&mut self, table: &mut Table, name: &'static str) -> Vec<Said> {
        table.take(name).map(|value| self.texts(value)).unwrap_or_default()
    }

    fn filler(&mut self, value: Spot) {
        let Some(mut table) = self.table(value) else { return };
        let words = self.list(&mut table, "drop");
        self.files.drop.extend(words);
        let words = self.list(&mut table, "free");
        self.files.free.extend(words);
        let words = self.list(&mut table, "about");
        self.files.about.extend(words);
        let words = self.list(&mut table, "telling");
        self.files.telling.extend(words);
        let words = self.list(&mut table, "asserting");
        self.files.asserting.extend(words);
        let words = self.list(&mut table, "denying");
        self.files.denying.extend(words);
        let words = self.list(&mut table, "anew");
        self.files.anew.extend(words);
        let words = self.list(&mut table, "excepting");
        self.files.excepting.extend(words);
        let words = self.list(&mut table, "pronoun");
        self.files.pronoun.extend(words);
        let words = self.list(&mut table, "dating");
        self.files.dating.extend(words);
        let words = self.list(&mut table, "now");
        self.files.now.extend(words);
        let words = self.list(&mut table, "since");
        self.files.since.extend(words);
        let words = self.list(&mut table, "narrowing");
        self.files.narrowing.extend(words);
        let words = self.list(&mut table, "denying_lists");
        self.files.denying_lists.extend(words);
        let words = self.list(&mut table, "auxiliary");
        self.files.auxiliary.extend(words);
        let words = self.list(&mut table, "subject");
        self.files.subject.extend(words);
        let words = self.list(&mut table, "lead");
        self.files.lead.extend(words);
        self.finish(table);
    }

    fn lists(&mut self, value: Spot) {
        let Some(table) = self.table(value) else { return };
        for (id, (offset, value)) in table.keys {
            let at = self.at(offset);
            let Some(mut table) = self.table(value) else { continue };
            let field = table.take("field").and_then(|v| self.text(v));
            let sounds = table.take("sounds");
            let sounds = self.flag(sounds);
            let replaces = table.take("replaces");
            let replaces = self.flag(replaces);
            let because = table.take("because").and_then(|v| self.text(v));
            let mut items = Vec::new();
            if let Some(value) = table.take("items") {
                let span = value.span();
                match value.into_inner() {
                    DeValue::Array(values) => {
                        for value in values {
                            items.extend(self.item(value, field.as_ref()));
                        }
                    }
                    _ => self.wrong(span, "a list of items"),
                }
            }
            self.finish(table);
            let list = List { id: id.clone(), at, items, sounds };
            let known = self.files.lists.iter().position(|l| l.id == id);
            match known.and_then(|i| self.files.lists.get_mut(i)) {
                None => self.files.lists.push(list),
                Some(old) if self.local && replaces && because.is_some() => {
                    *old = list;
                    self.files.changes.push(format!("list `{id}` replaced"));
                }
                Some(old) if self.local && !replaces => {
                    old.items.extend(list.items);
                    self.files.changes.push(format!("list `{id}` extended"));
                }
                Some(_) if self.local => {
                    let hint = Some("write `because = \"...\"`".to_string());
                    self.files.complain(at, format!("list `{id}` is replaced without a reason"), hint);
                }
                Some(_) => self.files.complain(at, format!("list `{id}` is defined twice"), None),
            }
        }
    }

    fn item(&mut self, value: Spot, field: Option<&Said>) -> Option<Item> {
        // A plain text says itself.
        if value.get_ref().is_str() {
            let said = self.text(value)?;
            let set = match field {
                Some(field) => vec![(field.text.clone(), Value::text(said.text.replace(' ', "_")), said.at)],
                None => Vec::new(),
            };
            return Some(Item { say: vec![said], set, ..Item::default() });
        }
        let mut table = self.table(value)?;
        let at = table.at;
        let say = table.take("say").map(|v| self.texts(v)).unwrap_or_default();
        let mut set = {
            let value = table.take("set");
            self.sets(value).unwrap_or_default()
        };
        if let Some(value) = table.take("means") {
            let offset = self.at(value.span().start);
            match (self.scalar(value), field) {
                // First: a slot that names its own field takes this one.
                (Some(value), Some(field)) => set.insert(0, (field.text.clone(), value, offset)),
                (Some(_), None) => {
                    let hint = Some("give the list a `field`, or write `set = { field = value }`".to_string());
                    self.files.complain(offset, "`means` needs to know which field it fills", hint);
                }
                (None, _) => {}
            }
        }
        let default = table.take("default");
        let default = self.sets(default).unwrap_or_default();
        let usual_below = table.take("usual_below").and_then(|v| self.scalar(v));
        let confirm = table.take("confirm");
        let confirm = self.flag(confirm);
        let adjective = table.take("adjective");
        let adjective = self.flag(adjective);
        if say.is_empty() {
            self.files.complain(at, "the item says nothing", Some("write `say = [\"...\"]`".into()));
        }
        self.finish(table);
        Some(Item { say, set, default, usual_below, confirm, adjective })
    }

    fn phrases(&mut self, value: Option<Spot>) -> Vec<Phrase> {
        let Some(value) = value else { return Vec::new() };
        let span = value.span();
        let plain = |say| Phrase {
            say,
            set: Vec::new(),
            cost: 0,
            starts: false,
            ends: false,
            asks: None,
            negative: false,
            tight: false,
            bare: false,
            behind: Vec::new(),
            before: Vec::new(),
            known: Vec::new(),
        };
        if value.get_ref().is_str() {
            return self.text(value).into_iter().map(plain).collect();
        }
        let DeValue::Array(items) = value.into_inner() else {
            self.wrong(span, "a list of phrases");
            return Vec::new();
        };
        let mut phrases = Vec::new();
        for item in items {
            if item.get_ref().is_str() {
                phrases.extend(self.text(item).map(plain));
                continue;
            }
            let Some(mut table) = self.table(item) else { continue };
            let say = table.take("say").map(|v| self.texts(v)).unwrap_or_default();
            let set = table.take("set");
            let set = self.sets(set).unwrap_or_default();
            let cost = table.take("cost");
            let cost = self.int(cost);
            let starts = table.take("start");
            let starts = self.flag(starts);
            let ends = table.take("end");
            let ends = self.flag(ends);
            let asks = table.take("asks").and_then(|v| self.text(v));
            let negative = table.take("negative");
            let negative = self.flag(negative);
            let tight = table.take("tight");
            let tight = self.flag(tight);
            let bare = table.take("bare");
            let bare = self.flag(bare);
            let behind = self.list(&mut table, "behind");
            let before = self.list(&mut table, "before");
            let known = self.list(&mut table, "known");
            self.finish(table);
            phrases.extend(say.into_iter().map(|say| Phrase {
                say,
                set: set.clone(),
                cost,
                starts,
                ends,
                asks: asks.clone(),
                negative,
                tight,
                bare,
                behind: behind.clone(),
                before: before.clone(),
                known: known.clone(),
            }));
        }
        phrases
    }

    fn numbers(&mut self, value: Option<Spot>) -> Vec<Number> {
        let Some(table) = value.and_then(|v| self.table(v)) else { return Vec::new() };
        let mut numbers = Vec::new();
        for (field, (offset, value)) in table.keys {
            let at = self.at(offset);
            let Some(mut table) = self.table(value) else { continue };
            let ask = table.take("ask");
            let ask = self.pair(ask);
            let ask_child = table.take("ask_child");
            let ask_child = self.pair(ask_child);
            let dropped_point = table.take("dropped_point");
            let dropped_point = self.flag(dropped_point);
            self.finish(table);
            numbers.push(Number { field, at, ask, ask_child, dropped_point });
        }
        numbers
    }

    fn id(&mut self, table: &mut Table) -> Option<Said> {
        let id = table.take("id").and_then(|v| self.text(v));
        if id.is_none() {
            self.files.complain(table.at, "the entry has no `id`", Some("write `id = \"short_name\"`".into()));
        }
        id
    }

    /// True when an entry of this id may stand: new, or a local one that says why it replaces.
    fn may_stand(&mut self, id: &Said, exists: bool, replaces: bool, because: bool) -> bool {
        if !exists {
            return true;
        }
        let message = match (self.local, replaces, because) {
            (true, true, true) => {
                self.files.changes.push(format!("`{}` replaced", id.text));
                return true;
            }
            (true, true, false) => format!("`{}` is replaced without a reason", id.text),
            (true, false, _) => format!("`{}` is built in already", id.text),
            (false, ..) => format!("`{}` is defined twice", id.text),
        };
        let hint = Some("write `replaces = true` and `because = \"...\"`, or take another id".to_string());
        self.files.complain(id.at, message, hint);
        false
    }

    fn overlay(&mut self, table: &mut Table) -> (bool, bool) {
        let replaces = table.take("replaces");
        let replaces = self.flag(replaces);
        let because = table.take("because").and_then(|v| self.text(v)).is_some();
        (replaces, because)
    }

    fn frame(&mut self, mut table: Table) {
        let Some(id) = self.id(&mut table) else { return };
        let (replaces, because) = self.overlay(&mut table);
        let mut frame = Frame { id: id.text.clone(), at: table.at, ..Frame::default() };
        frame.finding = table.take("finding").and_then(|v| self.text(v));
        let open = table.take("open");
        frame.open = self.phrases(open);
        let alone = table.take("alone");
        frame.alone = self.phrases(alone);
        let fill = table.take("fill");
        frame.fill = self.phrases(fill);
        let answer = table.take("answer");
        frame.answer = self.phrases(answer);
        let set = table.take("set");
        frame.set = self.sets(set).unwrap_or_default();
        let default = table.take("default");
        frame.default = self.sets(default).unwrap_or_default();
        let number = table.take("number");
        frame.number = self.numbers(number);
        let deny = table.take("deny");
        frame.deny = self.sets(deny);
        let yes = table.take("yes");
        frame.yes = self.sets(yes);
        let no = table.take("no");
        frame.no = self.sets(no);
        frame.needs = table.take("needs").map(|v| self.texts(v)).unwrap_or_default();
        frame.carry = table.take("carry").map(|v| self.texts(v)).unwrap_or_default();
        frame.carry_back = table.take("carry_back").map(|v| self.texts(v)).unwrap_or_default();
        let vital = table.take("vital");
        frame.vital = self.flag(vital);
        let changes = table.take("changes");
        frame.changes = self.flag(changes);
        let in_text = table.take("in_text");
        frame.in_text = self.flag(in_text);
        let ends_text = table.take("ends_text");
        frame.ends_text = self.flag(ends_text);
        let by_order = table.take("by_order");
        frame.by_order = self.flag(by_order);
        self.finish(table);
        let exists = self.files.frames.iter().any(|f| f.id == frame.id);
        if self.may_stand(&id, exists, replaces, because) {
            self.files.frames.retain(|f| f.id != frame.id);
            self.files.frames.push(frame);
        }
    }

    fn guard(&mut self, mut table: Table) {
        let Some(id) = self.id(&mut table) else { return };
        let (replaces, because) = self.overlay(&mut table);
        let mood = table.take("mood").and_then(|v| self.text(v));
        let say = table.take("say");
        let say = self.phrases(say);
        let start = table.take("start");
        let start = self.flag(start);
        let at = table.at;
        self.finish(table);
        let Some(mood) = mood else {
            self.files.complain(at, "the guard has no `mood`", None);
            return;
        };
        let exists = self.files.guards.iter().any(|g| g.id == id.text);
        if self.may_stand(&id, exists, replaces, because) {
            self.files.guards.retain(|g| g.id != id.text);
            self.files.guards.push(Guard { id: id.text, mood, say, start });
        }
    }

    fn talk(&mut self, mut table: Table) {
        let Some(id) = self.id(&mut table) else { return };
        let (replaces, because) = self.overlay(&mut table);
        let act = table.take("act").and_then(|v| self.text(v));
        let say = table.take("say");
        let say = self.phrases(say);
        let start = table.take("start");
        let start = self.flag(start);
        let at = table.at;
        self.finish(table);
        let Some(act) = act else {
            self.files.complain(at, "the entry has no `act`", None);
            return;
        };
        let exists = self.files.talk.iter().any(|t| t.id == id.text);
        if self.may_stand(&id, exists, replaces, because) {
            self.files.talk.retain(|t| t.id != id.text);
            self.files.talk.push(Talk { id: id.text, act, say, start });
        }
    }

    fn command(&mut self, mut table: Table) {
        let Some(id) = self.id(&mut table) else { return };
        let (replaces, because) = self.overlay(&mut table);
        let command = table.take("command").and_then(|v| self.text(v));
        let say = table.take("say");
        let say = self.phrases(say);
        let set = table.take("set");
        let set = self.sets(set).unwrap_or_default();
        let unaddressed = table.take("unaddressed");
        let unaddressed = self.flag(unaddressed);
        let at = table.at;
        self.finish(table);
        let Some(command) = command else {
            self.files.complain(at, "the entry has no `command`", None);
            return;
        };
        let exists = self.files.commands.iter().any(|c| c.id == id.text);
        if self.may_stand(&id, exists, replaces, because) {
            self.files.commands.retain(|c| c.id != id.text);
            self.files.commands.push(CommandEntry { id: id.text, command, say, set, addressed: !unaddressed });
        }
    }
}
