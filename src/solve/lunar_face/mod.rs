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

/// Whether features are the Moon's.
fn is_face(features: Option<Features>, place: Option<&SkyPlace>) -> bool {
    let mean = Libration { longitude: Angle::ZERO, latitude: Angle::ZERO, axis_position_angle: Angle::ZERO };
    let libration = place.map_or(mean, |p| p.libration);
    let turned = features.and_then(|of_disc| turn_against(&of_disc, &Features::of_map(&libration)?));
    turned.is_some_and(|t| t.is_certain() || t.is_a_face())
}
