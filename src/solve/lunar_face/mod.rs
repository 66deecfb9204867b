//! The Moon's own face on a disc: whether it is there (`evidence`), and which way it is turned (`features`).

mod evidence;
mod features;

pub(super) use evidence::{is_proved, is_the_moon};
pub(super) use features::{Features, Passage, Shift, Turned, align, turn_against, turn_near};

use super::sky_place::SkyPlace;
use crate::detect::Look;
use crate::sky::Libration;
use crate::units::Angle;

/// Whether a disc shows the Moon's face, whichever way it is turned.
pub(super) fn shows_the_moon(look: &Look, place: Option<&SkyPlace>) -> bool {
    turned(look, place).is_some_and(|t| t.is_certain() || t.is_a_face())
}

/// How a disc is turned against the Moon's map, as far as its features tell.
fn turned(look: &Look, place: Option<&SkyPlace>) -> Option<Turned> {
    let mean = Libration { longitude: Angle::ZERO, latitude: Angle::ZERO, axis_position_angle: Angle::ZERO };
    let libration = place.map_or(mean, |p| p.libration);
    turn_against(&Features::of_dark_disc(look.cutout.as_ref()?, &look.fit)?, &Features::of_map(&libration)?)
}
