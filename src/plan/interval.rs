//! How often to fire, and what a night of it takes.

use super::exposure::{exposure_at, shutters};
use super::timetable::apparent_rate;
use super::{PlanRequest, span};
use crate::camera::{Firing, Setup};
use crate::sky::apparent_moon;
use crate::units::Instant;
use serde::Serialize;

/// How often to fire.
#[derive(Clone, Debug, Serialize)]
pub struct Interval {
    /// Discs of a trail just touch at this interval, seconds; shorter ones overlap.
    pub touching_s: f64,
    /// Discs stand a diameter apart, and contacts fall near frames, at this interval, seconds.
    pub even_s: f64,
    /// What the rig's file asks for, seconds; null where none says.
    pub in_file_s: Option<f64>,
    /// Frames of the whole eclipse at the file's interval, else at the even one, brackets and landscapes counted.
    pub frames: usize,
    /// Room on the card, GB, at 1.3 bytes a pixel (compressed raw; common practice, no source).
    pub card_gb: f64,
    /// How long the camera must run, hours.
    pub battery_hours: f64,
}

const BYTES_PER_PIXEL: f64 = 1.3;

pub(super) fn advise(request: &PlanRequest<'_>, rig: &Setup) -> Interval {
    let (first, last) = span(request.eclipse);
    let length = last.seconds_since(first);
    let even_s = even_s(request);
    // Lead and tail may be negative: of a short eclipse nothing may be left.
    let lead_tail = rig.firing.as_ref().map_or(0.0, |f| 60.0 * (f.lead_minutes + f.tail_minutes));
    // Where exposures are settled, each moment has one, or the camera's own bracket; else those that the schedule lists.
    let taken: usize = if rig.exposures.is_empty() {
        let seen = instants(request, rig).into_iter().filter(|at| request.sees(*at));
        seen.map(|at| shutters(&exposure_at(request, rig, at), rig.bracket_stops()).0.len()).sum()
    } else {
        instants(request, rig).len() * rig.bracket_stops().len().max(1)
    };
    let frames = taken + rig.foreground.len();
    let pixels = (rig.camera.width_px * rig.camera.height_px) as f64;
    Interval {
        touching_s: touching_s(request),
        even_s,
        in_file_s: rig.firing.as_ref().map(|f| f.every_minutes * 60.0),
        frames,
        card_gb: frames as f64 * pixels * BYTES_PER_PIXEL / 1e9,
        battery_hours: (length + lead_tail).max(0.0) / 3600.0,
    }
}

/// Seconds in which the Moon goes its own diameter. Its pace over the night differs by a percent or two; the slowest decides.
fn touching_s(request: &PlanRequest<'_>) -> f64 {
    let (first, last) = span(request.eclipse);
    (0..=8)
        .map(|i| {
            let at = first.plus_seconds(last.seconds_since(first) * f64::from(i) / 8.0);
            2.0 * apparent_moon(&request.observer, at).semidiameter.radians() / apparent_rate(request, at)
        })
        .fold(0.0, f64::max)
}

/// A whole number of intervals from first to last contact, nearest to twice the touching one.
fn even_s(request: &PlanRequest<'_>) -> f64 {
    let (first, last) = span(request.eclipse);
    let length = last.seconds_since(first);
    length / (length / (2.0 * touching_s(request))).round().max(1.0)
}

/// When a camera fires: as is settled, else so that discs stand a diameter apart.
pub(super) fn instants(request: &PlanRequest<'_>, rig: &Setup) -> Vec<Instant> {
    let even = || Firing {
        every_minutes: even_s(request) / 60.0,
        lead_minutes: 0.0,
        tail_minutes: 0.0,
        also_at: Vec::new(),
        bracket_stops: Vec::new(),
    };
    rig.firing.clone().unwrap_or_else(even).instants(request.eclipse)
}
