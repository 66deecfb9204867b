//! What is told of a frame that was judged.

use super::judged::Judged;
use super::{Context, Now, Said};
use crate::registration::Status;
use crate::units::Instant;
use serde::Serialize;
use std::fmt::Write as _;

/// The frame in numbers.
pub(super) fn report(context: &Context<'_>, now: Now<'_>, judged: &Judged, said: Said) -> FrameReport {
    let best = super::sharpness::best_width(context.before.iter().chain([judged]));
    FrameReport {
        schema: "moonloom-vigil-1",
        file: now.frame.name.clone(),
        utc: judged.at.map(Instant::to_iso_utc),
        local: judged.at.map(|at| context.clock(at)),
        state: match now.found.status() {
            Status::Measured => "measured",
            Status::Inferred => "inferred",
            Status::Absent => "absent",
        },
        reason: now.found.reason(),
        umbral_fraction: judged.umbral_fraction,
        centre_px: now.found.centre().map(|c| (c.x, c.y)),
        radius_px: now.found.radius_px(),
        leaves_in_minutes: judged.leaves.map(|(minutes, _)| minutes),
        edge_width_px: judged.fit.map(|f| f.edge_width_px),
        best_edge_width_px: best,
        smear_px: super::sharpness::smeared(judged).map(|s| s.length_px()),
        clipped_share: judged.fit.map(|f| f.saturated_share),
        bright_part: judged.fit.map(|f| f.disc_level),
        light_ratio: judged.light_ratio,
        said,
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
    /// How far the disc trails in one direction, pixels; null where its limb is as wide all round, or too little of it is seen.
    pub smear_px: Option<f64>,
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

impl FrameReport {
    /// The frame on a line, for people.
    pub fn line(&self) -> String {
        let mut line = format!("{} {}", self.local.as_deref().unwrap_or("--:--"), self.file);
        match (self.centre_px, self.radius_px) {
            (Some((x, y)), Some(radius)) => {
                let _ = write!(line, "  Moon ({x:.0}, {y:.0}) r {radius:.0}");
            }
            _ => {
                let _ = write!(line, "  {}", self.reason.as_deref().unwrap_or("no Moon"));
            }
        }
        if let Some(share) = self.umbral_fraction.filter(|u| *u > 0.0) {
            let _ = write!(line, "  umbra {:.0} %", 100.0 * share);
        }
        if let Some((width, best)) = self.edge_width_px.zip(self.best_edge_width_px) {
            let _ = write!(line, "  limb {width:.1} px (best {best:.1})");
        }
        if let Some(clipped) = self.clipped_share.filter(|c| *c > 0.001) {
            let _ = write!(line, "  clipped {:.0} %", 100.0 * clipped);
        }
        if let Some(bright) = self.bright_part.filter(|b| *b > 0.0) {
            let _ = write!(line, "  brightest {:.1} stops under white", (-bright.log2()).max(0.0));
        }
        if let Some(minutes) = self.leaves_in_minutes {
            let _ = write!(line, "  leaves in {minutes:.0} min");
        }
        line
    }
}
