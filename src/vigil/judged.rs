//! What is kept of a frame that was judged.

use super::{Context, Now};
use crate::detect::DiscFit;
use crate::registration::{Status, is_cut};
use crate::sky::{Refraction, airmass, apparent_moon};
use crate::units::{Exposure, Instant};

/// What is kept of a frame.
#[derive(Clone, Debug)]
pub(super) struct Judged {
    pub at: Option<Instant>,
    pub rig: usize,
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
}

impl Judged {
    pub fn of(context: &Context<'_>, now: Now<'_>) -> Self {
        let found = now.found;
        let size = context.registration.size_of(found);
        let seen = context.observer.zip(now.at).map(|(o, at)| apparent_moon(&o, at).refracted(Refraction::default()));
        Judged {
            at: now.at,
            rig: found.rig,
            fit: found.fit().copied().filter(|_| found.status() == Status::Measured),
            has_moon: found.disc().is_some(),
            is_cut: found.disc().is_some() && is_cut(found, size),
            below_horizon: seen.is_some_and(|s| s.altitude.degrees() < 0.0),
            exposure: now.frame.metadata.exposure,
            light_ratio: found.light_ratio,
            umbral_fraction: found.umbral_fraction,
            airmass: seen.map(|s| airmass(s.altitude)),
        }
    }
}
