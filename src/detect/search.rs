//! All discs of a frame: candidates, then a look at each.

use super::candidates::candidates;
use super::circle::RadiusPrior;
use super::frame::{CONFIDENT, Expectation, Measured, OnReducedCopy};
use super::look::{Look, look_at};
use crate::raster::CodedPlane;

/// Discs of a frame, best first; where grain hides every limb, those of reduced copies of it.
pub(crate) fn find_discs(frame: &Measured<'_>, expected: &Expectation<'_>, keep: usize) -> Vec<Look> {
    /// Radius below which a reduced copy would show a disc no better.
    const LEAST_RADIUS_PX: f64 = 25.0;
    let mut found = find_at_full_size(frame, expected, keep);
    for factor in [2usize, 4] {
        let f = factor as f64;
        let convincing = found.first().is_some_and(|l| l.fit.confidence() > CONFIDENT);
        if convincing || expected.to_px < LEAST_RADIUS_PX * f {
            break;
        }
        let copy = CodedPlane::from_light(frame.plane.reduced(factor));
        let measured = frame.likewise(&copy);
        let smaller = Expectation {
            from_px: (expected.from_px / f).max(LEAST_RADIUS_PX / 2.0),
            to_px: expected.to_px / f,
            shape: &OnReducedCopy(expected.shape, f),
            radius: expected.radius.map(|p| RadiusPrior { radius: p.radius / f, sigma: p.sigma / f }),
        };
        let again = find_at_full_size(&measured, &smaller, keep);
        if again.first().map_or(0.0, |l| l.fit.confidence()) > CONFIDENT {
            found = again.into_iter().map(|look| look.enlarged(f, frame)).collect();
        }
    }
    found
}

fn find_at_full_size(frame: &Measured<'_>, expected: &Expectation<'_>, keep: usize) -> Vec<Look> {
    let mut found: Vec<Look> = Vec::new();
    for place in candidates(frame.plane, expected.from_px, expected.to_px, 24) {
        let near = |f: &Look, share: f64| f.fit.centre.distance(place.centre) < share * f.fit.radius_px;
        let same_size = |f: &Look| (f.fit.radius_px / place.radius_px).ln().abs() < 0.15;
        if found.iter().any(|f| near(f, 0.25) && same_size(f) && f.fit.confidence() > 0.5) {
            continue;
        }
        let stretch = expected.shape.metric(place.centre).stretch();
        let radius = expected.radius.map_or(place.radius_px / stretch, |p| p.radius);
        let Some(look) = look_at(frame, expected, place.centre, radius, None) else { continue };
        let plausible = look.fit.radius_px > 0.7 * expected.from_px && look.fit.radius_px < 1.4 * expected.to_px;
        let known = found.iter().any(|f| f.fit.centre.distance(look.fit.centre) < 0.5 * f.fit.radius_px);
        if plausible && !known {
            found.push(look);
        }
    }
    found.sort_by(|a, b| b.fit.confidence().total_cmp(&a.fit.confidence()));
    found.truncate(keep);
    found
}
