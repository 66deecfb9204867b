//! How much wider a limb is in one direction than across it: what trails, or was shaken, is smeared one way; a lens out of focus
//! and the air blur all ways alike.
//!
//! A smear widens the limb where it runs across the limb and leaves it alone where it runs along: the square of an edge's width
//! goes as `a + b cos 2 (angle - direction)` around the disc. Single rays are too noisy to tell widths that differ a little; all
//! pixels within a sector of the limb together are one profile, and the two sectors that face each other across the disc tell one
//! width ([`edge_profile::blur_of`]). Neglected: the air's dispersion near the horizon, which smears upright by a few arcseconds.

use super::edge_profile;
use super::metric::Metric;
use crate::raster::{PixelPoint, Plane};
use crate::units::Angle;
use nalgebra::{Matrix3, Vector3};
use serde::{Deserialize, Serialize};

/// A limb that is wider in one direction.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Smear {
    /// Width of the limb in that direction (Gaussian sigma), pixels.
    pub along_px: f64,
    /// Width across it, pixels.
    pub across_px: f64,
    /// How many standard deviations the difference of the squares is from none.
    pub significance: f64,
    direction_rad: f64,
}

impl Smear {
    /// The direction: from right, downwards, 0 to 180 degrees.
    pub fn direction(&self) -> Angle {
        Angle::from_radians(self.direction_rad)
    }

    /// How far the picture moved, pixels, if it moved evenly: an edge that moved by L has the standard deviation `L / sqrt(12)`, and
    /// that is how wide a Gaussian it is taken for as long as it is blurred by as much; a long and sharp one is taken for its
    /// slope's, `L / sqrt(2 pi)`.
    ///
    /// # Accuracy
    /// A tenth to a fifth, on discs of 30 and 60 px that moved by 3 to 10, their light linear; a JPEG's codes widen an edge by some
    /// tenths all round.
    pub fn length_px(&self) -> f64 {
        let more = (self.along_px.powi(2) - self.across_px.powi(2)).max(0.0).sqrt();
        let (slope, deviation) = (std::f64::consts::TAU.sqrt(), 12f64.sqrt());
        let sharp = more / (2.0 * self.across_px.max(0.5));
        more * (slope + (deviation - slope) / (1.0 + sharp * sharp))
    }
}

/// Directions in half a turn.
const AXES: usize = 9;
/// So many of them must tell a width.
const LEAST_AXES: usize = 7;
/// Samples of a profile in a pixel.
const SAMPLES: f64 = 2.0;
/// A sector whose step is less than this share of the clearest one's is the shadow's,
const FAINT: f64 = 0.15;
/// and one whose step is less than so many of its own standard deviations is noise's.
const CLEAR: f64 = 25.0;

/// Where to look.
pub(super) struct Disc<'a> {
    pub plane: &'a Plane,
    pub centre: PixelPoint,
    /// Rectified radius, pixels.
    pub radius: f64,
    pub metric: Metric,
    /// Roughly the limb's width, pixels.
    pub width_px: f64,
}

/// A sector's mean profile, from inside to outside; NaN where no pixel lies.
struct Profile {
    values: Vec<f32>,
    /// From the first quarter of it to the last, over the scatter of both.
    step: f64,
    clearness: f64,
}

/// The smear of a disc's limb; `None` where too little of it is seen.
pub(super) fn smear_of(disc: &Disc<'_>) -> Option<Smear> {
    // Towards the middle of the disc its sectors run out of pixels.
    let reach_px = (10.0 * disc.width_px).max(6.0).min(0.4 * disc.radius);
    let sectors = sectors_of(disc, reach_px);
    let clearest = sectors.iter().flatten().map(|p| p.step).fold(0.0, f64::max);
    let tells = |p: &&Profile| p.clearness > CLEAR && p.step > FAINT * clearest;
    let middle = (SAMPLES * reach_px).round();
    let told: Vec<(f64, f64)> = (0..AXES)
        .filter_map(|axis| {
            let both = [&sectors[axis], &sectors[axis + AXES]];
            let some: Vec<(&[f32], f64)> =
                both.into_iter().flatten().filter(tells).map(|p| (p.values.as_slice(), middle)).collect();
            if some.is_empty() {
                return None;
            }
            let mut rough = SAMPLES * disc.width_px;
            let mut sigma = edge_profile::blur_of(&some, rough);
            // It may be wider still.
            if sigma >= edge_profile::LARGEST_FACTOR * rough {
                rough = sigma;
                sigma = edge_profile::blur_of(&some, rough);
            }
            let turn = std::f64::consts::TAU * (axis as f64 + 0.5) / AXES as f64;
            Some((turn, (sigma / SAMPLES).powi(2)))
        })
        .collect();
    if told.len() < LEAST_AXES {
        return None;
    }
    let (solution, spread) = fit(&told)?;
    let more = solution[1].hypot(solution[2]);
    let turn = 0.5 * solution[2].atan2(solution[1]);
    Some(Smear {
        along_px: (solution[0] + more).max(0.0).sqrt(),
        across_px: (solution[0] - more).max(0.0).sqrt(),
        direction_rad: turn.rem_euclid(std::f64::consts::PI),
        significance: more / (spread * (2.0 / told.len() as f64).sqrt()).max(1e-9),
    })
}

/// The mean profiles of the limb's sectors, each with all of its pixels.
fn sectors_of(disc: &Disc<'_>, reach_px: f64) -> Vec<Option<Profile>> {
    let count = 2 * (SAMPLES * reach_px).round() as usize + 1;
    let mut sums = vec![vec![(0.0f64, 0u32); count]; 2 * AXES];
    let (plane, most) = (disc.plane, (disc.radius + reach_px + 1.0) * disc.metric.largest_stretch());
    let range = |at: f64, end: usize| (at - most).max(0.0) as usize..((at + most).max(0.0).ceil() as usize).min(end);
    for y in range(disc.centre.y, plane.height()) {
        for x in range(disc.centre.x, plane.width()) {
            let (u, v) = disc.metric.to_rectified(x as f64 + 0.5 - disc.centre.x, y as f64 + 0.5 - disc.centre.y);
            let sample = ((u.hypot(v) - disc.radius + reach_px) * SAMPLES).round();
            if sample < 0.0 || sample >= count as f64 {
                continue;
            }
            let turn = v.atan2(u).rem_euclid(std::f64::consts::TAU) / std::f64::consts::TAU;
            let cell = &mut sums[((turn * (2 * AXES) as f64) as usize).min(2 * AXES - 1)][sample as usize];
            *cell = (cell.0 + f64::from(plane.get(x, y)), cell.1 + 1);
        }
    }
    sums.into_iter().map(profile_of).collect()
}

fn profile_of(sums: Vec<(f64, u32)>) -> Option<Profile> {
    // A sector that the frame's edge cuts tells nothing.
    if sums.iter().any(|(_, n)| *n == 0) {
        return None;
    }
    let values: Vec<f32> = sums.iter().map(|(sum, n)| (sum / f64::from(*n)) as f32).collect();
    if values.iter().any(|v| *v > edge_profile::CLIPPED) {
        return None;
    }
    let quarter = values.len() / 4;
    let mean = |of: &[f32]| of.iter().map(|v| f64::from(*v)).sum::<f64>() / of.len().max(1) as f64;
    // Neighbours' differences are noise alone.
    let noise = |of: &[f32]| {
        let square: f64 = of.windows(2).map(|w| f64::from(w[1] - w[0]).powi(2)).sum();
        (0.5 * square / of.len().saturating_sub(1).max(1) as f64).sqrt()
    };
    let (inside, outside) = (&values[..quarter], &values[values.len() - quarter..]);
    let step = mean(inside) - mean(outside);
    let clearness = step / noise(inside).hypot(noise(outside)).max(1e-9);
    Some(Profile { step, clearness, values })
}

/// The three terms, and how far the directions scatter about them.
fn fit(told: &[(f64, f64)]) -> Option<(Vector3<f64>, f64)> {
    let row = |turn: f64| Vector3::new(1.0, turn.cos(), turn.sin());
    let (mut normal, mut right) = (Matrix3::zeros(), Vector3::zeros());
    for (turn, square) in told {
        normal += row(*turn) * row(*turn).transpose();
        right += row(*turn) * *square;
    }
    let solution: Vector3<f64> = normal.cholesky()?.solve(&right);
    let left: f64 = told.iter().map(|(turn, square)| (square - solution.dot(&row(*turn))).powi(2)).sum();
    Some((solution, (left / told.len().saturating_sub(3).max(1) as f64).sqrt().max(1e-6)))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A disc with noise, blurred by 1 px and moved by `length` at 30 degrees; one side of it may be dark.
    fn smeared(radius: f64, length: f64, dark_side: bool) -> Option<Smear> {
        let (side, centre) = (190usize, PixelPoint::new(95.3, 94.6));
        let mut sharp = Plane::filled(side, side, 0.0);
        const TIMES: usize = 16;
        for k in 0..TIMES {
            let by = length * (k as f64 + 0.5 - TIMES as f64 / 2.0) / TIMES as f64;
            let (s, c) = 30f64.to_radians().sin_cos();
            for y in 0..side {
                for x in 0..side {
                    let (dx, dy) = (x as f64 + 0.5 - centre.x - by * c, y as f64 + 0.5 - centre.y - by * s);
                    let lit = if dark_side && dx > 0.0 { 0.02 } else { 0.3 };
                    let light = lit * (radius + 0.5 - dx.hypot(dy)).clamp(0.0, 1.0) / TIMES as f64;
                    sharp.data_mut()[y * side + x] += light as f32;
                }
            }
        }
        let mut plane = sharp.blurred(1.0);
        plane
            .data_mut()
            .iter_mut()
            .enumerate()
            .for_each(|(i, v)| *v += 0.01 * crate::random::normal(5, i as u64) as f32);
        let metric = Metric::new([[1.0, 0.0], [0.0, 1.0]]);
        // As wide as the limb is in the mean.
        let width_px = (1.0 + length * length / 24.0).sqrt();
        smear_of(&Disc { plane: &plane, centre, radius, metric, width_px })
    }

    #[test]
    fn a_moved_limb_tells_how_far_and_where_and_a_still_one_tells_nothing() {
        for (radius, length) in [(60.0, 3.0), (60.0, 6.0), (60.0, 10.0), (30.0, 4.0), (30.0, 8.0)] {
            let moved = smeared(radius, length, false).unwrap();
            assert!((moved.length_px() / length - 1.0).abs() < 0.25, "{radius} {length}: {moved:?}");
            assert!((moved.direction().degrees() - 30.0).abs() < 5.0 && moved.significance > 6.0, "{moved:?}");
        }
        let still = smeared(60.0, 0.0, false).unwrap();
        assert!(still.length_px() < 1.5 || still.significance < 4.0, "{still:?}");
        // Half of the limb tells it as well.
        let half = smeared(60.0, 6.0, true).unwrap();
        assert!((half.length_px() / 6.0 - 1.0).abs() < 0.3, "{half:?}");
    }
}
