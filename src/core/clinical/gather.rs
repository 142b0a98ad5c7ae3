//! Takes the inputs of a score out of the ledger: the latest measured, confirmed, exact and fresh value of each.
//!
//! "No change" is not a measurement, a value still in doubt clears nothing, and "under two seconds" is not two.

use crate::core::decimal::Decimal;
use crate::core::finding::{Field, Kind};
use crate::core::ledger::{Entry, Ledger};
use crate::core::time::Moment;

/// One measured number and the event that recorded it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Reading {
    pub value: Decimal,
    pub seq: u64,
}

/// The ledger as one patient's score sees it at one moment.
#[derive(Clone, Copy)]
pub struct Gather<'a> {
    pub ledger: &'a Ledger,
    pub patient: i64,
    pub now: Moment,
    /// Older values count as not known, milliseconds.
    pub max_age_ms: u64,
}

/// When the value was true, milliseconds on the record's stopwatch: the words' moment, or earlier if they said so ("ten
/// minutes ago"); negative before the record was opened.
pub fn measured_ms(entry: &Entry) -> i64 {
    let said = entry.finding.text(Field::HappenedAt).and_then(|t| chrono::DateTime::parse_from_rfc3339(t).ok());
    let ago = said.map_or(0, |at| (entry.when.at - at).num_milliseconds().max(0));
    i64::try_from(entry.when.mono_ms).unwrap_or(i64::MAX).saturating_sub(ago)
}

/// How old the value is at `now`, milliseconds.
pub fn age_ms(entry: &Entry, now: Moment) -> u64 {
    u64::try_from(i64::try_from(now.mono_ms).unwrap_or(i64::MAX).saturating_sub(measured_ms(entry))).unwrap_or(0)
}

/// A value that somebody measured: obtained, not merely restated.
pub fn measured(entry: &Entry) -> bool {
    entry.finding.flag(Field::Unchanged) != Some(true) && entry.finding.flag(Field::Obtained) != Some(false)
}

impl<'a> Gather<'a> {
    /// Usable entries of `kind`, newest first.
    pub fn entries(self, kind: Kind) -> impl Iterator<Item = &'a Entry> {
        self.ledger
            .of(kind, self.patient)
            .rev()
            .filter(move |entry| measured(entry) && !entry.unconfirmed() && age_ms(entry, self.now) <= self.max_age_ms)
    }

    /// The newest exact number under `field`.
    pub fn number(self, kind: Kind, field: Field) -> Option<Reading> {
        self.entries(kind).find_map(|entry| {
            let value = entry.finding.number(field)?;
            let exact = entry.finding.get(Field::Comparator).is_none();
            exact.then_some(Reading { value, seq: entry.seq })
        })
    }

    /// The newest whole number under `field`, with its event.
    pub fn int(self, kind: Kind, field: Field) -> Option<(i64, u64)> {
        let reading = self.number(kind, field)?;
        Some((reading.value.as_int()?, reading.seq))
    }

    /// The newest yes or no under `field`, with its event.
    pub fn flag(self, kind: Kind, field: Field) -> Option<(bool, u64)> {
        self.entries(kind).find_map(|e| Some((e.finding.flag(field)?, e.seq)))
    }

    /// The newest word under `field`, with its event.
    pub fn word(self, kind: Kind, field: Field) -> Option<(&'a str, u64)> {
        self.entries(kind).find_map(|e| Some((e.finding.text(field)?, e.seq)))
    }

    /// Alert and not confused, from what was said of consciousness, orientation or GCS, the newest of them; GCS 15 is
    /// alert by its definition, and "oriented times four" is not said of anybody else. Three of four is not established:
    /// some services count to three.
    pub fn alert(self) -> Option<(bool, u64)> {
        let mind = self.entries(Kind::Consciousness).find_map(|e| {
            let confused = e.finding.flag(Field::Confused);
            let alert = match (e.finding.text(Field::Avpu), confused) {
                (_, Some(true)) => false,
                (Some(avpu), _) => avpu == "alert",
                (None, _) => return None,
            };
            Some((alert, e))
        });
        let scale = self.entries(Kind::Gcs).find_map(|e| Some((e.finding.int(Field::Total)? == 15, e)));
        let oriented = self.entries(Kind::Orientation).find_map(|e| match e.finding.int(Field::Times)? {
            4 => Some((true, e)),
            ..=2 => Some((false, e)),
            _ => None,
        });
        let newest = [mind, scale, oriented].into_iter().flatten().max_by_key(|(_, e)| e.seq);
        newest.map(|(alert, e)| (alert, e.seq))
    }
}
