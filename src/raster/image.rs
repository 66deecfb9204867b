//! Images of linear light.

use super::PixelRect;
use rayon::prelude::*;
use serde::{Deserialize, Serialize};

/// An RGB image of linear light, interleaved, `f32`, rows from the top.
#[derive(Clone, Debug, PartialEq)]
pub struct LinearImage {
    width: usize,
    height: usize,
    data: Vec<f32>,
}

impl LinearImage {
    /// A black image.
    pub fn new(width: usize, height: usize) -> Self {
        LinearImage { width, height, data: vec![0.0; width * height * 3] }
    }
    /// From interleaved RGB; `None` when the length does not fit the size.
    pub fn from_data(width: usize, height: usize, data: Vec<f32>) -> Option<Self> {
        (data.len() == width * height * 3).then_some(LinearImage { width, height, data })
    }
    /// Width in pixels.
    pub fn width(&self) -> usize {
        self.width
    }
    /// Height in pixels.
    pub fn height(&self) -> usize {
        self.height
    }
    /// Interleaved RGB.
    pub fn data(&self) -> &[f32] {
        &self.data
    }
    /// Interleaved RGB, to be changed.
    pub fn data_mut(&mut self) -> &mut [f32] {
        &mut self.data
    }
    /// The pixel at a column and row inside the image.
    ///
    /// # Panics
    /// Beside the image: there is no next row to the right of one.
    pub fn pixel(&self, x: usize, y: usize) -> [f32; 3] {
        assert!(x < self.width, "there is no column {x} in an image of {}", self.width);
        let at = (y * self.width + x) * 3;
        [self.data[at], self.data[at + 1], self.data[at + 2]]
    }
    /// Sets a pixel inside the image.
    pub fn set_pixel(&mut self, x: usize, y: usize, rgb: [f32; 3]) {
        let at = (y * self.width + x) * 3;
        self.data[at..at + 3].copy_from_slice(&rgb);
    }
    /// A copy of the part of `rect` that lies inside the image, and where that part starts.
    pub fn crop(&self, rect: PixelRect) -> (LinearImage, PixelRect) {
        let inside = rect.intersection(PixelRect::of_size(self.width, self.height));
        if inside.is_empty() {
            return (LinearImage::new(0, 0), PixelRect { x1: inside.x0, y1: inside.y0, ..inside });
        }
        let (w, h) = (inside.width(), inside.height());
        let mut data = Vec::with_capacity(w * h * 3);
        for y in 0..h {
            let start = ((inside.y0 as usize + y) * self.width + inside.x0 as usize) * 3;
            data.extend_from_slice(&self.data[start..start + w * 3]);
        }
        (LinearImage { width: w, height: h, data }, inside)
    }
    /// Means of square blocks of the part of `rect` that lies inside, a pixel a block; the last ones may be narrower.
    #[must_use]
    pub fn averaged(&self, rect: PixelRect, block: usize) -> LinearImage {
        let inside = rect.intersection(PixelRect::of_size(self.width, self.height));
        let (width, height) = (inside.width(), inside.height());
        let mut out = LinearImage::new(width.div_ceil(block), height.div_ceil(block));
        let columns = out.width;
        for y in 0..height {
            let from = ((inside.y0 as usize + y) * self.width + inside.x0 as usize) * 3;
            let cells = out.data[y / block * columns * 3..].as_chunks_mut::<3>().0;
            for (cell, pixels) in cells.iter_mut().zip(self.data[from..from + width * 3].chunks(3 * block)) {
                pixels.as_chunks::<3>().0.iter().for_each(|p| (0..3).for_each(|c| cell[c] += p[c]));
            }
        }
        for (i, cell) in out.data.as_chunks_mut::<3>().0.iter_mut().enumerate() {
            let side = |at: usize, length: usize| block.min(length - at * block);
            let count = side(i % columns, width) * side(i / columns, height);
            cell.iter_mut().for_each(|v| *v /= count as f32);
        }
        out
    }

    /// One channel of brightness for measuring: the mean of the three.
    ///
    /// Not the luminance of photometry: a copper Moon has most of its light in red, and for
    /// finding its limb every photon counts alike.
    pub fn brightness(&self) -> Plane {
        let data = self.data.chunks_exact(3).map(|p| (p[0] + p[1] + p[2]) / 3.0).collect();
        Plane { width: self.width, height: self.height, data }
    }
    /// The red channel.
    pub fn red(&self) -> Plane {
        Plane { width: self.width, height: self.height, data: self.data.iter().step_by(3).copied().collect() }
    }
}

/// A single channel, `f32`, rows from the top.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Plane {
    width: usize,
    height: usize,
    data: Vec<f32>,
}

impl Plane {
    /// A plane of one value.
    pub fn filled(width: usize, height: usize, value: f32) -> Self {
        Plane { width, height, data: vec![value; width * height] }
    }
    /// From rows; `None` when the length does not fit the size.
    pub fn from_data(width: usize, height: usize, data: Vec<f32>) -> Option<Self> {
        (data.len() == width * height).then_some(Plane { width, height, data })
    }
    /// Width in pixels.
    pub fn width(&self) -> usize {
        self.width
    }
    /// Height in pixels.
    pub fn height(&self) -> usize {
        self.height
    }
    /// All values.
    pub fn data(&self) -> &[f32] {
        &self.data
    }
    /// All values, to be changed.
    pub fn data_mut(&mut self) -> &mut [f32] {
        &mut self.data
    }
    /// All values, without the size.
    pub fn into_data(self) -> Vec<f32> {
        self.data
    }
    /// The value at a column and row inside the plane.
    pub fn get(&self, x: usize, y: usize) -> f32 {
        self.data[y * self.width + x]
    }
    /// Value at a point by bilinear interpolation between pixel centres; the edge repeats.
    pub fn sample(&self, x: f64, y: f64) -> f32 {
        let fx = (x - 0.5).clamp(0.0, (self.width - 1) as f64);
        let fy = (y - 0.5).clamp(0.0, (self.height - 1) as f64);
        let (x0, y0) = (fx as usize, fy as usize);
        let (x1, y1) = ((x0 + 1).min(self.width - 1), (y0 + 1).min(self.height - 1));
        let (ax, ay) = ((fx - x0 as f64) as f32, (fy - y0 as f64) as f32);
        let top = self.get(x0, y0) * (1.0 - ax) + self.get(x1, y0) * ax;
        let bottom = self.get(x0, y1) * (1.0 - ax) + self.get(x1, y1) * ax;
        top * (1.0 - ay) + bottom * ay
    }
    /// Mean over blocks of `factor` x `factor` pixels; a ragged edge is dropped.
    pub fn reduced(&self, factor: usize) -> Plane {
        if factor <= 1 {
            return self.clone();
        }
        let (w, h) = (self.width / factor, self.height / factor);
        let norm = 1.0 / (factor * factor) as f32;
        let mut data = vec![0.0; w * h];
        for y in 0..h {
            let row = &mut data[y * w..(y + 1) * w];
            for sy in 0..factor {
                let source = &self.data[(y * factor + sy) * self.width..];
                for (x, value) in row.iter_mut().enumerate() {
                    *value += source[x * factor..(x + 1) * factor].iter().sum::<f32>();
                }
            }
            row.iter_mut().for_each(|v| *v *= norm);
        }
        Plane { width: w, height: h, data }
    }
    /// Smoothed by a Gaussian; the edge repeats.
    pub fn blurred(&self, sigma_px: f64) -> Plane {
        let reach = (sigma_px * 3.0).ceil().max(1.0) as usize;
        let mut kernel: Vec<f32> =
            (0..=2 * reach).map(|i| (-0.5 * ((i as f64 - reach as f64) / sigma_px).powi(2)).exp() as f32).collect();
        let total: f32 = kernel.iter().sum();
        kernel.iter_mut().for_each(|k| *k /= total);
        let (w, h) = (self.width, self.height);
        if w == 0 || h == 0 {
            return self.clone();
        }
        let mut across = vec![0.0; w * h];
        // Waking another thread costs more than a small plane.
        let least_rows = (1 << 16) / w + 1;
        across.par_chunks_mut(w).with_min_len(least_rows).enumerate().for_each_init(
            || vec![0.0; w + 2 * reach],
            |padded, (y, out)| {
                let row = &self.data[y * w..(y + 1) * w];
                padded[..reach].fill(row[0]);
                padded[reach..reach + w].copy_from_slice(row);
                padded[reach + w..].fill(row[w - 1]);
                // Tap by tap over the whole row: the compiler can take many pixels at once.
                // The first tap assigns: reading fresh memory before writing it faults twice.
                out.iter_mut().zip(&*padded).for_each(|(o, v)| *o = kernel[0] * v);
                for (i, k) in kernel.iter().enumerate().skip(1) {
                    out.iter_mut().zip(&padded[i..]).for_each(|(o, v)| *o += k * v);
                }
            },
        );
        let mut data = vec![0.0; w * h];
        data.par_chunks_mut(w).with_min_len(least_rows).enumerate().for_each(|(y, out)| {
            for (i, k) in kernel.iter().enumerate() {
                let sy = (y + i).saturating_sub(reach).min(h - 1);
                let row = out.iter_mut().zip(&across[sy * w..(sy + 1) * w]);
                if i == 0 { row.for_each(|(o, v)| *o = k * v) } else { row.for_each(|(o, v)| *o += k * v) }
            }
        });
        Plane { width: w, height: h, data }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_first_pixels_centre_is_at_half() {
        let plane = Plane::from_data(2, 1, vec![1.0, 3.0]).unwrap();
        assert_eq!(plane.sample(0.5, 0.5), 1.0);
        assert_eq!(plane.sample(1.0, 0.5), 2.0);
    }

    #[test]
    fn blurring_keeps_the_total() {
        let mut plane = Plane::filled(41, 31, 0.0);
        plane.data_mut()[15 * 41 + 20] = 2.0;
        let total: f32 = plane.blurred(2.0).data().iter().sum();
        assert!((total - 2.0).abs() < 1e-4);
    }

    #[test]
    fn reducing_keeps_the_mean() {
        let plane = Plane::from_data(4, 2, vec![1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0]).unwrap();
        assert_eq!(plane.reduced(2).data(), &[3.5, 5.5]);
    }
}
