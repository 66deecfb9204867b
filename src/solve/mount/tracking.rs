//! How the Moon wanders over the frames of a mount that follows it.
//!
//! A mount set to the Moon's mean rate, a little off the pole, lets the Moon drift slowly and
//! smoothly; its worm swings it to and fro with a period of minutes; now and then somebody centres
//! it again. So: a parabola for each stretch between centrings, and one swing for all. Neglected: the
//! worm's harmonics, and gusts.

use crate::raster::PixelPoint;
use crate::registration::{Drift, TrackingSolution, Wobble};
use crate::units::Instant;
use nalgebra::{DMatrix, DVector};

/// A measured place of the Moon.
#[derive(Clone, Copy, Debug)]
pub(super) struct Waypoint {
    pub instant: Instant,
    pub centre: PixelPoint,
    pub sigma_px: f64,
}

/// Fewest frames that make a stretch.
const FEWEST: usize = 5;

/// Where the path jumps: somebody centred the Moon again. Runs of waypoints between jumps.
fn runs(points: &[Waypoint]) -> Vec<std::ops::Range<usize>> {
    if points.len() < 2 {
        return Vec::new();
    }
    let speed = |i: usize| {
        let hours = (points[i + 1].instant.seconds_since(points[i].instant) / 3600.0).max(1e-6);
        let (a, b) = (points[i].centre, points[i + 1].centre);
        ((b.x - a.x) / hours, (b.y - a.y) / hours, hours)
    };
    let share = |mut v: Vec<f64>, share: f64| {
        v.sort_by(f64::total_cmp);
        v[((v.len() - 1) as f64 * share) as usize]
    };
    let speeds: Vec<_> = (0..points.len() - 1).map(speed).collect();
    let usual = (share(speeds.iter().map(|s| s.0).collect(), 0.5), share(speeds.iter().map(|s| s.1).collect(), 0.5));
    let jump = |s: &(f64, f64, f64)| (s.0 - usual.0).hypot(s.1 - usual.1) * s.2;
    // Centrings are rare; the worm's swing is in most steps.
    let common = share(speeds.iter().map(jump).collect(), 0.8);
    let mut out = Vec::new();
    let mut start = 0;
    for (i, s) in speeds.iter().enumerate() {
        if jump(s) > (4.0 * common).max(6.0) {
            out.push(start..i + 1);
            start = i + 1;
        }
    }
    out.push(start..points.len());
    out.retain(|r| r.len() >= FEWEST);
    out
}

/// A least-squares fit of all stretches with a swing of one period (or none).
struct Fitted {
    drifts: Vec<Drift>,
    wobble: Option<Wobble>,
    rms_px: f64,
    frames: usize,
}

fn fit_track(points: &[Waypoint], runs: &[std::ops::Range<usize>], period_s: Option<f64>) -> Option<Fitted> {
    let first = points[runs.first()?.start].instant;
    let columns = 3 * runs.len() + if period_s.is_some() { 2 } else { 0 };
    let row = |run: usize, p: &Waypoint| {
        let mut row = DVector::zeros(columns);
        let hours = p.instant.seconds_since(points[runs[run].start].instant) / 3600.0;
        row[3 * run] = 1.0;
        row[3 * run + 1] = hours;
        // A short stretch shows no bend.
        row[3 * run + 2] = if runs[run].len() >= 2 * FEWEST { hours * hours } else { 0.0 };
        if let Some(period) = period_s {
            let (s, c) = (std::f64::consts::TAU * p.instant.seconds_since(first) / period).sin_cos();
            row[columns - 2] = s;
            row[columns - 1] = c;
        }
        row
    };
    let members: Vec<(&Waypoint, DVector<f64>)> = runs
        .iter()
        .enumerate()
        .flat_map(|(k, run)| points[run.clone()].iter().map(move |p| (k, p)))
        .map(|(k, p)| (p, row(k, p)))
        .collect();
    let (mut x, mut y) = (DVector::zeros(columns), DVector::zeros(columns));
    let mut scale = f64::INFINITY;
    for _ in 0..8 {
        let mut normal = DMatrix::<f64>::identity(columns, columns) * 1e-9;
        let (mut right_x, mut right_y) = (DVector::zeros(columns), DVector::zeros(columns));
        for (p, row) in &members {
            let off = (p.centre.x - row.dot(&x)).hypot(p.centre.y - row.dot(&y));
            let u = off / (4.685 * scale);
            if scale.is_finite() && u >= 1.0 {
                continue;
            }
            let robust = if scale.is_finite() { (1.0 - u * u).powi(2) } else { 1.0 };
            let weight = robust / p.sigma_px.hypot(0.1).powi(2);
            normal += row * row.transpose() * weight;
            right_x += row * (weight * p.centre.x);
            right_y += row * (weight * p.centre.y);
        }
        let solver = normal.cholesky()?;
        (x, y) = (solver.solve(&right_x), solver.solve(&right_y));
        let mut offs: Vec<f64> =
            members.iter().map(|(p, r)| (p.centre.x - r.dot(&x)).hypot(p.centre.y - r.dot(&y))).collect();
        offs.sort_by(f64::total_cmp);
        // The median of a two-dimensional distance is 1.18 standard deviations of an axis.
        scale = (offs[offs.len() / 2] / 1.18).max(0.03);
    }
    let agreeing: Vec<f64> = members
        .iter()
        .map(|(p, r)| (p.centre.x - r.dot(&x)).hypot(p.centre.y - r.dot(&y)))
        .filter(|off| *off < 4.685 * scale)
        .collect();
    let rms_px = (agreeing.iter().map(|o| o * o).sum::<f64>() / agreeing.len().max(1) as f64).sqrt();
    let drifts = runs
        .iter()
        .enumerate()
        .map(|(k, run)| Drift {
            from: points[run.start].instant,
            until: points[run.end - 1].instant,
            start: PixelPoint::new(x[3 * k], y[3 * k]),
            px_per_hour: (x[3 * k + 1], y[3 * k + 1]),
            bend: (x[3 * k + 2], y[3 * k + 2]),
        })
        .collect();
    let wobble = period_s.map(|period_s| Wobble {
        period_s,
        sine_px: (x[columns - 2], y[columns - 2]),
        cosine_px: (x[columns - 1], y[columns - 1]),
    });
    Some(Fitted { drifts, wobble, rms_px, frames: agreeing.len() })
}

/// Solves the path through waypoints in the order of time; `None` when no stretch has five frames.
pub(super) fn solve(points: &[Waypoint]) -> Option<TrackingSolution> {
    let runs = runs(points);
    let plain = fit_track(points, &runs, None)?;
    let total: usize = runs.iter().map(ExactSizeIterator::len).sum();
    let mut best = plain;
    let mut gaps: Vec<f64> = points.windows(2).map(|p| p[1].instant.seconds_since(p[0].instant)).collect();
    gaps.sort_by(f64::total_cmp);
    let usual_gap = gaps.get(gaps.len() / 2).copied().unwrap_or(f64::INFINITY);
    if total >= 6 * runs.len() + 12 {
        // Worms turn once in two to fifteen minutes; slower than twice the gap, or it is not seen.
        let shortest = (2.1 * usual_gap).max(90.0);
        let plain_rms = best.rms_px;
        let steps = 240;
        for i in 0..=steps {
            // Equal steps in frequency: the phase at the end of the night moves equally.
            let frequency = 1.0 / 1500.0 + (1.0 / shortest - 1.0 / 1500.0) * f64::from(i) / f64::from(steps);
            if shortest >= 1500.0 {
                break;
            }
            if let Some(trial) = fit_track(points, &runs, Some(1.0 / frequency))
                && trial.rms_px < best.rms_px
                && trial.rms_px < 0.6 * plain_rms
                && trial.frames * 10 >= total * 8
            {
                best = trial;
            }
        }
        match best.wobble {
            // A swing that nobody can see is the seeing's.
            Some(w) if w.amplitude_px() < 0.3 => best = fit_track(points, &runs, None)?,
            Some(w) => best = refined(points, &runs, best, w.period_s),
            None => {}
        }
    }
    Some(TrackingSolution { stretches: best.drifts, wobble: best.wobble, rms_px: best.rms_px, frames: best.frames })
}

/// The period settled by halving steps around the best of the coarse scan.
fn refined(points: &[Waypoint], runs: &[std::ops::Range<usize>], mut best: Fitted, coarse_s: f64) -> Fitted {
    let mut period = coarse_s;
    let mut step = 0.01 * coarse_s;
    for _ in 0..12 {
        for trial_period in [period - step, period + step] {
            if let Some(trial) = fit_track(points, runs, Some(trial_period))
                && trial.rms_px < best.rms_px
            {
                (best, period) = (trial, trial_period);
            }
        }
        step *= 0.6;
    }
    best
}

#[cfg(test)]
mod tests {
    use super::*;

    fn points(centred_at: usize, amplitude: f64) -> Vec<Waypoint> {
        let start = Instant::parse_utc("2028-12-31T15:00:00Z").unwrap();
        (0..120)
            .map(|i| {
                let t = f64::from(i) * 60.0;
                let swing = amplitude * (std::f64::consts::TAU * t / 480.0).sin();
                let shift = if i as usize >= centred_at { -35.0 } else { 0.0 };
                let noise = 0.1 * (f64::from(i) * 2.3).sin();
                Waypoint {
                    instant: start.plus_seconds(t),
                    centre: PixelPoint::new(
                        900.0 + 14.0 * t / 3600.0 + swing + shift + noise,
                        700.0 - 9.0 * t / 3600.0,
                    ),
                    sigma_px: 0.1,
                }
            })
            .collect()
    }

    #[test]
    fn drift_and_the_worms_swing_are_told_apart() {
        let solved = solve(&points(1000, 4.0)).unwrap();
        let drift = solved.stretches[0];
        let wobble = solved.wobble.unwrap();
        assert_eq!(solved.stretches.len(), 1);
        assert!((drift.px_per_hour.0 - 14.0).abs() < 0.8 && (drift.px_per_hour.1 + 9.0).abs() < 0.1, "{drift:?}");
        assert!((wobble.period_s - 480.0).abs() < 3.0 && (wobble.amplitude_px() - 4.0).abs() < 0.1, "{wobble:?}");
        assert!(solved.rms_px < 0.15, "{}", solved.rms_px);
    }

    #[test]
    fn centring_the_moon_again_begins_a_stretch() {
        let solved = solve(&points(70, 0.0)).unwrap();
        assert_eq!(solved.stretches.len(), 2);
        assert!(solved.wobble.is_none() && solved.rms_px < 0.15, "{solved:?}");
    }
}
