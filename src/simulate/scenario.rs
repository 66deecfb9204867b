//! The rehearsal file: a site, an eclipse and the rigs that photograph it.

use super::mishaps::Mishaps;
use super::processing::Processing;
use super::shadow::RehearsedShadow;
use crate::diag::{Diagnostic, Span, read_ron};
use crate::ingest::{Mount, Site};
use crate::sky::{Contact, LunarEclipse, eclipse_near};
use crate::units::{Exposure, Instant};
use serde::{Deserialize, Serialize};
use std::path::Path;

/// A night to rehearse.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Scenario {
    /// Version of this notation; 1.
    pub version: u32,
    /// Name of the night.
    pub title: String,
    /// Where the cameras stand.
    pub site: Site,
    /// UTC date of greatest eclipse.
    pub eclipse: String,
    /// Offset of the local clock, such as `+08:00`; cameras are set to it.
    pub utc_offset: String,
    /// Brightness of totality, 0 dark to 4 bright.
    #[serde(default = "default_danjon")]
    pub danjon: f64,
    /// Whose shadow lies on the Moon.
    #[serde(default)]
    pub shadow: RehearsedShadow,
    /// Seed of all that is random.
    #[serde(default = "default_seed")]
    pub seed: u64,
    /// The cameras.
    pub rigs: Vec<RehearsedRig>,
}

fn default_danjon() -> f64 {
    2.4
}
fn default_seed() -> u64 {
    1
}

/// One camera on one mount.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct RehearsedRig {
    /// Name of the folder its frames go to.
    pub name: String,
    /// Camera and lens.
    pub camera: CameraModel,
    /// What holds it.
    pub mount: RehearsedMount,
    /// When it fires.
    pub frames: Firing,
    /// Exposures by the share of the disc in the umbra; the last step reached counts.
    pub exposures: Vec<ExposureStep>,
    /// Frames of the landscape without the Moon.
    #[serde(default)]
    pub foreground: Vec<ForegroundFrame>,
    /// What lies below the horizon.
    #[serde(default)]
    pub landscape: Landscape,
    /// What kind of file the camera writes.
    #[serde(default)]
    pub format: FrameFormat,
    /// Clouds, shakes and other mishaps.
    #[serde(default)]
    pub mishaps: Mishaps,
}

/// Sensor and lens.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct CameraModel {
    /// Name written into the frames.
    pub model: String,
    /// Width, pixels.
    pub width_px: usize,
    /// Height, pixels.
    pub height_px: usize,
    /// Spacing of pixels, micrometres.
    pub pixel_pitch_um: f64,
    /// Focal length, millimetres.
    pub focal_length_mm: f64,
    /// Radial distortion of the lens (r in focal lengths).
    #[serde(default)]
    pub k1: f64,
    /// Blur of lens and demosaicing, Gaussian sigma in pixels.
    #[serde(default = "default_blur")]
    pub blur_px: f64,
    /// Blur of the air, Gaussian sigma in arcseconds.
    #[serde(default = "default_seeing")]
    pub seeing_arcsec: f64,
    /// Share of the light that the lens scatters into a wide glow.
    #[serde(default = "default_glow")]
    pub glow: f64,
    /// Share of a column's mean light that falls on each of its pixels while it is read out, as in sensors without a
    /// shutter (0.001 is much).
    #[serde(default)]
    pub smear: f64,
    /// Share of what a full pixel cannot hold that spills along its column; the rest is drained.
    #[serde(default)]
    pub bloom: f64,
    /// Electrons that fill a pixel at ISO 100.
    #[serde(default = "default_well")]
    pub full_well: f64,
    /// Read noise, electrons.
    #[serde(default = "default_read_noise")]
    pub read_noise: f64,
    /// Whether it shows a mirror image (a telescope with a diagonal).
    #[serde(default)]
    pub mirrored: bool,
    /// What it does to a picture before it writes a JPEG.
    #[serde(default)]
    pub processing: Processing,
}

fn default_blur() -> f64 {
    0.8
}
fn default_seeing() -> f64 {
    1.2
}
fn default_glow() -> f64 {
    0.012
}
fn default_well() -> f64 {
    52_000.0
}
fn default_read_noise() -> f64 {
    3.0
}

/// What holds a rehearsed camera.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub enum RehearsedMount {
    /// A tripod that nobody touches.
    FixedTripod {
        /// Where it points.
        azimuth_deg: f64,
        /// Where it points, as seen.
        altitude_deg: f64,
        /// Clockwise as seen from behind.
        #[serde(default)]
        roll_deg: f64,
    },
    /// A level tripod aimed again by hand before each frame.
    ReaimedTripod {
        /// How far off the middle the Moon may be, pixels.
        scatter_px: f64,
        /// How far off level it may be, degrees.
        #[serde(default)]
        roll_scatter_deg: f64,
    },
    /// A mount that follows the Moon.
    Tracking {
        /// Position angle of the image's up direction.
        up_position_angle_deg: f64,
        /// Drift per hour, pixels (right, down).
        #[serde(default)]
        drift_px_per_hour: (f64, f64),
        /// Turn of the camera on the sky, degrees of position angle an hour.
        #[serde(default)]
        rotation_deg_per_hour: f64,
        /// How far the mount's worm swings the image to either side, pixels.
        #[serde(default)]
        wobble_px: f64,
        /// Period of the swing, seconds.
        #[serde(default = "default_wobble_period")]
        wobble_period_s: f64,
    },
}

fn default_wobble_period() -> f64 {
    480.0
}

impl RehearsedMount {
    pub(super) fn as_noted(&self) -> Mount {
        match self {
            RehearsedMount::FixedTripod { .. } => Mount::FixedTripod,
            RehearsedMount::ReaimedTripod { .. } => Mount::ReaimedTripod,
            RehearsedMount::Tracking { .. } => Mount::Tracking,
        }
    }
}

/// When a camera fires.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Firing {
    /// Minutes between frames.
    pub every_minutes: f64,
    /// Minutes before P1 (U1, for a partial eclipse) at which it starts.
    #[serde(default)]
    pub lead_minutes: f64,
    /// Minutes after P4 at which it stops.
    #[serde(default)]
    pub tail_minutes: f64,
    /// Contacts at which it fires besides.
    #[serde(default)]
    pub also_at: Vec<String>,
    /// A bracket: each time it fires once for each of these, the shutter so many stops longer.
    #[serde(default)]
    pub bracket_stops: Vec<f64>,
}

/// One step of the exposure ladder.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ExposureStep {
    /// Holds from this share of the disc's area in the umbra on.
    pub from_umbral_fraction: f64,
    /// Shutter time, seconds.
    pub seconds: f64,
    /// Focal ratio.
    pub f_number: f64,
    /// Sensitivity.
    pub iso: f64,
}

/// A frame of the landscape.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ForegroundFrame {
    /// UTC when the shutter opens.
    pub utc: String,
    /// Shutter time, seconds.
    pub seconds: f64,
    /// Focal ratio.
    pub f_number: f64,
    /// Sensitivity.
    pub iso: f64,
}

/// What lies below the horizon.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub enum Landscape {
    /// Nothing: sky all round.
    #[default]
    None,
    /// The invented Saltbush Jetty: a bay, a long jetty with a boat shed, a far shore.
    SaltbushJetty,
}

/// What kind of file the camera writes.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum FrameFormat {
    /// Eight-bit sRGB JPEG.
    Jpeg {
        /// 1..=100.
        quality: u8,
    },
    /// Sixteen-bit TIFF of linear light.
    LinearTiff,
    /// TIFF of linear light in single-precision floats: what a camera without noise of numbers would write.
    FloatTiff,
    /// Camera raw: a mosaic of colour filters as DNG.
    Dng,
}

impl Default for FrameFormat {
    fn default() -> Self {
        FrameFormat::Jpeg { quality: 88 }
    }
}

impl Scenario {
    /// Reads and checks a rehearsal file.
    ///
    /// # Errors
    /// A [`Diagnostic`] that points at the fault.
    pub fn parse(path: &Path, text: &str) -> Result<Self, Diagnostic> {
        let scenario: Scenario = read_ron(path, text)?;
        let fault = |names: &[&str], message: String, help: &str| {
            let mut d = Diagnostic::error("rehearsal-value", message).with_help(help);
            d.span = Span::of_field(path, text, names);
            Err(d)
        };
        if scenario.version != 1 {
            return fault(
                &["version"],
                format!("version {} is not known", scenario.version),
                "this program reads version 1",
            );
        }
        if let Err(e) = scenario.site.observer() {
            return fault(&["site"], e.to_string(), "give degrees north and east, metres above the sea");
        }
        if !(0.0..=4.0).contains(&scenario.danjon) {
            return fault(
                &["danjon"],
                format!("{} is not on the Danjon scale", scenario.danjon),
                "give 0 (very dark) to 4 (very bright)",
            );
        }
        if scenario.offset_s().is_none() {
            return fault(
                &["utc_offset"],
                format!("`{}` is not an offset from UTC", scenario.utc_offset),
                "write it like \"+08:00\"",
            );
        }
        if scenario.lunar_eclipse().is_none() {
            return fault(
                &["eclipse"],
                format!("there is no lunar eclipse near {}", scenario.eclipse),
                "give the UTC date of greatest eclipse, like \"2028-12-31\"",
            );
        }
        for rig in &scenario.rigs {
            let c = &rig.camera;
            if c.width_px < 16 || c.height_px < 16 || c.width_px.saturating_mul(c.height_px) > 200_000_000 {
                return fault(
                    &["width_px"],
                    format!("a frame of {}x{} pixels cannot be made", c.width_px, c.height_px),
                    "16 pixels a side at least, 200 megapixels at most",
                );
            }
            if !(c.pixel_pitch_um > 0.0 && c.focal_length_mm > 0.0) {
                return fault(
                    &["pixel_pitch_um"],
                    "pixel pitch and focal length must be above zero".into(),
                    "micrometres and millimetres",
                );
            }
            let m = &rig.mishaps;
            let shares = [
                ("cloud", m.cloud, 1.0),
                ("ghost", m.ghost, 1.0),
                ("covered", m.covered, 1.0),
                ("cut", m.cut, 1.0),
                ("shaken", m.shaken, 1.0),
                ("daylight", m.daylight, 1e3),
                ("defocus_px", m.defocus_px, 1e3),
                ("smear", c.smear, 1.0),
                ("bloom", c.bloom, 1.0),
                ("contrast", c.processing.contrast, 1.0),
                ("sharpening", c.processing.sharpening, 5.0),
                ("smoothing", c.processing.smoothing, 1.0),
            ];
            if let Some((name, value, most)) = shares.into_iter().find(|(_, v, most)| !(0.0..=*most).contains(v)) {
                return fault(
                    &[name],
                    format!("`{name}` is {value} in the rig `{}`", rig.name),
                    &format!("give 0 to {most}"),
                );
            }
            if rig.exposures.is_empty() {
                return fault(
                    &["exposures"],
                    format!("the rig `{}` has no exposure", rig.name),
                    "give at least one step from_umbral_fraction: 0.0",
                );
            }
            if rig.frames.every_minutes.is_nan() || rig.frames.every_minutes < 0.01 {
                return fault(&["every_minutes"], "frames must be some time apart".into(), "0.01 minutes at least");
            }
        }
        Ok(scenario)
    }

    /// The local clock's zone, as a fixed offset.
    pub fn zone(&self) -> jiff::tz::TimeZone {
        let offset = self.offset_s().and_then(|s| jiff::tz::Offset::from_seconds(s as i32).ok());
        offset.map_or(jiff::tz::TimeZone::UTC, jiff::tz::TimeZone::fixed)
    }

    pub(super) fn offset_s(&self) -> Option<i64> {
        let note = crate::ingest::Clock { utc_offset: Some(self.utc_offset.clone()), ahead_s: 0.0, label_offset: None };
        crate::ingest::ShootNotes { clock: note, ..empty_notes() }.clock_offset_s()
    }

    pub(super) fn lunar_eclipse(&self) -> Option<LunarEclipse> {
        let noon = Instant::parse_utc(&format!("{}T12:00:00Z", self.eclipse)).ok()?;
        eclipse_near(noon).filter(|e| e.greatest().seconds_since(noon).abs() < 1.5 * 86_400.0)
    }
}

pub(super) fn empty_notes() -> crate::ingest::ShootNotes {
    crate::ingest::ShootNotes {
        version: 1,
        title: None,
        site: None,
        clock: crate::ingest::Clock::default(),
        optics: crate::ingest::Optics::default(),
        mount: Mount::Unknown,
        linear_values: false,
        foreground: Vec::new(),
        response: None,
        calibration: crate::ingest::Calibration::default(),
        ignore: Default::default(),
    }
}

impl RehearsedRig {
    /// The instants at which the shutter opens.
    pub fn instants(&self, eclipse: &LunarEclipse) -> Vec<Instant> {
        let first = eclipse.contacts.first().map_or(eclipse.greatest(), |c| c.1);
        let last = eclipse.contacts.last().map_or(eclipse.greatest(), |c| c.1);
        let start = first.plus_seconds(-60.0 * self.frames.lead_minutes);
        let end = last.plus_seconds(60.0 * self.frames.tail_minutes);
        let step = self.frames.every_minutes * 60.0;
        let count = (end.seconds_since(start) / step).floor() as usize;
        let mut out: Vec<Instant> = (0..=count).map(|i| start.plus_seconds(i as f64 * step)).collect();
        for (contact, instant) in &eclipse.contacts {
            let wanted = self.frames.also_at.iter().any(|w| w.eq_ignore_ascii_case(&contact.to_string()));
            if wanted && *contact != Contact::P1 {
                out.push(*instant);
            }
        }
        out.sort_by(|a, b| a.tt_seconds().total_cmp(&b.tt_seconds()));
        out
    }

    /// The exposure for a share of the disc in the umbra.
    pub fn exposure(&self, umbral_fraction: f64) -> Exposure {
        let reached = self.exposures.iter().rfind(|s| umbral_fraction >= s.from_umbral_fraction);
        let step = reached.or(self.exposures.first()).copied();
        step.map_or(Exposure::new(0.01, 8.0, 100.0), |s| Exposure::new(s.seconds, s.f_number, s.iso))
    }
}
