//! How far a disc's light may be raised before its noise, or the steps of its file's numbers, show on the sheet.
//!
//! Both are judged as the eye sees them, in Oklab (Ottosson 2020), after the light that a print or a screen always adds
//! to its black. Noise is what second differences between neighbouring sheet pixels leave: the Moon's own features are
//! smoother than that. Wider blotches, which noise reduction and heavy compression leave, are told by the sky beside the disc,
//! which has no features: where the sky is as bright as the dark of the disc they are as strong in both.

use super::disc::{DevelopedDisc, DiscMeasure, Step};
use super::sky_model::ring;
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
/// The same for blotches of a twelfth of the radius, which the eye takes for features of the Moon: by eye, on discs that
/// showed none at 0.004 and were torn at 0.02.
const MOST_MOTTLE: f32 = 0.012;
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
    let by_grain = borne(&disc.image, (centre, p.source_radius_px), p.map.reduction(), disc.measure.step);
    largest_lift(by_grain, |lift| mottle_shown(&disc.measure, lift) <= MOST_MOTTLE)
}

/// How much of its sky's mottle a disc shows at a lift, where it is dark.
fn mottle_shown(measure: &DiscMeasure, lift: f32) -> f32 {
    // Of a disc that is saturated almost everywhere the mean of the rest is its rim's.
    let colour = if measure.saturated_share < 0.5 { measure.mean } else { measure.bright };
    let brightest = colour.iter().copied().fold(1e-6, f32::max);
    let level = colour.map(|m| (m / brightest * measure.dark).max(0.0) * lift);
    let plain = as_seen(level);
    let by = |c: usize| {
        let mut other = level;
        other[c] += measure.mottle[c] * lift;
        let other = as_seen(other);
        (0..3).map(|i| (other[i] - plain[i]).powi(2)).sum::<f32>()
    };
    (0..3).map(by).sum::<f32>().sqrt()
}

/// Standard deviation of patches of a twelfth of the radius in the sky around a disc, channel by channel, beyond what noise that
/// differs from pixel to pixel leaves in their means: that is grain, and judged as such.
pub(super) fn mottle(image: &LinearImage, disc: (PixelPoint, f64)) -> [f32; 3] {
    let side = (disc.1 / 12.0).round().max(1.0) as usize;
    let (patches, pixels) = (sky_noise(image, disc, side), sky_noise(image, disc, 1));
    let of_side = side.div_ceil(apart(side)) as f32;
    [0, 1, 2].map(|c| (patches[c].powi(2) - (pixels[c] / of_side).powi(2)).max(0.0).sqrt())
}

/// How far apart pixels of a patch are that its mean is taken of: eight a side and more tell enough.
fn apart(side: usize) -> usize {
    (side / 8).max(1)
}

/// Standard deviation of patches of so many pixels a side in the sky around a disc, channel by channel, by their second
/// differences, in the quieter part of the ring: what else lies there, a branch or a cloud, is no noise.
fn sky_noise(image: &LinearImage, (centre, radius): (PixelPoint, f64), side: usize) -> [f32; 3] {
    const SECTORS: usize = 12;
    /// Fewest triples whose median tells a sector's noise.
    const FEWEST: usize = 8;
    let (inner, outer) = ring(radius);
    let (columns, rows) = (image.width() / side, image.height() / side);
    let patch = |column: usize, row: usize| {
        let (mut sum, mut count) = ([0.0f32; 3], 0.0);
        for y in (row * side..(row + 1) * side).step_by(apart(side)) {
            for x in (column * side..(column + 1) * side).step_by(apart(side)) {
                let p = image.pixel(x, y);
                (0..3).for_each(|c| sum[c] += p[c]);
                count += 1.0;
            }
        }
        sum.map(|s| s / count)
    };
    let in_ring = |column: usize, row: usize| {
        let at = |i: usize, centre: f64| (i as f64 + 0.5) * side as f64 - centre;
        let (x, y) = (at(column, centre.x), at(row, centre.y));
        let sector = (y.atan2(x) / std::f64::consts::TAU + 0.5) * SECTORS as f64;
        (inner..outer).contains(&x.hypot(y)).then_some(sector as usize % SECTORS)
    };
    let mut bends: [[Vec<f32>; 3]; SECTORS] = Default::default();
    // Of a large ring's pixels some tell enough.
    let stride = ((radius / 40.0 / side as f64) as usize).max(1);
    let places =
        (0..rows).step_by(stride).flat_map(|row| (0..columns).step_by(stride).map(move |column| (row, column)));
    for (row, column) in places {
        let Some(sector) = in_ring(column, row) else { continue };
        for (across, down) in [(1, 0), (0, 1)] {
            let (middle, last) = ((column + across, row + down), (column + 2 * across, row + 2 * down));
            if last.0 < columns && last.1 < rows && in_ring(middle.0, middle.1).and(in_ring(last.0, last.1)).is_some() {
                let [a, b, c] = [(column, row), middle, last].map(|(x, y)| patch(x, y));
                (0..3).for_each(|i| bends[sector][i].push((a[i] - 2.0 * b[i] + c[i]).abs()));
            }
        }
    }
    [0, 1, 2].map(|channel| {
        let of_sector = |bends: &mut [Vec<f32>; 3]| {
            let bends = &mut bends[channel];
            let middle = bends.len() / 2;
            // Of a Gaussian the median lies at 0.67 standard deviations.
            (bends.len() >= FEWEST)
                .then(|| *bends.select_nth_unstable_by(middle, f32::total_cmp).1 / 0.6745 / 6f32.sqrt())
        };
        let mut sectors: Vec<f32> = bends.iter_mut().filter_map(of_sector).collect();
        let quiet = sectors.len() / 3;
        if sectors.is_empty() { 0.0 } else { *sectors.select_nth_unstable_by(quiet, f32::total_cmp).1 }
    })
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
    largest_lift(MOST_LIFT, |lift| by_noise(lift) && by_step(lift))
}

/// The largest factor from 1 to `most` that a disc bears.
fn largest_lift(most: f32, bears: impl Fn(f32) -> bool) -> f32 {
    if bears(most) {
        return most;
    }
    let (mut low, mut high) = (0.0f32, most.log2());
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

/// Light as the eye sees it on a sheet: Oklab.
fn as_seen(light: [f32; 3]) -> [f32; 3] {
    let [r, g, b] = light.map(|v| v + FLARE);
    let lab = Oklab::from_color_unclamped(LinSrgb::new(r, g, b));
    [lab.l, lab.a, lab.b]
}

/// Standard deviation of the noise as seen at some lift: by the 80th percentile of second differences, so that rims and
/// hot pixels do not count, and a flat half neither.
fn noise(triples: &[[[f32; 3]; 3]], lift: f32) -> f32 {
    let seen = |p: [f32; 3]| as_seen(p.map(|v| v * lift));
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
    fn blotches_are_told_by_the_sky_and_a_branch_before_it_is_none() {
        const SIGMA: f32 = 0.002;
        // Twelve uniform numbers' sum is as good as Gaussian; patches of four pixels a side, as the disc's radius has it.
        let mixed = |i: u32| (i ^ i >> 15).wrapping_mul(2_654_435_761);
        let uniform = |i: u32| (mixed(mixed(mixed(i))) >> 8) as f32 / 16_777_216.0;
        let gauss = |i: u32| (0..12).map(|k| uniform(i * 12 + k + 7)).sum::<f32>() - 6.0;
        let light = |i: usize, branch: bool| {
            let (x, y) = (i % 200, i / 200);
            let is_branch = branch && (x + y / 3) % 200 < 60 && y < 90 && (x * 7 + y) % 13 < 6;
            if is_branch { 0.0 } else { 0.02 + SIGMA * gauss((y / 4 * 50 + x / 4) as u32) }
        };
        for branch in [false, true] {
            let data = (0..200 * 200).flat_map(|i| [light(i, branch); 3]).collect();
            let image = LinearImage::from_data(200, 200, data).unwrap();
            for sigma in mottle(&image, (PixelPoint::new(100.0, 100.0), 48.0)) {
                assert!((sigma / SIGMA - 1.0).abs() < 0.35, "{branch}: {sigma}");
            }
        }
        let measure =
            DiscMeasure { mean: [0.02, 0.01, 0.01], dark: 0.02, mottle: [SIGMA; 3], ..DiscMeasure::default() };
        let most = largest_lift(MOST_LIFT, |lift| mottle_shown(&measure, lift) <= MOST_MOTTLE);
        assert!(most < 4.0, "{most}");
        let clean = DiscMeasure { mottle: [0.0; 3], ..measure };
        assert_eq!(largest_lift(MOST_LIFT, |lift| mottle_shown(&clean, lift) <= MOST_MOTTLE), MOST_LIFT);
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
