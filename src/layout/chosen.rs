//! A place of the picture with the frame that fills it.

use crate::registration::{FrameRegistration, Rating};
use crate::units::Instant;

/// One place to be filled, with what is known of it.
#[derive(Clone, Debug)]
pub(super) struct Chosen<'a> {
    /// The frame; `None` for a disc that is to be simulated.
    pub registered: Option<&'a FrameRegistration>,
    pub instant: Option<Instant>,
    /// Frames of the same moment, to be merged into it.
    pub also: Vec<&'a FrameRegistration>,
    /// Which of the places it fills: gaps count.
    pub slot: usize,
    /// How good the frame's disc is; of a simulated one nothing is said.
    pub rating: Option<Rating>,
}

impl<'a> Chosen<'a> {
    pub(super) fn alone(registered: &'a FrameRegistration) -> Self {
        Chosen { registered: Some(registered), instant: instant(registered), also: Vec::new(), slot: 0, rating: None }
    }

    /// The frame's name; of a simulated disc its instant.
    pub(super) fn name(&self) -> String {
        match (self.registered, self.instant) {
            (Some(f), _) => f.file.clone(),
            (None, Some(instant)) => format!("simulated {}", instant.to_iso_utc()),
            (None, None) => "simulated".into(),
        }
    }
}

/// When a registered frame was taken, the clock put right.
pub(super) fn instant(frame: &FrameRegistration) -> Option<Instant> {
    frame.time
}
