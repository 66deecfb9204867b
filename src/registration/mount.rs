//! What a mount did: the aims of a fixed tripod, the drift and turn of one that follows the sky.

use crate::raster::PixelPoint;
use crate::sky::{CameraPointing, MEAN_SEMIDIAMETER_RAD};
use crate::units::{Angle, Instant};
use nalgebra::SMatrix;
use serde::{Deserialize, Serialize};

/// The pointing solved for one stretch of the night.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PointingSolution {
    /// When it begins to hold; `None` for the first of the night.
    pub from: Option<Instant>,
    /// Aim and lens.
    pub pointing: CameraPointing,
    /// Root mean square residual of the frames that agree, pixels.
    pub rms_px: f64,
    /// How many frames agree.
    pub frames: usize,
    /// Covariance of azimuth, altitude, roll (radians), relative focal length, k1 and k2; not kept in files.
    pub(crate) covariance: SMatrix<f64, 6, 6>,
    /// What the residuals of frames minutes apart have in common, root mean square, pixels; not kept in files.
    pub(crate) common_px: f64,
}

impl PointingSolution {
    /// A solution read back: nothing is known of its covariance.
    pub(crate) fn as_kept(from: Option<Instant>, pointing: CameraPointing, rms_px: f64, frames: usize) -> Self {
        PointingSolution { from, pointing, rms_px, frames, covariance: SMatrix::zeros(), common_px: 0.0 }
    }

    /// Whether its own frames agree on it so badly that it tells no other frame's place: by more than a lens, limbs and glares
    /// leave together, and by a good part of the Moon's radius.
    pub(crate) fn is_loose(&self) -> bool {
        let radius_px = self.pointing.lens.focal_length_px * MEAN_SEMIDIAMETER_RAD;
        const MOST_PX: f64 = 2.0;
        const MOST_OF_RADIUS: f64 = 0.4;
        self.rms_px > MOST_PX.max(MOST_OF_RADIUS * radius_px)
    }
}

/// The pointing that holds at an instant, of several in the order of time.
pub fn pointing_at(pointings: &[PointingSolution], instant: Option<Instant>) -> Option<&PointingSolution> {
    let begun = |p: &&PointingSolution| p.from.is_none_or(|from| instant.is_some_and(|i| i >= from));
    pointings.iter().rfind(begun).or(pointings.first())
}

/// The Moon's path over the frames.
#[derive(Clone, Debug, PartialEq)]
pub struct TrackingSolution {
    /// Stretches between centrings, in the order of time.
    pub stretches: Vec<Drift>,
    /// The mount's periodic swing, where frames are close enough in time to show it.
    pub wobble: Option<Wobble>,
    /// Root mean square residual of the frames that agree, pixels.
    pub rms_px: f64,
    /// How many frames agree.
    pub frames: usize,
}

/// One stretch of smooth drift.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Drift {
    /// Its first frame.
    pub from: Instant,
    /// Its last frame.
    pub until: Instant,
    /// The Moon's place at `from`, without the wobble.
    pub start: PixelPoint,
    /// Pixels an hour at `from`, to the right and down.
    pub px_per_hour: (f64, f64),
    /// Pixels an hour squared, to the right and down: half the change of the drift in an hour.
    pub bend: (f64, f64),
}

/// A periodic swing.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Wobble {
    /// Its period, seconds.
    pub period_s: f64,
    /// Sine parts from the first frame's instant on, pixels to the right and down.
    pub sine_px: (f64, f64),
    /// Cosine parts.
    pub cosine_px: (f64, f64),
}

impl Wobble {
    /// How far the swing goes to either side, pixels.
    pub fn amplitude_px(&self) -> f64 {
        let along = |s: f64, c: f64| s.hypot(c);
        along(self.sine_px.0, self.cosine_px.0).hypot(along(self.sine_px.1, self.cosine_px.1))
    }
}

impl TrackingSolution {
    /// Where the Moon is expected at an instant; `None` outside every stretch.
    pub fn expects(&self, instant: Instant) -> Option<PixelPoint> {
        let first = self.stretches.first()?.from;
        let stretch = self.stretches.iter().find(|s| instant >= s.from && instant <= s.until)?;
        let hours = instant.seconds_since(stretch.from) / 3600.0;
        let along = |start: f64, rate: f64, bend: f64| start + rate * hours + bend * hours * hours;
        let mut x = along(stretch.start.x, stretch.px_per_hour.0, stretch.bend.0);
        let mut y = along(stretch.start.y, stretch.px_per_hour.1, stretch.bend.1);
        if let Some(w) = self.wobble {
            let (s, c) = (std::f64::consts::TAU * instant.seconds_since(first) / w.period_s).sin_cos();
            x += w.sine_px.0 * s + w.cosine_px.0 * c;
            y += w.sine_px.1 * s + w.cosine_px.1 * c;
        }
        Some(PixelPoint::new(x, y))
    }
}

/// How the camera was turned on a mount that follows the sky.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct MountRotation {
    /// Position angle of the image's up direction at the first frame.
    pub up_position_angle: Angle,
    /// Its change, degrees an hour: the mount's polar axis is off.
    pub degrees_per_hour: f64,
}
