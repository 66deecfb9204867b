//! What limbs that lie outside themselves do to the circles through them.

use super::limb::LimbPoint;
use nalgebra::{Matrix3, Vector2, Vector3};

/// How far a curve that moves bright limbs further out than faint ones shifts the centre of a circle through them, its radius free:
/// widths of the edge for one of them between limbs whose steps of light differ by a factor of twenty.
pub(super) fn bent(points: &[LimbPoint]) -> Vector2<f64> {
    shifted(points, step_in_twenties)
}

/// What the centre of a circle through a limb goes along with when each of its points lies outside it by so much.
pub(super) fn shifted(points: &[LimbPoint], outside: impl Fn(&LimbPoint) -> f64) -> Vector2<f64> {
    let weight = points.iter().map(|p| p.weight).sum::<f64>().max(1e-9);
    let mean = points.iter().map(|p| p.weight * outside(p)).sum::<f64>() / weight;
    let (mut normal, mut right) = (Matrix3::identity() * 1e-6 * weight, Vector3::zeros());
    for p in points {
        let rho = p.x.hypot(p.y).max(1e-9);
        let row = Vector3::new(p.x / rho, p.y / rho, 1.0);
        normal += p.weight * row * row.transpose();
        right += p.weight * (outside(p) - mean) * row;
    }
    normal.cholesky().map_or_else(Vector2::zeros, |c| c.solve(&right).fixed_rows::<2>(0).into())
}

/// Moves a point of a limb towards its centre by so many widths of the edge; nothing moves a limb by half of the disc.
pub(super) fn move_inwards(p: &mut LimbPoint, widths: f64) {
    let share = (1.0 - widths * p.width_px / p.x.hypot(p.y).max(1.0)).max(0.5);
    (p.x, p.y) = (p.x * share, p.y * share);
}

fn step_in_twenties(p: &LimbPoint) -> f64 {
    f64::from(p.step).max(1e-3).ln() / 3.0
}

/// How much of a displacement that all of the limb shares (outwards, by a curve or by blooming) pulls the centre along: zero
/// where the limb shows evenly all round, one and more where an arc does, and the radius is held by the sequence. The
/// brighter limb is displaced more, so that an evenly seen but unevenly lit limb counts as well.
pub(super) fn lopsided(points: &[LimbPoint], radius: f64) -> f64 {
    // Along an arc the least squares' shift is the mean of the unit vectors over the mean square of their part in its
    // direction; half a circle gives 4 / pi, a short arc one.
    let share = |weight: &dyn Fn(&LimbPoint) -> f64| {
        let total = points.iter().map(weight).sum::<f64>().max(1e-9);
        let mean = |f: &dyn Fn(f64, f64) -> f64| {
            points.iter().map(|p| weight(p) * f(p.x / radius, p.y / radius)).sum::<f64>() / total
        };
        let (mx, my) = (mean(&|u, _| u), mean(&|_, v| v));
        let length = mx.hypot(my).max(1e-9);
        let square = mean(&|u, v| ((u * mx + v * my) / length).powi(2));
        length / square.max(length * length).max(0.25)
    };
    share(&|p| p.weight).max(share(&|p| p.weight * f64::from(p.step)))
}
