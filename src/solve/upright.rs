//! Which way the shadow's light lies over a disc: what a small one is compared with.

use super::mount::Aim;
use super::sky_place::SkyPlace;
use crate::camera::Mount;
use crate::detect::Look;
use crate::raster::PixelPoint;
use crate::units::Angle;

/// Of the radius: where the middle of a disc's light lies by less to one side, seas say as much as the shadow does.
const LOPSIDED: f64 = 0.15;
/// Shares of the Moon in the umbra at which the shadow leaves its light on one side.
const PARTIAL: std::ops::Range<f64> = 0.1..0.97;

/// The position angle of up near a place of a frame: by the solved pointing; else, during the partial phases, by the side on which the
/// disc is lit (to some degrees; mirrored or not, since the shadow is alike on both sides of its axis); else as a tripod stands that
/// was levelled. `None` where nothing says it.
pub(super) fn up_position_angle(
    (place, aim): (&SkyPlace, &Aim),
    near: PixelPoint,
    look: Option<&Look>,
) -> Option<Angle> {
    if let Some(pointing) = aim.pointing(place) {
        return Some(place.parallactic_angle + pointing.zenith_turn(near));
    }
    let is_level = matches!(aim.mount(), Mount::FixedTripod | Mount::ReaimedTripod);
    look.and_then(|look| by_light(place, look)).or(is_level.then_some(place.parallactic_angle))
}

/// By the side on which a disc is lit; `None` where it is lit alike.
fn by_light(place: &SkyPlace, look: &Look) -> Option<Angle> {
    if !PARTIAL.contains(&place.shadow.umbral_fraction()) {
        return None;
    }
    let (right, down) = look.lit_towards().filter(|(x, y)| x.hypot(*y) > LOPSIDED)?;
    // On the sky the lit side lies away from the shadow's axis, on the image the shadow where it is not; position angles run anticlockwise.
    Some(place.shadow.position_angle() - Angle::from_radians(right.atan2(down)))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::detect::{Measured, any_disc, find_discs};
    use crate::raster::{CodedPlane, Plane};
    use crate::sky::Observer;
    use crate::units::Instant;

    /// A disc of 20 px as the shadow lights it where the image's up has a position angle, mirrored or not.
    fn seen(place: &SkyPlace, up: Angle, is_mirrored: bool) -> Look {
        let light = place.radiance_over(up);
        let full = (-10..=10)
            .flat_map(|x| (-10..=10).map(move |y| (x, y)))
            .map(|(x, y)| light(f64::from(x) / 14.0, f64::from(y) / 14.0));
        let brightest = full.fold(0.0, f64::max);
        let (side, radius) = (120usize, 20.0);
        let value = |i: usize| {
            let (x, y) = ((i % side) as f64 + 0.5 - 60.3, (i / side) as f64 + 0.5 - 59.6);
            let right = if is_mirrored { -x } else { x };
            let cover = (radius + 0.5 - x.hypot(y)).clamp(0.0, 1.0);
            (0.002 + 0.6 * cover * light(right / radius, y / radius) / brightest) as f32
        };
        let plane = Plane::from_data(side, side, (0..side * side).map(value).collect()).unwrap();
        let plane = CodedPlane::from_light(plane);
        find_discs(&Measured::new(&plane), &any_disc(side, side), 1).into_iter().next().expect("it is found")
    }

    #[test]
    fn the_lit_side_says_which_way_up_a_disc_is() {
        // A third of the Moon in the umbra, from the jetty.
        let observer = Observer::new(-31.9, 115.75, 6.0).unwrap();
        let place = SkyPlace::at(&observer, Instant::parse_utc("2028-12-31T15:35:00Z").unwrap());
        assert!(PARTIAL.contains(&place.shadow.umbral_fraction()), "{}", place.shadow.umbral_fraction());
        for degrees in [0.0, 73.0, 141.0, 262.0] {
            let up = Angle::from_degrees(degrees);
            let told = by_light(&place, &seen(&place, up, false)).expect("one side is lit");
            let off = (told - up).normalized_signed().degrees();
            println!("up at {degrees}: told {off:+.1} off");
            assert!(off.abs() < 8.0, "{degrees}: {off}");
            // Mirrored, another up gives the same light.
            let told = by_light(&place, &seen(&place, up, true)).expect("one side is lit");
            let (light, mirrored) = (place.radiance_over(told), place.radiance_over(up));
            for (x, y) in [(0.6, 0.1), (-0.5, 0.4), (0.2, -0.7), (-0.3, -0.5)] {
                assert!(
                    (light(x, y) - mirrored(-x, y)).abs() < 0.15 * light(x, y).max(mirrored(-x, y)) + 0.02,
                    "{degrees} at {x} {y}"
                );
            }
        }
    }
}
