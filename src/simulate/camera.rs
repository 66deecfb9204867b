//! From radiance to the values of a file: optics, sensor, noise.
//!
//! The point spread is a Gaussian core (lens, demosaicing, air) with a wide glow of three
//! Gaussians; real glow has spikes and colour, which are left out. The sensor is linear up to its
//! full well, with shot noise and read noise; the camera's sharpening and tone curve are left out.

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

/// Exposes a field of radiance (RGB a pixel) and reads it out: linear values, 1.0 saturated. `haze` is the
/// share of the light that the air scatters besides.
pub(super) fn expose(
    camera: &CameraModel,
    radiance: &[[f32; 3]],
    blur_px: f64,
    haze: f64,
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
            plane = plane.blurred(blur_px);
            add_glow(&mut plane, camera.glow + haze);
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
