//! The camera's clock, by the Earth's shadow.
//!
//! At each partial phase the penumbra's light falls across the disc by a law that geometry fixes; where
//! it lies tells how far the shadow's axis is from the Moon's centre, and the ephemeris tells when
//! that was so. Before greatest eclipse the distance shrinks, after it grows: an error of the shadow's
//! size moves both sides apart, an error of the clock moves both the same way.
//!
//! Only distances are used, so the camera's orientation need not be known (where it is, the seas are
//! divided out). Neglected: the shadow's flattening and its vague edge, which the offset common to both
//! sides takes up.

use super::measure::Moon;
use super::sequence::Sequence;
use super::sky_place::SkyPlace;
use crate::detect::{Cutout, DiscFit, RADIUS, SIDE};
use crate::registration::{ClockEstimate, Orientation};
use crate::sky::{Danjon, Libration, Observer, ShadowLight, SurfaceDetail, lunar_albedo};
use crate::units::{Angle, Instant};
use nalgebra::{Matrix2, Matrix3, Vector2, Vector3};
use rayon::prelude::*;

/// How far the shadow's axis is from the Moon's centre, as one disc shows it.
#[derive(Clone, Copy, Debug)]
pub(super) struct ShadowDistance {
    pub instant: Instant,
    pub distance: Angle,
    pub sigma: Angle,
    /// Towards the axis, clockwise from the image's up.
    pub towards: Angle,
    pub towards_sigma: Angle,
}

/// A cell of a disc: place in radii (right, down), logarithm of light without the seas.
#[derive(Clone, Copy)]
struct Cell {
    x: f64,
    y: f64,
    light: f64,
}

/// Seas of the globe as they lie on a disc.
fn albedo_on(orientation: &Orientation, libration: &Libration, x: f64, y: f64) -> f64 {
    // Offsets towards celestial north and east, then along the Moon's own axis.
    let (s, c) = orientation.up_position_angle.radians().sin_cos();
    let x_sky = if orientation.mirrored { -x } else { x };
    let (north, east) = (-y * c + x_sky * s, -y * s - x_sky * c);
    let (sp, cp) = libration.axis_position_angle.radians().sin_cos();
    let (along, across) = (north * cp + east * sp, north * sp - east * cp);
    let (latitude, longitude) = libration.selenographic(across, along);
    lunar_albedo(SurfaceDetail::Coarse, latitude, longitude)
}

fn cells(cutout: &Cutout, fit: &DiscFit, place: &SkyPlace, orientation: Option<&Orientation>) -> Vec<Cell> {
    let half = SIDE as f64 / 2.0;
    let least = (8.0 * cutout.noise).max(0.01 * fit.disc_level);
    (0..SIDE * SIDE / 9)
        .filter_map(|i| {
            let (column, row) = (3 * (i % (SIDE / 3)), 3 * (i / (SIDE / 3)));
            let (x, y) = ((column as f64 + 0.5 - half) / RADIUS, (row as f64 + 0.5 - half) / RADIUS);
            if x.hypot(y) > 0.93 {
                return None;
            }
            let at = cutout.cell_of(fit, x, y);
            let value = cutout.light.sample(at.0, at.1);
            let over = value - fit.sky_level;
            if over < least || value > 0.93 {
                return None;
            }
            let seas = orientation.map_or(1.0, |o| albedo_on(o, &place.libration, x, y));
            Some(Cell { x, y, light: f64::from(over).ln() - seas.ln() })
        })
        .collect()
}

/// What a trial distance and direction leave of a disc's light.
struct Trial {
    misfit: f64,
    weight: f64,
}

/// Light of a disc against the shadow at `at` (right, down, in radii): weighted, robust.
fn compare(
    cells: &[Cell],
    law: &dyn Fn(f64) -> f64,
    at: (f64, f64),
    visit: &mut dyn FnMut(&Cell, f64, f64, f64),
) -> Trial {
    let modelled: Vec<(f64, f64)> = cells
        .iter()
        .map(|c| {
            let light = law((c.x - at.0).hypot(c.y - at.1));
            // Umbral light depends on the night's weather, not on geometry.
            (light.ln(), light / (light + 0.05))
        })
        .collect();
    let mut gain = 0.0;
    let mut scale = f64::INFINITY;
    for _ in 0..4 {
        let (mut sum, mut weights) = (0.0, 1e-12);
        for (c, (model, w)) in cells.iter().zip(&modelled) {
            let u = (c.light - model - gain) / scale;
            let w = w / (1.0 + u * u);
            sum += w * (c.light - model);
            weights += w;
        }
        gain = sum / weights;
        scale = 0.25;
    }
    let (mut misfit, mut weight) = (0.0, 0.0);
    for (c, (model, w)) in cells.iter().zip(&modelled) {
        let off = c.light - model - gain;
        misfit += w * (1.0 + (off / 0.25).powi(2)).ln() * 0.0625;
        weight += w;
        visit(c, off, *model, w / (1.0 + (off / 0.25).powi(2)));
    }
    Trial { misfit: misfit / weight.max(1e-9), weight }
}

/// Measures one disc; `None` unless the umbra's edge crosses it.
pub(super) fn shadow_distance(
    cutout: &Cutout,
    fit: &DiscFit,
    place: &SkyPlace,
    orientation: Option<&Orientation>,
) -> Option<ShadowDistance> {
    let cells = cells(cutout, fit, place, orientation);
    if cells.len() < 120 {
        return None;
    }
    let unit = place.semidiameter.radians();
    let shadow = &place.shadow;
    let light = ShadowLight::new(shadow.umbra_radius, shadow.penumbra_radius, Danjon { scale: 2.0 });
    let law = |radii: f64| light.radiance(Angle::from_radians(radii * unit)).iter().sum::<f64>() / 3.0;
    let (umbra, penumbra) = (shadow.umbra_radius.radians() / unit, shadow.penumbra_radius.radians() / unit);
    // The shadow lies away from the light.
    let (mut mx, mut my, mut total) = (0.0, 0.0, 0.0);
    for c in &cells {
        let v = c.light.exp();
        (mx, my, total) = (mx + v * c.x, my + v * c.y, total + v);
    }
    let towards = (-my / total).atan2(-mx / total);
    let mut best: Option<(f64, f64, f64)> = None;
    let some: Vec<Cell> = cells.iter().step_by((cells.len() / 250).max(1)).copied().collect();
    for i in 0..36 {
        let distance = umbra - 0.9 + f64::from(i) * (penumbra - umbra + 1.9) / 35.0;
        for j in -2..=2 {
            let direction = towards + f64::from(j) * 0.2;
            let at = (distance * direction.cos(), distance * direction.sin());
            let trial = compare(&some, &law, at, &mut |_, _, _, _| {});
            if best.is_none_or(|b| trial.misfit < b.0) {
                best = Some((trial.misfit, distance, direction));
            }
        }
    }
    let (_, mut distance, mut direction) = best?;
    let mut sigma = f64::INFINITY;
    let mut direction_sigma = f64::INFINITY;
    for _ in 0..12 {
        let (s, c) = direction.sin_cos();
        let at = (distance * c, distance * s);
        let (mut normal, mut gradient, mut misfit) = (Matrix3::<f64>::zeros(), Vector3::zeros(), 0.0);
        let step = 1e-4;
        let trial = compare(&cells, &law, at, &mut |cell, off, model, w| {
            let there = |d: f64, a: f64| law((cell.x - d * a.cos()).hypot(cell.y - d * a.sin())).ln();
            let by_distance = (there(distance + step, direction) - model) / step;
            let by_direction = (there(distance, direction + step) - model) / step;
            let row = Vector3::new(by_distance, by_direction, 1.0);
            normal += row * row.transpose() * w;
            gradient += row * (w * off);
            misfit += w * off * off;
        });
        let solver = (normal + Matrix3::identity() * 1e-9).cholesky()?;
        let change = solver.solve(&gradient);
        distance += change.x.clamp(-0.1, 0.1);
        direction += change.y.clamp(-0.1, 0.1);
        // Seas that the map does not know reach over some thirty cells.
        let variance = 30.0 * misfit / trial.weight.max(1.0);
        let inverse = solver.inverse();
        sigma = (inverse[(0, 0)] * variance).sqrt();
        direction_sigma = (inverse[(1, 1)] * variance).sqrt();
        if change.x.abs() < 1e-5 && change.y.abs() < 1e-5 {
            break;
        }
    }
    let crosses = distance > umbra - 0.8 && distance < umbra + 0.9;
    (crosses && sigma.is_finite() && sigma < 0.2).then(|| ShadowDistance {
        instant: place.instant,
        distance: Angle::from_radians(distance * unit),
        sigma: Angle::from_radians(sigma.hypot(0.006) * unit),
        // From rightwards through down to upwards through right.
        towards: Angle::from_radians(direction + std::f64::consts::FRAC_PI_2).normalized(),
        towards_sigma: Angle::from_radians(direction_sigma),
    })
}

/// What the shadow says of a rig's clock, its discs oriented as found.
///
/// The shadow's size and the globe's turn depend a little on the time themselves: where the clock is off
/// they are taken again with the time put right.
pub(super) fn read(
    sequence: &Sequence<'_>,
    moons: &[Option<Moon>],
    turns: &[Option<Orientation>],
) -> Option<ClockEstimate> {
    let observer = &sequence.observer()?;
    let measure = |ahead_s: f64| {
        let measured: Vec<ShadowDistance> = (0..moons.len())
            .into_par_iter()
            .filter_map(|k| {
                let (moon, instant) = (moons[k].as_ref()?, sequence.place(k)?.instant);
                let place = SkyPlace::at(observer, instant.plus_seconds(-ahead_s));
                let found = shadow_distance(moon.cutout.as_ref()?, &moon.fit, &place, turns[k].as_ref())?;
                Some(ShadowDistance { instant, ..found })
            })
            .collect();
        estimate(observer, &measured)
    };
    let first = measure(0.0)?;
    if first.ahead_s.abs() < 60.0 { Some(first) } else { measure(first.ahead_s).or(Some(first)) }
}

/// How far from the axis the Moon was, tabulated and interpolated by cubics.
struct Distances {
    start: Instant,
    values: Vec<f64>,
}

const TABLE_STEP_S: f64 = 240.0;
/// Clocks are looked for this far off: the widest pair of zones is fourteen hours apart.
const FARTHEST_S: f64 = 14.6 * 3600.0;

impl Distances {
    fn new(observer: &Observer, from: Instant, to: Instant) -> Self {
        let start = from.plus_seconds(-FARTHEST_S - 2.0 * TABLE_STEP_S);
        let count = ((to.seconds_since(start) + FARTHEST_S) / TABLE_STEP_S) as usize + 4;
        let values = (0..count)
            .into_par_iter()
            .map(|i| {
                let place = SkyPlace::at(observer, start.plus_seconds(i as f64 * TABLE_STEP_S));
                place.shadow.separation().radians()
            })
            .collect();
        Distances { start, values }
    }

    /// Value and slope (per second) at an instant, by Catmull and Rom's cubic.
    fn at(&self, instant: Instant) -> (f64, f64) {
        let x = instant.seconds_since(self.start) / TABLE_STEP_S;
        let i = (x.floor() as usize).clamp(1, self.values.len() - 3);
        let t = x - i as f64;
        let [a, b, c, d] = [self.values[i - 1], self.values[i], self.values[i + 1], self.values[i + 2]];
        let (m0, m1) = ((c - a) / 2.0, (d - b) / 2.0);
        let k3 = 2.0 * (b - c) + m0 + m1;
        let k2 = 3.0 * (c - b) - 2.0 * m0 - m1;
        (b + t * (m0 + t * (k2 + t * k3)), (m0 + t * (2.0 * k2 + t * 3.0 * k3)) / TABLE_STEP_S)
    }
}

/// How well the shadow's size is known beforehand: its edge is vague by half a minute of arc.
const EDGE_SIGMA_RAD: f64 = 30.0 / 206_264.806;

/// The clock that makes the measured distances agree with the ephemeris; `None` from fewer than five.
///
/// # Accuracy
/// The suite's table: within some seconds from a whole sequence of partial phases of a 250-px disc.
fn estimate(observer: &Observer, measured: &[ShadowDistance]) -> Option<ClockEstimate> {
    if measured.len() < 5 {
        return None;
    }
    let from = measured.iter().map(|m| m.instant).min_by(|a, b| a.tt_seconds().total_cmp(&b.tt_seconds()))?;
    let to = measured.iter().map(|m| m.instant).max_by(|a, b| a.tt_seconds().total_cmp(&b.tt_seconds()))?;
    let table = Distances::new(observer, from, to);
    let cost = |ahead: f64| {
        let offs: Vec<(f64, f64)> = measured
            .iter()
            .map(|m| (m.distance.radians() - table.at(m.instant.plus_seconds(-ahead)).0, m.sigma.radians()))
            .collect();
        // The common offset by a few rounds of reweighting.
        let mut offset = 0.0;
        for _ in 0..4 {
            let (mut sum, mut weights) = (0.0, 1.0 / (EDGE_SIGMA_RAD * EDGE_SIGMA_RAD));
            for (off, sigma) in &offs {
                let u = (off - offset) / (3.0 * sigma);
                let w = 1.0 / (sigma * sigma * (1.0 + u * u));
                sum += w * off;
                weights += w;
            }
            offset = sum / weights;
        }
        let misfit: f64 = offs.iter().map(|(off, sigma)| (1.0 + ((off - offset) / (3.0 * sigma)).powi(2)).ln()).sum();
        9.0 * misfit + (offset / EDGE_SIGMA_RAD).powi(2)
    };
    let coarse = (-(FARTHEST_S / 120.0) as i64..=(FARTHEST_S / 120.0) as i64)
        .map(|i| i as f64 * 120.0)
        .min_by(|a, b| cost(*a).total_cmp(&cost(*b)).then(a.abs().total_cmp(&b.abs())))?;
    settle(&table, measured, coarse)
}

/// Gauss-Newton on the clock and the common offset together.
fn settle(table: &Distances, measured: &[ShadowDistance], coarse: f64) -> Option<ClockEstimate> {
    let (mut ahead, mut offset) = (coarse, 0.0);
    let mut sigma_s = f64::INFINITY;
    for _ in 0..30 {
        let prior = 1.0 / (EDGE_SIGMA_RAD * EDGE_SIGMA_RAD);
        let mut normal = Matrix2::new(0.0, 0.0, 0.0, prior);
        let mut gradient = Vector2::new(0.0, -offset * prior);
        let (mut chi, mut count) = (0.0, 0.0);
        for m in measured {
            let (value, slope) = table.at(m.instant.plus_seconds(-ahead));
            let off = m.distance.radians() - value - offset;
            let u = off / (3.0 * m.sigma.radians());
            let w = 1.0 / (m.sigma.radians().powi(2) * (1.0 + u * u));
            // The distance expected at `instant - ahead` falls by the slope for each second ahead.
            let row = Vector2::new(-slope, 1.0);
            normal += row * row.transpose() * w;
            gradient += row * (w * off);
            chi += w * off * off;
            count += 1.0;
        }
        let inverse = normal.try_inverse()?;
        let step = inverse * gradient;
        ahead += step.x.clamp(-300.0, 300.0);
        offset += step.y;
        sigma_s = (inverse[(0, 0)] * (chi / (count - 2.0_f64).max(1.0)).max(1.0)).sqrt();
        if step.x.abs() < 0.01 {
            break;
        }
    }
    let within = ahead.abs() < FARTHEST_S && sigma_s < 1800.0;
    within.then_some(ClockEstimate { ahead_s: ahead, sigma_s, frames: measured.len(), put_right: false })
}
