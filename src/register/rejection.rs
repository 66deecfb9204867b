//! Lights that look like a disc and are not the Moon, and why.

use super::frame::DiscFit;
use crate::raster::PixelPoint;
use serde::{Deserialize, Serialize};
use std::fmt;

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
}

impl fmt::Display for RejectionReason {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            RejectionReason::LensGhost => "a ghost of the lens, it mirrors a brighter disc",
            RejectionReason::DoesNotMove => "it does not move with the sky",
            RejectionReason::WrongSize => "it is not of the Moon's size",
            RejectionReason::OffTrack => "the Moon's track does not pass there",
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
    pub(super) fn new(disc: &DiscFit, reason: RejectionReason) -> Self {
        Rejection { centre: disc.centre, radius_px: disc.radius_px, reason }
    }
}

/// Whether `disc` is the ghost of one of `others`: light reflected between the lens's surfaces comes to
/// lie opposite its source, through the optical axis, and is fainter. (Of its size we say nothing:
/// ghosts come in all.)
pub(super) fn is_ghost<'a>(
    disc: &DiscFit,
    mut others: impl Iterator<Item = &'a DiscFit>,
    (width, height): (usize, usize),
) -> bool {
    let reach = 0.25 * disc.radius_px + 0.008 * (width as f64).hypot(height as f64);
    others.any(|source| {
        let mirrored = PixelPoint::new(width as f64 - source.centre.x, height as f64 - source.centre.y);
        let apart = disc.centre.distance(source.centre) > disc.radius_px.max(source.radius_px);
        apart && disc.centre.distance(mirrored) < reach && disc.mean_level < 0.7 * source.mean_level
    })
}

/// Whether a light stands at the same place in at least `others` of the other frames.
pub(super) fn stands_still<'a>(disc: &DiscFit, others: impl Iterator<Item = &'a [DiscFit]>, at_least: usize) -> bool {
    let same = |d: &DiscFit| {
        d.centre.distance(disc.centre) < (0.1 * disc.radius_px).max(1.5)
            && (d.radius_px / disc.radius_px).ln().abs() < 0.25
    };
    others.filter(|discs| discs.iter().any(same)).take(at_least).count() >= at_least
}
