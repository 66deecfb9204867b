//! The globes that a disc is held against: as the sky had it, or, where nobody says when and whence it was seen, as it may have been.

use super::features::Features;
use super::turn::{Turned, turn_against};
use crate::sky::Libration;
use crate::solve::sky_place::SkyPlace;
use crate::units::Angle;
use std::sync::OnceLock;

/// Librations are looked for so far apart, degrees to the east and to the north: faces of globes turned half as far against each other
/// resemble each other by 0.8 yet, twice as far by 0.3. They reach 8 degrees in longitude and, but for a degree of the observer's own
/// place, 7 in latitude (Meeus, Astronomical Algorithms, chapter 53); within eclipses latitudes stay below 3.
const EAST_DEG: [f64; 3] = [-5.5, 0.0, 5.5];
const NORTH_DEG: [f64; 3] = [-4.0, 0.0, 4.0];

/// The Moon's libration as seen from a place; the mean one where that is not known.
pub(super) fn libration(place: Option<&SkyPlace>) -> Libration {
    place.map_or(globe(0.0, 0.0), |p| p.libration)
}

/// A globe turned so far, degrees, its axis upright.
pub(super) fn globe(east_deg: f64, north_deg: f64) -> Libration {
    Libration {
        longitude: Angle::from_degrees(east_deg),
        latitude: Angle::from_degrees(north_deg),
        axis_position_angle: Angle::ZERO,
    }
}

/// The maps of all librations; made once.
fn maps() -> &'static [Features] {
    static MAPS: OnceLock<Vec<Features>> = OnceLock::new();
    MAPS.get_or_init(|| {
        let globes = EAST_DEG.into_iter().flat_map(|east| NORTH_DEG.map(|north| globe(east, north)));
        globes.filter_map(|libration| Features::of_map(&libration)).collect()
    })
}

/// Whether features are those of one globe or another: sites and times may be unknown, and wrong. Among so many, what is no Moon
/// resembles one by up to 0.36, and 1.2 times as well as any other (globes of the Earth, lights out of focus, a planet; rendered, and
/// 776 pictures of anything); Moons whose librations are 7 and 5 degrees by 0.56 to 0.88, and twice as well.
pub(super) fn is_some_globe(disc: &Features) -> bool {
    const LIKE_IT: f64 = 0.48;
    const ONE_WAY_UP: f64 = 1.6;
    const MOST_SIGMA_DEG: f64 = 1.0;
    /// Turned farther apart they are two.
    const ONE_DEG: f64 = 20.0;
    let all: Vec<Turned> = maps().iter().filter_map(|map| turn_against(disc, map)).collect();
    let Some(best) = all.iter().max_by(|a, b| a.correlation.total_cmp(&b.correlation)) else { return false };
    let is_other = |t: &&Turned| {
        t.mirrored != best.mirrored || (t.north - best.north).normalized_signed().degrees().abs() > ONE_DEG
    };
    let runner_up = all.iter().filter(is_other).map(|t| t.correlation).fold(best.runner_up, f64::max);
    best.correlation > LIKE_IT.max(ONE_WAY_UP * runner_up) && best.sigma.degrees() < MOST_SIGMA_DEG
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_face_is_known_however_the_globe_is_turned() {
        for (east, north) in [(7.4, 1.5), (-7.4, -1.5), (6.0, -5.0), (-3.0, 2.0)] {
            let seen = Features::of_map(&globe(east, north)).unwrap();
            assert!(is_some_globe(&seen), "{east} {north}");
        }
        // The far side is none of them.
        assert!(!is_some_globe(&Features::of_map(&globe(180.0, 0.0)).unwrap()));
        assert!(!is_some_globe(&Features::of_map(&globe(90.0, 0.0)).unwrap()));
    }
}
