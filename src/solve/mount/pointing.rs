//! The pointing of a camera on a tripod that nobody turned, from knock to knock.
//!
//! The Moon's measured places against its refracted track give azimuth, altitude, roll, focal
//! length and radial distortion. A start comes from pairs of frames (the TRIAD method, Black 1964,
//! AIAA J. 2, 1350) and the pair that most other frames agree with wins, so a street lamp taken for
//! the Moon has no vote. Then least squares with Tukey's biweight.
//!
//! Somebody touches the tripod, and from then on it points elsewhere: frames that disagree with the
//! first pointing are tried for another (large knocks); residuals that jump once and stay are split
//! there (small ones). All stretches share one lens. What is left is looked through for knocks that too few frames show (`brief`).

mod brief;
mod knocks;
mod least_squares;
mod stretches;

use crate::detect::DiscFit;
use crate::raster::PixelPoint;
use crate::registration::PointingSolution;
use crate::sky::{CameraPointing, Horizontal, Lens, Vector3};
use crate::units::{Angle, Instant};
use knocks::{knocked, strongest_step};
use least_squares::{bent, refine, slopes_at};
use nalgebra::{Matrix3, SMatrix};
use rayon::prelude::*;
use stretches::{holds_together, in_order, stretches};

/// Candidate discs of a frame and where the Moon then stood.
#[derive(Clone, Debug)]
pub(super) struct Sighted {
    /// When.
    pub instant: Instant,
    /// Refracted place of the Moon.
    pub seen: Horizontal,
    /// Its angular radius.
    pub semidiameter: Angle,
    /// Discs found in the frame, best first.
    pub discs: Vec<DiscFit>,
}

/// How well a pointing knows where a direction of the sky lands, pixels (both axes together).
pub(crate) fn sigma_px(solved: &PointingSolution, seen: Horizontal) -> f64 {
    let Some(here) = solved.pointing.to_pixel(seen) else { return f64::INFINITY };
    let Some(slopes) = slopes_at(&solved.pointing, seen, here) else { return f64::INFINITY };
    let axis = |axis: usize| {
        let row = SMatrix::<f64, 1, 6>::from_fn(|_, k| slopes[k][axis]);
        (row * solved.covariance * row.transpose())[(0, 0)]
    };
    (axis(0) + axis(1)).max(0.0).sqrt()
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
pub(super) fn nearest(pointing: &CameraPointing, sighting: &Sighted) -> Option<(DiscFit, f64)> {
    let expected = pointing.to_pixel(sighting.seen)?;
    sighting.discs.iter().map(|d| (*d, d.centre.distance(expected))).min_by(|a, b| a.1.total_cmp(&b.1))
}

/// How far a disc may lie from where a rough pointing expects it, pixels.
fn rough_tolerance(lens: &Lens) -> f64 {
    (0.012 * lens.focal_length_px).max(6.0)
}

/// How far a disc may lie from where a pointing of that root mean square residual expects it, pixels.
pub(super) fn tolerance_px(rms_px: f64) -> f64 {
    4.0 * rms_px + 0.6
}

/// Fewest frames that make a pointing.
const FEWEST: usize = 4;

/// The pointing that most of the sightings agree with: from pairs of their best discs, or where less than half agree on one
/// (a clipped Moon over a town is the tenth light of its frame), of more.
fn consensus(lens: Lens, sightings: &[&Sighted]) -> Option<CameraPointing> {
    // Some fifty frames spread over the night give pairs enough, and half as many where each has more discs; a long night
    // has hundreds.
    let first = agreed(lens, sightings, BEST);
    let best = match first {
        Some((agreeing, _)) if 2 * agreeing >= sightings.len() => first,
        _ => {
            let deeper = agreed(lens, sightings, DEEPER);
            // Of equals the first.
            [deeper, first].into_iter().flatten().max_by_key(|(agreeing, _)| *agreeing)
        }
    };
    best.filter(|(agreeing, _)| *agreeing >= FEWEST).map(|(_, pointing)| pointing)
}

/// Of how many frames how many of the best discs are paired.
struct Pairs {
    discs: usize,
    frames: usize,
}

const BEST: Pairs = Pairs { discs: 3, frames: 50 };
const DEEPER: Pairs = Pairs { discs: 12, frames: 24 };

/// How many pointings are tried for one lens, at most.
pub(super) const TRIALS: usize = BEST.count() + DEEPER.count();

impl Pairs {
    const fn count(&self) -> usize {
        self.frames * (self.frames - 1) / 2 * self.discs * self.discs
    }
}

/// The pointing from a pair that most others agree with, and how many do.
fn agreed(lens: Lens, sightings: &[&Sighted], pairs: Pairs) -> Option<(usize, CameraPointing)> {
    let tolerance = rough_tolerance(&lens);
    let stride = sightings.len().div_ceil(pairs.frames).max(1);
    let of = |first: usize| (first..sightings.len()).step_by(stride);
    let trials: Vec<CameraPointing> = of(0)
        .flat_map(|i| of(i + stride).map(move |j| (sightings[i], sightings[j])))
        .flat_map(|(a, b)| {
            let (ours, theirs) = (a.discs.iter().take(pairs.discs), b.discs.iter().take(pairs.discs));
            let both = ours.flat_map(move |d| theirs.clone().map(move |e| (d.centre, e.centre)));
            both.filter_map(move |(d, e)| from_pair(lens, (a.seen, d), (b.seen, e)))
        })
        .collect();
    let weighed = trials.into_par_iter().enumerate().map(|(i, trial)| {
        let offs = sightings.iter().filter_map(|s| {
            let expected = trial.to_pixel(s.seen)?;
            s.discs.iter().map(|d| d.centre.distance(expected)).min_by(f64::total_cmp)
        });
        let (count, spread) = offs.filter(|off| *off < tolerance).fold((0, 0.0), |(n, sum), off| (n + 1, sum + off));
        (count, spread, i, trial)
    });
    // The first of equals, whatever the threads do.
    let better = |a: &(usize, f64, usize, CameraPointing), b: &(usize, f64, usize, CameraPointing)| {
        a.0.cmp(&b.0).then(b.1.total_cmp(&a.1)).then(b.2.cmp(&a.2))
    };
    weighed.max_by(better).map(|(count, _, _, trial)| (count, trial))
}

/// Share of the frames whose best discs must agree for the others to have no vote.
const FOREMOST: f64 = 0.6;

/// Whether half of the discs at least that agree with a pointing are the best of their frames.
fn rests_on_the_best(solved: &least_squares::Solved, sightings: &[Sighted]) -> bool {
    let pairs = solved.pairs_within(tolerance_px(solved.rms_px), sightings);
    let is_best =
        |p: &&least_squares::Pair| sightings[p.index].discs.first().is_some_and(|d| d.centre == p.disc.centre);
    2 * pairs.iter().filter(is_best).count() >= pairs.len()
}

/// The pointing by the best disc of each frame alone, where most of those agree. A Moon that the edge of a wide lens draws out shows
/// arcs of smaller circles around its true one, at the same places of each frame: they agree among themselves better than circles
/// laid on an ellipse do.
fn of_foremost(lens: Lens, sightings: &[Sighted]) -> Option<least_squares::Solved> {
    let only_best = |s: &Sighted| Sighted { discs: s.discs.iter().take(1).copied().collect(), ..s.clone() };
    let foremost: Vec<Sighted> = sightings.iter().map(only_best).collect();
    let all: Vec<&Sighted> = foremost.iter().collect();
    let (agreeing, start) = agreed(lens, &all, Pairs { discs: 1, ..BEST })?;
    let is_most = agreeing >= FEWEST && agreeing as f64 >= FOREMOST * foremost.len() as f64;
    let solved = refine(&[start], &vec![0; foremost.len()], &foremost).filter(|_| is_most)?;
    let kept = solved.pairs_within(tolerance_px(solved.rms_px), &foremost).len();
    (kept as f64 >= FOREMOST * foremost.len() as f64).then_some(solved)
}

/// Solves the pointings of one rig, in the order of time; none when fewer than four frames agree.
/// `sightings` are in the order of time.
pub(super) fn solve(lens: Lens, sightings: &[Sighted]) -> Vec<PointingSolution> {
    brief::with_brief(of_stretches(lens, sightings), sightings)
}

/// The pointings of stretches that frames enough show.
fn of_stretches(lens: Lens, sightings: &[Sighted]) -> Vec<PointingSolution> {
    let all: Vec<&Sighted> = sightings.iter().collect();
    let first = consensus(lens, &all).and_then(|start| refine(&[start], &vec![0; sightings.len()], sightings));
    // Whatever else frames show, the Moon is what most of them show best.
    let solved = match first {
        Some(solved) if rests_on_the_best(&solved, sightings) => Some(solved),
        other => of_foremost(lens, sightings).or(other),
    };
    let Some(mut solution) = solved else { return Vec::new() };
    // Frames that see the Moon, but not there: was the tripod turned?
    let mut starts = solution.pointings();
    while starts.len() < 6 {
        let lens = starts[0].lens;
        let tolerance = rough_tolerance(&lens);
        let misses = |s: &&Sighted| starts.iter().all(|p| nearest(p, s).is_none_or(|(_, off)| off > tolerance));
        let rest: Vec<&Sighted> = sightings.iter().filter(misses).collect();
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
    bent(solution, sightings).finish(sightings)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn disc(centre: PixelPoint) -> DiscFit {
        DiscFit::well_seen(centre, 14.0)
    }

    /// Thirty frames ten minutes apart; from frame 17 on the camera is turned by `knock_deg`.
    fn night(knock_deg: f64) -> (Lens, Vec<Sighted>) {
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
                Sighted {
                    instant: Instant::parse_utc("2028-12-31T16:00:00Z").unwrap().plus_seconds(600.0 * t),
                    seen,
                    semidiameter: Angle::from_radians(14.0 / 3000.0),
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
    fn a_knock_that_two_frames_show_is_one_and_a_lamp_is_none() {
        let (lens, sightings) = night(0.6);
        // It was touched before the last two, the last three, or before the first two.
        for (shown, from) in [(&sightings[..19], 17), (&sightings[..20], 17), (&sightings[15..], 2)] {
            let solved = solve(Lens { k1: 0.0, ..lens }, shown);
            assert_eq!(solved.len(), 2, "of {}", shown.len());
            assert_eq!(solved[1].from, Some(shown[from].instant));
            for sighting in shown {
                let held = crate::registration::pointing_at(&solved, Some(sighting.instant)).unwrap();
                assert!(held.pointing.to_pixel(sighting.seen).unwrap().distance(sighting.discs[0].centre) < 2.0);
            }
        }
        // One alone is not believed; nor is a lamp that stands still where the Moon has gone behind a roof.
        assert_eq!(solve(Lens { k1: 0.0, ..lens }, &sightings[..18]).len(), 1);
        let mut lamp = sightings[..17].to_vec();
        for k in [15, 16] {
            lamp[k].discs = vec![disc(PixelPoint::new(5000.0, 3100.0))];
        }
        assert_eq!(solve(Lens { k1: 0.0, ..lens }, &lamp).len(), 1);
        // After two such frames cloud: what those showed stands, for nobody saw the camera put back.
        let speck = |x: f64, y: f64| DiscFit {
            radius_px: 2.0,
            rectified_radius_px: 2.0,
            contrast: 4.0,
            agreeing: 0.2,
            ..disc(PixelPoint::new(x, y))
        };
        let mut clouded = sightings[..24].to_vec();
        clouded[19..].iter_mut().enumerate().for_each(|(i, s)| s.discs = vec![speck(300.0 + 700.0 * i as f64, 900.0)]);
        let solved = solve(Lens { k1: 0.0, ..lens }, &clouded);
        assert_eq!(solved.len(), 2);
        assert!((solved[1].pointing.azimuth.degrees() - solved[0].pointing.azimuth.degrees() - 0.6).abs() < 0.02);
        // A lamp of the Moon's size and a speck where the sky would have carried it are no knock.
        let mut chance = sightings[..17].to_vec();
        chance[15].discs = vec![disc(PixelPoint::new(5000.0, 3100.0))];
        let carried = (
            chance[16].discs[0].centre.x - sightings[15].discs[0].centre.x,
            chance[16].discs[0].centre.y - sightings[15].discs[0].centre.y,
        );
        chance[16].discs = vec![speck(5000.0 + carried.0, 3100.0 + carried.1), disc(PixelPoint::new(700.0, 3600.0))];
        assert_eq!(solve(Lens { k1: 0.0, ..lens }, &chance).len(), 1);
        // A planet goes along with the Moon, and outlasts it in cloud.
        let beside = |s: &Sighted| disc(PixelPoint::new(s.discs[0].centre.x + 260.0, s.discs[0].centre.y - 90.0));
        let mut planet = sightings[..17].to_vec();
        for (k, s) in planet.iter_mut().enumerate().skip(9) {
            s.discs = if k < 15 { vec![s.discs[0], beside(s)] } else { vec![beside(s)] };
        }
        assert_eq!(solve(Lens { k1: 0.0, ..lens }, &planet).len(), 1);
        // Touched and put back: three pointings, the last as the first.
        let (_, untouched) = night(0.0);
        let mut back = untouched.clone();
        back[20..22].clone_from_slice(&sightings[20..22]);
        let solved = solve(Lens { k1: 0.0, ..lens }, &back);
        assert_eq!(solved.len(), 3);
        assert!((solved[2].pointing.azimuth.degrees() - solved[0].pointing.azimuth.degrees()).abs() < 1e-9);
        assert!((solved[1].pointing.azimuth.degrees() - solved[0].pointing.azimuth.degrees() - 0.6).abs() < 0.02);
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
