//! Quick SOFA (Singer et al., Sepsis-3, JAMA 2016;315:801-810): one point each for 22 breaths a minute or more,
//! systolic pressure 100 mmHg or less, and altered mentation (GCS below 15). Two or more is positive.

/// `None` was not measured.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Observations {
    pub respirations: Option<i64>,
    pub systolic: Option<i64>,
    /// GCS below 15, or not alert.
    pub altered: Option<bool>,
}

/// Points for respirations, pressure and mentation, or what is missing.
pub fn qsofa(o: &Observations) -> Result<[u8; 3], Vec<&'static str>> {
    let (Some(rate), Some(systolic), Some(altered)) = (o.respirations, o.systolic, o.altered) else {
        let said = [
            ("respirations", o.respirations.is_some()),
            ("blood_pressure", o.systolic.is_some()),
            ("consciousness", o.altered.is_some()),
        ];
        return Err(said.iter().filter(|(_, said)| !said).map(|(name, _)| *name).collect());
    };
    Ok([u8::from(rate >= 22), u8::from(systolic <= 100), u8::from(altered)])
}

/// `positive` at 2 or more.
pub fn band(total: u8) -> &'static str {
    if total >= 2 { "positive" } else { "negative" }
}
