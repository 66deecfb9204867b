//! The Moon in one frame: measured, inferred or absent, with what each of these knows.

use crate::detect::DiscFit;
use crate::raster::PixelPoint;
use serde::{Deserialize, Serialize};
use std::fmt;

/// Which of the three a [`Sighting`] is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum Status {
    /// Measured in this frame.
    Measured,
    /// Known from the sequence, not measured in this frame.
    Inferred,
    /// Not in this frame, or not found.
    Absent,
}

/// The Moon's disc in a frame.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Disc {
    /// Its centre, pixels.
    pub centre: PixelPoint,
    /// Radius of the circle of its area as seen, pixels.
    pub radius_px: f64,
    /// Radius of the Moon inside a disc that is clipped beyond its limb, pixels, where the scale tells it.
    pub true_radius_px: Option<f64>,
    /// Standard deviation of the centre, pixels.
    pub centre_sigma_px: f64,
    /// What was measured of the limb; `None` where it was inferred, or written by a person.
    pub fit: Option<DiscFit>,
}

impl From<DiscFit> for Disc {
    fn from(fit: DiscFit) -> Self {
        Disc {
            centre: fit.centre,
            radius_px: fit.radius_px,
            true_radius_px: None,
            centre_sigma_px: fit.centre_sigma_px,
            fit: Some(fit),
        }
    }
}

impl Disc {
    /// The Moon's own radius, pixels: inside a clipped disc's glare where that is known, else as seen.
    pub fn moon_radius_px(&self) -> f64 {
        self.true_radius_px.unwrap_or(self.radius_px)
    }
}

/// What is known of the Moon's place in a frame.
#[derive(Clone, Debug, PartialEq)]
pub enum Sighting {
    /// Measured in this frame.
    Measured(Disc),
    /// Known from the sequence; and why it was not measured.
    Inferred(Disc, Why),
    /// Not in this frame, or not found; and why.
    Absent(Why),
}

impl Sighting {
    /// Which of the three it is.
    pub fn status(&self) -> Status {
        match self {
            Sighting::Measured(_) => Status::Measured,
            Sighting::Inferred(..) => Status::Inferred,
            Sighting::Absent(_) => Status::Absent,
        }
    }

    /// The disc, measured or inferred.
    pub fn disc(&self) -> Option<&Disc> {
        match self {
            Sighting::Measured(disc) | Sighting::Inferred(disc, _) => Some(disc),
            Sighting::Absent(_) => None,
        }
    }

    /// Why it was not measured.
    pub fn why(&self) -> Option<&Why> {
        match self {
            Sighting::Measured(_) => None,
            Sighting::Inferred(_, why) | Sighting::Absent(why) => Some(why),
        }
    }
}

/// Why the Moon was not measured in a frame.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[non_exhaustive]
pub enum Why {
    /// The file could not be decoded; what the decoder said.
    Unreadable(String),
    /// Nothing like a disc was found.
    NoDisc,
    /// Discs were found, none of the Moon's size in this rig.
    NoDiscOfItsSize,
    /// By site and clock the Moon was below the horizon, and nothing in the frame speaks against it.
    BelowHorizon,
    /// By the solved aim the Moon stands outside the frame.
    OutsideFrame,
    /// The aim says where it stands, and no limb is seen there.
    NoLimb,
    /// The file is another than the one that was registered.
    Changed,
}

impl fmt::Display for Why {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Why::Unreadable(why) => why,
            Why::NoDisc => "no disc was found",
            Why::NoDiscOfItsSize => "no disc of the Moon's size was found",
            Why::BelowHorizon => "the Moon is below the horizon",
            Why::OutsideFrame => "the Moon is outside the frame",
            Why::NoLimb => "no limb was found where the Moon stands",
            Why::Changed => "the file has changed since it was registered",
        })
    }
}

/// Why a light is not the Moon.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[non_exhaustive]
pub enum RejectionReason {
    /// It mirrors a brighter disc through the middle of the frame.
    LensGhost,
    /// It stays at its place in the frame while the sky moves: a lamp, a window.
    DoesNotMove,
    /// Its radius is not the Moon's in this rig.
    WrongSize,
    /// The Moon's track does not pass there.
    OffTrack,
    /// It shows neither the Moon's face nor a phase, and no other frame supports its size.
    NoMoonsFace,
}

impl fmt::Display for RejectionReason {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            RejectionReason::LensGhost => "a ghost of the lens, it mirrors a brighter disc",
            RejectionReason::DoesNotMove => "it does not move with the sky",
            RejectionReason::WrongSize => "it is not of the Moon's size",
            RejectionReason::OffTrack => "the Moon's track does not pass there",
            RejectionReason::NoMoonsFace => "it shows neither the Moon's face nor a phase of it",
        })
    }
}

/// A light that was taken for a disc and set aside.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Rejection {
    /// Its centre, pixels.
    pub centre: PixelPoint,
    /// Its radius, pixels.
    pub radius_px: f64,
    /// Why it is not the Moon.
    pub reason: RejectionReason,
}

impl Rejection {
    /// Sets a disc aside.
    pub fn new(disc: &DiscFit, reason: RejectionReason) -> Self {
        Rejection { centre: disc.centre, radius_px: disc.radius_px, reason }
    }
}
