//! The limb, point by point: the steepest fall of light along rays from a centre.
//!
//! Rays are laid in *rectified* offsets, in which the disc is a circle even where a wide lens
//! stretches it (see `sky::Lens::local_metric`). Along each ray the difference of the means just
//! inside and just outside is taken at two widths. A true limb is sharp: both widths see the same
//! step. The umbra's edge is soft: the narrow one sees little of it.

use super::edge_profile;
use super::metric::Metric;
use crate::raster::{PixelPoint, Plane};
use serde::{Deserialize, Serialize};

/// One point of the limb, in rectified offsets from the centre the rays started at.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct LimbPoint {
    /// To the right.
    pub x: f64,
    /// Downwards.
    pub y: f64,
    /// 0..1: how significant and how sharp the edge is.
    pub weight: f64,
    /// Step of light across the edge, in the plane's own units.
    pub step: f32,
    /// Light just inside, with the sky's, the brightest along a stretch of the ray; in the plane's own units (codes, where it is of
    /// codes), 1 = saturated.
    pub level: f32,
    /// Width of the edge (Gaussian sigma), rectified pixels.
    pub width_px: f64,
    /// Whether it was seen over a longer stretch of arc only: evidence beside a burnt part, and noise or hills anywhere else.
    pub is_faint: bool,
}

/// What to look for.
pub(super) struct LimbSearch {
    pub centre: PixelPoint,
    pub metric: Metric,
    pub radius: f64,
    /// Search from `radius - reach` to `radius + reach`, rectified pixels.
    pub reach: f64,
    pub noise: f32,
    /// Place each edge by its whole profile (slower, not biased by a sloping disc).
    pub by_profile: bool,
    /// Heed edges with hardly any sky between them and the frame's end: they are seen, and not placed exactly.
    pub to_the_last: bool,
    /// Where a part of the limb was seen, look for what is left of it over longer stretches of arc.
    pub faint_too: bool,
}

/// Samples along a ray, rectified pixels.
struct Samples {
    step: f64,
    count: usize,
    from: f64,
    /// How far a ray must go at least.
    until: f64,
}

/// Over how much of the arc a profile is the mean.
#[derive(Clone, Copy, PartialEq)]
enum Along {
    /// As much as leaves the limb sharp.
    Short,
    /// As much as a faint limb needs to stand out of its noise.
    Long,
}

/// Where it is sampled, in halves of its length.
const LONG: [f64; 7] = [-1.0, -0.667, -0.333, 0.0, 0.333, 0.667, 1.0];

/// Half of a long stretch of arc, pixels: the limb bends away from its tangent by a tenth of a pixel there.
fn long_arc(radius: f64) -> f64 {
    (0.2 * radius).sqrt()
}

/// Sub-pixel place of a peak of three equally spaced values, in steps from the middle one.
fn parabola(l: f64, m: f64, r: f64) -> f64 {
    let bend = l - 2.0 * m + r;
    if bend < 0.0 { (0.5 * (l - r) / bend).clamp(-0.7, 0.7) } else { 0.0 }
}

/// Profile along one ray: means over a short stretch of arc; it ends where the ray leaves the frame, if not before `until`.
fn profile(plane: &Plane, s: &LimbSearch, angle: f64, samples: &Samples, along: Along) -> Option<Vec<f32>> {
    let &Samples { step, count, from, until } = samples;
    let (spread, offsets): (f64, &[f64]) = match along {
        Along::Short => {
            let spread = (s.radius * 0.012).clamp(0.0, 2.5);
            (spread, if spread > 0.6 { &[-1.0, 0.0, 1.0] } else { &[0.0] })
        }
        Along::Long => (long_arc(s.radius), &LONG),
    };
    let (sin, cos) = angle.sin_cos();
    let (w, h) = (plane.width() as f64, plane.height() as f64);
    let mut out = vec![0.0f32; count];
    for i in 0..count {
        let rho = from + i as f64 * step;
        for o in offsets {
            let t = o * spread;
            let (dx, dy) = s.metric.to_pixels(rho * cos - t * sin, rho * sin + t * cos);
            let (x, y) = (s.centre.x + dx, s.centre.y + dy);
            // A ray that leaves the frame before it has passed the limb says nothing of it.
            if x < 0.0 || y < 0.0 || x >= w || y >= h {
                out.truncate(i);
                return (rho >= until).then_some(out);
            }
            out[i] += plane.sample(x, y);
        }
        out[i] /= offsets.len() as f32;
    }
    Some(out)
}

/// How many points are no faint ones.
fn clear(points: &[LimbPoint]) -> usize {
    points.iter().filter(|p| !p.is_faint).count()
}

/// Limb points of a disc, in order of angle, faint ones behind the others; rays without a significant edge give none.
pub(super) fn limb_points(plane: &Plane, s: &LimbSearch) -> Vec<LimbPoint> {
    // A limb that is softer than the usual means and profiles are long is looked at once more with longer ones.
    let usual = Lengths { means: 1.0, beyond: 0.0, is_last: false };
    let longer = Lengths { means: 2.0, beyond: 0.1 * s.radius, is_last: true };
    match points_by(plane, s, usual) {
        Placed::Well(points) => points,
        Placed::TooSoft(points) => match points_by(plane, s, longer) {
            Placed::Well(longer) if 4 * clear(&longer) > 3 * clear(&points) => longer,
            _ => points,
        },
    }
}

/// How much of the limb's surroundings is looked at.
struct Lengths {
    /// The means on both sides of an edge, in usual lengths.
    means: f64,
    /// How far profiles go on beyond where edges are looked for, pixels.
    beyond: f64,
    /// No longer ones are left.
    is_last: bool,
}

/// Limb points, and whether the lengths sufficed for a limb so far out of focus.
enum Placed {
    Well(Vec<LimbPoint>),
    TooSoft(Vec<LimbPoint>),
}

/// One ray in so many shows a limb of this light before faint ones are looked for, which matter beside a burnt part; and discs are so
/// large: the limb of a small one bends away from any arc that is long enough.
const LEAST_SEEN: usize = 24;
/// Light that may be burnt, at least: some cameras' white ends at code 235 or so.
pub(super) const LEAST_WHITE: f64 = 0.55;
const LEAST_RADIUS_OF_FAINT: f64 = 20.0;

/// Rays along which the limb of a disc of a radius, pixels, is looked for.
pub(super) fn rays_around(radius: f64) -> usize {
    (2.0 * std::f64::consts::PI * radius).clamp(48.0, 540.0) as usize
}

fn points_by(plane: &Plane, s: &LimbSearch, lengths: Lengths) -> Placed {
    let rays = rays_around(s.radius);
    let step = 0.5f64.max(s.reach / 160.0);
    let narrow = (lengths.means * (s.radius * 0.008).clamp(1.25, 4.0) / step).round().max(1.0) as usize;
    let wide = narrow * 3;
    let first = (s.radius - s.reach).max(0.5);
    let from = (first - wide as f64 * step - lengths.beyond).max(0.0);
    // Edges are looked for between these two samples.
    let begin = wide.max(((first - from) / step).round() as usize);
    let last = ((s.radius + s.reach - from) / step) as usize;
    let count = last + wide + (lengths.beyond / step) as usize;
    if count < 2 * wide + 4 {
        return Placed::Well(Vec::new());
    }
    let beyond = if s.to_the_last { narrow } else { wide };
    let samples = Samples { step, count, from, until: s.radius + (beyond as f64 * step).max(2.0) };
    let edge_along = |i: usize, along: Along, noise: f32| {
        let angle = i as f64 / rays as f64 * std::f64::consts::TAU;
        let values = profile(plane, s, angle, &samples, along).filter(|values| values.len() >= 2 * wide + 4)?;
        let end = last.min(values.len() - beyond);
        let edge = edge_of(&values, (narrow, wide), begin..end, noise)?;
        Some((angle, values, edge))
    };
    let found: Vec<Option<(f64, Vec<f32>, Edge)>> = (0..rays).map(|i| edge_along(i, Along::Short, s.noise)).collect();
    let mut faint: Vec<(f64, Vec<f32>, Edge)> = Vec::new();
    let white = found.iter().flatten().filter(|(_, _, edge)| f64::from(edge.level) > LEAST_WHITE).count();
    if s.faint_too && s.radius > LEAST_RADIUS_OF_FAINT && white * LEAST_SEEN >= rays {
        // Samples of an arc share some of their noise: two in three count, and of pixels as many.
        let independent = (long_arc(s.radius) * 4.0 / 3.0).clamp(1.0, LONG.len() as f64 * 2.0 / 3.0);
        let noise = s.noise / independent.sqrt() as f32;
        let unseen = (0..rays).filter(|i| found[*i].is_none());
        faint.extend(unseen.filter_map(|i| edge_along(i, Along::Long, noise)));
    }
    let edges: Vec<(f64, Vec<f32>, Edge)> = found.into_iter().flatten().collect();
    // One blur for the frame: single rays are too noisy to tell theirs.
    let told = if s.by_profile { blur_of(&edges, s.radius, (narrow, wide)) } else { Ok(None) };
    let blur = told.as_ref().ok().copied().flatten();
    let placed: Vec<Option<f64>> =
        edges.iter().map(|(_, values, edge)| edge_profile::place(values, edge.at, blur?.sigma)).collect();
    // A blur that few profiles are long enough for is none that the limb was placed by.
    let fits = 2 * placed.iter().flatten().count() > placed.len();
    // Longer profiles are for what is out of focus alone.
    let too_soft = match blur {
        None => told.is_err() || lengths.is_last,
        Some(blur) => !fits && (blur.wider > 1.0 || lengths.is_last),
    };
    let wider = blur.filter(|_| fits).map_or(1.0, |b| b.wider);
    // What is faint is placed by the blur of the rest, which tells it better.
    let placed_faint: Vec<Option<f64>> =
        faint.iter().map(|(_, values, edge)| edge_profile::place(values, edge.at, blur?.sigma)).collect();
    let clear = edges.into_iter().zip(placed).map(|one| (one, false));
    let faint = faint.into_iter().zip(placed_faint).map(|one| (one, true));
    let points = clear.chain(faint).map(|(((angle, _, edge), placed), is_faint)| {
        let rho = from + placed.unwrap_or(edge.at) * step;
        LimbPoint {
            x: rho * angle.cos(),
            y: rho * angle.sin(),
            weight: edge.weight,
            step: edge.fall,
            level: edge.level,
            width_px: edge.width * step * wider,
            is_faint,
        }
    });
    if too_soft { Placed::TooSoft(points.collect()) } else { Placed::Well(points.collect()) }
}

/// A blur is larger than the means on either side of an edge tell.
struct BeyondTheMeans;

/// The blur that a limb's edges agree on.
#[derive(Clone, Copy)]
struct Blur {
    /// In samples, by whole profiles.
    sigma: f64,
    /// By how much a defocused edge is wider than the means on either side tell, which are shorter than it.
    wider: f64,
}

/// `narrow`, `wide`: samples of the two means.
fn blur_of(
    edges: &[(f64, Vec<f32>, Edge)],
    radius: f64,
    (narrow, wide): (usize, usize),
) -> Result<Option<Blur>, BeyondTheMeans> {
    /// Edges of this weight, or where all are soft of this clearness, tell the blur.
    const GOOD: f64 = 0.5;
    const FEWEST: usize = 12;
    /// Edges of less than this share of the clearest tenth's fall may be grain of a part in shadow, sharp by itself.
    const FAINT: f32 = 0.1;
    /// A defocused edge is nearly as wide as the shorter means; a narrower one is a soft terminator's.
    const WIDE: f64 = 0.8;
    /// Of a defocused disc the widths' quartiles differ by no more than this share (0.05 to 0.2 on two nights by another
    /// hand); shake is as wide as it is in one direction only.
    const MOST_UNEVEN: f64 = 0.3;
    /// How often a blur may be found larger again, twofold each time.
    const ROUNDS: usize = 3;
    let mut falls: Vec<f32> = edges.iter().filter(|e| e.2.clearness > GOOD).map(|e| e.2.fall).collect();
    falls.sort_by(f32::total_cmp);
    let least = FAINT * falls.get(falls.len() * 9 / 10).copied().unwrap_or(0.0);
    let edges: Vec<_> = edges.iter().filter(|e| e.2.fall > least).collect();
    let sharp = edges.iter().filter(|e| e.2.weight > GOOD).count();
    // Noise takes weight as well; a defocused limb's edges are clear of it and yet soft.
    let defocused = sharp < FEWEST;
    let good = || edges.iter().filter(|e| if defocused { e.2.clearness > GOOD } else { e.2.weight > GOOD });
    let mut widths: Vec<f64> = good().map(|e| e.2.width).collect();
    if widths.len() < FEWEST {
        return Ok(None);
    }
    widths.sort_by(f64::total_cmp);
    let quartile = |i: usize| widths[widths.len() * i / 4];
    let rough = quartile(2).max(1.0);
    // A small disc is placed by its whole image later on.
    if radius < super::small_disc::LARGEST_PX {
        return Ok((!defocused).then_some(Blur { sigma: rough, wider: 1.0 }));
    }
    if defocused {
        let is_clipped = |e: &&&(f64, Vec<f32>, Edge)| e.1.iter().any(|v| *v > edge_profile::CLIPPED);
        let is_shaken = quartile(3) - quartile(1) > MOST_UNEVEN * quartile(2);
        if rough < WIDE * narrow as f64 || is_shaken || 2 * good().filter(is_clipped).count() > widths.len() {
            return Ok(None);
        }
        // Beyond the longer means all widths look alike.
        if rough >= 0.9 * wide as f64 {
            return Err(BeyondTheMeans);
        }
    }
    let stride = (edges.len() / 40).max(1);
    let some: Vec<(&[f32], f64)> = good().step_by(stride).map(|e| (e.1.as_slice(), e.2.at)).collect();
    let mut sigma = edge_profile::blur_of(&some, rough);
    if !defocused {
        return Ok(Some(Blur { sigma, wider: 1.0 }));
    }
    let mut from = rough;
    for _ in 1..ROUNDS {
        if sigma < edge_profile::LARGEST_FACTOR * from {
            break;
        }
        from = sigma;
        sigma = edge_profile::blur_of(&some, from);
    }
    Ok(Some(Blur { sigma, wider: (sigma / rough).max(1.0) }))
}

/// An edge along one ray, in samples of its profile.
struct Edge {
    at: f64,
    fall: f32,
    level: f32,
    weight: f64,
    /// How clear of the noise it is, 0..1.
    clearness: f64,
    width: f64,
}

/// Steepest fall of a profile within a range of its samples, between means of two lengths.
fn edge_of(values: &[f32], (narrow, wide): (usize, usize), range: std::ops::Range<usize>, noise: f32) -> Option<Edge> {
    let mut sums = Vec::with_capacity(values.len() + 1);
    sums.push(0.0f64);
    for v in values {
        sums.push(sums[sums.len() - 1] + f64::from(*v));
    }
    let mean = |a: usize, b: usize| (sums[b] - sums[a]) / (b - a) as f64;
    // The fall at the boundary before sample k; a frame may end before the outer mean does.
    let fall = |k: usize, n: usize| mean(k - n, k) - mean(k, (k + n).min(values.len()));
    let (mut best, mut best_fall) = (0, 0.0);
    for k in range.clone() {
        let f = fall(k, narrow);
        if f > best_fall {
            (best, best_fall) = (k, f);
        }
    }
    if best == 0 {
        return None;
    }
    // Of several falls the outermost that is not much weaker: a sea's shore lies inside the limb.
    for k in (best + 1..range.end).rev() {
        let f = fall(k, narrow);
        if f > 0.6 * best_fall && f >= fall(k - 1, narrow) && (k + 1 >= range.end || f >= fall(k + 1, narrow)) {
            (best, best_fall) = (k, f);
            break;
        }
    }
    // Samples half a pixel apart share pixels: count half of them as independent.
    let uncertainty = f64::from(noise) * (2.0 / (narrow as f64 / 2.0).max(1.0)).sqrt();
    let significance = best_fall / uncertainty;
    if significance < 4.0 || best <= range.start || best + 1 >= range.end {
        return None;
    }
    let broad = fall(best, wide).max(1e-12);
    let sharpness = (best_fall / broad).clamp(0.0, 1.0);
    let place = best as f64 - 0.5 + parabola(fall(best - 1, narrow), best_fall, fall(best + 1, narrow));
    // For an error-function edge of width sigma the steepest slope is step / (sigma sqrt(2 pi)).
    let slope = (-1i64..=1).map(|d| fall((best as i64 + d) as usize, 1)).fold(1e-12, f64::max);
    let width = (broad / slope / (2.0 * std::f64::consts::PI).sqrt()).clamp(0.3, wide as f64);
    let clearness = (significance / 12.0).min(1.0).powi(2);
    let level = values[best - wide.min(best)..best].iter().copied().fold(0.0, f32::max);
    Some(Edge { at: place, fall: best_fall as f32, level, weight: clearness * sharpness * sharpness, clearness, width })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A disc of radius 40 in a frame that ends six pixels beyond its limb on the right, and within it on the left.
    #[test]
    fn a_frames_edge_beyond_the_limb_ends_a_ray_and_one_within_it_takes_it_away() {
        let (width, height, centre) = (76usize, 100usize, PixelPoint::new(30.0, 50.0));
        let data = (0..width * height)
            .map(|i| {
                let (x, y) = ((i % width) as f64 + 0.5 - centre.x, (i / width) as f64 + 0.5 - centre.y);
                (0.5 * (40.5 - x.hypot(y)).clamp(0.0, 1.0)) as f32
            })
            .collect();
        let plane = Plane::from_data(width, height, data).unwrap();
        let metric = Metric::new([[1.0, 0.0], [0.0, 1.0]]);
        let search = LimbSearch {
            centre,
            metric,
            radius: 40.0,
            reach: 12.0,
            noise: 0.002,
            by_profile: false,
            to_the_last: false,
            faint_too: false,
        };
        let points = limb_points(&plane, &search);
        assert!(points.iter().all(|p| (p.x.hypot(p.y) - 40.0).abs() < 0.5), "each is of the limb");
        let right = points.iter().filter(|p| p.y.abs() < 0.3 * p.x).count();
        let left = points.iter().filter(|p| p.x < -30.5).count();
        assert!(right > 20 && left == 0, "{right} {left}");
    }

    /// A half-eclipsed disc of radius 60 that darkens towards its terminator, out of focus by a Gaussian of `sigma_px`.
    fn out_of_focus(sigma_px: f64) -> Vec<LimbPoint> {
        let (side, centre) = (200usize, PixelPoint::new(100.3, 99.6));
        let data = (0..side * side)
            .map(|i| {
                let (x, y) = ((i % side) as f64 + 0.5 - centre.x, (i / side) as f64 + 0.5 - centre.y);
                let lit = (0.5 + x / 70.0).clamp(0.0, 1.0);
                (0.4 * lit * (60.5 - x.hypot(y)).clamp(0.0, 1.0)) as f32
            })
            .collect();
        let plane = Plane::from_data(side, side, data).unwrap().blurred(sigma_px);
        let search = LimbSearch {
            centre,
            metric: Metric::new([[1.0, 0.0], [0.0, 1.0]]),
            radius: 60.0,
            reach: 12.0,
            noise: 0.0005,
            by_profile: true,
            to_the_last: false,
            faint_too: false,
        };
        limb_points(&plane, &search).into_iter().filter(|p| p.x > 30.0).collect()
    }

    #[test]
    fn a_limb_out_of_focus_stays_in_its_place_and_says_how_wide_it_is() {
        for sigma_px in [1.0, 3.0, 4.0, 5.0] {
            let points = out_of_focus(sigma_px);
            let mean = |f: &dyn Fn(&LimbPoint) -> f64| points.iter().map(f).sum::<f64>() / points.len() as f64;
            let (off, width) = (mean(&|p| p.x.hypot(p.y) - 60.0), mean(&|p| p.width_px));
            println!("out of focus by {sigma_px} px: the limb {off:+.2} px off, {width:.2} px wide");
            assert!(points.len() > 60 && off.abs() < f64::max(0.25, 0.06 * sigma_px), "{sigma_px}: {off:.2}");
            assert!((width / sigma_px - 1.0).abs() < 0.4, "{sigma_px}: {width:.2}");
        }
    }
}
