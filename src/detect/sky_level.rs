//! The frame's own sky level and noise, and the log-like scale that rests on them.
//!
//! A copper Moon lies ten stops below the full one; thresholds in file values cannot serve both.
//! On the scale asinh((value - sky) / (3 noise)) both stand clear of the sky by a few units: linear
//! near the sky, logarithmic far above it.

use crate::raster::{CodedPlane, Plane};

/// Sky level over the frame and its noise (coarse meshes, interpolated).
#[derive(Clone)]
pub(crate) struct SkyLevel {
    mesh: Plane,
    noises: Plane,
    cell: usize,
    /// Standard deviation of the sky's pixels, over the whole frame.
    pub noise: f32,
}

/// How many cells away a cell's neighbours lie.
const NEIGHBOURS: i64 = 3;

/// The inverse hyperbolic sine, in `f32` and without the library's detours for huge arguments.
fn asinh(x: f32) -> f32 {
    let a = x.abs();
    if a < 0.4 {
        // Most of a sky; the next term is below a thousandth.
        return x * (1.0 - x * x / 6.0);
    }
    (a + (a * a + 1.0).sqrt()).ln().copysign(x)
}

fn median(values: &mut [f32]) -> f32 {
    if values.is_empty() {
        return 0.0;
    }
    let middle = values.len() / 2;
    *values.select_nth_unstable_by(middle, f32::total_cmp).1
}

impl SkyLevel {
    /// Measures a plane: medians over cells, of which the bright ones (a disc, a lamp) are replaced
    /// by their darker neighbours; noise from differences of neighbouring pixels.
    pub fn measure(plane: &CodedPlane) -> Self {
        let (width, height) = (plane.width(), plane.height());
        let cell = (width.max(height) / 12).clamp(8, 512);
        let (columns, rows) = (width.div_ceil(cell), height.div_ceil(cell));
        let (mut medians, mut noises) = (vec![0.0f32; columns * rows], vec![0.0f32; columns * rows]);
        let mut values = Vec::with_capacity(cell * cell / 4);
        let mut differences = Vec::with_capacity(cell * cell / 4);
        for row in 0..rows {
            for column in 0..columns {
                values.clear();
                differences.clear();
                let stride = (cell / 32).max(1);
                for y in (row * cell..((row + 1) * cell).min(height)).step_by(stride) {
                    for x in (column * cell..((column + 1) * cell).min(width)).step_by(stride) {
                        let value = plane.get(x, y);
                        values.push(value);
                        if x + 2 < width {
                            differences.push((value - plane.get(x + 2, y)).abs());
                        }
                    }
                }
                let level = median(&mut values);
                medians[row * columns + column] = level;
                noises[row * columns + column] = sigma_of(&mut differences).max(0.45 * plane.step_at(level));
            }
        }
        let noise = median(&mut noises.clone()).max(f32::MIN_POSITIVE);
        let levels: Vec<f32> =
            medians.iter().zip(around(&medians, columns, rows, 0.5)).map(|(m, a)| m.min(a)).collect();
        // A cell with a limb in it says nothing of the sky's noise: no more than twice what is usual around.
        let usual = around(&noises, columns, rows, 0.6);
        noises.iter_mut().zip(usual).for_each(|(n, usual)| *n = n.min(2.0 * usual));
        let plane_of = |data| Plane::from_data(columns, rows, data).unwrap_or_else(|| Plane::filled(1, 1, 0.0));
        SkyLevel { mesh: plane_of(levels), noises: plane_of(noises), cell, noise }
    }

    /// Sky level at a point, file-linear units.
    pub fn at(&self, x: f64, y: f64) -> f32 {
        self.mesh.sample(x / self.cell as f64, y / self.cell as f64)
    }

    /// Whether a disc of a radius, pixels, may fill more than half of a cell's neighbourhood, so that its own light is taken for the
    /// sky's at its centre.
    pub fn may_be_hidden_by(&self, radius_px: f64) -> bool {
        // Half of a square of so many cells is a circle of 0.4 of its side.
        radius_px > 0.3 * (2 * NEIGHBOURS + 1) as f64 * self.cell as f64
    }

    /// Noise of the sky around a point.
    pub fn noise_at(&self, x: f64, y: f64) -> f32 {
        self.noises.sample(x / self.cell as f64, y / self.cell as f64)
    }

    /// A window of the plane on the log-like scale; `origin` is where its top-left corner lies, and
    /// `spacing` how many of the plane's pixels one of the window's spans.
    pub fn compressed(&self, mut window: Plane, origin: (f64, f64), spacing: f64) -> Plane {
        let width = window.width().max(1);
        for (y, row) in window.data_mut().chunks_mut(width).enumerate() {
            // The mesh is coarse: its value changes little over eight pixels.
            for (block, values) in row.chunks_mut(8).enumerate() {
                let x = block as f64 * 8.0 + 4.0;
                let (x, y) = (origin.0 + x * spacing, origin.1 + (y as f64 + 0.5) * spacing);
                let (sky, scale) = (self.at(x, y), 1.0 / (3.0 * self.noise_at(x, y)));
                for v in values {
                    *v = asinh((*v - sky) * scale);
                }
            }
        }
        window
    }
}

/// For each cell the value below which a share of its neighbourhood lies: a disc that fills a cell must not
/// count as sky.
fn around(values: &[f32], columns: usize, rows: usize, share: f64) -> Vec<f32> {
    let reach = NEIGHBOURS;
    (0..values.len())
        .map(|i| {
            let (cx, cy) = ((i % columns) as i64, (i / columns) as i64);
            let mut near = Vec::new();
            for y in (cy - reach).max(0)..=(cy + reach).min(rows as i64 - 1) {
                for x in (cx - reach).max(0)..=(cx + reach).min(columns as i64 - 1) {
                    near.push(values[y as usize * columns + x as usize]);
                }
            }
            let at = ((near.len() as f64 * share) as usize).min(near.len() - 1);
            *near.select_nth_unstable_by(at, f32::total_cmp).1
        })
        .collect()
}

/// Standard deviation of a pixel from differences of two.
fn sigma_of(differences: &mut [f32]) -> f32 {
    median(differences) * 1.4826 / std::f32::consts::SQRT_2
}

/// Noise from the differences of pixels two apart (neighbours share demosaicing and JPEG blocks),
/// robust against edges.
pub(super) fn difference_noise(size: (usize, usize), value: impl Fn(usize, usize) -> f32) -> f32 {
    noise_where(size, value, |_, _| true).unwrap_or(0.0)
}

/// The same over the pixels that count; `None` where they are too few to tell.
pub(super) fn noise_where(
    (width, height): (usize, usize),
    value: impl Fn(usize, usize) -> f32,
    counts: impl Fn(usize, usize) -> bool,
) -> Option<f32> {
    const FEWEST: usize = 150;
    let pixels = width * height;
    let stride = (pixels / 60_000).max(1);
    let mut differences: Vec<f32> = (0..pixels)
        .step_by(stride)
        .map(|i| (i % width, i / width))
        .filter(|(x, y)| x + 2 < width && counts(*x, *y))
        .map(|(x, y)| (value(x, y) - value(x + 2, y)).abs())
        .collect();
    (differences.len() >= FEWEST).then(|| sigma_of(&mut differences))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_bright_disc_does_not_lift_the_sky() {
        let mut plane = Plane::filled(240, 240, 0.02);
        for y in 100..140 {
            for x in 100..140 {
                plane.data_mut()[y * 240 + x] = 1.0;
            }
        }
        let sky = SkyLevel::measure(&CodedPlane::from_light(plane));
        assert!((sky.at(120.0, 120.0) - 0.02).abs() < 1e-3);
    }
}
