//! Which way up a frame shows the Moon.

use crate::units::Angle;
use serde::{Deserialize, Serialize};
use std::fmt;

/// How an orientation is known.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum OrientationSource {
    /// From the Moon's own features in that frame.
    Features,
    /// From the solved aim of a fixed tripod.
    Pointing,
    /// From the direction in which the Earth's shadow lies.
    Shadow,
    /// From other frames on the same mount.
    Sequence,
}

impl fmt::Display for OrientationSource {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            OrientationSource::Features => "features",
            OrientationSource::Pointing => "pointing",
            OrientationSource::Shadow => "shadow",
            OrientationSource::Sequence => "sequence",
        })
    }
}

/// Which way up a frame shows the Moon.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Orientation {
    /// Position angle of the image's up direction at the Moon: from celestial north through east.
    pub up_position_angle: Angle,
    /// Whether the image is a mirror image of the sky.
    pub mirrored: bool,
    /// Standard deviation of the angle.
    pub sigma: Angle,
    /// How it is known.
    pub source: OrientationSource,
}

impl Orientation {
    /// Clockwise turn on the image from up to celestial north.
    pub fn north_turn(&self) -> Angle {
        if self.mirrored { -self.up_position_angle } else { self.up_position_angle }
    }

    /// The Moon's own north, clockwise from the image's up, for an axis at a position angle.
    pub(crate) fn lunar_north(&self, axis: Angle) -> Angle {
        let turn = self.up_position_angle - axis;
        if self.mirrored { -turn } else { turn }
    }

    /// From the Moon's north as it lies on the image.
    pub(crate) fn of_lunar_north(north: Angle, mirrored: bool, axis: Angle, sigma: Angle) -> Self {
        let up_position_angle = (if mirrored { axis - north } else { axis + north }).normalized();
        Orientation { up_position_angle, mirrored, sigma, source: OrientationSource::Features }
    }
}
