//! The Moon in every frame: its disc frame by frame, then one solution for the sequence.
//!
//! `sky_level` puts a frame on a log-like scale relative to its own sky; `candidates` lets edges vote
//! for centres; `limb` measures the limb along rays (`edge_profile` places each edge); `circle` fits it; `frame` joins those for one
//! frame. `pointing` solves a fixed tripod's aim; `sequence` makes the night agree. `file` keeps the
//! result as RON that a person may edit.

mod candidates;
mod circle;
mod edge_profile;
mod file;
mod frame;
mod limb;
mod pointing;
mod sequence;
mod sky_level;
mod small_disc;

pub use file::{read_registration, registration_csv, registration_text};
pub use frame::DiscFit;
pub use limb::LimbPoint;
pub use pointing::PointingSolution;

use crate::diag::{Diagnostic, Warned};
use crate::ingest::Night;
use crate::raster::{LinearImage, PixelPoint};
use rayon::prelude::*;

/// What is known of the Moon's place in a frame.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Status {
    /// Measured in this frame.
    Measured,
    /// Known from the sequence, not measured in this frame.
    Inferred,
    /// Not in this frame, or not found.
    Absent,
}

/// One frame of a registration.
#[derive(Clone, Debug, PartialEq)]
pub struct FrameRegistration {
    /// File name.
    pub file: String,
    /// Index of its rig.
    pub rig: usize,
    /// Measured, inferred or absent.
    pub status: Status,
    /// Middle of the exposure, UTC.
    pub utc: Option<String>,
    /// Centre of the disc, pixels.
    pub centre: Option<PixelPoint>,
    /// Radius of the circle of the disc's area, pixels.
    pub radius_px: Option<f64>,
    /// Standard deviation of the centre, pixels.
    pub centre_sigma_px: Option<f64>,
    /// Share of the disc's area in the umbra, by the ephemeris.
    pub umbral_fraction: Option<f64>,
    /// How good the disc is.
    pub fit: Option<DiscFit>,
    /// Whether the notes call it a foreground frame.
    pub foreground: bool,
    /// Set by a person: never use this frame.
    pub exclude: bool,
    /// Why the Moon is absent or inferred.
    pub reason: Option<String>,
}

/// What was solved for one rig.
#[derive(Clone, Copy, Debug)]
pub struct RigSolution {
    /// Width of its frames.
    pub width: usize,
    /// Height of its frames.
    pub height: usize,
    /// Pixels per radian at the optical axis: the plate scale.
    pub focal_length_px: Option<f64>,
    /// Aim of a fixed tripod.
    pub pointing: Option<PointingSolution>,
}

/// Everything found in a folder of frames.
#[derive(Clone, Debug)]
pub struct Registration {
    /// Rigs, as in the night.
    pub rigs: Vec<RigSolution>,
    /// Frames, as in the night.
    pub frames: Vec<FrameRegistration>,
}

impl Registration {
    /// A frame by its file name.
    pub fn frame(&self, file: &str) -> Option<&FrameRegistration> {
        self.frames.iter().find(|f| f.file == file)
    }
    /// How many frames have a status.
    pub fn count(&self, status: Status) -> usize {
        self.frames.iter().filter(|f| f.status == status).count()
    }
}

/// Finds the Moon in every frame of a night. `progress` is told of each frame looked at.
///
/// Frames of different rigs are solved apart. A frame that cannot be read is `Absent` with its
/// reason, and a warning; the night goes on.
///
/// # Accuracy
/// On rehearsed frames (`tests/suite/truth.rs` prints the table): centres within 1 % of the radius
/// for radii of 250 px and within 3 % for radii of 7-10 px, all phases.
pub fn register(night: &Night, progress: &(dyn Fn(&str) + Sync)) -> Warned<Registration> {
    let results: Vec<_> =
        (0..night.rigs.len()).into_par_iter().map(|rig| sequence::register_rig(night, rig, progress)).collect();
    let mut diagnostics = Vec::new();
    let mut slots: Vec<Option<FrameRegistration>> = vec![None; night.frames.len()];
    let mut rigs = Vec::new();
    for result in results {
        rigs.push(result.solution);
        diagnostics.extend(result.diagnostics);
        for (i, frame) in result.frames {
            slots[i] = Some(frame);
        }
    }
    let frames: Vec<FrameRegistration> = slots.into_iter().flatten().collect();
    let registration = Registration { rigs, frames };
    diagnostics.extend(remarks(night, &registration));
    Warned { value: registration, diagnostics }
}

/// What has to be said of a registration, whether it is new or was kept.
pub fn remarks(night: &Night, registration: &Registration) -> Vec<Diagnostic> {
    let mut out = Vec::new();
    let missing = |f: &&FrameRegistration| f.status == Status::Absent && !f.foreground;
    for f in registration.frames.iter().filter(missing) {
        let why = f.reason.as_deref().unwrap_or("no disc was found");
        out.push(Diagnostic::warning("moon-absent", format!("{}: {why}", f.file)));
    }
    let below = |f: &&FrameRegistration| f.reason.as_deref() == Some(sequence::BELOW_HORIZON);
    if registration.frames.iter().filter(below).count() * 3 > registration.frames.len() {
        out.push(
            Diagnostic::warning(
                "moon-below-horizon",
                "by the site and the clock the Moon was below the horizon for much of the night",
            )
            .with_help("check `site` and the clock's `utc_offset` in shoot.ron"),
        );
    }
    let fixed = night.mount() == crate::ingest::Mount::FixedTripod && night.observer().is_some();
    for (index, rig) in registration.rigs.iter().enumerate() {
        let frames = registration.frames.iter().filter(|f| f.rig == index).count();
        if fixed && frames >= 4 && rig.pointing.is_none() {
            out.push(
                Diagnostic::warning(
                    "pointing-unsolved",
                    "the Moons found do not lie on the Moon's track for this site, clock and tripod",
                )
                .with_help("check the site, the clock's `utc_offset` and `mount` in shoot.ron"),
            );
        }
    }
    out
}

/// Discs in a bare picture, of which nothing is known: best first.
pub fn find_in_picture(image: &LinearImage) -> Vec<DiscFit> {
    let plane = image.brightness();
    let long = plane.width().max(plane.height()) as f64;
    frame::find_discs(&frame::Measured::of_unknown_camera(&plane), &sequence::bare_expectation(long), 4)
}
