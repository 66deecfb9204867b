//! The pointing of a camera on a tripod that nobody turned, from knock to knock.
//!
//! The Moon's measured places against its refracted track give azimuth, altitude, roll, focal
//! length and radial distortion. A start comes from pairs of frames (the TRIAD method, Black 1964,
//! AIAA J. 2, 1350) and the pair that most other frames agree with wins, so a street lamp taken for
//! the Moon has no vote. Then least squares with Tukey's biweight.
//!
//! Somebody touches the tripod, and from then on it points elsewhere: frames that disagree with the
//! first pointing are tried for another (large knocks); residuals that jump once and stay are split
//! there (small ones). All stretches share one lens.

use super::frame::DiscFit;
use crate::raster::PixelPoint;
use crate::sky::{CameraPointing, Horizontal, Lens, Vector3};
use crate::units::{Angle, Instant};
use nalgebra::{DMatrix, DVector, Matrix3, SMatrix};

/// Candidate discs of a frame and where the Moon then stood.
#[derive(Clone, Debug)]
pub(super) struct Sighting {
    /// When.
    pub instant: Instant,
    /// Refracted place of the Moon.
    pub seen: Horizontal,
    /// Discs found in the frame, best first.
    pub discs: Vec<DiscFit>,
}

/// The pointing solved for one stretch of the night.
#[derive(Clone, Copy, Debug)]
pub struct PointingSolution {
    /// When it begins to hold; `None` for the first of the night.
    pub from: Option<Instant>,
    /// Aim and lens.
    pub pointing: CameraPointing,
    /// Root mean square residual of the frames that agree, pixels.
    pub rms_px: f64,
    /// How many frames agree.
    pub frames: usize,
    /// Covariance of azimuth, altitude, roll (radians), relative focal length and k1; not kept in files.
    pub(super) covariance: SMatrix<f64, 5, 5>,
}

impl PointingSolution {
    /// A solution read back: nothing is known of its covariance.
    pub(super) fn as_kept(from: Option<Instant>, pointing: CameraPointing, rms_px: f64, frames: usize) -> Self {
        PointingSolution { from, pointing, rms_px, frames, covariance: SMatrix::zeros() }
    }

    /// How well it knows where a direction of the sky lands, pixels (both axes together).
    pub fn sigma_px(&self, seen: Horizontal) -> f64 {
        let Some(here) = self.pointing.to_pixel(seen) else { return f64::INFINITY };
        let Some(slopes) = slopes_at(&self.pointing, seen, here) else { return f64::INFINITY };
        let axis = |axis: usize| {
            let row = SMatrix::<f64, 1, 5>::from_fn(|_, k| slopes[k][axis]);
            (row * self.covariance * row.transpose())[(0, 0)]
        };
        (axis(0) + axis(1)).max(0.0).sqrt()
    }
}

/// Aim of a camera from two directions of the sky and their pixels.
fn from_pair(lens: Lens, a: (Horizontal, PixelPoint), b: (Horizontal, PixelPoint)) -> Option<CameraPointing> {
    let triad = |u: Vector3, v: Vector3| {
        let across = u.cross(&v);
        (across.norm() > 1e-4).then(|| {
            let n = across.normalize();
            Matrix3::from_columns(&[u, n, u.cross(&n)])
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

/// How far a disc may lie from where a rough pointing expects it, pixels.
fn rough_tolerance(lens: &Lens) -> f64 {
    (0.012 * lens.focal_length_px).max(6.0)
}

/// Fewest frames that make a pointing.
const FEWEST: usize = 4;

/// The pointing from a pair that most of the sightings agree with.
fn consensus(lens: Lens, sightings: &[&Sighting]) -> Option<CameraPointing> {
    let tolerance = rough_tolerance(&lens);
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
    best.filter(|(agreeing, ..)| *agreeing >= FEWEST).map(|(_, _, pointing)| pointing)
}

/// Solves the pointings of one rig, in the order of time; none when fewer than four frames agree.
/// `sightings` are in the order of time.
pub(super) fn solve(lens: Lens, sightings: &[Sighting]) -> Vec<PointingSolution> {
    let all: Vec<&Sighting> = sightings.iter().collect();
    let Some(first) = consensus(lens, &all) else { return Vec::new() };
    let Some(mut solution) = refine(&[first], &vec![0; sightings.len()], sightings) else { return Vec::new() };
    // Frames that see the Moon, but not there: was the tripod turned?
    let mut starts = solution.pointings();
    while starts.len() < 6 {
        let lens = starts[0].lens;
        let tolerance = rough_tolerance(&lens);
        let misses = |s: &&Sighting| starts.iter().all(|p| nearest(p, s).is_none_or(|(_, off)| off > tolerance));
        let rest: Vec<&Sighting> = sightings.iter().filter(misses).collect();
        let Some(other) = consensus(lens, &rest) else { break };
        if !holds_together(&other, sightings, tolerance) {
            break;
        }
        starts.push(other);
    }
    if starts.len() > 1 {
        let labels = stretches(&starts, sightings);
        let Some(joint) = in_order(&starts, labels).and_then(|(starts, labels)| refine(&starts, &labels, sightings))
        else {
            return solution.finish(sightings);
        };
        solution = joint;
    }
    // Small knocks show as a step of the residuals.
    while solution.segments.len() < 12 {
        let Some(split) = strongest_step(&solution, sightings).and_then(|at| knocked(&solution, at, sightings)) else {
            break;
        };
        solution = split;
    }
    solution.finish(sightings)
}

/// Whether most sightings of the time between a pointing's first and last frame agree with it: a
/// stretch of the night, not a lamp that passes for the Moon now and then.
fn holds_together(pointing: &CameraPointing, sightings: &[Sighting], tolerance: f64) -> bool {
    let agrees: Vec<bool> =
        sightings.iter().map(|s| nearest(pointing, s).is_some_and(|(_, off)| off < tolerance)).collect();
    let (Some(first), Some(last)) = (agrees.iter().position(|a| *a), agrees.iter().rposition(|a| *a)) else {
        return false;
    };
    let count = agrees[first..=last].iter().filter(|a| **a).count();
    count >= FEWEST && count * 10 >= (last - first + 1) * 6
}

/// Which pointing each sighting belongs to, changing as seldom as the residuals allow (Viterbi 1967).
fn stretches(starts: &[CameraPointing], sightings: &[Sighting]) -> Vec<usize> {
    const SWITCH: f64 = 2.0;
    let tolerance = rough_tolerance(&starts[0].lens);
    let cost =
        |s: &Sighting, p: &CameraPointing| nearest(p, s).map_or(1.0, |(_, off)| (off / tolerance).min(1.0).powi(2));
    let mut total = vec![0.0f64; starts.len()];
    let mut came_from: Vec<Vec<usize>> = Vec::new();
    for sighting in sightings {
        let best = (0..starts.len()).min_by(|&a, &b| total[a].total_cmp(&total[b])).unwrap_or(0);
        let from: Vec<usize> =
            (0..starts.len()).map(|k| if total[k] <= total[best] + SWITCH { k } else { best }).collect();
        total = (0..starts.len())
            .map(|k| {
                let change = if from[k] == k { 0.0 } else { SWITCH };
                total[from[k]] + change + cost(sighting, &starts[k])
            })
            .collect();
        came_from.push(from);
    }
    let mut label = (0..starts.len()).min_by(|&a, &b| total[a].total_cmp(&total[b])).unwrap_or(0);
    let mut labels = vec![0; sightings.len()];
    for i in (0..sightings.len()).rev() {
        labels[i] = label;
        label = came_from[i][label];
    }
    labels
}

/// Stretches numbered in the order of time; a pointing that comes back begins a stretch of its own.
fn in_order(starts: &[CameraPointing], labels: Vec<usize>) -> Option<(Vec<CameraPointing>, Vec<usize>)> {
    let mut ordered: Vec<CameraPointing> = Vec::new();
    let mut out = Vec::with_capacity(labels.len());
    let mut before = None;
    for label in labels {
        if before != Some(label) {
            ordered.push(*starts.get(label)?);
            before = Some(label);
        }
        out.push(ordered.len() - 1);
    }
    Some((ordered, out))
}

/// Aims for stretches of the night through one lens.
#[derive(Clone, Debug)]
struct Solved {
    lens: Lens,
    /// Azimuth, altitude, roll of each stretch.
    segments: Vec<[Angle; 3]>,
    /// The stretch of each sighting.
    labels: Vec<usize>,
    rms_px: f64,
    tolerance: f64,
    /// Inverse of the normal matrix times the variance of unit weight: lens first, then the stretches.
    covariance: DMatrix<f64>,
    /// How many parameters of the lens are in it.
    shared: usize,
}

fn aimed(lens: Lens, [azimuth, altitude, roll]: [Angle; 3]) -> CameraPointing {
    CameraPointing { lens, azimuth, altitude, roll }
}

impl Solved {
    fn pointings(&self) -> Vec<CameraPointing> {
        self.segments.iter().map(|aim| aimed(self.lens, *aim)).collect()
    }

    /// The same with one stretch made two: the second begins with sighting `at`.
    fn split_at(&self, at: usize) -> (Vec<CameraPointing>, Vec<usize>) {
        let mut starts = self.pointings();
        let label = self.labels[at];
        starts.insert(label, starts[label]);
        let labels = self.labels.iter().enumerate().map(|(i, l)| if i >= at { l + 1 } else { *l }).collect();
        (starts, labels)
    }

    fn finish(&self, sightings: &[Sighting]) -> Vec<PointingSolution> {
        let pairs = self.pairs(sightings);
        self.pointings()
            .into_iter()
            .enumerate()
            .map(|(k, pointing)| {
                let offs: Vec<f64> = pairs.iter().filter(|p| p.label == k).map(|p| p.off).collect();
                let rms = (offs.iter().map(|o| o * o).sum::<f64>() / offs.len().max(1) as f64).sqrt();
                let first = self.labels.iter().position(|l| *l == k);
                PointingSolution {
                    from: first.filter(|_| k > 0).map(|i| sightings[i].instant),
                    pointing,
                    rms_px: rms,
                    frames: offs.len(),
                    covariance: self.covariance_of(k),
                }
            })
            .collect()
    }

    /// Covariance of one stretch's azimuth, altitude and roll with the lens's.
    fn covariance_of(&self, stretch: usize) -> SMatrix<f64, 5, 5> {
        let at = |k: usize| match k {
            0..3 => Some(self.shared + 3 * stretch + k),
            _ => Some(k - 3).filter(|i| *i < self.shared),
        };
        SMatrix::from_fn(|r, c| at(r).zip(at(c)).map_or(0.0, |cell| self.covariance.get(cell).copied().unwrap_or(0.0)))
    }

    /// The discs that agree.
    fn pairs(&self, sightings: &[Sighting]) -> Vec<Pair> {
        let pointings = self.pointings();
        sightings
            .iter()
            .enumerate()
            .filter_map(|(index, s)| {
                let label = self.labels[index];
                let (disc, off) = nearest(&pointings[label], s)?;
                (off < self.tolerance).then_some(Pair { index, label, seen: s.seen, disc, off })
            })
            .collect()
    }
}

/// A disc that agrees with its stretch's pointing.
struct Pair {
    index: usize,
    label: usize,
    seen: Horizontal,
    disc: DiscFit,
    off: f64,
}

fn residual(p: &CameraPointing, pair: &Pair) -> Option<[f64; 2]> {
    p.to_pixel(pair.seen).map(|e| [e.x - pair.disc.centre.x, e.y - pair.disc.centre.y])
}

fn turned(p: &CameraPointing, d: [f64; 3]) -> CameraPointing {
    CameraPointing {
        azimuth: p.azimuth + Angle::from_radians(d[0]),
        altitude: p.altitude + Angle::from_radians(d[1]),
        roll: p.roll + Angle::from_radians(d[2]),
        ..*p
    }
}

fn with_lens(p: &CameraPointing, focal: f64, k1: f64) -> CameraPointing {
    let lens = Lens { focal_length_px: p.lens.focal_length_px * (1.0 + focal), k1: p.lens.k1 + k1, ..p.lens };
    CameraPointing { lens, ..*p }
}

const STEP: f64 = 1e-6;

/// Derivatives of a direction's pixel by azimuth, altitude, roll, focal length and distortion.
fn slopes_at(p: &CameraPointing, seen: Horizontal, here: PixelPoint) -> Option<[[f64; 2]; 5]> {
    let mut out = [[0.0; 2]; 5];
    for (k, slope) in out.iter_mut().enumerate() {
        let moved = match k {
            0..3 => turned(p, std::array::from_fn(|i| if i == k { STEP } else { 0.0 })),
            3 => with_lens(p, STEP, 0.0),
            _ => with_lens(p, 0.0, STEP),
        };
        let there = moved.to_pixel(seen)?;
        *slope = [(there.x - here.x) / STEP, (there.y - here.y) / STEP];
    }
    Some(out)
}

/// Derivatives of a pair's residual by the same.
fn slopes(p: &CameraPointing, pair: &Pair, here: [f64; 2]) -> Option<[[f64; 2]; 5]> {
    let at = PixelPoint::new(here[0] + pair.disc.centre.x, here[1] + pair.disc.centre.y);
    slopes_at(p, pair.seen, at)
}

fn sigma_of(disc: &DiscFit) -> f64 {
    disc.centre_sigma_px.hypot(0.08)
}

/// Least squares from starts; discs far off are left out, the rest weighted. `None` when too few
/// frames agree in any stretch.
fn refine(starts: &[CameraPointing], labels: &[usize], sightings: &[Sighting]) -> Option<Solved> {
    let lens = starts.first()?.lens;
    let mut solved = Solved {
        lens,
        segments: starts.iter().map(|p| [p.azimuth, p.altitude, p.roll]).collect(),
        labels: labels.to_vec(),
        rms_px: 0.0,
        tolerance: rough_tolerance(&lens),
        covariance: DMatrix::zeros(0, 0),
        shared: 1,
    };
    let stretches = starts.len();
    for _ in 0..25 {
        let pairs = solved.pairs(sightings);
        let least = if stretches == 1 { FEWEST } else { 3 };
        if (0..stretches).any(|k| pairs.iter().filter(|p| p.label == k).count() < least) {
            return None;
        }
        // With few frames or a short arc the distortion cannot be told from the focal length.
        let shared = if pairs.len() >= 10 && widest(&pairs) > 0.5 * solved.lens.focal_length_px { 2 } else { 1 };
        let free = shared + 3 * stretches;
        let (mut normal, mut gradient) = (DMatrix::zeros(free, free), DVector::zeros(free));
        let pointings = solved.pointings();
        let (mut sum, mut weights) = (0.0, 0.0);
        for pair in &pairs {
            let pointing = &pointings[pair.label];
            let here = residual(pointing, pair)?;
            let biweight = (1.0 - (pair.off / solved.tolerance).powi(2)).max(0.0).powi(2);
            let weight = biweight / sigma_of(&pair.disc).powi(2);
            sum += biweight * pair.off * pair.off;
            weights += biweight;
            let slopes = slopes(pointing, pair, here)?;
            let at = |k: usize| if k < 3 { shared + 3 * pair.label + k } else { k - 3 };
            for axis in 0..2 {
                for a in 0..3 + shared {
                    gradient[at(a)] += weight * slopes[a][axis] * here[axis];
                    for b in 0..3 + shared {
                        normal[(at(a), at(b))] += weight * slopes[a][axis] * slopes[b][axis];
                    }
                }
            }
        }
        let solver = normal.cholesky()?;
        // Per-frame errors as they are, not as the limbs promised.
        let chi_square = pairs.iter().map(|p| (p.off / sigma_of(&p.disc)).powi(2)).sum::<f64>();
        let unit = (chi_square / (2.0 * pairs.len() as f64 - free as f64).max(1.0)).max(0.05);
        (solved.covariance, solved.shared) = (solver.inverse() * unit, shared);
        let step = solver.solve(&gradient).map(|s| -s.clamp(-0.2, 0.2));
        solved.lens.focal_length_px *= 1.0 + step[0];
        if shared == 2 {
            solved.lens.k1 += step[1];
        }
        for (k, aim) in solved.segments.iter_mut().enumerate() {
            for (i, angle) in aim.iter_mut().enumerate() {
                *angle = *angle + Angle::from_radians(step[shared + 3 * k + i]);
            }
        }
        solved.rms_px = (sum / weights.max(1e-9)).sqrt();
        solved.tolerance = (4.0 * solved.rms_px + 0.6).min(solved.tolerance);
        if step.norm() < 1e-9 {
            break;
        }
    }
    Some(solved)
}

/// Largest distance between two measured centres, pixels.
fn widest(pairs: &[Pair]) -> f64 {
    let mut widest = 0.0f64;
    for a in pairs {
        for b in pairs {
            widest = widest.max(a.disc.centre.distance(b.disc.centre));
        }
    }
    widest
}

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
fn knocked(solved: &Solved, near: usize, sightings: &[Sighting]) -> Option<Solved> {
    let spread = |s: &Solved| {
        let generous = Solved { tolerance: rough_tolerance(&s.lens), ..s.clone() };
        let offs: Vec<f64> = generous.pairs(sightings).iter().map(|p| p.off).collect();
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
fn strongest_step(solved: &Solved, sightings: &[Sighting]) -> Option<usize> {
    // Discs outside a tightened tolerance may be those after the knock.
    let generous = Solved { tolerance: rough_tolerance(&solved.lens), ..solved.clone() };
    let pointings = solved.pointings();
    let mut best: Option<(f64, usize)> = None;
    for (label, pointing) in pointings.iter().enumerate() {
        let levers: Vec<Lever> = generous
            .pairs(sightings)
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

/// The pointing that holds at an instant, of several in the order of time.
pub(super) fn at(pointings: &[PointingSolution], instant: Option<Instant>) -> Option<&PointingSolution> {
    let begun = |p: &&PointingSolution| p.from.is_none_or(|from| instant.is_some_and(|i| i >= from));
    pointings.iter().rfind(begun).or(pointings.first())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn disc(centre: PixelPoint) -> DiscFit {
        DiscFit {
            centre,
            radius_px: 14.0,
            rectified_radius_px: 14.0,
            centre_sigma_px: 0.05,
            radius_sigma_px: 0.05,
            arc_deg: 300.0,
            residual_px: 0.1,
            edge_width_px: 1.0,
            saturated_share: 0.0,
            disc_level: 0.5,
            mean_level: 0.4,
            sky_level: 0.01,
            contrast: 50.0,
            agreeing: 0.9,
        }
    }

    /// Thirty frames ten minutes apart; from frame 17 on the camera is turned by `knock_deg`.
    fn night(knock_deg: f64) -> (Lens, Vec<Sighting>) {
        let lens = Lens { k1: -0.01, ..Lens::rectilinear(6000, 4000, 3000.0) };
        let camera = |azimuth: f64| CameraPointing {
            lens,
            azimuth: Angle::from_degrees(azimuth),
            altitude: Angle::from_degrees(25.0),
            roll: Angle::from_degrees(1.0),
        };
        let sightings = (0..30)
            .map(|i| {
                let t = f64::from(i);
                let seen = Horizontal {
                    azimuth: Angle::from_degrees(-25.0 + 1.7 * t),
                    altitude: Angle::from_degrees(15.0 + 1.3 * t - 0.03 * t * t),
                };
                let pointing = camera(if i >= 17 { 2.0 + knock_deg } else { 2.0 });
                let wobble = 0.05 * (t * 2.1).sin();
                let p = pointing.to_pixel(seen).unwrap();
                Sighting {
                    instant: Instant::parse_utc("2028-12-31T16:00:00Z").unwrap().plus_seconds(600.0 * t),
                    seen,
                    discs: vec![disc(PixelPoint::new(p.x + wobble, p.y - wobble))],
                }
            })
            .collect();
        (lens, sightings)
    }

    #[test]
    fn an_untouched_tripod_has_one_pointing() {
        let (lens, sightings) = night(0.0);
        let solved = solve(Lens { k1: 0.0, ..lens }, &sightings);
        assert_eq!(solved.len(), 1);
        assert!(solved[0].rms_px < 0.1, "{}", solved[0].rms_px);
        assert!((solved[0].pointing.azimuth.degrees() - 2.0).abs() < 1e-3);
    }

    #[test]
    fn a_knock_begins_a_new_pointing_whether_small_or_large() {
        for knock in [0.05, 0.4, 4.0] {
            let (lens, sightings) = night(knock);
            let solved = solve(Lens { k1: 0.0, ..lens }, &sightings);
            assert_eq!(solved.len(), 2, "knock of {knock} degrees");
            assert_eq!(solved[1].from, Some(sightings[17].instant), "knock of {knock} degrees");
            let turned = solved[1].pointing.azimuth.degrees() - solved[0].pointing.azimuth.degrees();
            assert!((turned - knock).abs() < 2e-3, "{turned}");
        }
    }
}
