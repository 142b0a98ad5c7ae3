//! What the record says, made readable: timeline, handoff, draft narrative, open-standard exports, quality figures.
//!
//! Everything here is a function of a record's events and of data (wording, shapes, codes). Nothing knows the current
//! time, a file or a voice. One fold, [`Call`], is read by all, so that no two reports can disagree.

pub mod call;
pub mod chart;
pub mod csv;
pub mod debrief;
pub mod fhir;
mod followed;
pub mod handoff;
pub mod narrative;
pub mod outline;
pub mod page;
pub mod quality;
pub mod review;
mod sign;
pub mod spoken;
pub mod state;
pub mod times;
pub mod vitals;
pub mod wording;

pub use call::Call;
pub use outline::Outline;
pub use wording::Wording;

use crate::core::diagnostic::Diagnostic;
use crate::core::source::Source;

/// What a handoff is told with: wording and shapes.
#[derive(Clone, Debug)]
pub struct Telling {
    pub wording: Wording,
    pub shapes: handoff::Shapes,
}

impl Telling {
    /// # Errors
    /// Every complaint about the two files.
    pub fn read(sources: &[Source]) -> Result<Telling, Vec<Diagnostic>> {
        match (Wording::read(sources), handoff::Shapes::read(sources)) {
            (Ok(wording), Ok(shapes)) => Ok(Telling { wording, shapes }),
            (wording, shapes) => Err(wording.err().into_iter().chain(shapes.err()).flatten().collect()),
        }
    }
}
