//! Where a disc might be: edge points vote for the centre they point to.
//!
//! The circle Hough transform with gradient direction (Kimme, Ballard & Sklansky 1975, Comm. ACM
//! 18, 120). An edge votes at a radius along the direction in which it grows brighter, so the
//! limb's votes meet in the centre, whether a third of it is seen or all; the umbra's edge bulges
//! the other way and its votes fly apart. Only edges that are steepest along their own gradient
//! vote, so a glow does not.

use super::frame::BESIDE_IGNORED_PX;
use super::sky_level::SkyLevel;
use crate::raster::{CodedPlane, PixelPoint, PixelRect, Plane};
use rayon::prelude::*;
use std::cell::RefCell;

/// A place and radius where the votes met.
#[derive(Clone, Copy, Debug)]
pub(super) struct Candidate {
    pub centre: PixelPoint,
    pub radius_px: f64,
    /// Share of the circumference that voted, 0..about 1.
    pub support: f64,
}

struct Edge {
    x: f32,
    y: f32,
    gx: f32,
    gy: f32,
    weight: f32,
}

thread_local! {
    /// Each thread's plane of votes, all zero between uses: fresh memory for every radius of every
    /// frame costs more than the votes themselves.
    static VOTES: RefCell<Vec<f32>> = const { RefCell::new(Vec::new()) };
}

/// Least slope of the log-like scale per pixel that counts as an edge: five times what the
/// noise of a smoothed sky gives.
const LEAST_SLOPE: f32 = 0.35;
const MOST_EDGES: usize = 120_000;
/// Fewer edges than this do not run round the smallest disc of a level, 9 pixels in radius.
const FEW_EDGES: usize = 56;

/// Side of the tiles that are looked at or passed over, pixels.
const TILE: usize = 64;
/// Pixels around a tile that its blur and slopes reach.
const MARGIN: i64 = 6;
/// Blocks of pixels whose means tell whether anything is in a tile.
const BLOCK: usize = 4;

/// The tiles in which the light varies more than the noise: most of a night sky is passed over unseen.
fn busy_tiles(plane: &CodedPlane, sky: &SkyLevel) -> Vec<PixelRect> {
    let coarse = plane.glanced(BLOCK);
    let (w, h) = (coarse.width(), coarse.height());
    let (columns, rows) = (plane.width().div_ceil(TILE), plane.height().div_ceil(TILE));
    let mut busy = vec![false; columns * rows];
    let side = TILE / BLOCK;
    // The log-like scale's slope stands for the scale: no logarithm for each block.
    let scale_of = |tx: usize, ty: usize| {
        let middle = |t: usize| (t * TILE + TILE / 2) as f64;
        (sky.at(middle(tx), middle(ty)), 1.0 / (3.0 * sky.noise_at(middle(tx), middle(ty))))
    };
    let least = least_rise(&coarse, |x, y| scale_of(x / side, y / side).1);
    for (ty, tx) in (0..rows).flat_map(|ty| (0..columns).map(move |tx| (ty, tx))) {
        let (level, scale) = scale_of(tx, ty);
        for y in ty * side..((ty + 1) * side).min(h) {
            for x in tx * side..((tx + 1) * side).min(w) {
                let here = coarse.get(x, y);
                let beside = if x + 1 < w { (coarse.get(x + 1, y) - here).abs() } else { 0.0 };
                let below = if y + 1 < h { (coarse.get(x, y + 1) - here).abs() } else { 0.0 };
                let rise = beside.max(below) * scale;
                if rise <= least {
                    continue;
                }
                let unit = (here - level) * scale;
                if rise > least * (1.0 + unit * unit).sqrt() {
                    // The edge may lie in either block, and the next tile may hold its neighbour.
                    for (bx, by) in [(x, y), (x + 1, y + 1)] {
                        let tile = (by * BLOCK / TILE).min(rows - 1) * columns + (bx * BLOCK / TILE).min(columns - 1);
                        busy[tile] = true;
                    }
                }
            }
        }
    }
    (0..busy.len())
        .filter(|i| busy[*i])
        .map(|i| {
            let (x0, y0) = ((i % columns * TILE) as i64, (i / columns * TILE) as i64);
            PixelRect { x0, y0, x1: x0 + TILE as i64, y1: y0 + TILE as i64 }
        })
        .collect()
}

/// The least rise of the log-like scale between neighbouring blocks that is more than noise.
///
/// A little over half a unit is less than any edge that counts makes. A camera's noise reduction and a JPEG's blocks
/// leave noise that means over blocks do not quieten: then six standard deviations of the blocks themselves, which one
/// block in a billion passes by chance.
fn least_rise(coarse: &Plane, scale: impl Fn(usize, usize) -> f32) -> f32 {
    let (w, h) = (coarse.width(), coarse.height());
    // Second differences: a glow that rises evenly over half the frame is no noise. Of three blocks each of standard
    // deviation s they have s times the root of six, a rise has s times the root of two.
    let mut bends: Vec<f32> = (0..w * h)
        .step_by((w * h / 20_000).max(1) | 1)
        .map(|i| (i % w, i / w))
        .filter(|(x, _)| *x > 0 && x + 1 < w)
        .map(|(x, y)| {
            let bend = coarse.get(x + 1, y) - 2.0 * coarse.get(x, y) + coarse.get(x - 1, y);
            bend.abs() * scale(x, y) / 3.0f32.sqrt()
        })
        .collect();
    if bends.is_empty() {
        return 0.6;
    }
    // The lower quartile, a third (0.3186) of a normal deviation: lights of a town fill less than three quarters.
    let quarter = bends.len() / 4;
    let sigma = *bends.select_nth_unstable_by(quarter, f32::total_cmp).1 / 0.3186;
    (6.0 * sigma).max(0.6)
}

/// On which scale edges are looked for.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Brightness {
    /// Relative to the sky and its noise, log-like: the copper of totality stands as clear as the full Moon.
    OverSky,
    /// The square root of light, near what a file codes: a clipped disc in its own glow stands out of the glow, and
    /// of the cloud that is lit by it, as an eye sees it.
    AsCoded,
}

/// Least slope of the square root of light per pixel that counts as an edge: five of a hundred or so steps that an eye
/// tells apart on a print.
const LEAST_CODED_SLOPE: f32 = 0.02;

/// Edge points of one tile. `bar`: how steep an edge must be, of what usually counts.
fn edges_in(plane: &CodedPlane, sky: &SkyLevel, tile: PixelRect, scale: Brightness, bar: f32) -> Vec<Edge> {
    let reach = PixelRect { x0: tile.x0 - MARGIN, y0: tile.y0 - MARGIN, x1: tile.x1 + MARGIN, y1: tile.y1 + MARGIN };
    let (mut window, at) = plane.window(reach);
    let (smooth, least) = match scale {
        Brightness::OverSky => {
            (sky.compressed(window, (at.x0 as f64, at.y0 as f64), 1.0).blurred(1.0), bar * LEAST_SLOPE)
        }
        Brightness::AsCoded => {
            window.data_mut().iter_mut().for_each(|v| *v = v.max(0.0).sqrt());
            let (x, y) = ((tile.x0 + tile.x1) as f64 / 2.0, (tile.y0 + tile.y1) as f64 / 2.0);
            let (level, noise) = (sky.at(x, y), sky.noise_at(x, y));
            let coded_noise = noise / (2.0 * level.max(noise).max(1e-6).sqrt());
            // As on the other scale: five times what the noise of a smoothed sky gives, whatever the bar.
            (window.blurred(1.0), (bar * LEAST_CODED_SLOPE).max(3.0 * LEAST_SLOPE * coded_noise))
        }
    };
    let (w, h) = (smooth.width() as i64, smooth.height() as i64);
    let slope = |x: i64, y: i64| {
        let value = |x: i64, y: i64| smooth.get(x as usize, y as usize);
        ((value(x + 1, y) - value(x - 1, y)) / 2.0, (value(x, y + 1) - value(x, y - 1)) / 2.0)
    };
    let mut out = Vec::new();
    for y in (tile.y0 - at.y0).max(2)..(tile.y1 - at.y0).min(h - 2) {
        for x in (tile.x0 - at.x0).max(2)..(tile.x1 - at.x0).min(w - 2) {
            let (gx, gy) = slope(x, y);
            // Most of a night is below the bar: no root before it is passed.
            let square = gx * gx + gy * gy;
            if square < least * least {
                continue;
            }
            let m = square.sqrt();
            // Steepest along its own direction, to the nearest pixel.
            let (sx, sy) = ((gx / m).round() as i64, (gy / m).round() as i64);
            let steeper = |s: (f32, f32)| s.0 * s.0 + s.1 * s.1 > square;
            if steeper(slope(x + sx, y + sy)) || steeper(slope(x - sx, y - sy)) {
                continue;
            }
            out.push(Edge {
                x: (at.x0 + x) as f32 + 0.5,
                y: (at.y0 + y) as f32 + 0.5,
                gx: gx / m,
                gy: gy / m,
                weight: m / least,
            });
        }
    }
    out
}

/// Edges of a plane on a scale, each with the weight of its vote, 0..1.
fn edges(plane: &CodedPlane, sky: &SkyLevel, tiles: &[PixelRect], scale: Brightness) -> Vec<Edge> {
    let found = |bar: f32| -> Vec<Edge> {
        let mut found: Vec<Edge> =
            tiles.par_iter().flat_map_iter(|tile| edges_in(plane, sky, *tile, scale, bar)).collect();
        if !plane.ignored().is_empty() {
            found.retain(|e| !plane.is_ignored(e.x.into(), e.y.into(), BESIDE_IGNORED_PX));
        }
        found
    };
    let mut out = found(1.0);
    if out.len() < FEW_EDGES {
        // A frame so quiet may show a disc without a sharp edge: in mist, out of focus, hardly above its own glow.
        out = found(0.5);
    }
    if out.is_empty() {
        return out;
    }
    if out.len() > MOST_EDGES {
        // A cluttered frame: keep the strongest.
        out.select_nth_unstable_by(MOST_EDGES, |a, b| b.weight.total_cmp(&a.weight));
        out.truncate(MOST_EDGES);
    }
    let full = match scale {
        Brightness::OverSky => 2.0,
        // The strongest edges of the frame count in full, whatever is strong in it.
        Brightness::AsCoded => {
            let mut weights: Vec<f32> = out.iter().map(|e| e.weight).collect();
            let at = weights.len() * 9 / 10;
            0.5 * *weights.select_nth_unstable_by(at, f32::total_cmp).1
        }
    };
    out.iter_mut().for_each(|e| e.weight = (e.weight / full.max(2.0)).min(1.0));
    out
}

/// Peaks of the votes for one radius (pixels of the reduced plane).
///
/// Votes lie in a plane, but only cells that got one are looked at: a night sky has few edges.
fn peaks(
    votes: &mut Vec<f32>,
    edges: &[Edge],
    (width, height): (usize, usize),
    radius: f32,
    keep: usize,
) -> Vec<Candidate> {
    let spread = (0.07 * radius).max(1.0);
    let reach = (2.2 * spread).ceil() as usize;
    // Centres may lie outside the frame by up to a radius.
    let margin = radius.ceil() as usize + reach + 1;
    let (w, h) = (width + 2 * margin, height + 2 * margin);
    // The plane is handed from radius to radius; only cells that got a vote are cleared again.
    if votes.len() < w * h {
        // A new one: the system hands out zeroed pages, and most are never touched.
        *votes = vec![0.0; w * h];
    }
    let mut cells = Vec::with_capacity(edges.len());
    for e in edges {
        let x = (e.x + e.gx * radius + margin as f32) as usize;
        let y = (e.y + e.gy * radius + margin as f32) as usize;
        if x >= reach && y >= reach && x + reach < w && y + reach < h {
            let cell = y * w + x;
            if votes[cell] == 0.0 {
                cells.push(cell);
            }
            votes[cell] += e.weight;
        }
    }
    let side = 2 * reach + 1;
    let kernel: Vec<f32> = (0..side * side)
        .map(|i| {
            let (dx, dy) = ((i % side) as f32 - reach as f32, (i / side) as f32 - reach as f32);
            (-0.5 * (dx * dx + dy * dy) / (spread * spread)).exp()
        })
        .collect();
    let norm = 1.0 / (2.0 * std::f32::consts::PI * radius);
    let mut found: Vec<(f32, usize)> = cells
        .iter()
        .filter_map(|&cell| {
            let (cx, cy) = (cell % w, cell / w);
            let mut sum = 0.0;
            for dy in 0..side {
                let row = &votes[(cy + dy - reach) * w + cx - reach..][..side];
                sum += kernel[dy * side..(dy + 1) * side].iter().zip(row).map(|(k, v)| k * v).sum::<f32>();
            }
            (sum * norm > 0.06).then_some((sum * norm, cell))
        })
        .collect();
    cells.into_iter().for_each(|cell| votes[cell] = 0.0);
    found.sort_by(|a, b| b.0.total_cmp(&a.0).then(a.1.cmp(&b.1)));
    let mut kept: Vec<Candidate> = Vec::new();
    for (support, cell) in found {
        let centre = PixelPoint::new((cell % w) as f64 + 0.5 - margin as f64, (cell / w) as f64 + 0.5 - margin as f64);
        if kept.iter().all(|k| k.centre.distance(centre) > 0.3 * f64::from(radius)) {
            kept.push(Candidate { centre, radius_px: f64::from(radius), support: f64::from(support) });
            if kept.len() == keep {
                break;
            }
        }
    }
    kept
}

/// One reduced level of the frame and the radii looked for in it, in full-resolution pixels.
struct Level {
    factor: usize,
    from_px: f64,
    to_px: f64,
}

fn levels(from_px: f64, to_px: f64) -> Vec<Level> {
    let mut out: Vec<Level> = Vec::new();
    let mut low = from_px;
    // Each level looks for discs of some 9 to 20 of its own pixels, and is reduced from the one before.
    while out.is_empty() || low < to_px * 0.999 {
        let mut high = (low * 2.2).min(to_px).max(low);
        // A little more is not worth another copy of the frame.
        if to_px < 1.35 * high {
            high = to_px.max(low);
        }
        let before = out.last().map_or(1, |l| l.factor);
        let factor = before * ((low / 9.0 / before as f64).floor() as usize).max(1);
        out.push(Level { factor, from_px: low, to_px: high });
        low = high;
    }
    out
}

/// A reduced copy of a frame (or the frame itself), and the candidates that showed on it, in its own pixels.
pub(super) struct Sifted<'a> {
    /// How many of the frame's pixels one of the copy's spans, along a side.
    pub factor: usize,
    /// The least radius that was looked for on it, pixels of the frame.
    pub from_px: f64,
    /// The copy; `None` for the frame itself.
    pub copy: Option<CodedPlane>,
    frame: &'a CodedPlane,
    pub sky: SkyLevel,
    /// Candidates, best first.
    pub candidates: Vec<Candidate>,
}

impl Sifted<'_> {
    /// The pixels in which the candidates are given.
    pub fn plane(&self) -> &CodedPlane {
        self.copy.as_ref().unwrap_or(self.frame)
    }
}

/// How many candidates of a copy and a scale of brightness are looked at.
struct Keep {
    /// Whatever they look like.
    any: usize,
    /// Those that are round: over a town the Moon is one light among many.
    round: usize,
}

/// Share of the circumference that a round light's votes make up at least.
const ROUND: f64 = 0.3;

impl Keep {
    /// `factor`: by how much the copy is reduced. A Moon of a few pixels gets few votes, and its rivals are many; of large lights the
    /// lamps of a street, out of focus, make two dozen.
    fn of(factor: usize) -> Keep {
        let round = (80 / factor).max(32);
        Keep { any: if factor == 1 { round } else { 8 }, round }
    }
}

/// Candidates of radii between two bounds (pixels of the full frame), level by level, the largest radii first.
/// [`Keep`] says how many of each level and scale of brightness stay.
pub(super) fn candidates(frame: &CodedPlane, from_px: f64, to_px: f64) -> Vec<Sifted<'_>> {
    let mut out: Vec<Sifted<'_>> = Vec::new();
    for level in levels(from_px, to_px) {
        let (from, by) = out.last().map_or((frame, level.factor), |l| (l.plane(), level.factor / l.factor));
        let copy = (by > 1).then(|| from.reduced_copy(by));
        let copy = copy.or_else(|| (level.factor > 1).then(|| from.clone()));
        let plane = copy.as_ref().unwrap_or(frame);
        if plane.width() < 8 || plane.height() < 8 {
            // A disc that large does not fit this frame.
            continue;
        }
        let sky = SkyLevel::measure(plane);
        let candidates = sift(plane, &sky, &level, &Keep::of(level.factor));
        out.push(Sifted { factor: level.factor, from_px: level.from_px, copy, frame, sky, candidates });
    }
    out.reverse();
    out
}

fn sift(plane: &CodedPlane, sky: &SkyLevel, level: &Level, keep: &Keep) -> Vec<Candidate> {
    let size = (plane.width(), plane.height());
    let (low, high) = (level.from_px / level.factor as f64, level.to_px / level.factor as f64);
    let steps = ((high / low).ln() / 0.07).ceil().max(1.0) as usize;
    let radii: Vec<f64> = (0..=steps).map(|i| low * (high / low).powf(i as f64 / steps as f64)).collect();
    let tiles = busy_tiles(plane, sky);
    let mut out: Vec<Candidate> = Vec::new();
    for scale in [Brightness::OverSky, Brightness::AsCoded] {
        let edges = edges(plane, sky, &tiles, scale);
        let found: Vec<Candidate> = radii
            .par_iter()
            .flat_map_iter(|r| VOTES.with_borrow_mut(|votes| peaks(votes, &edges, size, *r as f32, keep.round)))
            .collect();
        for c in distinct(found, keep) {
            if !out.iter().any(|d| is_same(d, &c)) {
                out.push(c);
            }
        }
    }
    out
}

fn is_same(a: &Candidate, b: &Candidate) -> bool {
    a.centre.distance(b.centre) < 0.3 * a.radius_px.max(b.radius_px) && (a.radius_px / b.radius_px).ln().abs() < 0.2
}

/// The best of one scale, one for each place.
fn distinct(mut found: Vec<Candidate>, keep: &Keep) -> Vec<Candidate> {
    found.sort_by(|a, b| {
        b.support.total_cmp(&a.support).then(a.centre.x.total_cmp(&b.centre.x)).then(a.centre.y.total_cmp(&b.centre.y))
    });
    // A thin crescent has a quarter of the votes of a street lamp; a tenth is chance.
    let least = 0.1 * found.first().map_or(0.0, |c| c.support);
    let mut distinct: Vec<Candidate> = Vec::new();
    for c in found.into_iter().take_while(|c| c.support > least) {
        let room = if c.support > ROUND { keep.round } else { keep.any };
        if distinct.len() >= room {
            break;
        }
        if !distinct.iter().any(|d| is_same(d, &c)) {
            distinct.push(c);
        }
    }
    distinct
}
