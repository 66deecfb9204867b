//! Aims for stretches of the night through one lens, by least squares with Tukey's biweight.

use super::{FEWEST, Sighted, nearest, rough_tolerance, tolerance_px};
use crate::detect::DiscFit;
use crate::raster::PixelPoint;
use crate::registration::PointingSolution;
use crate::sky::{CameraPointing, Horizontal, Lens};
use crate::units::Angle;
use nalgebra::{DMatrix, DVector, SMatrix};

/// Aims for stretches of the night through one lens.
#[derive(Clone, Debug)]
pub(super) struct Solved {
    pub(super) lens: Lens,
    /// Azimuth, altitude, roll of each stretch.
    pub(super) segments: Vec<[Angle; 3]>,
    /// The stretch of each sighting.
    pub(super) labels: Vec<usize>,
    pub(super) rms_px: f64,
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
    pub(super) fn pointings(&self) -> Vec<CameraPointing> {
        self.segments.iter().map(|aim| aimed(self.lens, *aim)).collect()
    }

    /// The same with one stretch made two: the second begins with sighting `at`.
    pub(super) fn split_at(&self, at: usize) -> (Vec<CameraPointing>, Vec<usize>) {
        let mut starts = self.pointings();
        let label = self.labels[at];
        starts.insert(label, starts[label]);
        let labels = self.labels.iter().enumerate().map(|(i, l)| if i >= at { l + 1 } else { *l }).collect();
        (starts, labels)
    }

    pub(super) fn finish(&self, sightings: &[Sighted]) -> Vec<PointingSolution> {
        let pairs = self.pairs(sightings);
        self.pointings()
            .into_iter()
            .enumerate()
            .map(|(k, pointing)| {
                let own: Vec<&Pair> = pairs.iter().filter(|p| p.label == k).collect();
                let mean = |of: fn(&Pair) -> f64| own.iter().map(|p| of(p)).sum::<f64>() / own.len().max(1) as f64;
                let square = mean(|p| p.off * p.off);
                // What frames minutes apart have in common is a bend of the lens, or what draws all limbs one way: either way the aim
                // is known no better. (Frames of one bracket share their seas.)
                let left: Vec<(f64, [f64; 2])> = own
                    .iter()
                    .filter_map(|p| Some((sightings[p.index].instant.tt_seconds(), residual(&pointing, p)?)))
                    .collect();
                let pairs = left.windows(2).filter(|w| w[1].0 - w[0].0 > MINUTES_APART_S);
                let products: Vec<f64> = pairs.map(|w| w[0].1[0] * w[1].1[0] + w[0].1[1] * w[1].1[1]).collect();
                let in_common = products.iter().sum::<f64>() / products.len().max(1) as f64;
                let first = self.labels.iter().position(|l| *l == k);
                PointingSolution {
                    from: first.filter(|_| k > 0).map(|i| sightings[i].instant),
                    pointing,
                    rms_px: square.sqrt(),
                    frames: own.len(),
                    covariance: self.covariance_of(k),
                    common_px: in_common.max(0.0).sqrt(),
                }
            })
            .collect()
    }

    /// Covariance of one stretch's azimuth, altitude and roll with the lens's.
    fn covariance_of(&self, stretch: usize) -> SMatrix<f64, 6, 6> {
        let at = |k: usize| match k {
            0..3 => Some(self.shared + 3 * stretch + k),
            _ => Some(k - 3).filter(|i| *i < self.shared),
        };
        SMatrix::from_fn(|r, c| at(r).zip(at(c)).map_or(0.0, |cell| self.covariance.get(cell).copied().unwrap_or(0.0)))
    }

    /// The discs that agree.
    fn pairs(&self, sightings: &[Sighted]) -> Vec<Pair> {
        self.pairs_within(self.tolerance, sightings)
    }

    /// The discs that lie within a distance of where they are expected, pixels.
    pub(super) fn pairs_within(&self, tolerance: f64, sightings: &[Sighted]) -> Vec<Pair> {
        let pointings = self.pointings();
        sightings
            .iter()
            .enumerate()
            .filter_map(|(index, s)| {
                let label = self.labels[index];
                let (disc, off) = nearest(&pointings[label], s)?;
                (off < tolerance).then_some(Pair { index, label, seen: s.seen, disc, off })
            })
            .collect()
    }
}

/// A disc that agrees with its stretch's pointing.
pub(super) struct Pair {
    pub(super) index: usize,
    pub(super) label: usize,
    seen: Horizontal,
    pub(super) disc: DiscFit,
    pub(super) off: f64,
}

pub(super) fn residual(p: &CameraPointing, pair: &Pair) -> Option<[f64; 2]> {
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

fn with_lens(p: &CameraPointing, [focal, k1, k2]: [f64; 3]) -> CameraPointing {
    let lens = Lens {
        focal_length_px: p.lens.focal_length_px * (1.0 + focal),
        k1: p.lens.k1 + k1,
        k2: p.lens.k2 + k2,
        ..p.lens
    };
    CameraPointing { lens, ..*p }
}

const STEP: f64 = 1e-6;

/// Derivatives of a direction's pixel by azimuth, altitude, roll, focal length and the two terms of distortion.
pub(super) fn slopes_at(p: &CameraPointing, seen: Horizontal, here: PixelPoint) -> Option<[[f64; 2]; 6]> {
    let mut out = [[0.0; 2]; 6];
    for (k, slope) in out.iter_mut().enumerate() {
        let step = |at: usize| std::array::from_fn(|i| if i == at { STEP } else { 0.0 });
        let moved = if k < 3 { turned(p, step(k)) } else { with_lens(p, step(k - 3)) };
        let there = moved.to_pixel(seen)?;
        *slope = [(there.x - here.x) / STEP, (there.y - here.y) / STEP];
    }
    Some(out)
}

/// Derivatives of a pair's residual by the same.
pub(super) fn slopes(p: &CameraPointing, pair: &Pair, here: [f64; 2]) -> Option<[[f64; 2]; 6]> {
    let at = PixelPoint::new(here[0] + pair.disc.centre.x, here[1] + pair.disc.centre.y);
    slopes_at(p, pair.seen, at)
}

/// Frames of a bracket follow each other faster.
const MINUTES_APART_S: f64 = 90.0;

pub(super) fn sigma_of(disc: &DiscFit) -> f64 {
    disc.centre_sigma_px.hypot(0.08)
}

/// Least squares from starts; discs far off are left out, the rest weighted. `None` when too few
/// frames agree in any stretch.
pub(super) fn refine(starts: &[CameraPointing], labels: &[usize], sightings: &[Sighted]) -> Option<Solved> {
    refined(starts, labels, sightings, false)
}

/// Once more with a second term of distortion, where the Moon crosses so much of a wide lens that it shows and the first leaves
/// more than limbs do.
pub(super) fn bent(solved: Solved, sightings: &[Sighted]) -> Solved {
    /// What limbs of a few pixels leave.
    const LIMBS_PX: f64 = 0.12;
    /// By how much it must leave less: a term more always does by a little.
    const BETTER: f64 = 0.75;
    if solved.rms_px < LIMBS_PX {
        return solved;
    }
    let kept = |s: &Solved| s.pairs_within(tolerance_px(solved.rms_px), sightings).len();
    match refined(&solved.pointings(), &solved.labels, sightings, true) {
        Some(bent) if bent.rms_px < BETTER * solved.rms_px && kept(&bent) >= kept(&solved) && is_sound(&bent.lens) => {
            bent
        }
        _ => solved,
    }
}

/// Whether a lens goes outwards all the way to the corner.
fn is_sound(lens: &Lens) -> bool {
    let corner = lens.centre.x.hypot(lens.centre.y) / lens.focal_length_px;
    (0..=20)
        .map(|k| corner * f64::from(k) / 20.0)
        .all(|r| 1.0 + 3.0 * lens.k1 * r * r + 5.0 * lens.k2 * r.powi(4) > 0.2)
}

fn refined(starts: &[CameraPointing], labels: &[usize], sightings: &[Sighted], may_bend: bool) -> Option<Solved> {
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
        let crossed = widest(&pairs) / solved.lens.focal_length_px;
        let shared = match pairs.len() {
            16.. if may_bend && crossed > 0.5 => 3,
            10.. if crossed > 0.5 => 2,
            _ => 1,
        };
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
        if shared >= 2 {
            solved.lens.k1 += step[1];
        }
        if shared == 3 {
            solved.lens.k2 += step[2];
        }
        for (k, aim) in solved.segments.iter_mut().enumerate() {
            for (i, angle) in aim.iter_mut().enumerate() {
                *angle = *angle + Angle::from_radians(step[shared + 3 * k + i]);
            }
        }
        solved.rms_px = (sum / weights.max(1e-9)).sqrt();
        solved.tolerance = tolerance_px(solved.rms_px).min(solved.tolerance);
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
