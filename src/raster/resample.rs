//! Resampling through a linear map in linear light, area-correct when reducing.
//!
//! The kernel for discs is C. Lanczos's sinc window of three lobes (Duchon 1979, J. Appl. Meteor. 18, 1016). Around stars
//! and lamps its negative lobes would draw black rings: landscapes that are reduced take one lobe of the sinc under
//! R. W. Hamming's window, which has none. Either is stretched by the reduction when target pixels are larger than source
//! pixels, so every source pixel counts. Weights are normalised, so a flat field stays flat. Outside the
//! source the edge pixel repeats. A turn is handled by evaluating the separable kernel along
//! the source axes, exact for no turn and indistinguishable from a radial kernel at the limb.

use super::{LinearImage, LinearMap, PixelPoint, PixelRect};
use std::sync::OnceLock;

/// Steps of the kernel's table in each lobe; straight lines between are within 1e-6 of it.
const STEPS: usize = 1024;

/// With which weights source pixels make a target pixel.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kernel {
    /// Sharpest; dark rings around points that are far brighter than their surroundings.
    Lanczos,
    /// No rings, a little softer.
    Hamming,
}

impl Kernel {
    /// How far it reaches, in pixels of its scale.
    fn lobes(self) -> f64 {
        match self {
            Kernel::Lanczos => 3.0,
            Kernel::Hamming => 1.0,
        }
    }

    fn at(self, x: f64) -> f64 {
        if x.abs() >= self.lobes() {
            return 0.0;
        }
        let px = std::f64::consts::PI * x;
        let sinc = |v: f64| if v.abs() < 1e-9 { 1.0 } else { v.sin() / v };
        match self {
            Kernel::Lanczos => sinc(px) * sinc(px / self.lobes()),
            Kernel::Hamming => sinc(px) * (0.54 + 0.46 * px.cos()),
        }
    }

    fn table(self) -> &'static [f32] {
        static LANCZOS: OnceLock<Vec<f32>> = OnceLock::new();
        static HAMMING: OnceLock<Vec<f32>> = OnceLock::new();
        let steps = self.lobes() as usize * STEPS + 1;
        let made = || (0..=steps).map(|i| self.at(i as f64 / STEPS as f64) as f32).collect();
        match self {
            Kernel::Lanczos => LANCZOS.get_or_init(made),
            Kernel::Hamming => HAMMING.get_or_init(made),
        }
    }
}

/// Weights of the source columns (or rows) from `first` on.
#[derive(Default)]
struct Taps {
    first: i64,
    weights: Vec<f32>,
}

impl Taps {
    /// Around a continuous coordinate, with the kernel stretched.
    fn set(&mut self, at: f64, stretch: f64, kernel: Kernel, table: &[f32]) {
        let reach = kernel.lobes() * stretch;
        self.first = (at - reach - 0.5).ceil() as i64;
        let last = (at + reach - 0.5).floor() as i64;
        self.weights.resize((last - self.first + 1).max(0) as usize, 0.0);
        // In single precision from the first tap's place on: off by less than a thousandth of a table's step.
        let per_pixel = (STEPS as f64 / stretch) as f32;
        let offset = ((self.first as f64 + 0.5 - at) / stretch * STEPS as f64) as f32;
        let mut total = 0.0f32;
        for (i, weight) in self.weights.iter_mut().enumerate() {
            let x = (offset + i as f32 * per_pixel).abs();
            let step = (x as usize).min(table.len() - 2);
            *weight = table[step] + (table[step + 1] - table[step]) * (x - step as f32).min(1.0);
            total += *weight;
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
pub fn resample(source: &LinearImage, map: &LinearMap, rect: PixelRect, kernel: Kernel) -> Vec<f32> {
    resample_where(source, map, rect, kernel, &|_| true)
}

/// As [`resample`]; pixels that nobody wants, by their index in the rectangle, may be left black.
pub fn resample_where(
    source: &LinearImage,
    map: &LinearMap,
    rect: PixelRect,
    kernel: Kernel,
    wanted: &dyn Fn(usize) -> bool,
) -> Vec<f32> {
    if source.width() == 0 || source.height() == 0 {
        return vec![0.0; rect.width() * rect.height() * 3];
    }
    let block = block_side(map.reduction());
    if block >= 2 {
        let part = source_rect(source, map, rect, kernel, block);
        let (small, corner) = (source.averaged(part, block), (part.x0 as f64, part.y0 as f64));
        let side = block as f64;
        let source_centre =
            PixelPoint::new((map.source_centre.x - corner.0) / side, (map.source_centre.y - corner.1) / side);
        let nearer = LinearMap { source_centre, to_source: map.to_source.map(|row| row.map(|v| v / side)), ..*map };
        return resample_where(&small, &nearer, rect, kernel, wanted);
    }
    let [[_, b], [c, _]] = map.to_source;
    let mut out = if b == 0.0 && c == 0.0 {
        along_axes(source, map, rect, kernel)
    } else {
        turned(source, map, rect, kernel, wanted)
    };
    if kernel == Kernel::Lanczos {
        without_rings(source, map, rect, wanted, &mut out);
    }
    out
}

/// Light falls by more than this factor over an edge beside which a kernel's lobes would be seen as lines: the limb before a
/// dark sky. Seas and craters differ by less, and keep all their sharpness.
const HARD_EDGE: f32 = 0.25;

/// Keeps target pixels at a hard edge between the darkest and the brightest source pixel under them.
fn without_rings(
    source: &LinearImage,
    map: &LinearMap,
    rect: PixelRect,
    wanted: &dyn Fn(usize) -> bool,
    out: &mut [f32],
) {
    let reach = map.reduction().max(1.0);
    let (sw, sh) = (source.width() as i64, source.height() as i64);
    let side = |at: f64, length: i64| {
        let first = ((at - reach - 0.5).ceil() as i64).clamp(0, length - 1);
        first..=((at + reach - 0.5).floor() as i64).clamp(first, length - 1)
    };
    for (i, pixel) in out.as_chunks_mut::<3>().0.iter_mut().enumerate() {
        if !wanted(i) {
            continue;
        }
        let (x, y) = (rect.x0 + (i % rect.width()) as i64, rect.y0 + (i / rect.width()) as i64);
        let at = map.source_of(PixelPoint::new(x as f64 + 0.5, y as f64 + 0.5));
        let (mut least, mut most) = ([f32::INFINITY; 3], [f32::NEG_INFINITY; 3]);
        for v in side(at.y, sh) {
            for u in side(at.x, sw) {
                let p = source.pixel(u as usize, v as usize);
                (0..3).for_each(|c| (least[c], most[c]) = (least[c].min(p[c]), most[c].max(p[c])));
            }
        }
        for c in 0..3 {
            if least[c] < HARD_EDGE * most[c] {
                pixel[c] = pixel[c].clamp(least[c], most[c]);
            }
        }
    }
}

/// A reduction beyond twice this is made in two steps, blocks of source pixels first, so that this much and less than twice
/// of it is left: the work of one step grows with the square of the reduction. What blocks lose is 3 % at the target's
/// finest detail.
const SECOND_STEP: f64 = 4.0;

/// How many source pixels a side are averaged before the kernel is laid over them, at a reduction.
pub fn block_side(reduction: f64) -> usize {
    (reduction / SECOND_STEP).floor().max(1.0) as usize
}

/// The part of a source that target pixels need, whole blocks of it.
fn source_rect(source: &LinearImage, map: &LinearMap, rect: PixelRect, kernel: Kernel, block: usize) -> PixelRect {
    let corners = [(rect.x0, rect.y0), (rect.x1, rect.y0), (rect.x0, rect.y1), (rect.x1, rect.y1)];
    let at = corners.map(|(x, y)| map.source_of(PixelPoint::new(x as f64, y as f64)));
    let reach = (kernel.lobes() + 1.0) * map.reduction();
    let side = |of: fn(&PixelPoint) -> f64, length: usize| {
        let low = at.iter().map(of).fold(f64::INFINITY, f64::min) - reach;
        let high = at.iter().map(of).fold(f64::NEG_INFINITY, f64::max) + reach;
        let first = low.clamp(0.0, length as f64 - 1.0) as usize / block * block;
        (first as i64, (high.ceil().max(0.0) as usize).clamp(first + 1, length) as i64)
    };
    let ((x0, x1), (y0, y1)) = (side(|p| p.x, source.width()), side(|p| p.y, source.height()));
    PixelRect { x0, y0, x1, y1 }
}

/// Rows and columns one after the other: where nothing is turned the kernel falls apart into two.
fn along_axes(source: &LinearImage, map: &LinearMap, rect: PixelRect, kernel: Kernel) -> Vec<f32> {
    let table = kernel.table();
    let stretch = map.reduction().max(1.0);
    let (sw, sh) = (source.width(), source.height());
    let columns: Vec<Taps> = (rect.x0..rect.x1)
        .map(|x| {
            let mut taps = Taps::default();
            taps.set(map.source_of(PixelPoint::new(x as f64 + 0.5, 0.0)).x, stretch, kernel, table);
            taps
        })
        .collect();
    let mut out = Vec::with_capacity(rect.width() * rect.height() * 3);
    let (mut rows, mut line) = (Taps::default(), vec![0.0f32; sw * 3]);
    for y in rect.y0..rect.y1 {
        rows.set(map.source_of(PixelPoint::new(0.0, y as f64 + 0.5)).y, stretch, kernel, table);
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

fn turned(
    source: &LinearImage,
    map: &LinearMap,
    rect: PixelRect,
    kernel: Kernel,
    wanted: &dyn Fn(usize) -> bool,
) -> Vec<f32> {
    let stretch = map.reduction().max(1.0);
    let (sw, sh) = (source.width(), source.height());
    let table = kernel.table();
    let mut out = Vec::with_capacity(rect.width() * rect.height() * 3);
    let (mut across, mut down, mut column) = (Taps::default(), Taps::default(), Vec::new());
    for y in rect.y0..rect.y1 {
        for x in rect.x0..rect.x1 {
            if !wanted(out.len() / 3) {
                out.extend([0.0; 3]);
                continue;
            }
            let at = map.source_of(PixelPoint::new(x as f64 + 0.5, y as f64 + 0.5));
            across.set(at.x, stretch, kernel, table);
            down.set(at.y, stretch, kernel, table);
            // Down first: whole stretches of rows are added at once, four values or eight at a time.
            let inside = across.lie_within(sw);
            column.clear();
            column.resize(across.weights.len() * 3, 0.0f32);
            for (tap, ky) in down.weights.iter().enumerate() {
                let start = down.index(tap, sh) * sw;
                if inside {
                    let from = (start + across.first as usize) * 3;
                    let pixels = &source.data()[from..from + column.len()];
                    column.iter_mut().zip(pixels).for_each(|(sum, v)| *sum += ky * v);
                } else {
                    for (tap, sum) in column.as_chunks_mut::<3>().0.iter_mut().enumerate() {
                        let from = (start + across.index(tap, sw)) * 3;
                        (0..3).for_each(|c| sum[c] += ky * source.data()[from + c]);
                    }
                }
            }
            let mut sum = [0.0f32; 3];
            for (kx, p) in across.weights.iter().zip(column.as_chunks::<3>().0) {
                (0..3).for_each(|c| sum[c] += kx * p[c]);
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
            let out = resample(&spot(from, 2.5, 60), &LinearMap::from(map), rect, Kernel::Lanczos);
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
            let (a, b) = (
                along_axes(&source, &map, rect, Kernel::Lanczos),
                turned(&source, &map, rect, Kernel::Lanczos, &|_| true),
            );
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
        let out = resample(&flat, &LinearMap::from(map), PixelRect { x0: 0, y0: 0, x1: 10, y1: 10 }, Kernel::Lanczos);
        assert!(out.iter().all(|v| (v - 0.25).abs() < 1e-5));
    }

    #[test]
    fn large_reductions_keep_light_and_place() {
        let from = PixelPoint::new(151.3, 148.8);
        let source = spot(from, 25.0, 301);
        let whole: f64 = source.data().iter().map(|v| f64::from(*v)).sum();
        for (reduction, turn) in [(9.0, 0.0), (11.7, 30.0), (30.0, 0.0), (30.0, 77.0)] {
            let to = PixelPoint::new(9.2, 8.7);
            let scale = 1.0 / reduction;
            let turn = Angle::from_degrees(turn);
            let map = Similarity { source_centre: from, target_centre: to, scale, turn };
            let out = resample(
                &source,
                &LinearMap::from(map),
                PixelRect { x0: -30, y0: -30, x1: 50, y1: 50 },
                Kernel::Lanczos,
            );
            let (mut sx, mut sy, mut total) = (0.0, 0.0, 0.0);
            for (i, p) in out.chunks_exact(3).enumerate() {
                sx += f64::from(p[0]) * ((i % 80) as f64 - 29.5);
                sy += f64::from(p[0]) * ((i / 80) as f64 - 29.5);
                total += f64::from(p[0]);
            }
            assert!(to.distance(PixelPoint::new(sx / total, sy / total)) < 0.01, "{reduction}");
            assert!((total * 3.0 * reduction * reduction / whole - 1.0).abs() < 0.01, "{reduction}");
        }
    }

    #[test]
    fn a_star_on_a_reduced_sky_has_no_ring() {
        let mut sky = LinearImage::new(60, 60);
        sky.data_mut().fill(0.03);
        sky.set_pixel(31, 29, [1.0; 3]);
        let map = LinearMap {
            source_centre: PixelPoint::default(),
            target_centre: PixelPoint::default(),
            to_source: [[2.3, 0.0], [0.0, 2.3]],
        };
        let rect = PixelRect { x0: 5, y0: 5, x1: 20, y1: 20 };
        let least = |kernel| resample(&sky, &map, rect, kernel).into_iter().fold(1.0f32, f32::min);
        assert!(least(Kernel::Hamming) > 0.0299 && least(Kernel::Lanczos) < 0.02);
    }
}
