//! Small Moons whose lit part is burnt: placed by the shape of what is white, or said to be uncertain.
//!
//! Whoever exposes for a landscape takes the partial phases stops beyond white. A circle laid on what is white then lies on the
//! lit side, by half a radius and more, and thinks itself sure to a tenth of a pixel.

use super::moon::Moon;
use super::mount::Aim;
use super::shape::SkyShape;
use super::sky_place::SkyPlace;
use crate::detect::{DiscFit, SMALL_DISC_PX};

/// Least share of a disc that is clipped for its lit part to be burnt.
const BURNT_SHARE: f64 = 0.08;

/// A Moon as it was measured, its centre by the shape of what is white where that tells.
pub(super) fn placed(moon: Moon, place: &SkyPlace, aim: &Aim) -> Moon {
    let Some(radius) = aim.radius_px(Some(place)).filter(|r| *r < SMALL_DISC_PX) else { return moon };
    if moon.fit.saturated_share < BURNT_SHARE {
        return moon;
    }
    let near = moon.fit.centre;
    let by_shape = aim.pointing(place).and_then(|pointing| {
        let flattening = place.flattening(aim.mount(), Some(pointing), near);
        let shape = SkyShape { lens: pointing.lens, flattening };
        moon.look.as_ref()?.burnt(near, &shape, radius, &place.light_over(pointing, near))
    });
    let fit = match by_shape {
        Some(burnt) => {
            let fit = DiscFit { centre: burnt.centre, centre_sigma_px: burnt.sigma_px, ..moon.fit };
            // What the glow makes of a crescent is no circle; of a whole Moon it is a larger one.
            if is_partial(place) { with_radius(fit, radius) } else { fit }
        }
        None => uncertain(moon.fit, place, radius),
    };
    Moon { fit, ..moon }
}

/// Whether the umbra covers a part of the disc that shifts its light to one side.
fn is_partial(place: &SkyPlace) -> bool {
    (0.03..0.99).contains(&place.shadow.umbral_fraction())
}

fn with_radius(fit: DiscFit, radius: f64) -> DiscFit {
    let stretch = fit.radius_px / fit.rectified_radius_px.max(1e-9);
    DiscFit { radius_px: radius * stretch, rectified_radius_px: radius, ..fit }
}

/// A circle on a burnt crescent lies on its lit side: by about half of what the shadow covers.
fn uncertain(fit: DiscFit, place: &SkyPlace, radius: f64) -> DiscFit {
    let shift = if is_partial(place) { 0.5 * place.shadow.umbral_fraction() * radius } else { 0.0 };
    DiscFit { centre_sigma_px: fit.centre_sigma_px.hypot(shift), ..fit }
}
