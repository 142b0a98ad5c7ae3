//! What is heard while the program speaks: the crew's words, ours come back, or both in one.
//!
//! Nothing may be recorded that only our own words said, and nothing of the crew's may be lost unasked.

use std::ops::Range;

use crate::core::command::Command;
use crate::core::event::Outcome;
use crate::core::finding::{Finding, Kind};
use crate::core::grammar::Grammar;
use crate::core::text::Token;
use crate::core::time::Moment;
use crate::core::utterance::{Change, Transcript, Understood, Whose};

use super::Conversation;
use super::doubt::{SURE_IN_PART, rivals};
use super::echo;
use super::open::{Asked, ReadBack};
use super::taken::{Taken, has_number, recorded};

/// What was said over our own words is not believed below this mean probability (0 to 1); below the second where the sound
/// says that it is somebody else's, which it also says where our sound could not be taken out. On a busy machine our words
/// came back as other sentences of the crew's at 0.24 to 0.58, none with a value, the crew's sentence over them at 0.70 to
/// 0.98 (30 calls), over the very first words, which are not taken out yet, at 0.44 (one call).
pub(super) const SURE_OVER_OURS: f64 = 0.7;

const SURE_OVER_OURS_THEIRS: f64 = 0.6;

/// What is open, while it is set aside.
type SetAside = (Vec<Asked>, Option<ReadBack>, Option<u64>);

impl Conversation {
    /// What is heard while our words sound, where it is no sentence of the crew's that is understood like any other.
    pub(super) fn hear_over_ours(
        &mut self,
        grammar: &Grammar,
        transcript: &Transcript,
        when: Moment,
    ) -> Option<Understood> {
        if let Some(quiet) = self.quiet_over_ours(grammar, transcript, when) {
            return Some(quiet);
        }
        let text = &transcript.text;
        if let Some(outcome) = may_be_anything(grammar, transcript) {
            let lost = self.cue_over_ours(grammar, transcript, when);
            return Some(lost.unwrap_or(Understood { outcome, ..Understood::unmatched(text) }));
        }
        let ours = echo::ours(grammar, transcript)?;
        let beside = match transcript.whose {
            Whose::Ours => None,
            Whose::Theirs | Whose::Unknown => self.beside_ours(grammar, transcript, &ours, when),
        };
        let understood = beside.map(|understood| Understood { heard: text.clone(), ..understood });
        let cue = || self.cue_over_ours(grammar, transcript, when);
        let echo = || Understood { outcome: Outcome::Echo, ..Understood::unmatched(text) };
        Some(understood.or_else(cue).unwrap_or_else(echo))
    }

    /// "Quiet" over our own words, even as a guess, as a rival reading or among our words that came back: falling silent
    /// harms nobody, and going on against a "quiet" does. What was in doubt is asked again, a warning stays on the screen.
    fn quiet_over_ours(&mut self, grammar: &Grammar, transcript: &Transcript, when: Moment) -> Option<Understood> {
        transcript.own_voice.as_ref()?;
        self.we_speak = true;
        let ours = echo::ours(grammar, transcript);
        let heard = ours.map_or_else(|| transcript.text.clone(), |ours| without(&transcript.text, &ours));
        let beside = echo::beside_ours(grammar, transcript);
        let others = rivals(transcript).into_iter().map(|(text, _)| text).chain(beside);
        let asks = |text: &String| {
            let ours = echo::ours(grammar, &Transcript { text: text.clone(), ..transcript.clone() }).is_some();
            let taken = self.understand(grammar, text, when);
            let quiet = |command: &Command| matches!(command, Command::Quiet { minutes: 0 });
            !ours && taken.changes.is_empty() && taken.commands.len() == 1 && taken.commands.iter().all(quiet)
        };
        let asked = [heard].into_iter().chain(others).any(|text| asks(&text));
        asked.then(|| Understood {
            outcome: Outcome::Matched,
            commands: vec![Command::Quiet { minutes: 0 }],
            ..Understood::unmatched(&transcript.text)
        })
    }

    /// A finding that somebody spoke beside those of our words that came back (`ours`, bytes).
    fn beside_ours(
        &mut self,
        grammar: &Grammar,
        transcript: &Transcript,
        ours: &Range<usize>,
        when: Moment,
    ) -> Option<Understood> {
        // What is cut off may have been a "not": all of it is asked.
        let all = Transcript {
            words: Vec::new(),
            rivals: Vec::new(),
            guessed: true,
            mixed: true,
            own_voice: None,
            ..transcript.clone()
        };
        let rest = Transcript { text: without(&all.text, ours), ..all.clone() };
        let own_voice = transcript.own_voice.clone();
        let somebody_else = echo::ours(grammar, &Transcript { own_voice, ..rest.clone() }).is_none();
        let told = |heard: &Transcript| self.clone().hear(grammar, heard, when);
        let beside = somebody_else.then(|| told(&rest)).filter(|beside| beside.findings().next().is_some())?;
        // Another value of what we are saying ("138/48, pulse 88" of "pressure one thirty eight over eighty, pulse eighty
        // eight") is likelier ours, garbled, than theirs: it is asked for again, not recorded.
        if self.measures_what_we_say(transcript, grammar, &beside, when) {
            return None;
        }
        // "Not confused" is not what is behind our "not".
        let whole = told(&all).findings().count() == beside.findings().count();
        Some(self.hear(grammar, if whole { &all } else { &rest }, when))
    }

    /// Whether all that is measured in these words is being told by our own sentence.
    fn measures_what_we_say(
        &self,
        transcript: &Transcript,
        grammar: &Grammar,
        told: &Understood,
        when: Moment,
    ) -> bool {
        let ours = self.kinds_we_say(grammar, transcript, when);
        told.findings().all(|finding| has_number(finding) && ours.contains(&finding.kind()))
    }

    pub(super) fn kinds_we_say(&self, grammar: &Grammar, transcript: &Transcript, when: Moment) -> Vec<Kind> {
        let own = self.understand(grammar, transcript.own_voice.as_deref().unwrap_or_default(), when);
        own.changes.iter().filter_map(recorded).map(Finding::kind).collect()
    }

    /// A measurement's name over our words, its value lost or unsure ("respirations"), or a value of it that is none of
    /// ours: asked for again, unless we are just saying it ourselves.
    fn cue_over_ours(&self, grammar: &Grammar, transcript: &Transcript, when: Moment) -> Option<Understood> {
        let own_voice = transcript.own_voice.as_ref()?;
        let least = match echo::ours(grammar, transcript) {
            // Like our words altogether: only a value that was heard clearly is more than what came back of them, and
            // only where the sound tells of somebody else.
            Some(_) if transcript.whose == Whose::Ours || !transcript.somebody => return None,
            Some(_) => SURE_OVER_OURS,
            None if transcript.whose == Whose::Theirs => 0.0,
            None => SURE_IN_PART,
        };
        if transcript.confidence < least {
            return None;
        }
        let measured = |finding: &&Finding| {
            has_number(finding)
                && grammar.measures(finding.kind())
                && !echo::says_our_values(grammar, own_voice, finding)
        };
        let heard = self.understand(grammar, &transcript.text, when);
        let other_value = heard.changes.iter().filter_map(recorded).find(measured).map(Finding::kind);
        let name = || {
            let theirs = self.understand(grammar, &echo::beside_ours(grammar, transcript)?, when);
            // "A rate of 88" while we say "pulse eighty eight": the value is ours, and so is the name.
            let ours = |f: &&Finding| echo::says_our_values(grammar, own_voice, f);
            let mut ours: Vec<Kind> =
                heard.changes.iter().filter_map(recorded).filter(ours).map(Finding::kind).collect();
            // "Sats" of our "saturation", where the sound tells of nobody else.
            if !transcript.somebody {
                ours.extend(self.kinds_we_say(grammar, transcript, when));
            }
            let kinds = theirs.asked.iter().flatten().map(|question| question.kind);
            kinds.filter(|kind| grammar.measures(*kind)).find(|kind| !ours.contains(kind))
        };
        let kind = other_value.or_else(|| if least < SURE_OVER_OURS { name() } else { None })?;
        let unmatched = Understood::unmatched(&transcript.text);
        Some(Understood { outcome: Outcome::Ambiguous, options: vec![vec![Finding::new(kind)]], ..unmatched })
    }

    /// A scrap of "four?" come back as "three" must not answer it: what began while the program spoke answers nothing. It
    /// can still be a whole finding, a command, or a correction that says so.
    pub(super) fn questions_set_aside(&mut self) -> SetAside {
        (std::mem::take(&mut self.open), self.read_back.take(), self.answer_ms.take())
    }

    pub(super) fn questions_again(&mut self, (open, read_back, answer_ms): SetAside) {
        (self.open, self.read_back, self.answer_ms) = (open, read_back, answer_ms);
    }
}

/// What is left of our own words, or is mixed with them, may be made into anything by a recogniser that is unsure or guesses
/// ("unstable" into "stable", "adult limits, age not known" into "tourniquet is on the right"). It is nothing that anybody
/// should say again, unless the sound says that it is somebody else's; then a value in it is asked about, not thrown away.
fn may_be_anything(grammar: &Grammar, transcript: &Transcript) -> Option<Outcome> {
    transcript.own_voice.as_ref()?;
    match transcript.whose {
        Whose::Theirs => {
            let value = || grammar.utterance(&transcript.text).tokens.iter().any(Token::is_number);
            (is_unsure_over_ours(transcript) && !value()).then_some(Outcome::Unmatched)
        }
        Whose::Ours | Whose::Unknown => {
            // Who spoke into our words must hear that nothing of it was taken.
            let theirs = transcript.whose == Whose::Unknown && transcript.somebody;
            let outcome = || match theirs && echo::ours(grammar, transcript).is_none() {
                true => Outcome::Unmatched,
                false => Outcome::Echo,
            };
            (transcript.guessed || is_unsure_over_ours(transcript)).then(outcome)
        }
    }
}

pub(super) fn is_unsure_over_ours(transcript: &Transcript) -> bool {
    let sure = if transcript.whose == Whose::Theirs { SURE_OVER_OURS_THEIRS } else { SURE_OVER_OURS };
    transcript.own_voice.is_some() && (transcript.talked_over || transcript.mixed) && transcript.confidence < sure
}

/// What is unsure over our words and has the value that we are just saying is what comes back of it.
pub(super) fn without_our_values(grammar: &Grammar, own_voice: &str, taken: &mut Taken) {
    let ours = |change: &Change| matches!(change, Change::Record(f) if echo::says_our_values(grammar, own_voice, f));
    taken.take_out(ours);
}

/// Beside a finding of the crew's a part of the value that we are just saying is what is left of it ("pressure 38, temperature
/// 99.1" over our "one thirty eight"): it is asked for again.
pub(super) fn ask_what_we_say(grammar: &Grammar, own_voice: &str, ours: &[Kind], taken: &mut Taken) {
    let of_ours = |f: &Finding| ours.contains(&f.kind()) && echo::says_our_values(grammar, own_voice, f);
    if taken.changes.iter().filter_map(recorded).all(of_ours) {
        return;
    }
    let out = taken.take_out(|change| recorded(change).is_some_and(of_ours));
    let kinds = out.iter().filter_map(recorded).map(|finding| vec![Finding::new(finding.kind())]);
    taken.options.extend(kinds);
    taken.ambiguous |= !out.is_empty();
}

/// A text without a part of it.
pub(super) fn without(text: &str, part: &Range<usize>) -> String {
    [text.get(..part.start), text.get(part.end..)].map(Option::unwrap_or_default).join(" ").trim().to_string()
}
