//! The Earth's shadow on a disc, taken out by its own shape: light that depends on the distance from one point alone.
//!
//! The smooth light that features are divided by follows seas and copper, and not the umbra's edge: what it leaves along that resembles
//! the map at some turn or other, and draws the true one by up to a degree, to one side before greatest eclipse and to the other after it.
//! But whatever a camera's curve made of the shadow, it is the same all along a circle around the shadow's axis, and seas are not.

use crate::detect::{RADIUS, SIDE};

/// How far the shadow's axis lies from the Moon's centre, radii of the Moon, while the umbra's edge crosses its disc within 0.9 of its
/// middle: umbras measure 2.4 to 2.8 (their and the Moon's radii of NASA's Five Millennium Canon of Lunar Eclipses).
const NEAREST: f64 = 1.5;
const FARTHEST: f64 = 3.7;
/// How much light falls, logarithm, over a fifth of a radius across an edge, at least: umbras' have 2.4 times and more, copper that darkens
/// towards the shadow's middle 1.2 to 1.4 times (`shadow::edge`), which the smooth light follows.
const LEAST_FALL: f64 = 0.69;
const ACROSS: f64 = 0.2;
/// Share of the light's variance that the shadow must explain.
const LEAST_TOLD: f64 = 0.5;
/// Width of the rings around the axis in which light is a mean, cells.
const RING_CELLS: f64 = 2.0;
/// Rings with fewer cells are their neighbours'.
const FEWEST_CELLS: f64 = 8.0;

/// A cell of the grid where light is known: to the right and down from the centre, in radii, and its logarithm.
struct Cell {
    index: usize,
    x: f64,
    y: f64,
    light: f64,
}

/// Mean light in rings around an axis.
struct Rings {
    axis: (f64, f64),
    nearest: f64,
    means: Vec<f64>,
}

impl Rings {
    fn of(cells: &[Cell], (angle, away): (f64, f64)) -> Rings {
        let axis = (away * angle.cos(), away * angle.sin());
        let nearest = away - 1.0;
        let count = (2.0 * RADIUS / RING_CELLS) as usize + 2;
        let (mut sums, mut counts) = (vec![0.0; count], vec![0.0; count]);
        for cell in cells {
            let at = Self::place(axis, nearest, cell);
            let (i, t) = (at as usize, at.fract());
            for (i, share) in [(i, 1.0 - t), (i + 1, t)] {
                if let (Some(sum), Some(n)) = (sums.get_mut(i), counts.get_mut(i)) {
                    (*sum, *n) = (*sum + share * cell.light, *n + share);
                }
            }
        }
        // What lies at the ends holds few cells, and what lies between none is known of.
        let known: Vec<usize> = (0..count).filter(|i| counts[*i] >= FEWEST_CELLS).collect();
        let nearest_known = |i: usize| known.iter().copied().min_by_key(|k| k.abs_diff(i));
        let means = (0..count).map(|i| nearest_known(i).map_or(0.0, |k| sums[k] / counts[k])).collect();
        Rings { axis, nearest, means }
    }

    fn place(axis: (f64, f64), nearest: f64, cell: &Cell) -> f64 {
        let distance = (cell.x - axis.0).hypot(cell.y - axis.1);
        ((distance - nearest) * RADIUS / RING_CELLS).max(0.0)
    }

    fn at(&self, cell: &Cell) -> f64 {
        let at = Self::place(self.axis, self.nearest, cell).min((self.means.len() - 2) as f64);
        let (i, t) = (at as usize, at.fract());
        self.means[i] * (1.0 - t) + self.means[i + 1] * t
    }

    /// The most that light falls across an edge's width, logarithm.
    fn steepest(&self) -> f64 {
        let across = (ACROSS * RADIUS / RING_CELLS) as usize;
        let falls = self.means.iter().zip(self.means.iter().skip(across)).map(|(a, b)| (a - b).abs());
        falls.fold(0.0, f64::max)
    }

    /// Variance of the light that they leave.
    fn left(&self, cells: &[Cell]) -> f64 {
        cells.iter().map(|cell| (cell.light - self.at(cell)).powi(2)).sum::<f64>() / cells.len().max(1) as f64
    }
}

/// The logarithms of a disc's light without the shadow; `None` where its edge does not cross it, or explains little of what differs there.
pub(super) fn removed(light: &[f32], known: &[f32]) -> Option<Vec<f32>> {
    const FEWEST: usize = 200;
    let half = SIDE as f64 / 2.0;
    let cells: Vec<Cell> = (0..SIDE * SIDE)
        .filter(|i| known[*i] > 0.0)
        .map(|index| {
            let place = |at: usize| (at as f64 + 0.5 - half) / RADIUS;
            Cell { index, x: place(index % SIDE), y: place(index / SIDE), light: f64::from(light[index]) }
        })
        .collect();
    if cells.len() < FEWEST {
        return None;
    }
    let (least, most) = cells.iter().map(|c| c.light).fold((f64::MAX, f64::MIN), |(a, b), v| (a.min(v), b.max(v)));
    if most - least < LEAST_FALL {
        return None;
    }
    // One cell in seven tells the axis.
    let some: Vec<Cell> = cells.iter().step_by(7).map(|c| Cell { ..*c }).collect();
    let mean = some.iter().map(|c| c.light).sum::<f64>() / some.len() as f64;
    let all = some.iter().map(|c| (c.light - mean).powi(2)).sum::<f64>() / some.len() as f64;
    let left = |axis: &(f64, f64)| Rings::of(&some, *axis).left(&some);
    let best_of = |trials: Vec<(f64, f64)>| {
        let judged = trials.into_iter().map(|axis| (left(&axis), axis));
        judged.min_by(|a, b| a.0.total_cmp(&b.0)).map(|(_, axis)| axis)
    };
    let coarse = (0..24).flat_map(|i| [2.0, 2.7, 3.4].map(|away| (f64::from(i) * std::f64::consts::TAU / 24.0, away)));
    let mut best = best_of(coarse.collect())?;
    for (turn, step) in [(0.09f64, 0.35), (0.03, 0.15), (0.01, 0.06), (0.003, 0.02)] {
        let around = (-2i32..=2).flat_map(|i| (-2i32..=2).map(move |j| (f64::from(i), f64::from(j))));
        let near = around.map(|(i, j)| (best.0 + turn * i, (best.1 + step * j).clamp(NEAREST, FARTHEST)));
        best = best_of(near.collect()).unwrap_or(best);
    }
    let rings = Rings::of(&cells, best);
    if rings.steepest() < LEAST_FALL || left(&best) > (1.0 - LEAST_TOLD) * all {
        return None;
    }
    let mut even = light.to_vec();
    cells.iter().for_each(|cell| even[cell.index] -= rings.at(cell) as f32);
    Some(even)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// How alike two lights are where they are known.
    fn alike(a: &[f32], b: &[f32], known: &[f32]) -> f64 {
        let known = |i: &usize| known[*i] > 0.0;
        let shown: Vec<(f64, f64)> = (0..a.len()).filter(known).map(|i| (f64::from(a[i]), f64::from(b[i]))).collect();
        let mean = |f: &dyn Fn(&(f64, f64)) -> f64| shown.iter().map(f).sum::<f64>() / shown.len() as f64;
        let (ma, mb) = (mean(&|v| v.0), mean(&|v| v.1));
        let cross = mean(&|v| (v.0 - ma) * (v.1 - mb));
        cross / (mean(&|v| (v.0 - ma).powi(2)) * mean(&|v| (v.1 - mb).powi(2))).sqrt()
    }

    #[test]
    fn a_shadow_is_taken_out_and_seas_are_left() {
        let half = SIDE as f64 / 2.0;
        let place = |i: usize| {
            let at = |at: usize| (at as f64 + 0.5 - half) / RADIUS;
            (at(i % SIDE), at(i / SIDE))
        };
        let seas = |x: f64, y: f64| 0.1 * ((9.0 * x + 1.0).sin() * (7.0 * y).cos() + (6.0 * x - 8.0 * y).sin());
        let disc = |f: &dyn Fn(f64, f64) -> f64| -> (Vec<f32>, Vec<f32>) {
            let known = |i: usize| if place(i).0.hypot(place(i).1) < 0.93 { 1.0 } else { 0.0 };
            (
                (0..SIDE * SIDE).map(|i| f(place(i).0, place(i).1) as f32).collect(),
                (0..SIDE * SIDE).map(known).collect(),
            )
        };
        let (expected, known) = disc(&seas);
        for (towards, away) in [(0.9f64, 2.4), (2.5, 3.0), (5.0, 2.0)] {
            // An edge that falls by a factor of thirty within two thirds of a radius, 2.6 radii from the axis.
            let axis = (away * towards.cos(), away * towards.sin());
            let shade = |x: f64, y: f64| 2.0 * ((3.0 * ((x - axis.0).hypot(y - axis.1) - 2.6)).tanh() - 1.0);
            let (light, _) = disc(&|x, y| seas(x, y) + shade(x, y));
            let even = removed(&light, &known).expect("an edge crosses it");
            // What seas have in common along a ring goes with the shadow.
            let (with, without) = (alike(&light, &expected, &known), alike(&even, &expected, &known));
            assert!(without > 0.75 && with < 0.25, "{towards} {away}: {with:.3} {without:.3}");
        }
        // A whole Moon is left alone.
        assert!(removed(&expected, &known).is_none());
    }
}
