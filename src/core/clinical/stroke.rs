//! Cincinnati Prehospital Stroke Scale (Kothari et al., Ann Emerg Med 1999;33:373-378): face, arm (10 s), speech. One
//! abnormal item is a positive screen.

/// `Some(true)` is abnormal; `None` was not looked at.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Items {
    pub face: Option<bool>,
    pub arm: Option<bool>,
    pub speech: Option<bool>,
}

/// The number of abnormal items. One abnormal item is positive whatever is missing; a negative screen needs all three.
pub fn cincinnati(items: Items) -> Result<i64, Vec<&'static str>> {
    let named = [("face", items.face), ("arm", items.arm), ("speech", items.speech)];
    let abnormal = named.iter().filter(|(_, item)| *item == Some(true)).count() as i64;
    let missing: Vec<_> = named.iter().filter(|(_, item)| item.is_none()).map(|(name, _)| *name).collect();
    if abnormal == 0 && !missing.is_empty() { Err(missing) } else { Ok(abnormal) }
}

pub fn band(abnormal: i64) -> &'static str {
    if abnormal > 0 { "positive" } else { "negative" }
}
