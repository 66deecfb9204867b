//! A rig as a registration file keeps it.

use super::{degrees, rounded};
use crate::raster::PixelPoint;
use crate::registration::{
    ClockEstimate, Drift, MountRotation, PointingSolution, RigSolution, TrackingSolution, Wobble,
};
use crate::sky::{CameraPointing, Lens};
use crate::units::{Angle, Instant};
use serde::{Deserialize, Serialize};

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct RigForm {
    pub(super) width_px: usize,
    pub(super) height_px: usize,
    #[serde(default)]
    pub(super) focal_length_px: Option<f64>,
    #[serde(default)]
    pub(super) pointings: Vec<PointingForm>,
    #[serde(default)]
    pub(super) tracking: Option<TrackingForm>,
    #[serde(default)]
    pub(super) mirrored: Option<bool>,
    #[serde(default)]
    pub(super) rotation: Option<RotationForm>,
    #[serde(default)]
    pub(super) clock: Option<ClockEstimate>,
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct PointingForm {
    #[serde(default)]
    pub(super) from_utc: Option<String>,
    pub(super) azimuth_deg: f64,
    pub(super) altitude_deg: f64,
    pub(super) roll_deg: f64,
    pub(super) focal_length_px: f64,
    pub(super) k1: f64,
    #[serde(default, skip_serializing_if = "is_zero")]
    pub(super) k2: f64,
    pub(super) rms_px: f64,
    pub(super) frames: usize,
}

fn is_zero(value: &f64) -> bool {
    *value == 0.0
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct TrackingForm {
    pub(super) stretches: Vec<DriftForm>,
    #[serde(default)]
    pub(super) wobble: Option<Wobble>,
    pub(super) rms_px: f64,
    pub(super) frames: usize,
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct DriftForm {
    pub(super) from_utc: String,
    pub(super) until_utc: String,
    pub(super) start_px: (f64, f64),
    pub(super) px_per_hour: (f64, f64),
    #[serde(default)]
    pub(super) bend_px_per_hour2: (f64, f64),
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct RotationForm {
    pub(super) up_position_angle_deg: f64,
    pub(super) degrees_per_hour: f64,
}

fn pointing_form(p: &PointingSolution) -> PointingForm {
    PointingForm {
        from_utc: p.from.map(Instant::to_iso_utc),
        azimuth_deg: degrees(p.pointing.azimuth.normalized()),
        altitude_deg: degrees(p.pointing.altitude),
        roll_deg: degrees(p.pointing.roll),
        focal_length_px: p.pointing.lens.focal_length_px,
        k1: p.pointing.lens.k1,
        k2: p.pointing.lens.k2,
        rms_px: rounded(p.rms_px),
        frames: p.frames,
    }
}

fn pointing_of(f: &PointingForm, width: usize, height: usize) -> PointingSolution {
    let pointing = CameraPointing {
        lens: Lens { k1: f.k1, k2: f.k2, ..Lens::rectilinear(width, height, f.focal_length_px) },
        azimuth: Angle::from_degrees(f.azimuth_deg),
        altitude: Angle::from_degrees(f.altitude_deg),
        roll: Angle::from_degrees(f.roll_deg),
    };
    let from = f.from_utc.as_deref().and_then(|t| Instant::parse_utc(t).ok());
    PointingSolution::as_kept(from, pointing, f.rms_px, f.frames)
}

fn tracking_form(t: &TrackingSolution) -> TrackingForm {
    TrackingForm {
        stretches: t
            .stretches
            .iter()
            .map(|d| DriftForm {
                from_utc: d.from.to_iso_utc(),
                until_utc: d.until.to_iso_utc(),
                start_px: (d.start.x, d.start.y),
                px_per_hour: d.px_per_hour,
                bend_px_per_hour2: d.bend,
            })
            .collect(),
        wobble: t.wobble,
        rms_px: rounded(t.rms_px),
        frames: t.frames,
    }
}

/// Stretches whose times do not read are left out; `check` has named them before.
fn tracking_of(f: &TrackingForm) -> TrackingSolution {
    let time = |t: &str| Instant::parse_utc(t).ok();
    let drift = |d: &DriftForm| {
        Some(Drift {
            from: time(&d.from_utc)?,
            until: time(&d.until_utc)?,
            start: PixelPoint::new(d.start_px.0, d.start_px.1),
            px_per_hour: d.px_per_hour,
            bend: d.bend_px_per_hour2,
        })
    };
    TrackingSolution {
        stretches: f.stretches.iter().filter_map(drift).collect(),
        wobble: f.wobble,
        rms_px: f.rms_px,
        frames: f.frames,
    }
}

impl From<&RigSolution> for RigForm {
    fn from(r: &RigSolution) -> Self {
        RigForm {
            width_px: r.width,
            height_px: r.height,
            focal_length_px: r.focal_length_px,
            pointings: r.pointings.iter().map(pointing_form).collect(),
            tracking: r.tracking.as_ref().map(tracking_form),
            mirrored: r.mirrored,
            rotation: r.rotation.map(|m| RotationForm {
                up_position_angle_deg: rounded(m.up_position_angle.degrees()),
                degrees_per_hour: rounded(m.degrees_per_hour),
            }),
            clock: r.clock.map(|c| ClockEstimate { ahead_s: rounded(c.ahead_s), sigma_s: rounded(c.sigma_s), ..c }),
        }
    }
}

impl From<&RigForm> for RigSolution {
    fn from(r: &RigForm) -> Self {
        RigSolution {
            width: r.width_px,
            height: r.height_px,
            focal_length_px: r.focal_length_px,
            pointings: r.pointings.iter().map(|p| pointing_of(p, r.width_px, r.height_px)).collect(),
            tracking: r.tracking.as_ref().map(tracking_of),
            mirrored: r.mirrored,
            rotation: r.rotation.as_ref().map(|m| MountRotation {
                up_position_angle: Angle::from_degrees(m.up_position_angle_deg),
                degrees_per_hour: m.degrees_per_hour,
            }),
            clock: r.clock,
        }
    }
}
