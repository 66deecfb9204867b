//! How often to fire, and what a night of it takes.

use super::timetable::apparent_rate;
use super::{PlanRequest, span};
use crate::simulate::RehearsedRig;
use crate::sky::apparent_moon;
use serde::Serialize;

/// How often to fire.
#[derive(Clone, Debug, Serialize)]
pub struct Interval {
    /// Discs of a trail just touch at this interval, seconds; shorter ones overlap.
    pub touching_s: f64,
    /// Discs stand a diameter apart, and contacts fall near frames, at this interval, seconds.
    pub even_s: f64,
    /// What the rig's file asks for, seconds.
    pub in_file_s: f64,
    /// Frames of the whole eclipse at the file's interval, brackets and landscapes counted.
    pub frames: usize,
    /// Room on the card, GB, at 1.3 bytes a pixel (compressed raw; common practice, no source).
    pub card_gb: f64,
    /// How long the camera must run, hours.
    pub battery_hours: f64,
}

const BYTES_PER_PIXEL: f64 = 1.3;

pub(super) fn advise(request: &PlanRequest<'_>, rig: &RehearsedRig) -> Interval {
    let (first, last) = span(request.eclipse);
    // The Moon's pace over the night differs by a percent or two; the slowest decides.
    let touching_s = (0..=8)
        .map(|i| {
            let at = first.plus_seconds(last.seconds_since(first) * f64::from(i) / 8.0);
            2.0 * apparent_moon(&request.observer, at).semidiameter.radians() / apparent_rate(request, at)
        })
        .fold(0.0, f64::max);
    // A whole number of intervals from first to last contact, nearest to twice the touching one.
    let length = last.seconds_since(first);
    let even_s = length / (length / (2.0 * touching_s)).round().max(1.0);
    let in_file_s = rig.frames.every_minutes * 60.0;
    // Lead and tail may be negative: of a short eclipse nothing may be left.
    let battery_s = (length + 60.0 * (rig.frames.lead_minutes + rig.frames.tail_minutes)).max(0.0);
    let moments = rig.instants(request.eclipse).len();
    let frames = moments * rig.frames.bracket_stops.len().max(1) + rig.foreground.len();
    let pixels = (rig.camera.width_px * rig.camera.height_px) as f64;
    Interval {
        touching_s,
        even_s,
        in_file_s,
        frames,
        card_gb: frames as f64 * pixels * BYTES_PER_PIXEL / 1e9,
        battery_hours: battery_s / 3600.0,
    }
}
