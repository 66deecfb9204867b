//! What metadata and notes claim.

use super::sequence::Sequence;
use crate::camera::Mount;
use crate::ingest::ShootNotes;

/// What metadata and notes say of the frames at one zoom.
pub(super) struct Claims {
    pub mount: Mount,
    /// Pixels per radian, by focal length and pixel pitch.
    pub focal_length_px: Option<f64>,
    /// The focal length itself.
    pub focal_length_mm: Option<f64>,
    /// What the notes say the camera's clock was ahead of UTC, and ahead of that.
    pub utc_offset_s: Option<i64>,
    pub ahead_s: f64,
}

impl Claims {
    pub fn of(sequence: &Sequence<'_>) -> Self {
        Claims {
            mount: sequence.night.mount(),
            focal_length_px: sequence.rig.focal_length_px,
            focal_length_mm: sequence.rig.focal_length_mm,
            utc_offset_s: sequence.night.notes.as_ref().and_then(ShootNotes::clock_offset_s),
            ahead_s: sequence.night.notes.as_ref().map_or(0.0, |n| n.clock.ahead_s),
        }
    }
}
