//! "I mean", "correction": the last thing of its kind is put right, in the breath or in the record.

use crate::core::finding::{Field, Finding, Value};
use crate::core::grammar::Grammar;
use crate::core::utterance::Change;

use super::Conversation;
use super::settle;
use super::taken::Taken;

/// Where something is.
const PLACE: [Field; 2] = [Field::Region, Field::Side];

impl Conversation {
    pub(super) fn correct(&self, grammar: &Grammar, finding: Finding, frame: usize, taken: &mut Taken) {
        if correct_in_breath(&finding, taken) {
            return;
        }
        let patient = finding.patient();
        let of_last = self.last.iter().rev().filter_map(|seq| self.ledger.find(*seq));
        let target = of_last
            .filter(|e| e.stands() && e.finding.kind() == finding.kind())
            .chain(self.ledger.of(finding.kind(), patient).rev())
            .next();
        match target {
            Some(entry) => {
                let mut merged = entry.finding.clone();
                merged.remove(Field::Unconfirmed);
                overlay(&mut merged, &finding);
                taken.changes.push(Change::Correct { target: entry.seq, finding: merged, who: None, why: None });
                taken.answered = true;
            }
            // "Sorry, back there": a place alone corrects what is known, and is nothing new.
            None if !settle::says_enough(grammar, frame, &finding) => {}
            None => {
                let what = settle::spoken(grammar, finding.kind());
                taken.why.push(grammar.prompt("nothing_to_correct", &[("finding", &what)]));
                taken.changes.push(Change::Record(finding));
            }
        }
    }
}

pub(super) fn overlay(old: &mut Finding, new: &Finding) {
    // One thing by name and "none at all" exclude each other: "allergic to penicillin" corrects "no allergies".
    if new.get(Field::Name).is_some() {
        old.remove(Field::None);
        old.remove(Field::Of);
    } else if new.flag(Field::None) == Some(true) {
        old.remove(Field::Name);
    }
    for (field, value) in new.fields() {
        old.set(field, value.clone());
    }
    overlay_side(old, new);
}

/// Corrected in the breath in which it was said. Of several signs at the wrong place only the last is named again:
/// "deformity and swelling to the right, I mean the left forearm".
fn correct_in_breath(finding: &Finding, taken: &mut Taken) -> bool {
    let place = |f: &Finding| PLACE.map(|field| f.get(field).cloned());
    let changes = taken.changes.iter_mut().rev().filter_map(|c| match c {
        Change::Record(f) if f.kind() == finding.kind() => Some(f),
        _ => None,
    });
    let mut wrong = None;
    for said in changes {
        match &wrong {
            None => {
                wrong = Some(place(said));
                overlay(said, finding);
            }
            Some(wrong) if wrong.iter().any(Option::is_some) && place(said) == *wrong => {
                overlay(said, &placed(finding))
            }
            Some(_) => {}
        }
    }
    if wrong.is_some() {
        taken.doubts.clear();
        forget_told_twice(taken);
    }
    wrong.is_some()
}

/// "Metformin and lisinopril, I mean metformin and losartan": what was right is told again, and stands once.
fn forget_told_twice(taken: &mut Taken) {
    let mut told: Vec<Change> = Vec::new();
    for change in std::mem::take(&mut taken.changes) {
        if !told.contains(&change) {
            told.push(change);
        }
    }
    taken.changes = told;
}

/// Where it is, and nothing else of it.
pub(super) fn placed(finding: &Finding) -> Finding {
    let mut place = Finding::new(finding.kind());
    for field in PLACE {
        finding.get(field).into_iter().for_each(|value| place.set(field, value.clone()));
    }
    place
}

/// The side of a limb stands in its region: "the left forearm, I mean right" leaves no left, and "to the right, I mean the
/// left forearm" no right.
fn overlay_side(old: &mut Finding, new: &Finding) {
    let sided = |word: &str| matches!(word, "left" | "right");
    // What the region names beside its side: "forearm" of a left one.
    let part = |f: &Finding| {
        let (side, part) = f.text(Field::Region)?.split_once('_')?;
        sided(side).then(|| part.to_string())
    };
    match (new.text(Field::Side).filter(|side| sided(side)), part(new), part(old)) {
        (Some(side), None, Some(part)) => {
            old.set(Field::Region, Value::text(format!("{side}_{part}")));
            old.remove(Field::Side);
        }
        (None, Some(_), _) => {
            old.remove(Field::Side);
        }
        _ => {}
    }
}
