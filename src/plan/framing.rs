//! Where to aim, and when the Moon leaves the frame or goes behind something.

use super::timetable::{apparent_rate, local};
use super::{PlanRequest, span};
use crate::raster::PixelPoint;
use crate::simulate::{RehearsedMount, RehearsedRig};
use crate::sky::{CameraPointing, Horizontal, Lens, Refraction, apparent_moon};
use crate::units::{Angle, Instant};
use serde::Serialize;

/// What stands on the horizon: azimuths and altitudes in degrees, by rising azimuth.
#[derive(Clone, Debug, Default)]
pub struct HorizonProfile {
    /// (azimuth, altitude), degrees.
    pub points: Vec<(f64, f64)>,
}

impl HorizonProfile {
    /// Altitude of the profile at an azimuth, by straight lines between its points, all round.
    pub fn altitude_deg(&self, azimuth_deg: f64) -> f64 {
        let Some(first) = self.points.first() else { return 0.0 };
        let at = azimuth_deg.rem_euclid(360.0);
        let after = self.points.iter().position(|p| p.0 > at);
        let (a, b) = match after {
            Some(0) | None => {
                let last = self.points[self.points.len() - 1];
                (
                    (last.0 - 360.0 * f64::from(u8::from(after == Some(0))), last.1),
                    (first.0 + 360.0 * f64::from(u8::from(after.is_none())), first.1),
                )
            }
            Some(i) => (self.points[i - 1], self.points[i]),
        };
        if b.0 - a.0 < 1e-9 { a.1 } else { a.1 + (b.1 - a.1) * (at - a.0) / (b.0 - a.0) }
    }
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
    /// The same for the aim in the rig's file (a fixed tripod's).
    pub room_in_file_px: Option<f64>,
    /// Minutes for the Moon to drift from the middle to the nearer edge; null on a mount that follows and on a
    /// tripod that stays as it is.
    pub reaim_minutes: Option<f64>,
    /// When the Moon leaves the frame as aimed in the file, local time.
    pub leaves_frame: Option<String>,
    /// When the Moon goes behind the horizon profile or sets, local time.
    pub hidden_from: Option<String>,
    /// When it comes out of it, local time.
    pub hidden_until: Option<String>,
}

pub(super) fn track(request: &PlanRequest<'_>) -> Vec<(Instant, Horizontal, Angle)> {
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
fn room(pointing: &CameraPointing, track: &[(Instant, Horizontal, Angle)], (w, h): (f64, f64)) -> f64 {
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
fn centred(lens: Lens, track: &[(Instant, Horizontal, Angle)]) -> CameraPointing {
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

/// The pointing of a rig's file, for a fixed tripod.
pub(super) fn pointing_in_file(rig: &RehearsedRig, lens: Lens) -> Option<CameraPointing> {
    match rig.mount {
        RehearsedMount::FixedTripod { azimuth_deg, altitude_deg, roll_deg } => Some(CameraPointing {
            lens,
            azimuth: Angle::from_degrees(azimuth_deg),
            altitude: Angle::from_degrees(altitude_deg),
            roll: Angle::from_degrees(roll_deg),
        }),
        _ => None,
    }
}

pub(super) fn lens_of(rig: &RehearsedRig, focal_px: f64) -> Lens {
    Lens { k1: rig.camera.k1, ..Lens::rectilinear(rig.camera.width_px, rig.camera.height_px, focal_px) }
}

pub(super) fn frame(request: &PlanRequest<'_>, rig: &RehearsedRig, focal_px: f64) -> Framing {
    let lens = lens_of(rig, focal_px);
    let size = (rig.camera.width_px as f64, rig.camera.height_px as f64);
    let track = track(request);
    let best = centred(lens, &track);
    let best_room = room(&best, &track, size);
    let in_file = pointing_in_file(rig, lens);
    let leaves = in_file.and_then(|p| {
        let inside = |i: usize| room(&p, &track[i..=i], size) >= 0.0;
        (1..track.len()).find(|&i| inside(i - 1) && !inside(i)).map(|i| local(&request.zone, track[i].0))
    });
    let hidden = |i: usize| {
        let seen = track[i].1;
        seen.altitude.degrees() < request.horizon.altitude_deg(seen.azimuth.degrees())
    };
    let goes = (0..track.len()).find(|&i| hidden(i) && (i == 0 || !hidden(i - 1)));
    let comes = goes.and_then(|g| (g..track.len()).find(|&i| !hidden(i)));
    let is_reaimed = matches!(rig.mount, RehearsedMount::ReaimedTripod { .. });
    let greatest = request.eclipse.greatest();
    let radius = focal_px * apparent_moon(&request.observer, greatest).semidiameter.radians();
    let to_edge = size.0.min(size.1) / 2.0 - radius;
    let rate_px = apparent_rate(request, greatest) * focal_px;
    Framing {
        track_fits: best_room >= 0.0,
        aim_deg: (best.azimuth.normalized().degrees(), best.altitude.degrees(), 0.0),
        room_px: best_room,
        room_in_file_px: in_file.map(|p| room(&p, &track, size)),
        reaim_minutes: is_reaimed.then(|| to_edge.max(0.0) / rate_px / 60.0),
        leaves_frame: leaves,
        hidden_from: goes.map(|i| local(&request.zone, track[i].0)),
        hidden_until: comes.map(|i| local(&request.zone, track[i].0)),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_profile_goes_all_round() {
        let profile = HorizonProfile { points: vec![(10.0, 2.0), (90.0, 6.0), (350.0, 4.0)] };
        assert!((profile.altitude_deg(50.0) - 4.0).abs() < 1e-9);
        assert!((profile.altitude_deg(0.0) - 3.0).abs() < 1e-9, "{}", profile.altitude_deg(0.0));
        assert!((profile.altitude_deg(355.0) - 3.5).abs() < 1e-9);
        assert_eq!(HorizonProfile::default().altitude_deg(123.0), 0.0);
    }
}
