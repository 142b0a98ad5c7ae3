//! Glasgow Coma Scale (Teasdale and Jennett, Lancet 1974;2:81-84): eye 1-4, verbal 1-5, motor 1-6, said in that order.

/// The three parts; `None` is not said or not testable.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Parts {
    pub eye: Option<i64>,
    pub verbal: Option<i64>,
    pub motor: Option<i64>,
}

/// Why there is no total.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Refused {
    /// These parts were not said or could not be tested: a 1 is never put in their place.
    Missing(Vec<&'static str>),
    /// This part is outside what the scale knows.
    Impossible(&'static str),
}

/// The total, 3 to 15.
pub fn total(parts: Parts) -> Result<i64, Refused> {
    let named = [("eye", parts.eye, 4), ("verbal", parts.verbal, 5), ("motor", parts.motor, 6)];
    let missing: Vec<_> = named.iter().filter(|(_, part, _)| part.is_none()).map(|(name, ..)| *name).collect();
    if !missing.is_empty() {
        return Err(Refused::Missing(missing));
    }
    let mut sum = 0;
    for (name, part, most) in named {
        match part {
            Some(points) if (1..=most).contains(&points) => sum += points,
            _ => return Err(Refused::Impossible(name)),
        }
    }
    Ok(sum)
}

/// Head injury bands: 13-15 mild, 9-12 moderate, 8 and below severe (HL7 FHIR R4 example observation, reference ranges).
pub fn band(total: i64) -> &'static str {
    match total {
        13.. => "mild",
        9..=12 => "moderate",
        _ => "severe",
    }
}
