//! Resampling through a linear map: Lanczos-3 in linear light, area-correct when reducing.
//!
//! The kernel is C. Lanczos's sinc window of three lobes (Duchon 1979, J. Appl. Meteor. 18,
//! 1016), stretched by the reduction when target pixels are larger than source pixels, so
//! every source pixel counts. Weights are normalised, so a flat field stays flat. Outside the
//! source the edge pixel repeats. A turn is handled by evaluating the separable kernel along
//! the source axes, exact for no turn and indistinguishable from a radial kernel at the limb.

use super::{LinearImage, LinearMap, PixelPoint, PixelRect};
use std::sync::OnceLock;

const LOBES: f64 = 3.0;
/// Steps of the kernel's table in each lobe; straight lines between are within 1e-6 of it.
const STEPS: usize = 1024;

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

fn table() -> &'static [f32] {
    static TABLE: OnceLock<Vec<f32>> = OnceLock::new();
    TABLE.get_or_init(|| (0..=3 * STEPS + 1).map(|i| lanczos(i as f64 / STEPS as f64) as f32).collect())
}

/// Weights of the source columns (or rows) from `first` on.
#[derive(Default)]
struct Taps {
    first: i64,
    weights: Vec<f32>,
}

impl Taps {
    /// Around a continuous coordinate, with the kernel stretched.
    fn set(&mut self, at: f64, stretch: f64, table: &[f32]) {
        self.weights.clear();
        let reach = LOBES * stretch;
        self.first = (at - reach - 0.5).ceil() as i64;
        let last = (at + reach - 0.5).floor() as i64;
        let mut total = 0.0f32;
        for i in self.first..=last {
            let x = (((i as f64 + 0.5 - at) / stretch).abs() * STEPS as f64) as f32;
            let step = (x as usize).min(table.len() - 2);
            let w = table[step] + (table[step + 1] - table[step]) * (x - step as f32).min(1.0);
            total += w;
            self.weights.push(w);
        }
        let norm = 1.0 / total;
        self.weights.iter_mut().for_each(|w| *w *= norm);
    }

    fn lie_within(&self, length: usize) -> bool {
        self.first >= 0 && self.first as usize + self.weights.len() <= length
    }

    /// Source index of a tap; outside the edge repeats.
    fn index(&self, tap: usize, length: usize) -> usize {
        (self.first + tap as i64).clamp(0, length as i64 - 1) as usize
    }
}

/// The target pixels of `rect` (canvas coordinates), interleaved RGB, rows from the top.
pub fn resample(source: &LinearImage, map: &LinearMap, rect: PixelRect) -> Vec<f32> {
    if source.width() == 0 || source.height() == 0 {
        return vec![0.0; rect.width() * rect.height() * 3];
    }
    let [[_, b], [c, _]] = map.to_source;
    if b == 0.0 && c == 0.0 { along_axes(source, map, rect) } else { turned(source, map, rect) }
}

/// Rows and columns one after the other: where nothing is turned the kernel falls apart into two.
fn along_axes(source: &LinearImage, map: &LinearMap, rect: PixelRect) -> Vec<f32> {
    let stretch = map.reduction().max(1.0);
    let (sw, sh) = (source.width(), source.height());
    let columns: Vec<Taps> = (rect.x0..rect.x1)
        .map(|x| {
            let mut taps = Taps::default();
            taps.set(map.source_of(PixelPoint::new(x as f64 + 0.5, 0.0)).x, stretch, table());
            taps
        })
        .collect();
    let mut out = Vec::with_capacity(rect.width() * rect.height() * 3);
    let (mut rows, mut line) = (Taps::default(), vec![0.0f32; sw * 3]);
    for y in rect.y0..rect.y1 {
        rows.set(map.source_of(PixelPoint::new(0.0, y as f64 + 0.5)).y, stretch, table());
        line.fill(0.0);
        for (tap, weight) in rows.weights.iter().enumerate() {
            let start = rows.index(tap, sh) * sw * 3;
            let row = &source.data()[start..start + sw * 3];
            line.iter_mut().zip(row).for_each(|(l, v)| *l += weight * v);
        }
        for taps in &columns {
            let mut sum = [0.0f32; 3];
            for (tap, weight) in taps.weights.iter().enumerate() {
                let at = taps.index(tap, sw) * 3;
                (0..3).for_each(|c| sum[c] += weight * line[at + c]);
            }
            out.extend_from_slice(&sum);
        }
    }
    out
}

fn turned(source: &LinearImage, map: &LinearMap, rect: PixelRect) -> Vec<f32> {
    let stretch = map.reduction().max(1.0);
    let (sw, sh) = (source.width(), source.height());
    let table = table();
    let mut out = Vec::with_capacity(rect.width() * rect.height() * 3);
    let (mut across, mut down) = (Taps::default(), Taps::default());
    for y in rect.y0..rect.y1 {
        for x in rect.x0..rect.x1 {
            let at = map.source_of(PixelPoint::new(x as f64 + 0.5, y as f64 + 0.5));
            across.set(at.x, stretch, table);
            down.set(at.y, stretch, table);
            let inside = across.lie_within(sw);
            let mut sum = [0.0f32; 3];
            for (tap, ky) in down.weights.iter().enumerate() {
                let start = down.index(tap, sh) * sw;
                let mut row = [0.0f32; 3];
                if inside {
                    let from = (start + across.first as usize) * 3;
                    let pixels = source.data()[from..from + across.weights.len() * 3].as_chunks::<3>().0;
                    for (kx, p) in across.weights.iter().zip(pixels) {
                        (0..3).for_each(|c| row[c] += kx * p[c]);
                    }
                } else {
                    for (tap, kx) in across.weights.iter().enumerate() {
                        let from = (start + across.index(tap, sw)) * 3;
                        (0..3).for_each(|c| row[c] += kx * source.data()[from + c]);
                    }
                }
                (0..3).for_each(|c| sum[c] += ky * row[c]);
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
    fn both_ways_of_resampling_agree() {
        let source = spot(PixelPoint::new(30.3, 28.8), 2.5, 60);
        let rect = PixelRect { x0: -3, y0: 0, x1: 53, y1: 50 };
        for scale in [0.3, 1.0, 1.9] {
            let from = PixelPoint::new(30.0, 30.0);
            let to = PixelPoint::new(25.3, 22.7);
            let map = Similarity { source_centre: from, target_centre: to, scale, turn: Angle::ZERO };
            let map = LinearMap::from(map);
            let (a, b) = (along_axes(&source, &map, rect), turned(&source, &map, rect));
            assert!(a.iter().zip(&b).all(|(a, b)| (a - b).abs() < 2e-6), "scale {scale}");
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
