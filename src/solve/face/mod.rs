//! Which way up each frame shows the Moon, by its face; and what faces say of neighbouring frames.
//!
//! Where the aim of a fixed tripod is solved, geometry gives the position angle of the image's up direction; elsewhere
//! the Moon's own features do, frame by frame (`lunar_face`). What a mount keeps steady fills in for discs that show too
//! few (`sequence`), the direction in which the shadow lies sharpens that (`closer`), the face says its part of where a disc is
//! whose limb is bright on one side (`anchors`), and neighbours that are aligned on their features agree on turns and
//! centres (`ties`).

mod anchors;
mod closer;
mod sequence;
mod ties;

pub(super) use anchors::anchored;
pub(super) use ties::tied;

use super::lunar_face::{Features, Turned, turn_against};
use super::median;
use super::moon::Moon;
use super::mount::Aim;
use super::sequence::Sequence;
use super::sky_place::SkyPlace;
use crate::detect::{Cutout, DiscFit};
use crate::diag::Diagnostic;
use crate::registration::{ClockEstimate, MountRotation, Orientation, OrientationSource, pointing_at};
use crate::units::Angle;
use rayon::prelude::*;

/// Which way up the frames of a rig show the Moon.
pub(super) struct Facing {
    turns: Vec<Option<Orientation>>,
    /// What the features of each disc said by themselves.
    by_features: Vec<Option<Orientation>>,
    features: Vec<Option<Features>>,
    /// Whether its frames are mirror images of the sky, where features tell.
    mirrored: Option<bool>,
    /// How far the features stand from the solved aim, degrees, where that is beyond doubt.
    against_aim_deg: Option<f64>,
}

fn wrapped(a: Angle) -> f64 {
    a.normalized_signed().degrees()
}

/// Whether most frames that show the Moon have it below the horizon, by their site and times.
fn is_sky_doubted(sequence: &Sequence<'_>, moons: &[Option<Moon>]) -> bool {
    /// Refraction and a hill's height lift it by less, degrees.
    const BELOW_DEG: f64 = -1.5;
    let shown = moons.iter().zip(&sequence.places).filter_map(|(moon, place)| moon.as_ref().and(place.as_ref()));
    let (below, above): (Vec<&SkyPlace>, Vec<&SkyPlace>) = shown.partition(|p| p.seen.altitude.degrees() < BELOW_DEG);
    below.len() > above.len()
}

/// How far the globe may stand turned as seen from another site, by parallax, degrees: 0.95 degrees across the sky, times the tangent of
/// a declination of up to 28, are half a degree. (What a wrong date does is neglected.)
const OF_ANOTHER_SITE_DEG: f64 = 0.6;

fn all_features(
    moons: &[Option<Moon>],
    of: impl Fn(&Cutout, &DiscFit) -> Option<Features> + Sync,
) -> Vec<Option<Features>> {
    let of_moon = |moon: &Option<Moon>| {
        let moon = moon.as_ref()?;
        of(moon.cutout.as_ref()?, &moon.fit)
    };
    moons.par_iter().map(of_moon).collect()
}

impl Facing {
    /// From the features of each disc, the aim, and what the mount keeps steady.
    pub fn read(sequence: &Sequence<'_>, moons: &[Option<Moon>], aim: &Aim) -> Self {
        let features = all_features(moons, Features::without_shadow);
        let turned: Vec<Option<Turned>> = (0..features.len())
            .into_par_iter()
            .map(|k| turn_against(features[k].as_ref()?, &Features::of_map(&sequence.place(k)?.libration)?))
            .collect();
        let certain = |t: &&Turned| t.is_certain();
        let vote: f64 = turned
            .iter()
            .flatten()
            .filter(certain)
            .map(|t| (t.correlation - t.runner_up) * if t.mirrored { -1.0 } else { 1.0 })
            .sum();
        let known = turned.iter().flatten().filter(certain).count() > 0;
        let is_doubted = is_sky_doubted(sequence, moons);
        let mirrored = vote < 0.0;
        let by_features: Vec<Option<Orientation>> = turned
            .iter()
            .zip(&sequence.places)
            .map(|(t, p)| {
                let t = t.as_ref().filter(|t| t.is_certain() && t.mirrored == mirrored)?;
                let sigma = if is_doubted {
                    Angle::from_degrees(t.sigma.degrees().hypot(OF_ANOTHER_SITE_DEG))
                } else {
                    t.sigma
                };
                Some(Orientation::of_lunar_north(t.north, mirrored, p.as_ref()?.libration.axis_position_angle, sigma))
            })
            .collect();
        let (turns, against_aim_deg) = if aim.pointings().is_empty() {
            let ups = sequence::level_ups(sequence, moons, aim);
            // By another site's sky nobody knows how a level camera would show the Moon.
            let level = |own| {
                let own = sequence::without_strays(aim, &ups, own);
                sequence::filled(sequence, aim, &ups, sequence::along_the_line(sequence, aim, own))
            };
            (if is_doubted { by_features.clone() } else { level(by_features.clone()) }, None)
        } else {
            by_geometry(sequence, moons, aim, &by_features)
        };
        Facing { turns, by_features, features, mirrored: known.then_some(mirrored), against_aim_deg }
    }

    pub fn turns(&self) -> &[Option<Orientation>] {
        &self.turns
    }

    /// What the features of each disc said by themselves.
    pub fn by_features(&self) -> &[Option<Orientation>] {
        &self.by_features
    }

    /// Whether its frames are mirror images of the sky, where features tell.
    pub fn mirrored(&self) -> Option<bool> {
        self.mirrored
    }

    /// Turns of discs that showed too few features by themselves, looked at once more.
    pub fn closer(
        self,
        sequence: &Sequence<'_>,
        moons: &[Option<Moon>],
        aim: &Aim,
        clock: Option<&ClockEstimate>,
    ) -> Self {
        if !aim.pointings().is_empty() {
            return self;
        }
        let turns = closer::looked_at(sequence, moons, &self.features, &self.turns, clock);
        Facing { turns, ..self }
    }

    /// How the camera was turned on a mount that follows the sky.
    pub fn rotation(&self, sequence: &Sequence<'_>) -> Option<MountRotation> {
        sequence::rotation(sequence, &self.turns)
    }

    /// What has to be said where features and the solved aim contradict each other.
    pub fn remarks(&self) -> Option<Diagnostic> {
        let off = self.against_aim_deg?;
        Some(
            Diagnostic::warning(
                "orientation-contradicts-aim",
                format!("the Moon's features are turned by {off:.1} degrees against the solved aim"),
            )
            .with_help("check the site, the clock's `utc_offset` and `mount` in shoot.ron"),
        )
    }
}

/// A fixed tripod's orientation follows from its aim; features only confirm it.
fn by_geometry(
    sequence: &Sequence<'_>,
    moons: &[Option<Moon>],
    aim: &Aim,
    by_features: &[Option<Orientation>],
) -> (Vec<Option<Orientation>>, Option<f64>) {
    let mut differences = Vec::new();
    let turns = (0..moons.len())
        .map(|k| {
            let place = sequence.place(k)?;
            let solution = pointing_at(aim.pointings(), Some(place.instant))?;
            let pointing = &solution.pointing;
            let centre = moons[k].as_ref().map(|m| m.fit.centre).or_else(|| aim.expects(place))?;
            let up = (place.parallactic_angle + pointing.zenith_turn(centre)).normalized();
            if let Some(seen) = by_features[k] {
                differences.push(wrapped(seen.up_position_angle - up));
            }
            // The roll's own, and what a lens bends that no term describes.
            let roll = Angle::from_radians(solution.covariance[(2, 2)].max(0.0).sqrt());
            let sigma = Angle::from_degrees(roll.degrees().hypot(0.008));
            Some(Orientation { up_position_angle: up, mirrored: false, sigma, source: OrientationSource::Pointing })
        })
        .collect();
    let count = differences.len();
    (turns, median(differences).filter(|off| count >= 3 && off.abs() > 2.0))
}
