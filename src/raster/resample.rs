//! Resampling through a linear map: Lanczos-3 in linear light, area-correct when reducing.
//!
//! The kernel is C. Lanczos's sinc window of three lobes (Duchon 1979, J. Appl. Meteor. 18,
//! 1016), stretched by the reduction when target pixels are larger than source pixels, so
//! every source pixel counts. Weights are normalised, so a flat field stays flat. Outside the
//! source the edge pixel repeats. A turn is handled by evaluating the separable kernel along
//! the source axes, exact for no turn and indistinguishable from a radial kernel at the limb.

use super::{LinearImage, LinearMap, PixelPoint, PixelRect};

const LOBES: f64 = 3.0;

fn lanczos(x: f64) -> f64 {
    if x.abs() < 1e-9 {
        return 1.0;
    }
    if x.abs() >= LOBES {
        return 0.0;
    }
    let px = std::f64::consts::PI * x;
    LOBES * px.sin() * (px / LOBES).sin() / (px * px)
}

/// Weights of the source columns (or rows) around a continuous coordinate.
fn weights(at: f64, stretch: f64, length: usize, out: &mut Vec<(usize, f32)>) {
    out.clear();
    let reach = LOBES * stretch;
    let first = (at - reach - 0.5).ceil() as i64;
    let last = (at + reach - 0.5).floor() as i64;
    let mut total = 0.0;
    for i in first..=last {
        let w = lanczos((i as f64 + 0.5 - at) / stretch);
        total += w;
        out.push((i.clamp(0, length as i64 - 1) as usize, w as f32));
    }
    let norm = (1.0 / total) as f32;
    out.iter_mut().for_each(|(_, w)| *w *= norm);
}

/// The target pixels of `rect` (canvas coordinates), interleaved RGB, rows from the top.
pub fn resample(source: &LinearImage, map: &LinearMap, rect: PixelRect) -> Vec<f32> {
    if source.width() == 0 || source.height() == 0 {
        return vec![0.0; rect.width() * rect.height() * 3];
    }
    let stretch = map.reduction().max(1.0);
    let mut out = Vec::with_capacity(rect.width() * rect.height() * 3);
    let (mut wx, mut wy) = (Vec::new(), Vec::new());
    for y in rect.y0..rect.y1 {
        for x in rect.x0..rect.x1 {
            let at = map.source_of(PixelPoint::new(x as f64 + 0.5, y as f64 + 0.5));
            weights(at.x, stretch, source.width(), &mut wx);
            weights(at.y, stretch, source.height(), &mut wy);
            let mut sum = [0.0f32; 3];
            for &(sy, ky) in &wy {
                for &(sx, kx) in &wx {
                    let p = source.pixel(sx, sy);
                    let k = kx * ky;
                    sum[0] += k * p[0];
                    sum[1] += k * p[1];
                    sum[2] += k * p[2];
                }
            }
            out.extend_from_slice(&sum);
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::raster::Similarity;
    use crate::units::Angle;

    fn spot(centre: PixelPoint, sigma: f64, size: usize) -> LinearImage {
        let mut image = LinearImage::new(size, size);
        for y in 0..size {
            for x in 0..size {
                let d = centre.distance(PixelPoint::new(x as f64 + 0.5, y as f64 + 0.5));
                let v = (-0.5 * (d / sigma).powi(2)).exp() as f32;
                image.set_pixel(x, y, [v, v, v]);
            }
        }
        image
    }

    #[test]
    fn a_shifted_scaled_turned_spot_lands_where_it_is_sent() {
        let from = PixelPoint::new(30.3, 28.8);
        let to = PixelPoint::new(25.62, 27.17);
        for scale in [0.4, 1.0, 2.1] {
            let map = Similarity { source_centre: from, target_centre: to, scale, turn: Angle::from_degrees(20.0) };
            let rect = PixelRect { x0: 0, y0: 0, x1: 56, y1: 56 };
            let out = resample(&spot(from, 2.5, 60), &LinearMap::from(map), rect);
            let (mut sx, mut sy, mut total) = (0.0, 0.0, 0.0);
            for (i, p) in out.chunks_exact(3).enumerate() {
                sx += f64::from(p[0]) * ((i % 56) as f64 + 0.5);
                sy += f64::from(p[0]) * ((i / 56) as f64 + 0.5);
                total += f64::from(p[0]);
            }
            assert!(to.distance(PixelPoint::new(sx / total, sy / total)) < 0.01, "scale {scale}");
        }
    }

    #[test]
    fn a_flat_field_stays_flat() {
        let flat = LinearImage::from_data(20, 20, vec![0.25; 1200]).unwrap();
        let map = Similarity {
            source_centre: PixelPoint::new(10.0, 10.0),
            target_centre: PixelPoint::new(5.0, 5.0),
            scale: 0.37,
            turn: Angle::from_degrees(11.0),
        };
        let out = resample(&flat, &LinearMap::from(map), PixelRect { x0: 0, y0: 0, x1: 10, y1: 10 });
        assert!(out.iter().all(|v| (v - 0.25).abs() < 1e-5));
    }
}
