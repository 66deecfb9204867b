//! How two discs lie to each other, or one to the map: turn and shift to a fraction of a pixel, by their features.

use super::features::{Features, SHARP};
use crate::detect::{RADIUS, SIDE};
use crate::sky::Libration;
use crate::units::Angle;
use nalgebra::{Matrix3, Vector3};

/// How the second of two discs lies to the first.
#[derive(Clone, Copy, Debug)]
pub(in crate::solve) struct Shift {
    /// To the right and down, in radii of the disc: where a feature of the first lies in the second,
    /// beyond what the turn and the librations explain.
    pub right: f64,
    /// Downwards.
    pub down: f64,
    /// Clockwise, beyond what was expected.
    pub turn: Angle,
    /// Standard deviation of `right` and `down`, in radii.
    pub sigma: f64,
    /// Standard deviation of `turn`.
    pub turn_sigma: Angle,
    pub correlation: f64,
}

/// Carries places on the first disc to the second, before any shift: x to the right, y down, radii.
#[derive(Clone, Copy, Debug)]
pub(in crate::solve) struct Passage {
    rotation: Matrix3<f64>,
}

impl Passage {
    /// From the globe as it was turned on the first image to how it is on the second: each by its
    /// libration, and its north clockwise from up. Mirrored images are mirrored both.
    pub fn between(first: (&Libration, Angle), second: (&Libration, Angle), mirrored: bool) -> Self {
        let globe = |(libration, north): (&Libration, Angle)| globe_to_image(libration, north, mirrored);
        Passage { rotation: globe(second) * globe(first).transpose() }
    }

    /// From the map, north up and as the sky shows it, to an image of the same globe.
    pub fn from_map(libration: &Libration, north: Angle, mirrored: bool) -> Self {
        let map = globe_to_image(libration, Angle::ZERO, false);
        Passage { rotation: globe_to_image(libration, north, mirrored) * map.transpose() }
    }

    fn apply(&self, x: f64, y: f64) -> Option<(f64, f64)> {
        let z = (1.0 - x * x - y * y).max(0.0).sqrt();
        let there = self.rotation * Vector3::new(x, y, z);
        (there.z > 0.1).then_some((there.x, there.y))
    }
}

/// From selenographic axes (x to latitude and longitude 0, z north) to the image's (right, down,
/// towards the observer).
pub(super) fn globe_to_image(libration: &Libration, north: Angle, mirrored: bool) -> Matrix3<f64> {
    let (sl, cl) = libration.longitude.radians().sin_cos();
    let (sb, cb) = libration.latitude.radians().sin_cos();
    // The observer's direction, the globe's east and north on the disc.
    let towards = Vector3::new(cb * cl, cb * sl, sb);
    let east = Vector3::new(-sl, cl, 0.0);
    let up = towards.cross(&east);
    let flip = if mirrored { -1.0 } else { 1.0 };
    let (s, c) = north.radians().sin_cos();
    // North lies clockwise from up by `north`; the globe's east lies to the right of it.
    let right = east * (c * flip) + up * s;
    let down = east * (s * flip) - up * c;
    Matrix3::from_rows(&[right.transpose(), down.transpose(), towards.transpose()])
}

/// Aligns two discs on their features, starting from an expected passage; Gauss-Newton on the weighted
/// differences. `None` where they share too few.
pub(in crate::solve) fn align(first: &Features, second: &Features, passage: &Passage) -> Option<Shift> {
    let half = SIDE as f64 / 2.0;
    // Every second cell: neighbours share the blur.
    let cells: Vec<(f64, f64, f32, f32)> = (0..SIDE / 2 * (SIDE / 2))
        .filter_map(|i| {
            let (column, row) = (2 * (i % (SIDE / 2)), 2 * (i / (SIDE / 2)));
            let worth = first.worth.get(column, row);
            let x = (column as f64 + 0.5 - half) / RADIUS;
            let y = (row as f64 + 0.5 - half) / RADIUS;
            let (px, py) = passage.apply(x, y)?;
            (worth > 0.05).then(|| (px, py, first.detail.get(column, row), worth))
        })
        .collect();
    let (mut right, mut down, mut turn) = (0.0f64, 0.0f64, 0.0f64);
    let mut result = None;
    for _ in 0..12 {
        let (mut normal, mut gradient) = (Matrix3::<f64>::zeros(), Vector3::zeros());
        let (mut cross, mut aa, mut bb, mut misfit, mut weights) = (0.0, 0.0, 0.0, 0.0, 0.0);
        let (s, c) = turn.sin_cos();
        for &(px, py, a, worth_a) in &cells {
            let (qx, qy) = (px * c - py * s + right, px * s + py * c + down);
            let (gx, gy) = (half + qx * RADIUS, half + qy * RADIUS);
            let worth = f64::from(worth_a * second.worth.sample(gx, gy));
            if worth < 0.02 {
                continue;
            }
            let at = |dx: f64, dy: f64| f64::from(second.detail.sample(gx + dx, gy + dy));
            let (b, a) = (at(0.0, 0.0), f64::from(a));
            let (sx, sy) =
                ((at(1.0, 0.0) - at(-1.0, 0.0)) / 2.0 * RADIUS, (at(0.0, 1.0) - at(0.0, -1.0)) / 2.0 * RADIUS);
            let row = Vector3::new(sx, sy, -sx * qy + sy * qx);
            let off = a - b;
            // A crater's glint or a stray edge shall not decide.
            let robust = 1.0 / (1.0 + (off / 0.08).powi(2));
            let w = worth * robust;
            normal += row * row.transpose() * w;
            gradient += row * (w * off);
            (cross, aa, bb) = (cross + worth * a * b, aa + worth * a * a, bb + worth * b * b);
            (misfit, weights) = (misfit + w * off * off, weights + w);
        }
        if weights < 150.0 {
            return None;
        }
        let solver = (normal + Matrix3::identity() * 1e-9).cholesky()?;
        let step = solver.solve(&gradient);
        (right, down, turn) = (right + step.x, down + step.y, turn + step.z);
        if right.hypot(down) > 0.08 || turn.abs() > 0.15 {
            return None;
        }
        let inverse = solver.inverse();
        // What the fine smoothing leaves alike: cells this near are one observation.
        let shared = 2.0 * std::f64::consts::PI * SHARP.fine * SHARP.fine / 4.0;
        let variance = misfit / weights * shared.max(1.0);
        result = Some(Shift {
            right,
            down,
            turn: Angle::from_radians(turn),
            sigma: ((inverse[(0, 0)] + inverse[(1, 1)]) / 2.0 * variance).sqrt(),
            turn_sigma: Angle::from_radians((inverse[(2, 2)] * variance).sqrt()),
            correlation: cross / (aa * bb).sqrt().max(1e-12),
        });
        if step.norm() < 1e-6 {
            break;
        }
    }
    result.filter(|s| s.correlation > 0.3)
}

#[cfg(test)]
mod tests {
    use super::super::features::tests::drawn;
    use super::super::globes::globe;
    use super::*;

    #[test]
    fn a_disc_off_its_centre_is_told_by_the_map() {
        let libration = globe(3.0, -4.0);
        let map = Features::of_map(&libration).unwrap();
        for (north, mirrored) in [(12.0, false), (200.0, false), (77.0, true)] {
            let north = Angle::from_degrees(north);
            let disc = drawn(&libration, north, mirrored, (0.012, -0.006));
            let shift = align(&map, &disc, &Passage::from_map(&libration, north, mirrored)).unwrap();
            assert!((shift.right - 0.012).abs() < 1e-3 && (shift.down + 0.006).abs() < 1e-3, "{mirrored}: {shift:?}");
        }
    }

    #[test]
    fn a_shift_of_a_hundredth_of_the_radius_is_measured() {
        let (a, b) = (globe(3.0, -4.0), globe(3.9, -4.3));
        let norths = (Angle::from_degrees(12.0), Angle::from_degrees(17.0));
        let first = drawn(&a, norths.0, false, (0.0, 0.0));
        let second = drawn(&b, Angle::from_degrees(17.4), false, (0.010, -0.004));
        let shift = align(&first, &second, &Passage::between((&a, norths.0), (&b, norths.1), false)).unwrap();
        assert!((shift.right - 0.010).abs() < 6e-4 && (shift.down + 0.004).abs() < 6e-4, "{shift:?}");
        assert!((shift.turn.degrees() - 0.4).abs() < 0.1, "{shift:?}");
    }
}
