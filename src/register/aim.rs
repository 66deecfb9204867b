//! What is known of where a rig looked: by its mount.

use super::frame::{CONFIDENT, DiscFit};
use super::pointing::{self, PointingSolution, Sighting};
use super::sky_place::SkyPlace;
use super::tracking::{self, TrackingSolution, Waypoint};
use crate::ingest::{Mount, Rig};
use crate::raster::PixelPoint;
use crate::sky::{CameraPointing, Lens};
use crate::units::Angle;

/// Where a rig looked, and its plate scale.
#[derive(Clone, Debug)]
pub(super) struct Aim {
    mount: Mount,
    /// Pixels per radian, where anything tells.
    focal_length_px: Option<f64>,
    pointings: Vec<PointingSolution>,
    tracking: Option<TrackingSolution>,
}

impl Aim {
    /// Solves the aim from the discs found in each frame, best first.
    pub fn solve(mount: Mount, rig: &Rig, places: &[Option<SkyPlace>], discs: &[Vec<DiscFit>]) -> Self {
        let scale = plate_scale(discs, places);
        let noted = rig.focal_length_px.or(scale);
        let mut aim = Aim { mount, focal_length_px: scale, pointings: Vec::new(), tracking: None };
        match mount {
            Mount::FixedTripod => {
                if let Some(focal) = noted {
                    aim.point(Lens::rectilinear(rig.width, rig.height, focal), places, discs);
                }
            }
            Mount::Tracking => aim.track(places, discs),
            Mount::ReaimedTripod | Mount::Unknown => {}
        }
        aim
    }

    /// Once more, with one measured disc a frame at most; keeps what stood where that fails.
    pub fn solve_again(&self, places: &[Option<SkyPlace>], measured: &[Vec<DiscFit>]) -> Self {
        let mut aim = self.clone();
        if let Some(first) = self.pointings.first() {
            aim.point(first.pointing.lens, places, measured);
        }
        if self.tracking.is_some() {
            aim.track(places, measured);
        }
        aim
    }

    fn point(&mut self, lens: Lens, places: &[Option<SkyPlace>], discs: &[Vec<DiscFit>]) {
        let sightings: Vec<Sighting> = discs
            .iter()
            .zip(places)
            .filter_map(|(discs, place)| {
                let place = place.as_ref().filter(|p| p.seen.altitude.degrees() > -0.5)?;
                Some(Sighting { instant: place.instant, seen: place.seen, discs: discs.clone() })
            })
            .filter(|s| !s.discs.is_empty())
            .collect();
        let solved = pointing::solve(lens, &sightings);
        if let Some(first) = solved.first() {
            // The pointing measures the focal length over the whole arc; the discs' size does so too,
            // but over a few pixels.
            self.focal_length_px = Some(first.pointing.lens.focal_length_px);
            self.pointings = solved;
        }
    }

    fn track(&mut self, places: &[Option<SkyPlace>], discs: &[Vec<DiscFit>]) {
        let focal = self.focal_length_px;
        let waypoints: Vec<Waypoint> = discs
            .iter()
            .zip(places)
            .filter_map(|(discs, place)| {
                let place = place.as_ref()?;
                let of_size = |d: &&DiscFit| {
                    focal
                        .is_none_or(|f| (d.rectified_radius_px / (f * place.semidiameter.radians()) - 1.0).abs() < 0.12)
                };
                let disc = discs.iter().filter(of_size).find(|d| d.confidence() > 0.6 * CONFIDENT)?;
                Some(Waypoint { instant: place.instant, centre: disc.centre, sigma_px: disc.centre_sigma_px })
            })
            .collect();
        if let Some(solved) = tracking::solve(&waypoints) {
            self.tracking = Some(solved);
        }
    }

    pub fn focal_length_px(&self) -> Option<f64> {
        self.focal_length_px
    }

    pub fn pointings(&self) -> &[PointingSolution] {
        &self.pointings
    }

    pub fn tracking(&self) -> Option<&TrackingSolution> {
        self.tracking.as_ref()
    }

    /// Whether the pointing of a fixed tripod is solved: it speaks of every frame that has a time.
    pub fn is_pointed(&self) -> bool {
        !self.pointings.is_empty()
    }

    /// The camera's pointing when the Moon stood there.
    pub fn pointing(&self, place: &SkyPlace) -> Option<&CameraPointing> {
        pointing::at(&self.pointings, Some(place.instant)).map(|p| &p.pointing)
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
        pointing::at(&self.pointings, Some(place.instant)).map_or(0, |p| p.frames)
    }

    /// How well the pointing knows where the Moon stands, pixels.
    pub fn sigma_px(&self, place: &SkyPlace) -> Option<f64> {
        pointing::at(&self.pointings, Some(place.instant)).map(|p| p.sigma_px(place.seen))
    }

    /// Centre, standard deviation and radius of a disc that was not seen.
    pub fn infers(&self, place: &SkyPlace) -> Option<(PixelPoint, f64, f64)> {
        let at = self.expects(place)?;
        if let Some(solved) = pointing::at(&self.pointings, Some(place.instant)) {
            let radius = solved.pointing.lens.disc_radius_px(at, place.semidiameter);
            return Some((at, solved.rms_px.hypot(solved.sigma_px(place.seen)), radius));
        }
        let radius = self.focal_length_px? * place.semidiameter.radians();
        Some((at, self.tracking.as_ref()?.rms_px, radius))
    }

    pub fn mount(&self) -> Mount {
        self.mount
    }
}

/// Pixels per radian from the discs' radii over the predicted semidiameters: the value that most
/// frames showing at least half of the limb agree on.
pub(super) fn plate_scale(discs: &[Vec<DiscFit>], places: &[Option<SkyPlace>]) -> Option<f64> {
    let whole = |d: &&DiscFit| d.arc_deg >= 170.0 && d.confidence() > CONFIDENT && d.saturated_share < 0.2;
    let ratios: Vec<Vec<f64>> = discs
        .iter()
        .zip(places)
        .filter_map(|(d, p)| Some((d, p.as_ref()?)))
        .map(|(d, p)| {
            // The first look knows no air: what it took for a circle is flattened by a few thousandths.
            let unflattened = p.flattened(Angle::ZERO).ratio.sqrt() / p.semidiameter.radians();
            d.iter().filter(whole).map(|d| d.rectified_radius_px * unflattened).collect()
        })
        .filter(|r: &Vec<f64>| !r.is_empty())
        .collect();
    if ratios.len() < 2 {
        return None;
    }
    let close = |a: f64, b: f64| (a / b).ln().abs() < 0.03;
    let votes = |scale: f64| ratios.iter().filter(|r| r.iter().any(|v| close(*v, scale))).count();
    let best = ratios.iter().flatten().copied().max_by_key(|s| votes(*s))?;
    if votes(best) < 2 {
        return None;
    }
    let mut agreeing: Vec<f64> = ratios.iter().flatten().copied().filter(|v| close(*v, best)).collect();
    agreeing.sort_by(f64::total_cmp);
    Some(agreeing[agreeing.len() / 2])
}
