//! The Moon as one frame shows it.

use crate::detect::{Cutout, DiscFit, Look};

/// The Moon's disc in a frame.
#[derive(Clone)]
pub(super) struct Moon {
    pub fit: DiscFit,
    /// The disc on its own grid, where it is large enough.
    pub cutout: Option<Cutout>,
    /// What it was fitted to, unless it was too faint for a limb.
    pub look: Option<Look>,
    /// What its centre still owes to its limb in the direction in which that may have drawn it: 1 all, less where its face
    /// says its part.
    pub by_limb: f64,
    /// How far the map of the face may be off there, with its part: all frames alike, pixels.
    pub by_map_px: f64,
}

impl Moon {
    /// How far its limb may have drawn its centre, by the camera's curve, pixels.
    pub fn drawn_px(&self) -> f64 {
        self.by_limb * self.look.as_ref().map_or(0.0, |look| look.curve_pull().norm())
    }

    pub fn of_look(look: &Look, fit: DiscFit) -> Self {
        Moon { fit, cutout: look.cutout.clone(), look: Some(look.clone()), by_limb: 1.0, by_map_px: 0.0 }
    }
}

/// Share of a disc's pixels at the top of the scale from which it is clipped: its limb is the edge of its own glare.
pub(super) const CLIPPED_SHARE: f64 = 0.2;

/// A radius that differs from the common one by this share is not its own limb's error.
pub(super) const OTHER_SIZE: f64 = 0.05;
