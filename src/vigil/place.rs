//! Where the Moon is in the frame, when it leaves it, and whether the tripod was moved.

use super::judged::Judged;
use super::{Advice, Context, Kind, Now, Urgency};
use crate::camera::Mount;
use crate::detect::{CONFIDENT, DiscFit};
use crate::raster::PixelPoint;
use crate::registration::{PointingSolution, Status};
use crate::sky::{Horizontal, Refraction, apparent_moon};
use crate::solve::aim_sigma_px;
use crate::units::Instant;
use nalgebra::Complex;
use std::collections::BTreeMap;

/// How far ahead the Moon's way over the frame is followed, minutes.
const AHEAD_MINUTES: u32 = 30;
/// Of a Moon that leaves within so many minutes one speaks,
const SPOKEN_MINUTES: f64 = 5.0;
/// or within so many frames.
const SPOKEN_FRAMES: f64 = 1.5;
/// Frames without a Moon that are no accident.
const IN_A_ROW: usize = 2;
/// So many in which the Moon could not be measured are none either (of good frames of a wide night two in a row could not),
const UNSEEN_IN_A_ROW: usize = 4;
/// as long as less than this share of it lies in the umbra.
const UMBRA_SEEN: f64 = 0.75;

/// What is known of fixed tripods' aims, by their cameras.
#[derive(Clone, Default)]
pub(super) struct Aims(BTreeMap<String, KnownAim>);

/// What is known of one.
#[derive(Clone, Default)]
struct KnownAim {
    /// The last aim that several frames agreed on,
    held: Option<PointingSolution>,
    /// how many Moons it has foretold since,
    foretold: usize,
    /// and how many in a row have stood elsewhere.
    strayed: usize,
    /// How far the last of them stood from where it was to be, pixels right and down.
    by: Option<(f64, f64)>,
}

/// When and where the Moon leaves.
pub(super) struct Leaving {
    pub minutes: f64,
    pub edge: &'static str,
}

/// Where a pixel's edge is crossed, if a disc there is not whole.
fn edge_crossed(at: PixelPoint, radius: f64, (w, h): (f64, f64)) -> Option<&'static str> {
    let over =
        [(radius - at.x, "left"), (at.x + radius - w, "right"), (radius - at.y, "upper"), (at.y + radius - h, "lower")];
    over.into_iter().filter(|(by, _)| *by > 0.0).max_by(|a, b| a.0.total_cmp(&b.0)).map(|(_, edge)| edge)
}

/// When the Moon meets the frame's edge, if it does within half an hour and the way is known.
pub(super) fn leaving(context: &Context<'_>, now: Now<'_>) -> Option<Leaving> {
    let (centre, radius, at) = (now.found.centre()?, now.found.radius_px()?, now.at?);
    let rig = context.registration.rigs.get(now.found.rig)?;
    let size = (rig.width as f64, rig.height as f64);
    let ahead = |minutes: f64| at.plus_seconds(60.0 * minutes);
    let way: Box<dyn Fn(f64) -> Option<PixelPoint>> = match (context.mount(), &rig.tracking) {
        (Mount::Tracking, Some(tracking)) => {
            // It goes on as in its last stretch; a wobble comes back.
            let last = *tracking.stretches.last()?;
            let hours = at.seconds_since(last.from) / 3600.0;
            let (vx, vy) =
                (last.px_per_hour.0 + 2.0 * last.bend.0 * hours, last.px_per_hour.1 + 2.0 * last.bend.1 * hours);
            Box::new(move |m| Some(PixelPoint::new(centre.x + vx * m / 60.0, centre.y + vy * m / 60.0)))
        }
        (Mount::Tracking, None) => return None,
        _ => {
            let observer = context.observer?;
            let seen = move |t: Instant| apparent_moon(&observer, t).refracted(Refraction::default());
            match rig.pointing_at(Some(at)).map(|p| p.pointing) {
                Some(pointing) => Box::new(move |m| pointing.to_pixel(seen(ahead(m)))),
                None => {
                    // A camera that is level, or nearly: what the Moon goes in azimuth and altitude, it goes over the frame.
                    let (focal, here) = (rig.focal_length_px?, seen(at));
                    let upright = if rig.mirrored == Some(true) { -1.0 } else { 1.0 };
                    Box::new(move |m| Some(moved(centre, (focal, upright), here, seen(ahead(m)))))
                }
            }
        }
    };
    // Where it stands now is measured; what is known is how it goes on.
    let off = way(0.0).map_or((0.0, 0.0), |p| (centre.x - p.x, centre.y - p.y));
    (0..=4 * AHEAD_MINUTES).find_map(|quarter| {
        let minutes = f64::from(quarter) / 4.0;
        let there = way(minutes)?;
        let edge = edge_crossed(PixelPoint::new(there.x + off.0, there.y + off.1), radius, size)?;
        Some(Leaving { minutes, edge })
    })
}

/// A place in a level frame after the Moon has gone from one place in the sky to another.
fn moved(from: PixelPoint, (focal, upright): (f64, f64), here: Horizontal, there: Horizontal) -> PixelPoint {
    let along = (there.azimuth - here.azimuth).normalized_signed().radians() * here.altitude.radians().cos();
    let up = (there.altitude - here.altitude).radians();
    PixelPoint::new(from.x + upright * along * focal, from.y - up * focal)
}

/// Seconds between frames, or between brackets of them, usually: what four gaps of five do not exceed.
pub(super) fn usual_interval_s(before: &[Judged]) -> Option<f64> {
    const OF: usize = 12;
    let times: Vec<Instant> = before[before.len().saturating_sub(OF)..].iter().filter_map(|j| j.at).collect();
    let mut gaps: Vec<f64> = times.windows(2).map(|t| t[1].seconds_since(t[0])).filter(|g| *g > 0.0).collect();
    gaps.sort_by(f64::total_cmp);
    gaps.get(gaps.len() * 4 / 5).copied()
}

/// Whether somebody aims anew from frame to frame: in half of the steps at least the Moon does not go as the sky would have carried
/// it, and it was never lost.
fn is_aimed_each_time(context: &Context<'_>, now: Now<'_>) -> bool {
    const OF: usize = 8;
    // What a mount carries along does not go as the sky does.
    if context.mount() == Mount::Tracking {
        return false;
    }
    let Some(observer) = context.observer else { return false };
    let Some(rig) = context.registration.rigs.get(now.found.rig) else { return false };
    let Some(focal) = rig.focal_length_px else { return false };
    let seen = |t: Instant| apparent_moon(&observer, t).refracted(Refraction::default());
    let last: Vec<(Instant, PixelPoint, f64)> = context.before[context.before.len().saturating_sub(OF)..]
        .iter()
        .filter_map(|j| Some((j.at?, j.fit?.centre, j.fit?.radius_px)))
        .collect();
    let upright = if rig.mirrored == Some(true) { -1.0 } else { 1.0 };
    // What the Moon went from frame to frame, what a level camera would have seen of it, and what of a disc is near enough.
    let steps: Vec<(Complex<f64>, Complex<f64>, f64)> = last
        .windows(2)
        .map(|w| {
            let goes = moved(w[0].1, (focal, upright), seen(w[0].0), seen(w[1].0));
            let step = |to: PixelPoint| Complex::new(to.x - w[0].1.x, to.y - w[0].1.y);
            (step(w[1].1), step(goes), 0.15 * w[0].2 + 0.1 * step(goes).norm())
        })
        // Within a bracket the Moon hardly goes, whoever aims.
        .filter(|(went, goes, near)| went.norm().max(goes.norm()) > *near)
        .collect();
    // However the camera is turned, it is turned alike in all steps: each step says how.
    let as_turned =
        |by: Complex<f64>| steps.iter().filter(|(went, goes, near)| (went - goes * by).norm() < *near).count();
    let turns = steps.iter().filter(|s| s.0.norm() > 0.0 && s.1.norm() > 0.0).map(|(went, goes, _)| {
        let ratio = went / goes;
        ratio / ratio.norm()
    });
    let carried = turns.map(as_turned).max().unwrap_or(0);
    let some = &context.before[context.before.len().saturating_sub(OF)..];
    let was_lost = some.windows(2).any(|w| w[0].has_moon && !w[1].has_moon && has_left(&w[0], &w[1]));
    !steps.is_empty() && !was_lost && 2 * carried <= steps.len()
}

/// Whether the Moon was to leave between two frames, as the first of them showed it.
fn has_left(before: &Judged, now: &Judged) -> bool {
    let between = before.at.zip(now.at).map(|(a, b)| b.seconds_since(a) / 60.0);
    before.leaves.zip(between).is_some_and(|((minutes, _), between)| minutes <= between + 1.0)
}

/// Whether the camera stands as it is from frame to frame: by the frames, and before there are enough by the notes.
fn is_left_alone(context: &Context<'_>, now: Now<'_>) -> bool {
    const TELLING: usize = 3;
    let frames = context.before.iter().filter(|j| j.fit.is_some()).count();
    let noted = matches!(context.night.mount(), Mount::FixedTripod | Mount::Tracking);
    !is_aimed_each_time(context, now) && (noted || frames >= TELLING)
}

/// Of what a frame tells nothing: where no Moon is, none can be told to stay.
pub(super) fn untold(now: Now<'_>, judged: &Judged) -> Vec<Kind> {
    match (now.found.foreground || judged.below_horizon, judged.has_moon) {
        (true, _) => vec![Kind::NoMoon, Kind::Leaving],
        (false, false) => vec![Kind::Leaving],
        // Where it stands was inferred: it may still be unseen.
        (false, true) if judged.fit.is_none() => vec![Kind::NoMoon],
        (false, true) => Vec::new(),
    }
}

/// What there is to say of the Moon's place.
pub(super) fn judge(context: &Context<'_>, now: Now<'_>, judged: &Judged, aims: &mut Aims) -> Vec<Advice> {
    let mut out = Vec::new();
    let last = || context.before.iter().rev();
    if !judged.has_moon && !judged.below_horizon && !now.found.foreground {
        let missing = 1 + last().take_while(|j| !j.has_moon && !j.below_horizon).count();
        // It was seen to go: nobody need wait for a second frame.
        let gone = last().nth(missing - 1).filter(|j| has_left(j, judged));
        match gone.and_then(|j| j.leaves) {
            Some((_, edge)) => {
                let text = format!("the Moon has left by the {edge} edge: re-aim now");
                out.push(Advice::new(Kind::Leaving, Urgency::Now, text));
            }
            None if missing >= IN_A_ROW && context.before.iter().any(|j| j.has_moon) => {
                let text = format!("no Moon in the last {missing} frames: look at aim, cloud and cap");
                out.push(Advice::new(Kind::NoMoon, Urgency::Now, text));
            }
            None => {}
        }
    }
    // Inferred is where it stands, and not that it was seen; deep in the shadow a small Moon may be too faint for any frame.
    let is_unseen = |j: &&Judged| j.has_moon && j.fit.is_none() && j.umbral_fraction.is_none_or(|u| u < UMBRA_SEEN);
    if is_unseen(&judged) && !judged.is_cut && !judged.below_horizon && !now.found.foreground {
        let unseen = 1 + last().take_while(is_unseen).count();
        let was_seen = last().skip(unseen - 1).take(IN_A_ROW).filter(|j| j.fit.is_some()).count() == IN_A_ROW;
        if unseen >= UNSEEN_IN_A_ROW && was_seen {
            let text = format!(
                "the Moon was not seen in the last {unseen} frames, where it should stand: cloud, or a camera that moves? Look at one"
            );
            out.push(Advice::new(Kind::NoMoon, Urgency::Soon, text));
        }
    }
    if judged.is_cut && last().next().is_none_or(|j| j.is_cut) {
        out.push(Advice::new(Kind::Leaving, Urgency::Now, "re-aim: the frame's edge cuts the Moon"));
    } else if let Some((minutes, edge)) = judged.leaves.filter(|_| is_left_alone(context, now)) {
        let leaving = Leaving { minutes, edge };
        let frames = usual_interval_s(context.before).map_or(0.0, |s| SPOKEN_FRAMES * s / 60.0);
        if leaving.minutes <= SPOKEN_MINUTES.max(frames) {
            let text = format!(
                "re-aim within {:.0} min: the Moon leaves by the {} edge",
                leaving.minutes.floor().max(1.0),
                leaving.edge
            );
            let urgency = if leaving.minutes < 2.0 { Urgency::Now } else { Urgency::Soon };
            out.push(Advice::new(Kind::Leaving, urgency, text));
        }
    }
    out.extend(moved_tripod(context, now, aims.0.entry(judged.camera.clone()).or_default()));
    out
}

/// A fixed tripod's Moon that stands where it should not: somebody has touched it.
fn moved_tripod(context: &Context<'_>, now: Now<'_>, known: &mut KnownAim) -> Option<Advice> {
    /// So many frames settle an aim,
    const SETTLED: usize = 5;
    /// and so many Moons that it foretold;
    const FORETOLD: usize = 2;
    /// so many that stand elsewhere are no accident of one frame,
    const STRAYED: usize = 2;
    /// nor is one that stands so many times as far off as an accident may, if the disc is this sure: lamps reach four fifths.
    const FAR: f64 = 2.0;
    const SURE: f64 = 0.85;
    /// A disc of the Moon's size, a share of it.
    const LIKE: f64 = 0.15;
    if context.night.mount() == Mount::Tracking {
        return None;
    }
    let rig = context.registration.rigs.get(now.found.rig)?;
    let held = known.held;
    // While one frame stands elsewhere, the aim of before it is what counts.
    let settled = rig.pointing_at(now.at).filter(|p| p.frames >= SETTLED && known.strayed == 0);
    known.held = settled.copied().or(held);
    let Some(held) = held else {
        known.foretold = 0;
        return None;
    };
    let (observer, at) = (context.observer?, now.at?);
    // Where the night infers it, the pixels may show it elsewhere beyond doubt.
    let of_size = |d: &DiscFit| now.found.radius_px().is_some_and(|r| (d.rectified_radius_px / r - 1.0).abs() < LIKE);
    let elsewhere = now.surest.filter(|d| d.confidence() > CONFIDENT && of_size(d));
    let Some(fit) = now.found.fit().copied().or(elsewhere) else {
        // No Moon where it was to be: a cloud, or the first frame after a kick.
        known.strayed = known.strayed.max(usize::from(now.found.status() == Status::Inferred));
        return None;
    };
    let seen = apparent_moon(&observer, at).refracted(Refraction::default());
    let to_be = held.pointing.to_pixel(seen)?;
    let off = to_be.distance(fit.centre);
    // A young aim does not know far ahead.
    let foreseen = aim_sigma_px(&held, seen);
    let least = (5.0 * held.rms_px.hypot(fit.centre_sigma_px).hypot(foreseen)).max(3.0).max(0.1 * fit.radius_px);
    if foreseen > fit.radius_px.max(3.0) {
        return None;
    }
    if off <= least {
        known.foretold += 1;
        (known.strayed, known.by) = (0, None);
        return None;
    }
    // What stands still while the Moon goes on is a lamp.
    let by = (fit.centre.x - to_be.x, fit.centre.y - to_be.y);
    let goes_along = known.by.is_none_or(|last| (by.0 - last.0).hypot(by.1 - last.1) < 0.3 * fit.radius_px + 2.0);
    known.strayed = if goes_along { known.strayed + 1 } else { 1 };
    known.by = Some(by);
    let is_sure = off > FAR * least && fit.confidence() > SURE;
    if known.foretold >= FORETOLD && known.strayed < STRAYED && !is_sure {
        // What held before is what the next frame is held against.
        known.held = Some(held);
        return None;
    }
    let was_sure = std::mem::take(&mut known.foretold) >= FORETOLD;
    // Until a new one is settled, nothing is foretold.
    (known.held, known.strayed, known.by) = (None, 0, None);
    was_sure.then(|| {
        let text =
            format!("the tripod has moved: the Moon stands {off:.0} px from where it was to be; frame and focus anew");
        Advice::new(Kind::Moved, Urgency::Now, text)
    })
}
