//! Which way up each frame shows the Moon.
//!
//! Where the aim of a fixed tripod is solved, geometry gives the position angle of the image's up
//! direction; elsewhere the Moon's own features do, frame by frame. The mount's steadiness fills in for
//! discs that show too few, and the direction in which the shadow lies sharpens what it says.

use super::features::{Features, Turned, turn_against, turn_near};
use super::sequence::RigResult;
use super::shadow_clock::{self, shadow_distance};
use super::sky_place::SkyPlace;
use super::steady::steady;
use crate::diag::Diagnostic;
use crate::ingest::Mount;
use crate::sky::Observer;
use crate::units::Angle;
use rayon::prelude::*;
use serde::{Deserialize, Serialize};
use std::fmt;

/// How an orientation is known.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum OrientationSource {
    /// From the Moon's own features in that frame.
    Features,
    /// From the solved aim of a fixed tripod.
    Pointing,
    /// From the direction in which the Earth's shadow lies.
    Shadow,
    /// From other frames on the same mount.
    Sequence,
}

impl fmt::Display for OrientationSource {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            OrientationSource::Features => "features",
            OrientationSource::Pointing => "pointing",
            OrientationSource::Shadow => "shadow",
            OrientationSource::Sequence => "sequence",
        })
    }
}

/// Which way up a frame shows the Moon.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Orientation {
    /// Position angle of the image's up direction at the Moon: from celestial north through east.
    pub up_position_angle: Angle,
    /// Whether the image is a mirror image of the sky.
    pub mirrored: bool,
    /// Standard deviation of the angle.
    pub sigma: Angle,
    /// How it is known.
    pub source: OrientationSource,
}

impl Orientation {
    /// Clockwise turn on the image from up to celestial north.
    pub fn north_turn(&self) -> Angle {
        if self.mirrored { -self.up_position_angle } else { self.up_position_angle }
    }

    /// The Moon's own north, clockwise from the image's up, for an axis at a position angle.
    pub(super) fn lunar_north(&self, axis: Angle) -> Angle {
        let turn = self.up_position_angle - axis;
        if self.mirrored { -turn } else { turn }
    }

    /// From the Moon's north as it lies on the image.
    fn of_lunar_north(north: Angle, mirrored: bool, axis: Angle, sigma: Angle) -> Self {
        let up_position_angle = (if mirrored { axis - north } else { axis + north }).normalized();
        Orientation { up_position_angle, mirrored, sigma, source: OrientationSource::Features }
    }
}

/// How the camera was turned on a mount that follows the sky.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct MountRotation {
    /// Position angle of the image's up direction at the first frame.
    pub up_position_angle: Angle,
    /// Its change, degrees an hour: the mount's polar axis is off.
    pub degrees_per_hour: f64,
}

fn wrapped(a: Angle) -> f64 {
    a.normalized_signed().degrees()
}

fn median(mut values: Vec<f64>) -> Option<f64> {
    values.sort_by(f64::total_cmp);
    values.get(values.len() / 2).copied()
}

/// Finds the orientation of every frame of a rig, and the camera's clock by the shadow; steadies the
/// centres.
pub(super) fn orient(result: &mut RigResult, observer: Option<&Observer>) {
    let mut features = all_features(result);
    let turned: Vec<Option<Turned>> = (0..features.len())
        .into_par_iter()
        .map(|k| turn_against(features[k].as_ref()?, &Features::of_map(&result.places[k].as_ref()?.libration)?))
        .collect();
    let certain = |t: &&Turned| t.is_certain();
    let vote: f64 = turned
        .iter()
        .flatten()
        .filter(certain)
        .map(|t| (t.correlation - t.runner_up) * if t.mirrored { -1.0 } else { 1.0 })
        .sum();
    let known = turned.iter().flatten().filter(certain).count() > 0;
    let mirrored = vote < 0.0;
    let mut found: Vec<Option<Orientation>> = turned
        .iter()
        .zip(&result.places)
        .map(|(t, p)| {
            let t = t.as_ref().filter(|t| t.is_certain() && t.mirrored == mirrored)?;
            Some(Orientation::of_lunar_north(t.north, mirrored, p.as_ref()?.libration.axis_position_angle, t.sigma))
        })
        .collect();
    if result.aim.pointings().is_empty() {
        drop_strays(result, &mut found);
        fill_from_sequence(result, &mut found);
    } else {
        by_geometry(result, &mut found);
    }
    // The shadow tells the clock once the seas can be divided out; with the time put right it tells the
    // turn of discs that show too few features.
    result.solution.clock = observer.and_then(|observer| shadow_clock::read(observer, result, &found));
    if result.aim.pointings().is_empty() {
        look_closer(result, &features, observer, &mut found);
    }
    if known {
        result.solution.mirrored = Some(mirrored);
    }
    if matches!(result.aim.mount(), Mount::Tracking | Mount::Unknown) {
        flatten(result, &found);
        features = all_features(result);
    }
    steady(result, &features, &mut found);
    if result.aim.mount() == Mount::Tracking {
        result.solution.rotation = rotation(result, &found);
    }
    for ((_, frame), orientation) in result.frames.iter_mut().zip(found) {
        frame.orientation = orientation.filter(|_| frame.centre.is_some());
    }
}

fn all_features(result: &RigResult) -> Vec<Option<Features>> {
    (0..result.frames.len())
        .into_par_iter()
        .map(|k| Features::of_disc(result.cutout(k)?, result.frames[k].1.fit.as_ref()?))
        .collect()
}

/// On mounts that do not keep the zenith up its direction is known only now; low in the sky the air's
/// flattening shifts a crescent of known radius by some thousandths of it.
fn flatten(result: &mut RigResult, found: &[Option<Orientation>]) {
    for (k, orientation) in found.iter().enumerate() {
        let (Some(o), Some(place)) = (orientation, &result.places[k]) else { continue };
        let turn = o.up_position_angle - place.parallactic_angle;
        result.fit_flattened(k, if o.mirrored { -turn } else { turn });
    }
}

/// A fixed tripod's orientation follows from its aim; features only confirm it.
fn by_geometry(result: &mut RigResult, found: &mut [Option<Orientation>]) {
    let mut differences = Vec::new();
    for (k, orientation) in found.iter_mut().enumerate() {
        let (Some(place), Some(centre)) = (&result.places[k], result.frames[k].1.centre) else { continue };
        let Some(pointing) = result.aim.pointing(place) else { continue };
        let up = (place.parallactic_angle + pointing.zenith_turn(centre)).normalized();
        if let Some(seen) = *orientation {
            differences.push(wrapped(seen.up_position_angle - up));
        }
        let sigma = Angle::from_degrees(0.05);
        *orientation =
            Some(Orientation { up_position_angle: up, mirrored: false, sigma, source: OrientationSource::Pointing });
    }
    let count = differences.len();
    if let Some(off) = median(differences).filter(|off| count >= 3 && off.abs() > 2.0) {
        result.diagnostics.push(
            Diagnostic::warning(
                "orientation-contradicts-aim",
                format!("the Moon's features are turned by {off:.1} degrees against the solved aim"),
            )
            .with_help("check the site, the clock's `utc_offset` and `mount` in shoot.ron"),
        );
    }
}

/// Whether a mount shows the zenith up, to the care with which it was levelled. (A fixed tripod's turn is
/// known better as soon as its aim is solved.)
fn keeps_level(mount: Mount) -> bool {
    matches!(mount, Mount::ReaimedTripod | Mount::FixedTripod)
}

/// What a mount keeps steady: on one that follows the sky the position angle itself, on a level tripod
/// its difference from the parallactic angle.
fn steady_part(mount: Mount, place: &SkyPlace, orientation: &Orientation) -> Angle {
    match mount {
        mount if keeps_level(mount) => orientation.up_position_angle - place.parallactic_angle,
        _ => orientation.up_position_angle,
    }
}

/// A frame whose features say something else than those of its neighbours has been misread.
fn drop_strays(result: &RigResult, found: &mut [Option<Orientation>]) {
    let mount = result.aim.mount();
    if mount == Mount::Unknown {
        return;
    }
    let steady: Vec<Option<Angle>> =
        found.iter().zip(&result.places).map(|(o, p)| Some(steady_part(mount, p.as_ref()?, o.as_ref()?))).collect();
    for k in 0..found.len() {
        let Some(mine) = steady[k] else { continue };
        let around = steady.iter().enumerate().filter(|(i, s)| *i != k && s.is_some()).map(|(i, _)| i);
        let mut nearest: Vec<usize> = around.collect();
        nearest.sort_by_key(|i| i.abs_diff(k));
        let offsets: Vec<f64> = nearest.iter().take(6).filter_map(|i| steady[*i]).map(|s| wrapped(s - mine)).collect();
        let agreeing = offsets.iter().filter(|o| o.abs() < 6.0).count();
        if offsets.len() >= 3 && agreeing * 2 < offsets.len() {
            found[k] = None;
        }
    }
}

/// Once a frame's turn is known to a few degrees, fainter features tell it better; where even those are
/// wanting, the direction in which the shadow lies does.
fn look_closer(
    result: &RigResult,
    features: &[Option<Features>],
    observer: Option<&Observer>,
    found: &mut [Option<Orientation>],
) {
    let ahead_s = result.solution.clock.filter(|c| c.ahead_s.abs() > 2.0 * c.sigma_s).map_or(0.0, |c| c.ahead_s);
    found.par_iter_mut().enumerate().for_each(|(k, orientation)| {
        let Some(rough) = orientation.filter(|o| o.source == OrientationSource::Sequence) else { return };
        let (Some(place), Some(observer)) = (result.places[k].as_ref(), observer) else { return };
        let place = &SkyPlace::at(observer, place.instant.plus_seconds(-ahead_s));
        let axis = place.libration.axis_position_angle;
        let map = Features::of_map(&place.libration);
        if let (Some(disc), Some(map)) = (&features[k], &map)
            && let Some(t) = turn_near(disc, map, rough.lunar_north(axis), rough.mirrored)
        {
            *orientation = Some(Orientation::of_lunar_north(t.north, rough.mirrored, axis, t.sigma));
            return;
        }
        let (Some(cutout), Some(fit)) = (result.cutout(k), &result.frames[k].1.fit) else { return };
        let Some(shadow) = shadow_distance(cutout, fit, place, Some(&rough)) else { return };
        let there = Angle::from_radians(place.shadow.xi.radians().atan2(place.shadow.eta.radians()));
        let up = if rough.mirrored { there - shadow.towards } else { there + shadow.towards };
        // The umbra's edge is no circle to better than this.
        let sigma = Angle::from_degrees(shadow.towards_sigma.degrees().hypot(0.3));
        if sigma.degrees() < 0.9 && wrapped(up - rough.up_position_angle).abs() < 6.0 {
            let up_position_angle = up.normalized();
            *orientation = Some(Orientation { up_position_angle, sigma, source: OrientationSource::Shadow, ..rough });
        }
    });
}

/// Frames whose features do not tell are oriented as their neighbours were.
fn fill_from_sequence(result: &RigResult, found: &mut [Option<Orientation>]) {
    let mount = result.aim.mount();
    if mount == Mount::Unknown {
        return;
    }
    let known: Vec<(f64, Angle, bool)> = found
        .iter()
        .zip(&result.places)
        .filter_map(|(o, p)| {
            let (o, p) = (o.as_ref()?, p.as_ref()?);
            Some((p.instant.tt_seconds() / 3600.0, steady_part(mount, p, o), o.mirrored))
        })
        .collect();
    if known.is_empty() {
        if keeps_level(mount) {
            for (o, place) in found.iter_mut().zip(&result.places) {
                *o = place.as_ref().map(|p| Orientation {
                    up_position_angle: p.parallactic_angle.normalized(),
                    mirrored: false,
                    sigma: Angle::from_degrees(2.0),
                    source: OrientationSource::Sequence,
                });
            }
        }
        return;
    }
    for (o, place) in found.iter_mut().zip(&result.places) {
        let Some(place) = place.as_ref().filter(|_| o.is_none()) else { continue };
        let hours = place.instant.tt_seconds() / 3600.0;
        let mut near: Vec<&(f64, Angle, bool)> = known.iter().collect();
        near.sort_by(|a, b| (a.0 - hours).abs().total_cmp(&(b.0 - hours).abs()));
        near.truncate(5);
        let Some(first) = near.first() else { continue };
        let offsets: Vec<f64> = near.iter().map(|n| wrapped(n.1 - first.1)).collect();
        let Some(middle) = median(offsets.clone()) else { continue };
        let spread = median(offsets.iter().map(|o| (o - middle).abs()).collect()).unwrap_or(0.0);
        let base = if keeps_level(mount) { place.parallactic_angle } else { Angle::ZERO };
        *o = Some(Orientation {
            up_position_angle: (base + first.1 + Angle::from_degrees(middle)).normalized(),
            mirrored: first.2,
            // Hands level a tripod to most of a degree.
            sigma: Angle::from_degrees((1.5 * spread).max(if keeps_level(mount) { 0.7 } else { 0.4 })),
            source: OrientationSource::Sequence,
        });
    }
}

/// A straight line through the position angles of a mount that follows the sky.
fn rotation(result: &RigResult, found: &[Option<Orientation>]) -> Option<MountRotation> {
    let points: Vec<(f64, f64)> = found
        .iter()
        .zip(&result.places)
        .filter_map(|(o, p)| Some((p.as_ref()?.instant.tt_seconds() / 3600.0, o.as_ref()?)))
        .filter(|(_, o)| o.source == OrientationSource::Features)
        .map(|(t, o)| (t, o.up_position_angle.degrees()))
        .collect();
    let (t0, a0) = *points.first()?;
    if points.len() < 4 {
        return None;
    }
    // The median of all slopes (Theil 1950, Sen 1968) does not mind a few wrong frames.
    let unwrapped: Vec<(f64, f64)> =
        points.iter().map(|(t, a)| (t - t0, wrapped(Angle::from_degrees(a - a0)))).collect();
    let far = unwrapped.last().map_or(0.0, |p| p.0) / 4.0;
    let slopes: Vec<f64> = (0..unwrapped.len())
        .flat_map(|i| (i + 1..unwrapped.len()).map(move |j| (i, j)))
        .filter(|&(i, j)| unwrapped[j].0 - unwrapped[i].0 > far.max(1e-3))
        .map(|(i, j)| (unwrapped[j].1 - unwrapped[i].1) / (unwrapped[j].0 - unwrapped[i].0))
        .collect();
    let degrees_per_hour = median(slopes)?;
    let start = median(unwrapped.iter().map(|(t, a)| a - degrees_per_hour * t).collect())?;
    Some(MountRotation { up_position_angle: Angle::from_degrees(a0 + start).normalized(), degrees_per_hour })
}
