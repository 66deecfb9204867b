//! A circle through limb points: geometric, robust, with covariance.
//!
//! Distances to the circle itself are minimised (Gauss-Newton, not an algebraic fit, which is
//! biased small on arcs), with Tukey's biweight (Beaton & Tukey 1974) on a scale from the
//! residuals themselves. A start is found by trying triples of points, so that a roof's edge or a
//! branch cannot lead the fit astray.

use super::limb::LimbPoint;
use nalgebra::{Matrix3, Vector3};

/// What is known of the radius before the fit.
#[derive(Clone, Copy, Debug)]
pub(crate) struct RadiusPrior {
    pub radius: f64,
    pub sigma: f64,
}

/// A circle in the points' own coordinates.
#[derive(Clone, Copy, Debug)]
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
pub(super) fn fit_circle(points: &[LimbPoint], guess: f64, prior: Option<RadiusPrior>) -> Option<Circle> {
    if points.len() < 6 {
        return None;
    }
    let (mut x, mut y, mut r) = start(points, guess, 0.02 * guess + 1.2)?;
    if let Some(p) = prior {
        r = p.radius;
    }
    let mut scale = 0.03 * guess + 1.0;
    let mut normal = Matrix3::identity();
    for round in 0..30 {
        let mut gradient = Vector3::zeros();
        normal = Matrix3::zeros();
        for p in points {
            let (dx, dy) = (p.x - x, p.y - y);
            let rho = dx.hypot(dy).max(1e-9);
            let d = rho - r;
            let u = d / (4.685 * scale);
            if u.abs() >= 1.0 {
                continue;
            }
            let w = p.weight * (1.0 - u * u).powi(2);
            let j = Vector3::new(-dx / rho, -dy / rho, -1.0);
            normal += j * j.transpose() * w;
            gradient += j * (d * w);
        }
        if let Some(p) = prior {
            // The prior counts as one more observation of the radius, in units of the residuals.
            let w = (scale / p.sigma).powi(2);
            normal[(2, 2)] += w;
            gradient[2] += (r - p.radius) * w;
        }
        let step = (normal + Matrix3::identity() * 1e-9).cholesky()?.solve(&gradient);
        let limit = 0.25 * guess;
        (x, y, r) = (x - step.x.clamp(-limit, limit), y - step.y.clamp(-limit, limit), r - step.z.clamp(-limit, limit));
        if !(x.is_finite() && y.is_finite() && r > 0.3 * guess && r < 3.0 * guess) {
            return None;
        }
        let shrunk = robust_scale(points, x, y, r).max(0.08);
        // The scale shrinks gently so that a good arc is not lost before the centre has settled.
        scale = if round < 6 { shrunk.max(scale * 0.6) } else { shrunk };
        if round > 8 && step.norm() < 1e-6 * guess {
            break;
        }
    }
    Some(describe(points, (x, y, r), scale, &normal))
}

/// Weighted median of the absolute distances, as a standard deviation.
fn robust_scale(points: &[LimbPoint], x: f64, y: f64, r: f64) -> f64 {
    let mut d: Vec<(f64, f64)> = points.iter().map(|p| (distance(p, x, y, r).abs(), p.weight)).collect();
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

fn describe(points: &[LimbPoint], (x, y, r): (f64, f64, f64), scale: f64, normal: &Matrix3<f64>) -> Circle {
    const SECTORS: usize = 72;
    let mut sectors = [false; SECTORS];
    let (mut sum, mut weight, mut all) = (0.0, 0.0, 0.0);
    let reach = (3.0 * scale).max(0.02 * r).max(0.5);
    for p in points {
        all += p.weight;
        let d = distance(p, x, y, r);
        if d.abs() < reach && p.weight > 0.02 {
            sum += p.weight * d * d;
            weight += p.weight;
            let turn = ((p.y - y).atan2(p.x - x) / std::f64::consts::TAU).rem_euclid(1.0);
            sectors[((turn * SECTORS as f64) as usize).min(SECTORS - 1)] = true;
        }
    }
    let residual = if weight > 0.0 { (sum / weight).sqrt() } else { f64::INFINITY };
    // Neighbouring rays share pixels; the points count for about half as many observations.
    let covariance = normal
        .try_inverse()
        .map_or_else(|| Matrix3::identity() * f64::MAX.sqrt(), |inverse| inverse * (2.0 * residual * residual));
    Circle {
        x,
        y,
        radius: r,
        covariance,
        residual,
        arc_deg: sectors.iter().filter(|s| **s).count() as f64 * 360.0 / SECTORS as f64,
        agreeing: if all > 0.0 { weight / all } else { 0.0 },
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
                    width_px: 1.0,
                }
            })
            .collect()
    }

    #[test]
    fn a_third_of_the_limb_is_enough() {
        let circle = fit_circle(&arc(20, 140, 0.0), 42.0, None).unwrap();
        assert!(
            (circle.x - 3.0).abs() < 0.1 && (circle.y + 2.0).abs() < 0.1 && (circle.radius - 40.0).abs() < 0.1,
            "{circle:?}"
        );
        assert!((circle.arc_deg - 120.0).abs() <= 10.0);
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
            width_px: 1.0,
        }));
        let circle = fit_circle(&points, 42.0, None).unwrap();
        assert!((circle.x - 3.0).abs() < 0.1 && (circle.radius - 40.0).abs() < 0.1, "{circle:?}");
    }

    #[test]
    fn a_known_radius_steadies_a_short_arc() {
        let prior = RadiusPrior { radius: 40.0, sigma: 0.05 };
        let circle = fit_circle(&arc(0, 50, 0.0), 40.0, Some(prior)).unwrap();
        assert!((circle.x - 3.0).hypot(circle.y + 2.0) < 0.2, "{circle:?}");
    }
}
