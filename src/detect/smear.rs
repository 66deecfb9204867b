//! How much wider a limb is in one direction than across it: what trails, or was shaken, is smeared one way; a lens out of focus
//! and the air blur all ways alike.
//!
//! A smear of length L widens the limb where it runs across the limb and leaves it alone where it runs along: the square of an
//! edge's width goes as `a + b cos 2 (angle - direction)` around the disc. `a` and `b` are fitted to the points of the limb by
//! least squares, without those that stand out. Neglected: the shadow's edge near the limb, which softens an arc of it, and the
//! air's dispersion near the horizon, which smears upright; both are told by no arc alone, so that half of the limb at least is
//! asked for.

use super::limb::LimbPoint;
use crate::units::Angle;
use nalgebra::{Matrix3, Vector3};

/// A limb that is wider in one direction.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Smear {
    /// Width of the limb in that direction (Gaussian sigma), pixels.
    pub along_px: f64,
    /// Width across it, pixels.
    pub across_px: f64,
    /// The direction: from right, downwards, 0 to 180 degrees.
    pub direction: Angle,
    /// How many standard deviations the difference of the squares is from none.
    pub significance: f64,
}

impl Smear {
    /// How far the picture moved, pixels, if it moved evenly.
    ///
    /// An evenly moved edge is as wide as a Gaussian of `L / sqrt(12)` while the blur is wider than that, and by its steepest
    /// slope as one of `L / sqrt(2 pi)` when it is narrower; between the two a mean is taken.
    pub fn length_px(&self) -> f64 {
        const OF_WIDTH: f64 = 3.0;
        OF_WIDTH * (self.along_px.powi(2) - self.across_px.powi(2)).max(0.0).sqrt()
    }
}

/// Of the limb so much must be seen, in twelfths of half a turn: opposite points tell the same.
const LEAST_SEEN: usize = 10;
/// Fewer points tell no direction.
const FEWEST: usize = 24;
/// Points whose step is less than this share of the clearest tenth's are the shadow's.
const FAINT: f32 = 0.2;

/// The smear of a limb's points; `None` where too little of it is seen.
pub(super) fn smear_of(points: &[LimbPoint]) -> Option<Smear> {
    let mut steps: Vec<f32> = points.iter().filter(|p| p.weight > 0.0).map(|p| p.step).collect();
    steps.sort_by(f32::total_cmp);
    let least = FAINT * steps.get(steps.len() * 9 / 10)?;
    let mut told: Vec<(f64, f64)> = points
        .iter()
        .filter(|p| p.weight > 0.0 && p.step > least)
        .map(|p| (2.0 * p.y.atan2(p.x), p.width_px.powi(2)))
        .collect();
    let mut fitted = None;
    // Twice without what stands out: a star at the limb, a sea at the terminator.
    for _ in 0..3 {
        fitted = Some(fit(&told)?);
        let (solution, spread) = fitted?;
        told.retain(|(turn, square)| (square - value(&solution, *turn)).abs() < 3.0 * spread);
    }
    let (solution, spread) = fitted?;
    let mut seen = [false; 12];
    told.iter().for_each(|(turn, _)| seen[(turn.rem_euclid(std::f64::consts::TAU) / std::f64::consts::TAU * 12.0) as usize % 12] = true);
    if told.len() < FEWEST || seen.iter().filter(|s| **s).count() < LEAST_SEEN {
        return None;
    }
    let more = solution[1].hypot(solution[2]);
    let turn = 0.5 * solution[2].atan2(solution[1]);
    Some(Smear {
        along_px: (solution[0] + more).max(0.0).sqrt(),
        across_px: (solution[0] - more).max(0.0).sqrt(),
        direction: Angle::from_radians(turn.rem_euclid(std::f64::consts::PI)),
        significance: more / (spread * (2.0 / told.len() as f64).sqrt()).max(1e-9),
    })
}

fn value(solution: &Vector3<f64>, turn: f64) -> f64 {
    solution[0] + solution[1] * turn.cos() + solution[2] * turn.sin()
}

/// The three terms, and how far points scatter about them.
fn fit(told: &[(f64, f64)]) -> Option<(Vector3<f64>, f64)> {
    let (mut normal, mut right) = (Matrix3::zeros(), Vector3::zeros());
    for (turn, square) in told {
        let row = Vector3::new(1.0, turn.cos(), turn.sin());
        normal += row * row.transpose();
        right += row * *square;
    }
    let solution = normal.cholesky()?.solve(&right);
    let mean = told.iter().map(|(turn, square)| (square - value(&solution, *turn)).powi(2)).sum::<f64>() / told.len().max(1) as f64;
    Some((solution, mean.sqrt().max(1e-6)))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A limb that is `across` wide and was moved by `length` at 30 degrees, seen from one angle to another.
    fn limb(across: f64, length: f64, (from, to): (f64, f64)) -> Vec<LimbPoint> {
        (0..180)
            .map(|i| f64::from(i) * 2.0)
            .filter(|d| (from..to).contains(d))
            .map(|degrees| {
                let (s, c) = degrees.to_radians().sin_cos();
                let moved = length / 3.0 * (degrees - 30.0).to_radians().cos();
                // Points scatter by a fifth.
                let scatter = 1.0 + 0.2 * (degrees * 7.3).sin();
                LimbPoint { x: 80.0 * c, y: 80.0 * s, weight: 1.0, step: 0.3, width_px: across.hypot(moved) * scatter }
            })
            .collect()
    }

    #[test]
    fn a_moved_limb_tells_how_far_and_where_and_a_still_one_tells_nothing() {
        let moved = smear_of(&limb(1.0, 6.0, (0.0, 360.0))).unwrap();
        assert!((moved.length_px() - 6.0).abs() < 0.5, "{moved:?}");
        assert!((moved.direction.degrees() - 30.0).abs() < 4.0 && moved.significance > 8.0, "{moved:?}");
        let still = smear_of(&limb(1.0, 0.0, (0.0, 360.0))).unwrap();
        assert!(still.significance < 3.0, "{still:?}");
        // Half of the limb tells it as well, a third does not.
        let half = smear_of(&limb(1.0, 6.0, (80.0, 255.0))).unwrap();
        assert!((half.length_px() - 6.0).abs() < 0.7, "{half:?}");
        assert_eq!(smear_of(&limb(1.0, 6.0, (0.0, 120.0))), None);
    }
}
