//! The rehearsal file: a site, an eclipse and the rigs that photograph it.

use super::mishaps::Mishaps;
use super::processing::Processing;
use super::shadow::RehearsedShadow;
use crate::camera::{Aim, Camera, ExposureStep, Firing, ForegroundFrame, Mount, Setup, reached_exposure};
use crate::ingest::Site;
use crate::sky::{LunarEclipse, eclipse_within};
use crate::units::{Angle, Exposure, Instant};
use serde::{Deserialize, Serialize};

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
    /// One that follows the Moon without a flaw, north up.
    pub fn following() -> Self {
        RehearsedMount::Tracking {
            up_position_angle_deg: 0.0,
            drift_px_per_hour: (0.0, 0.0),
            rotation_deg_per_hour: 0.0,
            wobble_px: 0.0,
            wobble_period_s: default_wobble_period(),
        }
    }

    pub(super) fn as_noted(&self) -> Mount {
        match self {
            RehearsedMount::FixedTripod { .. } => Mount::FixedTripod,
            RehearsedMount::ReaimedTripod { .. } => Mount::ReaimedTripod,
            RehearsedMount::Tracking { .. } => Mount::Tracking,
        }
    }

    /// Where a fixed tripod points.
    pub(super) fn aim(&self) -> Option<Aim> {
        match *self {
            RehearsedMount::FixedTripod { azimuth_deg, altitude_deg, roll_deg } => Some(Aim {
                azimuth: Angle::from_degrees(azimuth_deg),
                altitude: Angle::from_degrees(altitude_deg),
                roll: Angle::from_degrees(roll_deg),
            }),
            _ => None,
        }
    }
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
    /// The night of an eclipse with one camera, its clock at UTC.
    pub fn of(site: Site, eclipse: &LunarEclipse, rig: RehearsedRig) -> Self {
        Scenario {
            version: 1,
            title: String::new(),
            site,
            eclipse: eclipse.greatest().to_iso_utc()[..10].to_owned(),
            utc_offset: "+00:00".to_owned(),
            danjon: default_danjon(),
            shadow: RehearsedShadow::default(),
            seed: default_seed(),
            rigs: vec![rig],
        }
    }

    /// The same night by cameras of fewer pixels of the same size in all.
    pub fn scaled(mut self, factor: f64) -> Self {
        for rig in &mut self.rigs {
            let less = |px: usize| ((px as f64 * factor).round() as usize).max(16);
            let camera = &mut rig.camera;
            let before = camera.width_px;
            (camera.width_px, camera.height_px) = (less(camera.width_px), less(camera.height_px));
            camera.pixel_pitch_um *= before as f64 / camera.width_px as f64;
            if let RehearsedMount::ReaimedTripod { scatter_px, .. } = &mut rig.mount {
                *scatter_px *= factor;
            }
        }
        self
    }

    /// How many frames are to be rendered, and their megapixels.
    pub fn work(&self) -> (usize, f64) {
        let Some(eclipse) = self.lunar_eclipse() else { return (0, 0.0) };
        let of = |rig: &RehearsedRig| {
            let moments = rig.frames.instants(&eclipse).len() * rig.frames.bracket_stops.len().max(1);
            let frames = moments + rig.foreground.len();
            (frames, frames as f64 * (rig.camera.width_px * rig.camera.height_px) as f64 / 1e6)
        };
        self.rigs.iter().map(of).fold((0, 0.0), |sum, rig| (sum.0 + rig.0, sum.1 + rig.1))
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
        eclipse_within(noon, 1.5)
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

impl CameraModel {
    /// What of it matters before the night: its flaws are left out.
    pub fn camera(&self) -> Camera {
        Camera {
            width_px: self.width_px,
            height_px: self.height_px,
            pixel_pitch_um: self.pixel_pitch_um,
            focal_length_mm: self.focal_length_mm,
            k1: self.k1,
        }
    }
}

impl CameraModel {
    /// A camera of which no more is known than what a plan asks.
    fn of(camera: &Camera) -> Self {
        CameraModel {
            model: String::new(),
            width_px: camera.width_px,
            height_px: camera.height_px,
            pixel_pitch_um: camera.pixel_pitch_um,
            focal_length_mm: camera.focal_length_mm,
            k1: camera.k1,
            blur_px: default_blur(),
            seeing_arcsec: default_seeing(),
            glow: default_glow(),
            smear: 0.0,
            bloom: 0.0,
            full_well: default_well(),
            read_noise: default_read_noise(),
            mirrored: false,
            processing: Processing::default(),
        }
    }
}

impl RehearsedRig {
    /// A planned camera on a mount, under an open sky; nothing goes wrong.
    pub fn of(setup: &Setup, mount: RehearsedMount) -> Self {
        RehearsedRig {
            name: setup.name.clone(),
            camera: CameraModel::of(&setup.camera),
            mount,
            frames: setup.firing.clone().unwrap_or(Firing::every(5.0)),
            exposures: setup.exposures.clone(),
            foreground: setup.foreground.clone(),
            landscape: Landscape::None,
            format: FrameFormat::default(),
            mishaps: Mishaps::default(),
        }
    }

    /// What of it matters before the night: no mishap is known then.
    pub fn setup(&self) -> Setup {
        let first = self.exposure(0.0);
        Setup {
            name: self.name.clone(),
            camera: self.camera.camera(),
            mount: self.mount.as_noted(),
            aim: self.mount.aim(),
            f_number: first.aperture.f_number,
            iso: first.sensitivity.iso,
            exposures: self.exposures.clone(),
            firing: Some(self.frames.clone()),
            foreground: self.foreground.clone(),
        }
    }

    /// The exposure for a share of the disc in the umbra.
    pub fn exposure(&self, umbral_fraction: f64) -> Exposure {
        reached_exposure(&self.exposures, umbral_fraction).unwrap_or(Exposure::new(0.01, 8.0, 100.0))
    }
}
