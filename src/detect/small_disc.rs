//! Small discs: a blurred disc of known radius fitted to every pixel around it.
//!
//! Below some 25 pixels of radius the limb's blur is no longer small beside the disc: where the
//! shadow dims one side, the steepest fall along a ray leans towards the bright one, by several
//! percent of the radius. Here the frame is compared with a model instead: a sharp-edged disc of the
//! known radius whose brightness is any cubic of place (the umbra's gradient, broadly the seas)
//! plus any quadratic times the shadow's light by the ephemeris, blurred by a Gaussian, on a level
//! sky. Only the limb is sharp, so only the limb can place it; a brighter or
//! darker phase changes the polynomials. Gauss-Newton on centre, blur, polynomials and sky together.
//! Saturated pixels are left out. Bright limbs may lie off by a camera's curve and by glow, all at once (`misplaced_light`): they
//! count for less than the copper's, and the stated deviation holds by how much they draw the disc. Neglected: finer markings, which act as noise.

use super::metric::Metric;
use crate::raster::{PixelPoint, PixelRect, Plane};
use nalgebra::{DMatrix, DVector};

/// Radii (pixels of the frame) up to which the model is used.
pub(crate) const LARGEST_PX: f64 = 26.0;

const TERMS: usize = 16;
/// Centre x, y, blur; then the polynomials; then the sky.
const UNKNOWNS: usize = 3 + TERMS + 1;

/// From this radius on a limb in the umbra tells where a disc is though the lit one lies off; of a smaller one hardly a pixel is free of
/// the other's light.
pub(crate) const COPPER_TOLD_PX: f64 = 10.0;
/// How much of what bright edges may lie off counts as noise of their pixels: all that is told of a disc without copper is its bright
/// limb.
const DOUBTED: f64 = 0.6;
/// So near the model's limb a pixel is of it, pixels; where that is blurred by more, twice as far.
const LIMB_PX: f64 = 3.0;

/// What the model fit found.
#[derive(Clone, Copy, Debug)]
pub(super) struct ModelFit {
    pub centre: PixelPoint,
    /// Standard deviation of the centre (both axes together), pixels.
    pub sigma_px: f64,
    pub blur_px: f64,
    /// Mean square of what is left, in noise and what seas the polynomials cannot follow.
    pub misfit: f64,
}

/// Light of the shadow, on any scale, at a place of the disc: rectified offsets to the right and down, in radii.
pub(crate) type Shading<'a> = &'a dyn Fn(f64, f64) -> f64;

fn basis(u: f64, v: f64, sun: f64) -> [f64; TERMS] {
    let quadratic = [1.0, u, v, u * u, u * v, v * v];
    let cubic = [u * u * u, u * u * v, u * v * v, v * v * v];
    let mut out = [0.0; TERMS];
    out[..6].copy_from_slice(&quadratic);
    out[6..10].copy_from_slice(&cubic);
    out[10..].copy_from_slice(&quadratic.map(|q| q * sun));
    out
}

/// The blurred terms of a disc over a window.
struct Model<'a> {
    metric: &'a Metric,
    radius: f64,
    shading: Option<Shading<'a>>,
    window: PixelRect,
    fine: usize,
}

impl Model<'_> {
    /// Calls `draw` with the place (fine pixel), the basis and the cover of each fine pixel of the disc.
    fn trace(&self, centre: PixelPoint, mut draw: impl FnMut(usize, [f64; TERMS], f64)) {
        let (w, h, fine) = (self.window.width(), self.window.height(), self.fine);
        let (fw, fh) = (w * fine, h * fine);
        let step = 1.0 / fine as f64;
        let soft = 0.5 * step;
        for fy in 0..fh {
            let y = self.window.y0 as f64 + (fy as f64 + 0.5) * step - centre.y;
            for fx in 0..fw {
                let x = self.window.x0 as f64 + (fx as f64 + 0.5) * step - centre.x;
                let (u, v) = self.metric.to_rectified(x, y);
                let rho = (u * u + v * v).sqrt();
                // A linear ramp one fine sample wide keeps the model differentiable in the centre.
                let cover = ((self.radius - rho) / (2.0 * soft) + 0.5).clamp(0.0, 1.0);
                if cover > 0.0 {
                    let (u, v) = (u / self.radius, v / self.radius);
                    let sun = self.shading.map_or(0.0, |light| light(u, v));
                    draw(fy * fw + fx, basis(u, v, sun), cover);
                }
            }
        }
    }

    /// Blurred and brought to the frame's pixels.
    fn exposed(&self, fine_data: Vec<f32>, blur: f64) -> Option<Plane> {
        let (fw, fh) = (self.window.width() * self.fine, self.window.height() * self.fine);
        let sigma = (blur * self.fine as f64).max(0.3);
        Plane::from_data(fw, fh, fine_data).map(|p| p.blurred(sigma).reduced(self.fine))
    }

    fn fine_pixels(&self) -> usize {
        self.window.width() * self.window.height() * self.fine * self.fine
    }

    /// Each term by itself.
    fn terms(&self, centre: PixelPoint, blur: f64) -> Vec<Plane> {
        let mut planes: Vec<Vec<f32>> = vec![vec![0.0; self.fine_pixels()]; TERMS];
        self.trace(centre, |at, basis, cover| {
            planes.iter_mut().zip(basis).for_each(|(plane, b)| plane[at] = (b * cover) as f32);
        });
        planes.into_iter().filter_map(|data| self.exposed(data, blur)).collect()
    }

    /// All terms together, with the sky.
    fn image(&self, centre: PixelPoint, blur: f64, unknowns: &DVector<f64>) -> Vec<f64> {
        let mut fine = vec![0.0f32; self.fine_pixels()];
        self.trace(centre, |at, basis, cover| {
            let light: f64 = basis.iter().enumerate().map(|(k, b)| unknowns[3 + k] * b).sum();
            fine[at] = (light * cover) as f32;
        });
        let sky = unknowns[3 + TERMS];
        self.exposed(fine, blur).map_or_else(Vec::new, |p| p.data().iter().map(|v| f64::from(*v) + sky).collect())
    }
}

fn combine(terms: &[Plane], unknowns: &DVector<f64>) -> Vec<f64> {
    let count = terms.first().map_or(0, |t| t.data().len());
    (0..count)
        .map(|i| {
            let disc: f64 = terms.iter().enumerate().map(|(k, t)| unknowns[3 + k] * f64::from(t.data()[i])).sum();
            disc + unknowns[3 + TERMS]
        })
        .collect()
}

/// By how much each pixel's light may be off because an edge lies off its place: by a camera's own curve, where the codes' is not known,
/// and by a lens's glow beside what is white. Bright edges lie off by more than faint ones, so that where copper is seen its limb
/// places the disc.
fn misplaced_light(value: &dyn Fn(usize) -> f64, (w, h): (usize, usize), is_on_codes: bool) -> Vec<f64> {
    /// How far edges lie off, pixels: any; those of bright parts by a curve (half of a usual edge's width, see `look/curve`); and beside
    /// white (by two nights of another hand, in which burnt limbs of 6 to 18 px lay 0.3 to 1 px outside).
    const ANY: f64 = 0.05;
    const BY_CURVE: f64 = 0.4;
    const BESIDE_WHITE: f64 = 0.4;
    /// From this light on, white being one, a part is bright, and to this wholly so; and the same of what is white.
    const BRIGHT: (f64, f64) = (0.1, 0.5);
    const WHITE: (f64, f64) = (0.7, 0.9);
    /// How far a bright part reaches, pixels.
    const REACH: usize = 2;
    let within = |(from, to): (f64, f64), v: f64| ((v - from) / (to - from)).clamp(0.0, 1.0);
    let at = |x: usize, y: usize| value(y.min(h - 1) * w + x.min(w - 1));
    let one = |i: usize| {
        let (x, y) = (i % w, i / w);
        let slope = (at(x + 1, y) - at(x.saturating_sub(1), y)).hypot(at(x, y + 1) - at(x, y.saturating_sub(1))) / 2.0;
        let beside = (x.saturating_sub(REACH)..=x + REACH)
            .flat_map(|x| (y.saturating_sub(REACH)..=y + REACH).map(move |y| (x, y)));
        let bright = beside.map(|(x, y)| at(x, y)).fold(0.0, f64::max);
        let curve = if is_on_codes { BY_CURVE * within(BRIGHT, bright) } else { 0.0 };
        slope * (ANY + curve + BESIDE_WHITE * within(WHITE, bright))
    };
    (0..w * h).map(one).collect()
}

/// Fits the model near a first centre; `radius` is rectified and held. `None` when the window leaves
/// the frame too far or the fit runs away.
pub(super) fn fit_model(
    plane: &Plane,
    first: PixelPoint,
    metric: Metric,
    radius: f64,
    (noise, is_on_codes): (f32, bool),
    shading: Option<Shading<'_>>,
) -> Option<ModelFit> {
    let reach = radius * metric.largest_stretch() + 5.0;
    let window = PixelRect::around(first, reach).intersection(PixelRect::of_size(plane.width(), plane.height()));
    if (window.width() as f64) < 1.2 * reach || (window.height() as f64) < 1.2 * reach {
        return None;
    }
    let fine = if radius < 14.0 { 4 } else { 2 };
    let model = Model { metric: &metric, radius, shading, window, fine };
    let (w, count) = (window.width(), window.width() * window.height());
    let value = |i: usize| f64::from(plane.get(window.x0 as usize + i % w, window.y0 as usize + i / w));
    let peak = (0..count).map(value).fold(0.0, f64::max);
    let floor = f64::from(noise);
    let misplaced = match radius < COPPER_TOLD_PX {
        true => vec![0.0; count],
        false => misplaced_light(&value, (window.width(), window.height()), is_on_codes),
    };
    let is_limb = |i: usize, x: &DVector<f64>| {
        let (right, down) =
            ((i % w) as f64 + 0.5 + window.x0 as f64 - x[0], (i / w) as f64 + 0.5 + window.y0 as f64 - x[1]);
        let (u, v) = metric.to_rectified(right, down);
        (u.hypot(v) - radius).abs() < LIMB_PX.max(2.0 * x[2])
    };
    let weight = |i: usize| {
        let v = value(i);
        if v > 0.97 {
            return 0.0;
        }
        // Seas and rays that the polynomials cannot follow are noise in proportion to the light:
        // 15 % of it, which also keeps the bright part's interior from outvoting the limb.
        1.0 / (floor * floor + (0.15 * v).powi(2) + (0.004 * peak).powi(2) + (DOUBTED * misplaced[i]).powi(2))
    };
    let mut x = DVector::zeros(UNKNOWNS);
    (x[0], x[1], x[2]) = (first.x, first.y, 0.9);
    let mut normal = DMatrix::zeros(UNKNOWNS, UNKNOWNS);
    let mut pull = DVector::zeros(UNKNOWNS);
    let mut misfit = f64::INFINITY;
    for round in 0..9 {
        let terms = model.terms(PixelPoint::new(x[0], x[1]), x[2]);
        let step = 0.05;
        let moved = |k: usize| {
            let mut y = x.clone();
            y[k] += step;
            model.image(PixelPoint::new(y[0], y[1]), y[2], &x)
        };
        let here = combine(&terms, &x);
        let slopes: Vec<Vec<f64>> = if round == 0 { vec![vec![0.0; count]; 3] } else { (0..3).map(moved).collect() };
        normal.fill(0.0);
        pull.fill(0.0);
        let mut gradient = DVector::zeros(UNKNOWNS);
        let (mut sum, mut used) = (0.0, 0usize);
        let mut row = DVector::zeros(UNKNOWNS);
        for i in 0..count {
            let weight = weight(i);
            if weight == 0.0 {
                continue;
            }
            for (k, s) in slopes.iter().enumerate() {
                row[k] = if round == 0 { 0.0 } else { (s[i] - here[i]) / step };
            }
            terms.iter().enumerate().for_each(|(k, t)| row[3 + k] = f64::from(t.data()[i]));
            row[3 + TERMS] = 1.0;
            let off = value(i) - here[i];
            normal.syger(weight, &row, &row, 1.0);
            gradient.axpy(weight * off, &row, 1.0);
            if is_limb(i, &x) {
                pull.axpy(weight * misplaced[i], &row, 1.0);
            }
            sum += weight * off * off;
            used += 1;
        }
        normal.fill_upper_triangle_with_lower_triangle();
        misfit = sum / (used as f64 - UNKNOWNS as f64).max(1.0);
        // A touch of ridge keeps terms that no pixel speaks of (all saturated) at rest.
        for k in 0..UNKNOWNS {
            normal[(k, k)] += 1e-9 * normal[(k, k)].abs().max(1e-6);
        }
        let change = normal.clone().cholesky()?.solve(&gradient);
        for k in 0..UNKNOWNS {
            x[k] += if k < 3 { change[k].clamp(-0.7, 0.7) } else { change[k] };
        }
        x[2] = x[2].clamp(0.35, 4.0);
        let centre = PixelPoint::new(x[0], x[1]);
        if !centre.x.is_finite() || centre.distance(first) > 0.45 * radius + 1.5 {
            return None;
        }
        if round > 2 && change[0].hypot(change[1]) < 5e-3 {
            break;
        }
    }
    let covariance = normal.try_inverse()?;
    let sigma = ((covariance[(0, 0)] + covariance[(1, 1)]) * misfit.max(1.0)).max(0.0).sqrt();
    // All of the bright limb lies off by as much at once.
    let pull = &covariance * pull;
    let sigma = sigma.hypot(pull[0].hypot(pull[1]));
    Some(ModelFit { centre: PixelPoint::new(x[0], x[1]), sigma_px: sigma, blur_px: x[2], misfit })
}
