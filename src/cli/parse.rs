//! `parse`: one utterance a line on stdin, exactly one line out per line in.

use std::io::{self, BufRead, Write};

use anyhow::{Context, Result, bail};
use chrono::{DateTime, FixedOffset};
use clap::Args;

use crate::core::conversation::Conversation;
use crate::core::event::{Body, Confirmed, Corrected, Event, Heard, Outcome, Retracted};
use crate::core::grammar::Grammar;
use crate::core::time::Moment;
use crate::core::utterance::{Change, Transcript, Understood};
use crate::shell::clock;
use crate::shell::data::DataSet;

/// What would be recorded from each line of text
#[derive(Args, Debug)]
#[command(after_help = "Example:\n  echo 'pulse one eighteen irregular and weak' | thirdhand parse --json")]
pub struct Parse {
    /// JSON Lines on stdout
    #[arg(long)]
    json: bool,
    /// Each line stands alone; otherwise all lines belong to one encounter
    #[arg(long)]
    fresh: bool,
    /// Which template and words made which value, on stderr
    #[arg(long)]
    explain: bool,
}

/// Between two lines of one encounter.
const LINE_MS: u64 = 3_000;

impl Parse {
    pub fn run(&self, data: &DataSet) -> Result<()> {
        let grammar = load(data)?;
        let mut encounter = Encounter::new(clock::wall_now());
        let mut out = io::stdout().lock();
        for line in io::stdin().lock().split(b'\n') {
            let line = line.context("standard input cannot be read")?;
            let text = String::from_utf8_lossy(&line);
            if self.fresh {
                encounter = Encounter::new(encounter.now.at);
            }
            let understood = encounter.hear(&grammar, text.trim_end_matches('\r'));
            if self.explain {
                understood.explain.iter().for_each(|line| eprintln!("  {line}"));
            }
            let shown = if self.json { understood.to_json().to_string() } else { plain(&understood) };
            if let Err(error) = writeln!(out, "{shown}") {
                if error.kind() == io::ErrorKind::BrokenPipe {
                    return Ok(());
                }
                return Err(error).context("standard output cannot be written");
            }
        }
        Ok(())
    }
}

/// Reads the grammar in force; every complaint goes to stderr.
pub fn load(data: &DataSet) -> Result<Grammar> {
    match Grammar::load(&data.sources("grammars/")) {
        Ok(grammar) => Ok(grammar),
        Err(complaints) => {
            complaints.iter().for_each(|complaint| eprintln!("{complaint}"));
            bail!("the grammar has {} faults; `thirdhand check` lists them", complaints.len());
        }
    }
}

/// A conversation with a record of its own, so that corrections and answers find what they are about.
pub struct Encounter {
    conversation: Conversation,
    now: Moment,
    seq: u64,
}

impl Encounter {
    pub fn new(at: DateTime<FixedOffset>) -> Encounter {
        Encounter { conversation: Conversation::default(), now: Moment::new(0, at), seq: 1 }
    }

    pub fn hear(&mut self, grammar: &Grammar, text: &str) -> Understood {
        self.now = self.now.plus_ms(LINE_MS);
        let understood = self.conversation.hear(grammar, &Transcript::script(text), self.now);
        self.record(&understood);
        Understood { heard: text.to_string(), ..understood }
    }

    fn record(&mut self, understood: &Understood) {
        let heard = Body::Heard(Heard {
            text: Some(understood.heard.clone()),
            text_sha256: None,
            confidence: 1.0,
            outcome: understood.outcome,
            audio_ms: 0,
            commands: understood.commands.clone(),
            speech: understood.speech(),
            audio: None,
        });
        if understood.outcome == Outcome::Unmatched && understood.asked.is_empty() {
            return;
        }
        let from = self.push(heard, None);
        for change in &understood.changes {
            let body = match change.clone() {
                Change::Record(finding) => Body::Finding(finding),
                Change::Correct { target, finding, who, why } => {
                    Body::Corrected(Corrected { target, finding, who, why })
                }
                Change::Retract { target, why } => Body::Retracted(Retracted { target, who: None, why }),
                Change::Confirm { target, how, .. } => Body::Confirmed(Confirmed { target, how }),
            };
            self.push(body, Some(from));
        }
    }

    fn push(&mut self, body: Body, from: Option<u64>) -> u64 {
        let seq = self.seq;
        self.seq += 1;
        self.conversation.apply(&Event { seq, when: self.now, body, from });
        seq
    }
}

fn plain(understood: &Understood) -> String {
    let outcome = serde_json::to_value(understood.outcome).ok();
    let mut parts = vec![outcome.and_then(|o| o.as_str().map(str::to_string)).unwrap_or_default()];
    for finding in understood.findings() {
        let fields: Vec<String> = finding.fields().map(|(f, v)| format!("{} {v}", f.name())).collect();
        parts.push(format!("{}: {}", finding.kind().name(), fields.join(", ")));
    }
    parts.extend(understood.commands.iter().map(|c| serde_json::to_string(c).unwrap_or_default()));
    parts.extend(understood.why.iter().cloned());
    parts.join(" | ")
}
