//! What the "no" that runs does not reach: where a list that it began has ended.

use super::Reader;
use super::draft::{clashes, is_mere};
use super::polarity::Denial;
use super::record::Said;
use crate::core::finding::{Field, Kind, Value};
use crate::core::grammar::{Act, Gathered, Match, Role, Step};
use crate::core::text::Break;

impl Reader<'_> {
    /// True where what follows a denial is said for itself: "no edema, lungs have crackles", "denies pain, abdomen is
    /// tender", "no chest pain, pulse ninety". A list goes on with bare names of the same kind, or up to its "or".
    pub(super) fn ends_denial(&self, said: &Said) -> bool {
        let paused = self.break_before(said.start()) >= Break::Comma;
        // "no blood belly soft tender right lower quadrant": the "no" was spent on what was not understood.
        if (paused || self.lost_behind_no()) && self.has_own_no(said) {
            return true;
        }
        let bare = self.is_bare_name(said) && !self.is_apart(said.start());
        if self.no.listed.is_none() || said.fills() && self.joins(said) || bare {
            return false;
        }
        let or = self.in_or_list(said.found);
        let closed = self.no.closed.is_some_and(|end| end <= said.start());
        said.numeric()
            || self.states(said.found, or)
            || denies_itself(said)
            || self.is_another(said, or)
            || paused
                && (closed
                    || said.data.vital
                    || self.is_led(said, or)
                    || names_no_deniable(said)
                    || is_placed(said, or))
    }

    /// "no accessory muscle use, no retractions": a "no" of its own needs no other.
    fn has_own_no(&self, said: &Said) -> bool {
        let says_no = |g: &Gathered| g.field == Field::Present && g.value == Value::Flag(false);
        said.gathered.iter().any(says_no) || said.alone() && self.grammar.is_denier(self.on, said.start())
    }

    /// "denies facial droop, accessory muscle use, and slurred speech": a bare name says nothing of its own.
    fn is_bare_name(&self, said: &Said) -> bool {
        let name = match said.phrase.role {
            Role::Open(_) => said.gathered.is_empty(),
            Role::Alone(_) => said.phrase.start && said.phrase.end && said.found.caps.is_empty(),
            _ => false,
        };
        name && self.on.ends_clause(said.found.end) && self.no.denial != Denial::One && !said.data.vital
    }

    /// "no diabetes, history of asthma": words of its own before the name.
    fn is_led(&self, said: &Said, or: bool) -> bool {
        let heavy = |at: usize| !self.on.is_free(at);
        !or && said.found.caps.first().is_some_and(|cap| (said.start()..cap.start).any(heavy))
    }

    /// Another kind of thing than what was denied so far, and not joined to it.
    fn is_another(&self, said: &Said, or: bool) -> bool {
        // A patient denies what is felt or was had, not what is seen or heard on him.
        let felt = matches!(
            said.data.kind,
            Kind::Bleeding
                | Kind::History
                | Kind::LossOfConsciousness
                | Kind::Pregnancy
                | Kind::RecentUse
                | Kind::StrokeScreen
                | Kind::Symptom
        );
        let placed = self.break_before(said.start()) >= Break::Comma && is_placed(said, or);
        let listing = self.no.denial == Denial::List && !placed && felt;
        self.no.listed != Some(said.frame) && !or && !listing && !self.bare_in_list(said)
    }

    /// "denies dizziness, JVD, edema": a sign by its mere name in what a patient denies.
    pub(super) fn bare_in_list(&self, said: &Said) -> bool {
        let mere = said.phrase.sets.is_empty() && is_mere(said.found);
        self.no.denial == Denial::List && mere && said.alone() && said.data.kind == Kind::Exam
    }

    /// True where the words state for themselves: by what leads them ("has", "some"), or by a verb behind the name ("lungs
    /// have crackles"), which the last of a denied list may have too ("no bruising or swelling is there").
    pub(super) fn states(&self, found: &Match, or: bool) -> bool {
        let first = found.caps.first().map_or(found.start + 1, |c| c.start);
        let before = found.start - usize::from(found.start > 0 && self.break_before(found.start) < Break::Comma);
        let led = (before..first).any(|at| self.grammar.asserts(self.on, at));
        let end = found.end + usize::from(!self.on.ends_clause(found.end));
        // "no shortness of breath, dizzy though".
        let trails = |at: usize| {
            let word = self.grammar.asserts(self.on, at) && !self.on.is_free(at);
            word && !or && self.on.ends_clause(at + 1) && self.break_before(found.start) >= Break::Comma
        };
        let led = led || (found.end..end).any(trails);
        let verb = (first..end).any(|at| {
            let named = found.caps.iter().any(|c| (c.start..c.end).contains(&at));
            !named && self.grammar.is_auxiliary(self.on, at)
        });
        led || (verb && !or)
    }

    /// True where the finding at hand takes up what was heard.
    pub(super) fn joins(&self, said: &Said) -> bool {
        self.current.as_ref().is_some_and(|draft| draft.frame == said.frame && !clashes(draft, &said.gathered))
    }

    /// An "or" before the phrase, in it or further on.
    pub(super) fn in_or_list(&self, found: &Match) -> bool {
        self.no.ored || self.no.or_ahead || self.or_within(found)
    }

    /// An "or" between the words of one phrase ("seizures, or ulcers").
    pub(super) fn or_within(&self, found: &Match) -> bool {
        (found.start..found.end).any(|at| self.grammar.is_or(self.on, at))
    }

    /// "denies dizziness, JVD, and edema": behind a comma an "and" and the last of a list.
    pub(super) fn and_closes(&self, start: usize) -> bool {
        let sentence = (start..self.on.tokens.len()).take_while(|at| self.break_before(*at) < Break::Stop);
        start
            .checked_sub(1)
            .into_iter()
            .chain(sentence)
            .any(|at| self.on.ends_clause(at) && self.grammar.is_and(self.on, at))
    }

    /// An "or" further on in the sentence.
    pub(super) fn or_follows(&self, next: &[Step]) -> bool {
        for step in next {
            let Some(at) = step.start() else { continue };
            if self.break_before(at) >= Break::Stop {
                return false;
            }
            let Step::Phrase(found) = step else { continue };
            match self.grammar.phrase(found.phrase).map(|p| p.role) {
                Some(Role::Talk(talk)) if self.grammar.act(talk) == Some(Act::Or) => return true,
                // "no viagra, cialis, nothing like that": said last it closes the list.
                Some(Role::Talk(talk)) if self.grammar.act(talk) == Some(Act::No) && self.ends_sentence(found.end) => {
                    return true;
                }
                // A "no" or a "denies" of its own begins another list.
                Some(Role::Talk(talk)) if matches!(self.grammar.act(talk), Some(Act::No | Act::Denies | Act::But)) => {
                    return false;
                }
                _ => {}
            }
        }
        false
    }

    /// More is said of what ends here, without a pause: "chest pain started", "diarrhea for two days".
    pub(super) fn is_trailed(&self, next: &[Step]) -> bool {
        for step in next {
            let Some(at) = step.start() else { continue };
            if self.break_before(at) >= Break::Comma {
                return false;
            }
            match step {
                Step::Skip { free: true, .. } | Step::Opened(_) => continue,
                Step::Skip { .. } => return true,
                Step::Phrase(found) => return self.grammar.phrase(found.phrase).is_some_and(|p| !p.behind.is_empty()),
            }
        }
        false
    }

    /// A word that is not understood stands between what was said last and the word `start`.
    fn is_apart(&self, start: usize) -> bool {
        let last = self.current.as_ref().or(self.meaning.drafts.last()).map_or(0, |d| d.words.end);
        self.strays.iter().any(|at| (last..start).contains(at))
    }

    pub(super) fn ends_sentence(&self, end: usize) -> bool {
        end >= self.on.tokens.len() || self.break_before(end) >= Break::Stop
    }
}

/// "no allergies", "non tender", "speech normal": these say it themselves.
fn denies_itself(said: &Said) -> bool {
    let items = said.data.deny.as_deref().unwrap_or_default();
    let normal = |g: &Gathered| items.len() > 1 && items.iter().any(|(f, v)| *f == g.field && *v == g.value);
    said.gathered.iter().any(|g| match g.field {
        Field::None => true,
        // "neck no deformity chest normal".
        Field::Normal => g.value == Value::Flag(true),
        Field::Present => g.value == Value::Flag(false),
        _ => normal(g),
    })
}

/// "no wheezes, good air exchange": words that name nothing that could be denied here.
fn names_no_deniable(said: &Said) -> bool {
    let items = said.data.deny.as_deref().unwrap_or_default();
    let touches = |field: &Field| *field == Field::Present || items.iter().any(|(f, _)| f == field);
    let sets = &said.phrase.sets;
    said.found.caps.is_empty() && !sets.is_empty() && !sets.iter().any(|(field, _)| touches(field))
}

/// A sign with its place, said behind a pause and not joined by an "or".
fn is_placed(said: &Said, or: bool) -> bool {
    let place = |g: &Gathered| {
        matches!(g.field, Field::Region | Field::Quadrant | Field::Site | Field::Side | Field::Field | Field::Limb)
    };
    said.found.caps.len() > 1 && said.gathered.iter().any(place) && !or
}
