//! What is kept of a frame that was judged.

use super::{Context, Now};
use crate::detect::{DiscFit, Smear};
use crate::registration::{Status, is_cut};
use crate::sky::{MEAN_SEMIDIAMETER_RAD, Refraction, airmass, apparent_moon};
use crate::units::{Exposure, Instant};

/// Below this radius, pixels, the blur thins a disc's light, and what is left of its lit part most.
pub(super) const TINY_PX: f64 = 15.0;

/// What is kept of a frame.
#[derive(Clone, Debug)]
pub(super) struct Judged {
    pub at: Option<Instant>,
    /// Which camera at which zoom: frames of others tell nothing of it.
    pub camera: String,
    /// The disc as measured.
    pub fit: Option<DiscFit>,
    /// Whether a Moon is known in it, measured or not.
    pub has_moon: bool,
    /// Whether the frame's edge cuts it.
    pub is_cut: bool,
    pub below_horizon: bool,
    pub exposure: Option<Exposure>,
    /// Light against the night's clear frames; 1 is clear.
    pub light_ratio: Option<f64>,
    pub umbral_fraction: Option<f64>,
    /// Air before it.
    pub airmass: Option<f64>,
    /// When the Moon meets the frame's edge, minutes, and which, where it does within half an hour.
    pub leaves: Option<(f64, &'static str)>,
    /// Whether its limb is wider in one direction.
    pub smear: Option<Smear>,
    /// How long after its exposure it came, seconds, by the clock of whoever watches and the camera's own.
    pub came_after_s: Option<f64>,
    /// Whether it is too small in these frames to be judged.
    pub is_too_small: bool,
    /// Pixels per radian, where the scale is known.
    pub focal_px: Option<f64>,
}

/// What tells a camera and its zoom from others, in every reading of the folder.
pub(super) fn camera_of(context: &Context<'_>, now: Now<'_>) -> String {
    let rig = &context.night.rigs[now.frame.rig];
    format!("{}x{} {:?} {:?}", rig.width, rig.height, rig.camera_model, rig.focal_length_mm)
}

/// How long after its exposure a frame came; `None` where the frame is of another night.
fn came_after_s(now: Now<'_>) -> Option<f64> {
    /// Zones are 26 hours apart at most.
    const ANOTHER_NIGHT_S: f64 = 27.0 * 3600.0;
    let exposed = now.frame.metadata.exposure.map_or(0.0, |e| e.time.seconds);
    let after = now.arrived?.seconds_since(now.at?.plus_seconds(exposed / 2.0));
    (after.abs() < ANOTHER_NIGHT_S).then_some(after)
}

/// A Moon of fewer pixels, by what the camera records of its lens, is a light among others.
const LEAST_RADIUS_PX: f64 = 3.0;

impl Judged {
    pub fn of(context: &Context<'_>, now: Now<'_>) -> Self {
        let found = now.found;
        let size = context.registration.size_of(found);
        let seen = context.observer.zip(now.at).map(|(o, at)| apparent_moon(&o, at).refracted(Refraction::default()));
        let is_too_small = context.night.rigs[now.frame.rig]
            .focal_length_px
            .is_some_and(|focal| focal * MEAN_SEMIDIAMETER_RAD < LEAST_RADIUS_PX);
        Judged {
            at: now.at,
            camera: camera_of(context, now),
            fit: found.fit().copied().filter(|_| found.status() == Status::Measured && !is_too_small),
            has_moon: found.disc().is_some(),
            is_cut: found.disc().is_some() && is_cut(found, size),
            below_horizon: seen.is_some_and(|s| s.altitude.degrees() < 0.0),
            exposure: now.frame.metadata.exposure,
            light_ratio: found.light_ratio,
            umbral_fraction: found.umbral_fraction,
            airmass: seen.map(|s| airmass(s.altitude)),
            leaves: None,
            smear: now.smear,
            came_after_s: came_after_s(now),
            is_too_small,
            focal_px: context.registration.rigs.get(found.rig).and_then(|r| r.focal_length_px),
        }
    }
}
