//! What the camera adds by itself: dark current, bias, vignetting and glowing sites, taken out again.
//!
//! A master is the mean of many frames of one kind, each sample's highest and lowest left out, so that a
//! cosmic ray or a satellite in one of them leaves no trace. From a frame its dark is subtracted (by the
//! dark master of the same exposure within a tenth; or, with a bias, the nearest one scaled by the ratio of the times),
//! and what is left is divided by the flat, whose own bias is taken out first and whose mean is 1.

use super::mosaic::Mosaic;
use crate::raster::{LinearImage, PixelRect};
use rayon::prelude::*;

/// The mean of many frames of one kind.
#[derive(Clone, Debug)]
pub(super) struct Master {
    pub samples: Vec<f32>,
    /// Which colour each of a repeat of samples is of, and the repeat's columns and samples a row.
    pub colours: SampleColours,
    pub exposure_s: Option<f64>,
}

/// Dark, bias and flat masters of one rig.
#[derive(Clone, Debug)]
pub struct Masters {
    pub(super) size: (usize, usize),
    pub(super) darks: Vec<Master>,
    pub(super) bias: Option<Master>,
    pub(super) flat: Option<Master>,
}

/// No flat divides by less than this share of its mean: a corner that dark shows nothing.
const LEAST_FLAT: f32 = 0.05;

/// A dark as long as a frame within this logarithm of the times' ratio, a tenth, is its own.
const SAME_DARK: f64 = 0.1;

impl Masters {
    /// Whether they are of a frame's size and kind: one sample a site of a mosaic, three a pixel of others.
    pub(super) fn suit(&self, size: (usize, usize), samples: usize) -> bool {
        let all = self.darks.iter().chain(&self.bias).chain(&self.flat);
        self.size == size && all.into_iter().all(|m| m.samples.len() == samples)
    }

    /// Width and height of the frames they were made of, pixels.
    pub fn size(&self) -> (usize, usize) {
        self.size
    }

    /// The dark that serves an exposure.
    fn dark_of(&self, exposure_s: Option<f64>) -> Option<&Master> {
        let distance = |m: &Master| match (m.exposure_s, exposure_s) {
            (Some(a), Some(b)) => (a / b).ln().abs(),
            // Darks that do not say are taken to be as long as the frames.
            (None, _) => 0.0,
            _ => f64::INFINITY,
        };
        let nearest = self.darks.iter().min_by(|a, b| distance(a).total_cmp(&distance(b)))?;
        // Current grows with time, and only a bias tells it from what is there at once.
        let scales = self.bias.is_some() && distance(nearest).is_finite();
        (scales || distance(nearest) <= SAME_DARK).then_some(nearest)
    }

    /// Whether there are darks, and none for this exposure.
    pub fn has_no_dark_of(&self, exposure_s: Option<f64>) -> bool {
        !self.darks.is_empty() && self.dark_of(exposure_s).is_none()
    }

    /// The dark of an exposure at a sample.
    fn dark_at(&self, exposure_s: Option<f64>) -> impl Fn(usize) -> f32 + Sync + '_ {
        let nearest = self.dark_of(exposure_s);
        let ratio = match (nearest.and_then(|m| m.exposure_s), exposure_s) {
            (Some(dark), Some(frame)) if self.bias.is_some() && !same_time(Some(dark), Some(frame)) => frame / dark,
            _ => 1.0,
        } as f32;
        move |i| {
            let bias = self.bias.as_ref().map_or(0.0, |b| b.samples[i]);
            match nearest {
                Some(dark) if ratio != 1.0 => bias + (dark.samples[i] - bias) * ratio,
                Some(dark) => dark.samples[i],
                None => bias,
            }
        }
    }

    /// Takes dark and flat out of a window of three channels.
    pub(super) fn correct(&self, light: &mut LinearImage, rect: PixelRect, exposure_s: Option<f64>) {
        let (dark, stride, width) = (self.dark_at(exposure_s), self.size.0 * 3, light.width() * 3);
        if self.flat.is_none() && self.darks.is_empty() && self.bias.is_none() {
            return;
        }
        light.data_mut().par_chunks_mut(width.max(1)).enumerate().for_each(|(y, row)| {
            let start = (rect.y0 as usize + y) * stride + rect.x0 as usize * 3;
            for (i, v) in row.iter_mut().enumerate() {
                let flat = self.flat.as_ref().map_or(1.0, |f| f.samples[start + i]);
                *v = (*v - dark(start + i)) / flat;
            }
        });
    }

    /// Takes dark and flat out of a part of a mosaic whose first site is at `rect`'s corner. Numbers stay
    /// the sensor's: masters are over the black level, which stays where it is.
    pub(super) fn correct_sites(&self, part: &mut Mosaic, rect: PixelRect, exposure_s: Option<f64>) {
        let dark = self.dark_at(exposure_s);
        let (width, stride, black) = (part.width, self.size.0, part.black);
        part.values.par_chunks_mut(width.max(1)).enumerate().for_each(|(y, row)| {
            for (x, v) in row.iter_mut().enumerate() {
                let (sx, sy) = (rect.x0 as usize + x, rect.y0 as usize + y);
                let at = sy * stride + sx;
                let black = black[(y % 2) * 2 + x % 2];
                let flat = self.flat.as_ref().map_or(1.0, |f| f.samples[at]);
                *v = black + (*v - black - dark(at)) / flat;
            }
        });
    }
}

pub(super) fn same_time(a: Option<f64>, b: Option<f64>) -> bool {
    match (a, b) {
        (Some(a), Some(b)) => (a / b).ln().abs() < 0.02,
        (a, b) => a.is_none() && b.is_none(),
    }
}

/// Which colour each sample is of.
#[derive(Clone, Debug, Default)]
pub(super) struct SampleColours {
    /// Columns and rows of the repeat, samples.
    pub repeat: (usize, usize),
    /// Samples a row.
    pub stride: usize,
    /// Colours of the repeat, rows from the top.
    pub colours: Vec<u8>,
}

impl SampleColours {
    fn of(&self, sample: usize) -> usize {
        let (w, h) = (self.repeat.0.max(1), self.repeat.1.max(1));
        let (x, y) = (sample % self.stride.max(1), sample / self.stride.max(1));
        self.colours.get(y % h * w + x % w).map_or(0, |c| usize::from(*c).min(2))
    }
}

/// A flat of mean 1 in each colour with its bias taken out: what the lens and the dust do, not the sensor's
/// colours, which its white balance knows.
pub(super) fn levelled(mut flat: Master, bias: Option<&Master>) -> Master {
    if let Some(bias) = bias.filter(|b| b.samples.len() == flat.samples.len()) {
        flat.samples.iter_mut().zip(&bias.samples).for_each(|(f, b)| *f -= b);
    }
    let (mut sums, mut counts) = ([0.0f64; 3], [0usize; 3]);
    for (i, v) in flat.samples.iter().enumerate() {
        let c = flat.colours.of(i);
        sums[c] += f64::from(*v);
        counts[c] += 1;
    }
    let means: [f32; 3] = std::array::from_fn(|c| (sums[c] / counts[c].max(1) as f64).max(1e-9) as f32);
    let colours = &flat.colours;
    flat.samples.iter_mut().enumerate().for_each(|(i, v)| *v = (*v / means[colours.of(i)]).max(LEAST_FLAT));
    flat
}

/// Whether a sample stands alone above all of its neighbours by more than the picture can draw: an image
/// of a point is blurred over several pixels, a glowing site is not.
fn stands_alone(value: f32, neighbours: &mut [f32]) -> Option<f32> {
    let most = neighbours.iter().copied().fold(f32::NEG_INFINITY, f32::max);
    if value <= most {
        return None;
    }
    let middle = neighbours.len() / 2;
    let median = *neighbours.select_nth_unstable_by(middle, f32::total_cmp).1;
    let spread = most - median;
    (value - median > 6.0 * spread + 0.01).then_some(median)
}

/// Repairs single pixels that glow by themselves, channel by channel.
pub(super) fn repair_hot_pixels(light: &mut LinearImage) {
    let (w, h) = (light.width(), light.height());
    let mut repaired = Vec::new();
    for y in 1..h.saturating_sub(1) {
        for x in 1..w.saturating_sub(1) {
            for c in 0..3 {
                let at = |dx: usize, dy: usize| light.data()[((y + dy - 1) * w + x + dx - 1) * 3 + c];
                // Most are no peak along their own row.
                if at(1, 1) <= at(0, 1).max(at(2, 1)) {
                    continue;
                }
                let mut around = [at(0, 0), at(1, 0), at(2, 0), at(0, 1), at(2, 1), at(0, 2), at(1, 2), at(2, 2)];
                if let Some(value) = stands_alone(at(1, 1), &mut around) {
                    repaired.push(((y * w + x) * 3 + c, value));
                }
            }
        }
    }
    repaired.into_iter().for_each(|(i, v)| light.data_mut()[i] = v);
}

/// Repairs single sites that glow by themselves, against the nearest sites of the same colour.
pub(super) fn repair_hot_sites(part: &mut Mosaic) {
    let (w, h) = (part.width, part.height);
    let scale = part.white - part.black[0];
    let mut repaired = Vec::new();
    for y in 2..h.saturating_sub(2) {
        for x in 2..w.saturating_sub(2) {
            let at = |dx: usize, dy: usize| {
                let (sx, sy) = (x + dx - 2, y + dy - 2);
                (part.values[sy * w + sx] - part.black[sy % 2 * 2 + sx % 2]) / scale
            };
            let mut around = [at(0, 0), at(2, 0), at(4, 0), at(0, 2), at(4, 2), at(0, 4), at(2, 4), at(4, 4)];
            // The sites right beside see other colours, but a star or a limb would light them too.
            let beside = [at(1, 2), at(3, 2), at(2, 1), at(2, 3)];
            let here = at(2, 2);
            if let Some(value) = stands_alone(here, &mut around)
                && beside.iter().all(|v| *v < 0.5 * here)
            {
                repaired.push((y * w + x, value * scale + part.black[y % 2 * 2 + x % 2]));
            }
        }
    }
    repaired.into_iter().for_each(|(i, v)| part.values[i] = v);
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_glowing_pixel_is_mended_and_a_star_is_not() {
        let mut light = LinearImage::new(9, 9);
        light.data_mut().iter_mut().enumerate().for_each(|(i, v)| *v = 0.01 + 0.001 * (i % 3) as f32);
        light.set_pixel(2, 2, [0.9, 0.01, 0.01]);
        for (dx, dy, v) in [(0, 0, 0.5), (1, 0, 0.2), (0, 1, 0.2), (1, 1, 0.1)] {
            light.set_pixel(6 + dx, 6 + dy, [v; 3]);
        }
        repair_hot_pixels(&mut light);
        assert!(light.pixel(2, 2)[0] < 0.02);
        assert_eq!(light.pixel(6, 6), [0.5; 3]);
    }

    #[test]
    fn a_flat_has_a_mean_of_one() {
        let one = SampleColours { repeat: (1, 1), stride: 4, colours: vec![0] };
        let flat = levelled(Master { samples: vec![2.0, 4.0, 6.0, 0.0], colours: one, exposure_s: None }, None);
        assert_eq!(flat.samples, [2.0 / 3.0, 4.0 / 3.0, 2.0, LEAST_FLAT]);
        // Two colours of unlike strength: each is level by itself.
        let two = SampleColours { repeat: (2, 1), stride: 4, colours: vec![0, 1] };
        let flat = levelled(Master { samples: vec![2.0, 10.0, 6.0, 30.0], colours: two, exposure_s: None }, None);
        assert_eq!(flat.samples, [0.5, 0.5, 1.5, 1.5]);
    }
}
