//! A finding while its words are being gathered, and when the next one begins.

use std::ops::Range;

use crate::core::decimal::Decimal;
use crate::core::finding::{Field, Kind, Value};
use crate::core::grammar::{Cap, Gathered, Match, NumberRule, Utterance};

/// A finding being gathered.
#[derive(Clone, Debug, PartialEq)]
pub struct Draft {
    pub frame: usize,
    pub kind: Kind,
    pub fields: Vec<(Field, Value)>,
    /// Fields nobody said, set last.
    pub defaults: Vec<(Field, Value)>,
    /// From this dose on no usual route is known.
    pub usual_below: Option<Decimal>,
    /// Numbers with the rules they must keep, and the words.
    pub numbers: Vec<Checked>,
    pub negated: bool,
    pub restated: bool,
    /// Began as the answer to a question of an earlier utterance.
    pub answers: bool,
    /// Behind a "correction" in this utterance.
    pub corrects: bool,
    pub confirm: Vec<(Field, String)>,
    pub unchanged: bool,
    /// Said without a verb.
    pub bare: bool,
    /// Said by a phrase that stands alone, even one that sets nothing ("it is in").
    pub whole: bool,
    pub words: Range<usize>,
    /// When it happened, said beside it.
    pub at: Option<Value>,
    /// A word beside it that may turn it round.
    pub unclear: Option<String>,
    pub leads: bool,
    /// Behind a "copy" or before a "got it".
    pub copies: bool,
    /// Taken over from the value before it ("one forty over ninety on the left, one thirty over eighty on the right").
    pub inherited: Vec<Field>,
    /// Its place is that of the sign alone ("JVD"): no other sign's.
    pub own_place: bool,
}

#[derive(Clone, Debug, PartialEq)]
pub struct Checked {
    pub field: Field,
    pub value: Decimal,
    pub rule: Option<NumberRule>,
    pub impossible: bool,
    pub said: String,
}

impl Draft {
    pub fn get(&self, field: Field) -> Option<&Value> {
        self.fields.iter().find(|(f, _)| *f == field).map(|(_, value)| value)
    }
}

/// What only the last of a list says of all: `Viagra or Cialis in the last two days`.
pub(super) fn carry_back<'g>(mut list: Vec<(usize, &mut Vec<(Field, Value)>)>, carried: impl Fn(usize) -> &'g [Field]) {
    let mut later: Option<(usize, Vec<(Field, Value)>)> = None;
    for (frame, fields) in list.iter_mut().rev() {
        if let Some((_, known)) = later.as_ref().filter(|(of, _)| of == frame) {
            let new = known.iter().filter(|(f, _)| !fields.iter().any(|(g, _)| f == g)).cloned().collect::<Vec<_>>();
            fields.extend(new);
        }
        let known = fields.iter().filter(|(f, _)| carried(*frame).contains(f)).cloned().collect();
        later = Some((*frame, known));
    }
}

/// "aspirin and nitro given": where a field comes again another finding begins.
pub(super) fn apart(gathered: Vec<Gathered>) -> Vec<Vec<Gathered>> {
    let mut all: Vec<Vec<Gathered>> = vec![Vec::new()];
    for item in gathered {
        let again = |g: &Gathered| !g.default && !item.default && g.field == item.field && g.value != item.value;
        if matches!(item.field, Field::Name | Field::Sound | Field::Minute)
            && all.last().is_some_and(|last| last.iter().any(again))
        {
            all.push(Vec::new());
        }
        if let Some(last) = all.last_mut() {
            last.push(item);
        }
    }
    all
}

pub(super) fn take(draft: &mut Draft, item: Gathered, on: &Utterance) {
    if item.default {
        draft.usual_below = draft.usual_below.or(item.usual_below);
        draft.defaults.push((item.field, item.value));
        return;
    }
    if item.confirm {
        draft.confirm.push((item.field, on.said(item.start, item.end).to_string()));
    }
    if let (Some(value), true) = (item.value.as_number(), item.number.is_some()) {
        draft.numbers.push(Checked {
            field: item.field,
            value,
            rule: item.number,
            impossible: item.impossible,
            said: on.said(item.start, item.end).to_string(),
        });
    }
    draft.fields.retain(|(field, _)| *field != item.field);
    draft.fields.push((item.field, item.value));
}

/// One item of a list and no word beside it.
pub(super) fn is_mere(found: &Match) -> bool {
    let whole = |cap: &Cap| cap.start == found.start && cap.end == found.end;
    matches!(found.caps.as_slice(), [cap] if whole(cap))
}

/// A place that nobody said: it belongs to the word for the sign ("JVD" is seen on the neck).
pub(super) fn implied_place(on: &Utterance, place: &Gathered, all: &[Gathered]) -> bool {
    let sign = |g: &Gathered| g.field == Field::Sign && (g.start, g.end) == (place.start, place.end);
    // "chest rise" names it.
    let named = || on.said(place.start, place.end).to_lowercase().contains(&place.value.to_string());
    matches!(place.field, Field::Region | Field::Quadrant) && all.iter().any(sign) && !named()
}

/// True where `gathered` cannot be of the same finding as `draft`.
pub(super) fn clashes(draft: &Draft, gathered: &[Gathered]) -> bool {
    let differs = |g: &Gathered| draft.fields.iter().any(|(f, v)| *f == g.field && *v != g.value);
    is_of_another(draft, gathered) || gathered.iter().any(|g| !g.default && differs(g))
}

/// No field differs, and yet it is another thing.
fn is_of_another(draft: &Draft, gathered: &[Gathered]) -> bool {
    let has = |field: Field| draft.fields.iter().any(|(f, _)| *f == field);
    let brings = |field: Field| gathered.iter().any(|g| g.field == field && !g.default);
    let either = |one: Field, other: Field| has(one) && brings(other) || has(other) && brings(one);
    // "pulse one twenty eight, can't find a radial": what is not there is another than what was counted.
    let absent = gathered.iter().any(|g| g.field == Field::Present && g.value == Value::Flag(false));
    let elsewhere = absent && brings(Field::Site) && has_number(draft) && !has(Field::Site);
    // "apneic, bagging him": a breath that others make is none of his own.
    let none = draft.fields.contains(&(Field::Present, Value::Flag(false)));
    // A drug's name and a class said beside it are two drugs ("metformin and a statin").
    either(Field::Name, Field::Class)
        // "no drug allergies, but peanuts": none of one kind, and one of another.
        || either(Field::None, Field::Name)
        || elsewhere
        // "took the mask off him, he's at two on the cannula".
        || has(Field::Stopped) && (brings(Field::FlowLPerMin) || brings(Field::Device))
        || none && brings(Field::Effort)
}

pub(super) fn has_number(draft: &Draft) -> bool {
    !draft.numbers.is_empty()
}

/// True when anything was said of it beyond who said it.
pub fn has_value(draft: &Draft) -> bool {
    let about = |f: &Field| {
        matches!(f, Field::ReportedBy | Field::BeforeArrival | Field::Approximate | Field::Patient | Field::Comparator)
    };
    draft.fields.iter().any(|(f, _)| !about(f))
}
