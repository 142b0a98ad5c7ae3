//! What a phrase cannot do without, so that most phrases are put aside before they are tried.

use std::collections::BTreeSet;

use super::{Grammar, Node, Source, Utterance, WordId};

/// More words than this are not worth looking for.
const MOST: usize = 48;

/// Words of which one must be said; of several such sets the one that is said most seldom. Empty: nothing is known.
pub(super) fn needed(grammar: &Grammar, node: &Node) -> Vec<WordId> {
    let best = sets(grammar, node).into_iter().min_by_key(|set| weight(grammar, set));
    best.filter(|set| set.len() <= MOST).map(|set| set.into_iter().collect()).unwrap_or_default()
}

/// The sets of which one word each must be said.
fn sets(grammar: &Grammar, node: &Node) -> Vec<BTreeSet<WordId>> {
    match node {
        Node::Word(word) => vec![BTreeSet::from([*word])],
        Node::Seq(items) => items.iter().flat_map(|item| sets(grammar, item)).collect(),
        Node::Alt(items) => {
            let best = |item| sets(grammar, item).into_iter().min_by_key(|set| weight(grammar, set));
            let each: Option<Vec<BTreeSet<WordId>>> = items.iter().map(best).collect();
            each.map(|all| all.into_iter().flatten().collect()).into_iter().collect()
        }
        Node::Opt(_) | Node::NoPause => Vec::new(),
        Node::Slot(slot) => match grammar.slots.get(*slot).map(|s| s.source) {
            Some(Source::List(list)) => {
                grammar.lists.get(list).map(|l| l.starts.keys().copied().collect()).into_iter().collect()
            }
            Some(Source::Rest) | None => Vec::new(),
            Some(_) => vec![BTreeSet::from([grammar.any_number()])],
        },
    }
}

/// How often one of these words may be met: as often as phrases begin with it.
fn weight(grammar: &Grammar, set: &BTreeSet<WordId>) -> usize {
    let begins = |word: &WordId| match *word == grammar.any_number() {
        true => grammar.by_number.len(),
        false => grammar.by_word.get(word).map_or(0, Vec::len),
    };
    set.iter().map(|word| 1 + begins(word)).sum()
}

/// Behind which place each word of an utterance is not said again.
pub(super) struct Last(Vec<usize>);

impl Last {
    pub(super) fn of(grammar: &Grammar, on: &Utterance) -> Last {
        let mut last = vec![0; grammar.any_number() as usize + 1];
        for (at, id) in on.ids.iter().enumerate() {
            let number = on.numeric(at).then_some(grammar.any_number());
            for word in std::iter::once(*id).chain(number) {
                if let Some(place) = last.get_mut(word as usize) {
                    *place = at + 1;
                }
            }
        }
        Last(last)
    }

    /// True when one of `words` is said at `at` or later, or when none is needed.
    pub(super) fn allows(&self, words: &[WordId], at: usize) -> bool {
        words.is_empty() || words.iter().any(|word| self.0.get(*word as usize).is_some_and(|place| *place > at))
    }
}

impl Grammar {
    /// Stands among words for any number.
    fn any_number(&self) -> WordId {
        self.words.len() as WordId + 1
    }
}
