//! What a night's frames suggest for its shoot notes, where there are none yet.

use super::median;
use crate::camera::Mount;
use crate::ingest::Night;
use crate::registration::{FrameRegistration, Registration, Status, landscape_of};
use crate::sky::MEAN_SEMIDIAMETER_RAD;
use crate::units::Instant;

/// What the frames of a night's first rig suggest.
#[derive(Clone, Debug, PartialEq)]
pub struct Suggestion {
    /// What held the camera; `Unknown` where too few frames tell.
    pub mount: Mount,
    /// In how many of the steps from frame to frame that shows, and how many there are.
    pub steps: (usize, usize),
    /// Pixels per radian, by the Moon's size; within 7 %, as far as the Moon's own size goes over the years.
    pub focal_length_px: Option<f64>,
    /// A frame that shows the landscape and no Moon, where the camera stood still.
    pub landscape: Option<String>,
}

/// Pixels spaced more closely than this, micrometres, no sensor has (0.56 in phones of 2022, from memory).
pub const LEAST_PITCH_UM: f64 = 0.5;

/// How fast the Moon crosses a camera that stands still, radians a second: the sky's 15.04" less its own mean motion of
/// 0.55" (13.18 degrees a day), a tenth slower at its greatest declination.
const DRIFT: f64 = 14.0 / 206_264.806;
/// How far from that a step may lie: the declination takes a tenth, the Moon's size of the night 7 %, glare around a Moon of a
/// few pixels a fifth of its radius.
const AS_THE_SKY: std::ops::RangeInclusive<f64> = 0.7..=1.2;
/// A mount that follows the sky, at its own rate or the Moon's, lets the Moon wander evenly: each step lies this near, radii,
/// to what the median of all says; a hand does not aim so (common practice, no source).
const EVENLY: f64 = 0.12;
/// And by less than this, radii a second: the Moon's own motion and a drift as large.
const FOLLOWED: f64 = 2.0 * 0.55 / 206_264.806 / MEAN_SEMIDIAMETER_RAD;
/// Steps that make a kind of mount, and their share of all.
const FEWEST_STEPS: usize = 3;
const MOST_STEPS: f64 = 0.7;

/// One step of the Moon over the frames.
struct Step {
    /// Of the way that it takes over a camera which stands still.
    as_drift: f64,
    /// To the right and down, in its own radii.
    radii: (f64, f64),
    seconds: f64,
}

/// Moons of fewer pixels tell no plate scale: blur and glare are a part of their radius.
const LEAST_RADIUS_PX: f64 = 20.0;

fn step(a: &FrameRegistration, b: &FrameRegistration) -> Option<Step> {
    let seconds = b.time?.seconds_since(a.time?);
    let radius = (a.radius_px()? + b.radius_px()?) / 2.0;
    // In radii: a wide lens stretches the disc as it does the way.
    let (from, to) = (a.centre()?, b.centre()?);
    let radii = ((to.x - from.x) / radius.max(1.0), (to.y - from.y) / radius.max(1.0));
    // Over many hours a straight line is no measure of the way; in a few seconds nothing moves.
    (20.0..7200.0).contains(&seconds).then(|| Step {
        as_drift: radii.0.hypot(radii.1) * MEAN_SEMIDIAMETER_RAD / (DRIFT * seconds),
        radii,
        seconds,
    })
}

/// What the frames suggest: how the mount moved, by the Moon's steps from frame to frame, and a landscape.
pub fn suggest(night: &Night, registration: &Registration) -> Suggestion {
    const RIG: usize = 0;
    let mut seen: Vec<&FrameRegistration> =
        registration.frames.iter().filter(|f| f.rig == RIG && f.status() == Status::Measured).collect();
    let time = |f: &FrameRegistration| f.time.map_or(f64::INFINITY, Instant::tt_seconds);
    seen.sort_by(|a, b| time(a).total_cmp(&time(b)));
    let steps: Vec<Step> = seen.windows(2).filter_map(|pair| step(pair[0], pair[1])).collect();
    let radius = median(seen.iter().filter_map(|f| f.radius_px()).collect());
    let by_size = radius.filter(|r| *r >= LEAST_RADIUS_PX).map(|r| r / MEAN_SEMIDIAMETER_RAD);
    let focal_length_px = registration.rigs.get(RIG).and_then(|r| r.focal_length_px).or(by_size);
    let count = |of: &dyn Fn(&Step) -> bool| steps.iter().filter(|s| of(s)).count();
    let still = count(&|s| AS_THE_SKY.contains(&s.as_drift));
    let rate = (
        median(steps.iter().map(|s| s.radii.0 / s.seconds).collect()).unwrap_or(0.0),
        median(steps.iter().map(|s| s.radii.1 / s.seconds).collect()).unwrap_or(0.0),
    );
    let even = |s: &Step| (s.radii.0 - rate.0 * s.seconds).hypot(s.radii.1 - rate.1 * s.seconds) < EVENLY;
    let followed = count(&|s| rate.0.hypot(rate.1) < FOLLOWED && even(s));
    let many = |n: usize| n >= FEWEST_STEPS && n as f64 >= MOST_STEPS * steps.len() as f64;
    let (mount, shown) = if many(still) {
        (Mount::FixedTripod, still)
    } else if many(followed) {
        (Mount::Tracking, followed)
    } else if steps.len() >= FEWEST_STEPS {
        (Mount::ReaimedTripod, steps.len() - still.max(followed))
    } else {
        (Mount::Unknown, 0)
    };
    let moonless = |name: &str| registration.frame(name).is_some_and(|f| f.centre().is_none());
    let landscape = (mount == Mount::FixedTripod).then(|| landscape_of(night, registration, RIG)).flatten();
    let landscape = landscape.filter(|f| moonless(&f.name));
    Suggestion { mount, steps: (shown, steps.len()), focal_length_px, landscape: landscape.map(|f| f.name.clone()) }
}
