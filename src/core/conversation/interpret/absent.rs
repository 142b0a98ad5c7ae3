//! A "no" behind what it denies: "JVD negative", "wheezing and crackles absent".

use super::Reader;
use super::draft::{Draft, has_value};
use crate::core::finding::{Field, Value};
use crate::core::grammar::Grammar;
use crate::core::text::Break;

impl Reader<'_> {
    /// "JVD negative", "swelling, none", "wheezing and crackles absent": a no behind signs or symptoms just named denies
    /// them; `all` of the sentence, or those joined to the last. False where nothing that can be denied stands there.
    pub(super) fn absent(&mut self, at: usize, all: bool) -> bool {
        self.absent_before(at, all, None)
    }

    /// The same, from a phrase of `list` that denies in its last words ("wheezing and crackles absent").
    pub(super) fn absent_before(&mut self, at: usize, all: bool, list: Option<usize>) -> bool {
        let mut denied = list.is_some();
        let (mut next, mut frame, mut across) = (at, list, true);
        let drafts = self.meaning.drafts.iter_mut().chain(self.current.as_mut()).rev();
        for draft in drafts {
            let end = draft.words.end;
            let pause = (end.saturating_sub(1)..next)
                .filter_map(|i| self.on.tokens.get(i).map(|t| t.after))
                .fold(Break::None, Break::max);
            let joined = (end..next).all(|i| self.on.is_free(i));
            let listed = all || !denied || (pause < Break::Comma && frame == Some(draft.frame));
            if !joined || pause >= Break::Stop || !listed || !across {
                break;
            }
            if !turn_round(self.grammar, draft, (!denied).then_some(self.named.as_slice())) {
                break;
            }
            (denied, next, frame) = (true, draft.words.start, Some(draft.frame));
            // The last of several items of one finding alone was named last.
            across = self.grammar.frame(draft.frame).is_some_and(|f| f.deny.as_ref().is_some_and(|d| d.len() == 1));
        }
        denied
    }
}

/// Denies what `draft` names; of a finding of several items those in `named`, if given. False where a no cannot turn it
/// round: a measured value, a look, what was denied already.
pub(super) fn turn_round(grammar: &Grammar, draft: &mut Draft, named: Option<&[Field]>) -> bool {
    let Some(frame) = grammar.frame(draft.frame) else { return false };
    let Some(deny) = &frame.deny else { return false };
    if deny.len() > 1 {
        let mut turned = false;
        for (field, value) in draft.fields.iter_mut().filter(|(f, _)| named.is_none_or(|n| n.contains(f))) {
            if let Some((_, normal)) = deny.iter().find(|(f, v)| f == field && v != value) {
                *value = normal.clone();
                turned = true;
            }
        }
        return turned;
    }
    let absent = (Field::Present, Value::Flag(false));
    let looked = draft.fields.iter().any(|(f, _)| matches!(f, Field::Examined | Field::Normal));
    let none = (Field::None, Value::Flag(true));
    let settled = deny.iter().chain([&none]).any(|set| draft.fields.contains(set));
    let touched = draft.fields.iter().any(|(f, _)| deny.iter().any(|(g, _)| f == g));
    let turns = deny.contains(&absent) || touched || !has_value(draft);
    let affirms = deny.contains(&(Field::Present, Value::Flag(true)));
    if (frame.vital && has_value(draft)) || looked || settled || !turns || affirms || draft.unchanged || draft.negated {
        return false;
    }
    draft.negated = true;
    true
}
