//! Where to aim, and when the Moon leaves the frame or goes behind something.

use super::timetable::{apparent_rate, local};
use super::{PlanRequest, span};
use crate::camera::{Mount, Setup};
use crate::raster::PixelPoint;
use crate::sky::{CameraPointing, Horizontal, Lens, Refraction, apparent_moon};
use crate::units::{Angle, Instant};
use serde::Serialize;

/// What one level aim holds.
#[derive(Clone, Debug, Serialize)]
pub struct OneAim {
    /// Local time.
    pub from: String,
    /// Local time.
    pub until: String,
    /// From the one to the other.
    pub minutes: f64,
    /// Azimuth, altitude and roll, degrees.
    pub aim_deg: (f64, f64, f64),
}

/// Where to aim.
#[derive(Clone, Debug, Serialize)]
pub struct Framing {
    /// Whether one aim holds the whole track, level.
    pub track_fits: bool,
    /// Azimuth, altitude and roll that centre the track, degrees.
    pub aim_deg: (f64, f64, f64),
    /// Room between track and frame's edge at that aim, pixels; negative when it does not fit.
    pub room_px: f64,
    /// The longest part around greatest eclipse that one level aim holds; null where not even one Moon fits.
    pub one_aim: Option<OneAim>,
    /// The same room for the aim in the rig's file (a fixed tripod's).
    pub room_in_file_px: Option<f64>,
    /// Minutes for the Moon to drift from the middle to the nearer edge; null on a mount that follows and on a
    /// tripod that stays as it is.
    pub reaim_minutes: Option<f64>,
    /// When the Moon leaves the frame as aimed in the file, local time.
    pub leaves_frame: Option<String>,
    /// When the Moon goes behind the horizon profile or sets, local time; null where it is down from the beginning.
    pub hidden_from: Option<String>,
    /// When it comes out of it, local time.
    pub hidden_until: Option<String>,
}

/// The Moon of an instant as the site sees it: where its centre stands, and its semidiameter.
pub(super) type Seen = (Instant, Horizontal, Angle);

pub(super) fn track(request: &PlanRequest<'_>) -> Vec<Seen> {
    let (first, last) = span(request.eclipse);
    const STEPS: u32 = 90;
    (0..=STEPS)
        .map(|i| {
            let at = first.plus_seconds(last.seconds_since(first) * f64::from(i) / f64::from(STEPS));
            let moon = apparent_moon(&request.observer, at);
            (at, moon.refracted(Refraction::default()), moon.semidiameter)
        })
        .collect()
}

/// Least room between the discs of a track and the frame's edge, pixels.
fn room(pointing: &CameraPointing, track: &[Seen], (w, h): (f64, f64)) -> f64 {
    track
        .iter()
        .map(|(_, seen, semidiameter)| match pointing.to_pixel(*seen) {
            Some(p) => {
                let r = pointing.lens.disc_radius_px(p, *semidiameter);
                (p.x - r).min(p.y - r).min(w - p.x - r).min(h - p.y - r)
            }
            None => -w,
        })
        .fold(f64::INFINITY, f64::min)
}

/// A level aim that centres the track's bounds.
fn centred(lens: Lens, track: &[Seen]) -> CameraPointing {
    let sum = track.iter().fold(crate::sky::Vector3::zeros(), |s, (_, seen, _)| s + seen.direction());
    let aim = Horizontal::from_direction(&sum.normalize());
    let mut pointing = CameraPointing { lens, azimuth: aim.azimuth, altitude: aim.altitude, roll: Angle::ZERO };
    for _ in 0..12 {
        let pixels: Vec<PixelPoint> = track.iter().filter_map(|(_, seen, _)| pointing.to_pixel(*seen)).collect();
        let bound = |f: fn(&PixelPoint) -> f64| {
            let low = pixels.iter().map(f).fold(f64::INFINITY, f64::min);
            let high = pixels.iter().map(f).fold(f64::NEG_INFINITY, f64::max);
            (low + high) / 2.0
        };
        if pixels.is_empty() {
            break;
        }
        let axis = pointing.to_sky(PixelPoint::new(bound(|p| p.x), bound(|p| p.y)));
        pointing = CameraPointing { azimuth: axis.azimuth, altitude: axis.altitude, ..pointing };
    }
    pointing
}

/// The longest part of a track that one level aim holds, by its first and last step: greatest eclipse in it where that is seen.
fn held(lens: Lens, track: &[Seen], size: (f64, f64), greatest: Instant) -> Option<(usize, usize)> {
    let fits = |from: usize, until: usize| {
        let part = &track[from..=until];
        room(&centred(lens, part), part, size) >= 0.0
    };
    let middle = (0..track.len()).min_by(|a, b| {
        track[*a].0.seconds_since(greatest).abs().total_cmp(&track[*b].0.seconds_since(greatest).abs())
    })?;
    let (mut from, mut until) = fits(middle, middle).then_some((middle, middle))?;
    loop {
        // To both sides alike, as long as it goes.
        let before = from.checked_sub(1).filter(|f| fits(*f, until));
        let next = before.unwrap_or(from);
        let after = Some(until + 1).filter(|u| *u < track.len() && fits(next, *u));
        if before.is_none() && after.is_none() {
            return Some((from, until));
        }
        (from, until) = (next, after.unwrap_or(until));
    }
}

pub(super) fn frame(request: &PlanRequest<'_>, rig: &Setup) -> Framing {
    let (lens, focal_px) = (rig.camera.lens(), rig.camera.focal_px());
    let size = (rig.camera.width_px as f64, rig.camera.height_px as f64);
    let all = track(request);
    let seen: Vec<Seen> = all.iter().copied().filter(|s| request.sees(s.0)).collect();
    // What is not seen need not be framed.
    let track = if seen.is_empty() { all.clone() } else { seen };
    let greatest = request.eclipse.greatest();
    let best = centred(lens, &track);
    let best_room = room(&best, &track, size);
    let one_aim = held(lens, &track, size, greatest).map(|(from, until)| {
        let aim = centred(lens, &track[from..=until]);
        OneAim {
            from: local(&request.zone, track[from].0),
            until: local(&request.zone, track[until].0),
            minutes: track[until].0.seconds_since(track[from].0) / 60.0,
            aim_deg: (aim.azimuth.normalized().degrees(), aim.altitude.degrees(), 0.0),
        }
    });
    let in_file = rig.aim.map(|aim| aim.through(lens));
    let leaves = in_file.and_then(|p| {
        let inside = |i: usize| room(&p, &track[i..=i], size) >= 0.0;
        (1..track.len()).find(|&i| inside(i - 1) && !inside(i)).map(|i| local(&request.zone, track[i].0))
    });
    let hidden = |i: usize| !request.sees(all[i].0);
    let goes = (0..all.len()).find(|&i| hidden(i) && (i == 0 || !hidden(i - 1)));
    let comes = goes.and_then(|g| (g..all.len()).find(|&i| !hidden(i)));
    let radius = focal_px * apparent_moon(&request.observer, greatest).semidiameter.radians();
    let to_edge = size.0.min(size.1) / 2.0 - radius;
    let rate_px = apparent_rate(request, greatest) * focal_px;
    Framing {
        track_fits: best_room >= 0.0,
        aim_deg: (best.azimuth.normalized().degrees(), best.altitude.degrees(), 0.0),
        room_px: best_room,
        one_aim,
        room_in_file_px: in_file.map(|p| room(&p, &track, size)),
        reaim_minutes: (rig.mount == Mount::ReaimedTripod).then(|| to_edge.max(0.0) / rate_px / 60.0),
        leaves_frame: leaves,
        // Where it is down from the beginning, only its coming up is news.
        hidden_from: goes.filter(|i| *i > 0).map(|i| local(&request.zone, all[i].0)),
        hidden_until: comes.map(|i| local(&request.zone, all[i].0)),
    }
}
