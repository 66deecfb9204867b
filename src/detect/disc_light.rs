//! How bright a disc is, and the sky at its place.

use super::frame::Measured;
use crate::raster::PixelPoint;

/// What a disc sends.
#[derive(Clone, Copy)]
pub(super) struct DiscLight {
    /// Share of its pixels within half a percent of the top of the scale.
    pub saturated_share: f64,
    /// 98th percentile.
    pub high: f32,
    pub mean: f32,
    /// The sky's level there.
    pub sky: f32,
}

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
    let sky = frame.sky.at(centre.x, centre.y);
    if values.is_empty() {
        return DiscLight { saturated_share: 0.0, high: 0.0, mean: 0.0, sky };
    }
    values.sort_by(f32::total_cmp);
    let full = values.iter().rev().take_while(|v| **v > 0.995).count();
    DiscLight {
        saturated_share: full as f64 / values.len() as f64,
        high: values[(values.len() - 1) * 98 / 100],
        mean: values.iter().sum::<f32>() / values.len() as f32,
        sky,
    }
}
