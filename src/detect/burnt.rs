//! A small disc whose lit part is burnt, placed by the shape of what is white.
//!
//! Stops beyond white the lens's glow carries the edge of the white past the limb, by pixels on the lit side and less along the
//! shadow: no circle of the Moon's size lies along it. What is white is then as large, and lies to one side, as where the light by
//! the ephemeris, spread by a lens, is brightest over the same area: of how much beyond white it was taken, and by which curve of
//! tones, nothing need be known. Two lenses, one sharp and one that glows, say how much the answer rests on theirs.
//! Neglected: seas, bleeding along columns, and ghosts that run together with the disc.

use super::frame::View;
use super::metric::Metric;
use super::small_disc::Shading;
use crate::raster::{PixelPoint, Plane};

/// White, as cameras have it: some curves end at code 240 or so, and noise goes on below.
pub(crate) const WHITE: f32 = 0.75;
/// How much darker its darkest tenth is than its brightest, at most: seas and craters differ by more, noise by less.
const FLAT: f32 = 0.82;
/// Cells a pixel's side is divided into.
const FINE: usize = 3;
/// A lens as Gaussians: their shares of the light, and their widths in pixels.
type Lens = &'static [(f32, f64)];
const SHARP: Lens = &[(1.0, 1.0)];
const GLOWING: Lens = &[(0.8, 1.0), (0.15, 2.5), (0.04, 6.0), (0.01, 12.0)];
/// Least share of the disc's area that is white: less is a sliver, and the limb beside it tells more.
const LEAST_WHITE: f64 = 0.15;
/// What is white is at least as large as this share of what is lit: of a Moon that is not burnt only the highlands pass for white.
const LEAST_OF_LIT: f64 = 0.92;
/// And lit is what has this share of the brightest light.
const LIT: f32 = 0.1;
/// Least agreement of the two shapes, their common part over both together: a roof or a bough before the disc leaves less.
const LEAST_AGREEMENT: f64 = 0.75;
/// What pixels of a few make uncertain at best.
const FLOOR_PX: f64 = 0.1;

/// What the white of a disc says of its place.
#[derive(Clone, Copy, Debug)]
pub(crate) enum Burnt {
    /// Too little of it is white to ask.
    Hardly,
    /// Here it stands.
    At(PixelPoint, f64),
    /// The white has not the shape that the shadow's light would have, or runs out of sight.
    Shapeless,
}

/// The white of a view: its pixels, and their middle.
struct White {
    inside: Vec<bool>,
    count: usize,
    middle: (f64, f64),
    /// Whether it runs out of the view, or into what shows nothing.
    is_cut: bool,
}

/// Places a disc of a known radius (rectified) near a place of the frame, with its standard deviation, pixels; `shading` is the
/// shadow's light over it, where that is known.
pub(super) fn place(
    view: &View,
    near: PixelPoint,
    (metric, radius): (Metric, f64),
    shading: Option<Shading<'_>>,
) -> Burnt {
    let area = std::f64::consts::PI * (radius * metric.stretch()).powi(2);
    let Some(white) = white_of(view, view.inside(near), radius * metric.largest_stretch())
        .filter(|white| white.count as f64 >= LEAST_WHITE * area && white.is_flat(view))
    else {
        return Burnt::Hardly;
    };
    let Some(shading) = shading.filter(|_| !white.is_cut) else { return Burnt::Shapeless };
    let spread = light(view, (metric, radius), shading);
    let brightest = spread.data().iter().copied().fold(0.0, f32::max);
    let lit = spread.data().iter().filter(|v| **v >= LIT * brightest).count() as f64 / (FINE * FINE) as f64;
    if (white.count as f64) < LEAST_OF_LIT * lit {
        return Burnt::Hardly;
    }
    let tries: Vec<(f64, (f64, f64))> =
        [SHARP, GLOWING].iter().filter_map(|lens| compared(view, &white, &through(&spread, lens))).collect();
    let best = tries.iter().map(|t| t.0).fold(0.0, f64::max);
    if best < LEAST_AGREEMENT {
        return Burnt::Shapeless;
    }
    // The one that agrees better counts for more, as the square of what it lacks.
    let weight = |agreement: f64| (1.02 - agreement).powi(-2);
    let all: f64 = tries.iter().map(|t| weight(t.0)).sum();
    let mean = |of: fn(&(f64, f64)) -> f64| tries.iter().map(|t| weight(t.0) * of(&t.1)).sum::<f64>() / all;
    let (x, y) = (mean(|p| p.0), mean(|p| p.1));
    let apart = tries.iter().map(|(_, p)| (p.0 - x).hypot(p.1 - y)).fold(0.0, f64::max);
    let shapeless = (1.0 - best) * radius * metric.stretch();
    let centre = PixelPoint::new(x + view.at.x0 as f64, y + view.at.y0 as f64);
    Burnt::At(centre, FLOOR_PX.hypot(0.5 * apart).hypot(0.5 * shapeless))
}

impl White {
    /// Whether it is even, as what is burnt is.
    fn is_flat(&self, view: &View) -> bool {
        let pixels = view.plane.data().iter().zip(&self.inside);
        let mut values: Vec<f32> = pixels.filter(|(_, inside)| **inside).map(|(value, _)| *value).collect();
        values.sort_by(f32::total_cmp);
        let at = |tenths: usize| values[(values.len() - 1) * tenths / 10];
        !values.is_empty() && at(1) >= FLAT * at(9)
    }
}

/// The largest patch of white near a place.
fn white_of(view: &View, near: PixelPoint, reach: f64) -> Option<White> {
    let (w, h) = (view.plane.width(), view.plane.height());
    let is_white = |i: usize| view.plane.data()[i] >= WHITE;
    let mut seen = vec![false; w * h];
    let mut best: Option<White> = None;
    for start in 0..w * h {
        if seen[start] || !is_white(start) {
            continue;
        }
        let (mut inside, mut stack) = (vec![false; w * h], vec![start]);
        let (mut count, mut sum) = (0usize, (0.0, 0.0));
        seen[start] = true;
        while let Some(i) = stack.pop() {
            inside[i] = true;
            count += 1;
            let (x, y) = (i % w, i / w);
            sum = (sum.0 + x as f64 + 0.5, sum.1 + y as f64 + 0.5);
            let around =
                [(x > 0, i.wrapping_sub(1)), (x + 1 < w, i + 1), (y > 0, i.wrapping_sub(w)), (y + 1 < h, i + w)];
            for (_, j) in around.into_iter().filter(|(is_there, _)| *is_there) {
                if !seen[j] && is_white(j) {
                    seen[j] = true;
                    stack.push(j);
                }
            }
        }
        let middle = (sum.0 / count as f64, sum.1 / count as f64);
        let is_near = (middle.0 - near.x).hypot(middle.1 - near.y) < 1.5 * reach + 2.0;
        if is_near && best.as_ref().is_none_or(|b| count > b.count) {
            let on_edge = |i: usize| [0, w - 1].contains(&(i % w)) || [0, h - 1].contains(&(i / w));
            let is_cut = inside.iter().enumerate().any(|(i, white)| *white && on_edge(i)) || !view.ignored.is_empty();
            best = Some(White { inside, count, middle, is_cut });
        }
    }
    best
}

/// The disc's light in the middle of a view, in fine cells.
fn light(view: &View, (metric, radius): (Metric, f64), shading: Shading<'_>) -> Plane {
    let (w, h) = (view.plane.width() * FINE, view.plane.height() * FINE);
    let mut out = Plane::filled(w, h, 0.0);
    for (i, cell) in out.data_mut().iter_mut().enumerate() {
        let at = |cell: usize, cells: usize| (cell as f64 + 0.5 - cells as f64 / 2.0) / FINE as f64;
        let (u, v) = metric.to_rectified(at(i % w, w), at(i / w, h));
        let rho = u.hypot(v);
        let cover = ((radius - rho) * FINE as f64 + 0.5).clamp(0.0, 1.0);
        if cover > 0.0 {
            *cell = (cover * shading(u / radius, v / radius)) as f32;
        }
    }
    out
}

fn through(light: &Plane, lens: Lens) -> Plane {
    let mut out = Plane::filled(light.width(), light.height(), 0.0);
    for (share, width) in lens {
        let spread = light.blurred(width * FINE as f64);
        out.data_mut().iter_mut().zip(spread.data()).for_each(|(o, s)| *o += share * s);
    }
    out
}

/// How well the brightest part of a model, of the white's own area, agrees with it once their middles are laid on each other, and
/// where the disc's centre then lies in the view.
fn compared(view: &View, white: &White, model: &Plane) -> Option<(f64, (f64, f64))> {
    let (w, cells) = (view.plane.width(), model.width());
    let mut sorted = model.data().to_vec();
    let rank = white.count * FINE * FINE;
    if rank >= sorted.len() {
        return None;
    }
    sorted.select_nth_unstable_by(rank, |a, b| b.total_cmp(a));
    let least = sorted[rank].max(f32::MIN_POSITIVE);
    let bright = |i: usize| model.data()[i] >= least;
    let (mut count, mut sum) = (0usize, (0.0, 0.0));
    for i in (0..model.data().len()).filter(|i| bright(*i)) {
        count += 1;
        sum = (sum.0 + (i % cells) as f64 + 0.5, sum.1 + (i / cells) as f64 + 0.5);
    }
    let middle = (sum.0 / count.max(1) as f64 / FINE as f64, sum.1 / count.max(1) as f64 / FINE as f64);
    let by = (white.middle.0 - middle.0, white.middle.1 - middle.1);
    let (mut common, mut modelled) = (0usize, 0usize);
    for (i, is_white) in white.inside.iter().enumerate() {
        let cell = |v: f64, limit: usize| {
            let c = (v * FINE as f64).floor();
            (c >= 0.0 && c < limit as f64).then_some(c as usize)
        };
        let (x, y) = ((i % w) as f64 + 0.5 - by.0, (i / w) as f64 + 0.5 - by.1);
        let there = cell(x, cells).zip(cell(y, model.height())).is_some_and(|(x, y)| bright(y * cells + x));
        modelled += usize::from(there);
        common += usize::from(there && *is_white);
    }
    let agreement = common as f64 / (modelled + white.count - common).max(1) as f64;
    let centre = (view.plane.width() as f64 / 2.0 + by.0, view.plane.height() as f64 / 2.0 + by.1);
    Some((agreement, centre))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::raster::PixelRect;

    /// A disc of 8 px that is lit on its left, forty times beyond white, through a lens whose glow falls off as the square of the
    /// distance: neither of the two that are tried; at a place between pixels.
    fn burnt(lit_until: f64, top: f32) -> (View, PixelPoint) {
        shown(40.0, lit_until, top)
    }

    /// The same, as bright as given.
    fn shown(bright: f64, lit_until: f64, top: f32) -> (View, PixelPoint) {
        const SIDE: usize = 48;
        let at = PixelPoint::new(23.3, 24.8);
        let light = |x: f64, y: f64| {
            let (u, v) = ((x - at.x) / 8.0, (y - at.y) / 8.0);
            if u * u + v * v < 1.0 && u < lit_until { bright } else { 0.0 }
        };
        let spread = |x: f64, y: f64| {
            let mut sum = 0.0;
            for i in -24..=24 {
                for k in -24..=24 {
                    let (dx, dy) = (f64::from(i) * 0.5, f64::from(k) * 0.5);
                    let r2 = dx * dx + dy * dy;
                    sum += light(x + dx, y + dy) * 0.25 * (0.9 * (-r2 / 1.6).exp() / 5.03 + 0.004 / (1.0 + r2));
                }
            }
            sum
        };
        let mut plane = Plane::filled(SIDE, SIDE, 0.0);
        for (i, value) in plane.data_mut().iter_mut().enumerate() {
            let noise = 0.03 * ((i * 7919 % 101) as f32 / 101.0 - 0.5);
            *value = (spread((i % SIDE) as f64 + 0.5, (i / SIDE) as f64 + 0.5) as f32).min(1.0) * top + noise;
        }
        let rect = PixelRect { x0: 100, y0: 200, x1: 148, y1: 248 };
        let view = View { plane, at: rect, noise: 0.01, on_codes: false, ignored: Vec::new() };
        (view, PixelPoint::new(at.x + 100.0, at.y + 200.0))
    }

    #[test]
    fn a_burnt_crescent_is_placed_by_the_shape_of_its_white() {
        let round = Metric::new([[1.0, 0.0], [0.0, 1.0]]);
        // Some curves end below white.
        for (lit_until, top) in [(0.3, 1.0), (-0.4, 1.0), (0.0, 0.88), (2.0, 1.0)] {
            let (view, truth) = burnt(lit_until, top);
            let shading = move |u: f64, _: f64| if u < lit_until { 1.0 } else { 0.0 };
            // Where a circle laid on the white has it.
            let near = PixelPoint::new(truth.x - 4.0, truth.y);
            let Burnt::At(centre, sigma) = place(&view, near, (round, 8.0), Some(&shading)) else {
                panic!("nothing was told of {lit_until}");
            };
            let off = centre.distance(truth);
            assert!(off < 0.5 && off < 3.0 * sigma && sigma < 1.0, "{off} px off, {sigma}, lit until {lit_until}");
        }
        // A Moon that is not burnt, however bright: its seas are darker by half.
        let (mut seas, truth) = shown(0.95, 2.0, 1.0);
        seas.plane.data_mut().iter_mut().enumerate().for_each(|(i, v)| *v *= if i % 48 > 26 { 0.6 } else { 1.0 });
        let whole = |_: f64, _: f64| 1.0;
        assert!(matches!(place(&seas, truth, (round, 8.0), Some(&whole)), Burnt::Hardly));
        // What the shadow would not make is no white of the Moon's.
        let (view, truth) = burnt(0.0, 1.0);
        let other = |u: f64, _: f64| if u > 0.0 { 1.0 } else { 0.0 };
        assert!(matches!(place(&view, truth, (round, 8.0), Some(&other)), Burnt::Shapeless));
        assert!(matches!(place(&view, truth, (round, 8.0), None), Burnt::Shapeless));
        // A disc that is not white, or not evenly so, is left to its limb.
        let (mut dim, truth) = burnt(2.0, 0.6);
        assert!(matches!(place(&dim, truth, (round, 8.0), Some(&other)), Burnt::Hardly));
        dim.plane.data_mut().iter_mut().enumerate().for_each(|(i, v)| *v *= 0.7 + 1.5 * (i % 48) as f32 / 48.0);
        assert!(matches!(place(&dim, truth, (round, 8.0), Some(&other)), Burnt::Hardly));
    }
}
