//! One disc looked at: its limb traced, and what of its pixels is kept for later. `curve` says where its true limb may lie beside the
//! one that is seen, `middle` measures it where it is out of focus, `pressed` where the air made an oval of it.

mod curve;
mod middle;
mod pressed;

use super::burnt::{self, Burnt};
use super::circle::{PlacedOn, RadiusPrior, fit_circle};
use super::cutout::Cutout;
use super::disc_light::{DiscLight, light_of_disc};
use super::drawn::lopsided;
use super::frame::{DiscFit, Expectation, Measured, Shape, View};
use super::limb::LimbPoint;
use super::rim::Rim;
use super::small_disc::{self, Shading};
use super::smear::{Disc, Smear, smear_of};
use super::surroundings::unrest;
use super::trace::{Care, REACH, Traced, converge, trace};
use crate::raster::{PixelPoint, PixelRect};
use serde::{Deserialize, Serialize};

/// A disc as seen in one frame: all that later passes need of its pixels.
///
/// Frames are decoded once; what the sequence teaches afterwards (the radius, the lens, the air)
/// is applied to what is kept here.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub(crate) struct Look {
    pub fit: DiscFit,
    /// By how much the light falls over the limb where that was seen, linear, 1 = saturated.
    pub limb_step: f32,
    /// Points of the limb, as offsets in pixels from `from`.
    limb: Vec<LimbPoint>,
    from: PixelPoint,
    /// Whether they were placed on codes, or on light that a camera's own curve may have bent.
    on_codes: bool,
    /// Whether they lie in the middle of a wide slope of light, not where codes fall most steeply.
    at_middle: bool,
    /// How many of the frame's pixels a pixel of the copy spans that it was seen on.
    reduced: f64,
    /// The limb placed on light, and the radius of the circle through it: the true limb inside the disc as seen.
    in_light: Option<InLight>,
    /// By how much its centre went along, to the right and down, when that was moved by what the camera's curve makes of limbs.
    #[serde(skip)]
    moved: Option<(f64, f64)>,
    /// The pixels themselves where the disc is small.
    small: Option<View>,
    /// How much wider its limb is in one direction; `None` where too little of it is seen, or the disc is small.
    pub smear: Option<Smear>,
    /// The disc on a grid of its own, where it is large enough to show features.
    pub cutout: Option<Cutout>,
    /// Its width over its height where it was taken for an oval, which the air makes of a low Moon; its radius is then that of a circle
    /// of the same area.
    pub pressed: Option<f64>,
    /// Share of what surrounds it that is no plain sky ([`unrest`]); zero of what nobody asked yet.
    pub unrest: f32,
}

/// A limb as it lies on light, not on codes.
///
/// A limb's edge on codes lies outside the true one, by up to 0.7 of its width where the disc is evenly lit (a step
/// blurred by a Gaussian and coded by a power of 1/2.2, near sRGB of IEC 61966-2-1, has its half height 0.77 of the
/// light's sigma outside), by less along a penumbra. Undoing sRGB places it to 0.05 px on the nights of two simulators;
/// a camera's own S-shaped curve leaves it inside by up to 0.4 of the width.
#[derive(Clone, Debug, Serialize, Deserialize)]
struct InLight {
    limb: Vec<LimbPoint>,
    from: PixelPoint,
    radius: f64,
}

/// How far a camera's own curve may place the limb wrong, in widths of the edge: from sRGB to a full S.
const CURVE_SIGMA: f64 = 0.15;
/// How far blooming may move a limb of which a third or more is saturated, in widths of the edge (by rehearsed nights: 0.3
/// and 0.4 pixels where the edge is 1.2 wide).
const BLOOM: f64 = 0.3;
/// Fits the limb near a place; `radius` is rectified.
///
/// `shading` is the shadow's light over the disc, for small discs.
pub(crate) fn look_at(
    frame: &Measured<'_>,
    expected: &Expectation<'_>,
    centre: PixelPoint,
    radius: f64,
    shading: Option<Shading<'_>>,
) -> Option<Look> {
    Some(first_look(frame, expected, (centre, radius), shading, Care::Exact)?.with_limb_in_light(frame, expected))
}

/// The same without where the limb lies on light, which only the few candidates that remain need.
pub(super) fn first_look(
    frame: &Measured<'_>,
    expected: &Expectation<'_>,
    (mut at, mut radius): (PixelPoint, f64),
    shading: Option<Shading<'_>>,
    care: Care,
) -> Option<Look> {
    let stretch = expected.shape.metric(at).largest_stretch();
    let mut view = frame.view(at, radius * stretch, (1.0 + 1.7 * REACH) * radius * stretch + 14.0);
    let factor = (radius / 45.0).floor() as usize;
    if factor >= 2 && !expected.place_known {
        if view.plane.width().min(view.plane.height()) < 16 * factor {
            return None;
        }
        let settled = converge(&view, expected, (at, radius), factor)?;
        if settled.0.distance(at) > 0.05 * radius || settled.1 > 1.1 * radius {
            view = frame.view(settled.0, settled.1 * stretch, 1.3 * settled.1 * stretch + 14.0);
        }
        (at, radius) = settled;
    }
    let reaches: &[f64] = match factor {
        2.. if expected.place_known => &[0.10, 0.05, 0.04],
        2.. => &[0.06, 0.04, 0.04],
        _ => &[REACH, 0.15, 0.12],
    };
    let mut traced = trace(&view, expected, (at, radius), reaches, care)?;
    let light = light_of_disc(frame, traced.centre, traced.radius * traced.metric.stretch());
    let rim = Rim::of(frame, (traced.centre, traced.radius), traced.metric, &traced.limb());
    let open_share = rim.open_share(light.sky, light.high);
    let small = (traced.radius * traced.metric.stretch() < small_disc::LARGEST_PX).then(|| {
        let reach = 1.5 * traced.radius * traced.metric.largest_stretch() + 8.0;
        let (plane, at) = frame.plane.window(PixelRect::around(traced.centre, reach));
        View { plane, at, noise: view.noise, on_codes: false, ignored: view.ignored.clone() }
    });
    let modelled = small.as_ref().and_then(|small| by_model((small, view.on_codes), &mut traced, expected, shading));
    let fit = describe(&traced, modelled, light, open_share, view.noise);
    if rim.is_a_line(fit.contrast) {
        return None;
    }
    if !fit.holds() {
        return None;
    }
    // Of what may be no Moon nobody asks.
    let is_told = small.is_none() && care == Care::Exact && fit.confidence() > super::BELIEVED;
    let disc = Disc {
        plane: &view.plane,
        centre: view.inside(traced.centre),
        radius: traced.radius,
        metric: traced.metric,
        width_px: fit.edge_width_px / traced.metric.stretch(),
    };
    let smear = is_told.then(|| smear_of(&disc)).flatten();
    Some(Look {
        smear,
        fit,
        limb_step: rim.step(),
        limb: traced.points,
        from: traced.centre,
        on_codes: view.on_codes,
        at_middle: false,
        reduced: 1.0,
        in_light: None,
        moved: None,
        small,
        cutout: None,
        pressed: None,
        unrest: 0.0,
    })
}

/// The limb of a disc once more, on light: `None` where it was on light already, or where light shows another circle.
fn in_light(frame: &Measured<'_>, expected: &Expectation<'_>, fit: &DiscFit) -> Option<InLight> {
    if !frame.is_on_codes() {
        return None;
    }
    let stretch = expected.shape.metric(fit.centre).largest_stretch();
    let (plane, at) =
        frame.plane.window(PixelRect::around(fit.centre, (1.0 + REACH) * fit.rectified_radius_px * stretch + 14.0));
    let noise = frame.sky.noise_at(fit.centre.x, fit.centre.y).max(frame.plane.step_at(fit.sky_level) / 3.0);
    let view = View { plane, at, noise, on_codes: false, ignored: frame.plane.ignored().to_vec() };
    let reach = (2.5 * fit.edge_width_px / fit.rectified_radius_px).max(0.04);
    let traced = trace(&view, expected, (fit.centre, fit.rectified_radius_px), &[reach], Care::Exact)?;
    let near = 1.5 * fit.edge_width_px + 0.01 * fit.rectified_radius_px;
    let same = traced.centre.distance(fit.centre) < near
        && (traced.radius - fit.rectified_radius_px).abs() < near
        && traced.circle.arc_deg > 0.6 * fit.arc_deg;
    same.then_some(InLight { limb: traced.points, from: traced.centre, radius: traced.radius })
}

/// With the radius settled a small disc is placed by the model of its whole image.
fn by_model(
    (view, is_on_codes): (&View, bool),
    traced: &mut Traced,
    expected: &Expectation<'_>,
    shading: Option<Shading<'_>>,
) -> Option<small_disc::ModelFit> {
    let known = expected.radius?;
    let start = view.inside(traced.centre);
    let mut model =
        small_disc::fit_model(&view.plane, start, traced.metric, known.radius, (view.noise, is_on_codes), shading)?;
    model.centre = PixelPoint::new(model.centre.x + view.at.x0 as f64, model.centre.y + view.at.y0 as f64);
    let (dx, dy) = (traced.centre.x - model.centre.x, traced.centre.y - model.centre.y);
    traced.points.iter_mut().for_each(|p| (p.x, p.y) = (p.x + dx, p.y + dy));
    (traced.centre, traced.radius) = (model.centre, known.radius);
    Some(model)
}

fn describe(
    traced: &Traced,
    model: Option<small_disc::ModelFit>,
    light: DiscLight,
    open_share: f64,
    noise: f32,
) -> DiscFit {
    let Traced { centre, radius, points, circle, metric, .. } = traced;
    let count: f64 = points.iter().map(|p| p.weight).sum::<f64>().max(1e-9);
    let mean = |f: fn(&LimbPoint) -> f64| points.iter().map(|p| p.weight * f(p)).sum::<f64>() / count;
    let stretch = metric.stretch();
    let edge = mean(|p| p.width_px);
    // How far the limb as a whole may lie off its true place.
    let blooming = BLOOM * (3.0 * light.saturated_share).min(1.0);
    let misplaced = edge * if traced.on_codes { CURVE_SIGMA.hypot(blooming) } else { blooming };
    let pull = misplaced * lopsided(points, *radius) * stretch;
    let by_limb = (circle.covariance[(0, 0)] + circle.covariance[(1, 1)]).sqrt() * stretch;
    DiscFit {
        centre: *centre,
        radius_px: radius * stretch,
        rectified_radius_px: *radius,
        centre_sigma_px: model.map_or(by_limb, |m| m.sigma_px).hypot(pull),
        radius_sigma_px: circle.covariance[(2, 2)].sqrt().hypot(misplaced) * stretch,
        arc_deg: circle.arc_deg,
        residual_px: circle.residual,
        edge_width_px: model.map_or(edge, |m| m.blur_px),
        saturated_share: light.saturated_share,
        disc_level: (light.high - light.sky).max(0.0),
        mean_level: (light.mean - light.sky).max(0.0),
        sky_level: light.sky,
        contrast: mean(|p| f64::from(p.step)) / f64::from(noise),
        agreeing: circle.agreeing,
        open_share,
    }
}

impl Look {
    /// What a reduced copy of a frame showed, in pixels of the frame itself.
    pub fn enlarged(self, factor: f64) -> Look {
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
        Look {
            limb: self.limb.iter().map(larger).collect(),
            from: PixelPoint::new(self.from.x * factor, self.from.y * factor),
            reduced: factor,
            in_light: None,
            small: None,
            smear: None,
            cutout: None,
            fit,
            ..self
        }
    }

    /// With where its limb lies on light, if it was looked at in the frame itself; and by that alone where it is out of focus, in the
    /// frame or on a copy as reduced as the one that showed it.
    pub fn with_limb_in_light(self, frame: &Measured<'_>, expected: &Expectation<'_>) -> Look {
        if let Some(look) = self.out_of_focus(frame, expected) {
            return look;
        }
        let in_light = if self.is_at_full_size() { in_light(frame, expected, &self.fit) } else { None };
        Look { in_light, ..self }
    }

    /// With the disc on its own grid, where it is large enough.
    pub fn with_cutout(self, frame: &Measured<'_>) -> Look {
        let noise = frame.sky.noise_at(self.fit.centre.x, self.fit.centre.y);
        Look { cutout: Cutout::take(frame.plane, noise, self.fit.centre, self.fit.radius_px), ..self }
    }

    /// With how plain the sky around it is.
    pub fn with_surroundings(self, frame: &Measured<'_>) -> Look {
        Look { unrest: unrest(frame, self.fit.centre, self.fit.radius_px, self.limb_step), ..self }
    }

    /// With the light and the pixels of another plane of the frame: what a difference of channels shows is where a limb lies,
    /// and no light.
    pub fn with_light_of(self, frame: &Measured<'_>) -> Look {
        let light = light_of_disc(frame, self.fit.centre, self.fit.radius_px);
        let fit = DiscFit {
            saturated_share: light.saturated_share,
            disc_level: (light.high - light.sky).max(0.0),
            mean_level: (light.mean - light.sky).max(0.0),
            sky_level: light.sky,
            ..self.fit
        };
        Look { fit, ..self }.with_cutout(frame)
    }

    /// What was seen on a reduced copy, looked at in one that is less reduced, by `factor`, or in the frame itself, and in its pixels;
    /// `None` where that shows no disc.
    pub fn closer(&self, copy: &Measured<'_>, expected: &Expectation<'_>, factor: f64) -> Option<Look> {
        /// Of its confidence, what noise leaves.
        const LEAST_LEFT: f64 = 0.7;
        if self.reduced <= factor {
            return None;
        }
        let at = PixelPoint::new(self.fit.centre.x / factor, self.fit.centre.y / factor);
        first_look(copy, expected, (at, self.fit.rectified_radius_px / factor), None, Care::Exact)
            .filter(|l| l.fit.confidence() > LEAST_LEFT * self.fit.confidence())
    }

    /// Whether the frame itself shows a line where a reduced copy, on which it ran together, showed a disc.
    pub fn is_a_line_in(&self, frame: &Measured<'_>, expected: &Expectation<'_>) -> bool {
        let metric = expected.shape.metric(self.fit.centre);
        let rim = || Rim::of(frame, (self.fit.centre, self.fit.rectified_radius_px), metric, &self.limb);
        !self.is_at_full_size() && rim().is_a_line(self.fit.contrast)
    }

    /// Whether the frame itself was looked at, not a reduced copy alone.
    pub fn is_at_full_size(&self) -> bool {
        self.reduced <= 1.0
    }

    /// What the white of a small disc of a known radius says of its place.
    pub fn burnt(&self, near: PixelPoint, shape: &dyn Shape, radius: f64, shading: Option<Shading<'_>>) -> Burnt {
        match &self.small {
            Some(view) => burnt::place(view, near, (shape.metric(near), radius), shading),
            None => Burnt::Hardly,
        }
    }

    /// Whether the disc is small enough for its pixels to be kept.
    pub fn keeps_its_pixels(&self) -> bool {
        self.small.is_some()
    }

    /// Where the middle of its light lies from its centre, to the right and down, in radii; `None` where its pixels were not kept, or not
    /// all of it is shown: an edge of the frame takes light away as a shadow does.
    pub fn lit_towards(&self) -> Option<(f64, f64)> {
        let view = self.small.as_ref()?;
        let (centre, radius) = (view.inside(self.fit.centre), self.fit.radius_px);
        let (width, height) = (view.plane.width() as f64, view.plane.height() as f64);
        let is_within = |at: f64, end: f64| at > radius && at + radius < end;
        let is_shown = view.ignored.iter().all(|r| !r.is_near(self.fit.centre.x, self.fit.centre.y, radius));
        if !is_shown || !is_within(centre.x, width) || !is_within(centre.y, height) {
            return None;
        }
        let (mut sum, mut x, mut y) = (0.0, 0.0, 0.0);
        for (i, light) in view.plane.data().iter().enumerate() {
            let (dx, dy) =
                ((i % view.plane.width()) as f64 + 0.5 - centre.x, (i / view.plane.width()) as f64 + 0.5 - centre.y);
            if dx.hypot(dy) < radius {
                let light = f64::from(light - self.fit.sky_level).max(0.0);
                (sum, x, y) = (sum + light, x + light * dx, y + light * dy);
            }
        }
        (sum > 0.0).then(|| (x / (sum * radius), y / (sum * radius)))
    }

    /// The disc once more, with what the sequence has taught since: no pixel is decoded for it.
    pub fn again(&self, expected: &Expectation<'_>, shading: Option<Shading<'_>>) -> Option<DiscFit> {
        let known = expected.radius?.radius;
        if let Some(view) = self.small.as_ref().filter(|_| self.moved.is_none()) {
            let traced_as = |expected: &Expectation<'_>| {
                trace(view, expected, (self.fit.centre, known), &[REACH, 0.15, 0.12], Care::Exact)
            };
            let mut traced = traced_as(expected)?;
            let model = by_model((view, self.on_codes), &mut traced, expected, shading);
            if model.is_none() {
                // Cut by the frame's edge, say: so short a limb tells the size less well than the other frames do.
                const HELD_PX: f64 = 0.01;
                let held = RadiusPrior { radius: known, sigma: HELD_PX };
                traced = traced_as(&Expectation { radius: Some(held), ..*expected }).unwrap_or(traced);
            }
            let fit = describe(&traced, model, self.light(), self.fit.open_share, view.noise);
            return fit.holds().then_some(fit);
        }
        let (limb, from) = self.in_light.as_ref().map_or((&self.limb, self.from), |l| (&l.limb, l.from));
        let metric = expected.shape.metric(from);
        let inwards = if self.in_light.is_some() { 0.0 } else { self.inwards_px() };
        let points: Vec<LimbPoint> = limb
            .iter()
            .map(|p| {
                let (x, y) = metric.to_rectified(p.x, p.y);
                let share = 1.0 - inwards / x.hypot(y).max(1.0);
                LimbPoint { x: x * share, y: y * share, ..*p }
            })
            .collect();
        let placed = match (self.moved, &self.in_light) {
            (Some(_), _) => PlacedOn::Moved,
            (None, None) if self.on_codes && !self.at_middle => PlacedOn::Codes,
            _ => PlacedOn::Light,
        };
        let circle = fit_circle(&points, known, expected.radius, placed)?;
        let (dx, dy) = metric.to_pixels(circle.x, circle.y);
        let centre = PixelPoint::new(from.x + dx, from.y + dy);
        let faint_too = !circle.carried.is_empty();
        let points = points.into_iter().filter(|p| faint_too || !p.is_faint);
        let points = points.map(|p| LimbPoint { x: p.x - circle.x, y: p.y - circle.y, ..p }).collect();
        let traced = Traced { centre, radius: circle.radius, points, circle, metric, on_codes: self.on_codes };
        let fit = self.described(&traced);
        fit.holds().then_some(fit)
    }

    /// A circle through the limb that was kept.
    fn described(&self, traced: &Traced) -> DiscFit {
        // The contrast was measured against the frame's own noise already.
        DiscFit { contrast: self.fit.contrast, ..describe(traced, None, self.light(), self.fit.open_share, 1.0) }
    }

    /// What the disc sends, as its first fit told it.
    fn light(&self) -> DiscLight {
        DiscLight {
            saturated_share: self.fit.saturated_share,
            high: self.fit.disc_level + self.fit.sky_level,
            mean: self.fit.mean_level + self.fit.sky_level,
            sky: self.fit.sky_level,
        }
    }
}
