//! The Moon's features on a disc: which way it is turned, and how two discs lie to each other.
//!
//! A disc is divided by its own smooth light (in logarithms, so that exposure drops out), which
//! removes what of the shadow is smooth and leaves seas and rays (`shade` takes out its edge). Against the map of known features that tells the turn of
//! the disc; against the disc of the next frame, turn and shift to a fraction of a pixel. Where the
//! shadow's edge crosses, the smooth light is steep and what it leaves counts for little.

use super::shade;
use crate::detect::{Cutout, DiscFit, RADIUS, SIDE};
use crate::raster::Plane;
use crate::sky::{Libration, SurfaceDetail, lunar_albedo};
use crate::units::Angle;
use nalgebra::{Matrix3, Vector3};

/// Smaller discs do not show which way they are turned, pixels.
const LEAST_RADIUS_PX: f64 = 30.0;
/// How fine the features are that are looked at, cells of the grid.
#[derive(Clone, Copy)]
struct Band {
    /// Detail finer than a Gaussian of this is noise.
    fine: f64,
    /// Smooth light is the mean over a Gaussian of this.
    smooth: f64,
}

/// Seas, bays and rays.
const SHARP: Band = Band { fine: 1.2, smooth: 8.0 };
/// Seas alone, as a disc out of focus, in noise or in few colours shows them.
const SOFT: Band = Band { fine: 4.0, smooth: 14.0 };
/// The limb's own blur and darkening lie outside this share of the radius.
const RIM: f64 = 0.93;

/// Features of a disc: logarithms of light over smooth light, and how much each cell is worth, on a
/// grid in which the disc's radius is [`RADIUS`] cells.
#[derive(Clone, Debug)]
pub(in crate::solve) struct Features {
    detail: Plane,
    worth: Plane,
    drawn_deg: f64,
}

/// Standard deviation by which a shadow that was taken out still draws a turn, degrees, of a disc of so many pixels or more: with it
/// partial phases of ten nights by four other hands are off by 0.3 to 1.5 of their sigmas in the median, discs of 93 pixels in twilight
/// haze, which the air pressed to ovals, by 3.5 (0.07 to 0.16 degrees from 95 pixels on, 0.3 to 0.6 below).
const DRAWN_DEG: f64 = 0.12;
const DRAWN_OF_PX: f64 = 100.0;

impl Features {
    /// Features that tell how a disc is turned and where it lies: those of each pixel that stands clear of the noise, without the
    /// Earth's shadow, whose edge would draw both; `None` where too little of it shows any.
    pub fn without_shadow(cutout: &Cutout, fit: &DiscFit) -> Option<Self> {
        if fit.radius_px < LEAST_RADIUS_PX {
            return None;
        }
        let (light, known) = Self::logarithms(cutout.noise, cutout, fit, SHARP)?;
        let Some(even) = shade::removed(&light, &known) else { return Self::from_logarithms(light, known, SHARP) };
        // Along the edge what is left counts for as little as before.
        let features = Self::weighed_by(even, Some(light), known, SHARP)?;
        Some(Features { drawn_deg: DRAWN_DEG * (DRAWN_OF_PX / fit.radius_px).max(1.0), ..features })
    }

    /// How far what is left of the Earth's shadow may draw their turn, degrees, and that of neighbouring frames alike.
    pub fn drawn_deg(&self) -> f64 {
        self.drawn_deg
    }

    /// Features of a measured disc where each pixel stands clear of the noise; `None` where too little of it shows any.
    pub fn of_disc(cutout: &Cutout, fit: &DiscFit) -> Option<Self> {
        Self::of_any_disc(cutout, fit).filter(|_| fit.radius_px >= LEAST_RADIUS_PX)
    }

    /// Those of a smaller disc, too: they place it where its turn is known, and tell a Moon from a lamp, but the turn not surely.
    pub fn of_any_disc(cutout: &Cutout, fit: &DiscFit) -> Option<Self> {
        Self::above(cutout.noise, cutout, fit, SHARP)
    }

    /// Where the mean over a cell does: enough to tell that a dark disc is a face, and too noisy to place it by.
    pub fn of_dark_disc(cutout: &Cutout, fit: &DiscFit) -> Option<Self> {
        Self::above(cutout.cell_noise(), cutout, fit, SHARP).filter(|_| fit.radius_px >= LEAST_RADIUS_PX)
    }

    /// Its seas alone, where the mean over some cells stands clear of the noise: of a disc that is blurred or noisy.
    pub fn of_soft_disc(cutout: &Cutout, fit: &DiscFit) -> Option<Self> {
        Self::above(cutout.cell_noise() / SOFT.fine as f32, cutout, fit, SOFT)
            .filter(|_| fit.radius_px >= LEAST_RADIUS_PX)
    }

    fn above(noise: f32, cutout: &Cutout, fit: &DiscFit, band: Band) -> Option<Self> {
        let (light, known) = Self::logarithms(noise, cutout, fit, band)?;
        Self::from_logarithms(light, known, band)
    }

    /// Logarithms of a disc's light where it stands clear of a noise, and where that is.
    fn logarithms(noise: f32, cutout: &Cutout, fit: &DiscFit, band: Band) -> Option<(Vec<f32>, Vec<f32>)> {
        let half = SIDE as f64 / 2.0;
        let least = fit.sky_level + (6.0 * noise).max(0.02 * fit.disc_level);
        let mut light = vec![0.0f32; SIDE * SIDE];
        let mut known = vec![0.0f32; SIDE * SIDE];
        // A soft disc's cells are judged by means, too, lest the brighter half of noise pass for light.
        let blurred = (band.fine > SHARP.fine).then(|| cutout.light.blurred(0.5 * band.fine));
        let lit = blurred.as_ref().unwrap_or(&cutout.light);
        // Beside clipped light the rest is bent, too.
        let clipped = cutout.light.data().iter().map(|v| f32::from(u8::from(*v > 0.95))).collect();
        let clipped = Plane::from_data(SIDE, SIDE, clipped)?.blurred(1.5);
        for (i, (l, k)) in light.iter_mut().zip(&mut known).enumerate() {
            let (x, y) = ((i % SIDE) as f64 + 0.5 - half, (i / SIDE) as f64 + 0.5 - half);
            let at = cutout.cell_of(fit, x / RADIUS, y / RADIUS);
            let value = lit.sample(at.0, at.1);
            if x.hypot(y) < RIM * RADIUS && value > least && cutout.shows(at) && clipped.sample(at.0, at.1) < 0.05 {
                (*l, *k) = ((value - fit.sky_level).ln(), 1.0);
            }
        }
        Some((light, known))
    }

    /// What the map of known features shows of a globe turned like this, its north up.
    pub fn of_map(libration: &Libration) -> Option<Self> {
        Self::of_map_in(libration, SHARP)
    }

    /// The seas alone.
    pub fn of_soft_map(libration: &Libration) -> Option<Self> {
        Self::of_map_in(libration, SOFT)
    }

    fn of_map_in(libration: &Libration, band: Band) -> Option<Self> {
        let half = SIDE as f64 / 2.0;
        let globe = libration.globe();
        let mut light = vec![0.0f32; SIDE * SIDE];
        let mut known = vec![0.0f32; SIDE * SIDE];
        for (i, (l, k)) in light.iter_mut().zip(&mut known).enumerate() {
            let (x, y) = (((i % SIDE) as f64 + 0.5 - half) / RADIUS, (half - (i / SIDE) as f64 - 0.5) / RADIUS);
            if x.hypot(y) < RIM {
                (*l, *k) = (lunar_albedo(SurfaceDetail::Coarse, &globe.place(x, y)).ln() as f32, 1.0);
            }
        }
        Self::from_logarithms(light, known, band)
    }

    fn from_logarithms(light: Vec<f32>, known: Vec<f32>, band: Band) -> Option<Self> {
        Self::weighed_by(light, None, known, band)
    }

    /// Detail of a light, worth the less the steeper it is, smoothed, or another where one is given.
    fn weighed_by(light: Vec<f32>, steep: Option<Vec<f32>>, known: Vec<f32>, band: Band) -> Option<Self> {
        let count = known.iter().filter(|k| **k > 0.0).count();
        if (count as f64) < 0.12 * std::f64::consts::PI * RADIUS * RADIUS {
            return None;
        }
        let known = Plane::from_data(SIDE, SIDE, known)?;
        let light = Plane::from_data(SIDE, SIDE, light)?;
        // A mean over what is known only, however ragged its edge (normalised convolution).
        let averaged = |light: &Plane, sigma: f64| {
            let (sum, weight) = (light.blurred(sigma), known.blurred(sigma));
            let data = sum.data().iter().zip(weight.data()).map(|(s, w)| if *w > 0.02 { s / w } else { 0.0 });
            Plane::from_data(SIDE, SIDE, data.collect())
        };
        let (fine, smooth) = (averaged(&light, band.fine)?, averaged(&light, band.smooth)?);
        let steep = steep.map(|steep| averaged(&Plane::from_data(SIDE, SIDE, steep)?, band.smooth));
        let steep = steep.unwrap_or_else(|| Some(smooth.clone()))?;
        let mut detail = Plane::filled(SIDE, SIDE, 0.0);
        let mut worth = Plane::filled(SIDE, SIDE, 0.0);
        for y in 1..SIDE - 1 {
            for x in 1..SIDE - 1 {
                if known.get(x, y) == 0.0 {
                    continue;
                }
                let slope =
                    (steep.get(x + 1, y) - steep.get(x - 1, y)).hypot(steep.get(x, y + 1) - steep.get(x, y - 1)) / 2.0;
                let i = y * SIDE + x;
                detail.data_mut()[i] = (fine.get(x, y) - smooth.get(x, y)).clamp(-0.35, 0.35);
                worth.data_mut()[i] = 1.0 / (1.0 + (slope / 0.025).powi(2));
            }
        }
        Some(Features { detail, worth, drawn_deg: 0.0 })
    }

    /// Root mean square of the detail where it counts: how far a face is from an even ball.
    pub fn roughness(&self) -> f64 {
        let (mut sum, mut weight) = (0.0, 1e-9);
        for (d, w) in self.detail.data().iter().zip(self.worth.data()) {
            sum += f64::from(w * d * d);
            weight += f64::from(*w);
        }
        (sum / weight).sqrt()
    }

    /// Rings around the centre: value and worth at each degree.
    fn rings(&self) -> Vec<[(f32, f32); DEGREES]> {
        let half = SIDE as f64 / 2.0;
        (0..RINGS)
            .map(|ring| {
                let rho = RADIUS * (0.14 + 0.78 * ring as f64 / (RINGS - 1) as f64);
                std::array::from_fn(|degree| {
                    let (s, c) = (degree as f64).to_radians().sin_cos();
                    // Clockwise from up.
                    let (x, y) = (half + rho * s, half - rho * c);
                    (self.detail.sample(x, y), self.worth.sample(x, y) * rho as f32)
                })
            })
            .collect()
    }
}

const RINGS: usize = 14;
const DEGREES: usize = 360;

/// How a disc is turned against the map.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(in crate::solve) struct Turned {
    /// The Moon's north, clockwise from the image's up.
    pub north: Angle,
    /// Whether the image is a mirror image.
    pub mirrored: bool,
    /// Standard deviation, from the disagreement of inner and outer parts.
    pub sigma: Angle,
    /// Correlation with the map, and the best of any other turn.
    pub correlation: f64,
    /// The highest correlation of clearly different turns, mirrored ones included.
    pub runner_up: f64,
}

impl Turned {
    /// Whether the features leave no doubt.
    pub fn is_certain(&self) -> bool {
        self.correlation > 0.22 && self.correlation > 1.25 * self.runner_up && self.sigma.degrees() < 1.5
    }

    /// Whether the features are the Moon's, however well they tell the turn: rendered balls, clocks, windows, charts and
    /// clouds reach 0.19 (`tests/suite/moonless.rs`), noisy and cut Moons of real photographs 0.25 to 0.5.
    pub fn is_a_face(&self) -> bool {
        self.correlation > 0.30 || (self.correlation > 0.24 && self.correlation > 1.15 * self.runner_up)
    }
}

/// Correlation for each whole degree that `disc` is turned clockwise against `map`.
fn correlations(
    disc: &[[(f32, f32); DEGREES]],
    map: &[[(f32, f32); DEGREES]],
    mirrored: bool,
    rings: impl Iterator<Item = usize>,
) -> Vec<f64> {
    let (mut cross, mut of_map, mut of_disc) = ([0.0f64; DEGREES], [0.0f64; DEGREES], 0.0f64);
    for ring in rings {
        // Twice around, so that what lies under one degree of the disc at every turn is a run of neighbours: many turns at once.
        let there: [f32; 2 * DEGREES] = std::array::from_fn(|turn| {
            let along = turn % DEGREES;
            map[ring][if mirrored { along } else { (DEGREES - along) % DEGREES }].0
        });
        let (mut c, mut m, mut d) = ([0.0f32; DEGREES], [0.0f32; DEGREES], 0.0f32);
        for (degree, (value, worth)) in disc[ring].iter().enumerate() {
            let (run, of_disc) = (DEGREES - degree, worth * value);
            c.iter_mut().zip(&there[run..]).for_each(|(c, v)| *c += of_disc * v);
            m.iter_mut().zip(&there[run..]).for_each(|(m, v)| *m += worth * v * v);
            d += of_disc * value;
        }
        cross.iter_mut().zip(c).for_each(|(sum, c)| *sum += f64::from(c));
        of_map.iter_mut().zip(m).for_each(|(sum, m)| *sum += f64::from(m));
        of_disc += f64::from(d);
    }
    cross.iter().zip(of_map).map(|(c, m)| c / (of_disc * m).sqrt().max(1e-12)).collect()
}

/// The peak of a circular series near a whole degree, by a parabola through three.
fn peak(series: &[f64], at: usize) -> f64 {
    let n = series.len();
    let (l, m, r) = (series[(at + n - 1) % n], series[at], series[(at + 1) % n]);
    let bend = l - 2.0 * m + r;
    at as f64 + if bend < 0.0 { (0.5 * (l - r) / bend).clamp(-0.6, 0.6) } else { 0.0 }
}

fn highest(series: &[f64], allowed: impl Fn(usize) -> bool) -> Option<usize> {
    (0..series.len()).filter(|i| allowed(*i)).max_by(|&a, &b| series[a].total_cmp(&series[b]))
}

fn apart(a: f64, b: f64) -> f64 {
    ((a - b + 180.0).rem_euclid(360.0) - 180.0).abs()
}

/// How a disc is turned against the map, when that is known to a few degrees; `None` where its features
/// do not tell.
pub(in crate::solve) fn turn_near(disc: &Features, map: &Features, north: Angle, mirrored: bool) -> Option<Turned> {
    const REACH_DEG: f64 = 6.0;
    let (disc, map) = (disc.rings(), map.rings());
    let near = |i: usize| apart(i as f64, north.normalized().degrees()) <= REACH_DEG;
    let series = correlations(&disc, &map, mirrored, 0..RINGS);
    let top = highest(&series, near)?;
    let turn = peak(&series, top);
    let at_the_end = apart(turn, north.normalized().degrees()) > REACH_DEG - 1.0;
    let sigma = spread_of_parts(&disc, &map, mirrored, turn);
    let holds = series[top] > 0.15 && !at_the_end && sigma.degrees() < 1.0;
    holds.then(|| Turned {
        north: Angle::from_degrees(turn),
        mirrored,
        sigma,
        correlation: series[top],
        runner_up: 0.0,
    })
}

/// Standard deviation of a turn: four parts of the disc answer for themselves.
fn spread_of_parts(disc: &[[(f32, f32); DEGREES]], map: &[[(f32, f32); DEGREES]], mirrored: bool, turn: f64) -> Angle {
    let parts: Vec<f64> = (0..4)
        .filter_map(|part| {
            let own = correlations(disc, map, mirrored, (part..RINGS).step_by(4));
            let at = highest(&own, |i| apart(i as f64, turn) <= 8.0)?;
            Some((peak(&own, at) - turn + 180.0).rem_euclid(360.0) - 180.0)
        })
        .collect();
    let spread = (parts.iter().map(|p| p * p).sum::<f64>() / parts.len().max(1) as f64).sqrt();
    // Four independent parts halve the error of one. They are fewer where a shadow or cloud hides some, and share what the smooth
    // light leaves along its edge: on nights of two simulators errors are 1.25 times as large as that.
    Angle::from_degrees((1.25 * spread / 2.0).hypot(0.03))
}

/// How a disc is turned against the map, whichever way that is.
pub(in crate::solve) fn turn_against(disc: &Features, map: &Features) -> Option<Turned> {
    let (disc, map) = (disc.rings(), map.rings());
    let both: Vec<(bool, Vec<f64>)> =
        [false, true].into_iter().map(|m| (m, correlations(&disc, &map, m, 0..RINGS))).collect();
    let tops: Vec<usize> = both.iter().filter_map(|(_, c)| highest(c, |_| true)).collect();
    let winner = usize::from(*tops.get(1)? != usize::MAX && both[1].1[tops[1]] > both[0].1[tops[0]]);
    let (mirrored, series) = &both[winner];
    let top = tops[winner];
    let elsewhere = highest(series, |i| apart(i as f64, top as f64) > 20.0).map_or(0.0, |i| series[i]);
    let other = both[1 - winner].1[tops[1 - winner]];
    let turn = peak(series, top);
    Some(Turned {
        north: Angle::from_degrees(turn),
        mirrored: *mirrored,
        sigma: spread_of_parts(&disc, &map, *mirrored, turn),
        correlation: series[top],
        runner_up: elsewhere.max(other),
    })
}

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
fn globe_to_image(libration: &Libration, north: Angle, mirrored: bool) -> Matrix3<f64> {
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
    use super::*;
    use crate::raster::PixelPoint;
    use std::sync::Arc;

    fn globe(longitude_deg: f64, latitude_deg: f64) -> Libration {
        Libration {
            longitude: Angle::from_degrees(longitude_deg),
            latitude: Angle::from_degrees(latitude_deg),
            axis_position_angle: Angle::ZERO,
        }
    }

    /// The map's light drawn as a camera would see it.
    fn drawn(libration: &Libration, north: Angle, mirrored: bool, shift: (f64, f64)) -> Features {
        let image = globe_to_image(libration, north, mirrored);
        let half = SIDE as f64 / 2.0;
        let (mut light, mut known) = (vec![0.0; SIDE * SIDE], vec![0.0; SIDE * SIDE]);
        for i in 0..SIDE * SIDE {
            let x = ((i % SIDE) as f64 + 0.5 - half) / RADIUS - shift.0;
            let y = ((i / SIDE) as f64 + 0.5 - half) / RADIUS - shift.1;
            if x.hypot(y) < RIM {
                let p = image.transpose() * Vector3::new(x, y, (1.0 - x * x - y * y).sqrt());
                light[i] = lunar_albedo(SurfaceDetail::Coarse, &p).ln() as f32;
                known[i] = 1.0;
            }
        }
        Features::from_logarithms(light, known, SHARP).unwrap()
    }

    #[test]
    fn the_turn_of_a_disc_is_read_from_its_seas() {
        for (north, mirrored) in [(0.0, false), (37.3, false), (251.8, false), (118.4, true)] {
            let libration = globe(3.0, -4.0);
            let disc = drawn(&libration, Angle::from_degrees(north), mirrored, (0.0, 0.0));
            let found = turn_against(&disc, &Features::of_map(&libration).unwrap()).unwrap();
            assert!(found.is_certain() && found.mirrored == mirrored, "{found:?}");
            assert!(apart(found.north.degrees(), north) < 0.2, "{north}: {found:?}");
        }
    }

    /// The umbra's edge across the globe: what it leaves of itself draws the turn, unless it is taken out by its shape.
    #[test]
    fn the_umbras_edge_hardly_draws_a_turn() {
        let (libration, half) = (globe(3.0, -1.0), SIDE as f64 / 2.0);
        let (mut with, mut without) = (0.0f64, 0.0f64);
        for (north, towards) in [(20.0f64, 0.3f64), (200.0, 2.0), (90.0, 4.0), (310.0, 5.2)] {
            let image = globe_to_image(&libration, Angle::from_degrees(north), false);
            let (axis_x, axis_y) = (2.7 * towards.cos(), 2.7 * towards.sin());
            let light = |i: usize| {
                let (x, y) = (((i % SIDE) as f64 + 0.5 - half) / RADIUS, ((i / SIDE) as f64 + 0.5 - half) / RADIUS);
                if x.hypot(y) >= 1.0 {
                    return 0.0;
                }
                let p = image.transpose() * Vector3::new(x, y, (1.0 - x * x - y * y).sqrt());
                // From copper of a two hundredth to full light within the penumbra, steepest at the umbra's edge.
                let from_edge = (x - axis_x).hypot(y - axis_y) - 2.65;
                let shadow = 0.005 + (from_edge / 1.2).clamp(0.0, 1.0).powf(1.5);
                (0.4 * shadow * lunar_albedo(SurfaceDetail::Coarse, &p)) as f32
            };
            let plane = Plane::from_data(SIDE, SIDE, (0..SIDE * SIDE).map(light).collect()).unwrap();
            let centre = PixelPoint::new(half, half);
            let fit = DiscFit::well_seen(centre, RADIUS);
            let cutout = Cutout {
                light: Arc::new(plane.blurred(1.0)),
                centre,
                cell_px: 1.0,
                noise: 1e-5,
                shown: [0.0, 0.0, SIDE as f64, SIDE as f64],
            };
            let map = Features::of_map(&libration).unwrap();
            let off =
                |disc: Option<Features>| apart(turn_against(&disc.unwrap(), &map).unwrap().north.degrees(), north);
            with = with.max(off(Features::of_disc(&cutout, &fit)));
            without = without.max(off(Features::without_shadow(&cutout, &fit)));
        }
        println!("turns across the umbra's edge: {with:.2} degrees off, {without:.2} with the shadow taken out");
        assert!(without < 0.3 && without < 0.5 * with, "{without:.2} {with:.2}");
    }

    /// A disc of 60 pixels out of focus by a seventh of its radius: its rays are gone and its seas are not.
    #[test]
    fn the_seas_of_a_disc_out_of_focus_are_told() {
        let (libration, half) = (globe(3.0, -4.0), SIDE as f64 / 2.0);
        let image = globe_to_image(&libration, Angle::from_degrees(37.0), false);
        let mut light = Plane::filled(SIDE, SIDE, 0.0);
        for (i, value) in light.data_mut().iter_mut().enumerate() {
            let (x, y) = (((i % SIDE) as f64 + 0.5 - half) / RADIUS, ((i / SIDE) as f64 + 0.5 - half) / RADIUS);
            if x.hypot(y) < 1.0 {
                let p = image.transpose() * Vector3::new(x, y, (1.0 - x * x - y * y).sqrt());
                *value = 0.4 * lunar_albedo(SurfaceDetail::Coarse, &p) as f32;
            }
        }
        let centre = PixelPoint::new(half, half);
        let fit = DiscFit::well_seen(centre, RADIUS);
        let cutout = Cutout {
            light: Arc::new(light.blurred(9.0)),
            centre,
            cell_px: 1.0,
            noise: 0.004,
            shown: [0.0, 0.0, SIDE as f64, SIDE as f64],
        };
        let turned =
            |disc: Option<Features>, map: Option<Features>| turn_against(&disc.unwrap(), &map.unwrap()).unwrap();
        let sharp = turned(Features::of_disc(&cutout, &fit), Features::of_map(&libration));
        let soft = turned(Features::of_soft_disc(&cutout, &fit), Features::of_soft_map(&libration));
        assert!(
            soft.correlation > 2.0 * sharp.correlation && soft.correlation > 2.2 * soft.runner_up,
            "{sharp:?} {soft:?}"
        );
        assert!(apart(soft.north.degrees(), 37.0) < 3.0 && soft.sigma.degrees() < 1.0, "{soft:?}");
    }

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
