//! A phrase of a finding becomes a draft, or goes on with the one that is being gathered.

use super::Reader;
use super::draft::{Draft, apart, clashes, has_number, has_value, implied_place, take};
use super::polarity::Polarity;
use super::scope::Heard;
use crate::core::finding::{Field, Kind, Value};
use crate::core::grammar::{Frame, Gathered, Match, Phrase, Role, gather};
use crate::core::text::Break;

/// What one phrase says of one finding.
pub(super) struct Said<'a> {
    pub frame: usize,
    pub data: &'a Frame,
    pub phrase: &'a Phrase,
    pub found: &'a Match,
    pub gathered: Vec<Gathered>,
    /// Set something.
    pub filled: bool,
}

impl Said<'_> {
    /// It names its finding, rather than filling one that is open.
    pub fn opens(&self) -> bool {
        matches!(self.phrase.role, Role::Open(_) | Role::Alone(_))
    }

    /// It means something by itself.
    pub fn alone(&self) -> bool {
        matches!(self.phrase.role, Role::Alone(_))
    }

    pub fn fills(&self) -> bool {
        matches!(self.phrase.role, Role::Fill(_))
    }

    pub fn numeric(&self) -> bool {
        self.gathered.iter().any(|g| g.number.is_some())
    }

    pub fn deniable(&self) -> bool {
        self.data.deny.is_some()
    }

    pub fn start(&self) -> usize {
        self.found.start
    }

    /// It names where, and nothing else.
    pub fn places_alone(&self) -> bool {
        let place = |g: &Gathered| matches!(g.field, Field::Region | Field::Quadrant | Field::Side | Field::Limb);
        self.opens() && !self.gathered.is_empty() && self.gathered.iter().all(place)
    }

    fn says(&self, field: Field) -> bool {
        self.gathered.iter().any(|g| g.field == field)
    }
}

impl<'a> Reader<'a> {
    pub(super) fn frame(&mut self, frame: usize, phrase: &'a Phrase, found: &'a Match) {
        let Some(data) = self.grammar.frame(frame) else { return };
        let gathered = gather(self.grammar, found, data.kind, self.now);
        let filled = matches!(phrase.role, Role::Fill(_) | Role::Answer(_)) || !gathered.is_empty();
        let said = Said { frame, data, phrase, found, gathered, filled };
        if let Some(asks) = phrase.asks {
            self.ask_by_itself(asks, &said);
            return;
        }
        match self.hears(&said) {
            Heard::Nothing => {}
            Heard::Asked => self.ask(&said),
            // Named by the way: what is said of it next counts.
            Heard::ByTheWay => {
                self.push_current();
                self.current = Some(self.draft(frame, found));
            }
            Heard::Told => {
                for gathered in apart(said.gathered) {
                    self.record(Said { frame, data, phrase, found, gathered, filled });
                }
            }
        }
    }

    fn record(&mut self, mut said: Said<'a>) {
        // "that was his third nitro" plans none.
        if self.was && said.data.kind == Kind::MedicationPlanned {
            self.block(said.found);
            return;
        }
        let Some(polarity) = self.polarity(&said) else { return };
        let negated = self.deny_items(&mut said, polarity.negated);
        let polarity = Polarity { negated, ..polarity };
        self.named = said.gathered.iter().filter(|g| !g.default).map(|g| g.field).collect();
        self.tell_anew(&said);
        if self.begins(&said, negated) {
            self.begin(&said, polarity);
        }
        self.opened = None;
        self.of_the_limb_named(&mut said.gathered);
        self.fill(said, polarity);
    }

    /// A value that was only taken over from the one before gives way to its own.
    fn tell_anew(&mut self, said: &Said) {
        let ours = |d: &&mut Draft| d.frame == said.frame && !said.opens() && said.data.vital;
        let Some(draft) = self.current.as_mut().filter(ours) else { return };
        let told = |f: &Field| said.gathered.iter().any(|g| g.field == *f && !g.default);
        let inherited = &draft.inherited;
        draft.fields.retain(|(f, _)| !(inherited.contains(f) && told(f)));
    }

    /// True where what is said is another finding than the one being gathered.
    fn begins(&self, said: &Said, negated: bool) -> bool {
        let Some(draft) = self.current.as_ref().filter(|d| d.frame == said.frame) else { return true };
        let turned = draft.negated != negated && has_value(draft);
        // "Was confused, now she's alert": of now, and no more of what was.
        let anew = draft.restated && has_value(draft) && self.is_of_now(draft.words.end, said.found.end);
        anew || clashes(draft, &said.gathered) || turned || (said.opens() && draft.unchanged)
    }

    /// Begins a finding; one of the same frame before it hands on what holds for both.
    fn begin(&mut self, said: &Said, polarity: Polarity) {
        self.outdate(said);
        let mut draft = self.draft(said.frame, said.found);
        if let Some(old) = self.current.as_ref().filter(|old| old.frame == said.frame) {
            draft.bare |= !said.opens() && old.bare;
            let now = self.is_of_now(old.words.end, said.found.end);
            draft.restated = old.restated && !now;
            draft.answers = old.answers;
            let taken_over = self.taken_over(old, said, polarity);
            draft.inherited.extend(taken_over.iter().map(|(field, _)| *field));
            draft.fields.extend(taken_over);
        }
        draft.answers |= !said.opens() && self.opened.take() == Some(said.frame);
        draft.leads = self.meaning.drafts.is_empty() && self.current.is_none();
        self.push_current();
        self.current = Some(draft);
    }

    /// "pulse ox is ninety, ninety one now": of two values of what is measured the one that is said to be of now stands.
    fn outdate(&mut self, said: &Said) {
        let led = said.start().checked_sub(1).filter(|_| self.break_before(said.start()) < Break::Comma);
        let behind = Some(said.found.end).filter(|end| self.break_before(*end) < Break::Comma);
        let mut words = (said.start()..said.found.end).chain(led).chain(behind);
        let now = words.any(|at| self.grammar.is_now(self.on, at));
        let older = |d: &&mut Draft| d.frame == said.frame && said.data.vital && has_number(d);
        if let Some(old) = self.current.as_mut().filter(older).filter(|_| now && said.numeric()) {
            old.restated = true;
        }
    }

    /// "was forty eight, now one twelve": the clause that goes on at `end` tells that it is of now.
    fn is_of_now(&self, from: usize, end: usize) -> bool {
        let tokens = self.on.tokens.len();
        let clause = (end..tokens).find(|end| self.on.ends_clause(*end)).unwrap_or(tokens);
        (from..clause).any(|at| self.grammar.is_anew(self.on, at))
    }

    /// What the next finding of a frame takes over from the one before: the region, not that it was denied.
    fn taken_over(&self, old: &Draft, said: &Said, polarity: Polarity) -> Vec<(Field, Value)> {
        // "no cardiac history but he does have asthma".
        let turned = polarity.affirmed || self.yes.there || self.yes.turned;
        // "Crepitus on the left chest, trachea midline": the side was that of another place.
        let other_place = |g: &Gathered| {
            g.field == Field::Region && old.fields.iter().any(|(field, value)| *field == g.field && *value != g.value)
        };
        let elsewhere = said.gathered.iter().any(other_place);
        let keeps = |field: Field, value: &Value| {
            let denied = field == Field::Present && (polarity.ended || turned && *value == Value::Flag(false));
            let own = old.own_place && matches!(field, Field::Region | Field::Quadrant);
            let of_it = field == Field::Side && elsewhere;
            !denied && !own && !of_it && said.data.carry.contains(&field) && !said.says(field)
        };
        old.fields.iter().filter(|(field, value)| keeps(*field, value)).cloned().collect()
    }

    /// Sets what was said in the draft at hand.
    fn fill(&mut self, said: Said, polarity: Polarity) {
        let Said { frame, data, found, gathered, .. } = &said;
        let estimated = |g: &Gathered| {
            g.number.is_some() && g.start.checked_sub(1).is_some_and(|before| self.grammar.is_about(self.on, before))
        };
        let estimate = gathered.iter().any(estimated);
        let about = (std::mem::take(&mut self.about) || estimate) && said.numeric();
        let own_place = gathered.iter().any(|g| implied_place(self.on, g, gathered));
        let there = self.yes.there && !self.astray(found.start);
        let doubted = polarity.unclear.then(|| self.on.said(self.no.end.saturating_sub(1), self.no.end).to_string());
        let back: Vec<(Field, Value)> = gathered
            .iter()
            .filter(|g| data.carry.contains(&g.field) && !g.default && !implied_place(self.on, g, gathered))
            .map(|g| (g.field, g.value.clone()))
            .collect();
        let Some(draft) = &mut self.current else { return };
        draft.own_place |= own_place;
        draft.negated |= polarity.negated;
        draft.unclear = doubted.or(draft.unclear.take());
        affirm_before(draft, &said, polarity);
        draft.whole |= said.alone();
        draft.restated |= self.was && data.changes;
        draft.words.end = found.end;
        if about {
            draft.fields.push((Field::Approximate, Value::Flag(true)));
        }
        for item in gathered {
            take(draft, item.clone(), self.on);
        }
        if there {
            affirm_behind(draft, data);
        }
        let (from, negated) = (draft.words.start, draft.negated);
        let complete = said.filled && data.vital && has_number(draft);
        // "no JVD, tracheal deviation to the left": what is asked about places nothing before it.
        if draft.unclear.is_none() {
            self.carry_back(*frame, &back, from, negated);
        }
        self.was = false;
        if !data.vital {
            self.meaning.lead.clear();
        }
        self.last_complete = complete;
    }

    pub(super) fn draft(&self, frame: usize, found: &Match) -> Draft {
        let data = self.grammar.frame(frame);
        Draft {
            frame,
            kind: data.map_or(Kind::Events, |d| d.kind),
            fields: self.source.clone(),
            defaults: Vec::new(),
            usual_below: None,
            numbers: Vec::new(),
            negated: false,
            restated: self.restated && data.is_some_and(|d| d.changes),
            answers: false,
            corrects: self.thought.is_some() && !self.is_put_right(frame),
            confirm: Vec::new(),
            unchanged: false,
            bare: self.grammar.phrase(found.phrase).is_some_and(|p| p.bare),
            whole: false,
            words: found.start..found.end,
            at: self.time.as_ref().map(|(value, _)| value.clone()),
            unclear: None,
            leads: false,
            copies: false,
            own_place: false,
            inherited: Vec::new(),
        }
    }

    /// "Wheezes on the left, I mean the right, left is clear": put right once, what is told of it next is more.
    fn is_put_right(&self, frame: usize) -> bool {
        self.meaning.drafts.iter().chain(&self.current).any(|draft| draft.corrects && draft.frame == frame)
    }

    /// "left hip's tender, leg's shortened": a limb without its side is the one just named.
    fn of_the_limb_named(&self, gathered: &mut [Gathered]) {
        let limb = |(f, _): &&(Field, Value)| matches!(f, Field::Region | Field::Limb);
        let named = self.meaning.drafts.last().and_then(|d| d.fields.iter().find(limb));
        let Some((_, Value::Text(named))) = named else { return };
        for place in gathered.iter_mut().filter(|g| g.field == Field::Region) {
            if let Value::Text(region) = &mut place.value
                && named.strip_suffix(region.as_str()).is_some_and(|side| side.ends_with('_'))
            {
                region.clone_from(named);
            }
        }
    }

    /// "splint on the left wrist, good pulses below it": of the limb that was treated right before.
    pub(super) fn of_the_limb_treated(&mut self) {
        let text = |draft: &Draft, field: Field| draft.get(field).and_then(|value| Some(value.as_text()?.to_string()));
        for at in 1..self.meaning.drafts.len() {
            let [before, draft] = &mut self.meaning.drafts[at - 1..=at] else { continue };
            let limb = text(before, Field::Side).zip(text(before, Field::Limb));
            let told = draft.fields.iter().any(|(field, _)| *field == Field::Limb);
            let checked = before.kind == Kind::Procedure && draft.kind == Kind::DistalFunction && !told;
            if let Some((side, limb)) = limb.filter(|_| checked) {
                draft.fields.push((Field::Limb, Value::text(format!("{side}_{limb}"))));
            }
        }
    }

    /// "no bruises or cuts on the chest": the place said last belongs to the whole list.
    fn carry_back(&mut self, frame: usize, back: &[(Field, Value)], from: usize, negated: bool) {
        let mut next = from;
        for draft in self.meaning.drafts.iter_mut().rev() {
            let joined = (draft.words.end..next).all(|at| self.on.is_free(at));
            let placed = draft.fields.iter().any(|(f, _)| back.iter().any(|(g, _)| f == g));
            let pause = self.on.tokens.get(draft.words.end.saturating_sub(1)).map_or(Break::None, |t| t.after);
            // "abdomen distended, guarding on the right": a side alone is of what stands before it.
            let apart = back.iter().all(|(f, _)| *f == Field::Side)
                && pause >= Break::Comma
                && draft.fields.iter().any(|(f, _)| *f == Field::Region);
            if draft.frame != frame || placed || apart || !joined || pause >= Break::Stop || draft.negated != negated {
                return;
            }
            draft.fields.extend(back.iter().cloned());
            next = draft.words.start;
        }
    }

    pub(super) fn push_current(&mut self) {
        let said = |draft: &Draft| has_value(draft) || draft.unchanged || draft.negated || draft.whole;
        self.meaning.drafts.extend(self.current.take().filter(said));
    }
}

/// What is there beside what is not ("no stroke, just a TIA"), and what stands right behind a "he has".
fn affirm_before(draft: &mut Draft, said: &Said, polarity: Polarity) {
    if polarity.negated || !said.deniable() {
        return;
    }
    if polarity.ended {
        let none = said.gathered.iter().any(|g| matches!(g.field, Field::None | Field::Obtained));
        let known = |f: &Field| none || said.says(*f) || draft.fields.iter().any(|(g, _)| f == g);
        let there = said.data.yes.iter().flatten().filter(|(f, v)| *f == Field::Present && *v == Value::Flag(true));
        let yes: Vec<_> = there.filter(|(f, _)| !known(f)).cloned().collect();
        draft.fields.extend(yes);
    }
    if polarity.affirmed {
        let yes = said.data.yes.as_deref().unwrap_or_default();
        draft.fields.retain(|(f, _)| !yes.iter().any(|(g, _)| f == g));
        draft.fields.extend(yes.iter().cloned());
    }
}

/// Behind a "does have". "There is a gas leak" affirms no safe scene: only what can be denied can be affirmed so.
fn affirm_behind(draft: &mut Draft, data: &Frame) {
    let none = draft.fields.iter().any(|(f, _)| *f == Field::None);
    if draft.negated || !has_value(draft) || none || data.deny.is_none() {
        return;
    }
    for (field, value) in data.yes.iter().flatten() {
        if !draft.fields.iter().any(|(f, _)| f == field) {
            draft.fields.push((*field, value.clone()));
        }
    }
}
