//! One pointing for a camera on a tripod that nobody touched.
//!
//! The Moon's measured places against its refracted track give azimuth, altitude, roll, focal
//! length and radial distortion. A start comes from pairs of frames (the TRIAD method, Black 1964,
//! AIAA J. 2, 1350) and the pair that most other frames agree with wins, so a street lamp taken for
//! the Moon has no vote. Then least squares with Tukey's biweight.

use super::frame::DiscFit;
use crate::raster::PixelPoint;
use crate::sky::{CameraPointing, Horizontal, Lens, Vector3};
use crate::units::Angle;
use nalgebra::{DMatrix, DVector};

/// A candidate disc of a frame and where the Moon then stood.
#[derive(Clone, Debug)]
pub(super) struct Sighting {
    /// Refracted place of the Moon.
    pub seen: Horizontal,
    /// Discs found in the frame, best first.
    pub discs: Vec<DiscFit>,
}

/// The solved pointing.
#[derive(Clone, Copy, Debug)]
pub struct PointingSolution {
    /// Aim and lens.
    pub pointing: CameraPointing,
    /// Root mean square residual of the frames that agree, pixels.
    pub rms_px: f64,
    /// How many frames agree.
    pub frames: usize,
}

/// Aim of a camera from two directions of the sky and their pixels.
fn from_pair(lens: Lens, a: (Horizontal, PixelPoint), b: (Horizontal, PixelPoint)) -> Option<CameraPointing> {
    let triad = |u: Vector3, v: Vector3| {
        let across = u.cross(&v);
        (across.norm() > 1e-4).then(|| {
            let n = across.normalize();
            nalgebra::Matrix3::from_columns(&[u, n, u.cross(&n)])
        })
    };
    let world = triad(a.0.direction(), b.0.direction())?;
    let camera = triad(lens.to_direction(a.1), lens.to_direction(b.1))?;
    let axes = world * camera.transpose();
    let (right, forward) = (axes.column(0), axes.column(2));
    let aim = Horizontal::from_direction(&Vector3::new(forward[0], forward[1], forward[2]));
    let level = CameraPointing { lens, azimuth: aim.azimuth, altitude: aim.altitude, roll: Angle::ZERO };
    let [level_right, level_up, _] = level.axes();
    let roll = (-right.dot(&level_up)).atan2(right.dot(&level_right));
    Some(CameraPointing { roll: Angle::from_radians(roll), ..level })
}

/// The disc of a sighting nearest to where the pointing expects it, and how far off.
pub(super) fn nearest(pointing: &CameraPointing, sighting: &Sighting) -> Option<(DiscFit, f64)> {
    let expected = pointing.to_pixel(sighting.seen)?;
    sighting.discs.iter().map(|d| (*d, d.centre.distance(expected))).min_by(|a, b| a.1.total_cmp(&b.1))
}

/// Solves the pointing from the sightings of one rig; `None` when fewer than four agree.
pub(super) fn solve(lens: Lens, sightings: &[Sighting]) -> Option<PointingSolution> {
    let tolerance = (0.012 * lens.focal_length_px).max(6.0);
    let mut best: Option<(usize, f64, CameraPointing)> = None;
    // Some fifty frames spread over the night give pairs enough; a long night has hundreds.
    let stride = sightings.len().div_ceil(50).max(1);
    for i in (0..sightings.len()).step_by(stride) {
        for j in (i + stride..sightings.len()).step_by(stride) {
            for a in sightings[i].discs.iter().take(3) {
                for b in sightings[j].discs.iter().take(3) {
                    let Some(trial) = from_pair(lens, (sightings[i].seen, a.centre), (sightings[j].seen, b.centre))
                    else {
                        continue;
                    };
                    let offs: Vec<f64> = sightings
                        .iter()
                        .filter_map(|s| nearest(&trial, s).map(|(_, off)| off))
                        .filter(|off| *off < tolerance)
                        .collect();
                    let spread = offs.iter().sum::<f64>();
                    let better = best.as_ref().is_none_or(|(n, s, _)| (offs.len(), -spread) > (*n, -*s));
                    if better {
                        best = Some((offs.len(), spread, trial));
                    }
                }
            }
        }
    }
    let (agreeing, _, start) = best?;
    if agreeing < 4 {
        return None;
    }
    refine(start, sightings, tolerance)
}

const PARAMETERS: usize = 5;

fn shifted(p: &CameraPointing, d: &[f64]) -> CameraPointing {
    CameraPointing {
        lens: Lens { focal_length_px: p.lens.focal_length_px * (1.0 + d[3]), k1: p.lens.k1 + d[4], ..p.lens },
        azimuth: p.azimuth + Angle::from_radians(d[0]),
        altitude: p.altitude + Angle::from_radians(d[1]),
        roll: p.roll + Angle::from_radians(d[2]),
    }
}

/// Least squares from a start; discs far off are left out, the rest weighted.
fn refine(start: CameraPointing, sightings: &[Sighting], first_tolerance: f64) -> Option<PointingSolution> {
    let mut pointing = start;
    let mut tolerance = first_tolerance;
    let mut outcome = None;
    for _ in 0..25 {
        let pairs: Vec<(Horizontal, DiscFit)> = sightings
            .iter()
            .filter_map(|s| nearest(&pointing, s).filter(|(_, off)| *off < tolerance).map(|(d, _)| (s.seen, d)))
            .collect();
        if pairs.len() < 4 {
            return None;
        }
        // With few frames or a short arc the distortion cannot be told from the focal length.
        let free = if pairs.len() >= 10 && widest(&pairs) > 0.5 * pointing.lens.focal_length_px { 5 } else { 4 };
        let (mut normal, mut gradient) = (DMatrix::zeros(free, free), DVector::zeros(free));
        let residual = |p: &CameraPointing, seen: Horizontal, d: &DiscFit| {
            p.to_pixel(seen).map(|e| [e.x - d.centre.x, e.y - d.centre.y])
        };
        let (mut sum, mut weights) = (0.0, 0.0);
        for (seen, disc) in &pairs {
            let here = residual(&pointing, *seen, disc)?;
            let off = here[0].hypot(here[1]);
            let sigma = disc.centre_sigma_px.hypot(0.08);
            let biweight = (1.0 - (off / tolerance).powi(2)).max(0.0).powi(2);
            let weight = biweight / (sigma * sigma);
            sum += biweight * off * off;
            weights += biweight;
            let mut jacobian = DMatrix::zeros(2, free);
            for k in 0..free {
                let mut d = [0.0; PARAMETERS];
                d[k] = 1e-6;
                let there = residual(&shifted(&pointing, &d), *seen, disc)?;
                jacobian[(0, k)] = (there[0] - here[0]) / 1e-6;
                jacobian[(1, k)] = (there[1] - here[1]) / 1e-6;
            }
            normal += weight * jacobian.transpose() * &jacobian;
            gradient += weight * jacobian.transpose() * DVector::from_row_slice(&here);
        }
        let step = normal.cholesky()?.solve(&gradient);
        let mut d = [0.0; PARAMETERS];
        (0..free).for_each(|k| d[k] = -step[k].clamp(-0.2, 0.2));
        pointing = shifted(&pointing, &d);
        let rms = (sum / weights.max(1e-9)).sqrt();
        outcome = Some(PointingSolution { pointing, rms_px: rms, frames: pairs.len() });
        tolerance = (4.0 * rms + 0.6).min(tolerance);
        if step.norm() < 1e-9 {
            break;
        }
    }
    outcome
}

/// Largest distance between two measured centres, pixels.
fn widest(pairs: &[(Horizontal, DiscFit)]) -> f64 {
    let mut widest = 0.0f64;
    for (_, a) in pairs {
        for (_, b) in pairs {
            widest = widest.max(a.centre.distance(b.centre));
        }
    }
    widest
}
