//! The Moon's own face on a disc: whether it is there (`evidence`), and which way it is turned (`features`).

mod evidence;
mod features;

pub(super) use evidence::{is_proved, is_the_moon, may_be_by_size};
pub(super) use features::{Features, Passage, Shift, Turned, align, turn_against, turn_near};

use super::sky_place::SkyPlace;
use crate::detect::{Cutout, Look};
use crate::sky::Libration;
use crate::units::Angle;

/// Whether a disc shows the Moon's face, whichever way it is turned, where each pixel stands clear of the noise.
pub(super) fn shows_the_moon(look: &Look, place: Option<&SkyPlace>) -> bool {
    let features = |cutout: &Cutout| Features::of_disc(cutout, &look.fit);
    is_face(look.cutout.as_ref().and_then(features), place)
}

/// Whether it does so in means over some pixels at least, as a dark disc may: what its circle is, that does not tell.
fn shows_the_moon_dimly(look: &Look, place: Option<&SkyPlace>) -> bool {
    let features = |cutout: &Cutout| Features::of_dark_disc(cutout, &look.fit);
    is_face(look.cutout.as_ref().and_then(features), place)
}

/// Whether a disc, though it may be too small to tell its turn surely, shows the Moon's seas, and one way up only: of lamps, windows and letters of
/// 12 to 30 pixels none resembles the map by more than 0.42, nor one way up more than 1.2 times as well as any other (rendered);
/// full Moons of 16 to 25 pixels over a landscape reach 0.53 to 0.73, and 2.4 to 3.7 times.
fn shows_the_moon_small(look: &Look, place: Option<&SkyPlace>) -> bool {
    const LIKE_THE_MAP: f64 = 0.45;
    const ONE_WAY_UP: f64 = 1.8;
    let features = |cutout: &Cutout| Features::of_any_disc(cutout, &look.fit);
    turned(look.cutout.as_ref().and_then(features), place)
        .is_some_and(|t| t.correlation > LIKE_THE_MAP.max(ONE_WAY_UP * t.runner_up))
}

/// Whether a disc shows the Moon's seas and nothing finer, as one does that is out of focus or drowns in noise, and one way up only.
/// Of balls, lights out of focus, charts and gaps in a tree (rendered) those that are as surely discs resemble the map by 0.55 at most,
/// and one way up no more than 1.5 times as well as any other; a Moon out of focus reached 0.27 and nine times, one in noise
/// and cloud 0.71 and 1.7 times.
fn shows_the_moon_softly(look: &Look, place: Option<&SkyPlace>) -> bool {
    const A_DISC: f64 = 0.6;
    const LEAST: f64 = 0.25;
    const ONE_WAY_UP: f64 = 2.2;
    const CLEARLY: f64 = 0.63;
    const CLEARLY_ONE_WAY_UP: f64 = 1.6;
    const MOST_SIGMA_DEG: f64 = 1.0;
    let features = |cutout: &Cutout| Features::of_soft_disc(cutout, &look.fit);
    let turned = || {
        let libration = libration(place);
        turn_against(&look.cutout.as_ref().and_then(features)?, &Features::of_soft_map(&libration)?)
    };
    look.fit.confidence() > A_DISC
        && turned().is_some_and(|t| {
            t.sigma.degrees() < MOST_SIGMA_DEG
                && (t.correlation > LEAST.max(ONE_WAY_UP * t.runner_up)
                    || t.correlation > CLEARLY.max(CLEARLY_ONE_WAY_UP * t.runner_up))
        })
}

/// Whether features are the Moon's.
fn is_face(features: Option<Features>, place: Option<&SkyPlace>) -> bool {
    turned(features, place).is_some_and(|t| t.is_certain() || t.is_a_face())
}

/// How features are turned against the map as it is seen from a place.
fn turned(features: Option<Features>, place: Option<&SkyPlace>) -> Option<Turned> {
    features.and_then(|of_disc| turn_against(&of_disc, &Features::of_map(&libration(place))?))
}

/// The Moon's libration as seen from a place; the mean one where that is not known.
fn libration(place: Option<&SkyPlace>) -> Libration {
    let mean = Libration { longitude: Angle::ZERO, latitude: Angle::ZERO, axis_position_angle: Angle::ZERO };
    place.map_or(mean, |p| p.libration)
}
