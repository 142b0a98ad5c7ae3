//! `thirdhand handoff`: the verbal handover of a record, for the eye or for the ear.

use std::path::PathBuf;

use anyhow::{Context, Result, bail};
use clap::Args;

use super::reports::{Desk, For, loaded, print};
use crate::core::CAUTION;
use crate::core::event::Priority;
use crate::core::report::handoff::{self, Shapes, Teller};
use crate::core::report::wording::Manner;
use crate::shell::data::DataSet;
use crate::shell::speak::{self, End, Settings, VoiceEvent, VoiceKind};

/// Give the verbal handover of a record
#[derive(Args)]
#[command(after_help = "Examples:\n  thirdhand handoff calls/2027-03-01\n  \
                        thirdhand handoff calls/2027-03-01 --shape imist-ambo --speak")]
pub struct Handoff {
    /// The record: its folder, or the events.jsonl in it
    record: PathBuf,
    /// plain, sbar, mist or imist-ambo
    #[arg(long, value_name = "SHAPE")]
    shape: Option<String>,
    /// Only one part: `vitals`, `treatment`, `history`, `short`, or a label as printed
    #[arg(long, value_name = "PART")]
    part: Option<String>,
    /// Which patient, where the record speaks of several
    #[arg(long, value_name = "NUMBER", default_value_t = 1)]
    patient: i64,
    /// Say it aloud, numbers in words
    #[arg(long)]
    speak: bool,
    /// Print what `--speak` would say
    #[arg(long)]
    words: bool,
    #[command(flatten)]
    view: For,
}

pub fn run(args: &Handoff, data: &DataSet) -> Result<()> {
    let desk = Desk::open(&args.record, data, args.view.reader)?;
    let shapes = loaded(Shapes::read(&data.sources("protocols/report/")))?;
    let call = desk.call();
    if !call.patients().contains(&args.patient) {
        let there: Vec<String> = call.patients().iter().map(ToString::to_string).collect();
        bail!("patient {} is not in this record; it speaks of: {}", args.patient, there.join(", "));
    }
    let manner = if args.speak || args.words { Manner::Said } else { Manner::Shown };
    let teller = Teller { call: &call, wording: &desk.wording, shapes: &shapes, patient: args.patient, manner };
    let handoff = part_of(&teller, args)?;
    if call.training() {
        print(&format!("{}\n", desk.wording.phrase("training", &[])))?;
    }
    print(&handoff.lines())?;
    if manner == Manner::Said {
        eprintln!("thirdhand: about {} aloud", handoff::length(handoff::seconds(&handoff, &shapes)));
    }
    eprintln!("thirdhand: {CAUTION}");
    if args.speak { speak(&handoff) } else { Ok(()) }
}

fn part_of(teller: &Teller, args: &Handoff) -> Result<handoff::Handoff> {
    let shape = args.shape.as_deref();
    let Some(part) = args.part.as_deref() else { return teller.tell(shape).map_err(anyhow::Error::msg) };
    if teller.shapes.part_ids().any(|id| id == part) {
        return teller.tell_part(part).map_err(anyhow::Error::msg);
    }
    let mut handoff = teller.tell(shape).map_err(anyhow::Error::msg)?;
    let labels = handoff.parts.iter().map(|p| p.label.clone()).filter(|l| !l.is_empty());
    let known: Vec<String> = teller.shapes.part_ids().map(str::to_string).chain(labels).collect();
    handoff.parts.retain(|p| p.label.eq_ignore_ascii_case(part));
    if handoff.parts.is_empty() {
        bail!("no part `{part}` in this handoff; it has: {}", known.join(", "));
    }
    Ok(handoff)
}

/// Part by part through the voice that `listen` uses; ends when the last word is said.
fn speak(handoff: &handoff::Handoff) -> Result<()> {
    let (events, happened) = crossbeam_channel::unbounded();
    let voice = speak::open(Settings::of(VoiceKind::Auto), events);
    for (id, part) in (1..).zip(&handoff.parts) {
        voice.say(id, &part.line(), Priority::Medium);
    }
    let mut failed = 0;
    let mut open = handoff.parts.len();
    while open > 0 {
        match happened.recv().context("the voice has ended")? {
            VoiceEvent::Finished { end, .. } => {
                open -= 1;
                failed += usize::from(end == End::Failed);
            }
            VoiceEvent::State { state, detail } => eprintln!("thirdhand: voice {state}: {detail}"),
            VoiceEvent::Started { .. } | VoiceEvent::Earcon => {}
        }
    }
    if failed > 0 {
        bail!("{failed} parts could not be spoken; `thirdhand doctor` says what is missing");
    }
    Ok(())
}
