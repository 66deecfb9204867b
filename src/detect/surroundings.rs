//! How plain the sky around a disc is.

use super::frame::Measured;
use crate::raster::PixelPoint;
use nalgebra::{Matrix4, Vector4};

/// What is looked at around a disc: from and to, radii, in so many rings and directions.
const FROM: f64 = 1.12;
const TO: f64 = 1.6;
const RINGS: usize = 6;
const AROUND: usize = 72;
/// Of these places the frame must show so many to tell.
const FEWEST: usize = RINGS * AROUND / 6;
/// What lies off a plain sky by more than this share of the limb's step, and so many times the noise, is no sky.
const OFF: f32 = 0.1;
const CLEAR: f32 = 4.0;
/// A place's light is the mean of five pixels, these shares of the radius apart.
const SPREAD: f64 = 0.025;

/// Share of what surrounds a disc that is no plain sky, 0..1: light that neither lies in a plane nor falls off around the disc as a
/// glow does, the ground on one side of it apart. `step` is by how much light falls over the limb. Zero where the frame shows too little.
///
/// Behind the Moon of a photograph is the sky, which a roof or a bough hides here and there: fourteen photographs show 0 to 0.02,
/// cloud, boughs and letters across (rendered) up to 0.25. Petals, tyres, letters and patterns stand among their like: of 89 circles in
/// pictures of anything, on which a phase or the Moon's face was seen by chance, two in three show more than 0.2.
pub(super) fn unrest(frame: &Measured<'_>, centre: PixelPoint, radius: f64, step: f32) -> f32 {
    let plane = frame.plane;
    let (width, height) = (plane.width() as f64, plane.height() as f64);
    let light = |x: f64, y: f64| {
        let shown = x >= 0.0 && y >= 0.0 && x < width && y < height && !plane.is_ignored(x, y, 0.0);
        shown.then(|| plane.get(x as usize, y as usize))
    };
    let apart = (SPREAD * radius).max(0.5);
    let places: Vec<(Vector4<f64>, f32)> = (0..RINGS * AROUND)
        .filter_map(|i| {
            let (sin, cos) = ((i % AROUND) as f64 / AROUND as f64 * std::f64::consts::TAU).sin_cos();
            let rho = FROM + (TO - FROM) * (i / AROUND) as f64 / (RINGS - 1) as f64;
            let (x, y) = (centre.x + radius * rho * cos, centre.y + radius * rho * sin);
            let beside = [(0.0, 0.0), (apart, 0.0), (-apart, 0.0), (0.0, apart), (0.0, -apart)];
            let sum: Option<f32> = beside.iter().map(|(dx, dy)| light(x + dx, y + dy)).sum();
            Some((Vector4::new(1.0, rho * cos, rho * sin, rho.powi(-2)), sum? / beside.len() as f32))
        })
        .collect();
    if places.len() < FEWEST || !(step > 0.0 && step < f32::MAX) {
        return 0.0;
    }
    let noise = frame.sky.noise_at(centre.x, centre.y) / 5f32.sqrt();
    let most = (OFF * step).max(CLEAR * noise);
    let off = plain_sky(&places, most);
    let mut directions = [Direction::default(); AROUND];
    for ((terms, _), off) in places.iter().zip(&off) {
        let turn = (terms.z.atan2(terms.y) / std::f64::consts::TAU).rem_euclid(1.0);
        let direction = &mut directions[(turn * AROUND as f64).round() as usize % AROUND];
        direction.off += usize::from(off.abs() > most);
        direction.darker += usize::from(*off < -most);
    }
    let ground = ground(&directions);
    let no_sky = directions.iter().zip(ground).map(|(direction, is_ground)| if is_ground { 0 } else { direction.off });
    no_sky.sum::<usize>() as f32 / places.len() as f32
}

/// How many places in one direction are no sky, and darker than it.
#[derive(Clone, Copy, Default)]
struct Direction {
    off: usize,
    darker: usize,
}

/// Which directions a roof, a hill or a wall hides: one run of them, of not much more than half a circle, in each of which something
/// is no sky, and nearly all of that is darker.
fn ground(directions: &[Direction; AROUND]) -> [bool; AROUND] {
    const MOST: usize = AROUND * 11 / 20;
    const DARKER: f64 = 0.9;
    let is_off = |i: usize| directions[i % AROUND].off > 0;
    let mut hidden = [false; AROUND];
    let begins = (0..AROUND).filter(|&i| is_off(i) && !is_off(i + AROUND - 1));
    let length = |begin: usize| (begin..begin + AROUND).take_while(|&i| is_off(i)).count();
    let Some(begin) = begins.max_by_key(|&begin| length(begin)) else { return hidden };
    let run = begin..begin + length(begin);
    let of_run = |of: fn(&Direction) -> usize| run.clone().map(|i| of(&directions[i % AROUND])).sum::<usize>() as f64;
    if run.len() <= MOST && of_run(|d| d.darker) > DARKER * of_run(|d| d.off) {
        run.for_each(|i| hidden[i % AROUND] = true);
    }
    hidden
}

/// By how much each place lies off the plain sky that most of them agree on: least squares reweighted by Cauchy's function, on a
/// scale of half of `most`.
fn plain_sky(places: &[(Vector4<f64>, f32)], most: f32) -> Vec<f32> {
    const ROUNDS: usize = 10;
    let scale = f64::from(most) / 2.0;
    let mut sorted: Vec<f32> = places.iter().map(|(_, light)| *light).collect();
    let middle = places.len() / 2;
    let median = *sorted.select_nth_unstable_by(middle, f32::total_cmp).1;
    let mut off: Vec<f32> = places.iter().map(|(_, light)| light - median).collect();
    for _ in 0..ROUNDS {
        let (mut normal, mut right) = (Matrix4::identity() * 1e-9, Vector4::zeros());
        for ((terms, light), off) in places.iter().zip(&off) {
            let weight = 1.0 / (1.0 + (f64::from(*off) / scale).powi(2));
            normal += terms * terms.transpose() * weight;
            right += terms * (f64::from(*light) * weight);
        }
        let Some(solver) = normal.cholesky() else { break };
        let sky = solver.solve(&right);
        for ((terms, light), off) in places.iter().zip(&mut off) {
            *off = light - sky.dot(terms) as f32;
        }
    }
    off
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::raster::{CodedPlane, Plane};

    /// How restless it is around a disc of radius 30 at (100, 80) whose limb is a step of a half, before a sky as given.
    fn around(sky: impl Fn(f64, f64) -> f64) -> f32 {
        let (width, height) = (200usize, 160usize);
        let light = |i: usize| {
            let (x, y) = ((i % width) as f64 + 0.5 - 100.0, (i / width) as f64 + 0.5 - 80.0);
            (sky(x, y) + 0.5 * (30.5 - x.hypot(y)).clamp(0.0, 1.0)) as f32
        };
        let plane = Plane::from_data(width, height, (0..width * height).map(light).collect()).unwrap();
        let plane = CodedPlane::from_light(plane);
        unrest(&Measured::new(&plane), PixelPoint::new(100.0, 80.0), 30.0, 0.5)
    }

    #[test]
    fn dusk_and_glow_are_a_plain_sky_and_a_pattern_is_none() {
        assert!(around(|_, _| 0.01) < 0.01);
        // Dusk, and a glow as a lens's.
        assert!(around(|x, y| 0.2 + 0.001 * x - 0.0006 * y) < 0.01);
        assert!(around(|x, y| 30.0 / x.hypot(y).max(30.0).powi(2)) < 0.05);
        // A roof below it, at its limb, and before a quarter of it.
        for top in [34.0, 30.0, 15.0] {
            let roof = around(|_, y| if y > top { 0.0 } else { 0.2 });
            assert!(roof < 0.05, "{top}: {roof}");
        }
        // Tiles.
        let tiles =
            around(|x, y| if (x / 12.0).floor() as i64 % 2 == (y / 12.0).floor() as i64 % 2 { 0.4 } else { 0.0 });
        assert!(tiles > 0.4, "{tiles}");
    }
}
