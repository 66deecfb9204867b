//! A circle through limb points: geometric, robust, with covariance; and by how much a part that is burnt lies outside it.
//!
//! Distances to the circle itself are minimised (Gauss-Newton, not an algebraic fit, which is
//! biased small on arcs), with Tukey's biweight (Beaton & Tukey 1974) on a scale from the
//! residuals themselves. A start is found by trying triples of points, so that a roof's edge or a
//! branch cannot lead the fit astray.

use super::carried::{LEAST_WEIGHT, carried};
use super::limb::{LimbPoint, rays_around};
use super::sectors::Sectors;
use nalgebra::{Matrix3, Matrix4, Vector4};

/// What is known of the radius before the fit.
#[derive(Clone, Copy, Debug)]
pub(crate) struct RadiusPrior {
    pub radius: f64,
    pub sigma: f64,
}

/// A circle in the points' own coordinates.
#[derive(Clone, Debug)]
pub(super) struct Circle {
    pub x: f64,
    pub y: f64,
    pub radius: f64,
    /// Covariance of x, y, radius.
    pub covariance: Matrix3<f64>,
    /// Weighted root mean square distance of the points that count.
    pub residual: f64,
    /// Angle covered by points that count, degrees.
    pub arc_deg: f64,
    /// Share of the weight of all points that counts.
    pub agreeing: f64,
    /// How far outside the circle a glow carried each point; none where there is no such part.
    pub carried: Vec<f64>,
}

fn distance(p: &LimbPoint, x: f64, y: f64, r: f64) -> f64 {
    // (The library's `hypot` guards against overflow, which pixels never come near, at five times the cost.)
    ((p.x - x).powi(2) + (p.y - y).powi(2)).sqrt() - r
}

/// Circle through three points.
fn through(a: &LimbPoint, b: &LimbPoint, c: &LimbPoint) -> Option<(f64, f64, f64)> {
    let (bx, by, cx, cy) = (b.x - a.x, b.y - a.y, c.x - a.x, c.y - a.y);
    let d = 2.0 * (bx * cy - by * cx);
    if d.abs() < 1e-9 {
        return None;
    }
    let (b2, c2) = (bx * bx + by * by, cx * cx + cy * cy);
    let (x, y) = ((cy * b2 - by * c2) / d, (bx * c2 - cx * b2) / d);
    Some((a.x + x, a.y + y, x.hypot(y)))
}

/// Best start among triples, in a fixed order of trials.
fn start(points: &[LimbPoint], guess: f64, tolerance: f64) -> Option<(f64, f64, f64)> {
    let n = points.len();
    // A hundred and some points tell one start from another.
    let some: Vec<&LimbPoint> = points.iter().step_by((n / 120).max(1)).collect();
    let all: f64 = some.iter().map(|p| p.weight).sum();
    // Of those that cannot become better than what stands, the rest is not asked.
    let score = |x: f64, y: f64, r: f64, least: f64| -> f64 {
        let (mut sum, mut rest) = (0.0, all);
        for p in &some {
            sum += p.weight * (1.0 - (distance(p, x, y, r) / tolerance).powi(2)).max(0.0);
            rest -= p.weight;
            if sum + rest < least {
                break;
            }
        }
        sum
    };
    let mut best = (0.0, 0.0, guess);
    let mut best_score = score(0.0, 0.0, guess, 0.0);
    let mut state = 0x2545_f491_4f6c_dd1du64;
    let mut next = || {
        // Xorshift (Marsaglia 2003): the same trials every time.
        state ^= state << 13;
        state ^= state >> 7;
        state ^= state << 17;
        (state >> 33) as usize % n
    };
    for _ in 0..260 {
        let (i, j, k) = (next(), next(), next());
        let Some((x, y, r)) = through(&points[i], &points[j], &points[k]) else { continue };
        if !(0.6 * guess..1.6 * guess).contains(&r) {
            continue;
        }
        let s = score(x, y, r, best_score);
        if s > best_score {
            (best, best_score) = ((x, y, r), s);
        }
    }
    (best_score > 0.0).then_some(best)
}

/// Fits a circle near radius `guess`; `None` when the points do not hold one.
///
/// Where a lens's glow carried a burnt part of the limb outwards and another part shows where it is, the circle is that other
/// part's ([`carried`]); faint points are heeded there alone.
pub(super) fn fit_circle(
    points: &[LimbPoint],
    guess: f64,
    prior: Option<RadiusPrior>,
    placed: PlacedOn,
) -> Option<Circle> {
    let told_apart = carried(points, placed == PlacedOn::Codes).and_then(|carried| {
        let settled = settle(points, guess, prior, Some(&carried))?;
        settled.is_told_by_the_rest(points, &carried, placed).then_some((settled, carried))
    });
    match told_apart {
        Some((settled, carried)) => Some(describe(points, &settled, Some(&carried))),
        None => fit_one_circle(points, guess, prior),
    }
}

/// The same, whether a part of the limb was carried outwards or not.
pub(super) fn fit_one_circle(points: &[LimbPoint], guess: f64, prior: Option<RadiusPrior>) -> Option<Circle> {
    let clear: Vec<LimbPoint> = points.iter().filter(|p| !p.is_faint).copied().collect();
    if clear.len() < 6 {
        return None;
    }
    Some(describe(&clear, &settle(&clear, guess, prior, None)?, None))
}

/// How much less a point counts that is carried: along a sliver, and where it is thicker, glows carry by more than one number says.
const OF_CARRIED: f64 = 0.97;

/// What a limb's points were placed on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum PlacedOn {
    /// The file's codes, which show the dark brighter than it is.
    Codes,
    /// Light.
    Light,
    /// Light, and moved by what the sequence knows of the camera's curve and glow since: perhaps by too much.
    Moved,
}

/// A circle settled on points, and by how much those that are carried lie outside it.
struct Settled {
    x: f64,
    y: f64,
    radius: f64,
    carried_by: f64,
    scale: f64,
    /// Of the four, as least squares have it.
    normal: Matrix4<f64>,
}

impl Settled {
    fn distance(&self, p: &LimbPoint, carried: f64) -> f64 {
        distance(p, self.x, self.y, self.radius) - carried * self.carried_by
    }

    /// Whether the part that is not carried lies along the circle, over much of it and across from the other.
    fn is_told_by_the_rest(&self, points: &[LimbPoint], carried: &[f64], placed: PlacedOn) -> bool {
        /// Least arc of it, degrees, and of that across from the burnt part.
        const LEAST_DEG: f64 = 70.0;
        const LEAST_ACROSS_DEG: f64 = 30.0;
        /// Least share of its weight: noise lies anywhere.
        const LEAST_AGREEING: f64 = 0.6;
        /// By no more than this share of the radius, and two pixels, does a glow carry a limb.
        const MOST: f64 = 0.04;
        /// By less, pixels, it makes no other circle.
        const LEAST_PX: f64 = 0.3;
        /// Inwards by no more than this share and a pixel was it ever put back too far.
        const MOST_INWARDS: f64 = 0.01;
        let outwards = (LEAST_PX..MOST * self.radius + 2.0).contains(&self.carried_by);
        let inwards = (LEAST_PX..MOST_INWARDS * self.radius + 1.0).contains(&-self.carried_by);
        if !(outwards || (inwards && placed == PlacedOn::Moved)) {
            return false;
        }
        let (mut u, mut v) = (0.0, 0.0);
        for (p, _) in points.iter().zip(carried).filter(|(p, c)| **c > 0.5 && p.weight > LEAST_WEIGHT) {
            let rho = (p.x - self.x).hypot(p.y - self.y).max(1e-9);
            (u, v) = (u + (p.x - self.x) / rho, v + (p.y - self.y) / rho);
        }
        let burnt = v.atan2(u);
        let near = (2.5 * self.scale).clamp(0.5, 0.02 * self.radius + 0.5);
        let rays = rays_around(self.radius);
        let (mut dim, mut across, mut agreeing, mut all) = (Sectors::none(), Sectors::none(), 0.0, 0.0);
        for (p, c) in points.iter().zip(carried).filter(|(p, c)| **c < 0.5 && p.weight > LEAST_WEIGHT) {
            all += p.weight;
            if self.distance(p, *c).abs() < near {
                agreeing += p.weight;
                let (x, y) = (p.x - self.x, p.y - self.y);
                dim.mark(x, y);
                if (y.atan2(x) - burnt).cos() < -0.5 {
                    across.mark(x, y);
                }
            }
        }
        agreeing > LEAST_AGREEING * all && dim.degrees(rays) >= LEAST_DEG && across.degrees(rays) >= LEAST_ACROSS_DEG
    }
}

/// Iterates from the best start to the circle that points agree on; `carried` points lie further out by one number, told too.
fn settle(points: &[LimbPoint], guess: f64, prior: Option<RadiusPrior>, carried: Option<&[f64]>) -> Option<Settled> {
    let tolerance = 0.02 * guess + 1.2;
    let share = |i: usize| carried.map_or(0.0, |c| c[i]);
    let (mut x, mut y, mut r) = match carried {
        None => start(points, guess, tolerance)?,
        Some(carried) => {
            let rest: Vec<LimbPoint> = points.iter().zip(carried).filter(|(_, c)| **c < 0.5).map(|(p, _)| *p).collect();
            start(&rest, guess, tolerance)?
        }
    };
    if let Some(p) = prior {
        r = p.radius;
    }
    let (mut carried_by, mut scale) = (0.0, 0.03 * guess + 1.0);
    // Glows carry by more where a sliver is thicker: what is carried scatters by itself.
    let mut scatter = scale;
    let mut normal = Matrix4::identity();
    for round in 0..30 {
        let mut gradient = Vector4::zeros();
        normal = Matrix4::zeros();
        for (i, p) in points.iter().enumerate() {
            let (dx, dy) = (p.x - x, p.y - y);
            let rho = dx.hypot(dy).max(1e-9);
            let d = rho - r - carried_by * share(i);
            let u = d / (4.685 * (scale + share(i) * (scatter - scale)));
            if u.abs() >= 1.0 {
                continue;
            }
            let w = p.weight * (1.0 - OF_CARRIED * share(i)) * (1.0 - u * u).powi(2);
            let j = Vector4::new(-dx / rho, -dy / rho, -1.0, -share(i));
            normal += j * j.transpose() * w;
            gradient += j * (d * w);
        }
        if let Some(p) = prior {
            // The prior counts as one more observation of the radius, in units of the residuals.
            let w = (scale / p.sigma).powi(2);
            normal[(2, 2)] += w;
            gradient[2] += (r - p.radius) * w;
        }
        if carried.is_none() {
            normal[(3, 3)] += 1.0;
        }
        let step = (normal + Matrix4::identity() * 1e-9).cholesky()?.solve(&gradient);
        let limit = 0.25 * guess;
        (x, y, r) = (x - step.x.clamp(-limit, limit), y - step.y.clamp(-limit, limit), r - step.z.clamp(-limit, limit));
        carried_by -= step.w.clamp(-limit, limit);
        if !(x.is_finite() && y.is_finite() && carried_by.is_finite() && r > 0.3 * guess && r < 3.0 * guess) {
            return None;
        }
        let outside = |i: usize, p: &LimbPoint| distance(p, x, y, r) - carried_by * share(i);
        let shrunk = robust_scale(points, outside, |i| 1.0 - OF_CARRIED * share(i)).max(0.08);
        scatter = if carried.is_some() { robust_scale(points, outside, share).max(shrunk) } else { shrunk };
        // The scale shrinks gently so that a good arc is not lost before the centre has settled.
        scale = if round < 6 { shrunk.max(scale * 0.6) } else { shrunk };
        if round > 8 && step.norm() < 1e-6 * guess {
            break;
        }
    }
    // Where no carried point is left the number is told by nothing.
    const LEAST_TOLD: f64 = 1e-3;
    (normal[(3, 3)] > LEAST_TOLD).then_some(Settled { x, y, radius: r, carried_by, scale, normal })
}

/// Weighted median of the absolute distances, as a standard deviation.
fn robust_scale(
    points: &[LimbPoint],
    distance: impl Fn(usize, &LimbPoint) -> f64,
    counts: impl Fn(usize) -> f64,
) -> f64 {
    let weighed = |(i, p): (usize, &LimbPoint)| (distance(i, p).abs(), p.weight * counts(i));
    let mut d: Vec<(f64, f64)> = points.iter().enumerate().map(weighed).collect();
    d.sort_by(|a, b| a.0.total_cmp(&b.0));
    let total: f64 = d.iter().map(|p| p.1).sum();
    let mut sum = 0.0;
    for (value, weight) in &d {
        sum += weight;
        if sum >= 0.5 * total {
            return 1.4826 * value;
        }
    }
    f64::INFINITY
}

fn describe(points: &[LimbPoint], settled: &Settled, carried: Option<&[f64]>) -> Circle {
    let &Settled { x, y, radius: r, scale, ref normal, .. } = settled;
    let mut sectors = Sectors::none();
    let (mut sum, mut weight, mut all) = (0.0, 0.0, 0.0);
    let reach = (3.0 * scale).max(0.02 * r).max(0.5);
    for (i, p) in points.iter().enumerate() {
        let share = carried.map_or(0.0, |c| c[i]);
        let counts = p.weight * (1.0 - OF_CARRIED * share);
        all += counts;
        let d = settled.distance(p, share);
        if d.abs() < reach && p.weight > 0.02 {
            sum += counts * d * d;
            weight += counts;
            sectors.mark(p.x - x, p.y - y);
        }
    }
    let residual = if weight > 0.0 { (sum / weight).sqrt() } else { f64::INFINITY };
    // Neighbouring rays share pixels; the points count for about half as many observations.
    let covariance = normal.try_inverse().map_or_else(
        || Matrix3::identity() * f64::MAX.sqrt(),
        |inverse| inverse.fixed_view::<3, 3>(0, 0) * (2.0 * residual * residual),
    );
    Circle {
        x,
        y,
        radius: r,
        covariance,
        residual,
        arc_deg: sectors.degrees(rays_around(r)),
        agreeing: if all > 0.0 { weight / all } else { 0.0 },
        carried: carried.map_or_else(Vec::new, |c| c.iter().map(|c| c * settled.carried_by).collect()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn arc(from_deg: i32, to_deg: i32, bend: f64) -> Vec<LimbPoint> {
        (from_deg..to_deg)
            .map(|d| {
                let (s, c) = f64::from(d).to_radians().sin_cos();
                let wobble = 0.05 * (f64::from(d) * 1.7).sin() + bend;
                LimbPoint {
                    x: 3.0 + (40.0 + wobble) * c,
                    y: -2.0 + (40.0 + wobble) * s,
                    weight: 1.0,
                    step: 1.0,
                    level: 1.0,
                    width_px: 1.0,
                    is_faint: false,
                }
            })
            .collect()
    }

    #[test]
    fn a_third_of_the_limb_is_enough() {
        let circle = fit_circle(&arc(20, 140, 0.0), 42.0, None, PlacedOn::Light).unwrap();
        assert!(
            (circle.x - 3.0).abs() < 0.1 && (circle.y + 2.0).abs() < 0.1 && (circle.radius - 40.0).abs() < 0.1,
            "{circle:?}"
        );
        assert!((circle.arc_deg - 120.0).abs() <= 10.0);
    }

    /// A disc whose copper limb is seen along most of the circle and whose sliver's limb was carried outwards, more in its middle than
    /// at its ends; the light of that from one end to the other.
    fn burnt(level: impl Fn(f64) -> f32) -> Vec<LimbPoint> {
        let mut points = arc(0, 360, 0.0);
        for (d, p) in points.iter_mut().enumerate() {
            let along = (d as f64 - 90.0) / 120.0;
            if (0.0..1.0).contains(&along) {
                let share = 1.0 + (1.0 + 2.0 * (along * std::f64::consts::PI).sin()) / 40.0;
                (p.x, p.y) = (3.0 + (p.x - 3.0) * share, -2.0 + (p.y + 2.0) * share);
                p.level = level(along);
            } else {
                (p.level, p.weight) = (0.1, 0.15);
            }
        }
        points
    }

    #[test]
    fn a_sliver_that_glows_past_its_limb_does_not_pull_the_fit() {
        let known = RadiusPrior { radius: 40.0, sigma: 0.05 };
        let off = |c: &Circle| (c.x - 3.0).hypot(c.y + 2.0);
        let circle = fit_circle(&burnt(|_| 0.95), 41.0, None, PlacedOn::Light).unwrap();
        assert!(off(&circle) < 0.2 && (circle.radius - 40.0).abs() < 0.2, "{circle:?}");
        assert!(circle.carried.iter().any(|c| *c > 1.5), "{circle:?}");
        let circle = fit_circle(&burnt(|_| 0.95), 41.0, Some(known), PlacedOn::Moved).unwrap();
        assert!(off(&circle) < 0.2, "{circle:?}");
        // A bright part that lies where the rest does is of one circle with it.
        let mut still = arc(0, 360, 0.0);
        still.iter_mut().enumerate().for_each(|(d, p)| p.level = if d < 120 { 0.95 } else { 0.1 });
        let circle = fit_circle(&still, 41.0, Some(known), PlacedOn::Moved).unwrap();
        assert!(circle.carried.is_empty() && off(&circle) < 0.05, "{circle:?}");
        // Light that falls off along the limb is none that is burnt: nothing says that the lens carried it.
        let lit = fit_circle(&burnt(|along| 0.95 - 0.5 * along as f32), 41.0, None, PlacedOn::Light).unwrap();
        assert!(lit.carried.is_empty() && off(&lit) > 0.5, "{lit:?}");
    }

    #[test]
    fn a_roof_across_the_disc_does_not_pull_the_fit() {
        let mut points = arc(0, 220, 0.0);
        // A straight edge 10 px below the centre.
        points.extend((-30..30).map(|x| LimbPoint {
            x: 3.0 + f64::from(x),
            y: 8.0,
            weight: 1.0,
            step: 1.0,
            level: 1.0,
            width_px: 1.0,
            is_faint: false,
        }));
        let circle = fit_circle(&points, 42.0, None, PlacedOn::Light).unwrap();
        assert!((circle.x - 3.0).abs() < 0.1 && (circle.radius - 40.0).abs() < 0.1, "{circle:?}");
    }

    #[test]
    fn a_known_radius_steadies_a_short_arc() {
        let prior = RadiusPrior { radius: 40.0, sigma: 0.05 };
        let circle = fit_circle(&arc(0, 50, 0.0), 40.0, Some(prior), PlacedOn::Light).unwrap();
        assert!((circle.x - 3.0).hypot(circle.y + 2.0) < 0.2, "{circle:?}");
    }
}
