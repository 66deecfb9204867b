//! What to take along, when to be there, and which of the coming eclipses is worth the way.

use super::timetable::local;
use super::{EclipseSummary, PlanRequest, RigPlan, span};
use crate::camera::Camera;
use crate::sky::Contact;
use crate::units::{Angle, Instant};
use serde::Serialize;

/// What to take and when to be there.
#[derive(Clone, Debug, Serialize)]
pub struct Recommendation {
    /// When to begin, local time.
    pub begin: String,
    /// When to stop, local time.
    pub stop: String,
    /// The longest of the lenses that hold the whole track, else the one that holds the longest part of it in one aim.
    pub for_the_track: Option<String>,
    /// The lens whose Moon comes nearest to filling a quarter to two thirds of the short side.
    pub for_the_disc: Option<String>,
}

/// Before U1 and after U4 the uneclipsed Moon is taken, for its light and colour (common practice, no source), minutes.
const AROUND_MINUTES: f64 = 20.0;
/// A lens that holds less of the way in one aim, minutes, shows none.
const LEAST_HELD_MINUTES: f64 = 30.0;
/// The Moon is looked for so often, seconds.
const STEP_S: f64 = 60.0;
/// Shares of the short side that a Moon well fills: room for its drift around it (common practice, no source).
const WELL_FILLED: (f64, f64) = (0.25, 2.0 / 3.0);

/// Focal lengths at which the Moon fills a quarter and two thirds of a sensor's short side, millimetres.
pub(super) fn close_focal_lengths_mm(camera: &Camera, semidiameter: Angle) -> (f64, f64) {
    let short_mm = camera.short_side_px() as f64 * camera.pixel_pitch_um / 1000.0;
    let at = |share: f64| share * short_mm / (2.0 * semidiameter.radians().tan());
    (at(WELL_FILLED.0), at(WELL_FILLED.1))
}

/// How far a disc is from filling the frame well, in stops of focal length.
fn off_filling(rig: &RigPlan) -> f64 {
    let share = rig.moon_share_of_short_side;
    (WELL_FILLED.0 / share).max(share / WELL_FILLED.1).log2().max(0.0)
}

pub(super) fn recommend(request: &PlanRequest<'_>, rigs: &[RigPlan]) -> Option<Recommendation> {
    let (first, last) = span(request.eclipse);
    let umbral = request.eclipse.at(Contact::U1).zip(request.eclipse.at(Contact::U4));
    let (from, until) = umbral.map_or((first, last), |(u1, u4)| {
        (u1.plus_seconds(-60.0 * AROUND_MINUTES), u4.plus_seconds(60.0 * AROUND_MINUTES))
    });
    let steps = (until.seconds_since(from) / STEP_S).ceil() as usize;
    let seen: Vec<Instant> =
        (0..=steps).map(|i| from.plus_seconds(STEP_S * i as f64)).filter(|at| request.sees(*at)).collect();
    let (begin, stop) = (*seen.first()?, *seen.last()?);
    let held = |rig: &RigPlan| rig.framing.one_aim.as_ref().map_or(0.0, |a| a.minutes);
    let whole = rigs.iter().filter(|r| r.framing.track_fits);
    let for_the_track = whole
        .max_by(|a, b| a.moon_diameter_px.total_cmp(&b.moon_diameter_px))
        .or(rigs.iter().filter(|r| held(r) >= LEAST_HELD_MINUTES).max_by(|a, b| held(a).total_cmp(&held(b))));
    // Of several that fill it well, the longest.
    let for_the_disc = rigs.iter().min_by(|a, b| {
        off_filling(a).total_cmp(&off_filling(b)).then(b.moon_diameter_px.total_cmp(&a.moon_diameter_px))
    });
    Some(Recommendation {
        begin: local(&request.zone, begin),
        stop: local(&request.zone, stop),
        for_the_track: for_the_track.map(|r| r.name.clone()),
        for_the_disc: for_the_disc.map(|r| r.name.clone()),
    })
}

/// Eclipses that a site sees, the best first: by how much of totality it sees, then of the partial phase, then by how high the
/// Moon stands; those of which nothing but penumbra is seen come last, by time.
pub fn best_first(mut eclipses: Vec<EclipseSummary>) -> Vec<EclipseSummary> {
    let worth = |e: &EclipseSummary| {
        e.visibility.as_ref().map_or((0.0, 0.0, 0.0), |v| {
            let partial = v.partial.unwrap_or(0.0);
            // A partial eclipse is worth as much as of the Moon it covers; below ten degrees haze eats it.
            let covered = partial * e.umbral_magnitude.clamp(0.0, 1.0);
            let height = (v.altitude_at_greatest_deg / 10.0).clamp(0.0, 1.0);
            (v.total.unwrap_or(0.0) * height.max(0.2), covered, v.altitude_at_greatest_deg)
        })
    };
    eclipses.retain(|e| e.visibility.as_ref().is_some_and(|v| v.penumbral > 0.0));
    eclipses.sort_by(|a, b| {
        let (a, b) = (worth(a), worth(b));
        b.0.total_cmp(&a.0).then(b.1.total_cmp(&a.1)).then(b.2.total_cmp(&a.2))
    });
    eclipses
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_moon_fills_a_full_frame_at_the_usual_focal_lengths() {
        // Common practice, no source: a hundredth of the focal length is the Moon's diameter; 24 mm high, it fills a quarter at
        // some 650 mm and two thirds at some 1750.
        let camera = Camera { width_px: 6000, height_px: 4000, pixel_pitch_um: 6.0, focal_length_mm: 50.0, k1: 0.0 };
        let (least, most) = close_focal_lengths_mm(&camera, Angle::from_arcsec(932.0));
        assert!((least - 664.0).abs() < 2.0 && (most / least - 8.0 / 3.0).abs() < 1e-9, "{least} {most}");
    }
}
