//! What was found in a night's frames, as data: the Moon in each, and what was solved of each rig.
//!
//! `detect` says what a frame's pixels show and `solve` what the night was; here is only how that is kept:
//! a [`Sighting`] a frame, with its reasons as types, a [`RigSolution`] a rig. `file` writes it as RON that a person
//! may edit and reads it back; `quality` is how good each disc is; `remarks` is what has to be said of it to people.

mod clock;
mod file;
mod landscape;
mod mount;
mod orientation;
mod quality;
mod remarks;
mod sighting;

pub use clock::{ClockEstimate, clock_words};
pub use file::{RegistrationFile, as_written, read_registration, registration_csv, registration_text};
pub use landscape::landscape_of;
pub use mount::{Drift, MountRotation, PointingSolution, TrackingSolution, Wobble, pointing_at};
pub use orientation::{Orientation, OrientationSource};
pub use quality::{Quality, Rating, is_cut};
pub use remarks::remarks;
pub use sighting::{Disc, Rejection, RejectionReason, Sighting, Status, Why};

use crate::detect::DiscFit;
use crate::ingest::Night;
use crate::raster::{PixelPoint, PixelRect};
use crate::units::{Angle, Instant};
use std::collections::BTreeMap;

/// One frame of a registration.
#[derive(Clone, Debug, PartialEq)]
pub struct FrameRegistration {
    /// File name.
    pub file: String,
    /// Index of its rig.
    pub rig: usize,
    /// Middle of the exposure.
    pub time: Option<Instant>,
    /// Where the Moon is in it, and how that is known.
    pub sighting: Sighting,
    /// Share of the disc's area in the umbra, by the ephemeris; `None` where the frame shows another phase than its
    /// time would have it.
    pub umbral_fraction: Option<f64>,
    /// Whether what the frame shows contradicts its time: its phase is then not said.
    pub phase_contradicted: bool,
    /// The part of the frame that its file tells, pixels, where it breaks off: what lay below was not seen.
    pub told: Option<PixelRect>,
    /// Which way up the frame shows the Moon; `None` where nothing tells.
    pub orientation: Option<Orientation>,
    /// Light of the disc against the clear frames of the night, exposure, phase and altitude allowed
    /// for: 1 is clear, well below is cloud. `None` where the disc is saturated or nothing is predicted.
    pub light_ratio: Option<f64>,
    /// Lights that were taken for discs and are not the Moon.
    pub rejected: Vec<Rejection>,
    /// Whether the notes call it a foreground frame.
    pub foreground: bool,
    /// What tells the file from another ([`crate::ingest::fingerprint`]).
    pub fingerprint: Option<String>,
    /// Set by a person: never use this frame.
    pub exclude: bool,
    /// Set by a person: what every picture does besides with this frame's disc.
    pub nudge: Nudge,
}

/// What a person wants done with one frame's disc, in every picture.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Nudge {
    /// Brighter by this many stops, after all exposures are evened.
    pub gain_stops: f64,
    /// Factors on red and blue.
    pub white: (f64, f64),
    /// Turned clockwise by this; not over the frame's own lens, where a disc lies as it was taken.
    pub turn: Angle,
}

impl Default for Nudge {
    fn default() -> Self {
        Nudge { gain_stops: 0.0, white: (1.0, 1.0), turn: Angle::ZERO }
    }
}

impl FrameRegistration {
    /// Measured, inferred or absent.
    pub fn status(&self) -> Status {
        self.sighting.status()
    }
    /// The disc, measured or inferred.
    pub fn disc(&self) -> Option<&Disc> {
        self.sighting.disc()
    }
    /// Centre of the disc, pixels.
    pub fn centre(&self) -> Option<PixelPoint> {
        self.disc().map(|d| d.centre)
    }
    /// Radius of the circle of the disc's area, pixels.
    pub fn radius_px(&self) -> Option<f64> {
        self.disc().map(|d| d.radius_px)
    }
    /// Standard deviation of the centre, pixels.
    pub fn centre_sigma_px(&self) -> Option<f64> {
        self.disc().map(|d| d.centre_sigma_px)
    }
    /// What was measured of the limb, and how good it is.
    pub fn fit(&self) -> Option<&DiscFit> {
        self.disc().and_then(|d| d.fit.as_ref())
    }
    /// Why the Moon is inferred or absent, in words.
    pub fn reason(&self) -> Option<String> {
        let why = self.sighting.why()?;
        // Where no Moon was measured, the brightest light that was taken for one is named with what it is.
        match (self.status(), why, self.rejected.first()) {
            (Status::Absent, why, Some(light)) if *why != Why::BelowHorizon => {
                let (x, y) = (light.centre.x, light.centre.y);
                Some(format!("{why}; a light at ({x:.0}, {y:.0}) was rejected: {}", light.reason))
            }
            _ => Some(why.to_string()),
        }
    }
}

/// What was solved for one rig: frames of one camera at one plate scale.
#[derive(Clone, Debug, PartialEq)]
pub struct RigSolution {
    /// Width of its frames.
    pub width: usize,
    /// Height of its frames.
    pub height: usize,
    /// Pixels per radian at the optical axis: the plate scale.
    pub focal_length_px: Option<f64>,
    /// Aims of a fixed tripod in the order of time: one, and one more for each knock.
    pub pointings: Vec<PointingSolution>,
    /// How the Moon wandered over the frames of a mount that follows it.
    pub tracking: Option<TrackingSolution>,
    /// Whether its frames are mirror images of the sky, where features tell.
    pub mirrored: Option<bool>,
    /// How the camera was turned on a mount that follows the sky.
    pub rotation: Option<MountRotation>,
    /// What the Earth's shadow says of its clock.
    pub clock: Option<ClockEstimate>,
}

impl RigSolution {
    /// The aim that held at an instant; the first one where no instant is known.
    pub fn pointing_at(&self, instant: Option<Instant>) -> Option<&PointingSolution> {
        pointing_at(&self.pointings, instant)
    }
}

/// Everything found in a folder of frames.
#[derive(Clone, Debug, PartialEq)]
pub struct Registration {
    /// Rigs, as in the night; a rig whose frames show several zooms is several here, those after the night's own.
    pub rigs: Vec<RigSolution>,
    /// Frames, as in the night.
    pub frames: Vec<FrameRegistration>,
}

impl Registration {
    /// This registration and another camera's of the same night: its rigs come after, its frames by the names that
    /// [`Night::join`](crate::ingest::Night::join) gave them.
    pub fn join(&mut self, other: Registration, names: &[(String, String)]) {
        let offset = self.rigs.len();
        self.rigs.extend(other.rigs);
        self.frames.extend(other.frames.into_iter().map(|mut f| {
            f.rig += offset;
            if let Some((_, new)) = names.iter().find(|(old, _)| *old == f.file) {
                f.file.clone_from(new);
            }
            f
        }));
    }

    /// Gives frames that were renamed since they were registered their new names; returns both, old and new.
    pub fn renamed(&mut self, night: &Night) -> Vec<(String, String)> {
        if self.frames.iter().all(|f| night.frame(&f.file).is_some()) {
            return Vec::new();
        }
        let strangers = night.frames.iter().filter(|frame| self.frame(&frame.name).is_none());
        let prints: BTreeMap<String, String> =
            strangers.filter_map(|frame| Some((frame.fingerprint()?, frame.name.clone()))).collect();
        let mut out = Vec::new();
        for f in self.frames.iter_mut().filter(|f| night.frame(&f.file).is_none()) {
            if let Some(new) = f.fingerprint.as_ref().and_then(|print| prints.get(print)) {
                out.push((std::mem::replace(&mut f.file, new.clone()), new.clone()));
            }
        }
        out
    }

    /// Makes frames whose files are no longer those that were registered absent: what was found in them stands nowhere in
    /// what is there now. Gives the names of those that would have been drawn.
    pub fn without_changed(&mut self, night: &Night) -> Vec<String> {
        let mut changed = Vec::new();
        for f in &mut self.frames {
            let now = night.frame(&f.file).and_then(|frame| frame.fingerprint());
            if f.fingerprint.is_some() && now.is_some() && now != f.fingerprint {
                if f.disc().is_some() && !f.exclude {
                    changed.push(f.file.clone());
                }
                f.sighting = Sighting::Absent(Why::Changed);
            }
        }
        changed
    }

    /// Takes over what a person set in an earlier registration of these frames: exclusions and nudges. Returns how many
    /// frames have some.
    pub fn keep_what_was_set(&mut self, earlier: &Registration) -> usize {
        let mut kept = 0;
        for frame in &mut self.frames {
            let Some(before) = earlier.frame(&frame.file) else { continue };
            (frame.exclude, frame.nudge) = (before.exclude, before.nudge);
            kept += usize::from(frame.exclude || frame.nudge != Nudge::default());
        }
        kept
    }

    /// Takes over the circles that a person set in an earlier registration of these frames; returns how many those are. (Nothing was
    /// measured of such a disc.)
    pub fn keep_circles_set_by_hand(&mut self, earlier: &Registration) -> usize {
        let by_hand = |f: &FrameRegistration| f.status() == Status::Measured && f.fit().is_none();
        let mut kept = 0;
        for frame in &mut self.frames {
            if let Some(before) = earlier.frame(&frame.file).filter(|f| by_hand(f)) {
                frame.sighting = before.sighting.clone();
                kept += 1;
            }
        }
        kept
    }

    /// Whether this registration names each frame of a night and no other; whether they are unchanged says
    /// [`without_changed`](Self::without_changed).
    pub fn names_just(&self, night: &crate::ingest::Night) -> bool {
        let all = night.frames.iter().all(|f| self.frame(&f.name).is_some());
        all && self.frames.iter().all(|f| night.frame(&f.file).is_some())
    }

    /// Width and height of a frame, pixels.
    pub fn size_of(&self, frame: &FrameRegistration) -> (usize, usize) {
        self.rigs.get(frame.rig).map_or((0, 0), |r| (r.width, r.height))
    }

    /// A frame by its file name.
    pub fn frame(&self, file: &str) -> Option<&FrameRegistration> {
        self.frames.iter().find(|f| f.file == file)
    }
    /// How many frames have a status.
    pub fn count(&self, status: Status) -> usize {
        self.frames.iter().filter(|f| f.status() == status).count()
    }
}
