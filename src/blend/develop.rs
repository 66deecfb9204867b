//! A cut-out of a frame becomes a disc of light: the sky and glow around it subtracted.
//!
//! Sky and glow are a plane per channel, fitted to a ring outside the limb with its outliers (stars,
//! a lamp) left out. A plane cannot follow a strong glow's curvature; what remains is hidden by the
//! mask outside the disc and small against the disc inside.

use crate::layout::{Gain, Placement};
use crate::raster::{LinearImage, PixelPoint, PixelRect};
use nalgebra::{Matrix3, Vector3};

/// A disc ready to be laid.
#[derive(Clone, Debug)]
pub struct DevelopedDisc {
    /// Linear light, sky subtracted where asked.
    pub image: LinearImage,
    /// Where its top-left corner lies in the frame.
    pub origin: PixelPoint,
    /// Factor on its light.
    pub gain: f32,
}

/// Inner and outer radius of the sky's ring, in source pixels.
fn ring(radius: f64) -> (f64, f64) {
    let inner = 1.18 * radius + 4.0;
    (inner, inner + (0.35 * radius).max(7.0))
}

/// The part of the frame that a placement needs.
pub fn source_window(p: &Placement) -> PixelRect {
    // A wide lens stretches the disc by up to a half beyond its mean radius.
    let stretch = p.map.reduction() * p.radius_px / p.source_radius_px;
    PixelRect::around(p.map.source_centre, ring(p.source_radius_px * stretch.max(1.0)).1 + 4.0)
}

/// Develops the cut-out of a frame for a placement.
pub fn develop(frame: &LinearImage, p: &Placement) -> DevelopedDisc {
    let (mut image, window) = frame.crop(source_window(p));
    let origin = PixelPoint::new(window.x0 as f64, window.y0 as f64);
    if p.subtract_sky && image.width() > 0 && image.height() > 0 {
        let centre = PixelPoint::new(p.map.source_centre.x - origin.x, p.map.source_centre.y - origin.y);
        for channel in 0..3 {
            subtract_plane(&mut image, channel, centre, p.source_radius_px);
        }
    }
    let gain = match p.gain {
        Gain::Factor(factor) => factor,
        Gain::ToLevel(level) => {
            let centre = PixelPoint::new(p.map.source_centre.x - origin.x, p.map.source_centre.y - origin.y);
            (level / brighter_part(&image, centre, p.source_radius_px).max(1e-4)).clamp(1.0 / 64.0, 64.0)
        }
    };
    DevelopedDisc { image, origin, gain }
}

/// Light of a disc's brighter part in its brightest channel: what a print must hold without clipping.
/// (The mean of three would let a copper Moon's red run over.)
fn brighter_part(image: &LinearImage, centre: PixelPoint, radius: f64) -> f32 {
    let mut values: Vec<f32> = Vec::with_capacity(image.width() * image.height());
    for (i, p) in image.data().chunks_exact(3).enumerate() {
        let (x, y) = ((i % image.width()) as f64 + 0.5 - centre.x, (i / image.width()) as f64 + 0.5 - centre.y);
        if x.hypot(y) < 0.97 * radius {
            values.push(p[0].max(p[1]).max(p[2]));
        }
    }
    if values.is_empty() {
        return 0.0;
    }
    let at = (values.len() - 1) * 98 / 100;
    *values.select_nth_unstable_by(at, f32::total_cmp).1
}

fn subtract_plane(image: &mut LinearImage, channel: usize, centre: PixelPoint, radius: f64) {
    let (inner, outer) = ring(radius);
    let mut samples: Vec<(f64, f64, f64)> = Vec::new();
    for y in 0..image.height() {
        for x in 0..image.width() {
            let (dx, dy) = (x as f64 + 0.5 - centre.x, y as f64 + 0.5 - centre.y);
            let d = dx.hypot(dy);
            if d > inner && d < outer {
                samples.push((dx, dy, f64::from(image.pixel(x, y)[channel])));
            }
        }
    }
    let Some(plane) = fit_plane(&samples) else { return };
    let width = image.width();
    for (i, pixel) in image.data_mut().chunks_exact_mut(3).enumerate() {
        let (dx, dy) = ((i % width) as f64 + 0.5 - centre.x, (i / width) as f64 + 0.5 - centre.y);
        pixel[channel] -= (plane.x + plane.y * dx + plane.z * dy) as f32;
    }
}

/// Least squares with two rounds of clipping at 2.5 standard deviations.
fn fit_plane(samples: &[(f64, f64, f64)]) -> Option<Vector3<f64>> {
    if samples.len() < 12 {
        return None;
    }
    let mut plane = Vector3::zeros();
    let mut limit = f64::INFINITY;
    for _ in 0..3 {
        let (mut normal, mut right) = (Matrix3::zeros(), Vector3::zeros());
        for &(x, y, v) in samples {
            let row = Vector3::new(1.0, x, y);
            if (v - row.dot(&plane)).abs() <= limit {
                normal += row * row.transpose();
                right += row * v;
            }
        }
        plane = normal.cholesky()?.solve(&right);
        let kept: Vec<f64> = samples
            .iter()
            .map(|&(x, y, v)| v - (plane.x + plane.y * x + plane.z * y))
            .filter(|r| r.abs() <= limit)
            .collect();
        let variance = kept.iter().map(|r| r * r).sum::<f64>() / kept.len().max(1) as f64;
        limit = 2.5 * variance.sqrt() + 1e-9;
    }
    Some(plane)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_sloping_sky_with_a_star_is_found() {
        let mut samples: Vec<(f64, f64, f64)> = (0..200)
            .map(|i| {
                let a = f64::from(i) * 0.1;
                (20.0 * a.cos(), 20.0 * a.sin(), 0.01 + 1e-4 * 20.0 * a.cos())
            })
            .collect();
        samples[7].2 = 1.0;
        let plane = fit_plane(&samples).unwrap();
        assert!((plane.x - 0.01).abs() < 1e-4 && (plane.y - 1e-4).abs() < 1e-5, "{plane:?}");
    }
}
