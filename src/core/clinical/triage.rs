//! START (Newport Beach / Hoag 1983, revised 1994: "30-2-can do") and JumpSTART (Romig 1995, for children).
//!
//! START prints both "over 30 is red" and "under 30 is yellow": exactly 30 is taken as not over.

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Category {
    Minor,
    Delayed,
    Immediate,
    Expectant,
}

impl Category {
    /// As the record spells it.
    pub fn name(self) -> &'static str {
        match self {
            Category::Minor => "minor",
            Category::Delayed => "delayed",
            Category::Immediate => "immediate",
            Category::Expectant => "expectant",
        }
    }

    pub fn colour(self) -> &'static str {
        match self {
            Category::Minor => "green",
            Category::Delayed => "yellow",
            Category::Immediate => "red",
            Category::Expectant => "black",
        }
    }
}

/// What was looked at; `None` was not.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Signs {
    pub walks: Option<bool>,
    pub breathing: Option<bool>,
    /// Breathing after the airway was opened, if it was not before.
    pub breathing_opened: Option<bool>,
    /// Breathing after five rescue breaths (children).
    pub breathing_rescued: Option<bool>,
    /// Breaths per minute.
    pub rate: Option<i64>,
    pub pulse: Option<bool>,
    /// Capillary refill over 2 seconds.
    pub slow_refill: Option<bool>,
    /// Follows simple commands.
    pub obeys: Option<bool>,
    /// Children: AVPU alert, verbal, or pain with a fitting response.
    pub responds: Option<bool>,
}

/// The category, or the next thing that must be looked at.
pub fn start(s: &Signs) -> Result<Category, &'static str> {
    if s.walks.ok_or("can walk")? {
        return Ok(Category::Minor);
    }
    if !s.breathing.or(s.rate.map(|rate| rate > 0)).ok_or("breathing")? {
        let opened = s.breathing_opened.ok_or("breathing after opening the airway")?;
        return Ok(if opened { Category::Immediate } else { Category::Expectant });
    }
    if s.rate.ok_or("breathing rate")? > 30 || s.pulse == Some(false) || s.slow_refill == Some(true) {
        return Ok(Category::Immediate);
    }
    if s.pulse.is_none() && s.slow_refill.is_none() {
        return Err("radial pulse or capillary refill");
    }
    Ok(if s.obeys.ok_or("follows commands")? { Category::Delayed } else { Category::Immediate })
}

/// The category of a child, or the next thing that must be looked at.
pub fn jump_start(s: &Signs) -> Result<Category, &'static str> {
    if s.walks.ok_or("can walk")? {
        return Ok(Category::Minor);
    }
    if !s.breathing.or(s.rate.map(|rate| rate > 0)).ok_or("breathing")? {
        if s.breathing_opened.ok_or("breathing after opening the airway")? {
            return Ok(Category::Immediate);
        }
        if !s.pulse.ok_or("pulse")? {
            return Ok(Category::Expectant);
        }
        let rescued = s.breathing_rescued.ok_or("breathing after five rescue breaths")?;
        return Ok(if rescued { Category::Immediate } else { Category::Expectant });
    }
    if !(15..=45).contains(&s.rate.ok_or("breathing rate")?) || !s.pulse.ok_or("pulse")? {
        return Ok(Category::Immediate);
    }
    Ok(if s.responds.ok_or("response")? { Category::Delayed } else { Category::Immediate })
}
