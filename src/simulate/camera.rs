//! From radiance to the values of a file: optics, sensor, noise.
//!
//! The point spread is a Gaussian core (lens, demosaicing, air) with a wide glow of three
//! Gaussians; real glow has spikes and colour, which are left out. The sensor is linear up to its
//! full well, with shot noise and read noise; the camera's sharpening and tone curve come later
//! (`processing`). Where a sensor has them, overfull pixels spill along their column (blooming) and
//! light falls on a column while it is read out (smear); charge that spills past a frame's edge is lost.

use super::scenario::CameraModel;
use crate::random::normals;
use crate::raster::{LinearImage, Plane};
use crate::sky::SATURATION_PER_LIGHT_GAIN;
use crate::units::Exposure;
use rayon::prelude::*;

/// Widths (pixels at 1000 px of image width) and shares of the glow's Gaussians.
const GLOW: [(f64, f64); 3] = [(4.0, 0.45), (14.0, 0.33), (50.0, 0.22)];

/// Adds the wide glow to one channel, at an eighth of the resolution.
fn add_glow(channel: &mut Plane, share: f64) {
    let factor = 8.min(channel.width() / 16).max(1);
    let small = channel.reduced(factor);
    let scale = channel.width() as f64 / 1000.0 / factor as f64;
    let mut glow = vec![0.0f32; small.data().len()];
    for (sigma, weight) in GLOW {
        let sigma = (sigma * scale).max(0.6);
        // The widest kernel is applied to a further reduced plane: it holds no fine detail.
        let again = ((sigma / 4.0) as usize).clamp(1, 8);
        let blurred = small.reduced(again).blurred(sigma / again as f64);
        for (i, g) in glow.iter_mut().enumerate() {
            let (x, y) = ((i % small.width()) as f64 + 0.5, (i / small.width()) as f64 + 0.5);
            *g += (weight * share) as f32 * blurred.sample(x / again as f64, y / again as f64);
        }
    }
    let Some(glow) = Plane::from_data(small.width(), small.height(), glow) else { return };
    let width = channel.width();
    // Bilinear between the small plane's pixels: along a row first, which all columns then share.
    let across: Vec<(usize, f32)> = (0..width).map(|x| between(x, factor, glow.width())).collect();
    let keep = 1.0 - share as f32;
    channel.data_mut().par_chunks_mut(width).enumerate().for_each_init(
        || vec![0.0f32; glow.width() + 1],
        |line, (y, row)| {
            let (at, part) = between(y, factor, glow.height());
            let next = (at + 1).min(glow.height() - 1);
            for (x, l) in line.iter_mut().take(glow.width()).enumerate() {
                *l = glow.get(x, at) * (1.0 - part) + glow.get(x, next) * part;
            }
            line[glow.width()] = line[glow.width() - 1];
            for (v, (x, part)) in row.iter_mut().zip(&across) {
                *v = *v * keep + line[*x] * (1.0 - part) + line[x + 1] * part;
            }
        },
    );
}

/// The pixel of a plane reduced by a factor whose centre lies before that of a full pixel, and how far on; the edge repeats.
fn between(full: usize, factor: usize, reduced: usize) -> (usize, f32) {
    let at = ((full as f64 + 0.5) / factor as f64 - 0.5).clamp(0.0, (reduced - 1) as f64);
    (at as usize, (at - at.floor()) as f32)
}

/// Adds the light that falls on a column while its charge is shifted out: the same for all of its pixels.
fn smear(channel: &mut Plane, share: f64) {
    if share <= 0.0 {
        return;
    }
    let (width, height) = (channel.width(), channel.height());
    let mut falls = vec![0.0f32; width];
    channel.data().chunks_exact(width).for_each(|row| falls.iter_mut().zip(row).for_each(|(sum, v)| *sum += v));
    falls.iter_mut().for_each(|v| *v *= share as f32 / height as f32);
    channel.data_mut().chunks_exact_mut(width).for_each(|row| row.iter_mut().zip(&falls).for_each(|(v, f)| *v += f));
}

/// Lets a share of what a pixel cannot hold spill along its column, half up and half down; each pixel on the way keeps
/// what it has room for. The rest of it the sensor's drain takes.
fn bloom(channel: &mut Plane, share: f64) {
    if share <= 0.0 {
        return;
    }
    let (width, height) = (channel.width(), channel.height());
    let spilt: Vec<f32> = channel.data().iter().map(|v| (v - 1.0).max(0.0) * share as f32 / 2.0).collect();
    let data = channel.data_mut();
    for downwards in [true, false] {
        let mut carried = vec![0.0f32; width];
        for step in 0..height {
            let y = if downwards { step } else { height - 1 - step };
            for (x, carried) in carried.iter_mut().enumerate() {
                let i = y * width + x;
                let kept = carried.min((1.0 - data[i]).max(0.0));
                data[i] += kept;
                *carried += spilt[i] - kept;
            }
        }
    }
}

/// What blurs the field of radiance before the sensor has it.
pub(super) struct Blur {
    /// Lens, air and hands, pixels (Gaussian sigma).
    pub sigma_px: f64,
    /// How far the image moves evenly while the shutter is open, pixels to the right and down.
    pub dragged_px: (f64, f64),
    /// Share of the light that the air scatters besides.
    pub haze: f64,
}

/// The mean of an image that moves evenly, by the middle of the way; at the frame's edges what stands there is taken on.
fn dragged(plane: Plane, (dx, dy): (f64, f64)) -> Plane {
    let length = dx.hypot(dy);
    if length < 0.05 {
        return plane;
    }
    // Two places a pixel, and the mean of neighbours between.
    let steps = (2.0 * length).ceil() as usize + 1;
    let (width, height) = (plane.width(), plane.height());
    let mut out = Plane::filled(width, height, 0.0);
    out.data_mut().par_chunks_mut(width).enumerate().for_each(|(y, row)| {
        for step in 0..steps {
            let along = (step as f64 + 0.5) / steps as f64 - 0.5;
            let (x0, fx) = whole_and_rest(-along * dx);
            let (y0, fy) = whole_and_rest(y as f64 - along * dy);
            let line = |by: isize| {
                let y = (y0 + by).clamp(0, height as isize - 1) as usize;
                &plane.data()[y * width..(y + 1) * width]
            };
            let (upper, lower) = (line(0), line(1));
            for (x, v) in row.iter_mut().enumerate() {
                let at = |by: isize| (x as isize + x0 + by).clamp(0, width as isize - 1) as usize;
                let (l, r) = (at(0), at(1));
                let above = upper[l] * (1.0 - fx) + upper[r] * fx;
                let below = lower[l] * (1.0 - fx) + lower[r] * fx;
                *v += (above * (1.0 - fy) + below * fy) / steps as f32;
            }
        }
    });
    out
}

fn whole_and_rest(at: f64) -> (isize, f32) {
    (at.floor() as isize, (at - at.floor()) as f32)
}

/// Exposes a field of radiance (RGB a pixel) and reads it out: linear values, 1.0 saturated.
pub(super) fn expose(
    camera: &CameraModel,
    radiance: &[[f32; 3]],
    blur: &Blur,
    exposure: &Exposure,
    seed: u64,
) -> LinearImage {
    let (width, height) = (camera.width_px, camera.height_px);
    let gain = (exposure.light_gain() * SATURATION_PER_LIGHT_GAIN) as f32;
    let full_scale = camera.full_well * 100.0 / exposure.sensitivity.iso;
    let channels: Vec<Plane> = (0..3usize)
        .into_par_iter()
        .map(|c| {
            let data = radiance.iter().map(|p| p[c] * gain).collect();
            let mut plane = Plane::from_data(width, height, data).unwrap_or_else(|| Plane::filled(width, height, 0.0));
            plane = dragged(plane.blurred(blur.sigma_px), blur.dragged_px);
            add_glow(&mut plane, camera.glow + blur.haze);
            smear(&mut plane, camera.smear);
            bloom(&mut plane, camera.bloom);
            plane
        })
        .collect();
    let mut image = LinearImage::new(width, height);
    let (per_electron, read) = ((1.0 / full_scale) as f32, (camera.read_noise / full_scale) as f32);
    image.data_mut().par_chunks_mut(width * 3).enumerate().for_each_init(
        || vec![0.0; width * 3],
        |noise, (y, row)| {
            normals(seed, (y * width * 3) as u64, noise);
            for (c, channel) in channels.iter().enumerate() {
                let clean = &channel.data()[y * width..(y + 1) * width];
                for (i, clean) in clean.iter().enumerate() {
                    let spread = (clean.max(0.0) * per_electron + read * read).sqrt();
                    row[3 * i + c] = (clean + spread * noise[3 * i + c]).clamp(0.0, 1.0);
                }
            }
        },
    );
    image
}

#[cfg(test)]
mod tests {
    use super::*;

    fn a_bright_pixel() -> Plane {
        let mut plane = Plane::filled(5, 9, 0.1);
        plane.data_mut()[4 * 5 + 2] = 9.0;
        plane
    }

    #[test]
    fn what_a_pixel_cannot_hold_spills_along_its_column() {
        let mut plane = a_bright_pixel();
        bloom(&mut plane, 0.5);
        // Two of eight units go each way; a neighbour has room for nine tenths.
        for (away, holds) in [(1, 1.0), (2, 1.0), (3, 0.3), (4, 0.1)] {
            assert!((plane.get(2, 4 - away) - holds).abs() < 1e-5 && (plane.get(2, 4 + away) - holds).abs() < 1e-5);
        }
        assert_eq!(plane.get(1, 4), 0.1);
    }

    #[test]
    fn an_image_that_moves_is_drawn_out_by_its_way_and_keeps_its_light() {
        let mut plane = Plane::filled(21, 21, 0.0);
        plane.data_mut()[10 * 21 + 10] = 1.0;
        let out = dragged(plane, (6.0, 0.0));
        let row: Vec<f64> = (0..21).map(|x| f64::from(out.get(x, 10))).collect();
        let (sum, mean) = (row.iter().sum::<f64>(), row.iter().enumerate().map(|(x, v)| x as f64 * v).sum::<f64>());
        assert!((sum - 1.0).abs() < 1e-5 && (mean - 10.0).abs() < 1e-4, "{sum} {mean}");
        // An even way of L has the variance L^2 / 12; the mean of neighbours adds a little.
        let variance: f64 = row.iter().enumerate().map(|(x, v)| (x as f64 - 10.0).powi(2) * v).sum();
        assert!((variance - 3.0).abs() < 0.3, "{variance}");
        assert!((0..21).all(|x| out.get(x, 9) == 0.0));
    }

    #[test]
    fn smear_lies_on_the_whole_column_alike() {
        let mut plane = a_bright_pixel();
        smear(&mut plane, 0.09);
        let added = 0.01 * (9.0 + 8.0 * 0.1);
        assert!((0..9).filter(|y| *y != 4).all(|y| (plane.get(2, y) - 0.1 - added).abs() < 1e-6));
    }
}
