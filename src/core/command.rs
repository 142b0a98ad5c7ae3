//! What a speaker can ask of the tool itself. Closed list; the grammar's `command` templates name these.

use serde::{Deserialize, Serialize};

use super::decimal::Decimal;

/// One request, as understood. `{"command":"read_back","what":"vitals"}`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(tag = "command", rename_all = "snake_case")]
pub enum Command {
    /// Say again: `vitals`, `last_pressure`, `given`, `allergies`, ... or a finding's name.
    ReadBack {
        what: String,
    },
    /// What has not been asked or done.
    Missing,
    /// How long since `since` (a milestone, a drug, a procedure, a finding's name).
    HowLong {
        since: String,
    },
    /// What is due next, and when.
    NextCheck,
    /// The reason of the last warning.
    Why,
    /// Say the last sentence again.
    SayAgain,
    /// Give the spoken handoff, or one part of it.
    Handoff {
        #[serde(default, skip_serializing_if = "Option::is_none")]
        part: Option<String>,
    },
    /// Compute and say a score: `news2`, `gcs`, `qsofa`, `shock_index`, ...
    Score {
        name: String,
        /// "At fifteen liters": how long the oxygen would last at this flow, of a cylinder of this size.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        flow_l_per_min: Option<Decimal>,
        #[serde(default, skip_serializing_if = "Option::is_none")]
        size: Option<String>,
    },
    /// Be quiet for so many minutes (0: just stop speaking).
    Quiet {
        minutes: u32,
    },
    OffRecord,
    OnRecord,
    /// What follows is about this patient.
    Patient {
        number: u32,
    },
    /// A free remark for the record.
    Note {
        text: String,
    },
    /// Remember this moment.
    MarkTime,
    /// Sets the offset to the dispatch clock, `HH:MM` or `HH:MM:SS` as said.
    DispatchClock {
        time: String,
    },
    /// The last warning was heard; optionally why it does not apply and who authorised going on.
    Acknowledge {
        #[serde(default, skip_serializing_if = "Option::is_none")]
        reason: Option<String>,
        #[serde(default, skip_serializing_if = "Option::is_none")]
        authorized_by: Option<String>,
    },
    /// Yes, the value read back is right.
    Confirm,
    /// No, it is not (a new value may stand beside it as a correction).
    Deny,
    /// The last finding was wrong: take it back.
    Retract,
    /// Crew starts telling a third party what is already recorded: a report, a handover.
    HandoverBegins,
    HandoverEnds,
    CloseCall,
}
