//! The invented Saltbush Jetty: a bay to the north, a far shore, a long jetty with a boat shed,
//! lamps on posts, saltbush on the near dune. Everything stands in metres around the camera
//! (x east, y north, z up from the lens, which is 5 m above the water) and is drawn as convex
//! polygons with antialiased edges.

use super::night_sky::NightSky;
use super::painting::Painting;
use super::sky_field::{SKY_GRID, open_sky};
use crate::random::{fractal, uniform};
use crate::raster::PixelPoint;
use crate::sky::{Horizontal, Vector3};
use crate::units::Angle;

const WATER_Z: f64 = -5.0;
const DECK_Z: f64 = -2.6;
const LAMP: [f64; 3] = [1.0, 0.56, 0.20];
/// Radiance of a bare lamp relative to the full Moon.
const LAMP_RADIANCE: f64 = 2.2e-2;
/// Light that a lamp throws on a matt surface one metre away.
const LAMP_THROW: f64 = 1.1e-4;

fn deck_point(along: f64, across: f64, z: f64) -> Vector3 {
    // The jetty leaves the shore to the west of the camera and runs a little east of north.
    let start = Vector3::new(-15.0, 13.0, 0.0);
    let run = Vector3::new(0.1305, 0.9914, 0.0);
    let side = Vector3::new(0.9914, -0.1305, 0.0);
    start + run * along + side * across + Vector3::new(0.0, 0.0, z)
}

const JETTY_LENGTH: f64 = 118.0;

fn lamps() -> Vec<Vector3> {
    let mut out: Vec<Vector3> = (0..6).map(|i| deck_point(12.0 + 19.0 * f64::from(i), 1.7, DECK_Z + 3.3)).collect();
    out.push(deck_point(JETTY_LENGTH + 3.0, 3.4, DECK_Z + 2.4));
    out
}

fn lamplight(lamps: &[Vector3], p: &Vector3) -> [f64; 3] {
    let sum: f64 = lamps.iter().map(|l| 1.0 / (1.5 + (l - p).norm_squared())).sum();
    LAMP.map(|c| c * sum * LAMP_THROW)
}

impl Painting<'_> {
    fn project(&self, p: &Vector3) -> Option<PixelPoint> {
        // World x east, y north, z up; directions are north, east, zenith.
        let seen = Horizontal::from_direction(&Vector3::new(p.y, p.x, p.z));
        self.pointing.to_pixel(seen)
    }

    /// Fills the convex hull of projected points with one radiance.
    fn fill(&mut self, points: &[Vector3], radiance: [f64; 3]) {
        let projected: Option<Vec<PixelPoint>> = points.iter().map(|p| self.project(p)).collect();
        let Some(hull) = projected.map(convex_hull) else { return };
        if hull.len() < 3 {
            return;
        }
        let bound = |f: fn(&PixelPoint) -> f64, limit: usize| {
            let low = hull.iter().map(f).fold(f64::INFINITY, f64::min).floor().max(0.0) as usize;
            let high = hull.iter().map(f).fold(0.0, f64::max).ceil().min(limit as f64) as usize;
            low..high
        };
        let (xs, ys) = (bound(|p| p.x, self.width), bound(|p| p.y, self.height));
        for y in ys {
            for x in xs.clone() {
                let p = PixelPoint::new(x as f64 + 0.5, y as f64 + 0.5);
                let cover = inside(&hull, p) as f32;
                if cover > 0.0 {
                    let pixel = &mut self.radiance[y * self.width + x];
                    for c in 0..3 {
                        pixel[c] += (radiance[c] as f32 - pixel[c]) * cover;
                    }
                }
            }
        }
    }

    fn beam(&mut self, a: Vector3, b: Vector3, half: f64, radiance: [f64; 3]) {
        let mut corners = Vec::with_capacity(16);
        for end in [a, b] {
            for (dx, dy, dz) in [
                (-1.0, -1.0, -1.0),
                (1.0, -1.0, -1.0),
                (-1.0, 1.0, -1.0),
                (1.0, 1.0, -1.0),
                (-1.0, -1.0, 1.0),
                (1.0, -1.0, 1.0),
                (-1.0, 1.0, 1.0),
                (1.0, 1.0, 1.0),
            ] {
                corners.push(end + Vector3::new(dx, dy, dz) * half);
            }
        }
        self.fill(&corners, radiance);
    }
}

impl Painting<'_> {
    /// A small bright globe: a round polygon facing the camera.
    fn globe(&mut self, centre: Vector3, radius: f64, radiance: [f64; 3]) {
        let right = Vector3::new(centre.y, -centre.x, 0.0).normalize();
        let up = Vector3::new(0.0, 0.0, 1.0);
        let rim: Vec<Vector3> = (0..16)
            .map(|i| {
                let (s, c) = (f64::from(i) * std::f64::consts::TAU / 16.0).sin_cos();
                centre + (right * c + up * s) * radius
            })
            .collect();
        self.fill(&rim, radiance);
    }
}

/// Signed area test coverage of a convex polygon (clockwise on the screen), 0..1.
fn inside(hull: &[PixelPoint], p: PixelPoint) -> f64 {
    let mut nearest = f64::INFINITY;
    for i in 0..hull.len() {
        let (a, b) = (hull[i], hull[(i + 1) % hull.len()]);
        let (ex, ey) = (b.x - a.x, b.y - a.y);
        let length = ex.hypot(ey).max(1e-9);
        nearest = nearest.min((ex * (p.y - a.y) - ey * (p.x - a.x)) / length);
    }
    (nearest + 0.5).clamp(0.0, 1.0)
}

/// Convex hull (Andrew's monotone chain), clockwise on the screen.
fn convex_hull(mut points: Vec<PixelPoint>) -> Vec<PixelPoint> {
    points.sort_by(|a, b| a.x.total_cmp(&b.x).then(a.y.total_cmp(&b.y)));
    let cross = |o: &PixelPoint, a: &PixelPoint, b: &PixelPoint| (a.x - o.x) * (b.y - o.y) - (a.y - o.y) * (b.x - o.x);
    let half = |iter: &mut dyn Iterator<Item = PixelPoint>| {
        let mut chain: Vec<PixelPoint> = Vec::new();
        for p in iter {
            while chain.len() >= 2 && cross(&chain[chain.len() - 2], &chain[chain.len() - 1], &p) <= 0.0 {
                chain.pop();
            }
            chain.push(p);
        }
        chain.pop();
        chain
    };
    let mut lower = half(&mut points.iter().copied());
    lower.extend(half(&mut points.iter().rev().copied()));
    lower
}

/// Paints sky, water and jetty; `stars` and the Moon are laid by others.
pub(super) fn paint(painting: &mut Painting<'_>, sky: &NightSky, seed: u64) {
    let lamps = lamps();
    background(painting, sky, &lamps, seed);
    let ambient = sky.radiance(&Horizontal { altitude: Angle::from_degrees(40.0), azimuth: Angle::ZERO });
    let lit = |p: Vector3, tone: [f64; 3]| -> [f64; 3] {
        let lamp = lamplight(&lamps, &p);
        std::array::from_fn(|c| tone[c] * (0.35 * ambient[c] + lamp[c]))
    };
    boat_shed(painting, &lit);
    let timber = [0.30, 0.27, 0.25];
    // From the far end to the near one, so that what is nearer covers what is farther.
    let bays = (JETTY_LENGTH / 2.0) as i32;
    for bay in (0..bays).rev() {
        let along = f64::from(bay) * 2.0;
        if bay % 3 == 0 {
            for side in [-1.75, 1.75] {
                let foot = deck_point(along, side, WATER_Z);
                let cap = deck_point(along, side, DECK_Z);
                painting.beam(foot, cap, 0.13, lit(foot, [0.10, 0.10, 0.11]));
            }
        }
        for plank in 0..4 {
            let a = along + f64::from(plank) * 0.5;
            let tone = 0.75 + 0.5 * uniform(seed, (bay * 8 + plank) as u64);
            let corners = [
                deck_point(a, -1.6, DECK_Z),
                deck_point(a, 1.6, DECK_Z),
                deck_point(a + 0.46, 1.6, DECK_Z),
                deck_point(a + 0.46, -1.6, DECK_Z),
            ];
            painting.fill(&corners, lit(deck_point(a, 0.3, DECK_Z), timber.map(|t| t * tone)));
        }
        for side in [-1.7, 1.7] {
            let edge = lit(deck_point(along, side, DECK_Z), [0.12, 0.11, 0.11]);
            painting.beam(
                deck_point(along, side, DECK_Z - 0.18),
                deck_point(along + 2.0, side, DECK_Z - 0.18),
                0.09,
                edge,
            );
            let rail = lit(deck_point(along, side, DECK_Z + 1.1), [0.20, 0.18, 0.17]);
            painting.beam(
                deck_point(along, side, DECK_Z + 1.05),
                deck_point(along + 2.0, side, DECK_Z + 1.05),
                0.045,
                rail,
            );
            if bay % 2 == 0 {
                painting.beam(deck_point(along, side, DECK_Z), deck_point(along, side, DECK_Z + 1.1), 0.05, rail);
            }
        }
        for lamp in lamps.iter().take(6) {
            let foot = deck_point(along, 1.7, DECK_Z);
            if (lamp.y - foot.y).abs() < 1.0 {
                painting.beam(
                    Vector3::new(lamp.x, lamp.y, DECK_Z),
                    lamp - Vector3::new(0.0, 0.0, 0.25),
                    0.05,
                    lit(*lamp, [0.05; 3]),
                );
                painting.globe(*lamp, 0.10, LAMP.map(|c| c * LAMP_RADIANCE));
            }
        }
    }
    saltbush(painting, &ambient, seed);
}

fn boat_shed(painting: &mut Painting<'_>, lit: &dyn Fn(Vector3, [f64; 3]) -> [f64; 3]) {
    let far = JETTY_LENGTH;
    let floor = [
        deck_point(far, -5.0, DECK_Z),
        deck_point(far, 5.0, DECK_Z),
        deck_point(far + 9.0, 5.0, DECK_Z),
        deck_point(far + 9.0, -5.0, DECK_Z),
    ];
    for side in [-4.8, -1.6, 1.6, 4.8] {
        painting.beam(deck_point(far, side, WATER_Z), deck_point(far, side, DECK_Z), 0.14, [4e-9, 4e-9, 5e-9]);
    }
    painting.fill(&floor, lit(floor[0], [0.25, 0.23, 0.22]));
    let (west, east, front, back) = (-3.2, 2.8, far + 3.0, far + 8.0);
    let wall = [
        deck_point(front, west, DECK_Z),
        deck_point(front, east, DECK_Z),
        deck_point(front, east, DECK_Z + 2.8),
        deck_point(front, west, DECK_Z + 2.8),
    ];
    painting.fill(&wall, lit(deck_point(front - 0.5, 1.0, DECK_Z + 1.4), [0.34, 0.30, 0.28]));
    let gable = [
        deck_point(front, west - 0.4, DECK_Z + 2.7),
        deck_point(front, east + 0.4, DECK_Z + 2.7),
        deck_point(front, (west + east) / 2.0, DECK_Z + 4.4),
        deck_point(back, (west + east) / 2.0, DECK_Z + 4.4),
    ];
    painting.fill(&gable, lit(deck_point(front, 0.0, DECK_Z + 3.5), [0.16, 0.15, 0.16]));
    let window = [
        deck_point(front - 0.02, -2.3, DECK_Z + 1.1),
        deck_point(front - 0.02, -0.9, DECK_Z + 1.1),
        deck_point(front - 0.02, -0.9, DECK_Z + 2.1),
        deck_point(front - 0.02, -2.3, DECK_Z + 2.1),
    ];
    painting.fill(&window, [9.0e-4, 5.2e-4, 2.0e-4]);
    let lamp = lamps()[6];
    painting.globe(lamp, 0.14, LAMP.map(|c| c * LAMP_RADIANCE * 0.7));
}

/// No skyline of the far shore is higher, degrees.
const SHORE_TOP: f64 = 1.7;

/// Altitude of the far shore's skyline, degrees.
fn far_shore(azimuth: Angle) -> f64 {
    let a = azimuth.normalized_signed().degrees();
    let hills = fractal(41, [a / 13.0 + 50.0, 0.5, 0.5], 5);
    let trees = fractal(42, [a * 1.7 + 90.0, 0.5, 0.5], 3);
    (0.62 + 0.55 * hills + 0.10 * trees).clamp(0.10, SHORE_TOP)
}

fn background(painting: &mut Painting<'_>, sky: &NightSky, lamps: &[Vector3], seed: u64) {
    use rayon::prelude::*;
    let lights: Vec<(Horizontal, f64)> =
        lamps.iter().map(|l| (Horizontal::from_direction(&Vector3::new(l.y, l.x, l.z)), l.norm())).collect();
    let (pointing, width) = (painting.pointing, painting.width);
    // Open sky changes slowly; only where land or water begins does each pixel look for itself.
    open_sky(painting, sky);
    let columns = width / SKY_GRID + 2;
    let knots = columns * (painting.height / SKY_GRID + 2);
    let open: Vec<bool> = (0..knots)
        .into_par_iter()
        .map(|i| {
            let (x, y) = ((i % columns * SKY_GRID) as f64, (i / columns * SKY_GRID) as f64);
            pointing.to_sky(PixelPoint::new(x, y)).altitude.degrees() > SHORE_TOP + 0.2
        })
        .collect();
    painting.radiance.par_chunks_mut(width).enumerate().for_each(|(y, row)| {
        for (x, out) in row.iter_mut().enumerate() {
            let cell = y / SKY_GRID * columns + x / SKY_GRID;
            if [cell, cell + 1, cell + columns, cell + columns + 1].iter().all(|knot| open[*knot]) {
                continue;
            }
            let seen = pointing.to_sky(PixelPoint::new(x as f64 + 0.5, y as f64 + 0.5));
            *out = background_at(&seen, sky, &lights, seed).map(|v| v as f32);
        }
    });
}

fn background_at(seen: &Horizontal, sky: &NightSky, lights: &[(Horizontal, f64)], seed: u64) -> [f64; 3] {
    let h = seen.altitude.degrees();
    let azimuth = seen.azimuth.normalized_signed().degrees();
    let shore = if h > -1.3 * SHORE_TOP { far_shore(seen.azimuth) } else { 0.0 };
    // Half a pixel of a wide lens softens the skyline.
    let land = (0.5 - (h - shore) / 0.03).clamp(0.0, 1.0);
    if h >= 0.0 {
        let open = sky.radiance(seen);
        let dark = open.map(|v| v * 0.06);
        // A few windows on the far shore.
        let cell = (azimuth * 9.0).floor();
        let here = uniform(seed ^ 77, cell as i64 as u64);
        let lamp_height = 0.04 + 0.16 * uniform(seed ^ 78, cell as i64 as u64);
        let spot = (-((azimuth * 9.0 - cell - 0.5) / 0.2).powi(2) - ((h - lamp_height) / 0.02).powi(2)).exp();
        let window = if here > 0.86 { spot * 1.1e-4 * (here - 0.8) } else { 0.0 };
        return std::array::from_fn(|c| open[c] * (1.0 - land) + (dark[c] + window * LAMP[c]) * land);
    }
    // Water: the mirrored sky, broken by ripples that lie flatter the farther they are.
    let distance = WATER_Z / h.to_radians().tan();
    let (wx, wy) = (distance * azimuth.to_radians().sin(), distance * azimuth.to_radians().cos());
    let chop = fractal(seed ^ 91, [wx * 0.55, wy * 0.22, 3.0], 4);
    let slope = chop * (2.2 / (1.0 + distance / 60.0)) + 0.6;
    let mirrored =
        Horizontal { altitude: Angle::from_degrees((-h + 2.0 * slope).clamp(0.3, 60.0)), azimuth: seen.azimuth };
    let grazing = (1.0 - h.to_radians().sin().abs()).powi(4) * 0.86 + 0.04;
    let in_shore = ((shore * 1.3 + h) / 0.35).clamp(0.0, 1.0);
    let reflected = sky.radiance(&mirrored).map(|v| v * grazing * (1.0 - 0.75 * in_shore));
    let mut out = [reflected[0] * 0.92, reflected[1] * 0.97, reflected[2]];
    for (light, range) in lights {
        let off = (seen.azimuth - light.azimuth).normalized_signed().degrees();
        let below = -h + light.altitude.degrees();
        if off.abs() > 6.0 || -h < 5.0 / range * 40.0 {
            continue;
        }
        let width = 0.22 + 0.05 * below.abs();
        let glitter = (0.5 + 0.9 * chop).max(0.0).powi(2);
        let length = (-(below.max(0.0)) / 5.5).exp();
        let light = (-(off / width).powi(2)).exp() * length * glitter * 4.0e-5 * 30.0 / range.max(15.0);
        (0..3).for_each(|c| out[c] += light * LAMP[c]);
    }
    out
}

/// Bushes on the near dune along the bottom of the frame.
fn saltbush(painting: &mut Painting<'_>, ambient: &[f64; 3], seed: u64) {
    use rayon::prelude::*;
    let (pointing, width, first) = (painting.pointing, painting.width, painting.height * 3 / 5);
    painting.radiance.par_chunks_mut(width).enumerate().skip(first).for_each(|(y, row)| {
        for (x, pixel) in row.iter_mut().enumerate() {
            let seen = pointing.to_sky(PixelPoint::new(x as f64 + 0.5, y as f64 + 0.5));
            let (a, h) = (seen.azimuth.normalized_signed().degrees(), seen.altitude.degrees());
            let dune = -13.2 + 2.6 * (-((a - 34.0) / 13.0).powi(2)).exp() + 2.4 * (-((a + 52.0) / 14.0).powi(2)).exp();
            if h > dune + 5.5 {
                continue;
            }
            let clumps = 2.3 * fractal(seed ^ 51, [a / 5.0 + 40.0, 1.0, 0.5], 3).max(-0.2);
            let leaves = 1.1 * fractal(seed ^ 52, [a * 2.1 + 80.0, h * 2.1, 0.5], 4);
            let cover = ((dune + clumps + leaves - h) / 0.10).clamp(0.0, 1.0) as f32;
            if cover <= 0.0 {
                continue;
            }
            let leaf = 0.05 + 0.05 * fractal(seed ^ 53, [a * 4.0, h * 4.0, 2.0], 3).max(0.0);
            for c in 0..3 {
                pixel[c] += ((ambient[c] * leaf) as f32 - pixel[c]) * cover;
            }
        }
    });
}
