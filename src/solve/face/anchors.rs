//! Centres held against the Moon's own face.
//!
//! A limb that is bright on one side draws the circle through it to that side, by what the camera's curve makes of bright limbs: all
//! frames of a light alike, so that no other frame tells. The face does: seas and rays within the disc lie where the map has
//! them. Along the direction in which the limb may have drawn it a centre is weighed between the two; across it the limb is better.

use crate::detect::DiscFit;
use crate::raster::PixelPoint;
use crate::registration::Orientation;
use crate::sky::Libration;
use crate::solve::lunar_face::{Features, Passage, align};
use crate::solve::moon::Moon;
use crate::solve::sequence::Sequence;
use crate::solve::sky_place::SkyPlace;
use nalgebra::Vector2;
use rayon::prelude::*;

/// How well a face whose features agree with the map's is placed, a share of the radius: the map is coarse, and seas shine
/// differently from night to night (on nights by other hands shifts of discs that stood true were 0.0025 of it).
const MAP_SIGMA: f64 = 0.003;
/// What the shift's own statistics leave out.
const SIGMAS: f64 = 1.5;
/// Smaller discs are not placed by their features, pixels.
const LEAST_RADIUS_PX: f64 = 18.0;
/// Features that resemble the map's less place nothing: those of a sliver, or of a few noisy pixels.
const LEAST_CORRELATION: f64 = 0.6;
/// A limb that may have drawn its disc by a smaller share of what the face may err is better left alone.
const LEAST_PULL: f64 = 0.5;
/// A limb and a face that contradict each other by more than so many of their standard deviations: one of them is none.
const MOST_SIGMAS: f64 = 4.0;

/// Moons whose centres are weighed with where their faces lie, as far as their limbs may have drawn them; `ahead_s` is what the
/// times are ahead by, for the globe's own turn.
pub(in crate::solve) fn anchored(
    sequence: &Sequence<'_>,
    moons: Vec<Option<Moon>>,
    turns: &[Option<Orientation>],
    ahead_s: f64,
) -> Vec<Option<Moon>> {
    let observer = sequence.observer();
    let of = |(k, moon): (usize, Option<Moon>)| {
        let moon = moon?;
        let libration = || {
            let instant = sequence.place(k)?.instant.plus_seconds(-ahead_s);
            Some(SkyPlace::at(observer.as_ref()?, instant).libration)
        };
        let anchored = libration().zip(turns[k]).and_then(|(libration, turn)| held(&moon, &libration, &turn));
        Some(anchored.unwrap_or(moon))
    };
    moons.into_par_iter().enumerate().map(of).collect()
}

/// A moon held against its face.
fn held(moon: &Moon, libration: &Libration, turn: &Orientation) -> Option<Moon> {
    let pull = moon.look.as_ref().filter(|_| moon.fit.radius_px >= LEAST_RADIUS_PX)?.curve_pull();
    let disc = Features::of_any_disc(moon.cutout.as_ref()?, &moon.fit)?;
    let north = turn.lunar_north(libration.axis_position_angle);
    let passage = Passage::from_map(libration, north, turn.mirrored);
    let shift = align(&Features::of_map(libration)?, &disc, &passage)?;
    if shift.correlation < LEAST_CORRELATION {
        return None;
    }
    let to_face = Vector2::new(shift.right, shift.down) * moon.fit.radius_px;
    let weighed = weighed(&moon.fit, pull, to_face, SIGMAS * shift.sigma * moon.fit.radius_px)?;
    Some(Moon { fit: weighed.fit, by_limb: 1.0 - weighed.share, by_map_px: weighed.by_map_px, ..moon.clone() })
}

/// A centre between its limb's and its face's.
struct Weighed {
    fit: DiscFit,
    /// The face's part.
    share: f64,
    by_map_px: f64,
}

/// A disc whose limb may have been drawn by `pull`, and whose face lies by `to_face` beside it, to its own statistics' sigma.
fn weighed(fit: &DiscFit, pull: Vector2<f64>, to_face: Vector2<f64>, face_sigma_px: f64) -> Option<Weighed> {
    let towards = pull.try_normalize(1e-3)?;
    let along = to_face.dot(&towards);
    let map_px = MAP_SIGMA * fit.radius_px;
    let (limb, face) = (fit.centre_sigma_px.hypot(pull.norm()), face_sigma_px.hypot(map_px));
    // A limb that can hardly be drawn as far as the face errs is left where it is.
    if pull.norm() < LEAST_PULL * face || along.abs() > MOST_SIGMAS * limb.hypot(face) {
        return None;
    }
    let share = limb * limb / (limb * limb + face * face);
    let moved = towards * (share * along);
    let centre = PixelPoint::new(fit.centre.x + moved.x, fit.centre.y + moved.y);
    // One of two directions is weighed.
    let of_one = |sigma: f64| share * sigma / std::f64::consts::SQRT_2;
    let centre_sigma_px = fit.centre_sigma_px.hypot(of_one(face_sigma_px));
    Some(Weighed { fit: DiscFit { centre, centre_sigma_px, ..*fit }, share, by_map_px: of_one(map_px) })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_centre_goes_to_the_face_along_the_limbs_pull_alone() {
        let fit = DiscFit::well_seen(PixelPoint::new(100.0, 100.0), 40.0);
        // Drawn to the right by about half a pixel; the face lies that much to the left, and by chance a little lower.
        let (pull, to_face) = (Vector2::new(0.5, 0.0), Vector2::new(-0.5, 0.2));
        let weighed = weighed(&fit, pull, to_face, 0.05).expect("it holds");
        let moved = (weighed.fit.centre.x - 100.0, weighed.fit.centre.y - 100.0);
        assert!((-0.5..-0.4).contains(&moved.0) && moved.1 == 0.0, "{moved:?}");
        assert!((0.8..1.0).contains(&weighed.share) && weighed.by_map_px < 0.1);
        // What a limb may not have drawn stays, and what contradicts it altogether is no face.
        assert!(super::weighed(&fit, Vector2::zeros(), to_face, 0.05).is_none());
        assert!(super::weighed(&fit, pull, Vector2::new(-3.0, 0.0), 0.05).is_none());
    }
}
