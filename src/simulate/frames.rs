//! One rig's night: aims the camera, paints what it sees, exposes, writes the frames.

use super::camera::{Blur, expose};
use super::landscape::paint;
use super::moon_disc::MoonDisc;
use super::night_sky::NightSky;
use super::painting::Painting;
use super::scenario::{FrameFormat, Landscape, RehearsedMount, RehearsedRig, Scenario, empty_notes};
use super::shot::{RehearsedNight, Shot};
use super::sky_field::open_sky;
use super::truth::{FrameTruth, Truth};
use crate::diag::write_ron;
use crate::ingest::{Clock, Optics, ShootNotes};
use crate::random::{hash, normal, uniform};
use crate::raster::{LinearImage, PixelPoint, RgbSpace};
use crate::sky::{CameraPointing, Danjon, Extinction, Lens, Refraction, SATURATION_PER_LIGHT_GAIN};
use crate::units::{Angle, Exposure, Instant};
use crate::write::{BitDepth, CaptureTags, Container, OutputSpec, WriteError, write_picture, write_text};
use rayon::prelude::*;
use std::path::Path;

/// Why a rehearsal stopped.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum RehearseError {
    /// A folder could not be made.
    #[error("cannot make the folder {}: {source}", path.display())]
    Folder {
        /// The folder.
        path: std::path::PathBuf,
        /// What the system said.
        source: std::io::Error,
    },
    /// The folder holds frames that are not a rehearsal's.
    #[error("{} holds frames that were not rehearsed; nothing is written there", path.display())]
    FolderInUse {
        /// The folder.
        path: std::path::PathBuf,
    },
    /// A frame could not be written.
    #[error(transparent)]
    Write(#[from] WriteError),
    /// The scenario was not checked before.
    #[error("the scenario is not complete: {what}")]
    Incomplete {
        /// What is missing.
        what: &'static str,
    },
}

/// The circumstances of one exposure, for the truth.
struct Circumstances<'a> {
    moon: &'a MoonDisc,
    pointing: &'a CameraPointing,
    middle: Instant,
    parallactic: Angle,
    trail_px: f64,
    limb_shown: f64,
    seed: u64,
}

/// Renders every rig's frames into `out/<rig>/`, with `shoot.ron` and `truth.json` beside them.
/// `progress` is told of each frame as it is written.
///
/// # Errors
/// [`RehearseError`]; frames written before stay.
pub fn rehearse(
    scenario: &Scenario,
    out: &Path,
    progress: &(dyn Fn(&Path) + Sync),
) -> Result<Vec<Truth>, RehearseError> {
    let mut truths = Vec::new();
    for (index, rig) in scenario.rigs.iter().enumerate() {
        let night = RehearsedNight::new(scenario, rig, hash(scenario.seed, index as u64))?;
        let folder = out.join(&rig.name);
        std::fs::create_dir_all(&folder).map_err(|source| RehearseError::Folder { path: folder.clone(), source })?;
        refuse_a_photographers_folder(&folder)?;
        let shots = night.shots();
        let frames: Result<Vec<FrameTruth>, RehearseError> = shots
            .par_iter()
            .enumerate()
            .map(|(i, shot)| {
                let (image, truth) = night.take(shot, hash(night.seed, i as u64));
                let path = folder.join(&shot.file);
                night.write(&path, shot, &image)?;
                progress(&path);
                Ok(truth)
            })
            .collect();
        let truth = Truth {
            schema: "moonloom-truth-1".into(),
            rig: rig.name.clone(),
            focal_length_px: night.lens.focal_length_px,
            k1: night.lens.k1,
            clock_ahead_s: rig.mishaps.clock_ahead_s,
            frames: frames?,
        };
        let json = serde_json::to_string_pretty(&truth).unwrap_or_default();
        write_text(&folder.join("truth.json"), &(json + "\n"))?;
        write_text(&folder.join("shoot.ron"), &night.notes())?;
        truths.push(truth);
    }
    Ok(truths)
}

/// One frame of a rig, in memory: linear sRGB light, 1 is the top of the scale, as its file would hold it.
///
/// # Errors
/// [`RehearseError::Incomplete`], where the scenario was not checked before or has no such rig.
pub fn rehearse_one(
    scenario: &Scenario,
    rig: usize,
    opens: Instant,
    exposure: Exposure,
) -> Result<LinearImage, RehearseError> {
    let seed = hash(scenario.seed, rig as u64);
    let rig = scenario.rigs.get(rig).ok_or(RehearseError::Incomplete { what: "rigs" })?;
    let night = RehearsedNight::new(scenario, rig, seed)?;
    let befallen = rig.mishaps.at(opens.seconds_since(night.first) / 60.0);
    let shot = Shot { opens, exposure, file: String::new(), foreground: false, befallen };
    Ok(night.take(&shot, hash(night.seed, 0)).0)
}

/// A folder with pictures but no truth is somebody's night: nothing is written into it.
///
/// # Errors
/// [`RehearseError::FolderInUse`].
pub fn refuse_a_photographers_folder(folder: &Path) -> Result<(), RehearseError> {
    let pictures = std::fs::read_dir(folder).is_ok_and(|mut entries| {
        entries.any(|e| {
            let is_frame = |e: std::fs::DirEntry| {
                let ending = e.path().extension().unwrap_or_default().to_string_lossy().to_ascii_lowercase();
                matches!(ending.as_str(), "jpg" | "jpeg" | "tif" | "tiff" | "dng" | "png")
                    || e.file_name() == "shoot.ron"
            };
            e.is_ok_and(is_frame)
        })
    });
    if pictures && !folder.join("truth.json").exists() {
        return Err(RehearseError::FolderInUse { path: folder.to_owned() });
    }
    Ok(())
}

impl<'a> RehearsedNight<'a> {
    fn new(scenario: &'a Scenario, rig: &'a RehearsedRig, seed: u64) -> Result<Self, RehearseError> {
        let observer = scenario.site.observer().map_err(|_| RehearseError::Incomplete { what: "site" })?;
        let eclipse = scenario.lunar_eclipse().ok_or(RehearseError::Incomplete { what: "eclipse" })?;
        let camera = &rig.camera;
        let focal_length_px = camera.focal_length_mm * 1000.0 / camera.pixel_pitch_um;
        let lens = Lens { k1: camera.k1, ..Lens::rectilinear(camera.width_px, camera.height_px, focal_length_px) };
        Ok(RehearsedNight {
            scenario,
            rig,
            observer,
            air: Refraction::default(),
            lens,
            offset_s: scenario.offset_s().ok_or(RehearseError::Incomplete { what: "utc_offset" })?,
            first: rig.frames.instants(&eclipse).first().copied().unwrap_or(eclipse.greatest()),
            lamps_around: match rig.mount {
                RehearsedMount::FixedTripod { azimuth_deg, .. } => Angle::from_degrees(azimuth_deg),
                _ => crate::sky::apparent_moon(&observer, eclipse.greatest()).airless.azimuth,
            },
            eclipse,
            seed,
        })
    }

    pub(super) fn moon(&self, instant: Instant) -> MoonDisc {
        let danjon = Danjon { scale: self.scenario.danjon };
        // One shadow for all rigs of the night.
        let shadow = (self.scenario.shadow, danjon, self.scenario.seed);
        MoonDisc::new(&self.observer, self.air, Extinction::default(), shadow, instant)
    }

    fn shots(&self) -> Vec<Shot> {
        let ending = match self.rig.format {
            FrameFormat::Jpeg { .. } => "jpg",
            FrameFormat::LinearTiff | FrameFormat::FloatTiff => "tif",
            FrameFormat::Dng => "dng",
        };
        let mut shots = Vec::new();
        for frame in &self.rig.foreground {
            let Ok(opens) = Instant::parse_utc(&frame.utc) else { continue };
            let exposure = Exposure::new(frame.seconds, frame.f_number, frame.iso);
            let befallen = self.rig.mishaps.at(opens.seconds_since(self.first) / 60.0).without_exposure();
            shots.push(Shot { opens, exposure, file: String::new(), foreground: true, befallen });
        }
        for moment in self.rig.frames.instants(&self.eclipse) {
            let mut middle = self.rig.exposure(self.moon(moment).shadow.umbral_fraction());
            // All frames of a bracket share what befalls the first.
            let befallen = || self.rig.mishaps.at(moment.seconds_since(self.first) / 60.0);
            middle.time.seconds *= befallen().exposed_stops.exp2();
            let stops: &[f64] = &self.rig.frames.bracket_stops;
            let mut opens = moment;
            for stop in if stops.is_empty() { &[0.0] } else { stops } {
                let mut exposure = middle;
                exposure.time.seconds *= stop.exp2();
                shots.push(Shot { opens, exposure, file: String::new(), foreground: false, befallen: befallen() });
                // A second to write the frame.
                opens = opens.plus_seconds(exposure.time.seconds + 1.0);
            }
        }
        shots.sort_by(|a, b| a.opens.tt_seconds().total_cmp(&b.opens.tt_seconds()));
        let initial = self.rig.name.chars().next().unwrap_or('f');
        for (i, shot) in shots.iter_mut().enumerate() {
            shot.file = format!("{initial}{:04}.{ending}", i + 1);
        }
        shots
    }

    /// Where the camera points when the Moon is as given.
    fn aim(&self, moon: &MoonDisc, parallactic: Angle, since_start_h: f64, is_cut: bool, seed: u64) -> CameraPointing {
        let aimed = |roll: Angle| CameraPointing {
            lens: self.lens,
            azimuth: moon.seen.azimuth,
            altitude: moon.seen.altitude,
            roll,
        };
        let shifted = |start: CameraPointing, dx: f64, dy: f64| {
            let c = self.lens.centre;
            let axis = start.to_sky(PixelPoint::new(c.x - dx, c.y - dy));
            CameraPointing { azimuth: axis.azimuth, altitude: axis.altitude, ..start }
        };
        match self.rig.mount {
            RehearsedMount::FixedTripod { azimuth_deg, altitude_deg, roll_deg } => {
                let by = self.rig.mishaps.knocked_by(since_start_h * 60.0);
                CameraPointing {
                    lens: self.lens,
                    azimuth: Angle::from_degrees(azimuth_deg + by.0),
                    altitude: Angle::from_degrees(altitude_deg + by.1),
                    roll: Angle::from_degrees(roll_deg + by.2),
                }
            }
            RehearsedMount::ReaimedTripod { scatter_px, roll_scatter_deg } => {
                let reach = |n| (uniform(seed, n) * 2.0 - 1.0) * scatter_px;
                let roll = Angle::from_degrees(roll_scatter_deg * normal(seed, 90).clamp(-2.0, 2.0));
                if is_cut {
                    // To the left or right edge, a quarter to a half of the disc beyond it.
                    let radius = self.lens.focal_length_px * moon.semidiameter.radians();
                    let side = if uniform(seed, 93) < 0.5 { -1.0 } else { 1.0 };
                    let beyond = radius * (0.5 - 0.5 * uniform(seed, 94));
                    return shifted(aimed(roll), side * (self.lens.centre.x - beyond), reach(92));
                }
                shifted(aimed(roll), reach(91), reach(92))
            }
            RehearsedMount::Tracking {
                up_position_angle_deg,
                drift_px_per_hour: (dx, dy),
                rotation_deg_per_hour,
                wobble_px,
                wobble_period_s,
            } => {
                let up = Angle::from_degrees(up_position_angle_deg + rotation_deg_per_hour * since_start_h);
                let swing = wobble_px * (std::f64::consts::TAU * since_start_h * 3600.0 / wobble_period_s).sin();
                shifted(aimed(parallactic - up), dx * since_start_h + swing, dy * since_start_h)
            }
        }
    }

    fn take(&self, shot: &Shot, seed: u64) -> (LinearImage, FrameTruth) {
        let (camera, mishaps) = (&self.rig.camera, &shot.befallen);
        let middle = shot.opens.plus_seconds(shot.exposure.time.seconds / 2.0);
        let moon = self.moon(middle);
        let parallactic = crate::sky::apparent_moon(&self.observer, middle).parallactic_angle;
        let pointing =
            self.aim(&moon, parallactic, middle.seconds_since(self.first) / 3600.0, mishaps.is_cut(seed), seed);
        let mut field = Painting {
            pointing: &pointing,
            width: camera.width_px,
            height: camera.height_px,
            radiance: vec![[0.0; 3]; camera.width_px * camera.height_px],
        };
        let moon_at = pointing.to_pixel(moon.seen);
        let radius_px = moon_at.map(|at| self.lens.disc_radius_px(at, moon.semidiameter));
        // The Moon first, on black, so that its ghost is known; then the sky around and before it.
        let trail_px = self.lay_moon(&mut field, shot, mishaps.veil(seed));
        let alone = if mishaps.ghost > 0.0 { field.radiance.clone() } else { Vec::new() };
        let light = std::mem::replace(&mut field.radiance, vec![[0.0; 3]; camera.width_px * camera.height_px]);
        let mean = ShadowMean::of(&moon, self.scenario.danjon);
        let sky = NightSky::new(&self.observer, middle, moon.seen, mean);
        match self.rig.landscape {
            Landscape::SaltbushJetty => paint(&mut field, &sky, self.scenario.seed),
            Landscape::None => open_sky(&mut field, &sky),
        }
        self.lay_stars(&mut field, middle);
        field.radiance.iter_mut().zip(&light).for_each(|(p, l)| (0..3).for_each(|c| p[c] += l[c]));
        mishaps.lay_daylight(&mut field);
        mishaps.lay_lamps(&mut field, self.lamps_around, moon.semidiameter, self.seed);
        if let (Some(at), Some(radius)) = (moon_at, radius_px) {
            mishaps.lay_planet(&mut field, at, radius);
            mishaps.lay_ghost(&mut field, at, 1.3 * radius + trail_px, &alone);
            mishaps.lay_cover(&mut field, at, radius, seed);
        }
        let seeing_px = Angle::from_arcsec(camera.seeing_arcsec).radians() * self.lens.focal_length_px;
        let blur_px = camera.blur_px.hypot(seeing_px).hypot(mishaps.blur_px()).hypot(mishaps.shake_px(seed) / 2.0);
        let blur = Blur { sigma_px: blur_px, dragged_px: mishaps.dragged_px, haze: mishaps.halo(seed) };
        let mut image = expose(camera, &field.radiance, &blur, &shot.exposure, seed);
        mishaps.fill_hot_pixels(&mut image, self.seed);
        if matches!(self.rig.format, FrameFormat::Jpeg { .. }) {
            image = camera.processing.develop(image);
        }
        let limb_shown = self.limb_shown(&moon, &pointing, shot, seed);
        let now = Circumstances { moon: &moon, pointing: &pointing, middle, parallactic, trail_px, limb_shown, seed };
        let mut truth = self.truth(shot, &now);
        if camera.mirrored {
            image = mirrored(&image);
            truth.x_px = truth.x_px.map(|x| camera.width_px as f64 - x);
            truth.mirrored = true;
        }
        (image, truth)
    }

    /// Share of the limb that stands out of the noise, inside the frame and uncovered.
    fn limb_shown(&self, moon: &MoonDisc, pointing: &CameraPointing, shot: &Shot, seed: u64) -> f64 {
        const POINTS: i32 = 120;
        let (camera, mishaps) = (&self.rig.camera, &shot.befallen);
        let Some(at) = pointing.to_pixel(moon.seen) else { return 0.0 };
        let radius = self.lens.disc_radius_px(at, moon.semidiameter);
        let gain = shot.exposure.light_gain() * SATURATION_PER_LIGHT_GAIN * mishaps.veil(seed);
        let full_scale = camera.full_well * 100.0 / shot.exposure.sensitivity.iso;
        let day = 0.8 * mishaps.daylight * shot.exposure.light_gain() * SATURATION_PER_LIGHT_GAIN;
        let shown = (0..POINTS).filter(|i| {
            let (s, c) = (f64::from(*i) / f64::from(POINTS) * std::f64::consts::TAU).sin_cos();
            let p = PixelPoint::new(at.x + radius * c, at.y + radius * s);
            let inside =
                p.x > 3.0 && p.y > 3.0 && p.x < camera.width_px as f64 - 3.0 && p.y < camera.height_px as f64 - 3.0;
            let near = pointing.to_sky(PixelPoint::new(at.x + 0.97 * radius * c, at.y + 0.97 * radius * s));
            let light = moon.radiance(&near.direction()).map_or(0.0, |l| l.iter().sum::<f64>() / 3.0 * gain);
            let noise = ((light + day) / full_scale + (camera.read_noise / full_scale).powi(2)).sqrt();
            inside && day < 0.9 && light > 4.0 * noise + 0.001 + 0.03 * day && !mishaps.covers(at, radius, p, seed)
        });
        shown.count() as f64 / f64::from(POINTS)
    }

    fn truth(&self, shot: &Shot, now: &Circumstances<'_>) -> FrameTruth {
        let Circumstances { moon, pointing, middle, parallactic, trail_px, limb_shown, seed } = *now;
        let centre = pointing.to_pixel(moon.seen);
        let radius = centre.map(|c| self.lens.disc_radius_px(c, moon.semidiameter) * moon.area_share());
        let (w, h) = (self.rig.camera.width_px as f64, self.rig.camera.height_px as f64);
        let inside = |c: PixelPoint, r: f64| c.x > -r && c.y > -r && c.x < w + r && c.y < h + r;
        let up = centre.map_or(Angle::ZERO, |c| parallactic + pointing.zenith_turn(c));
        FrameTruth {
            file: shot.file.clone(),
            utc: middle.to_iso_utc(),
            moon_in_frame: moon.seen.altitude.degrees() > -0.5 && centre.zip(radius).is_some_and(|(c, r)| inside(c, r)),
            x_px: centre.map(|c| c.x),
            y_px: centre.map(|c| c.y),
            radius_px: radius,
            umbral_fraction: moon.shadow.umbral_fraction(),
            altitude_deg: moon.seen.altitude.degrees(),
            azimuth_deg: moon.seen.azimuth.degrees(),
            up_position_angle_deg: up.normalized().degrees(),
            mirrored: false,
            limb_shown,
            camera_deg: [pointing.azimuth.degrees(), pointing.altitude.degrees(), pointing.roll.degrees()],
            exposure_s: shot.exposure.time.seconds,
            f_number: shot.exposure.aperture.f_number,
            iso: shot.exposure.sensitivity.iso,
            trail_px,
            mishaps: shot.befallen.words(seed),
        }
    }

    fn write(&self, path: &Path, shot: &Shot, image: &LinearImage) -> Result<(), WriteError> {
        let (container, space, depth) = match self.rig.format {
            FrameFormat::Jpeg { quality } => (Container::Jpeg { quality }, RgbSpace::SRGB, BitDepth::Eight),
            FrameFormat::LinearTiff => (Container::Tiff, RgbSpace::LINEAR_SRGB, BitDepth::Sixteen),
            FrameFormat::FloatTiff => (Container::Tiff, RgbSpace::LINEAR_SRGB, BitDepth::Float),
            FrameFormat::Dng => (Container::Dng, RgbSpace::LINEAR_SRGB, BitDepth::Sixteen),
        };
        let clock = shot.opens.plus_seconds(self.rig.mishaps.clock_ahead_s + self.offset_s as f64).to_utc();
        let hundredths = clock.subsec_millisecond() / 10;
        let spec = OutputSpec {
            space,
            light: RgbSpace::LINEAR_SRGB,
            capture: Some(CaptureTags {
                date_time_original: clock.strftime("%Y:%m:%d %H:%M:%S").to_string(),
                sub_second: format!("{hundredths:02}"),
                exposure_s: shot.exposure.time.seconds,
                f_number: shot.exposure.aperture.f_number,
                iso: shot.exposure.sensitivity.iso.round() as u32,
                focal_length_mm: self.rig.camera.focal_length_mm,
                camera_model: self.rig.camera.model.clone(),
            }),
            ..OutputSpec::new(container, depth)
        };
        let width = image.width();
        write_picture(path, &spec, (width, image.height()), &mut |rows| {
            image.data()[rows.start * width * 3..rows.end * width * 3].to_vec()
        })
    }

    fn notes(&self) -> String {
        let foreground = self.shots().into_iter().filter(|s| s.foreground).map(|s| s.file).collect();
        let notes = ShootNotes {
            title: Some(self.scenario.title.clone()),
            site: Some(self.scenario.site),
            clock: Clock { utc_offset: Some(self.scenario.utc_offset.clone()), ahead_s: 0.0, label_offset: None },
            optics: Optics { pixel_pitch_um: Some(self.rig.camera.pixel_pitch_um), ..Optics::default() },
            mount: self.rig.mount.as_noted(),
            linear_values: self.rig.format == FrameFormat::LinearTiff,
            foreground,
            ..empty_notes()
        };
        let body = write_ron(&notes).unwrap_or_default();
        format!("// Shoot notes: what the camera did not record. See README.md, \"Shoot notes\".\n{body}\n")
    }
}

/// The Moon's mean radiance, for the light it sheds on the sky.
struct ShadowMean;

impl ShadowMean {
    fn of(moon: &MoonDisc, danjon: f64) -> f64 {
        let light = crate::sky::ShadowLight::new(
            moon.shadow.umbra_radius,
            moon.shadow.penumbra_radius,
            Danjon { scale: danjon },
        );
        light.mean_over_disc(moon.semidiameter, moon.shadow.separation())[1]
    }
}

fn mirrored(image: &LinearImage) -> LinearImage {
    let mut out = image.clone();
    let width = image.width();
    out.data_mut().chunks_exact_mut(3 * width).zip(image.data().chunks_exact(3 * width)).for_each(|(to, from)| {
        to.chunks_exact_mut(3).zip(from.chunks_exact(3).rev()).for_each(|(t, f)| t.copy_from_slice(f));
    });
    out
}
