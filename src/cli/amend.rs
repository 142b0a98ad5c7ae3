//! `thirdhand amend RECORD`: changes after the call, appended with who and why. Without options it asks.

use std::io::{self, BufRead, Write};
use std::path::PathBuf;

use anyhow::{Context, Result, anyhow, bail};
use chrono::{DateTime, FixedOffset};
use clap::Args as ClapArgs;

use crate::core::amend::{Amending, Amendment, moment_after, time_of_call, with_field};
use crate::core::chain;
use crate::core::conversation::Conversation;
use crate::core::event::{Body, Event, Trouble};
use crate::core::finding::{Field, Finding, Value};
use crate::core::glance::{self, finding_line};
use crate::core::grammar::Grammar;
use crate::core::ledger::Entry;
use crate::core::time::{Moment, rfc3339};
use crate::core::utterance::Transcript;
use crate::shell::clock;
use crate::shell::data::DataSet;
use crate::shell::journal::{Journal, Resumed, purge};

/// Correct, complete, time and sign off a record after the call; nothing in it is ever edited
///
/// Every change is appended with who made it and why; every view shows the value in force and what it replaced. Without
/// options it lists what stands and asks. After sign-off only addenda follow: notes and late entries.
#[derive(ClapArgs, Debug)]
#[command(after_help = "Examples:
  thirdhand amend ~/calls/monday-2
  thirdhand amend CALL --event 5 --to 'pulse one eighteen irregular' --who 'A. Example' --why 'heard as eighteen'
  thirdhand amend CALL --add 'gave aspirin three twenty four' --at 14:10 --who 'A. Example'
  thirdhand amend CALL --time on_scene=14:02 --sign-off --who 'A. Example'")]
pub struct Args {
    /// The record: its folder, or the file in it
    #[arg(value_name = "RECORD")]
    record: PathBuf,
    /// The event to change (or that a note is about)
    #[arg(long, value_name = "SEQ")]
    event: Option<u64>,
    /// What it should be, in the words you would say
    #[arg(long, value_name = "WORDS", requires = "event", conflicts_with_all = ["set", "finding", "take_back"])]
    to: Option<String>,
    /// One field of it; `FIELD=` removes the field; may be repeated
    #[arg(long, value_name = "FIELD=VALUE", requires = "event", conflicts_with_all = ["finding", "take_back"])]
    set: Vec<String>,
    /// What it should be, as the JSON of a finding
    #[arg(long, value_name = "JSON", requires = "event", conflicts_with = "take_back")]
    finding: Option<String>,
    /// It never was so: take the finding back
    #[arg(long, requires = "event", visible_alias = "retract")]
    take_back: bool,
    /// A late entry, in the words you would say
    #[arg(long, value_name = "WORDS")]
    add: Option<String>,
    /// A late entry, as the JSON of a finding
    #[arg(long, value_name = "JSON")]
    add_finding: Option<String>,
    /// When the late entry happened: 14:10, 14:10:30 or RFC 3339
    #[arg(long, value_name = "TIME")]
    at: Option<String>,
    /// A time of the call, such as on_scene=14:02; may be repeated
    #[arg(long, value_name = "MILESTONE=TIME")]
    time: Vec<String>,
    /// A free remark
    #[arg(long, value_name = "TEXT")]
    note: Option<String>,
    /// Sign the record off: only addenda can follow, and the words of unmatched speech are dropped
    #[arg(long)]
    sign_off: bool,
    /// Keep the words of unmatched speech at sign-off
    #[arg(long, requires = "sign_off")]
    keep_words: bool,
    /// Who amends
    #[arg(long, value_name = "NAME")]
    who: Option<String>,
    /// Why
    #[arg(long, value_name = "TEXT")]
    why: Option<String>,
    /// The appended events as JSON Lines on stdout
    #[arg(long)]
    json: bool,
}

impl Args {
    fn asks(&self) -> bool {
        let changes = self.to.is_some() || !self.set.is_empty() || self.finding.is_some() || self.take_back;
        let adds = self.add.is_some() || self.add_finding.is_some() || self.note.is_some() || !self.time.is_empty();
        !changes && !adds && !self.sign_off
    }
}

/// # Errors
/// No record there, it is being written, or what was asked for cannot be done; nothing is appended then.
pub fn run(args: &Args, data: &DataSet) -> Result<()> {
    let mut desk = Desk::open(args, data)?;
    if args.asks() {
        return desk.ask(&mut io::stdin().lock());
    }
    let who = args.who.as_deref().ok_or_else(|| anyhow!("whose amendment is it? name yourself with --who"))?;
    let amendments = desk.asked_for(args)?;
    desk.append(who, amendments)
}

/// A record taken up for amending.
struct Desk<'a> {
    args: &'a Args,
    data: &'a DataSet,
    /// Read when words are first to be understood.
    grammar: Option<Grammar>,
    journal: Journal,
    events: Vec<Event>,
}

impl<'a> Desk<'a> {
    fn open(args: &'a Args, data: &'a DataSet) -> Result<Desk<'a>> {
        let Resumed { journal, record, set_aside } = Journal::resume(&args.record)?;
        for line in record.warnings() {
            eprintln!("thirdhand: {line}");
        }
        let mut desk = Desk { args, data, grammar: None, journal, events: record.events };
        if let Some((torn, side)) = set_aside {
            eprintln!("thirdhand: {torn}; it lies in `{side}` now");
            let detail = Some(format!("event {} at byte {}, {} bytes, kept in {side}", torn.seq, torn.byte, torn.len));
            let trouble = Trouble { what: "record".into(), state: "torn_tail".into(), detail };
            let when = desk.now();
            let event = Event { seq: desk.journal.next_seq(), when, body: Body::Recovered(trouble), from: None };
            desk.journal.append(std::slice::from_ref(&event))?;
            desk.events.push(event);
        }
        if desk.events.is_empty() {
            bail!("{}: the record is empty; there is nothing to amend", args.record.display());
        }
        Ok(desk)
    }

    fn now(&self) -> Moment {
        moment_after(&self.events, clock::wall_now())
    }

    fn amending(&self, who: &str) -> Amending<'_> {
        Amending::new(&self.events, self.journal.next_seq(), who)
    }

    fn append(&mut self, who: &str, amendments: Vec<Amendment>) -> Result<()> {
        let signs_off = amendments.contains(&Amendment::SignOff);
        let events = self.amending(who).events(amendments, self.now()).map_err(|why| anyhow!(why))?;
        let mut head = self.journal.head().to_string();
        self.journal.append(&events)?;
        let mut out = io::stdout().lock();
        for event in &events {
            let (line, hash) = chain::seal(&head, &event.to_line());
            head = hash;
            if self.args.json {
                writeln!(out, "{line}")?;
            } else if let Some(line) = glance::line(event).filter(|_| !matches!(event.body, Body::Recovered(_))) {
                writeln!(out, "event {}: {}", event.seq, line.get(7..).unwrap_or(&line).trim())?;
            }
        }
        self.events.extend(events);
        if signs_off && !self.args.keep_words {
            let dropped = purge::drop_words(&self.args.record).context("the words of unmatched speech")?;
            if dropped > 0 {
                eprintln!("thirdhand: the words of {dropped} unmatched utterances were dropped");
            }
        }
        Ok(())
    }

    /// What the options ask for, in the order in which it makes sense.
    fn asked_for(&mut self, args: &Args) -> Result<Vec<Amendment>> {
        let mut all = Vec::new();
        let why = args.why.clone();
        if let Some(target) = args.event {
            if args.take_back {
                all.push(Amendment::TakeBack { target, why: needed_reason(why.as_deref())? });
            } else if args.to.is_some() || args.finding.is_some() || !args.set.is_empty() {
                let finding = self.changed(target, args)?;
                all.push(Amendment::Correct { target, finding, why: needed_reason(why.as_deref())? });
            } else if args.note.is_none() {
                bail!("what about event {target}? --to WORDS, --set FIELD=VALUE, --take-back or --note TEXT");
            }
        }
        for finding in self.late(args)? {
            all.push(Amendment::Late { finding, why: why.clone() });
        }
        for text in &args.time {
            let (name, time) = text.split_once('=').ok_or_else(|| anyhow!("`{text}` is not MILESTONE=TIME"))?;
            let at = self.time(time)?;
            all.push(Amendment::Time { milestone: name.trim().to_string(), at });
        }
        if let Some(text) = &args.note {
            all.push(Amendment::Note { about: args.event, text: text.clone() });
        }
        if args.sign_off {
            all.push(Amendment::SignOff);
        }
        Ok(all)
    }

    fn changed(&mut self, target: u64, args: &Args) -> Result<Finding> {
        let entry = self.amending("").entry(target).map_err(|why| anyhow!(why))?.clone();
        if let Some(words) = &args.to {
            return self.one_finding(words, entry.when);
        }
        if let Some(json) = &args.finding {
            return finding(json);
        }
        args.set.iter().try_fold(entry.finding, |f, text| with_field(&f, text)).map_err(|why| anyhow!(why))
    }

    fn late(&mut self, args: &Args) -> Result<Vec<Finding>> {
        let at = args.at.as_deref().map(|text| self.time(text)).transpose()?;
        let now = self.now();
        let when = at.map_or(now, |at| Moment { at, ..now });
        let mut findings = match &args.add {
            Some(words) => self.understood(words, when)?,
            None => Vec::new(),
        };
        findings.extend(args.add_finding.as_deref().map(finding).transpose()?);
        if findings.is_empty() && at.is_some() {
            bail!("--at says when a late entry happened; name the entry with --add WORDS");
        }
        if let Some(at) = at {
            findings.iter_mut().for_each(|f| f.set(Field::HappenedAt, Value::text(rfc3339(&at))));
        }
        Ok(findings)
    }

    fn time(&self, text: &str) -> Result<DateTime<FixedOffset>> {
        time_of_call(&self.events, text).map_err(|why| anyhow!(why))
    }

    fn grammar(&mut self) -> Result<&Grammar> {
        if self.grammar.is_none() {
            self.grammar = Some(super::parse::load(self.data)?);
        }
        self.grammar.as_ref().context("the grammar did not load")
    }

    /// What would be recorded of these words, said at `when`.
    fn understood(&mut self, words: &str, when: Moment) -> Result<Vec<Finding>> {
        let mut understood = Conversation::default().hear(self.grammar()?, &Transcript::script(words), when);
        let findings: Vec<Finding> = understood.findings().cloned().collect();
        if let Some(why) = understood.why.pop() {
            bail!("`{words}`: {why}");
        }
        if findings.is_empty() {
            bail!("`{words}` is not understood; say it as you would at the patient's side");
        }
        if !understood.leftover.is_empty() {
            bail!("`{words}`: `{}` is not understood", understood.leftover.join(" "));
        }
        Ok(findings)
    }

    fn one_finding(&mut self, words: &str, when: Moment) -> Result<Finding> {
        match <[Finding; 1]>::try_from(self.understood(words, when)?) {
            Ok([finding]) => Ok(finding),
            Err(many) => bail!("`{words}` is {} findings; correct one event with one", many.len()),
        }
    }
}

fn needed_reason(why: Option<&str>) -> Result<String> {
    Ok(why.ok_or_else(|| anyhow!("a change of what was recorded needs a reason: --why"))?.to_string())
}

fn finding(json: &str) -> Result<Finding> {
    serde_json::from_str(json).with_context(|| format!("`{json}` is no finding"))
}

/// The guided form: questions on stderr, answers a line each on stdin.
impl Desk<'_> {
    fn ask(&mut self, answers: &mut dyn BufRead) -> Result<()> {
        let mut who = self.args.who.clone();
        loop {
            self.list();
            let choice = question(
                answers,
                "which event? (its number; `late` for a late entry, `time`, `note`, `sign off`; nothing: done)",
            )?;
            let Some(choice) = choice else { return Ok(()) };
            let amendment = match self.chosen(&choice, answers) {
                Ok(Some(amendment)) => amendment,
                Ok(None) => continue,
                Err(why) => {
                    eprintln!("{why:#}");
                    continue;
                }
            };
            if who.is_none() {
                who = question(answers, "who are you?")?;
            }
            let Some(name) = &who else { bail!("nothing was appended: an amendment needs a name") };
            if let Err(why) = self.append(&name.clone(), amendment) {
                eprintln!("{why:#}");
            }
        }
    }

    fn list(&self) {
        let amending = self.amending("");
        let row = |entry: &Entry| {
            let doubt = if entry.unconfirmed() { "  (unconfirmed)" } else { "" };
            let old =
                entry.replaced.last().map(|(old, _)| format!("  (was {})", finding_line(old))).unwrap_or_default();
            format!(
                "{:>6}  {}  {}{doubt}{old}",
                entry.seq,
                entry.when.at.format("%H:%M:%S"),
                finding_line(&entry.finding)
            )
        };
        amending.standing().for_each(|entry| eprintln!("{}", row(entry)));
    }

    fn chosen(&mut self, choice: &str, answers: &mut dyn BufRead) -> Result<Option<Vec<Amendment>>> {
        if let Ok(target) = choice.parse() {
            return self.change(target, answers);
        }
        match choice {
            "late" => {
                let Some(words) = question(answers, "what happened, in the words you would say?")? else {
                    return Ok(None);
                };
                let Some(time) = question(answers, "when? (14:10)")? else { return Ok(None) };
                let at = self.time(&time)?;
                let mut findings = self.understood(&words, Moment { at, ..self.now() })?;
                findings.iter_mut().for_each(|f| f.set(Field::HappenedAt, Value::text(rfc3339(&at))));
                let late = findings.into_iter().map(|finding| Amendment::Late { finding, why: None }).collect();
                self.agreed(late, answers)
            }
            "time" => {
                let Some(name) = question(answers, "which time? (dispatched, en_route, on_scene, ...)")? else {
                    return Ok(None);
                };
                let Some(time) = question(answers, "when? (14:02)")? else { return Ok(None) };
                Ok(Some(vec![Amendment::Time { milestone: name, at: self.time(&time)? }]))
            }
            "note" => {
                let text = question(answers, "what should stand in the record?")?;
                Ok(text.map(|text| vec![Amendment::Note { about: None, text }]))
            }
            "sign off" => self.agreed(vec![Amendment::SignOff], answers),
            other => bail!("`{other}` is none of these"),
        }
    }

    fn change(&mut self, target: u64, answers: &mut dyn BufRead) -> Result<Option<Vec<Amendment>>> {
        let entry = self.amending("").entry(target).map_err(|why| anyhow!(why))?.clone();
        eprintln!("{}", finding_line(&entry.finding));
        let asked =
            "what should it be, in the words you would say? (`take back` if it never was so; nothing: leave it)";
        let Some(words) = question(answers, asked)? else { return Ok(None) };
        let finding = match words.as_str() {
            "take back" => None,
            words => Some(self.one_finding(words, entry.when)?),
        };
        let Some(why) = question(answers, "why?")? else { return Ok(None) };
        let amendment = match finding {
            Some(finding) => Amendment::Correct { target, finding, why },
            None => Amendment::TakeBack { target, why },
        };
        self.agreed(vec![amendment], answers)
    }

    /// Shows what would be appended and asks for a yes.
    fn agreed(&self, amendments: Vec<Amendment>, answers: &mut dyn BufRead) -> Result<Option<Vec<Amendment>>> {
        for amendment in &amendments {
            match amendment {
                Amendment::Correct { finding, .. } | Amendment::Late { finding, .. } => {
                    eprintln!("to be recorded: {}", finding_line(finding));
                }
                Amendment::TakeBack { target, .. } => eprintln!("event {target} will be shown as taken back"),
                Amendment::SignOff => eprintln!("after this only notes and late entries can follow"),
                Amendment::Time { .. } | Amendment::Note { .. } => {}
            }
        }
        let yes = question(answers, "right? (yes or no)")?;
        Ok(matches!(yes.as_deref(), Some("yes" | "y")).then_some(amendments))
    }
}

/// `None` for an empty answer or the end of input.
fn question(answers: &mut dyn BufRead, text: &str) -> Result<Option<String>> {
    eprint!("{text}\n> ");
    let mut line = String::new();
    answers.read_line(&mut line).context("standard input cannot be read")?;
    let answer = line.trim().to_string();
    Ok(Some(answer).filter(|answer| !answer.is_empty()))
}
