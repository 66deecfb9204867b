//! How far a disc's light may be raised before its noise, or the steps of its file's numbers, show on the sheet.
//!
//! Both are judged as the eye sees them, in Oklab (Ottosson 2020), after the light that a print or a screen always adds
//! to its black. Noise is what second differences between neighbouring sheet pixels leave: the Moon's own features are
//! smoother than that. What is neglected: blotches wider than two sheet pixels, which heavy compression leaves.

use super::disc::{DevelopedDisc, Step};
use crate::composition::Placement;
use crate::raster::{LinearImage, PixelPoint};
use palette::{LinSrgb, Oklab, convert::FromColorUnclamped};

/// The most that a disc may be raised, as a factor, whatever is asked.
pub(super) const MOST_LIFT: f32 = 256.0;
/// Light that surroundings add to every black: half a percent of white (the order of what viewing standards allow; the
/// value from memory).
const FLARE: f32 = 0.005;
/// Noise of a sheet pixel beyond which a disc looks torn rather than grainy: by eye, on discs of real and simulated
/// nights; neighbours that one hardly tells apart differ by 0.02.
const MOST_NOISE: f32 = 0.04;
/// The step of one of the file's numbers to the next beyond which bands and blocks show: by eye likewise. Blocks of
/// compressed files are two numbers high.
const MOST_STEP: f32 = 0.03;
/// Where noise is larger than the file's steps it dissolves them, and where light falls off quickly they are lines too thin to
/// be seen. They show where more than this share of the disc is told by the file's lowest numbers, the same from neighbour
/// to neighbour.
const FLAT: f32 = 0.25;
/// The file's lowest numbers: whose steps are more than a twelfth of their light.
const LOWEST: (f32, f32) = (0.1, 12.0);
/// Radius on the sheet below which second differences tell seas and limb from noise no longer, pixels.
const LEAST_RADIUS: f64 = 12.0;
/// Triples of neighbours that are looked at: enough for a percent of the noise.
const TRIPLES: usize = 4000;

/// The step that shows on a disc: none where few triples are of the lowest numbers and differ by less than half a step
/// (noise of one step leaves one in ten of them). Sky taken away leaves parts of steps: what stands less than one above
/// black shows by as much less. `reduction`: source pixels per sheet pixel; `step`: the light of the file's smallest
/// step above black, zero where it has none that matters.
pub(super) fn shown_step(image: &LinearImage, disc: (PixelPoint, f64), reduction: f64, step: f32) -> Step {
    if step <= 0.0 {
        return Step::default();
    }
    let triples = triples(image, disc, reduction);
    let is_flat = |[a, b, c]: &&[[f32; 3]; 3]| {
        (0..3).all(|i| (a[i] - b[i]).abs() < 0.5 * step && (c[i] - b[i]).abs() < 0.5 * step)
    };
    let level = |t: &[[f32; 3]; 3]| t[1][0].max(t[1][1]).max(t[1][2]);
    let lowest = LOWEST.0 * step..LOWEST.1 * step;
    let mut levels: Vec<f32> = triples.iter().filter(is_flat).map(level).filter(|l| lowest.contains(l)).collect();
    if levels.len() as f32 <= FLAT * triples.len() as f32 {
        return Step::default();
    }
    let middle = levels.len() / 2;
    let level = *levels.select_nth_unstable_by(middle, f32::total_cmp).1;
    let below = (level - step).max(0.0);
    Step { below, above: below + 2.0 * level.min(step) }
}

/// The largest factor by which a placement's disc can be multiplied, from 1 to 256.
pub fn most_lift(disc: &DevelopedDisc, p: &Placement) -> f32 {
    let centre = PixelPoint::new(p.map.source_centre.x - disc.origin.x, p.map.source_centre.y - disc.origin.y);
    borne(&disc.image, (centre, p.source_radius_px), p.map.reduction(), disc.measure.step)
}

/// The largest factor by which light of a file's lowest numbers can be multiplied, wherever on a disc it lies and however
/// little of it there is: one step above black is seen as no more than a step may be.
pub(super) fn most_lift_of_a_step(step: f32) -> f32 {
    if step > 0.0 { ((MOST_STEP + FLARE.cbrt()).powi(3) - FLARE) / step } else { f32::INFINITY }
}

/// `reduction`: source pixels per sheet pixel.
fn borne(image: &LinearImage, disc: (PixelPoint, f64), reduction: f64, step: Step) -> f32 {
    let triples = triples(image, disc, reduction);
    // Where a disc is a few sheet pixels wide, neighbours differ by its seas and its phase.
    let tells_noise = disc.1 / reduction >= LEAST_RADIUS;
    let by_noise = |lift: f32| !tells_noise || noise(&triples, lift) <= MOST_NOISE;
    let by_step = |lift: f32| (lift * step.above + FLARE).cbrt() - (lift * step.below + FLARE).cbrt() <= MOST_STEP;
    let bears = |lift: f32| by_noise(lift) && by_step(lift);
    if bears(MOST_LIFT) {
        return MOST_LIFT;
    }
    let (mut low, mut high) = (0.0f32, MOST_LIFT.log2());
    while high - low > 0.02 {
        let middle = 0.5 * (low + high);
        if bears(middle.exp2()) { low = middle } else { high = middle }
    }
    low.exp2()
}

/// Light of three neighbouring sheet pixels in a row, across and down, evenly over the disc.
fn triples(image: &LinearImage, (centre, radius): (PixelPoint, f64), reduction: f64) -> Vec<[[f32; 3]; 3]> {
    let side = reduction.round().max(1.0) as usize;
    let reach = 0.9 * radius;
    let (width, height) = (image.width(), image.height());
    if width < 3 * side || height < 3 * side {
        return Vec::new();
    }
    // Of a large block an even part tells enough.
    let skip = side.div_ceil(8);
    let mean = |x: usize, y: usize| {
        let (mut sum, mut count) = ([0.0; 3], 0.0);
        for v in (y..y + side).step_by(skip) {
            for u in (x..x + side).step_by(skip) {
                let p = image.pixel(u, v);
                (0..3).for_each(|c| sum[c] += p[c]);
                count += 1.0;
            }
        }
        sum.map(|s| (s / count).max(0.0f32))
    };
    let stride = ((std::f64::consts::PI * reach * reach / TRIPLES as f64).sqrt() as usize).max(1);
    let mut out = Vec::new();
    for y in (0..=height - 3 * side).step_by(stride) {
        for x in (0..=width - 3 * side).step_by(stride) {
            let half = 1.5 * side as f64;
            if (x as f64 + half - centre.x).hypot(y as f64 + half - centre.y) > reach {
                continue;
            }
            out.push([0, 1, 2].map(|i| mean(x + i * side, y + side)));
            out.push([0, 1, 2].map(|i| mean(x + side, y + i * side)));
        }
    }
    out
}

/// Standard deviation of the noise as seen at some lift: by the 80th percentile of second differences, so that rims and
/// hot pixels do not count, and a flat half neither.
fn noise(triples: &[[[f32; 3]; 3]], lift: f32) -> f32 {
    let seen = |p: [f32; 3]| {
        let [r, g, b] = p.map(|v| v * lift + FLARE);
        let lab = Oklab::from_color_unclamped(LinSrgb::new(r, g, b));
        [lab.l, lab.a, lab.b]
    };
    let mut bends: Vec<f32> = triples
        .iter()
        .map(|t| {
            let [a, b, c] = t.map(seen);
            (0..3).map(|i| (a[i] - 2.0 * b[i] + c[i]).powi(2)).sum::<f32>().sqrt()
        })
        .collect();
    if bends.is_empty() {
        return 0.0;
    }
    let at = (bends.len() - 1) * 4 / 5;
    // Of a Gaussian the 80th percentile lies at 1.28 standard deviations (of three like ones nearer 2, which is on the
    // careful side); a second difference has the root of six times the noise.
    *bends.select_nth_unstable_by(at, f32::total_cmp).1 / 1.28 / 6f32.sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn disc(light: impl Fn(usize) -> f32) -> LinearImage {
        LinearImage::from_data(120, 120, (0..120 * 120).flat_map(|i| [light(i); 3]).collect()).unwrap()
    }

    const WHOLE: (PixelPoint, f64) = (PixelPoint { x: 60.0, y: 60.0 }, 50.0);

    #[test]
    fn clean_light_bears_any_lift_and_eight_bits_some_two_stops() {
        let smooth = disc(|i| 0.001 + 1e-7 * (i % 120) as f32);
        assert_eq!(borne(&smooth, WHOLE, 1.0, Step::default()), MOST_LIFT);
        // The first of 255 steps of sRGB: 1 / 255 / 12.92 (IEC 61966-2-1).
        let step = shown_step(&smooth, WHOLE, 1.0, 1.0 / 255.0 / 12.92);
        let stops = borne(&smooth, WHOLE, 1.0, step).log2();
        assert!((1.5..3.5).contains(&stops), "{stops}");
    }

    #[test]
    fn noise_holds_a_disc_and_a_smaller_print_bears_more() {
        // Knuth's multiplicative hash (The Art of Computer Programming 6.4), its upper bits.
        let uniform = |i: usize| ((i as u32 ^ (i as u32) << 13).wrapping_mul(2_654_435_761) >> 8) as f32 / 16_777_216.0;
        let noise = |i: usize| 0.02 * (1.0 + 1.2 * (uniform(i * 7919 + 13) - 0.5));
        let (large, small) = [1.0, 4.0].map(|reduction| borne(&disc(noise), WHOLE, reduction, Step::default())).into();
        assert!(large < 8.0 && small > 2.0 * large, "{large} and {small}");
    }
}
