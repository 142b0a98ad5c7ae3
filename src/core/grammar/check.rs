//! What can be wrong with a grammar that reads well: words that never count, phrases that say the same.

use std::collections::HashMap;

use super::{Grammar, Node, Role};
use crate::core::diagnostic::Diagnostic;

/// Warnings about `grammar`, for `thirdhand check`.
pub fn warnings(grammar: &Grammar) -> Vec<Diagnostic> {
    let mut all = free_items(grammar);
    all.extend(twins(grammar));
    all
}

/// A free word costs less than the phrase that would use it, so an item that is nothing else is never heard.
fn free_items(grammar: &Grammar) -> Vec<Diagnostic> {
    let mut all = Vec::new();
    for (at, list) in grammar.lists.iter().enumerate() {
        let stands_alone = grammar.phrases.iter().any(|p| shortest(&p.node) == 1 && reads(grammar, &p.node, at));
        if !stands_alone {
            continue;
        }
        for (first, entries) in &list.starts {
            let single = entries.iter().any(|(rest, _)| rest.is_empty());
            if single && grammar.free.contains(first) {
                let word = grammar.words.iter().find(|(_, id)| *id == first).map_or("", |(word, _)| word.as_str());
                let message = format!("`{word}` of list `{}` is also a free word and may pass unheard", list.id);
                let hint = "take it out of [filler] or give the item another word";
                all.push(Diagnostic::warning("grammars", 0, 0, message).hint(hint));
            }
        }
    }
    all.sort_by(|a, b| a.message.cmp(&b.message));
    all
}

/// Two phrases with the same words and slots that do different things collide whenever they are said.
fn twins(grammar: &Grammar) -> Vec<Diagnostic> {
    let mut seen: HashMap<String, usize> = HashMap::new();
    let mut all = Vec::new();
    for (index, phrase) in grammar.phrases.iter().enumerate() {
        // A frame's fill and another's fill never meet.
        if matches!(phrase.role, Role::Fill(_) | Role::Answer(_) | Role::Command(_)) {
            continue;
        }
        let key = spell(grammar, &phrase.node);
        let Some(first) = seen.get(&key).and_then(|i| grammar.phrases.get(*i)) else {
            seen.insert(key, index);
            continue;
        };
        if first.cost == phrase.cost && first.role != phrase.role {
            let message = format!("`{}` collides with {}:{}", phrase.text, first.file, first.line);
            let hint = "give the less likely one `cost = 1`";
            all.push(Diagnostic::warning(&phrase.file, phrase.line, 1, message).hint(hint));
        }
    }
    all
}

/// The fewest words that say `node`, counting a slot as one.
fn shortest(node: &Node) -> usize {
    match node {
        Node::Word(_) | Node::Slot(_) => 1,
        Node::Seq(items) => items.iter().map(shortest).sum(),
        Node::Alt(items) => items.iter().map(shortest).min().unwrap_or(0),
        Node::Opt(_) | Node::NoPause => 0,
    }
}

/// True when `node` may read an item of list `list` where it has to read something.
fn reads(grammar: &Grammar, node: &Node, list: usize) -> bool {
    match node {
        Node::Word(_) | Node::Opt(_) | Node::NoPause => false,
        Node::Seq(items) | Node::Alt(items) => items.iter().any(|i| reads(grammar, i, list)),
        Node::Slot(slot) => grammar.slots.get(*slot).is_some_and(|s| s.source == super::Source::List(list)),
    }
}

/// The phrase as text, with its slots by what they read.
fn spell(grammar: &Grammar, node: &Node) -> String {
    match node {
        Node::Word(word) => word.to_string(),
        Node::Seq(items) => items.iter().map(|i| spell(grammar, i)).collect::<Vec<_>>().join(" "),
        Node::Alt(items) => {
            let mut ways: Vec<String> = items.iter().map(|i| spell(grammar, i)).collect();
            ways.sort();
            format!("({})", ways.join("|"))
        }
        Node::Opt(inner) => format!("[{}]", spell(grammar, inner)),
        Node::NoPause => "~".to_string(),
        Node::Slot(slot) => grammar.slots.get(*slot).map_or(String::new(), |s| format!("{{{:?}}}", s.source)),
    }
}
