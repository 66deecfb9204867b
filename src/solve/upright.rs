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
    let is_partial = PARTIAL.contains(&place.shadow.umbral_fraction());
    let lit = look.filter(|_| is_partial).and_then(Look::lit_towards);
    if let Some((right, down)) = lit.filter(|(x, y)| x.hypot(*y) > LOPSIDED) {
        // On the sky the lit side lies away from the shadow's axis; position angles run anticlockwise on the image.
        let away = (-place.shadow.xi.radians()).atan2(-place.shadow.eta.radians());
        return Some(Angle::from_radians(away - (-right).atan2(-down)));
    }
    let is_level = matches!(aim.mount(), Mount::FixedTripod | Mount::ReaimedTripod);
    is_level.then_some(place.parallactic_angle)
}
