//! A circle through the limb that is seen near a first guess, in rounds.

use super::circle::{Circle, PlacedOn, RadiusPrior, fit_circle};
use super::frame::{Expectation, LEAST_AGREEING, LEAST_ARC_DEG, View};
use super::limb::{LimbPoint, LimbSearch, limb_points};
use super::metric::Metric;
use crate::raster::PixelPoint;

/// Largest reach of a limb search, in radii.
pub(super) const REACH: f64 = 0.30;

/// How carefully a limb is placed along each ray.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Care {
    /// Where its light falls most steeply: enough to tell a disc from what is none.
    Rough,
    /// By its whole profile.
    Exact,
}

/// A circle through the limb seen in a view, in rounds of narrowing reach.
pub(super) struct Traced {
    pub centre: PixelPoint,
    pub radius: f64,
    /// Relative to `centre`.
    pub points: Vec<LimbPoint>,
    pub circle: Circle,
    pub metric: Metric,
    pub on_codes: bool,
}

impl Traced {
    /// The limb where the Moon's is: what a glow carried outwards put back.
    pub fn limb(&self) -> Vec<LimbPoint> {
        let mut points = self.points.clone();
        for (p, carried) in points.iter_mut().zip(&self.circle.carried) {
            let (u, v) = self.metric.to_rectified(p.x, p.y);
            let share = 1.0 - carried / u.hypot(v).max(1.0);
            (p.x, p.y) = (p.x * share, p.y * share);
        }
        points
    }
}

fn placed_on(view: &View) -> PlacedOn {
    if view.on_codes { PlacedOn::Codes } else { PlacedOn::Light }
}

/// Traces the limb near a first circle, rectified, in rounds of the given reaches, each a share of the radius.
pub(super) fn trace(
    view: &View,
    expected: &Expectation<'_>,
    first: (PixelPoint, f64),
    reaches: &[f64],
    care: Care,
) -> Option<Traced> {
    let (mut centre, mut radius) = first;
    let mut last = None;
    for (round, reach) in reaches.iter().enumerate() {
        let metric = expected.shape.metric(centre);
        let search = LimbSearch {
            centre: view.inside(centre),
            metric,
            radius,
            reach: (reach * radius).max(3.0),
            noise: view.noise,
            by_profile: care == Care::Exact && round + 1 == reaches.len(),
            to_the_last: care == Care::Rough,
            faint_too: care == Care::Exact,
        };
        let points = view.shown(limb_points(&view.plane, &search), centre, metric, 1.0);
        let circle = fit_circle(&points, radius, expected.radius, placed_on(view))?;
        // Stars and corners end here, before anything costly is asked of them.
        if circle.arc_deg < 0.6 * LEAST_ARC_DEG || circle.agreeing < 0.6 * LEAST_AGREEING {
            return None;
        }
        let (dx, dy) = metric.to_pixels(circle.x, circle.y);
        let origin = centre;
        centre = PixelPoint::new(centre.x + dx, centre.y + dy);
        radius = circle.radius;
        last = Some((points, circle, metric, origin));
    }
    let (mut points, circle, metric, origin) = last?;
    if circle.carried.is_empty() {
        points.retain(|p| !p.is_faint);
    }
    for p in &mut points {
        (p.x, p.y) = metric.to_pixels(p.x, p.y);
        (p.x, p.y) = (p.x + origin.x - centre.x, p.y + origin.y - centre.y);
    }
    Some(Traced { centre, radius, points, circle, metric, on_codes: view.on_codes })
}

/// A large disc is first settled on a reduced copy of its neighbourhood.
pub(super) fn converge(
    view: &View,
    expected: &Expectation<'_>,
    first: (PixelPoint, f64),
    factor: usize,
) -> Option<(PixelPoint, f64)> {
    let copy = view.reduced(factor);
    let f = factor as f64;
    let (mut centre, mut radius) = first;
    for reach in [REACH, 0.12] {
        let at = view.inside(centre);
        let metric = expected.shape.metric(centre);
        let search = LimbSearch {
            centre: PixelPoint::new(at.x / f, at.y / f),
            metric,
            radius: radius / f,
            reach: reach * radius / f,
            noise: copy.noise,
            by_profile: false,
            to_the_last: true,
            faint_too: true,
        };
        let prior = expected.radius.map(|p| RadiusPrior { radius: p.radius / f, sigma: p.sigma / f + 0.2 });
        let points = view.shown(limb_points(&copy.plane, &search), centre, metric, f);
        let circle = fit_circle(&points, radius / f, prior, placed_on(view))?;
        let (dx, dy) = metric.to_pixels(circle.x, circle.y);
        centre = PixelPoint::new(centre.x + dx * f, centre.y + dy * f);
        radius = circle.radius * f;
    }
    Some((centre, radius))
}
