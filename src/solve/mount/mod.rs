//! What a rig's mount did, and its plate scale: the claim of the records weighed against what the frames show.
//!
//! `pointing` solves a fixed tripod from knock to knock, `tracking` the path over the frames of a mount that follows the
//! sky. A claimed mount is believed as long as most well-seen discs agree with it; else the others are tried, and a
//! mount of which nothing holds is one that a hand re-aimed.

mod pointing;
mod tracking;

use super::claims::Claims;
use super::moon::{CLIPPED_SHARE, Moon};
use super::scale::Scale;
use super::sequence::{Seen, Sequence};
use super::sky_place::SkyPlace;
use crate::camera::Mount;
use crate::detect::{CONFIDENT, DiscFit};
use crate::raster::PixelPoint;
use crate::registration::{PointingSolution, TrackingSolution, pointing_at};
use crate::sky::{CameraPointing, Lens};
use crate::units::Angle;
use pointing::Sighted;
pub(crate) use pointing::sigma_px as aim_sigma_px;
use tracking::Waypoint;

/// Where a rig looked, and its plate scale.
#[derive(Clone, Debug)]
pub(super) struct Aim {
    /// What the mount did, as the frames have it.
    mount: Mount,
    scale: Option<Scale>,
    pointings: Vec<PointingSolution>,
    tracking: Option<TrackingSolution>,
    /// How many frames with a place on the sky show a disc beyond doubt.
    well_seen: usize,
}

/// Discs of each frame that may be the Moon, best first, and where the Moon stood.
type Sightings<'a> = [(Option<&'a SkyPlace>, Vec<DiscFit>)];

/// Whether well-seen discs of the Moon's size go over the frames at less than half the sky's pace, in most steps: no camera that stands
/// still shows it so, and no hand that aims anew each time.
fn crosses_slowly(aim: &Aim, frames: &Sightings<'_>) -> bool {
    let Some(focal) = aim.focal_length_px() else { return false };
    let disc = |discs: &[DiscFit]| discs.iter().find(|d| d.confidence() > CONFIDENT).map(|d| d.centre);
    let seen: Vec<(f64, PixelPoint)> = frames
        .iter()
        .filter_map(|(place, discs)| Some(((*place)?.instant.tt_seconds() / 3600.0, disc(discs)?)))
        .collect();
    let slow = seen.windows(2).filter(|w| {
        let hours = (w[1].0 - w[0].0).abs().max(1e-3);
        w[0].1.distance(w[1].1) < 0.5 * SIDEREAL_RAD_PER_HOUR * focal * hours
    });
    let steps = seen.len().saturating_sub(1);
    steps >= 5 && 3 * slow.count() >= 2 * steps
}

/// The sky's own motion, radians an hour.
const SIDEREAL_RAD_PER_HOUR: f64 = 0.2618;

/// How far discs lie from the path over the frames of a mount that follows, root mean square, radii, and three pixels: further, and it
/// is no path.
const MOST_OFF_PATH: f64 = 0.05;

/// Share of the well-seen discs that must agree with what a mount is said to have done.
const AGREEING: f64 = 0.6;

/// Whether the frames that agree on a pointing agree well enough for it to tell where the Moon stood in others.
fn is_firm(solved: &PointingSolution) -> bool {
    !solved.is_loose()
}

impl Aim {
    /// Solves the aim from the discs found in each frame, best first.
    pub fn solve(sequence: &Sequence<'_>, seen: &[&Seen], scale: Option<Scale>, claims: &Claims) -> Self {
        let frames: Vec<(Option<&SkyPlace>, Vec<DiscFit>)> =
            (0..sequence.len()).map(|k| (sequence.place(k), seen[k].fits().copied().collect())).collect();
        let convincing = |discs: &[DiscFit]| discs.iter().any(|d| d.confidence() > CONFIDENT);
        let well_seen = frames.iter().filter(|(place, discs)| place.is_some() && convincing(discs)).count();
        let bare = Aim { mount: claims.mount, scale, pointings: Vec::new(), tracking: None, well_seen };
        let fixed = || {
            let lenses = [scale.map(|s| s.focal_length_px), claims.focal_length_px];
            lenses
                .into_iter()
                .flatten()
                .map(|focal| Lens::rectilinear(sequence.rig.width, sequence.rig.height, focal))
                .map(|lens| (lens, bare.pointed(lens, &frames)))
                .filter(|(lens, aim)| aim.holds(&frames) || aim.is_no_chance(*lens, &frames))
                .map(|(_, aim)| aim)
                .max_by_key(|aim| aim.pointings.iter().map(|p| p.frames).sum::<usize>())
                .map(|aim| Aim { mount: Mount::FixedTripod, ..aim })
        };
        let tracked = || {
            let aim = bare.tracked(&frames);
            aim.holds(&frames).then_some(Aim { mount: Mount::Tracking, ..aim })
        };
        match claims.mount {
            Mount::FixedTripod => fixed().or_else(tracked).unwrap_or(Aim { mount: Mount::Unknown, ..bare.clone() }),
            Mount::Tracking => tracked()
                .filter(|t| t.is_steady(&frames))
                .or_else(fixed)
                .or_else(tracked)
                // A drive that hunts follows nevertheless.
                .unwrap_or_else(|| match crosses_slowly(&bare, &frames) {
                    true => bare.clone(),
                    false => Aim { mount: Mount::Unknown, ..bare.clone() },
                }),
            Mount::ReaimedTripod => bare.clone(),
            Mount::Unknown => fixed().filter(|aim| aim.is_beyond_doubt(&frames)).unwrap_or_else(|| bare.clone()),
        }
    }

    /// Whether so many frames show the Moon where one aim has it that the camera stood still, though nobody noted that.
    fn is_beyond_doubt(&self, frames: &Sightings<'_>) -> bool {
        const FEWEST: usize = 8;
        /// Share of the well-seen discs.
        const MOST: f64 = 0.8;
        /// How far the sky must have carried the Moon: what hardly moves tells nothing of who stood still.
        const LEAST_WAY_DEG: f64 = 5.0;
        let agreeing: usize = self.pointings.iter().map(|p| p.frames).sum();
        let mut seen = frames.iter().filter_map(|(place, _)| Some((*place)?.seen.direction()));
        let way = seen.next().zip(seen.next_back()).map_or(0.0, |(a, b)| a.angle(&b).to_degrees());
        let close = self.pointings.iter().all(|p| {
            let radius = p.pointing.lens.focal_length_px * crate::sky::MEAN_SEMIDIAMETER_RAD;
            p.rms_px < 0.1 * radius + 0.5
        });
        self.holds(frames)
            && agreeing >= FEWEST
            && agreeing as f64 >= MOST * self.well_seen as f64
            && way > LEAST_WAY_DEG
            && close
    }

    /// Once more, with one measured disc a frame at most; keeps a tripod's pointings where that fails.
    pub fn solve_again(&self, sequence: &Sequence<'_>, moons: &[Option<Moon>]) -> Self {
        let frames: Vec<(Option<&SkyPlace>, Vec<DiscFit>)> =
            moons.iter().enumerate().map(|(k, m)| (sequence.place(k), m.iter().map(|m| m.fit).collect())).collect();
        let mut aim = self.clone();
        if let Some(first) = self.pointings.first() {
            aim = aim.pointed(first.pointing.lens, &frames);
        }
        if self.tracking.is_some() {
            aim = aim.tracked(&frames);
        }
        aim
    }

    /// The pointing that most of the measured Moons would have, the sky having the Moon at other places.
    pub fn pointed_with(&self, places: &[Option<SkyPlace>], moons: &[Option<&Moon>]) -> Option<PointingSolution> {
        let frames: Vec<(Option<&SkyPlace>, Vec<DiscFit>)> =
            moons.iter().zip(places).map(|(m, p)| (p.as_ref(), m.iter().map(|m| m.fit).collect())).collect();
        let lens = self.pointings.first()?.pointing.lens;
        let bare = Aim { pointings: Vec::new(), tracking: None, ..self.clone() };
        bare.pointed(lens, &frames).pointings.into_iter().max_by_key(|p| p.frames)
    }

    /// With the pointings of a fixed tripod, where those are found.
    fn pointed(&self, lens: Lens, frames: &Sightings<'_>) -> Self {
        let sightings: Vec<Sighted> = frames
            .iter()
            .filter_map(|(place, discs)| {
                let place = place.filter(|p| p.seen.altitude.degrees() > -0.5 && !discs.is_empty())?;
                Some(Sighted {
                    instant: place.instant,
                    seen: place.seen,
                    semidiameter: place.semidiameter,
                    discs: discs.clone(),
                })
            })
            .collect();
        let solved = pointing::solve(lens, &sightings);
        let Some(first) = solved.first() else { return self.clone() };
        // The pointing measures the focal length over the whole arc; the discs' size does so too,
        // but over a few pixels.
        let scale = Scale { focal_length_px: first.pointing.lens.focal_length_px, ..self.scale.unwrap_or_default() };
        Aim { scale: Some(scale), pointings: solved, ..self.clone() }
    }

    /// Whether most of the discs that are well seen and of the Moon's size lie where the aim expects the Moon.
    fn holds(&self, frames: &Sightings<'_>) -> bool {
        let (mut shown, mut agreeing) = (0usize, 0usize);
        for (place, discs) in frames {
            let Some(place) = place else { continue };
            let radius = self.radius_px(Some(place));
            let of_size =
                |d: &&DiscFit| radius.is_none_or(|r| (d.rectified_radius_px / r - 1.0).abs() < 0.12 + 2.0 / r);
            let mut convincing = discs.iter().filter(|d| d.confidence() > CONFIDENT).filter(of_size).peekable();
            if convincing.peek().is_none() {
                continue;
            }
            shown += 1;
            let near = |d: &DiscFit| {
                self.expects(place).is_some_and(|at| at.distance(d.centre) < 0.5 * radius.unwrap_or(d.radius_px) + 3.0)
            };
            agreeing += usize::from(convincing.any(near));
        }
        self.is_solved() && agreeing as f64 >= AGREEING * shown as f64
    }

    /// Whether so many frames show something where one pointing expects the Moon that lights anywhere cannot be what it
    /// rests on: clipped Moons over a town, none of them convincing and none of the Moon's size.
    fn is_no_chance(&self, lens: Lens, frames: &Sightings<'_>) -> bool {
        /// Two lenses are tried.
        const TRIALS: f64 = 2.0 * pointing::TRIALS as f64;
        /// Azimuth, altitude, roll, focal length and distortion take up two frames and a half.
        const TAKEN: f64 = 2.5;
        /// Chance that pointings rest on chance: one night in a million.
        const FALSE_ALARM: f64 = 1e-6;
        /// Streaks and glare hide the Moon in more than half of the frames that show lights.
        const LEAST_SHARE: f64 = 1.0 / 3.0;
        /// A pointing is not to be bought with another focal length than it started from.
        const SAME_LENS: f64 = 0.1;
        let ([only], Some(focal)) = (self.pointings.as_slice(), self.focal_length_px()) else { return false };
        let shown: Vec<usize> = frames.iter().filter(|f| f.0.is_some()).map(|f| f.1.len()).filter(|n| *n > 0).collect();
        let agreeing = only.frames as f64;
        let reach = pointing::tolerance_px(only.rms_px);
        let area = lens.centre.x * lens.centre.y * 4.0;
        // How many frames would show a light there by chance.
        let by_chance = shown.iter().sum::<usize>() as f64 * std::f64::consts::PI * reach * reach / area;
        agreeing >= LEAST_SHARE * shown.len() as f64
            && (focal / lens.focal_length_px).ln().abs() < SAME_LENS
            && TRIALS.ln() + (agreeing - TAKEN) * by_chance.ln() < FALSE_ALARM.ln()
    }

    /// Whether a path over the frames is that of a mount which follows the sky: it leaves little, and crosses in an hour
    /// less than the sky itself does.
    fn is_steady(&self, frames: &Sightings<'_>) -> bool {
        let Some((tracking, focal)) = self.tracking.as_ref().zip(self.focal_length_px()) else { return true };
        let fast = |rate: (f64, f64)| rate.0.hypot(rate.1) > 0.5 * SIDEREAL_RAD_PER_HOUR * focal;
        let moving = tracking.stretches.iter().filter(|s| fast(s.px_per_hour)).count();
        frames.len() < 4 || moving * 2 <= tracking.stretches.len()
    }

    fn tracked(&self, frames: &Sightings<'_>) -> Self {
        let waypoints: Vec<Waypoint> = frames
            .iter()
            .filter_map(|(place, discs)| {
                let place = place.as_ref()?;
                let radius = self.radius_px(Some(place));
                let of_size = |d: &&DiscFit| radius.is_none_or(|r| (d.rectified_radius_px / r - 1.0).abs() < 0.12);
                let disc = discs.iter().filter(of_size).find(|d| d.confidence() > 0.6 * CONFIDENT)?;
                Some(Waypoint { instant: place.instant, centre: disc.centre, sigma_px: disc.centre_sigma_px })
            })
            .collect();
        let radius = self.radius_px(None).unwrap_or(f64::INFINITY);
        // A path that the discs leave by more tells of none where it lies: a drive that hunts, a camera nudged by hand.
        match tracking::solve(&waypoints).filter(|path| path.rms_px < MOST_OFF_PATH * radius + 3.0) {
            Some(solved) => Aim { tracking: Some(solved), ..self.clone() },
            None => Aim { tracking: None, ..self.clone() },
        }
    }

    fn is_solved(&self) -> bool {
        self.tracking.is_some() || self.is_pointed()
    }

    /// Pixels per radian, where anything tells.
    pub fn focal_length_px(&self) -> Option<f64> {
        self.scale.map(|s| s.focal_length_px)
    }

    /// How well the plate scale is known, a share of it.
    pub fn scale_sigma(&self) -> f64 {
        self.scale.map_or(0.003, |s| s.sigma.max(0.003))
    }

    /// How far single discs lie from the plate scale, a share of it.
    pub fn scatter(&self) -> f64 {
        self.scale.map_or(0.0, |s| s.scatter)
    }

    /// The Moon's radius at the optical axis, pixels.
    pub fn radius_px(&self, place: Option<&SkyPlace>) -> Option<f64> {
        self.scale.map(|s| s.radius_px(place))
    }

    /// How many frames with a place on the sky show a disc beyond doubt.
    pub fn well_seen(&self) -> usize {
        self.well_seen
    }

    /// Whether a disc is the Moon by itself, wherever a mount that follows the sky was thought to have it: beyond doubt, and of its size.
    /// Drives hunt, hands nudge, telescopes swing over the pole; what they did in one frame no path tells.
    pub fn stands_by_itself(&self, disc: &DiscFit, place: Option<&SkyPlace>) -> bool {
        let of_size = |r: f64| (disc.rectified_radius_px / r - 1.0).abs() < 0.03 + 1.0 / r;
        !self.is_pointed() && disc.confidence() > CONFIDENT && self.radius_px(place).is_some_and(of_size)
    }

    /// Whether the mount shows the zenith up, to the care with which it was levelled.
    pub fn keeps_level(&self) -> bool {
        matches!(self.mount, Mount::ReaimedTripod | Mount::FixedTripod)
    }

    pub fn pointings(&self) -> &[PointingSolution] {
        &self.pointings
    }

    pub fn tracking(&self) -> Option<&TrackingSolution> {
        self.tracking.as_ref()
    }

    /// Whether the pointing of a fixed tripod is solved: it speaks of every frame that has a time.
    pub fn is_pointed(&self) -> bool {
        self.pointings.iter().any(is_firm)
    }

    /// The pointing that held when the Moon stood there, if its own frames agree on it well enough to tell of others.
    fn firm(&self, place: &SkyPlace) -> Option<&PointingSolution> {
        pointing_at(&self.pointings, Some(place.instant)).filter(|p| is_firm(p))
    }

    /// The camera's pointing when the Moon stood there.
    pub fn pointing(&self, place: &SkyPlace) -> Option<&CameraPointing> {
        self.firm(place).map(|p| &p.pointing)
    }

    /// Where the Moon's centre is expected, pixels.
    pub fn expects(&self, place: &SkyPlace) -> Option<PixelPoint> {
        match (self.pointing(place), &self.tracking) {
            (Some(p), _) => p.to_pixel(place.seen),
            (None, Some(t)) => t.expects(place.instant),
            (None, None) => None,
        }
    }

    /// How many frames agree on the pointing that held when the Moon stood there.
    pub fn agreeing_frames(&self, place: &SkyPlace) -> usize {
        self.firm(place).map_or(0, |p| p.frames)
    }

    /// How well the pointing knows where the Moon stands, pixels.
    pub fn sigma_px(&self, place: &SkyPlace) -> Option<f64> {
        self.firm(place).map(|p| pointing::sigma_px(p, place.seen))
    }

    /// What the residuals of frames minutes apart have in common under the pointing that held then, pixels.
    pub fn common_px(&self, place: &SkyPlace) -> f64 {
        self.firm(place).map_or(0.0, |p| p.common_px)
    }

    /// Centre, standard deviation and radius of a disc that was not seen.
    pub fn infers(&self, place: &SkyPlace) -> Option<(PixelPoint, f64, f64)> {
        let at = self.expects(place)?;
        if let Some(solved) = self.firm(place) {
            let radius = solved.pointing.lens.disc_radius_px(at, place.semidiameter);
            return Some((at, solved.rms_px.hypot(pointing::sigma_px(solved, place.seen)), radius));
        }
        let radius = self.focal_length_px()? * place.semidiameter.radians();
        Some((at, self.tracking.as_ref()?.rms_px, radius))
    }

    /// The Moon's radius where a disc stands, pixels, where that is clipped beyond its limb.
    pub fn true_radius_px(&self, place: &SkyPlace, seen: &DiscFit) -> Option<f64> {
        /// A limb's blur and the scale's error take no more than this share, and two pixels' worth of a small disc's blur.
        const BEYOND: f64 = 0.03;
        let lens = self.pointing(place).map(|p| p.lens);
        let radius = match lens {
            Some(lens) => lens.disc_radius_px(seen.centre, place.semidiameter),
            None => self.focal_length_px()? * place.semidiameter.radians(),
        };
        let radius = radius * place.flattened(Angle::ZERO).ratio.recip().sqrt();
        (seen.saturated_share > CLIPPED_SHARE && seen.radius_px > (1.0 + BEYOND) * radius + 2.0).then_some(radius)
    }

    /// What the mount did, as the frames have it.
    pub fn mount(&self) -> Mount {
        self.mount
    }
}
