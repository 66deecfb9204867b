//! A disc that no camera saw, painted because the layout asked for it: the Moon's mean surface in the shadow's
//! computed light, celestial north up. It is marked in its label and in the file.

use crate::blend::{DevelopedDisc, develop};
use crate::composition::{Composition, Placement};
use crate::ingest::Night;
use crate::raster::{ColourMatrix, CutOut, LinearImage, PixelRect, RgbSpace};
use crate::sky::{
    Danjon, MOON_COLOUR, ShadowLight, SurfaceDetail, apparent_moon, libration, lunar_albedo, shadow_from,
};
use crate::units::{Angle, Instant};

/// Points a pixel's side: the limb is smooth.
const FINE: usize = 3;
/// The full Moon's mean beside full scale, so that its brightest rays still fit.
const FULL_MOON: f64 = 0.5;

/// Paints a placement's disc; `None` without site or instant.
pub(super) fn paint(p: &Placement, night: &Night, composition: &Composition) -> Option<DevelopedDisc> {
    let (block_px, p) = (p.block_px(), &p.in_blocks(p.block_px()));
    let (observer, instant) = (night.observer()?, Instant::parse_utc(&p.utc).ok()?);
    let seen = apparent_moon(&observer, instant);
    let (turn, shadow) = (libration(&observer, instant, &seen), shadow_from(&observer, instant, &seen));
    let light = ShadowLight::new(shadow.umbra_radius, shadow.penumbra_radius, Danjon { scale: 2.0 });
    let semidiameter = seen.semidiameter.radians();
    let globe = turn.globe();
    let (sp, cp) = turn.axis_position_angle.radians().sin_cos();
    // East and north in semidiameters.
    let radiance = |east: f64, north: f64| -> [f32; 3] {
        let from_axis = (east * semidiameter - shadow.xi.radians()).hypot(north * semidiameter - shadow.eta.radians());
        let place = globe.place(north * sp - east * cp, north * cp + east * sp);
        let albedo = lunar_albedo(SurfaceDetail::Fine, &place) * FULL_MOON;
        let light = light.radiance(Angle::from_radians(from_axis));
        std::array::from_fn(|c| (light[c] * albedo * MOON_COLOUR[c]) as f32)
    };
    let side = (3.0 * p.source_radius_px).ceil() as usize;
    let to_working = ColourMatrix::new(RgbSpace::SRGB.to(&RgbSpace::WORKING));
    let mut image = LinearImage::new(side, side);
    for y in 0..side {
        for x in 0..side {
            let mut sum = [0.0f32; 3];
            for i in 0..FINE * FINE {
                let (fx, fy) = ((i % FINE) as f64 + 0.5, (i / FINE) as f64 + 0.5);
                let right = (x as f64 + fx / FINE as f64 - p.map.source_centre.x) / p.source_radius_px;
                let down = (y as f64 + fy / FINE as f64 - p.map.source_centre.y) / p.source_radius_px;
                if right.hypot(down) < 1.0 {
                    let here = radiance(-right, -down);
                    (0..3).for_each(|c| sum[c] += here[c]);
                }
            }
            image.set_pixel(x, y, to_working.apply(sum.map(|s| s / (FINE * FINE) as f32)));
        }
    }
    let cut = CutOut {
        light: image,
        saturated: vec![false; side * side],
        rect: PixelRect::of_size(side, side),
        darkest_told: 0.0,
        step: 0.0,
    };
    Some(develop(vec![cut], block_px, p, composition))
}
