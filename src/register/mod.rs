//! The Moon in every frame: its disc frame by frame, then one solution for the sequence.
//!
//! In a frame: `sky_level` puts it on a log-like scale relative to its own sky; `candidates` lets edges
//! vote for centres; `limb` measures the limb along rays (`edge_profile` places each edge); `circle`
//! fits it; `small_disc` models the whole image of a disc of a few pixels and `faint` finds one that
//! drowns in noise. `frame` is a frame made ready, `look` one disc of it with what is kept (`cutout`),
//! `search` all of them.
//!
//! Across the night: `sky_place` says where the Moon stood; `aim` solves what the mount did (`pointing`:
//! a fixed tripod from knock to knock; `tracking`: a mount that follows the sky); `rejection` names what
//! is not the Moon; `features` and `orientation` turn discs by their seas and `steady` ties their centres;
//! `shadow_clock` reads the camera's clock off the Earth's shadow; `light_ratio` tells cloud; `sequence` joins
//! those for one rig, and `entries` writes it down.
//! `file` keeps the result as RON that a person may edit.

mod aim;
mod candidates;
mod circle;
mod cutout;
mod edge_profile;
mod entries;
mod faint;
mod features;
mod file;
mod frame;
mod light_ratio;
mod limb;
mod look;
mod orientation;
mod pointing;
mod rejection;
mod search;
mod sequence;
mod shadow_clock;
mod sky_level;
mod sky_place;
mod small_disc;
mod steady;
mod tracking;

pub use file::{read_registration, registration_csv, registration_text};
pub use frame::DiscFit;
pub use orientation::{MountRotation, Orientation, OrientationSource};
pub use pointing::PointingSolution;
pub use rejection::{Rejection, RejectionReason};
pub use shadow_clock::ClockEstimate;
pub use tracking::{Drift, TrackingSolution, Wobble};

use crate::diag::{Diagnostic, Warned};
use crate::ingest::Night;
use crate::raster::{CodedPlane, PixelPoint};
use crate::units::Instant;
use rayon::prelude::*;
use serde::{Deserialize, Serialize};

/// What is known of the Moon's place in a frame.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
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
    /// Which way up the frame shows the Moon; `None` where nothing tells.
    pub orientation: Option<Orientation>,
    /// Light of the disc against the clear frames of the night, exposure, phase and altitude allowed
    /// for: 1 is clear, well below is cloud. `None` where the disc is saturated or nothing is predicted.
    pub light_ratio: Option<f64>,
    /// How good the disc is.
    pub fit: Option<DiscFit>,
    /// Lights that were taken for discs and are not the Moon.
    pub rejected: Vec<Rejection>,
    /// Whether the notes call it a foreground frame.
    pub foreground: bool,
    /// Set by a person: never use this frame.
    pub exclude: bool,
    /// Why the Moon is absent or inferred.
    pub reason: Option<String>,
}

/// What was solved for one rig.
#[derive(Clone, Debug)]
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
        pointing::at(&self.pointings, instant)
    }
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
    /// This registration and another camera's of the same night: its rigs come after, its frames by the names that
    /// [`Night::join`] gave them.
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

    /// A frame by its file name.
    pub fn frame(&self, file: &str) -> Option<&FrameRegistration> {
        self.frames.iter().find(|f| f.file == file)
    }
    /// How many frames have a status.
    pub fn count(&self, status: Status) -> usize {
        self.frames.iter().filter(|f| f.status == status).count()
    }
}

/// Whose time is trusted.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum ClockSource {
    /// The frames' and the shoot notes'.
    #[default]
    Frames,
    /// The Earth's shadow's, for each rig that shows enough of it.
    Shadow,
}

/// Finds the Moon in every frame of a night. `progress` is told of each frame looked at.
///
/// Frames of different rigs are solved apart. A frame that cannot be read is `Absent` with its
/// reason, and a warning; the night goes on. Each frame is decoded once, some twice; what is kept of
/// one is a few dozen kilobytes.
///
/// # Accuracy
/// On rehearsed frames (`tests/suite/matrix.rs` prints the table): centres within 0.1 px or 0.3 % of the
/// radius in the median, radius within 1 %, orientation within 0.5 degrees from 150 px on, the clock
/// within 15 s from a whole sequence of partial phases.
pub fn register(night: &Night, clock: ClockSource, progress: &(dyn Fn(&str) + Sync)) -> Warned<Registration> {
    let results: Vec<_> =
        (0..night.rigs.len()).into_par_iter().map(|rig| sequence::register_rig(night, rig, clock, progress)).collect();
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
    if clock == ClockSource::Shadow && registration.rigs.iter().all(|r| r.clock.is_none()) {
        diagnostics.push(
            Diagnostic::warning("clock-unread", "the Earth's shadow tells no time in these frames; their own is kept")
                .with_help("it takes a site and at least five partial phases of 30 px radius or more"),
        );
    }
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
    let below = |f: &&FrameRegistration| f.reason.as_deref() == Some(entries::BELOW_HORIZON);
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
        if fixed && frames >= 4 && rig.pointings.is_empty() {
            out.push(
                Diagnostic::warning(
                    "pointing-unsolved",
                    "the Moons found do not lie on the Moon's track for this site, clock and tripod",
                )
                .with_help("check the site, the clock's `utc_offset` and `mount` in shoot.ron"),
            );
        }
        out.extend(rig.pointings.iter().filter(|p| is_doubtful(p)).take(1).map(|p| {
            Diagnostic::warning(
                "aim-doubtful",
                format!(
                    "the solved aim (altitude {:.0}\u{b0}, roll {:.0}\u{b0}, residual {:.1} px) hardly fits the site and clock",
                    p.pointing.altitude.degrees(),
                    p.pointing.roll.normalized_signed().degrees(),
                    p.rms_px
                ),
            )
            .with_help("check the site, the clock's `utc_offset` and `mount` in shoot.ron")
        }));
        for knock in rig.pointings.iter().filter_map(|p| p.from) {
            out.push(
                Diagnostic::note(
                    "tripod-touched",
                    format!("the tripod points elsewhere from {} on; both parts are solved", knock.to_iso_utc()),
                )
                .with_help("a picture on one backplate shows the other part's discs where the sky had them"),
            );
        }
        out.extend(rig.clock.as_ref().and_then(clock_remark));
    }
    out
}

/// Whether an aim fits so badly, or stands so oddly, that the site or the clock must be wrong: another sky's
/// track bends otherwise, and only a camera on its head can follow it.
fn is_doubtful(solved: &PointingSolution) -> bool {
    let upside_down = solved.pointing.roll.normalized_signed().degrees().abs() > 100.0;
    (solved.rms_px > 0.8 && solved.frames >= 8) || upside_down
}

/// What has to be said of a clock that is far off.
fn clock_remark(clock: &ClockEstimate) -> Option<Diagnostic> {
    if !clock.is_far_off() {
        return None;
    }
    let words = format!("by the Earth's shadow, the {}", clock_words(clock));
    let help = match clock.zone_slip_s() {
        Some(slip) => format!(
            "it looks like a time zone or summer time {:+.2} h off: mend `clock: (utc_offset: …)` in shoot.ron",
            slip / 3600.0
        ),
        None => "register with `--clock from-shadow`, or write `clock: (ahead_s: …)` into shoot.ron".into(),
    };
    Some(Diagnostic::warning("clock-far-off", words).with_help(help))
}

/// A clock's error in words: "camera clock 43 s \u{b1} 8 s ahead of UTC".
pub fn clock_words(clock: &ClockEstimate) -> String {
    let side = if clock.ahead_s < 0.0 { "behind" } else { "ahead of" };
    let put_right = if clock.put_right { ", put right" } else { "" };
    format!("camera clock {:.0} s \u{b1} {:.0} s {side} UTC{put_right}", clock.ahead_s.abs(), clock.sigma_s.max(1.0))
}

/// Discs in a bare picture, of which nothing is known: best first.
pub fn find_in_picture(picture: &CodedPlane) -> Vec<DiscFit> {
    let long = picture.width().max(picture.height()) as f64;
    let found = search::find_discs(&frame::Measured::of_unknown_camera(picture), &sequence::bare_expectation(long), 4);
    found.into_iter().map(|look| look.fit).collect()
}
