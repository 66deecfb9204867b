//! A frame as a registration file keeps it.

use super::rounded;
use crate::raster::PixelPoint;
use crate::register::{DiscFit, FrameRegistration, Orientation, OrientationSource, Rejection, RejectionReason, Status};
use crate::units::Angle;
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
    pub(super) status: Status,
    #[serde(default)]
    pub(super) utc: Option<String>,
    #[serde(default)]
    pub(super) centre_px: Option<(f64, f64)>,
    #[serde(default)]
    pub(super) radius_px: Option<f64>,
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
    pub(super) reason: Option<String>,
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
            status: f.status,
            utc: f.utc.clone(),
            centre_px: f.centre.map(|c| (rounded(c.x), rounded(c.y))),
            radius_px: f.radius_px.map(rounded),
            centre_sigma_px: f.centre_sigma_px.map(rounded),
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
            limb: f.fit.map(|d| LimbForm {
                arc_deg: rounded(d.arc_deg),
                residual_px: rounded(d.residual_px),
                edge_width_px: rounded(d.edge_width_px),
                saturated_share: rounded(d.saturated_share),
                contrast: rounded(d.contrast),
                agreeing: rounded(d.agreeing),
                disc_level: (f64::from(d.disc_level) * 1e7).round() / 1e7,
                mean_level: (f64::from(d.mean_level) * 1e7).round() / 1e7,
                sky_level: (f64::from(d.sky_level) * 1e7).round() / 1e7,
                rectified_radius_px: rounded(d.rectified_radius_px),
                radius_sigma_px: rounded(d.radius_sigma_px),
            }),
            rig: f.rig,
            foreground: f.foreground,
            reason: f.reason.clone(),
        }
    }
}

impl From<FrameForm> for FrameRegistration {
    fn from(f: FrameForm) -> Self {
        let centre = f.centre_px.map(|(x, y)| PixelPoint::new(x, y));
        FrameRegistration {
            file: f.file,
            rig: f.rig,
            status: f.status,
            utc: f.utc,
            centre,
            radius_px: f.radius_px,
            centre_sigma_px: f.centre_sigma_px,
            umbral_fraction: f.umbral_fraction,
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
            fit: f.limb.zip(centre).map(|(l, centre)| DiscFit {
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
            }),
            foreground: f.foreground,
            exclude: f.exclude,
            reason: f.reason,
        }
    }
}
