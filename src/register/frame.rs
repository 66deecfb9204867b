//! The Moon in one frame: candidates, then the limb, then the best of the circles.

use super::candidates::candidates;
use super::circle::{Circle, RadiusPrior, fit};
use super::cutout::Cutout;
use super::limb::{LimbPoint, LimbSearch, Metric, limb_points};
use super::sky_level::{SkyLevel, difference_noise, noise_where};
use super::small_disc::{self, Shading};
use crate::raster::{CodedPlane, PixelPoint, PixelRect, Plane};
use crate::sky::Lens;

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

/// Least part of the limb that makes a disc.
const LEAST_ARC_DEG: f64 = 50.0;
/// Least share of the limb's evidence that must agree with the circle.
const LEAST_AGREEING: f64 = 0.45;

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
    /// Light of the disc's brighter part (98th percentile over the sky), linear, 1 = saturated.
    pub disc_level: f32,
    /// Mean light of the disc over the sky, linear, 1 = saturated.
    pub mean_level: f32,
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
        self.arc_deg >= LEAST_ARC_DEG
            && self.agreeing >= LEAST_AGREEING
            && self.contrast >= 4.0
            && self.residual_px <= 0.03 * self.radius_px + 0.7
    }
}

/// A frame made ready for measuring.
pub(super) struct Measured<'a> {
    pub plane: &'a CodedPlane,
    pub sky: SkyLevel,
    /// Noise of the coded values, where edges are placed on them.
    code_noise: Option<f32>,
}

impl<'a> Measured<'a> {
    pub fn new(plane: &'a CodedPlane) -> Self {
        Measured { plane, sky: SkyLevel::measure(plane), code_noise: None }
    }

    /// For a picture of which nothing is known. A camera's own tone curve is steeper in the dark than
    /// sRGB, so undoing sRGB leaves the limb's outer half pressed down and the disc a pixel too small;
    /// on the coded values the edge is where it looks to be.
    pub fn of_unknown_camera(plane: &'a CodedPlane) -> Self {
        let noise = difference_noise((plane.width(), plane.height()), |x, y| plane.code(x, y));
        Measured { code_noise: Some(noise.max(0.5 / 255.0)), ..Measured::new(plane) }
    }

    /// What edges are placed on, around a disc of a radius (pixels), out to `reach_px`.
    fn view(&self, centre: PixelPoint, radius_px: f64, reach_px: f64) -> View {
        let rect = PixelRect::around(centre, reach_px);
        let (plane, at) = match self.code_noise {
            Some(_) => self.plane.window_of_codes(rect),
            None => self.plane.window(rect),
        };
        let floor = match self.code_noise {
            Some(noise) => noise,
            None => self.plane.step_at(self.sky.at(centre.x, centre.y)) / 3.0,
        };
        let mut view = View { plane, at, noise: floor };
        let here = view.noise_around(view.inside(centre), 1.1 * radius_px);
        view.noise = here.unwrap_or_else(|| self.sky.noise_at(centre.x, centre.y)).max(floor);
        view
    }
}

/// A window of a frame, and where it lies.
#[derive(Clone, Debug)]
pub(super) struct View {
    pub plane: Plane,
    pub at: PixelRect,
    pub noise: f32,
}

impl View {
    fn inside(&self, p: PixelPoint) -> PixelPoint {
        PixelPoint::new(p.x - self.at.x0 as f64, p.y - self.at.y0 as f64)
    }

    /// Noise of the pixels beyond a distance from a place: of the sky around a disc.
    fn noise_around(&self, centre: PixelPoint, beyond_px: f64) -> Option<f32> {
        noise_where(
            (self.plane.width(), self.plane.height()),
            |x, y| self.plane.get(x, y),
            |x, y| (x as f64 - centre.x).powi(2) + (y as f64 - centre.y).powi(2) > beyond_px * beyond_px,
        )
    }

    /// Means of blocks, with the noise of those; coordinates are then the window's over `factor`.
    fn reduced(&self, factor: usize) -> View {
        let plane = self.plane.reduced(factor);
        let noise = difference_noise((plane.width(), plane.height()), |x, y| plane.get(x, y));
        View { plane, at: self.at, noise: noise.max(self.noise / factor as f32) }
    }
}

/// A disc as seen in one frame: all that later passes need of its pixels.
///
/// Frames are decoded once; what the sequence teaches afterwards (the radius, the lens, the air)
/// is applied to what is kept here.
#[derive(Clone, Debug)]
pub(super) struct Look {
    pub fit: DiscFit,
    /// Points of the limb, as offsets in pixels from `from`.
    limb: Vec<LimbPoint>,
    from: PixelPoint,
    /// The pixels themselves where the disc is small.
    small: Option<View>,
    /// The disc on a grid of its own, where it is large enough to show features.
    pub cutout: Option<Cutout>,
}

pub(super) fn metric_at(expected: &Expectation, p: PixelPoint) -> Metric {
    let lens = expected.lens.map_or([[1.0, 0.0], [0.0, 1.0]], |lens| lens.local_metric(p));
    let Some(f) = expected.flattening else { return Metric::new(lens) };
    // Stretch along the zenith's direction: I + (ratio - 1) n n^T, n = (right, down).
    let (s, c) = f.zenith_turn.sin_cos();
    let (n, k) = ([s, -c], f.ratio - 1.0);
    let stretch = |r: usize, q: usize| f64::from(u8::from(r == q)) + k * n[r] * n[q];
    let cell = |r: usize, q: usize| stretch(r, 0) * lens[0][q] + stretch(r, 1) * lens[1][q];
    Metric::new([[cell(0, 0), cell(0, 1)], [cell(1, 0), cell(1, 1)]])
}

/// Largest reach of a limb search, in radii.
const REACH: f64 = 0.30;

/// A circle through the limb seen in a view, in rounds of narrowing reach.
struct Traced {
    centre: PixelPoint,
    radius: f64,
    points: Vec<LimbPoint>,
    circle: Circle,
    metric: Metric,
}

fn trace(view: &View, expected: &Expectation, first: (PixelPoint, f64), reaches: &[f64]) -> Option<Traced> {
    let (mut centre, mut radius) = first;
    let mut last = None;
    for (round, reach) in reaches.iter().enumerate() {
        let metric = metric_at(expected, centre);
        let search = LimbSearch {
            centre: view.inside(centre),
            metric,
            radius,
            reach: (reach * radius).max(3.0),
            noise: view.noise,
            by_profile: round + 1 == reaches.len(),
        };
        let points = limb_points(&view.plane, &search);
        let circle = fit(&points, radius, expected.radius)?;
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
    for p in &mut points {
        (p.x, p.y) = metric.to_pixels(p.x, p.y);
        (p.x, p.y) = (p.x + origin.x - centre.x, p.y + origin.y - centre.y);
    }
    Some(Traced { centre, radius, points, circle, metric })
}

/// A large disc is first settled on a reduced copy of its neighbourhood.
fn settle(view: &View, expected: &Expectation, first: (PixelPoint, f64), factor: usize) -> Option<(PixelPoint, f64)> {
    let copy = view.reduced(factor);
    let f = factor as f64;
    let (mut centre, mut radius) = first;
    for reach in [REACH, 0.12] {
        let at = view.inside(centre);
        let metric = metric_at(expected, centre);
        let search = LimbSearch {
            centre: PixelPoint::new(at.x / f, at.y / f),
            metric,
            radius: radius / f,
            reach: reach * radius / f,
            noise: copy.noise,
            by_profile: false,
        };
        let prior = expected.radius.map(|p| RadiusPrior { radius: p.radius / f, sigma: p.sigma / f + 0.2 });
        let circle = fit(&limb_points(&copy.plane, &search), radius / f, prior)?;
        let (dx, dy) = metric.to_pixels(circle.x, circle.y);
        centre = PixelPoint::new(centre.x + dx * f, centre.y + dy * f);
        radius = circle.radius * f;
    }
    Some((centre, radius))
}

/// Fits the limb near a place; `radius` is rectified.
///
/// `shading` is the shadow's light over the disc, for small discs.
pub(super) fn look_at(
    frame: &Measured<'_>,
    expected: &Expectation,
    centre: PixelPoint,
    radius: f64,
    shading: Option<Shading<'_>>,
) -> Option<Look> {
    let (mut at, mut radius) = (centre, radius);
    let stretch = metric_at(expected, at).largest_stretch();
    let mut view = frame.view(at, radius * stretch, (1.0 + 1.7 * REACH) * radius * stretch + 14.0);
    let factor = (radius / 45.0).floor() as usize;
    if factor >= 2 {
        if view.plane.width().min(view.plane.height()) < 16 * factor {
            return None;
        }
        let settled = settle(&view, expected, (at, radius), factor)?;
        if settled.0.distance(at) > 0.05 * radius || settled.1 > 1.1 * radius {
            view = frame.view(settled.0, settled.1 * stretch, 1.3 * settled.1 * stretch + 14.0);
        }
        (at, radius) = settled;
    }
    let reaches: &[f64] = if factor >= 2 { &[0.06, 0.04, 0.04] } else { &[REACH, 0.15, 0.12] };
    let mut traced = trace(&view, expected, (at, radius), reaches)?;
    let light = light_of_disc(frame, traced.centre, traced.radius * traced.metric.stretch());
    let small = (traced.radius * traced.metric.stretch() < small_disc::LARGEST_PX).then(|| {
        let reach = 1.5 * traced.radius * traced.metric.largest_stretch() + 8.0;
        let (plane, at) = frame.plane.window(PixelRect::around(traced.centre, reach));
        View { plane, at, noise: view.noise }
    });
    let modelled = small.as_ref().and_then(|view| by_model(view, &mut traced, expected, shading));
    let fit = describe(&traced, modelled, light, view.noise);
    let cutout = Cutout::take(frame.plane, frame.sky.noise_at(fit.centre.x, fit.centre.y), fit.centre, fit.radius_px);
    fit.holds().then_some(Look { fit, limb: traced.points, from: traced.centre, small, cutout })
}

/// With the radius settled a small disc is placed by the model of its whole image.
fn by_model(
    view: &View,
    traced: &mut Traced,
    expected: &Expectation,
    shading: Option<Shading<'_>>,
) -> Option<small_disc::ModelFit> {
    let known = expected.radius?;
    let start = view.inside(traced.centre);
    let mut model = small_disc::fit_model(&view.plane, start, traced.metric, known.radius, view.noise, shading)?;
    model.centre = PixelPoint::new(model.centre.x + view.at.x0 as f64, model.centre.y + view.at.y0 as f64);
    let (dx, dy) = (traced.centre.x - model.centre.x, traced.centre.y - model.centre.y);
    traced.points.iter_mut().for_each(|p| (p.x, p.y) = (p.x + dx, p.y + dy));
    (traced.centre, traced.radius) = (model.centre, known.radius);
    Some(model)
}

fn describe(traced: &Traced, model: Option<small_disc::ModelFit>, light: DiscLight, noise: f32) -> DiscFit {
    let Traced { centre, radius, points, circle, metric } = traced;
    let count: f64 = points.iter().map(|p| p.weight).sum::<f64>().max(1e-9);
    let mean = |f: fn(&LimbPoint) -> f64| points.iter().map(|p| p.weight * f(p)).sum::<f64>() / count;
    let stretch = metric.stretch();
    let by_limb = (circle.covariance[(0, 0)] + circle.covariance[(1, 1)]).sqrt() * stretch;
    DiscFit {
        centre: *centre,
        radius_px: radius * stretch,
        rectified_radius_px: *radius,
        centre_sigma_px: model.map_or(by_limb, |m| m.sigma_px),
        radius_sigma_px: circle.covariance[(2, 2)].sqrt() * stretch,
        arc_deg: circle.arc_deg,
        residual_px: circle.residual,
        edge_width_px: model.map_or_else(|| mean(|p| p.width_px), |m| m.blur_px),
        saturated_share: light.saturated_share,
        disc_level: (light.high - light.sky).max(0.0),
        mean_level: (light.mean - light.sky).max(0.0),
        sky_level: light.sky,
        contrast: mean(|p| f64::from(p.step)) / f64::from(noise),
        agreeing: circle.agreeing,
    }
}

impl Look {
    /// What a reduced copy of a frame showed, in pixels of the frame itself.
    fn enlarged(self, factor: f64, frame: &Measured<'_>) -> Look {
        let fit = DiscFit {
            centre: PixelPoint::new(self.fit.centre.x * factor, self.fit.centre.y * factor),
            radius_px: self.fit.radius_px * factor,
            rectified_radius_px: self.fit.rectified_radius_px * factor,
            centre_sigma_px: self.fit.centre_sigma_px * factor,
            radius_sigma_px: self.fit.radius_sigma_px * factor,
            residual_px: self.fit.residual_px * factor,
            edge_width_px: self.fit.edge_width_px * factor,
            ..self.fit
        };
        let larger =
            |p: &LimbPoint| LimbPoint { x: p.x * factor, y: p.y * factor, width_px: p.width_px * factor, ..*p };
        let noise = frame.sky.noise_at(fit.centre.x, fit.centre.y);
        Look {
            limb: self.limb.iter().map(larger).collect(),
            from: PixelPoint::new(self.from.x * factor, self.from.y * factor),
            small: None,
            cutout: Cutout::take(frame.plane, noise, fit.centre, fit.radius_px),
            fit,
        }
    }

    /// Whether the disc is small enough for its pixels to be kept.
    pub fn keeps_its_pixels(&self) -> bool {
        self.small.is_some()
    }

    /// The disc once more, with what the sequence has taught since: no pixel is decoded for it.
    pub fn again(&self, expected: &Expectation, shading: Option<Shading<'_>>) -> Option<DiscFit> {
        let known = expected.radius?.radius;
        let metric = metric_at(expected, self.from);
        let light = DiscLight {
            saturated_share: self.fit.saturated_share,
            high: self.fit.disc_level + self.fit.sky_level,
            mean: self.fit.mean_level + self.fit.sky_level,
            sky: self.fit.sky_level,
        };
        if let Some(view) = &self.small {
            let mut traced = trace(view, expected, (self.fit.centre, known), &[REACH, 0.15, 0.12])?;
            let model = by_model(view, &mut traced, expected, shading);
            let fit = describe(&traced, model, light, view.noise);
            return fit.holds().then_some(fit);
        }
        let points: Vec<LimbPoint> = self
            .limb
            .iter()
            .map(|p| {
                let (x, y) = metric.to_rectified(p.x, p.y);
                LimbPoint { x, y, ..*p }
            })
            .collect();
        let circle = fit(&points, known, expected.radius)?;
        let (dx, dy) = metric.to_pixels(circle.x, circle.y);
        let centre = PixelPoint::new(self.from.x + dx, self.from.y + dy);
        let traced = Traced { centre, radius: circle.radius, points, circle, metric };
        // The contrast was measured against the frame's own noise already.
        let fit = DiscFit { contrast: self.fit.contrast, ..describe(&traced, None, light, 1.0) };
        fit.holds().then_some(fit)
    }
}

/// What a disc sends.
#[derive(Clone, Copy)]
struct DiscLight {
    /// Share of its pixels within half a percent of the top of the scale.
    saturated_share: f64,
    /// 98th percentile.
    high: f32,
    mean: f32,
    /// The sky's level there.
    sky: f32,
}

fn light_of_disc(frame: &Measured<'_>, centre: PixelPoint, radius: f64) -> DiscLight {
    let plane = frame.plane;
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
    let sky = frame.sky.at(centre.x, centre.y);
    if values.is_empty() {
        return DiscLight { saturated_share: 0.0, high: 0.0, mean: 0.0, sky };
    }
    values.sort_by(f32::total_cmp);
    let full = values.iter().rev().take_while(|v| **v > 0.995).count();
    DiscLight {
        saturated_share: full as f64 / values.len() as f64,
        high: values[(values.len() - 1) * 98 / 100],
        mean: values.iter().sum::<f32>() / values.len() as f32,
        sky,
    }
}

/// Least confidence for a disc found without the sequence's help.
pub(super) const CONFIDENT: f64 = 0.30;

/// Discs of a frame, best first; where grain hides every limb, those of reduced copies of it.
pub(super) fn find_discs(frame: &Measured<'_>, expected: &Expectation, keep: usize) -> Vec<Look> {
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
        let measured = match frame.code_noise {
            Some(_) => Measured::of_unknown_camera(&copy),
            None => Measured::new(&copy),
        };
        let smaller = Expectation {
            from_px: (expected.from_px / f).max(LEAST_RADIUS_PX / 2.0),
            to_px: expected.to_px / f,
            lens: expected.lens.map(|l| l.reduced(f)),
            flattening: expected.flattening,
            radius: expected.radius.map(|p| RadiusPrior { radius: p.radius / f, sigma: p.sigma / f }),
        };
        let again = find_at_full_size(&measured, &smaller, keep);
        if again.first().map_or(0.0, |l| l.fit.confidence()) > CONFIDENT {
            found = again.into_iter().map(|look| look.enlarged(f, frame)).collect();
        }
    }
    found
}

fn find_at_full_size(frame: &Measured<'_>, expected: &Expectation, keep: usize) -> Vec<Look> {
    let mut found: Vec<Look> = Vec::new();
    for place in candidates(frame.plane, expected.from_px, expected.to_px, 24) {
        let near = |f: &Look, share: f64| f.fit.centre.distance(place.centre) < share * f.fit.radius_px;
        let same_size = |f: &Look| (f.fit.radius_px / place.radius_px).ln().abs() < 0.15;
        if found.iter().any(|f| near(f, 0.25) && same_size(f) && f.fit.confidence() > 0.5) {
            continue;
        }
        let stretch = metric_at(expected, place.centre).stretch();
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
