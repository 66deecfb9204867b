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
}

impl Moon {
    pub fn of_look(look: &Look, fit: DiscFit) -> Self {
        Moon { fit, cutout: look.cutout.clone(), look: Some(look.clone()) }
    }
}

/// Share of a disc's pixels at the top of the scale from which it is clipped: its limb is the edge of its own glare.
pub(super) const CLIPPED_SHARE: f64 = 0.2;

/// A radius that differs from the common one by this share is not its own limb's error.
pub(super) const OTHER_SIZE: f64 = 0.05;
