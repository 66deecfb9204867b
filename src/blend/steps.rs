//! The steps of a file's lowest numbers, softened.
//!
//! A sample of an eight-bit file says "within half a step of this". Near black a step is as much as the light itself, and
//! the colour of a compressed file, kept in coarser blocks, is off by a step or two: raised, that is olive and magenta
//! blotches which no Moon has. So the darkest samples of a disc take what their surroundings say together, as far as their
//! own number leaves it open: none moves by more than that, and what is brighter stays as it was. The fewer steps a
//! sample has, the more its colour goes towards that of the disc's whole dark part. What is neglected: true detail of less
//! than a step, which goes with the steps; that files without compression leave half as much open; and that the mean of
//! many samples, where a frame is far finer than the sheet, would know more than one.

use crate::raster::{LinearImage, PixelPoint, Plane};

/// Steps above black at which the softening begins to fade, and where it ends: there a step is a sixteenth of the light.
const FADES: (f32, f32) = (6.0, 16.0);
/// What a sample's own number leaves open of its brightness, steps: half of one by the rounding, as much by what the
/// compression rounded before.
pub(super) const OPEN: f32 = 1.0;
/// And of its colour, which compressed files round more coarsely (ITU-T T.81, annex K.1: the example tables).
const OPEN_COLOUR: f32 = 2.0;
/// The deviation that is left of a colour, steps (by eye, on a real night's JPEGs): light of so many has half its own
/// colour, half that of all.
const UNSURE: f32 = 3.0;
/// Pixels of the frame over which brightness is agreed on: half a block of eight; of a small disc, a share of its radius.
const REACH_PX: f64 = 4.0;
const REACH: f64 = 0.1;
/// And colour, and the brightness of what is a step or so: a block of eight, each of two by two pixels (ITU-T T.81); of a
/// large disc, a share of its radius that has no colours of its own.
const WIDE_PX: f64 = 16.0;
const WIDE: f64 = 0.05;
/// Less than this is sky or nothing, steps; and beyond this share of the radius, where the air may have flattened the disc
/// and the circle holds sky, no light of the disc is spread over it.
const NOTHING: f32 = 0.5;
const RIM: f64 = 0.8;
/// Steps from which on brightness is agreed on closely and no longer widely.
const CLOSE: (f32, f32) = (1.0, 5.0);

/// Softens the steps on a disc. `step`: the light of the file's smallest step above black, zero where it has none that
/// matters; `block_px`: pixels of the frame a side that make one of the image.
pub(super) fn soften(image: &mut LinearImage, disc: (PixelPoint, f64), step: f32, block_px: usize) {
    if step <= 0.0 || image.width() == 0 || image.height() == 0 {
        return;
    }
    let width = image.width();
    let weights = darkness(image, disc, step);
    if weights.iter().all(|w| *w <= 0.0) {
        return;
    }
    let block = block_px.max(1) as f64;
    let closely = Surroundings::new(image, &weights, (REACH_PX / block).min(REACH * disc.1).max(0.5));
    let widely = Surroundings::new(image, &weights, (WIDE_PX / block).max(WIDE * disc.1));
    let (close, wide) = (closely.mean_of(brightness), widely.mean_of(brightness));
    let red = widely.mean_of(|p| p[0] - brightness(p));
    let blue = widely.mean_of(|p| p[2] - brightness(p));
    let [red_of_all, blue_of_all] = colour_of_all(image, &weights, step);
    let unsure = (UNSURE * step).powi(2);
    let near_the_limb = |i: usize| away_squared(i, width, disc.0) > (RIM * disc.1).powi(2);
    for (i, p) in image.data_mut().as_chunks_mut::<3>().0.iter_mut().enumerate() {
        let weight = weights[i];
        if weight <= 0.0 {
            continue;
        }
        let towards = |is: f32, agreed: f32, open: f32| is + weight * (agreed - is).clamp(-open * step, open * step);
        let level = brightness(p);
        if level < NOTHING * step && near_the_limb(i) {
            continue;
        }
        let t = ((level / step - CLOSE.0) / (CLOSE.1 - CLOSE.0)).clamp(0.0, 1.0);
        let light = towards(level, wide[i] + (close[i] - wide[i]) * t, OPEN);
        let brightest = p[0].max(p[1]).max(p[2]);
        let own = brightest * brightest / (unsure + brightest * brightest);
        let colour = |is: f32, agreed: f32, of_all: f32| {
            towards(is - level, own * agreed + (1.0 - own) * of_all * light.max(0.0), OPEN_COLOUR)
        };
        let (red, blue) = (colour(p[0], red[i], red_of_all), colour(p[2], blue[i], blue_of_all));
        *p = [light + red, light - red - blue, light + blue];
    }
}

fn brightness(p: &[f32; 3]) -> f32 {
    (p[0] + p[1] + p[2]) / 3.0
}

/// The square of a pixel's distance from a place.
fn away_squared(i: usize, width: usize, from: PixelPoint) -> f64 {
    let (x, y) = ((i % width) as f64 + 0.5 - from.x, (i / width) as f64 + 0.5 - from.y);
    x * x + y * y
}

/// How much each pixel is softened: fully where it is dark and on the disc.
fn darkness(image: &LinearImage, (centre, radius): (PixelPoint, f64), step: f32) -> Vec<f32> {
    let width = image.width();
    let dark = |i: usize, p: &[f32; 3]| {
        if away_squared(i, width, centre) >= radius * radius {
            return 0.0;
        }
        let t = ((p[0].max(p[1]).max(p[2]) / step - FADES.0) / (FADES.1 - FADES.0)).clamp(0.0, 1.0);
        1.0 - t * t * (3.0 - 2.0 * t)
    };
    image.data().as_chunks::<3>().0.iter().enumerate().map(|(i, p)| dark(i, p)).collect()
}

/// How much redder and bluer than grey the dark part of the disc is as a whole, over its brightness.
///
/// Sky taken away may leave next to nothing, of which no colour is told: it is grey.
fn colour_of_all(image: &LinearImage, weights: &[f32], step: f32) -> [f32; 2] {
    let (mut sum, mut count) = ([0.0f64; 3], 0.0);
    for (p, weight) in image.data().as_chunks::<3>().0.iter().zip(weights) {
        (0..3).for_each(|c| sum[c] += f64::from(weight * p[c]));
        count += f64::from(*weight);
    }
    let mean = sum.map(|s| s.max(0.0) / count.max(1e-9));
    let level = (mean[0] + mean[1] + mean[2]) / 3.0;
    [0, 2].map(|c| ((mean[c] - level) / level.max(0.25 * f64::from(step))) as f32)
}

/// What the dark part of the disc around each pixel says together: means under a Gaussian, each pixel by its weight.
struct Surroundings<'a> {
    image: &'a LinearImage,
    weights: &'a [f32],
    /// A smooth quantity is known from every few pixels.
    factor: usize,
    reach: f64,
    weight: Plane,
}

impl<'a> Surroundings<'a> {
    fn new(image: &'a LinearImage, weights: &'a [f32], reach: f64) -> Self {
        let narrower = image.width().min(image.height());
        let factor = ((reach / 3.0) as usize).clamp(1, narrower.max(1));
        let mut out = Surroundings { image, weights, factor, reach, weight: Plane::filled(0, 0, 0.0) };
        out.weight = out.blurred(weights.to_vec());
        out
    }

    fn blurred(&self, values: Vec<f32>) -> Plane {
        let (width, height) = (self.image.width(), self.image.height());
        let plane = Plane::from_data(width, height, values).unwrap_or_else(|| Plane::filled(width, height, 0.0));
        plane.reduced(self.factor).blurred(self.reach / self.factor as f64)
    }

    fn mean_of(&self, of: impl Fn(&[f32; 3]) -> f32) -> Vec<f32> {
        let pixels = self.image.data().as_chunks::<3>().0;
        let sum = self.blurred(pixels.iter().zip(self.weights).map(|(p, w)| w * of(p)).collect());
        let width = self.image.width();
        let at = |plane: &Plane, i: usize| {
            let place = |v: usize| (v as f64 + 0.5) / self.factor as f64;
            plane.sample(place(i % width), place(i / width))
        };
        let mean = |(i, w): (usize, &f32)| if *w > 0.0 { at(&sum, i) / at(&self.weight, i).max(1e-6) } else { 0.0 };
        self.weights.iter().enumerate().map(mean).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::raster::TransferFunction;

    /// The first of 255 steps of sRGB: 1 / 255 / 12.92 (IEC 61966-2-1).
    const STEP: f32 = 1.0 / 255.0 / 12.92;
    const SIDE: usize = 160;
    const DISC: (PixelPoint, f64) = (PixelPoint { x: 80.0, y: 80.0 }, 72.0);

    /// A copper umbra of one to six of the file's numbers, and the same as a compressed file tells it.
    fn umbra() -> (LinearImage, LinearImage) {
        let light = |i: usize| {
            let (x, y) = ((i % SIDE) as f32, (i / SIDE) as f32);
            let level = STEP * (3.0 + 2.0 * (x / 40.0).sin() * (y / 55.0).cos());
            [1.4 * level, level, 0.6 * level]
        };
        let truth: Vec<f32> = (0..SIDE * SIDE).flat_map(light).collect();
        let codes: Vec<u8> = truth.iter().map(|v| (255.0 * TransferFunction::Srgb.encode(*v)).round() as u8).collect();
        let mut file = Vec::new();
        let encoder = image::codecs::jpeg::JpegEncoder::new_with_quality(&mut file, 80);
        image::RgbImage::from_raw(SIDE as u32, SIDE as u32, codes).unwrap().write_with_encoder(encoder).unwrap();
        let read = image::load_from_memory(&file).unwrap().into_rgb8();
        let told = read.as_raw().iter().map(|v| TransferFunction::Srgb.decode(f32::from(*v) / 255.0)).collect();
        let image = |data| LinearImage::from_data(SIDE, SIDE, data).unwrap();
        (image(truth), image(told))
    }

    /// Root of the mean square of what two pictures differ by on the disc, steps: of brightness and of colour.
    fn off(a: &LinearImage, b: &LinearImage) -> (f32, f32) {
        let (mut light, mut colour, mut count) = (0.0, 0.0, 0.0);
        for (i, (p, q)) in a.data().as_chunks::<3>().0.iter().zip(b.data().as_chunks::<3>().0).enumerate() {
            if ((i % SIDE) as f64 - DISC.0.x).hypot((i / SIDE) as f64 - DISC.0.y) < 0.95 * DISC.1 {
                let by = brightness(p) - brightness(q);
                light += by * by;
                colour += (p[0] - q[0] - by).powi(2) + (p[2] - q[2] - by).powi(2);
                count += 1.0;
            }
        }
        let root = |sum: f32| (sum / count).sqrt() / STEP;
        (root(light), root(colour))
    }

    #[test]
    fn what_a_compressed_file_rounded_comes_nearer_to_the_truth() {
        let (truth, told) = umbra();
        let mut softened = told.clone();
        soften(&mut softened, DISC, STEP, 1);
        let (before, after) = (off(&told, &truth), off(&softened, &truth));
        println!(
            "brightness off by {:.2} steps, then {:.2}; colour by {:.2}, then {:.2}",
            before.0, after.0, before.1, after.1
        );
        assert!(after.0 < 0.85 * before.0 && after.1 < 0.7 * before.1, "{before:?} {after:?}");
    }

    #[test]
    fn nothing_moves_by_more_than_the_file_leaves_open_and_bright_light_not_at_all() {
        let (_, told) = umbra();
        let bright = |i: usize| if i % SIDE < 80 { 1.0 } else { 40.0 };
        let pixels = told.data().iter().enumerate().map(|(i, v)| v * bright(i / 3)).collect();
        let told = LinearImage::from_data(SIDE, SIDE, pixels).unwrap();
        let mut softened = told.clone();
        soften(&mut softened, DISC, STEP, 1);
        assert_ne!(softened, told);
        for (p, q) in told.data().as_chunks::<3>().0.iter().zip(softened.data().as_chunks::<3>().0) {
            assert!((brightness(p) - brightness(q)).abs() <= 1.001 * OPEN * STEP, "{p:?} {q:?}");
            for c in [0, 2] {
                let moved = p[c] - brightness(p) - (q[c] - brightness(q));
                assert!(moved.abs() <= 1.001 * OPEN_COLOUR * STEP, "{p:?} {q:?}");
            }
            assert!(p[0].max(p[1]).max(p[2]) < FADES.1 * STEP || p == q, "{p:?} {q:?}");
        }
    }

    /// Sky taken away leaves a dark part about nought, red by a third of a step: no colour is made of that.
    #[test]
    fn what_is_left_of_nothing_has_no_colour_of_its_own() {
        let light = |i: usize| {
            let level = if i % SIDE < 60 { 5.0 * STEP } else { 0.02 * STEP * ((i % 7) as f32 - 3.0) };
            [level + 0.3 * STEP, level - 0.28 * STEP, level]
        };
        let mut image = LinearImage::from_data(SIDE, SIDE, (0..SIDE * SIDE).flat_map(light).collect()).unwrap();
        soften(&mut image, DISC, STEP, 1);
        for p in image.data().as_chunks::<3>().0 {
            assert!((0..3).all(|c| (p[c] - brightness(p)).abs() < STEP), "{p:?}");
        }
    }

    /// A strip narrower than the reach, as a file that breaks off may leave it; and blocks of a far finer frame.
    #[test]
    fn narrow_strips_and_blocks_are_softened_as_well() {
        let mut strip = LinearImage::from_data(3, 400, vec![3.0 * STEP; 3 * 400 * 3]).unwrap();
        soften(&mut strip, (PixelPoint { x: 1.5, y: 200.0 }, 600.0), STEP, 1);
        assert!(strip.data().iter().all(|v| (v - 3.0 * STEP).abs() < 0.01 * STEP));
        let (truth, told) = umbra();
        let mut softened = told.clone();
        soften(&mut softened, DISC, STEP, 8);
        assert!(off(&softened, &truth).1 < off(&told, &truth).1);
    }

    /// A dim Moon, flattened by the air within its circle: what lies between is sky, and stays so.
    #[test]
    fn no_light_is_spread_over_the_sky_beside_a_flattened_disc() {
        let inside = |i: usize| {
            let (x, y) = ((i % SIDE) as f64 + 0.5 - DISC.0.x, (i / SIDE) as f64 + 0.5 - DISC.0.y);
            x.hypot(y / 0.9) < DISC.1
        };
        let light = |i: usize| if inside(i) { [5.0 * STEP, 3.0 * STEP, STEP] } else { [0.0; 3] };
        let mut image = LinearImage::from_data(SIDE, SIDE, (0..SIDE * SIDE).flat_map(light).collect()).unwrap();
        soften(&mut image, DISC, STEP, 1);
        for (i, p) in image.data().as_chunks::<3>().0.iter().enumerate() {
            assert!(inside(i) || *p == [0.0; 3], "{p:?}");
        }
    }

    #[test]
    fn light_without_steps_stays_as_it_is() {
        let (_, told) = umbra();
        let mut softened = told.clone();
        soften(&mut softened, DISC, 0.0, 1);
        assert_eq!(softened, told);
    }
}
