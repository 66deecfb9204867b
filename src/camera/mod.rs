//! A camera as its owner knows it: sensor, lens, what holds it, when it fires and with which exposures.
//!
//! `plan` advises it, `simulate` makes its frames, `ingest` reads of a night what held it. Flaws of a real one (blur, glow,
//! noise) are `simulate`'s; how a lens maps the sky is [`crate::sky::Lens`]'s.

mod setup;

pub use setup::{ExposureStep, Firing, ForegroundFrame, Setup, reached_exposure};

use crate::sky::{CameraPointing, Lens};
use crate::units::Angle;
use serde::{Deserialize, Serialize};

/// Sensor and lens.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Camera {
    /// Width, pixels.
    pub width_px: usize,
    /// Height, pixels.
    pub height_px: usize,
    /// Spacing of pixels, micrometres.
    pub pixel_pitch_um: f64,
    /// Focal length, millimetres.
    pub focal_length_mm: f64,
    /// Radial distortion of the lens (r in focal lengths).
    pub k1: f64,
}

impl Camera {
    /// The focal length in pixels: pixels a radian at the optical axis.
    pub fn focal_px(&self) -> f64 {
        self.focal_length_mm * 1000.0 / self.pixel_pitch_um
    }

    /// How it maps the sky.
    pub fn lens(&self) -> Lens {
        Lens { k1: self.k1, ..Lens::rectilinear(self.width_px, self.height_px, self.focal_px()) }
    }

    /// Field of view across and down, distortion neglected.
    pub fn field(&self) -> (Angle, Angle) {
        let side = |px: usize| Angle::from_radians(2.0 * (px as f64 / 2.0 / self.focal_px()).atan());
        (side(self.width_px), side(self.height_px))
    }

    /// The shorter side of a frame, pixels.
    pub fn short_side_px(&self) -> usize {
        self.width_px.min(self.height_px)
    }
}

/// What held the camera.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub enum Mount {
    /// Nobody said.
    #[default]
    Unknown,
    /// A tripod that was not touched all night.
    FixedTripod,
    /// A tripod re-aimed by hand, level.
    ReaimedTripod,
    /// A mount that follows the sky.
    Tracking,
}

/// Where a tripod points.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Aim {
    /// From north through east.
    pub azimuth: Angle,
    /// As seen, through the air.
    pub altitude: Angle,
    /// Clockwise as seen from behind.
    pub roll: Angle,
}

impl Aim {
    /// What a lens shows that is aimed so.
    pub fn through(self, lens: Lens) -> CameraPointing {
        CameraPointing { lens, azimuth: self.azimuth, altitude: self.altitude, roll: self.roll }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn field_of_a_normal_lens() {
        // Handbook value: 50 mm on 36 x 24 mm covers 39.6 x 27.0 degrees (2 atan(d / 2f)).
        let camera = Camera { width_px: 6000, height_px: 4000, pixel_pitch_um: 6.0, focal_length_mm: 50.0, k1: 0.0 };
        let (across, down) = camera.field();
        assert!((across.degrees() - 39.6).abs() < 0.05 && (down.degrees() - 27.0).abs() < 0.05);
        assert_eq!(camera.short_side_px(), 4000);
    }
}
