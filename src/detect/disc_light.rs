//! How bright a disc is, and the sky at its place.

use super::frame::Measured;
use crate::raster::{PixelPoint, plateau};

/// What a disc sends.
#[derive(Clone, Copy)]
pub(super) struct DiscLight {
    /// Share of its pixels that are white: within half a percent of the top of the scale, or of a plateau below it, as files that were
    /// faded, scaled or rolled off end in.
    pub saturated_share: f64,
    /// 98th percentile.
    pub high: f32,
    pub mean: f32,
    /// The sky's level there.
    pub sky: f32,
}

/// The sky's light at a disc: what the frame's cells say, or if a disc so large may hide that from them, no more than what lies just
/// outside its limb.
fn sky_around(frame: &Measured<'_>, centre: PixelPoint, radius: f64) -> f32 {
    const FROM: f64 = 1.08;
    const RINGS: usize = 6;
    const AROUND: usize = 180;
    const FEWEST: usize = 60;
    let sky = frame.sky.at(centre.x, centre.y);
    if !frame.sky.may_be_hidden_by(radius) {
        return sky;
    }
    let (width, height) = (frame.plane.width() as f64, frame.plane.height() as f64);
    let mut ring: Vec<f32> = (0..RINGS * AROUND)
        .filter_map(|i| {
            let (sin, cos) = ((i % AROUND) as f64 / AROUND as f64 * std::f64::consts::TAU).sin_cos();
            let rho = radius * (FROM + 0.03 * (i / AROUND) as f64);
            let (x, y) = (centre.x + rho * cos, centre.y + rho * sin);
            let shown = x >= 0.0 && y >= 0.0 && x < width && y < height && !frame.plane.is_ignored(x, y, 0.0);
            shown.then(|| frame.plane.get(x as usize, y as usize))
        })
        .collect();
    if ring.len() < FEWEST {
        return sky;
    }
    let middle = ring.len() / 2;
    sky.min(*ring.select_nth_unstable_by(middle, f32::total_cmp).1)
}

/// From here on light is the top of the scale.
const WHITE: f32 = 0.995;

pub(super) fn light_of_disc(frame: &Measured<'_>, centre: PixelPoint, radius: f64) -> DiscLight {
    let plane = frame.plane;
    let mut values = Vec::new();
    let step = (radius / 40.0).max(1.0);
    let reach = (radius / step) as i64;
    for iy in -reach..=reach {
        for ix in -reach..=reach {
            let (dx, dy) = (ix as f64 * step, iy as f64 * step);
            let (x, y) = (centre.x + dx, centre.y + dy);
            let inside = x >= 0.0 && y >= 0.0 && x < plane.width() as f64 && y < plane.height() as f64;
            if dx.hypot(dy) < radius * 0.98 && inside {
                values.push(plane.get(x as usize, y as usize));
            }
        }
    }
    let sky = sky_around(frame, centre, radius);
    if values.is_empty() {
        return DiscLight { saturated_share: 0.0, high: 0.0, mean: 0.0, sky };
    }
    values.sort_by(f32::total_cmp);
    let white = plateau(values.clone()).map_or(WHITE, |from| from.min(WHITE));
    let full = values.iter().rev().take_while(|v| **v > white).count();
    DiscLight {
        saturated_share: full as f64 / values.len() as f64,
        high: values[(values.len() - 1) * 98 / 100],
        mean: values.iter().sum::<f32>() / values.len() as f32,
        sky,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::raster::{CodedPlane, Plane};

    #[test]
    fn a_disc_that_fills_the_frame_is_not_its_own_sky() {
        let (width, height, radius) = (320, 200, 115.0);
        let light = |i: usize| {
            let (x, y) = ((i % width) as f64 + 0.5 - 140.0, (i / width) as f64 + 0.5 - 70.0);
            if x.hypot(y) < radius { 0.2 } else { 0.004 }
        };
        let plane = Plane::from_data(width, height, (0..width * height).map(light).collect()).unwrap();
        let plane = CodedPlane::from_light(plane);
        let frame = Measured::new(&plane);
        assert!(frame.sky.at(140.0, 70.0) > 0.1, "the cells alone take it for that");
        let light = light_of_disc(&frame, PixelPoint::new(140.0, 70.0), radius);
        assert!((light.sky - 0.004).abs() < 1e-4 && (light.mean - 0.2).abs() < 1e-3, "{}", light.sky);
    }
}
