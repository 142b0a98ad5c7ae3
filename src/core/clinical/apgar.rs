//! APGAR (Apgar, Curr Res Anesth Analg 1953;32:260): appearance, pulse, grimace, activity, respiration, 0-2 each, at 1
//! and 5 minutes; then every 5 minutes to 20 while the last score is below 7.

/// The parts in order; `None` was not said.
pub type Parts = [Option<i64>; 5];

pub const PARTS: [&str; 5] = ["appearance", "pulse", "grimace", "activity", "respiration"];

/// 0 to 10, or the names of the parts missing (or outside 0-2).
pub fn total(parts: Parts) -> Result<i64, Vec<&'static str>> {
    let missing: Vec<_> = PARTS
        .iter()
        .zip(parts)
        .filter(|(_, part)| !part.is_some_and(|points| (0..=2).contains(&points)))
        .map(|(name, _)| *name)
        .collect();
    if missing.is_empty() { Ok(parts.iter().flatten().sum()) } else { Err(missing) }
}

/// 7-10 reassuring, 4-6 moderately abnormal, 0-3 low (from memory: ACOG Committee Opinion 644).
pub fn band(total: i64) -> &'static str {
    match total {
        7.. => "reassuring",
        4..=6 => "moderately abnormal",
        _ => "low",
    }
}

/// The minute after birth at which the next score is due, given those made (minute, total); `None` when done.
pub fn next_minute(made: &[(i64, i64)]) -> Option<i64> {
    let done = |minute: i64| made.iter().any(|(m, _)| *m == minute);
    if !done(5) {
        return Some(if done(1) { 5 } else { 1 });
    }
    let (last, score) = made.iter().filter(|(m, _)| *m >= 5).max_by_key(|(m, _)| *m)?;
    (*score < 7 && *last < 20).then(|| last + 5)
}
