//! A tripod touched in the night: residuals that take a step and keep it.

use super::least_squares::{Solved, refine, residual, sigma_of, slopes};
use super::{Sighted, rough_tolerance};
use nalgebra::Matrix3;

/// What is needed of a pair for a small turn: slopes by the three angles, residual, weight.
struct Lever {
    index: usize,
    slopes: [[f64; 2]; 3],
    here: [f64; 2],
    weight: f64,
}

/// What the best turn of the camera leaves of a run of residuals: their weighted sum of squares.
fn left_by_best_turn(levers: &[Lever]) -> Option<f64> {
    let (mut normal, mut right, mut square) = (Matrix3::zeros(), nalgebra::Vector3::zeros(), 0.0);
    for l in levers {
        for axis in 0..2 {
            let row = nalgebra::Vector3::new(l.slopes[0][axis], l.slopes[1][axis], l.slopes[2][axis]);
            normal += row * row.transpose() * l.weight;
            right += row * (l.weight * l.here[axis]);
            square += l.weight * l.here[axis] * l.here[axis];
        }
    }
    // Roll hardly shows in a short run: a touch of ridge leaves it alone there.
    let ridge = Matrix3::identity() * (1e-6 * normal.trace() / 3.0);
    let turn = -(normal + ridge).cholesky()?.solve(&right);
    Some((square + right.dot(&turn)).max(0.0))
}

/// The solution with a knock at a sighting or one or two beside it, where that explains the residuals.
///
/// A lens that the model does not follow bends residuals smoothly; only a jump at the split itself
/// counts as a knock: more than a pixel, and four times what is left.
pub(super) fn knocked(solved: &Solved, near: usize, sightings: &[Sighted]) -> Option<Solved> {
    let spread = |s: &Solved| {
        let offs: Vec<f64> = s.pairs_within(rough_tolerance(&s.lens), sightings).iter().map(|p| p.off).collect();
        (offs.iter().map(|o| o * o).sum::<f64>() / offs.len().max(1) as f64).sqrt()
    };
    let label = solved.labels[near];
    let trials = (near.saturating_sub(2)..near + 3)
        .filter(|at| *at > 0 && *at < sightings.len() && solved.labels[*at] == label && solved.labels[at - 1] == label);
    let (at, best) = trials
        .filter_map(|at| {
            let (starts, labels) = solved.split_at(at);
            Some((at, refine(&starts, &labels, sightings)?))
        })
        .min_by(|a, b| spread(&a.1).total_cmp(&spread(&b.1)))?;
    let left = spread(&best);
    let pointings = best.pointings();
    let jump = [at - 1, at]
        .iter()
        .filter_map(|i| {
            let seen = sightings[*i].seen;
            Some(pointings[label].to_pixel(seen)?.distance(pointings[label + 1].to_pixel(seen)?))
        })
        .fold(f64::INFINITY, f64::min);
    (left < 0.6 * spread(solved) && jump.is_finite() && jump > (4.0 * left).max(1.0)).then_some(best)
}

/// The sighting with which the residuals take their clearest step, to be tried as a knock.
pub(super) fn strongest_step(solved: &Solved, sightings: &[Sighted]) -> Option<usize> {
    // Discs outside a tightened tolerance may be those after the knock.
    let tolerance = rough_tolerance(&solved.lens);
    let pointings = solved.pointings();
    let mut best: Option<(f64, usize)> = None;
    for (label, pointing) in pointings.iter().enumerate() {
        let levers: Vec<Lever> = solved
            .pairs_within(tolerance, sightings)
            .iter()
            .filter(|p| p.label == label)
            .filter_map(|pair| {
                let here = residual(pointing, pair)?;
                let slopes = slopes(pointing, pair, here)?;
                let weight = sigma_of(&pair.disc).hypot(0.1).powi(-2);
                Some(Lever { index: pair.index, slopes: [slopes[0], slopes[1], slopes[2]], here, weight })
            })
            .collect();
        let n = levers.len();
        if n < 8 {
            continue;
        }
        let Some(whole) = left_by_best_turn(&levers) else { continue };
        for m in 3..=n - 3 {
            let (Some(a), Some(b)) = (left_by_best_turn(&levers[..m]), left_by_best_turn(&levers[m..])) else {
                continue;
            };
            let left = (a + b).max(1e-9);
            let gain = (whole - left) / (left / (2 * n - 6) as f64);
            if gain > 10.0 && best.is_none_or(|(g, _)| gain > g) {
                best = Some((gain, levers[m].index));
            }
        }
    }
    best.map(|(_, index)| index)
}
