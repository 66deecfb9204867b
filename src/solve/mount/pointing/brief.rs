//! A tripod touched a frame or two before the last, or twice within a few: frames too few for a pointing of their own.
//!
//! The lens is known by then, and a knock hardly rolls a camera: azimuth and altitude are left, which one disc gives. A second
//! one must lie where the sky has carried the Moon to meanwhile; a lamp stays where it was, knocked or not.

use super::least_squares::{sigma_of, slopes_at};
use super::{FEWEST, Sighted, nearest, tolerance_px};
use crate::detect::{CONFIDENT, DiscFit};
use crate::raster::PixelPoint;
use crate::registration::{PointingSolution, pointing_at};
use crate::sky::{CameraPointing, Horizontal};
use crate::units::Angle;
use nalgebra::{Matrix2, SMatrix, Vector2};

/// How far a knock may roll the camera, one standard deviation: a degree (a tripod's leg that gives way, by our own rehearsals;
/// no source).
const ROLL_SIGMA_RAD: f64 = 0.0175;

/// Fewest frames in a row that tell of a knock.
const FEWEST_IN_A_ROW: usize = 2;

/// The pointings, and those of short runs of frames in which the Moon stands plainly elsewhere.
pub(super) fn with_brief(solved: Vec<PointingSolution>, sightings: &[Sighted]) -> Vec<PointingSolution> {
    let mut out = solved.clone();
    for run in runs_of_strays(&solved, sightings) {
        let (first, last) = (run[0], run[run.len() - 1]);
        let Some(before) = pointing_at(&solved, Some(sightings[first].instant)) else { continue };
        let seen: Vec<&Sighted> = run.iter().map(|&i| &sightings[i]).collect();
        let Some(knocked) = knocked_to(before, &seen).filter(|k| !is_beside_the_moon(k, &solved, sightings, &run))
        else {
            continue;
        };
        // The first of the night holds from its beginning.
        let knocked = PointingSolution { from: knocked.from.filter(|_| first > 0), ..knocked };
        let within = sightings[first].instant.tt_seconds()..=sightings[last].instant.tt_seconds();
        out.retain(|p| p.from != knocked.from && p.from.is_none_or(|from| !within.contains(&from.tt_seconds())));
        out.push(knocked);
        // Whoever moved the camera may have moved it back: what held before holds again from the next frame on that shows it.
        let back = sightings[last + 1..].iter().find(|s| held_at(&solved, s).is_some_and(|held| shows(held, s)));
        if let Some(back) = back
            && let Some(held) = held_at(&solved, back)
            && out.iter().all(|p| p.from != Some(back.instant))
        {
            out.push(PointingSolution { from: Some(back.instant), ..*held });
        }
    }
    if out.len() > solved.len() {
        let begins = |p: &PointingSolution| p.from.map_or(f64::NEG_INFINITY, |at| at.tt_seconds());
        out.sort_by(|a, b| begins(a).total_cmp(&begins(b)));
    }
    out
}

fn held_at<'a>(solved: &'a [PointingSolution], sighting: &Sighted) -> Option<&'a PointingSolution> {
    pointing_at(solved, Some(sighting.instant))
}

/// Whether a frame shows something where a pointing has the Moon.
fn shows(held: &PointingSolution, sighting: &Sighted) -> bool {
    let at = held.pointing.to_pixel(sighting.seen);
    let radius = at.map_or(0.0, |at| held.pointing.lens.disc_radius_px(at, sighting.semidiameter));
    nearest(&held.pointing, sighting).is_some_and(|(_, off)| off < tolerance_px(held.rms_px) + 0.5 * radius)
}

/// Frames one after the other that show a disc of the Moon's size beyond doubt, and none where the Moon is expected.
fn runs_of_strays(solved: &[PointingSolution], sightings: &[Sighted]) -> Vec<Vec<usize>> {
    let mut runs: Vec<Vec<usize>> = vec![Vec::new()];
    for (i, sighting) in sightings.iter().enumerate() {
        let Some(held) = held_at(solved, sighting) else { continue };
        if shows(held, sighting) {
            runs.push(Vec::new());
        } else if of_its_size(held, sighting).next().is_some() {
            let last = runs.len() - 1;
            runs[last].push(i);
        }
    }
    // From four frames on they would have a pointing of their own, if they agreed on one.
    runs.retain(|run| (FEWEST_IN_A_ROW..2 * FEWEST).contains(&run.len()));
    runs
}

/// Whether frames around the run, in which the Moon stands where it is expected, show a disc where the knocked camera would have it as
/// well: a planet, which goes along with it, outlasts it in cloud.
fn is_beside_the_moon(
    knocked: &PointingSolution,
    solved: &[PointingSolution],
    sightings: &[Sighted],
    run: &[usize],
) -> bool {
    /// So many frames on either side are asked: a planet stays behind the Moon by its own width in an hour.
    const ASKED: usize = 4;
    let around = (run[0].saturating_sub(ASKED)..run[0]).chain(run[run.len() - 1] + 1..sightings.len()).take(2 * ASKED);
    let shown_too = around.filter(|&i| {
        let sighting = &sightings[i];
        let radius = knocked.pointing.lens.focal_length_px * sighting.semidiameter.radians();
        let is_there = |d: &DiscFit| {
            let at = knocked.pointing.to_pixel(sighting.seen);
            at.is_some_and(|at| at.distance(d.centre) < tolerance_px(knocked.rms_px) + radius)
        };
        held_at(solved, sighting).is_some_and(|held| shows(held, sighting)) && sighting.discs.iter().any(is_there)
    });
    shown_too.count() >= FEWEST_IN_A_ROW
}

/// Discs of a frame that are beyond doubt and as large as the Moon must be there.
fn of_its_size<'a>(held: &'a PointingSolution, sighting: &'a Sighted) -> impl Iterator<Item = &'a DiscFit> {
    sighting.discs.iter().filter(move |d| {
        let radius = held.pointing.lens.disc_radius_px(d.centre, sighting.semidiameter);
        d.confidence() > CONFIDENT && (d.radius_px / radius - 1.0).abs() < 0.12 + 2.0 / radius
    })
}

/// The pointing to which a knock has brought the camera, if most of the frames agree on one.
fn knocked_to(before: &PointingSolution, run: &[&Sighted]) -> Option<PointingSolution> {
    let trials =
        run.iter().flat_map(|s| of_its_size(before, s).map(|d| (turned_to(&before.pointing, s.seen, d.centre), *d)));
    let weighed = trials.filter_map(|(pointing, disc)| {
        let pointing = pointing?;
        let there: Vec<(f64, PixelPoint)> = run
            .iter()
            .filter_map(|s| {
                let expected = pointing.to_pixel(s.seen)?;
                let away = |d: &&DiscFit| d.centre.distance(expected);
                let d = of_its_size(before, s).min_by(|a, b| away(a).total_cmp(&away(b)))?;
                let off = away(&d);
                // What a roll that nobody knows adds, three standard deviations of it.
                let rolled = 3.0 * ROLL_SIGMA_RAD * d.centre.distance(disc.centre);
                (off < tolerance_px(before.rms_px) + rolled).then_some((off, d.centre))
            })
            .collect();
        // A light that stands still under a camera that does, too, is no Moon.
        let way = there.iter().map(|(_, at)| at.distance(disc.centre)).fold(0.0, f64::max);
        let moves = way > 2.0 * tolerance_px(before.rms_px);
        let enough = there.len() >= FEWEST_IN_A_ROW && 3 * there.len() >= 2 * run.len();
        let off = there.iter().map(|(off, _)| off * off).sum::<f64>() / there.len() as f64;
        (moves && enough).then_some((there.len(), off.sqrt(), pointing, disc))
    });
    let (frames, rms, pointing, disc) = weighed.min_by(|a, b| b.0.cmp(&a.0).then(a.1.total_cmp(&b.1)))?;
    let mut covariance = SMatrix::<f64, 6, 6>::zeros();
    let angle = sigma_of(&disc).hypot(before.rms_px) / pointing.lens.focal_length_px;
    covariance[(0, 0)] = (angle / pointing.altitude.cos().max(0.05)).powi(2);
    covariance[(1, 1)] = angle * angle;
    covariance[(2, 2)] = ROLL_SIGMA_RAD * ROLL_SIGMA_RAD;
    Some(PointingSolution {
        from: Some(run[0].instant),
        pointing,
        rms_px: rms.max(before.rms_px),
        frames,
        covariance,
        ..*before
    })
}

/// The camera turned in azimuth and altitude alone, until a direction of the sky lies on a pixel (Newton).
fn turned_to(pointing: &CameraPointing, seen: Horizontal, centre: PixelPoint) -> Option<CameraPointing> {
    let mut turned = *pointing;
    for _ in 0..12 {
        let here = turned.to_pixel(seen)?;
        let [azimuth, altitude, ..] = slopes_at(&turned, seen, here)?;
        let slopes = Matrix2::new(azimuth[0], altitude[0], azimuth[1], altitude[1]);
        let step = slopes.try_inverse()? * Vector2::new(centre.x - here.x, centre.y - here.y);
        turned.azimuth = turned.azimuth + Angle::from_radians(step[0].clamp(-0.2, 0.2));
        turned.altitude = turned.altitude + Angle::from_radians(step[1].clamp(-0.2, 0.2));
    }
    turned.to_pixel(seen).filter(|here| here.distance(centre) < 0.01).map(|_| turned)
}
