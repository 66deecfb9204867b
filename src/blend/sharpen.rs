//! Sharpening of a disc that can draw no ring: whatever a filter makes, a pixel at the limb stays within the
//! range of the light around it. Well inside the limb, where seas and craters are, it may go beyond.
//!
//! Deconvolution is Richardson 1972 (J. Opt. Soc. Am. 62, 55) and Lucy 1974 (Astron. J. 79, 745) with the
//! Gaussian that was measured at the limb, on the brightness alone so that colours cannot drift.

use crate::composition::Sharpening;
use crate::raster::{LinearImage, PixelPoint, Plane};

/// Sharpens the disc of a radius around a centre, whose limb is `edge_width_px` wide (Gaussian sigma).
pub(super) fn sharpen(
    image: &mut LinearImage,
    how: Sharpening,
    edge_width_px: Option<f64>,
    (centre, radius): (PixelPoint, f64),
) {
    if image.width() < 3 || image.height() < 3 {
        return;
    }
    let before = image.brightness();
    let (sharp, reach) = match (how, edge_width_px) {
        (Sharpening::Deconvolution { rounds }, Some(sigma)) if sigma > 0.3 => {
            (deconvolved(&before, sigma, rounds), (2.0 * sigma).ceil() as usize)
        }
        (Sharpening::Unsharp { radius_px, amount }, _) => {
            let mut out = before.clone();
            let soft = before.blurred(radius_px);
            out.data_mut().iter_mut().zip(soft.data()).for_each(|(v, s)| *v += amount as f32 * (*v - s));
            (out, (2.0 * radius_px).ceil() as usize)
        }
        _ => return,
    };
    let reach = reach.clamp(1, 12);
    let (low, high) = (extreme(&before, reach, f32::min), extreme(&before, reach, f32::max));
    let width = image.width();
    for (i, pixel) in image.data_mut().chunks_exact_mut(3).enumerate() {
        let old = before.data()[i];
        if old > 1e-6 {
            let (x, y) = ((i % width) as f64 + 0.5 - centre.x, (i / width) as f64 + 0.5 - centre.y);
            let inside = ((radius - x.hypot(y)) / reach as f64 - 1.0).clamp(0.0, 1.0) as f32;
            let (low, high) = (low.data()[i], high.data()[i]);
            let beyond = inside * (high - low);
            let new = sharp.data()[i].clamp(low - beyond, high + beyond);
            pixel.iter_mut().for_each(|v| *v *= (new / old).max(0.0));
        }
    }
}

fn deconvolved(seen: &Plane, sigma: f64, rounds: usize) -> Plane {
    const FLOOR: f32 = 1e-5;
    let mut light = seen.clone();
    light.data_mut().iter_mut().for_each(|v| *v = v.max(FLOOR));
    for _ in 0..rounds {
        let mut ratio = light.blurred(sigma);
        ratio.data_mut().iter_mut().zip(seen.data()).for_each(|(b, s)| *b = s.max(FLOOR) / b.max(FLOOR));
        let correction = ratio.blurred(sigma);
        light.data_mut().iter_mut().zip(correction.data()).for_each(|(l, c)| *l *= c);
    }
    light
}

/// The extreme of the light within a square around each pixel.
fn extreme(plane: &Plane, reach: usize, pick: fn(f32, f32) -> f32) -> Plane {
    let (w, h) = (plane.width(), plane.height());
    let mut across = plane.clone();
    for y in 0..h {
        for x in 0..w {
            let from = x.saturating_sub(reach);
            let row = &plane.data()[y * w + from..y * w + (x + reach + 1).min(w)];
            across.data_mut()[y * w + x] = row.iter().copied().fold(row[0], pick);
        }
    }
    let mut out = across.clone();
    for y in 0..h {
        let (from, to) = (y.saturating_sub(reach), (y + reach + 1).min(h));
        for x in 0..w {
            let first = across.data()[from * w + x];
            out.data_mut()[y * w + x] = (from..to).map(|r| across.data()[r * w + x]).fold(first, pick);
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A blurred disc with a dark spot.
    fn disc() -> LinearImage {
        let mut plane = Plane::filled(60, 60, 0.0);
        for y in 0..60 {
            for x in 0..60 {
                let d = (x as f64 - 29.5).hypot(y as f64 - 29.5);
                let spot = if (x as f64 - 36.0).hypot(y as f64 - 30.0) < 3.0 { 0.6 } else { 1.0 };
                plane.data_mut()[y * 60 + x] = if d < 20.0 { 0.5 * spot } else { 0.0 };
            }
        }
        let soft = plane.blurred(1.5);
        LinearImage::from_data(60, 60, soft.data().iter().flat_map(|v| [*v; 3]).collect()).unwrap()
    }

    #[test]
    fn the_spot_deepens_and_the_limb_does_not_ring() {
        for how in [Sharpening::Deconvolution { rounds: 15 }, Sharpening::Unsharp { radius_px: 2.0, amount: 2.0 }] {
            let before = disc();
            let mut after = before.clone();
            sharpen(&mut after, how, Some(1.5), (PixelPoint::new(30.0, 30.0), 20.0));
            assert!(after.pixel(36, 30)[0] < before.pixel(36, 30)[0] - 0.01, "{how:?}");
            // At the limb nothing is brighter than the disc or darker than the sky.
            for i in 0..3600 {
                let (x, y) = (i % 60, i / 60);
                if (x as f64 - 29.5).hypot(y as f64 - 29.5) > 17.0 {
                    let v = after.pixel(x, y)[0];
                    assert!((0.0..=0.5001).contains(&v), "{how:?}: {v} at {x},{y}");
                }
            }
            // The limb's slope is steeper than before.
            let slope = |i: &LinearImage| i.pixel(29, 48)[0] - i.pixel(29, 51)[0];
            assert!(slope(&after) > 1.15 * slope(&before), "{how:?}: {} against {}", slope(&after), slope(&before));
        }
    }
}
