//! Where a disc might be: edge points vote for the centre they point to.
//!
//! The circle Hough transform with gradient direction (Kimme, Ballard & Sklansky 1975, Comm. ACM
//! 18, 120). An edge votes at a radius along the direction in which it grows brighter, so the
//! limb's votes meet in the centre, whether a third of it is seen or all; the umbra's edge bulges
//! the other way and its votes fly apart. Only edges that are steepest along their own gradient
//! vote, so a glow does not.

use super::sky_level::SkyLevel;
use crate::raster::{PixelPoint, Plane};
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
    /// Each thread's plane of votes, all nil between uses: fresh memory for every radius of every
    /// frame costs more than the votes themselves.
    static VOTES: RefCell<Vec<f32>> = const { RefCell::new(Vec::new()) };
}

/// Least slope of the log-like scale per pixel that counts as an edge: five times what the
/// noise of a smoothed sky gives.
const LEAST_SLOPE: f32 = 0.35;
const MOST_EDGES: usize = 120_000;

fn edges(plane: &Plane) -> Vec<Edge> {
    let smooth = plane.blurred(1.0);
    let (w, h) = (smooth.width(), smooth.height());
    if w < 8 || h < 8 {
        return Vec::new();
    }
    let slope = |x: usize, y: usize| {
        let gx = (smooth.get(x + 1, y) - smooth.get(x - 1, y)) / 2.0;
        let gy = (smooth.get(x, y + 1) - smooth.get(x, y - 1)) / 2.0;
        (gx, gy)
    };
    let mut out: Vec<Edge> = (2..h - 2)
        .into_par_iter()
        .flat_map_iter(|y| {
            let mut row = Vec::new();
            for x in 2..w - 2 {
                let (gx, gy) = slope(x, y);
                // Most of a night is below the bar: no root before it is passed.
                let square = gx * gx + gy * gy;
                if square < LEAST_SLOPE * LEAST_SLOPE {
                    continue;
                }
                let m = square.sqrt();
                // Steepest along its own direction, to the nearest pixel.
                let (sx, sy) = ((gx / m).round() as i64, (gy / m).round() as i64);
                let ahead = slope((x as i64 + sx) as usize, (y as i64 + sy) as usize);
                let behind = slope((x as i64 - sx) as usize, (y as i64 - sy) as usize);
                let steeper = |s: (f32, f32)| s.0 * s.0 + s.1 * s.1 > square;
                if steeper(ahead) || steeper(behind) {
                    continue;
                }
                row.push(Edge {
                    x: x as f32 + 0.5,
                    y: y as f32 + 0.5,
                    gx: gx / m,
                    gy: gy / m,
                    weight: (m / (2.0 * LEAST_SLOPE)).min(1.0),
                });
            }
            row
        })
        .collect();
    if out.len() > MOST_EDGES {
        // A cluttered frame: keep the strongest.
        out.select_nth_unstable_by(MOST_EDGES, |a, b| b.weight.total_cmp(&a.weight));
        out.truncate(MOST_EDGES);
    }
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
        votes.resize(w * h, 0.0);
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
    let mut out = Vec::new();
    let mut low = from_px;
    // Each level looks for discs of some 9 to 20 of its own pixels.
    while low < to_px * 0.999 {
        let high = (low * 2.2).min(to_px);
        out.push(Level { factor: ((low / 9.0).floor() as usize).max(1), from_px: low, to_px: high });
        low = high;
    }
    if out.is_empty() {
        out.push(Level { factor: ((from_px / 9.0).floor() as usize).max(1), from_px, to_px });
    }
    out
}

/// Candidates of radii between two bounds (pixels of the full frame), best first.
pub(super) fn candidates(brightness: &Plane, from_px: f64, to_px: f64, keep: usize) -> Vec<Candidate> {
    let mut out: Vec<Candidate> = Vec::new();
    for level in levels(from_px, to_px) {
        let factor = level.factor as f64;
        let reduced = brightness.reduced(level.factor);
        if reduced.width() < 8 || reduced.height() < 8 {
            // A disc that large does not fit this frame.
            continue;
        }
        let compressed = SkyLevel::measure(&reduced).compressed(&reduced);
        let edges = edges(&compressed);
        let (low, high) = (level.from_px / factor, level.to_px / factor);
        let steps = ((high / low).ln() / 0.07).ceil().max(1.0) as usize;
        let radii: Vec<f64> = (0..=steps).map(|i| low * (high / low).powf(i as f64 / steps as f64)).collect();
        let found: Vec<Candidate> = radii
            .par_iter()
            .flat_map_iter(|r| {
                VOTES
                    .with_borrow_mut(|votes| peaks(votes, &edges, (reduced.width(), reduced.height()), *r as f32, keep))
            })
            .collect();
        out.extend(found.into_iter().map(|c| Candidate {
            centre: PixelPoint::new(c.centre.x * factor, c.centre.y * factor),
            radius_px: c.radius_px * factor,
            support: c.support,
        }));
    }
    out.sort_by(|a, b| {
        b.support.total_cmp(&a.support).then(a.centre.x.total_cmp(&b.centre.x)).then(a.centre.y.total_cmp(&b.centre.y))
    });
    let mut distinct: Vec<Candidate> = Vec::new();
    for c in out {
        let same = |d: &Candidate| {
            d.centre.distance(c.centre) < 0.3 * d.radius_px.max(c.radius_px)
                && (d.radius_px / c.radius_px).ln().abs() < 0.2
        };
        if !distinct.iter().any(same) {
            distinct.push(c);
            if distinct.len() == keep {
                break;
            }
        }
    }
    distinct
}
