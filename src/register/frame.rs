//! The Moon in one frame: candidates, then the limb, then the best of the circles.

use super::candidates::{Candidate, candidates};
use super::circle::{RadiusPrior, fit};
use super::limb::{LimbSearch, Metric, limb_points};
use super::sky_level::SkyLevel;
use super::small_disc::{self, Shading};
use crate::raster::{PixelPoint, Plane, TransferFunction};
use crate::sky::Lens;
use std::collections::HashMap;
use std::rc::Rc;

/// What is known before a frame is looked at.
#[derive(Clone, Copy, Debug)]
pub(super) struct Expectation {
    /// Radii to look for, pixels of the frame.
    pub from_px: f64,
    /// Largest radius.
    pub to_px: f64,
    /// The lens, when it is known: discs are then circles in rectified offsets.
    pub lens: Option<Lens>,
    /// How the air flattens the disc, when the sky is known.
    pub flattening: Option<Flattening>,
    /// The radius in rectified pixels, when the sequence has settled it.
    pub radius: Option<RadiusPrior>,
}

/// Refraction lifts the lower limb more than the upper one: at 20 degrees of altitude the disc is
/// flattened by a quarter of a percent, which would shift a crescent of known radius by as much.
#[derive(Clone, Copy, Debug)]
pub(super) struct Flattening {
    /// The zenith, clockwise from the image's up, radians.
    pub zenith_turn: f64,
    /// Airless over apparent height, a little over 1.
    pub ratio: f64,
}

/// The disc found in a frame and how good it is.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct DiscFit {
    /// Centre of the disc, pixels.
    pub centre: PixelPoint,
    /// Radius of the circle of the disc's area, pixels.
    pub radius_px: f64,
    /// Radius where the lens does not stretch it (at the optical axis), pixels.
    pub rectified_radius_px: f64,
    /// Standard deviation of the centre (the larger axis), pixels.
    pub centre_sigma_px: f64,
    /// Standard deviation of the radius, pixels.
    pub radius_sigma_px: f64,
    /// How much of the limb was seen, degrees.
    pub arc_deg: f64,
    /// Root mean square distance of limb points from the circle, pixels.
    pub residual_px: f64,
    /// Width of the limb (Gaussian sigma), pixels: blur, seeing, focus.
    pub edge_width_px: f64,
    /// Share of the disc's pixels at the top of the scale.
    pub saturated_share: f64,
    /// Light of the disc's brighter part (98th percentile over the sky, of the brightest channel
    /// where the sequence was solved), linear, 1 = saturated.
    pub disc_level: f32,
    /// Light of the sky around the disc, linear, 1 = saturated.
    pub sky_level: f32,
    /// Mean step of light at the limb over the noise.
    pub contrast: f64,
    /// Share of the limb's evidence that agrees with the circle.
    pub agreeing: f64,
}

impl DiscFit {
    /// How convincing the disc is, 0..1: arc seen, agreement, contrast.
    pub fn confidence(&self) -> f64 {
        let arc = (self.arc_deg / 150.0).min(1.0);
        let contrast = (self.contrast / 12.0).min(1.0);
        let tight = (-(self.residual_px / (0.02 * self.radius_px + 0.45)).powi(2)).exp();
        arc * self.agreeing * contrast * (0.3 + 0.7 * tight)
    }

    /// Whether it may be called a disc at all.
    fn holds(&self) -> bool {
        self.arc_deg >= 50.0
            && self.agreeing >= 0.45
            && self.contrast >= 4.0
            && self.residual_px <= 0.03 * self.radius_px + 0.7
    }
}

/// A frame made ready for measuring: brightness, noise, and a reduced copy for large discs.
pub(super) struct Measured<'a> {
    pub plane: &'a Plane,
    pub sky: SkyLevel,
    /// Where nothing is known of the camera: the brightness as the file codes it, with its noise.
    coded: Option<(Plane, f32)>,
    /// Reduced copies with their noise, by factor, made when first asked for.
    reduced: std::cell::RefCell<HashMap<usize, Rc<(Plane, f32)>>>,
}

impl<'a> Measured<'a> {
    pub fn new(plane: &'a Plane) -> Self {
        Measured { plane, sky: SkyLevel::measure(plane), coded: None, reduced: std::cell::RefCell::default() }
    }

    /// For a picture of which nothing is known. A camera's own tone curve is steeper in the dark than
    /// sRGB, so undoing sRGB leaves the limb's outer half pressed down and the disc a pixel too small;
    /// on the coded values the edge is where it looks to be.
    pub fn of_unknown_camera(plane: &'a Plane) -> Self {
        let codes = plane.data().iter().map(|v| TransferFunction::Srgb.encode(*v)).collect();
        let coded = Plane::from_data(plane.width(), plane.height(), codes).map(|codes| {
            let noise = SkyLevel::measure(&codes).noise.max(0.5 / 255.0);
            (codes, noise)
        });
        Measured { coded, ..Measured::new(plane) }
    }

    /// The plane on which edges are placed, and its noise.
    fn edges(&self) -> (&Plane, f32) {
        self.coded.as_ref().map_or((self.plane, self.sky.noise), |(plane, noise)| (plane, *noise))
    }

    fn reduced(&self, factor: usize) -> Rc<(Plane, f32)> {
        let mut copies = self.reduced.borrow_mut();
        let copy = copies.entry(factor).or_insert_with(|| {
            let plane = self.plane.reduced(factor);
            let noise = SkyLevel::measure(&plane).noise;
            Rc::new((plane, noise))
        });
        Rc::clone(copy)
    }
}

fn metric_at(expected: &Expectation, p: PixelPoint) -> Metric {
    let lens = expected.lens.map_or([[1.0, 0.0], [0.0, 1.0]], |lens| lens.local_metric(p));
    let Some(f) = expected.flattening else { return Metric::new(lens) };
    // Stretch along the zenith's direction: I + (ratio - 1) n n^T, n = (right, down).
    let (s, c) = f.zenith_turn.sin_cos();
    let (n, k) = ([s, -c], f.ratio - 1.0);
    let stretch = |r: usize, q: usize| f64::from(u8::from(r == q)) + k * n[r] * n[q];
    let cell = |r: usize, q: usize| stretch(r, 0) * lens[0][q] + stretch(r, 1) * lens[1][q];
    Metric::new([[cell(0, 0), cell(0, 1)], [cell(1, 0), cell(1, 1)]])
}

/// Fits the limb near a place; `radius` is rectified.
///
/// `shading` is the shadow's light over the disc, for small discs.
pub(super) fn fit_at(
    frame: &Measured<'_>,
    expected: &Expectation,
    centre: PixelPoint,
    radius: f64,
    shading: Option<Shading<'_>>,
) -> Option<DiscFit> {
    let mut at = centre;
    let mut radius = radius;
    // Large discs are first settled on a reduced copy of their neighbourhood.
    let factor = (radius / 45.0).floor() as usize;
    if factor >= 2 && factor > frame.plane.width().min(frame.plane.height()) / 16 {
        return None;
    }
    if factor >= 2 {
        let copy = frame.reduced(factor);
        let (reduced, noise) = (&copy.0, copy.1);
        let f = factor as f64;
        for reach in [0.30, 0.12] {
            let search = LimbSearch {
                centre: PixelPoint::new(at.x / f, at.y / f),
                metric: metric_at(expected, at),
                radius: radius / f,
                reach: reach * radius / f,
                noise,
                by_profile: false,
            };
            let prior = expected.radius.map(|p| RadiusPrior { radius: p.radius / f, sigma: p.sigma / f + 0.2 });
            let circle = fit(&limb_points(reduced, &search), radius / f, prior)?;
            let (dx, dy) = search.metric.to_pixels(circle.x, circle.y);
            at = PixelPoint::new(at.x + dx * f, at.y + dy * f);
            radius = circle.radius * f;
        }
    }
    let mut last = None;
    let reaches = if factor >= 2 { [0.06, 0.04, 0.04] } else { [0.30, 0.15, 0.12] };
    let (plane, noise) = frame.edges();
    for (round, reach) in reaches.into_iter().enumerate() {
        let search = LimbSearch {
            centre: at,
            metric: metric_at(expected, at),
            radius,
            reach: (reach * radius).max(3.0),
            noise,
            by_profile: round > 0,
        };
        let points = limb_points(plane, &search);
        let circle = fit(&points, radius, expected.radius)?;
        let (dx, dy) = search.metric.to_pixels(circle.x, circle.y);
        at = PixelPoint::new(at.x + dx, at.y + dy);
        radius = circle.radius;
        last = Some((points, circle, search.metric));
    }
    let (points, circle, metric) = last?;
    let count: f64 = points.iter().map(|p| p.weight).sum::<f64>().max(1e-9);
    let mean = |f: fn(&super::limb::LimbPoint) -> f64| points.iter().map(|p| p.weight * f(p)).sum::<f64>() / count;
    let stretch = metric.stretch();
    let mut centre_sigma_px = (circle.covariance[(0, 0)] + circle.covariance[(1, 1)]).sqrt() * stretch;
    let mut edge_width_px = mean(|p| p.width_px);
    // With the radius settled a small disc is placed by the model of its whole image.
    if let Some(known) = expected.radius.filter(|_| radius * stretch < small_disc::LARGEST_PX)
        && let Some(model) = small_disc::fit_model(frame.plane, at, metric, known.radius, frame.sky.noise, shading)
    {
        at = model.centre;
        centre_sigma_px = model.sigma_px;
        edge_width_px = model.blur_px;
        radius = known.radius;
    }
    let (saturated_share, high) = light_of_disc(frame.plane, at, radius * stretch);
    let fit = DiscFit {
        centre: at,
        radius_px: radius * stretch,
        rectified_radius_px: radius,
        centre_sigma_px,
        radius_sigma_px: circle.covariance[(2, 2)].sqrt() * stretch,
        arc_deg: circle.arc_deg,
        residual_px: circle.residual,
        edge_width_px,
        saturated_share,
        disc_level: (high - frame.sky.at(at.x, at.y)).max(0.0),
        sky_level: frame.sky.at(at.x, at.y),
        contrast: mean(|p| f64::from(p.step)) / f64::from(noise),
        agreeing: circle.agreeing,
    };
    fit.holds().then_some(fit)
}

/// Share of a disc's pixels within half a percent of the top of the scale, and their 98th percentile.
fn light_of_disc(plane: &Plane, centre: PixelPoint, radius: f64) -> (f64, f32) {
    let mut values = Vec::new();
    let step = (radius / 40.0).max(1.0);
    let reach = (radius / step) as i64;
    for iy in -reach..=reach {
        for ix in -reach..=reach {
            let (dx, dy) = (ix as f64 * step, iy as f64 * step);
            let (x, y) = (centre.x + dx, centre.y + dy);
            let inside = x >= 0.0 && y >= 0.0 && x < plane.width() as f64 && y < plane.height() as f64;
            if dx.hypot(dy) < radius * 0.98 && inside {
                values.push(plane.get(x as usize, y as usize));
            }
        }
    }
    if values.is_empty() {
        return (0.0, 0.0);
    }
    values.sort_by(f32::total_cmp);
    let full = values.iter().rev().take_while(|v| **v > 0.995).count();
    (full as f64 / values.len() as f64, values[(values.len() - 1) * 98 / 100])
}

/// All convincing discs of a frame, best first.
pub(super) fn find_discs(frame: &Measured<'_>, expected: &Expectation, keep: usize) -> Vec<DiscFit> {
    let places: Vec<Candidate> = candidates(frame.plane, expected.from_px, expected.to_px, 24);
    let mut found: Vec<DiscFit> = Vec::new();
    for place in places {
        let stretch = metric_at(expected, place.centre).stretch();
        let radius = expected.radius.map_or(place.radius_px / stretch, |p| p.radius);
        let Some(fit) = fit_at(frame, expected, place.centre, radius, None) else { continue };
        let plausible = fit.radius_px > 0.7 * expected.from_px && fit.radius_px < 1.4 * expected.to_px;
        let known = found.iter().any(|f| f.centre.distance(fit.centre) < 0.5 * f.radius_px);
        if plausible && !known {
            found.push(fit);
        }
    }
    found.sort_by(|a, b| b.confidence().total_cmp(&a.confidence()));
    found.truncate(keep);
    found
}
