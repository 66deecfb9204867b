//! The sky around a disc: level, slope and glow, fitted to a ring outside the limb.
//!
//! Per channel: a + b x + c y + g (R / r)^2. The last term is the aureole that haze makes around a bright
//! Moon: it falls about with the square of the distance (common practice, no source) and is taken as level
//! across the disc itself, where nobody can see it. Stars, lamps and a neighbour's glow are left out by
//! clipping. What is neglected: an aureole's lean towards the lit limb.

use crate::raster::{LinearImage, PixelPoint};
use nalgebra::{Matrix4, Vector4};

/// Inner and outer radius of the ring, in source pixels.
pub(super) fn ring(radius: f64) -> (f64, f64) {
    let inner = 1.18 * radius + 4.0;
    (inner, inner + (0.35 * radius).max(7.0))
}

struct Sample {
    x: f64,
    y: f64,
    glow: f64,
    light: f64,
}

impl Sample {
    fn terms(&self) -> Vector4<f64> {
        Vector4::new(1.0, self.x, self.y, self.glow)
    }
}

/// Share of the aureole at the square of a distance.
fn glow(radius: f64, squared: f64) -> f64 {
    radius * radius / squared.max(radius * radius)
}

/// What a model of the sky leaves, in light.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Left {
    /// Standard deviation of single pixels, of the noisiest channel.
    pub noise: f32,
    /// Root mean square of red over directions, each a mean of many pixels: bands of haze, a cloud. What is darker than that on the disc
    /// may be sky.
    pub uneven: f32,
}

/// Subtracts the sky from a window of a frame; returns what is left in the ring. Nothing is subtracted where too little sky is seen.
pub(super) fn subtract(image: &mut LinearImage, centre: PixelPoint, radius: f64) -> Left {
    let of_channels: [Left; 3] = std::array::from_fn(|channel| {
        let samples = samples(image, channel, centre, radius);
        let Some((model, noise)) = fit_sky(&samples) else { return Left::default() };
        let width = image.width();
        for (i, pixel) in image.data_mut().chunks_exact_mut(3).enumerate() {
            let (x, y) = ((i % width) as f64 + 0.5 - centre.x, (i / width) as f64 + 0.5 - centre.y);
            let sky = model.x + model.y * x + model.z * y + model.w * glow(radius, x * x + y * y);
            pixel[channel] -= sky as f32;
        }
        Left { noise: noise as f32, uneven: unevenness(&samples, &model) }
    });
    Left { noise: of_channels.iter().map(|left| left.noise).fold(0.0, f32::max), uneven: of_channels[0].uneven }
}

/// Root mean square of what a model leaves in each of some directions, of those that are sky.
fn unevenness(samples: &[Sample], model: &Vector4<f64>) -> f32 {
    const DIRECTIONS: usize = 24;
    const FEWEST: usize = 8;
    let mut left: Vec<Vec<f64>> = vec![Vec::new(); DIRECTIONS];
    let limit = spread(samples, model);
    for s in samples {
        let off = s.light - s.terms().dot(model);
        if off.abs() <= limit {
            let turn = (s.y.atan2(s.x) / std::f64::consts::TAU).rem_euclid(1.0);
            left[((turn * DIRECTIONS as f64) as usize).min(DIRECTIONS - 1)].push(off);
        }
    }
    let means: Vec<f64> =
        left.iter().filter(|l| l.len() >= FEWEST).map(|l| l.iter().sum::<f64>() / l.len() as f64).collect();
    (means.iter().map(|m| m * m).sum::<f64>() / means.len().max(1) as f64).sqrt() as f32
}

fn samples(image: &LinearImage, channel: usize, centre: PixelPoint, radius: f64) -> Vec<Sample> {
    let (inner, outer) = ring(radius);
    let mut out = Vec::new();
    // Some ten thousand tell as much as a million.
    let step = ((outer * outer - inner * inner) * 3.1 / 12_000.0).sqrt().max(1.0) as usize;
    for y in (0..image.height()).step_by(step) {
        for x in (0..image.width()).step_by(step) {
            let (dx, dy) = (x as f64 + 0.5 - centre.x, y as f64 + 0.5 - centre.y);
            let d = dx.hypot(dy);
            if d > inner && d < outer {
                let light = f64::from(image.pixel(x, y)[channel]);
                out.push(Sample { x: dx, y: dy, glow: glow(radius, d * d), light });
            }
        }
    }
    out
}

/// Least squares over what lies within 2.5 standard deviations of the model, round after round from the middle light on,
/// and their noise. The spread is told by the median of the distances, so that two fifths of the ring may be anything: a
/// roof, a caption, a neighbour.
fn fit_sky(samples: &[Sample]) -> Option<(Vector4<f64>, f64)> {
    if samples.len() < 16 {
        return None;
    }
    let with_glow = fit_terms(samples, true)?;
    // Light does not flow back into the Moon.
    if with_glow.0.w >= 0.0 { Some(with_glow) } else { fit_terms(samples, false) }
}

fn fit_terms(samples: &[Sample], with_glow: bool) -> Option<(Vector4<f64>, f64)> {
    const ROUNDS: usize = 8;
    let mut model = Vector4::new(middle(samples.iter().map(|s| s.light).collect()), 0.0, 0.0, 0.0);
    let (mut limit, mut noise) = (spread(samples, &model), 0.0);
    for _ in 0..ROUNDS {
        let (mut normal, mut right) = (Matrix4::zeros(), Vector4::zeros());
        for s in samples {
            let mut row = s.terms();
            if (s.light - row.dot(&model)).abs() <= limit {
                if !with_glow {
                    row.w = 0.0;
                }
                normal += row * row.transpose();
                right += row * s.light;
            }
        }
        if !with_glow {
            normal[(3, 3)] = 1.0;
        }
        model = normal.cholesky()?.solve(&right);
        let kept: Vec<f64> =
            samples.iter().map(|s| s.light - s.terms().dot(&model)).filter(|r| r.abs() <= limit).collect();
        noise = (kept.iter().map(|r| r * r).sum::<f64>() / kept.len().max(1) as f64).sqrt();
        limit = spread(samples, &model);
    }
    Some((model, noise))
}

/// How far from a model a sample may lie: 2.5 standard deviations, by the median distance (a Gaussian's is 0.6745 of one).
fn spread(samples: &[Sample], model: &Vector4<f64>) -> f64 {
    /// Where more than half of the ring is one code, its neighbours belong to it still.
    const LEAST: f64 = 1e-3;
    let off = samples.iter().map(|s| (s.light - s.terms().dot(model)).abs()).collect();
    2.5 * (middle(off) / 0.6745).max(LEAST / 2.5)
}

fn middle(mut values: Vec<f64>) -> f64 {
    let at = values.len() / 2;
    *values.select_nth_unstable_by(at, f64::total_cmp).1
}

#[cfg(test)]
mod tests {
    use super::*;

    fn window(light: impl Fn(f64, f64) -> f32) -> LinearImage {
        let data = (0..120 * 120).flat_map(|i| {
            let (x, y) = ((i % 120) as f64 - 59.5, (i / 120) as f64 - 59.5);
            [light(x, y); 3]
        });
        LinearImage::from_data(120, 120, data.collect()).unwrap()
    }

    #[test]
    fn a_sloping_glowing_sky_with_a_star_is_taken_away() {
        let sky = |x: f64, y: f64| {
            let star = if (x - 45.5).hypot(y) < 1.5 { 0.8 } else { 0.0 };
            (0.02 + 1e-4 * x + 0.03 * glow(30.0, x * x + y * y) + star) as f32
        };
        let mut image = window(sky);
        subtract(&mut image, PixelPoint::new(60.0, 60.0), 30.0);
        // Inside the disc, on the limb and out in the ring nothing is left.
        for (x, y) in [(60, 60), (60, 91), (60, 104), (20, 60)] {
            assert!(image.pixel(x, y)[0].abs() < 0.002, "{:?} at {x},{y}", image.pixel(x, y));
        }
    }

    #[test]
    fn a_band_of_haze_leaves_the_sky_uneven() {
        let mut image = window(|x, y| (0.05 + 0.004 * (x / 15.0).sin() + 1e-4 * y) as f32);
        let left = subtract(&mut image, PixelPoint::new(60.0, 60.0), 30.0);
        assert!((0.001..0.005).contains(&left.uneven), "{left:?}");
    }

    #[test]
    fn two_fifths_of_anything_do_not_move_the_sky() {
        // A white caption over the lower part of the ring.
        let sky = |x: f64, y: f64| if y > 22.0 { 1.0 } else { (0.02 + 1e-4 * x) as f32 };
        let mut image = window(sky);
        subtract(&mut image, PixelPoint::new(60.0, 60.0), 30.0);
        for (x, y) in [(60, 60), (60, 30), (20, 50)] {
            assert!(image.pixel(x, y)[0].abs() < 0.002, "{:?} at {x},{y}", image.pixel(x, y));
        }
    }

    #[test]
    fn a_plain_sky_leaves_its_noise() {
        let noise = |x: f64, y: f64| 0.1 + 0.01 * (((x * 12.9 + y * 78.2).sin() * 43_758.5).fract() as f32);
        let mut image = window(noise);
        let left = subtract(&mut image, PixelPoint::new(60.0, 60.0), 30.0);
        assert!((0.003..0.009).contains(&left.noise) && left.uneven < 0.001, "{left:?}");
    }
}
