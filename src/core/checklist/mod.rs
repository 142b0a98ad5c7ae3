//! What has not been asked or done: lists by complaint, settled by findings. The lists are data:
//! `protocols/checklists/*.toml`.
//!
//! Everything is a function of the ledger. "Could not ask" settles an item: it was tried. This room does not know what
//! was already spoken, nor when to speak.

use serde::Deserialize;

use crate::core::condition::Condition;
use crate::core::dataset::{Entry, Reader};
use crate::core::ledger::{Entry as Found, Ledger};
use crate::core::time::Moment;

/// How much an omission matters; the first is named before handover.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Importance {
    Serious,
    Usual,
    Minor,
}

/// One `[[checklist]]`.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Checklist {
    /// Name of the complaint, as it may be asked for: `chest_pain`.
    pub complaint: String,
    /// Findings that make this list apply; none: only where another list includes it.
    #[serde(default)]
    pub when: Vec<String>,
    /// Lists worked through as well, by id.
    #[serde(default)]
    pub includes: Vec<String>,
    /// Applies to every patient until another list does.
    #[serde(default)]
    pub always: bool,
    /// Where it applies no other list does (an arrest).
    #[serde(default)]
    pub alone: bool,
    /// Ends the list: the condition said after the last `when`.
    #[serde(default)]
    pub until: Vec<String>,
}

/// One `[[checklist_item]]`.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ItemRule {
    /// Id of the list it belongs to.
    pub checklist: String,
    /// As it is named: `allergies`.
    pub ask: String,
    /// As a loudspeaker names it, where `ask` is for an earpiece only.
    #[serde(default)]
    pub ask_aloud: Option<String>,
    /// Conditions, any of which settles it.
    pub done: Vec<String>,
    /// Conditions under which it does not apply.
    #[serde(default)]
    pub unless: Vec<String>,
    /// Id of an item whose `unless` holds for this one too.
    #[serde(default)]
    pub unless_of: Option<String>,
    /// Conditions, one of which must hold for it to apply.
    #[serde(default)]
    pub only: Vec<String>,
    /// Applies once one of these was found, and is settled only by what is found after the last of them.
    #[serde(default)]
    pub after: Vec<String>,
    pub importance: Importance,
    /// Not named where one of these items is: the pulse rate beside the pulse.
    #[serde(default)]
    pub part_of: Vec<String>,
    /// How many findings settle it (a second set of vital signs).
    #[serde(default = "once")]
    pub times: usize,
}

fn once() -> usize {
    1
}

/// The sentences about what is missing: the one `[[checklist_words]]`.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Words {
    /// `{items}`.
    pub say_missing: String,
    pub say_nothing: String,
    /// `{items}`.
    pub say_before_handover: String,
    /// Most items named in one sentence.
    pub most: usize,
    /// Added where there are more: `{count}`.
    pub say_more: String,
    /// Whether the crew wants to hear of grave gaps on arrival.
    pub before_handover: bool,
}

/// All data of this room.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Checklists {
    pub lists: Vec<Entry<Checklist>>,
    pub items: Vec<Entry<ItemRule>>,
    pub words: Option<Entry<Words>>,
}

/// Something not asked or done.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Item {
    /// The rule's id.
    pub id: String,
    pub checklist: String,
    pub ask: String,
    /// For a loudspeaker, where `ask` holds sensitive words.
    pub ask_aloud: Option<String>,
    /// Finding name that would settle it.
    pub about: String,
    pub importance: Importance,
    pub source: String,
}

impl Checklists {
    /// Takes this room's sections and checks them; complaints go to the reader.
    pub fn read(reader: &mut Reader<'_>) -> Checklists {
        let mut words = reader.take("checklist_words");
        let lists = Checklists {
            lists: reader.take("checklist"),
            items: reader.take("checklist_item"),
            words: (!words.is_empty()).then(|| words.swap_remove(0)),
        };
        reader.report(lists.complaints());
        lists
    }

    fn complaints(&self) -> Vec<crate::core::diagnostic::Diagnostic> {
        let mut out = Vec::new();
        for list in &self.lists {
            for line in list.body.when.iter().chain(&list.body.until) {
                out.extend(Condition::parse(line).err().map(|why| list.error(format!("`{}`: {why}", list.id()))));
            }
            let unknown = list.body.includes.iter().filter(|id| self.list(id).is_none());
            out.extend(unknown.map(|id| list.error(format!("`{}`: `{id}` is no [[checklist]]", list.id()))));
        }
        for item in &self.items {
            for line in item.body.done.iter().chain(&item.body.unless).chain(&item.body.only).chain(&item.body.after) {
                out.extend(Condition::parse(line).err().map(|why| item.error(format!("`{}`: {why}", item.id()))));
            }
            if item.body.done.is_empty() {
                out.push(item.error(format!("`{}` can never be settled: `done` is empty", item.id())));
            }
            let unknown = item
                .body
                .part_of
                .iter()
                .chain(&item.body.unless_of)
                .filter(|id| !self.items.iter().any(|other| other.id() == *id));
            out.extend(unknown.map(|id| item.error(format!("`{}`: `{id}` is no [[checklist_item]]", item.id()))));
            if self.list(&item.body.checklist).is_none() {
                out.push(item.error(format!("`{}`: `{}` is no [[checklist]]", item.id(), item.body.checklist)));
            }
        }
        out
    }

    /// The item or list with this id (or the one that replaces it) as one sentence.
    pub fn in_words(&self, id: &str) -> Option<String> {
        let is = |head: &crate::core::dataset::Head| head.id == id || head.replaces.as_deref() == Some(id);
        if let Some(item) = self.items.iter().find(|e| is(&e.head)) {
            let (ask, list) = (&item.body.ask, &item.body.checklist);
            return Some(format!("`{list}` asks for {ask}; settled by {}", item.body.done.join(", or ")));
        }
        let list = self.lists.iter().find(|e| is(&e.head))?;
        Some(format!("the list for {}", list.body.complaint.replace('_', " ")))
    }

    /// The conditions that an item takes over from another, under which it does not apply.
    fn unless_of(&self, rule: &Entry<ItemRule>) -> Option<&[String]> {
        let other = rule.body.unless_of.as_deref()?;
        let named = |item: &&Entry<ItemRule>| item.id() == other || item.head.replaces.as_deref() == Some(other);
        self.items.iter().find(named).map(|item| item.body.unless.as_slice())
    }

    fn list(&self, id: &str) -> Option<&Entry<Checklist>> {
        self.lists.iter().find(|list| list.id() == id)
    }

    /// Ids of the lists that apply to this patient from what was found, or of the one asked for by complaint.
    pub fn applying(&self, ledger: &Ledger, patient: i64, complaint: Option<&str>) -> Vec<&str> {
        let named = complaint.and_then(|name| self.lists.iter().find(|l| l.body.complaint == name || l.id() == name));
        let mut chosen: Vec<&Entry<Checklist>> = match named {
            Some(list) => vec![list],
            None => self.lists.iter().filter(|list| applies(&list.body, ledger, patient)).collect(),
        };
        if let (None, Some(alone)) = (named, chosen.iter().find(|list| list.body.alone)) {
            chosen = vec![alone];
        } else if chosen.is_empty() {
            chosen = self.lists.iter().filter(|list| list.body.always).collect();
        }
        let mut ids = Vec::new();
        for list in chosen {
            self.add(list, &mut ids);
        }
        ids
    }

    fn add<'a>(&'a self, list: &'a Entry<Checklist>, ids: &mut Vec<&'a str>) {
        if ids.contains(&list.id()) {
            return;
        }
        ids.push(list.id());
        for included in list.body.includes.iter().filter_map(|id| self.list(id)) {
            self.add(included, ids);
        }
    }
}

fn applies(list: &Checklist, ledger: &Ledger, patient: i64) -> bool {
    let last = |lines: &[String]| {
        let conditions: Vec<Condition> = lines.iter().filter_map(|line| Condition::parse(line).ok()).collect();
        about(ledger, patient).filter(|e| conditions.iter().any(|c| c.holds(&e.finding))).map(|e| e.seq).max()
    };
    let Some(begun) = last(&list.when) else { return false };
    last(&list.until).is_none_or(|ended| ended < begun)
}

fn about(ledger: &Ledger, patient: i64) -> impl Iterator<Item = &Found> {
    ledger.standing().filter(move |entry| entry.finding.patient() == patient)
}

/// What is missing, most important first, the shortest to say first among equals.
///
/// `complaint` asks for one list; `None` takes those that the findings call for.
pub fn missing(lists: &Checklists, ledger: &Ledger, patient: i64, complaint: Option<&str>, _now: Moment) -> Vec<Item> {
    let ids = lists.applying(ledger, patient, complaint);
    let mut items: Vec<Item> = Vec::new();
    let mut parts: Vec<(String, &[String])> = Vec::new();
    for rule in lists.items.iter().filter(|rule| ids.contains(&rule.body.checklist.as_str())) {
        if lists.unless_of(rule).is_some_and(|lines| any_holds(lines, ledger, patient)) {
            continue;
        }
        let Some(item) = open_item(rule, ledger, patient) else { continue };
        parts.push((item.id.clone(), &rule.body.part_of));
        match items.iter_mut().find(|other| other.ask == item.ask) {
            // The same thing asked by two lists is one thing, as grave as the graver of them.
            Some(other) if item.importance < other.importance => *other = item,
            Some(_) => {}
            None => items.push(item),
        }
    }
    let open = |id: &String| parts.iter().any(|(other, _)| other == id);
    let within: Vec<&String> = parts.iter().filter(|(_, of)| of.iter().any(open)).map(|(id, _)| id).collect();
    items.retain(|item| !within.contains(&&item.id));
    items.sort_by_key(|item| (item.importance, item.ask.len()));
    items
}

fn any_holds(lines: &[String], ledger: &Ledger, patient: i64) -> bool {
    let conditions: Vec<Condition> = lines.iter().filter_map(|line| Condition::parse(line).ok()).collect();
    about(ledger, patient).any(|e| conditions.iter().any(|c| c.holds(&e.finding)))
}

fn open_item(rule: &Entry<ItemRule>, ledger: &Ledger, patient: i64) -> Option<Item> {
    let parse = |lines: &[String]| lines.iter().filter_map(|l| Condition::parse(l).ok()).collect::<Vec<_>>();
    let any = |conditions: &[Condition]| about(ledger, patient).any(|e| conditions.iter().any(|c| c.holds(&e.finding)));
    let (done, unless, only) = (parse(&rule.body.done), parse(&rule.body.unless), parse(&rule.body.only));
    if any(&unless) || (!only.is_empty() && !any(&only)) {
        return None;
    }
    let after = parse(&rule.body.after);
    let last = about(ledger, patient).filter(|e| after.iter().any(|c| c.holds(&e.finding))).map(|e| e.seq).max();
    let begun = match last {
        None if !after.is_empty() => return None,
        last => last.unwrap_or(0),
    };
    let since = || about(ledger, patient).filter(|e| e.seq > begun);
    let settled = since().filter(|e| done.iter().any(|c| c.holds(&e.finding))).count() >= rule.body.times
        || since().any(|e| done.iter().any(|c| c.could_not(&e.finding)));
    if settled {
        return None;
    }
    Some(Item {
        id: rule.id().to_string(),
        checklist: rule.body.checklist.clone(),
        ask: rule.body.ask.clone(),
        ask_aloud: rule.body.ask_aloud.clone(),
        about: done.first().map_or_else(String::new, |c| c.kind.name().to_string()),
        importance: rule.body.importance,
        source: rule.head.source.clone(),
    })
}

/// What is missing and grave enough to be named once before handover.
pub fn serious_gaps(lists: &Checklists, ledger: &Ledger, patient: i64, now: Moment) -> Vec<Item> {
    let mut items = missing(lists, ledger, patient, None, now);
    items.retain(|item| item.importance == Importance::Serious);
    items
}

/// What is grave and missing of one list itself, not of those that it includes, where it applies.
pub fn grave_of(lists: &Checklists, ledger: &Ledger, patient: i64, complaint: &str, now: Moment) -> Vec<Item> {
    let mut items = serious_gaps(lists, ledger, patient, now);
    items.retain(|item| lists.list(&item.checklist).is_some_and(|list| list.body.complaint == complaint));
    items
}

/// A sentence, and what a loudspeaker says instead where it holds sensitive words.
pub type Sentence = (String, Option<String>);

impl Checklists {
    /// The answer to "what is missing?".
    pub fn say_missing(&self, items: &[Item]) -> Sentence {
        let Some(words) = &self.words else { return Sentence::default() };
        if items.is_empty() {
            return (words.body.say_nothing.clone(), None);
        }
        words.body.sentence(&words.body.say_missing, items)
    }

    /// These items as one sentence names them; `None` where there are none.
    pub fn name(&self, items: &[Item]) -> Option<String> {
        let words = self.words.as_ref().filter(|_| !items.is_empty())?;
        Some(words.body.named(items, |item| &item.ask))
    }

    /// The one sentence before handover; `None` when nothing grave is missing.
    pub fn say_before_handover(&self, gaps: &[Item]) -> Option<Sentence> {
        let words = self.words.as_ref().filter(|_| !gaps.is_empty())?;
        Some(words.body.sentence(&words.body.say_before_handover, gaps))
    }
}

impl Words {
    fn sentence(&self, template: &str, items: &[Item]) -> Sentence {
        let fill = |ask: fn(&Item) -> &str| template.replace("{items}", &self.named(items, ask));
        let aloud = items.iter().take(self.most).any(|item| item.ask_aloud.is_some());
        let aloud = aloud.then(|| fill(|item| item.ask_aloud.as_deref().unwrap_or(&item.ask)));
        (fill(|item| &item.ask), aloud)
    }

    /// The first few, each once, and how many more there are.
    fn named(&self, items: &[Item], ask: fn(&Item) -> &str) -> String {
        let mut names: Vec<&str> = Vec::new();
        for name in items.iter().take(self.most).map(ask) {
            if !names.contains(&name) {
                names.push(name);
            }
        }
        let mut text = names.join(", ");
        let more = items.len().saturating_sub(self.most);
        if more > 0 {
            text.push_str(&self.say_more.replace("{count}", &more.to_string()));
        }
        text
    }
}
