//! The Moon's own face on a disc: its `features`, without the Earth's shadow (`shade`); which way they are turned (`turn`), how they
//! lie to another's (`align`), and whether they are the Moon's at all (`evidence`), however the globe was turned (`globes`).

mod align;
mod evidence;
mod features;
mod globes;
mod shade;
mod turn;

pub(super) use align::{Passage, Shift, align};
pub(super) use evidence::{is_proved, is_proved_behind, is_unburnt, may_be_by_size, may_be_small};
pub(super) use features::Features;
pub(super) use turn::{Turned, turn_against, turn_near};

use super::sky_place::SkyPlace;
use crate::detect::{Cutout, DiscFit, Look};
use globes::{is_some_globe, libration};

/// Whether a disc shows the Moon's face, whichever way it is turned, where each pixel stands clear of the noise.
pub(super) fn shows_the_moon(look: &Look, place: Option<&SkyPlace>) -> bool {
    let features = |cutout: &Cutout| Features::of_disc(cutout, &look.fit);
    is_face(look.cutout.as_ref().and_then(features), &look.fit, place)
}

/// Whether it does so in means over some pixels at least, as a dark disc may: what its circle is, that does not tell.
fn shows_the_moon_dimly(look: &Look, place: Option<&SkyPlace>) -> bool {
    let features = |cutout: &Cutout| Features::of_dark_disc(cutout, &look.fit);
    is_face(look.cutout.as_ref().and_then(features), &look.fit, place)
}

/// Whether a disc, though it may be too small to tell its turn surely, shows the Moon's seas, and one way up only: of lamps, windows and letters of
/// 12 to 30 pixels none resembles the map by more than 0.42, nor one way up more than 1.2 times as well as any other (rendered);
/// full Moons of 16 to 25 pixels over a landscape reach 0.53 to 0.73, and 2.4 to 3.7 times.
fn shows_the_moon_small(look: &Look, place: Option<&SkyPlace>) -> bool {
    const LIKE_THE_MAP: f64 = 0.45;
    const ONE_WAY_UP: f64 = 1.8;
    let features = |cutout: &Cutout| Features::of_any_disc(cutout, &look.fit);
    look.cutout
        .as_ref()
        .and_then(features)
        .and_then(|disc| turn_against_place(&disc, place))
        .is_some_and(|t| t.correlation > LIKE_THE_MAP.max(ONE_WAY_UP * t.runner_up))
}

/// Whether a disc shows the Moon's seas and nothing finer, as one does that is out of focus or drowns in noise, and one way up only.
/// Of balls, lights out of focus, charts and gaps in a tree (rendered) those that are as surely discs resemble the map by 0.55 at most,
/// and one way up no more than 1.5 times as well as any other; a Moon out of focus reached 0.27 and nine times, one in noise
/// and cloud 0.71 and 1.7 times. Copper in grain and haze, seen all round before a plain sky, resembles it by 0.61 to 0.69 and one way up
/// 1.25 times as well; of some hundred such discs that are none, rendered or in pictures of anything, none does by more than 0.54.
fn shows_the_moon_softly(look: &Look, place: Option<&SkyPlace>) -> bool {
    const A_DISC: f64 = 0.6;
    const PERHAPS_A_DISC: f64 = 0.35;
    const LEAST: f64 = 0.25;
    const ONE_WAY_UP: f64 = 2.2;
    const CLEARLY: f64 = 0.63;
    const CLEARLY_ONE_WAY_UP: f64 = 1.6;
    const MOST_SIGMA_DEG: f64 = 1.0;
    const SURELY_A_DISC: f64 = 0.7;
    const LONG_ARC_DEG: f64 = 200.0;
    const MUCH: f64 = 0.6;
    const RATHER_ONE_WAY_UP: f64 = 1.2;
    const SIGMA_OF_MUCH_DEG: f64 = 1.5;
    let features = |cutout: &Cutout| Features::of_soft_disc(cutout, &look.fit);
    let turned = || {
        let libration = libration(place);
        turn_against(&look.cutout.as_ref().and_then(features)?, &Features::of_soft_map(&libration)?)
    };
    let confidence = look.fit.confidence();
    confidence > PERHAPS_A_DISC
        && turned().is_some_and(|t| {
            let likes = |least: f64, one_way_up: f64| t.correlation > least.max(one_way_up * t.runner_up);
            let is_round = confidence > SURELY_A_DISC && look.fit.arc_deg > LONG_ARC_DEG;
            let sigma_deg = t.sigma.degrees();
            (is_round && sigma_deg < SIGMA_OF_MUCH_DEG && likes(MUCH, RATHER_ONE_WAY_UP))
                || (sigma_deg < MOST_SIGMA_DEG
                    && ((confidence > A_DISC && likes(LEAST, ONE_WAY_UP)) || likes(CLEARLY, CLEARLY_ONE_WAY_UP)))
        })
}

/// Whether a disc shows the Moon's seas, and its finer features turned the same way: of 256 lights and shapes (rendered) 32 are turned
/// alike by both, of which none resembles the map's seas by more than half and clearly better one way up than any other; nor, of those
/// that are surely discs, a little, and no other way up at all.
pub(super) fn shows_the_moon_alike(look: &Look, place: Option<&SkyPlace>) -> bool {
    const ALIKE_DEG: f64 = 4.0;
    const LIKE_THE_MAP: f64 = 0.5;
    const ONE_WAY_UP: f64 = 1.25;
    const MOST_SIGMA_DEG: f64 = 0.8;
    const A_DISC: f64 = 0.6;
    const LITTLE: f64 = 0.12;
    const NO_OTHER_WAY_UP: f64 = 2.5;
    const MOST_SIGMA_OF_LITTLE_DEG: f64 = 1.0;
    let Some(cutout) = look.cutout.as_ref() else { return false };
    let libration = libration(place);
    let soft = || turn_against(&Features::of_soft_disc(cutout, &look.fit)?, &Features::of_soft_map(&libration)?);
    let fine = || turn_against_place(&Features::of_dark_disc(cutout, &look.fit)?, place);
    let Some((soft, fine)) = soft().zip(fine()) else { return false };
    let apart = (soft.north - fine.north).normalized_signed().degrees().abs();
    let clearly =
        soft.correlation > LIKE_THE_MAP.max(ONE_WAY_UP * soft.runner_up) && soft.sigma.degrees() < MOST_SIGMA_DEG;
    let little = look.fit.confidence() > A_DISC
        && soft.correlation > LITTLE.max(NO_OTHER_WAY_UP * soft.runner_up)
        && soft.sigma.degrees() < MOST_SIGMA_OF_LITTLE_DEG;
    soft.mirrored == fine.mirrored && apart < ALIKE_DEG && (clearly || little)
}

/// Whether features are the Moon's; of what is hardly a disc, only where they leave no doubt: hills, clouds and the Milky Way, on which a
/// circle was laid, resemble the map by up to 0.45, but no part of them is turned as another is (rendered).
fn is_face(features: Option<Features>, fit: &DiscFit, place: Option<&SkyPlace>) -> bool {
    const A_DISC: f64 = 0.5;
    const LIKE_THE_MAP: f64 = 0.3;
    const PART_OF_A_DISC: f64 = 0.65;
    const PART_DEG: f64 = 200.0;
    let least = if fit.arc_deg < PART_DEG { PART_OF_A_DISC } else { A_DISC };
    let is_hardly_a_disc = fit.confidence() < least;
    let Some(disc) = features else { return false };
    let is_as_it_was = turn_against_place(&disc, place).is_some_and(|t| {
        let is_certain = t.is_certain() && (t.correlation > LIKE_THE_MAP || !is_hardly_a_disc);
        is_certain || (t.is_a_face() && !is_hardly_a_disc)
    });
    is_as_it_was || is_some_globe(&disc)
}

/// How features are turned against the map as it is seen from a place.
fn turn_against_place(disc: &Features, place: Option<&SkyPlace>) -> Option<Turned> {
    turn_against(disc, &Features::of_map(&libration(place))?)
}
