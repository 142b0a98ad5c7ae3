//! The folded record as one JSON value: what stands, what it replaced, vitals in sets, times, advice.

use serde_json::{Map, Value as Json, json};

use super::call::{Call, happened};
use super::times::{self};
use super::vitals;
use crate::core::ledger::Entry;
use crate::core::time::rfc3339;

/// Format name of this value; a version that changes a meaning changes it.
pub const FORMAT: &str = "thirdhand-state-1";

/// The whole state.
pub fn of(call: &Call) -> Json {
    let milestones = times::milestones(call);
    let intervals = times::intervals(&milestones);
    let mut map = Map::new();
    map.insert("format".into(), FORMAT.into());
    map.insert("purpose".into(), json!(call.purpose()));
    map.insert("opened".into(), json!(call.opened));
    map.insert("closed".into(), json!(call.closed.map(|(_, c)| c)));
    map.insert("events".into(), call.events.len().into());
    map.insert(
        "milestones".into(),
        milestones.iter().map(|m| json!({ "name": m.name, "at": rfc3339(&m.at), "seq": m.seq })).collect(),
    );
    map.insert(
        "intervals".into(),
        intervals.iter().map(|i| json!({ "name": i.name, "seconds": i.seconds, "seqs": i.seqs })).collect(),
    );
    map.insert("patients".into(), call.patients().iter().map(|n| patient(call, *n)).collect());
    let advice = call.advice().map(|(e, a)| json!({ "seq": e.seq, "at": rfc3339(&e.when.at), "advice": a }));
    map.insert("advice".into(), advice.collect());
    Json::Object(map)
}

fn patient(call: &Call, number: i64) -> Json {
    let mine = |e: &&Entry| e.finding.patient() == number;
    let sets = vitals::sets(call, number);
    json!({
        "patient": number,
        "findings": call.ledger.entries().iter().filter(mine).map(finding).collect::<Vec<_>>(),
        "vitals_sets": sets.iter().map(|s| s.entries.iter().map(|(_, e)| e.seq).collect()).collect::<Vec<Vec<u64>>>(),
        "open_plans": call.open_plans(number).iter().map(|e| e.seq).collect::<Vec<_>>(),
    })
}

fn finding(entry: &Entry) -> Json {
    let replaced: Vec<Json> =
        entry.replaced.iter().map(|(f, by)| json!({ "finding": f.to_json(), "by": by })).collect();
    json!({
        "seq": entry.seq,
        "at": rfc3339(&entry.when.at),
        "happened_at": rfc3339(&happened(entry).at),
        "finding": entry.finding.to_json(),
        "stands": entry.stands(),
        "unconfirmed": entry.unconfirmed(),
        "confirmed": entry.confirmed,
        "retracted": entry.retracted,
        "replaced": replaced,
    })
}
