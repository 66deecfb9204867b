//! What is kept of a frame that was judged, and what is told of it.

use super::{Context, Now, Said};
use crate::detect::DiscFit;
use crate::registration::{Status, is_cut};
use crate::sky::{Refraction, airmass, apparent_moon};
use crate::units::{Exposure, Instant};
use serde::Serialize;

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

    /// The frame in numbers.
    pub fn report(&self, context: &Context<'_>, now: Now<'_>, said: Said) -> FrameReport {
        let best = super::sharpness::best_width(context.before.iter().chain([self]), self.rig);
        FrameReport {
            schema: "moonloom-vigil-1",
            file: now.frame.name.clone(),
            utc: self.at.map(Instant::to_iso_utc),
            local: self.at.map(|at| context.clock(at)),
            state: match now.found.status() {
                Status::Measured => "measured",
                Status::Inferred => "inferred",
                Status::Absent => "absent",
            },
            reason: now.found.reason(),
            umbral_fraction: self.umbral_fraction,
            centre_px: now.found.centre().map(|c| (c.x, c.y)),
            radius_px: now.found.radius_px(),
            leaves_in_minutes: super::place::leaving(context, now).map(|l| l.minutes),
            edge_width_px: self.fit.map(|f| f.edge_width_px),
            best_edge_width_px: best,
            clipped_share: self.fit.map(|f| f.saturated_share),
            bright_part: self.fit.map(|f| f.disc_level),
            light_ratio: self.light_ratio,
            said,
        }
    }
}

/// A frame in numbers, and what is to be said after it.
#[derive(Clone, Debug, Serialize)]
pub struct FrameReport {
    /// `moonloom-vigil-1`.
    pub schema: &'static str,
    /// The file's name.
    pub file: String,
    /// Middle of the exposure, UTC.
    pub utc: Option<String>,
    /// The same by the local clock, hours and minutes.
    pub local: Option<String>,
    /// `measured`, `inferred` or `absent`.
    pub state: &'static str,
    /// Why it was not measured.
    pub reason: Option<String>,
    /// Share of the disc's area in the umbra, by the ephemeris.
    pub umbral_fraction: Option<f64>,
    /// Centre of the disc, pixels.
    pub centre_px: Option<(f64, f64)>,
    /// Its radius, pixels.
    pub radius_px: Option<f64>,
    /// When the disc meets the frame's edge, minutes; null where it does not within half an hour, or nobody can know.
    pub leaves_in_minutes: Option<f64>,
    /// Width of the limb (Gaussian sigma), pixels.
    pub edge_width_px: Option<f64>,
    /// The sharpest limbs of the night so far, pixels.
    pub best_edge_width_px: Option<f64>,
    /// Share of the disc at the top of the scale.
    pub clipped_share: Option<f64>,
    /// Light of its brighter part, 1 is saturation.
    pub bright_part: Option<f32>,
    /// Light against the night's clear frames, exposure, phase and altitude allowed for; 1 is clear.
    pub light_ratio: Option<f64>,
    /// What is to be said.
    #[serde(flatten)]
    pub said: Said,
}
