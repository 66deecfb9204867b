//! The limb of a disc out of focus: where its light falls to half.
//!
//! A lens out of focus spreads each point over a disc of its own, evenly or brighter at its rim, so that a limb is a slope as wide as
//! that disc. On codes such a slope is steepest at its foot, for they rise with the root of light; and where the rim is bright, at
//! its foot and at its top. The middle of it lies where light has half its way from the sky beside to the disc inside (both
//! kernels are symmetrical), whatever their shape.
//!
//! Neglected: what a camera's own curve makes of half (it is stated as for any limb on codes, a seventh of the slope's width), and light beyond white where
//! not all of the limb has it.

use super::edge_profile::CLIPPED;
use super::limb::LimbPoint;
use super::metric::Metric;
use crate::raster::{PixelPoint, Plane};

/// Widths (as of a Gaussian) from which a limb is out of focus: a share of the radius, and pixels of the frame, or of a copy reduced
/// until it stands out of noise, where its codes tell no more. Below, whole profiles place it better.
const LEAST_WIDTH: f64 = 0.018;
const LEAST_WIDTH_PX: f64 = 2.5;
const LEAST_WIDTH_ON_A_COPY_PX: f64 = 1.4;
/// Where the sky beside a disc is looked at, radii.
const BESIDE: (f64, f64) = (1.10, 1.24);
/// How far inside the disc's own light is looked for, radii.
const INNERMOST: f64 = 0.66;
/// A slope has ended where light grows over such a stretch, in radii, by no more than this share of what it has grown by before.
const LEVEL: (f64, f64) = (0.04, 0.05);
/// Fewest rays, and least share of those along which the limb was seen.
const FEWEST: usize = 24;
const LEAST_SHARE: f64 = 0.5;
/// By how much the widths' quartiles may differ, a share of the middle one: of discs out of focus by 0.05 to 0.3 (rendered), of a soft
/// crescent, whose light rises slowly near its cusps, by 0.6, of one that moved while the shutter was open by more.
const MOST_UNEVEN: f64 = 0.45;
/// Share of the rays that may end at white: cut short, a slope's middle lies further out, by a tenth of its width where light is half as
/// much again as white, and nearer than its foot on any account; of a disc that is burnt all over nobody knows the middle.
const MOST_WHITE: f64 = 0.8;
/// The quartiles of a slope's width, sigmas of a Gaussian apart.
const QUARTILES_APART: f64 = 1.349;

/// The limb of a disc in linear light, as rectified offsets from its centre, and the width of its slope, rectified pixels; `None` where
/// it is sharp, or tells no middle. `seen` are the directions in which it was seen.
pub(super) fn middle_of_slope(
    light: &Plane,
    (centre, radius, metric): (PixelPoint, f64, Metric),
    seen: &[LimbPoint],
    on_a_copy: bool,
) -> Option<(Vec<LimbPoint>, f64)> {
    let stride = (seen.len() / 180).max(1);
    let rays: Vec<&LimbPoint> = seen.iter().filter(|p| !p.is_faint).step_by(stride).collect();
    let told: Vec<(LimbPoint, bool)> = rays.iter().filter_map(|p| along(light, (centre, radius, metric), p)).collect();
    let white = told.iter().filter(|(_, is_white)| *is_white).count();
    if white as f64 > MOST_WHITE * told.len() as f64 {
        return None;
    }
    let points: Vec<LimbPoint> = told.into_iter().map(|(point, _)| point).collect();
    if points.len() < FEWEST || (points.len() as f64) < LEAST_SHARE * rays.len() as f64 {
        return None;
    }
    let mut widths: Vec<f64> = points.iter().map(|p| p.width_px).collect();
    widths.sort_by(f64::total_cmp);
    let quartile = |i: usize| widths[widths.len() * i / 4];
    let width = quartile(2);
    let least_px = if on_a_copy { LEAST_WIDTH_ON_A_COPY_PX } else { LEAST_WIDTH_PX };
    let is_wide = width > least_px.max(LEAST_WIDTH * radius);
    let is_even = quartile(3) - quartile(1) < MOST_UNEVEN * width;
    (is_wide && is_even).then_some((points, width))
}

/// Where light has fallen to half along one ray, and whether the slope ends at white.
fn along(
    light: &Plane,
    (centre, radius, metric): (PixelPoint, f64, Metric),
    seen: &LimbPoint,
) -> Option<(LimbPoint, bool)> {
    /// Means over so much of the arc on either side, radii.
    const SPREAD: f64 = 0.015;
    let length = seen.x.hypot(seen.y).max(1e-9);
    let (cos, sin) = (seen.x / length, seen.y / length);
    let (width, height) = (light.width() as f64, light.height() as f64);
    let at = |rho: f64| -> Option<f64> {
        let mut sum = 0.0;
        for t in [-SPREAD * radius, 0.0, SPREAD * radius] {
            let (dx, dy) = metric.to_pixels(rho * cos - t * sin, rho * sin + t * cos);
            let (x, y) = (centre.x + dx, centre.y + dy);
            if x < 0.0 || y < 0.0 || x >= width || y >= height {
                return None;
            }
            sum += f64::from(light.sample(x, y));
        }
        Some(sum / 3.0)
    };
    // From outside inwards, a pixel a step.
    let steps = ((BESIDE.1 - INNERMOST) * radius) as usize;
    let values: Option<Vec<f64>> = (0..steps).map(|i| at(BESIDE.1 * radius - i as f64)).collect();
    let values = values?;
    let beside = ((BESIDE.1 - BESIDE.0) * radius) as usize;
    if beside == 0 || values.len() <= beside {
        return None;
    }
    let mut sky = values[..beside].to_vec();
    let middle = sky.len() / 2;
    let sky = *sky.select_nth_unstable_by(middle, f64::total_cmp).1;
    let highest = values.iter().copied().fold(f64::MIN, f64::max);
    let stretch = ((LEVEL.0 * radius) as usize).max(2);
    // Up the slope, to where it ends.
    let foot = (beside..values.len()).find(|i| values[*i] - sky > 0.25 * (highest - sky))?;
    let is_level = |i: usize| values[i + stretch] - values[i] < LEVEL.1 * (values[i] - sky);
    // (Two places in a row: one alone may be noise.)
    let top = (foot..values.len().saturating_sub(stretch + 1)).find(|i| is_level(*i) && is_level(i + 1))?;
    let full = values[top];
    // A slope that ends at white would have gone on.
    let is_white = values[foot..top + stretch].iter().any(|v| *v > f64::from(CLIPPED));
    // The place nearest to the top at which a share of the way is not reached yet.
    let crossing = |share: f64| -> Option<f64> {
        let level = sky + share * (full - sky);
        let i = (1..=top).rev().find(|i| values[i - 1] <= level)?;
        let part = (level - values[i - 1]) / (values[i] - values[i - 1]).max(1e-12);
        Some(BESIDE.1 * radius - (i as f64 - 1.0 + part.clamp(0.0, 1.0)))
    };
    let rho = crossing(0.5)?;
    let width_px = (crossing(0.25)? - crossing(0.75)?) / QUARTILES_APART;
    let step = (full - sky) as f32;
    Some((LimbPoint { x: rho * cos, y: rho * sin, width_px, step, level: full as f32, ..*seen }, is_white))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A disc of even light whose limb is the slope that a lens's disc of some radius makes; seen along all rays on its foot.
    fn limb_of(blur: f64, level: f64) -> Option<(Vec<LimbPoint>, f64)> {
        let (size, radius) = (500, 150.0);
        let at = PixelPoint::new(251.3, 248.6);
        let light = (0..size * size)
            .map(|i| {
                let (x, y) = ((i % size) as f64 + 0.5 - at.x, (i / size) as f64 + 0.5 - at.y);
                let t = ((radius - x.hypot(y)) / blur).clamp(-1.0, 1.0);
                // The share of a disc on one side of a chord.
                let share = 0.5 + (t * (1.0 - t * t).sqrt() + t.asin()) / std::f64::consts::PI;
                (0.004 + level * share).min(1.0) as f32
            })
            .collect();
        let light = Plane::from_data(size, size, light).unwrap();
        let seen: Vec<LimbPoint> = (0..180)
            .map(|i| f64::from(i) * std::f64::consts::TAU / 180.0)
            .map(|a| {
                let rho = radius + 0.9 * blur;
                let (x, y) = (rho * a.cos(), rho * a.sin());
                LimbPoint { x, y, weight: 1.0, step: 0.1, level: 0.5, width_px: 1.0, is_faint: false }
            })
            .collect();
        let metric = Metric::new([[1.0, 0.0], [0.0, 1.0]]);
        middle_of_slope(&light, (at, radius + 0.9 * blur, metric), &seen, false)
    }

    #[test]
    fn the_middle_of_a_wide_slope_is_the_limb_and_a_sharp_one_is_left() {
        for blur in [7.0, 12.0] {
            let (points, width) = limb_of(blur, 0.4).expect("it is out of focus");
            let mean = points.iter().map(|p| p.x.hypot(p.y)).sum::<f64>() / points.len() as f64;
            assert!((mean - 150.0).abs() < 0.06 * blur, "{blur}: {mean}");
            assert!((width / blur - 0.5).abs() < 0.15, "{blur}: {width}");
        }
        assert!(limb_of(1.5, 0.4).is_none());
        // Beyond white nobody knows the half, though the slope be wide.
        for (blur, level) in [(24.0, 1.5), (24.0, 3.0), (12.0, 1.5)] {
            assert!(limb_of(blur, level).is_none(), "{blur} {level}");
        }
    }
}
