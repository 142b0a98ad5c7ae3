//! What a call is for, as `listen` and `replay` are told: care, or training with a coach or an examiner.

use clap::{Args, ValueEnum};

use super::wrong_usage;
use crate::core::event::{Opened, Purpose};

#[derive(Args, Clone, Copy, Debug, Default)]
pub struct For {
    /// What the record is for; a training record is marked so everywhere and never listed with care [default: care]
    #[arg(long, value_enum, value_name = "care|training")]
    purpose: Option<Asked>,
    /// The same as `--purpose training`
    #[arg(long, conflicts_with = "purpose")]
    training: bool,
    /// Training: `coach` speaks its advice, `examiner` says and shows nothing until the `debrief` [default: coach]
    #[arg(long, value_enum, value_name = "coach|examiner")]
    trainer: Option<Trainer>,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
enum Asked {
    Care,
    Training,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
enum Trainer {
    Coach,
    Examiner,
}

impl For {
    /// The purpose; `configured` is what stands in the configuration. A trainer makes it training.
    /// A trainer beside `--purpose care` is wrong usage: an examiner's silence is not for patients.
    pub fn purpose(&self, configured: Option<&str>) -> Purpose {
        if self.purpose == Some(Asked::Care) && self.trainer.is_some() {
            wrong_usage("--trainer is for training: leave it out, or say --purpose training");
        }
        let training = match self.purpose {
            Some(asked) => asked == Asked::Training,
            None => self.training || self.trainer.is_some() || configured == Some("training"),
        };
        if training { Purpose::Training } else { Purpose::Care }
    }

    /// Whether nothing is to be said or shown while the call runs.
    pub fn silent(&self) -> bool {
        self.trainer == Some(Trainer::Examiner)
    }

    /// Writes into a training record who it was trained with.
    pub fn mark(&self, opened: &mut Opened) {
        if opened.purpose == Purpose::Training {
            let trainer = if self.silent() { "examiner" } else { "coach" };
            opened.more.insert("trainer".into(), trainer.into());
        }
    }
}
