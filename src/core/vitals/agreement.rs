//! AVPU and GCS told within a few minutes of each other: where they cannot both be right, one of them was misheard.

use serde::Deserialize;

use super::sets::key;
use super::{Assessment, VitalsRules};
use crate::core::clinical::gather;
use crate::core::event::{AdviceType, Priority};
use crate::core::finding::{Field, Kind};
use crate::core::ledger::{Entry, Ledger};
use crate::core::time::Moment;

/// Two values told within this time are about the same state, milliseconds.
const PAIR_MS: u64 = 180_000;

/// One `[[avpu_gcs]]`: the totals that go with a level of consciousness, both included.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct AvpuGcs {
    /// As the record spells it: `alert` `verbal` `pain` `unresponsive`.
    pub avpu: String,
    /// 3 to 15.
    pub least: i64,
    pub most: i64,
    /// `{value}` is the total.
    pub say: String,
}

/// The latest pair, if its halves do not go together.
pub fn inconsistency(rules: &VitalsRules, ledger: &Ledger, patient: i64, now: Moment) -> Option<Assessment> {
    let recent = rules.set.as_ref()?.body.raise_within_minutes.saturating_mul(60_000);
    let last = |kind, field| {
        ledger.of(kind, patient).rfind(|e: &&Entry| gather::measured(e) && e.finding.get(field).is_some())
    };
    let (mind, scale) = (last(Kind::Consciousness, Field::Avpu)?, last(Kind::Gcs, Field::Total)?);
    let (avpu, total) = (mind.finding.text(Field::Avpu)?, scale.finding.int(Field::Total)?);
    let row = rules.agreements.iter().find(|row| row.body.avpu == avpu)?;
    let newer = if mind.seq > scale.seq { mind } else { scale };
    let apart = gather::measured_ms(mind).abs_diff(gather::measured_ms(scale));
    if (row.body.least..=row.body.most).contains(&total) || apart > PAIR_MS || now.since_ms(newer.when) > recent {
        return None;
    }
    let because = vec![mind.seq.min(scale.seq), mind.seq.max(scale.seq)];
    Some(Assessment {
        key: key(row.id(), &because),
        rule: row.id().to_string(),
        kind: AdviceType::Inconsistency,
        about: Kind::Gcs.name().to_string(),
        priority: Priority::Low,
        say: row.body.say.replace("{value}", &total.to_string()),
        changed: false,
        because,
        source: row.head.source.clone(),
    })
}
