//! One rig's night, and one exposure of it.

use super::mishaps::Befallen;
use super::scenario::{RehearsedRig, Scenario};
use crate::sky::{Lens, LunarEclipse, Observer, Refraction};
use crate::units::{Angle, Exposure, Instant};

/// One exposure to come.
pub(super) struct Shot {
    pub(super) opens: Instant,
    pub(super) exposure: Exposure,
    pub(super) file: String,
    pub(super) foreground: bool,
    /// What goes wrong with it.
    pub(super) befallen: Befallen,
}

/// What stays as it is for all frames of a rig.
pub(super) struct RehearsedNight<'a> {
    pub(super) scenario: &'a Scenario,
    pub(super) rig: &'a RehearsedRig,
    pub(super) observer: Observer,
    pub(super) air: Refraction,
    pub(super) lens: Lens,
    pub(super) offset_s: i64,
    /// The night's eclipse: to be looked for once, not for each frame.
    pub(super) eclipse: LunarEclipse,
    /// When the rig's first frame of the Moon begins.
    pub(super) first: Instant,
    /// The azimuth around which lamps stand: where the rig looks, or the Moon at greatest eclipse.
    pub(super) lamps_around: Angle,
    pub(super) seed: u64,
}
