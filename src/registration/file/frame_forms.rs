//! A frame as a registration file keeps it.

use super::{degrees, rounded};
use crate::detect::DiscFit;
use crate::raster::{PixelPoint, PixelRect};
use crate::registration::{
    Disc, FrameRegistration, Nudge, Orientation, OrientationSource, Rejection, RejectionReason, Sighting, Status, Why,
};
use crate::units::{Angle, Instant};
use serde::{Deserialize, Serialize};

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct OrientationForm {
    pub(super) up_position_angle_deg: f64,
    #[serde(default)]
    pub(super) mirrored: bool,
    pub(super) sigma_deg: f64,
    pub(super) by: OrientationSource,
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct RejectionForm {
    pub(super) centre_px: (f64, f64),
    pub(super) radius_px: f64,
    pub(super) because: RejectionReason,
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct FrameForm {
    pub(super) file: String,
    #[serde(default)]
    pub(super) exclude: bool,
    #[serde(default, skip_serializing_if = "is_default")]
    pub(super) gain_stops: f64,
    #[serde(default = "no_factors", skip_serializing_if = "are_no_factors")]
    pub(super) white: (f64, f64),
    #[serde(default, skip_serializing_if = "is_default")]
    pub(super) turn_deg: f64,
    pub(super) status: Status,
    #[serde(default)]
    pub(super) utc: Option<String>,
    #[serde(default)]
    pub(super) centre_px: Option<(f64, f64)>,
    #[serde(default)]
    pub(super) radius_px: Option<f64>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub(super) true_radius_px: Option<f64>,
    #[serde(default)]
    pub(super) centre_sigma_px: Option<f64>,
    #[serde(default)]
    pub(super) umbral_fraction: Option<f64>,
    #[serde(default)]
    pub(super) orientation: Option<OrientationForm>,
    #[serde(default)]
    pub(super) light_ratio: Option<f64>,
    #[serde(default)]
    pub(super) limb: Option<LimbForm>,
    #[serde(default)]
    pub(super) rejected: Vec<RejectionForm>,
    #[serde(default)]
    pub(super) rig: usize,
    #[serde(default)]
    pub(super) foreground: bool,
    #[serde(default)]
    pub(super) why: Option<Why>,
    #[serde(default)]
    pub(super) phase_contradicted: bool,
    /// Left, top, right and bottom of what a file that breaks off tells.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub(super) told_px: Option<(i64, i64, i64, i64)>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub(super) fingerprint: Option<String>,
}

fn is_default(number: &f64) -> bool {
    *number == 0.0
}

fn no_factors() -> (f64, f64) {
    (1.0, 1.0)
}

fn are_no_factors(white: &(f64, f64)) -> bool {
    *white == no_factors()
}

/// What was measured of the limb.
#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct LimbForm {
    pub(super) arc_deg: f64,
    pub(super) residual_px: f64,
    pub(super) edge_width_px: f64,
    pub(super) saturated_share: f64,
    pub(super) contrast: f64,
    pub(super) agreeing: f64,
    #[serde(default)]
    pub(super) open_share: f64,
    pub(super) disc_level: f64,
    pub(super) mean_level: f64,
    pub(super) sky_level: f64,
    pub(super) rectified_radius_px: f64,
    pub(super) radius_sigma_px: f64,
}

impl From<&FrameRegistration> for FrameForm {
    fn from(f: &FrameRegistration) -> Self {
        FrameForm {
            file: f.file.clone(),
            exclude: f.exclude,
            gain_stops: f.nudge.gain_stops,
            white: f.nudge.white,
            turn_deg: degrees(f.nudge.turn),
            status: f.status(),
            utc: f.time.map(Instant::to_iso_utc),
            centre_px: f.centre().map(|c| (rounded(c.x), rounded(c.y))),
            radius_px: f.radius_px().map(rounded),
            true_radius_px: f.disc().and_then(|d| d.true_radius_px).map(rounded),
            centre_sigma_px: f.centre_sigma_px().map(rounded),
            umbral_fraction: f.umbral_fraction.map(rounded),
            orientation: f.orientation.map(|o| OrientationForm {
                up_position_angle_deg: rounded(o.up_position_angle.normalized().degrees()),
                mirrored: o.mirrored,
                sigma_deg: rounded(o.sigma.degrees()),
                by: o.source,
            }),
            light_ratio: f.light_ratio.map(rounded),
            rejected: f
                .rejected
                .iter()
                .map(|r| RejectionForm {
                    centre_px: (rounded(r.centre.x), rounded(r.centre.y)),
                    radius_px: rounded(r.radius_px),
                    because: r.reason,
                })
                .collect(),
            limb: f.fit().map(|d| LimbForm {
                arc_deg: rounded(d.arc_deg),
                residual_px: rounded(d.residual_px),
                edge_width_px: rounded(d.edge_width_px),
                saturated_share: rounded(d.saturated_share),
                contrast: rounded(d.contrast),
                agreeing: rounded(d.agreeing),
                open_share: rounded(d.open_share),
                disc_level: (f64::from(d.disc_level) * 1e7).round() / 1e7,
                mean_level: (f64::from(d.mean_level) * 1e7).round() / 1e7,
                sky_level: (f64::from(d.sky_level) * 1e7).round() / 1e7,
                rectified_radius_px: rounded(d.rectified_radius_px),
                radius_sigma_px: rounded(d.radius_sigma_px),
            }),
            rig: f.rig,
            foreground: f.foreground,
            why: f.sighting.why().cloned(),
            phase_contradicted: f.phase_contradicted,
            told_px: f.told.map(|t| (t.x0, t.y0, t.x1, t.y1)),
            fingerprint: f.fingerprint.clone(),
        }
    }
}

impl From<FrameForm> for FrameRegistration {
    fn from(f: FrameForm) -> Self {
        FrameRegistration {
            time: f.utc.as_deref().and_then(|t| Instant::parse_utc(t).ok()),
            sighting: sighting_of(&f),
            rig: f.rig,
            umbral_fraction: f.umbral_fraction,
            phase_contradicted: f.phase_contradicted,
            told: f.told_px.map(|(x0, y0, x1, y1)| PixelRect { x0, y0, x1, y1 }),
            orientation: f.orientation.map(|o| Orientation {
                up_position_angle: Angle::from_degrees(o.up_position_angle_deg),
                mirrored: o.mirrored,
                sigma: Angle::from_degrees(o.sigma_deg),
                source: o.by,
            }),
            light_ratio: f.light_ratio,
            rejected: f
                .rejected
                .iter()
                .map(|r| Rejection {
                    centre: PixelPoint::new(r.centre_px.0, r.centre_px.1),
                    radius_px: r.radius_px,
                    reason: r.because,
                })
                .collect(),
            foreground: f.foreground,
            fingerprint: f.fingerprint,
            exclude: f.exclude,
            nudge: Nudge { gain_stops: f.gain_stops, white: f.white, turn: Angle::from_degrees(f.turn_deg) },
            file: f.file,
        }
    }
}

/// What a form says of the Moon; a person may have given a place to a frame that had none.
fn sighting_of(f: &FrameForm) -> Sighting {
    let centre = f.centre_px.map(|(x, y)| PixelPoint::new(x, y));
    let disc = centre.zip(f.radius_px).map(|(centre, radius_px)| Disc {
        centre,
        radius_px,
        true_radius_px: f.true_radius_px,
        centre_sigma_px: f.centre_sigma_px.unwrap_or(0.0),
        fit: f.limb.as_ref().map(|l| fit_of(f, l, centre)),
    });
    let why = f.why.clone().unwrap_or(Why::NoDisc);
    match (f.status, disc) {
        (Status::Measured, Some(disc)) => Sighting::Measured(disc),
        (Status::Inferred, Some(disc)) => Sighting::Inferred(disc, why),
        (_, _) => Sighting::Absent(why),
    }
}

fn fit_of(f: &FrameForm, l: &LimbForm, centre: PixelPoint) -> DiscFit {
    DiscFit {
        centre,
        radius_px: f.radius_px.unwrap_or(l.rectified_radius_px),
        rectified_radius_px: l.rectified_radius_px,
        centre_sigma_px: f.centre_sigma_px.unwrap_or(0.0),
        radius_sigma_px: l.radius_sigma_px,
        arc_deg: l.arc_deg,
        residual_px: l.residual_px,
        edge_width_px: l.edge_width_px,
        saturated_share: l.saturated_share,
        disc_level: l.disc_level as f32,
        mean_level: l.mean_level as f32,
        sky_level: l.sky_level as f32,
        contrast: l.contrast,
        agreeing: l.agreeing,
        open_share: l.open_share,
    }
}
