//! Small Moons whose lit part is burnt: placed by the shape of what is white, or said to be uncertain.
//!
//! Whoever exposes for a landscape takes the partial phases stops beyond white. A circle laid on what is white then lies on the
//! lit side, by half a radius and more, and thinks itself sure to a tenth of a pixel.

use super::moon::Moon;
use super::mount::Aim;
use super::shape::SkyShape;
use super::sky_place::SkyPlace;
use super::upright::up_position_angle;
use crate::detect::{Burnt, COPPER_TOLD_PX, DiscFit, SMALL_DISC_PX, Shading};
use crate::raster::PixelPoint;
use crate::sky::Lens;

/// Share of the disc in the umbra beyond which its lit part is too small to be asked.
const MOST_COVERED: f64 = 0.9;
/// What is white has a say unless the limb is so much surer: a glow makes a limb think itself twice as sure as it is.
const FAR_BETTER: f64 = 0.3;

/// A Moon as it was measured, its centre by the shape of what is white where that tells.
pub(super) fn placed(moon: Moon, place: &SkyPlace, aim: &Aim, (width, height): (usize, usize)) -> Moon {
    let (Some(radius), Some(focal), Some(look)) =
        (aim.radius_px(Some(place)).filter(|r| *r < SMALL_DISC_PX), aim.focal_length_px(), &moon.look)
    else {
        return moon;
    };
    // Of all of it in the umbra what is white is a patch, and the limb tells more.
    if place.shadow.umbral_fraction() > MOST_COVERED {
        return moon;
    }
    let (near, pointing) = (moon.fit.centre, aim.pointing(place));
    let lens = pointing.map_or_else(|| Lens::rectilinear(width, height, focal), |p| p.lens);
    let shape = SkyShape { lens, flattening: place.flattening(aim.mount(), pointing, near) };
    let light = up_position_angle((place, aim), near, Some(look)).map(|up| place.light_over(up));
    // Of a disc that is lit all over no sky need say which way up it is.
    let even = |_: f64, _: f64| 1.0;
    let shading = match light.as_ref() {
        Some(light) => Some(light as Shading<'_>),
        None => (!is_partial(place)).then_some(&even as Shading<'_>),
    };
    let fit = match look.burnt(near, &shape, radius, shading) {
        Burnt::Hardly => return moon,
        // Its dark side is seen as well, and places it far better.
        Burnt::At(centre, sigma_px) if is_surer(&moon.fit, centre, sigma_px) => return moon,
        Burnt::At(centre, centre_sigma_px) => {
            let fit = DiscFit { centre, centre_sigma_px, ..moon.fit };
            // What the glow makes of a crescent is no circle; of a whole Moon it is a larger one.
            let radius_px = lens.disc_radius_px(centre, place.semidiameter);
            if is_partial(place) { DiscFit { radius_px, rectified_radius_px: radius, ..fit } } else { fit }
        }
        Burnt::Shapeless => uncertain(moon.fit, place, radius),
    };
    Moon { fit, ..moon }
}

/// Whether a disc was placed far more surely than by what is white, and agrees with that.
fn is_surer(fit: &DiscFit, centre: PixelPoint, sigma_px: f64) -> bool {
    /// Standard deviations.
    const AGREES: f64 = 2.0;
    let is_told = fit.rectified_radius_px > COPPER_TOLD_PX;
    is_told && fit.centre_sigma_px < FAR_BETTER * sigma_px && fit.centre.distance(centre) < AGREES * sigma_px
}

/// Whether the umbra covers a part of the disc that shifts its light to one side.
fn is_partial(place: &SkyPlace) -> bool {
    (0.03..0.99).contains(&place.shadow.umbral_fraction())
}

/// A circle on a burnt crescent lies on its lit side: by about half of what the shadow covers.
fn uncertain(fit: DiscFit, place: &SkyPlace, radius: f64) -> DiscFit {
    let shift = if is_partial(place) { 0.5 * place.shadow.umbral_fraction() * radius } else { 0.0 };
    DiscFit { centre_sigma_px: fit.centre_sigma_px.hypot(shift), ..fit }
}
