//! A registration of rehearsed frames against their truth: how far off, frame by frame and in a table.
//!
//! The one place, besides the tests, that knows both what was found and what really was.

use crate::registration::{OrientationSource, Registration, Status};
use crate::simulate::{FrameTruth, Truth};
use std::fmt;

/// Least share of the limb that must show before a disc is promised to be found: sixty degrees.
pub const LIMB_PROMISED: f64 = 1.0 / 6.0;

/// How one frame's disc was found.
#[derive(Clone, Debug, PartialEq)]
pub struct DiscScore {
    /// File name.
    pub file: String,
    /// Share of the disc in the umbra.
    pub umbral_fraction: f64,
    /// True radius, pixels.
    pub radius_px: f64,
    /// Share of the limb that shows.
    pub limb_shown: f64,
    /// Found minus true centre, pixels.
    pub centre_off_px: (f64, f64),
    /// Found over true radius, less one.
    pub radius_off: f64,
    /// Found minus true position angle of the image's up direction, degrees; only where the frame itself or
    /// the solved aim told it, not where its neighbours did.
    pub orientation_off_deg: Option<f64>,
    /// Whether the image was rightly called a mirror image or not.
    pub mirror_right: Option<bool>,
}

impl DiscScore {
    /// How far the centre is off, pixels.
    pub fn centre_px(&self) -> f64 {
        self.centre_off_px.0.hypot(self.centre_off_px.1)
    }
}

/// How a rig's registration compares with the truth.
#[derive(Clone, Debug, PartialEq)]
pub struct Score {
    /// Name of the rehearsed rig.
    pub rig: String,
    /// Discs that were measured where the Moon is.
    pub discs: Vec<DiscScore>,
    /// Frames that show enough of the Moon but whose disc was missed.
    pub missed: Vec<String>,
    /// Frames in which a disc was measured that is not the Moon.
    pub false_discs: Vec<String>,
    /// How many frames show enough of the Moon.
    pub shown: usize,
    /// How many frames show no Moon.
    pub moonless: usize,
    /// Found over true plate scale, less one.
    pub plate_scale_off: Option<f64>,
    /// Largest root mean square residual of the aim, pixels.
    pub residual_px: Option<f64>,
    /// Found minus true error of the clock, and its own standard deviation, seconds.
    pub clock_off_s: Option<(f64, f64)>,
}

fn percentile(mut values: Vec<f64>, share: f64) -> Option<f64> {
    values.sort_by(f64::total_cmp);
    let at = ((values.len().saturating_sub(1)) as f64 * share).round() as usize;
    values.get(at).copied()
}

fn disc(found: &crate::registration::FrameRegistration, truth: &FrameTruth) -> Option<DiscScore> {
    let (centre, radius) = (found.centre()?, found.radius_px()?);
    let (x, y, r) = (truth.x_px?, truth.y_px?, truth.radius_px?);
    let off = |o: crate::registration::Orientation| {
        (o.up_position_angle.degrees() - truth.up_position_angle_deg + 180.0).rem_euclid(360.0) - 180.0
    };
    Some(DiscScore {
        file: truth.file.clone(),
        umbral_fraction: truth.umbral_fraction,
        radius_px: r,
        limb_shown: truth.limb_shown,
        centre_off_px: (centre.x - x, centre.y - y),
        radius_off: radius / r - 1.0,
        orientation_off_deg: found.orientation.filter(|o| o.source != OrientationSource::Sequence).map(off),
        mirror_right: found.orientation.map(|o| o.mirrored == truth.mirrored),
    })
}

impl Score {
    /// Compares the frames of a rig with their truth; frames of the truth that the registration does not
    /// have count as missed.
    pub fn of(registration: &Registration, truth: &Truth) -> Self {
        let mut score = Score {
            rig: truth.rig.clone(),
            discs: Vec::new(),
            missed: Vec::new(),
            false_discs: Vec::new(),
            shown: 0,
            moonless: 0,
            plate_scale_off: None,
            residual_px: None,
            clock_off_s: None,
        };
        for t in &truth.frames {
            let found = registration.frame(&t.file).filter(|f| f.status() == Status::Measured);
            let near = found.and_then(|f| disc(f, t)).filter(|d| d.centre_px() < 0.5 * d.radius_px);
            if found.is_some() && (near.is_none() || !t.moon_in_frame) {
                score.false_discs.push(t.file.clone());
            }
            score.moonless += usize::from(!t.moon_in_frame);
            if !t.moon_in_frame {
                continue;
            }
            let promised = t.limb_shown >= LIMB_PROMISED;
            score.shown += usize::from(promised);
            match near {
                Some(d) => score.discs.push(d),
                None if promised => score.missed.push(t.file.clone()),
                None => {}
            }
        }
        if let Some(rig) = registration.rigs.first() {
            score.plate_scale_off = rig.focal_length_px.map(|f| f / truth.focal_length_px - 1.0);
            let residuals = rig.pointings.iter().map(|p| p.rms_px).chain(rig.tracking.iter().map(|t| t.rms_px));
            score.residual_px = residuals.max_by(f64::total_cmp);
            score.clock_off_s = rig.clock.map(|c| (c.ahead_s - truth.clock_ahead_s, c.sigma_s));
        }
        score
    }

    /// Share of the discs that show enough and were found.
    pub fn detection(&self) -> f64 {
        1.0 - self.missed.len() as f64 / self.shown.max(1) as f64
    }

    /// Error of the centre below which a share of the promised discs stay, pixels.
    pub fn centre_px(&self, share: f64) -> Option<f64> {
        let promised = self.discs.iter().filter(|d| d.limb_shown >= LIMB_PROMISED);
        percentile(promised.map(DiscScore::centre_px).collect(), share)
    }

    /// Largest error of the radius among discs that show half of the limb, relative.
    pub fn worst_radius(&self) -> Option<f64> {
        let half = self.discs.iter().filter(|d| d.limb_shown >= 0.5);
        half.map(|d| d.radius_off.abs()).max_by(f64::total_cmp)
    }

    /// Error of the orientation below which a share of the oriented discs stay, degrees.
    pub fn orientation_deg(&self, share: f64) -> Option<f64> {
        percentile(self.discs.iter().filter_map(|d| d.orientation_off_deg).map(f64::abs).collect(), share)
    }

    /// Mean true radius, pixels.
    pub fn radius_px(&self) -> f64 {
        self.discs.iter().map(|d| d.radius_px).sum::<f64>() / self.discs.len().max(1) as f64
    }

    /// Error of the distance between successive centres below which a share stays, pixels: the jitter of
    /// a sequence laid disc on disc.
    pub fn jitter_px(&self, share: f64) -> Option<f64> {
        let step = |p: &[DiscScore]| {
            (p[1].centre_off_px.0 - p[0].centre_off_px.0).hypot(p[1].centre_off_px.1 - p[0].centre_off_px.1)
        };
        percentile(self.discs.windows(2).map(step).collect(), share)
    }
}

/// The scores as a table for people.
pub struct ScoreTable<'a>(pub &'a [Score]);

impl fmt::Display for ScoreTable<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        writeln!(
            f,
            "{:<26} {:>6} {:>9} {:>6} {:>8} {:>8} {:>8} {:>8} {:>8} {:>8} {:>7} {:>7} {:>12}",
            "rig",
            "radius",
            "found",
            "false",
            "centre",
            "95 %",
            "jitter",
            "radius",
            "scale",
            "residual",
            "turn",
            "95 %",
            "clock"
        )?;
        writeln!(
            f,
            "{:<26} {:>6} {:>9} {:>6} {:>8} {:>8} {:>8} {:>8} {:>8} {:>8} {:>7} {:>7} {:>12}",
            "", "px", "", "", "px", "px", "px, 95 %", "%, worst", "%", "px", "deg", "deg", "s off"
        )?;
        for s in self.0 {
            let number = |v: Option<f64>, digits: usize| v.map_or("-".into(), |v| format!("{v:.digits$}"));
            writeln!(
                f,
                "{:<26} {:>6.0} {:>9} {:>6} {:>8} {:>8} {:>8} {:>8} {:>8} {:>8} {:>7} {:>7} {:>12}",
                s.rig,
                s.radius_px(),
                format!("{}/{}", s.shown - s.missed.len(), s.shown),
                s.false_discs.len(),
                number(s.centre_px(0.5), 3),
                number(s.centre_px(0.95), 3),
                number(s.jitter_px(0.95), 3),
                number(s.worst_radius().map(|r| r * 100.0), 2),
                number(s.plate_scale_off.map(|p| p * 100.0), 3),
                number(s.residual_px, 3),
                number(s.orientation_deg(0.5), 2),
                number(s.orientation_deg(0.95), 2),
                s.clock_off_s.map_or("-".into(), |(off, sigma)| format!("{off:+.0} \u{b1} {sigma:.0}")),
            )?;
        }
        Ok(())
    }
}
