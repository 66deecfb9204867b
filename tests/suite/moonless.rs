//! Pictures without a Moon: what is round and bright and is none must not be called measured. And a town at moonrise,
//! where the Moon is one small clipped light among a hundred.

use crate::nights::text;
use moonloom::ingest::read_frames;
use moonloom::registration::Status;
use moonloom::solve::register;
use tempfile::TempDir;

/// A number that looks random, 0..1.
fn random(state: &mut u64) -> f64 {
    *state ^= *state << 13;
    *state ^= *state >> 7;
    *state ^= *state << 17;
    (*state >> 11) as f64 / (1u64 << 53) as f64
}

struct Canvas {
    width: usize,
    height: usize,
    light: Vec<f64>,
}

impl Canvas {
    fn new(width: usize, height: usize, sky: impl Fn(f64, f64) -> f64) -> Self {
        let light = (0..width * height).map(|i| sky((i % width) as f64 + 0.5, (i / width) as f64 + 0.5)).collect();
        Canvas { width, height, light }
    }

    /// Lays light over the canvas: cover 0..1 and what it shows.
    fn lay(&mut self, cover: impl Fn(f64, f64) -> (f64, f64)) {
        for (i, v) in self.light.iter_mut().enumerate() {
            let (share, value) = cover((i % self.width) as f64 + 0.5, (i / self.width) as f64 + 0.5);
            *v += (value - *v) * share;
        }
    }

    fn add(&mut self, light: impl Fn(f64, f64) -> f64) {
        for (i, v) in self.light.iter_mut().enumerate() {
            *v += light((i % self.width) as f64 + 0.5, (i / self.width) as f64 + 0.5);
        }
    }

    /// As an 8-bit file by sRGB, with noise.
    fn save(&self, path: &std::path::Path, seed: u64) {
        let mut state = seed.wrapping_mul(0x9e37_79b9_7f4a_7c15) | 1;
        let codes = self
            .light
            .iter()
            .map(|v| {
                let noise = (0..4).map(|_| random(&mut state) - 0.5).sum::<f64>() * 0.012;
                ((v.clamp(0.0, 1.0).powf(1.0 / 2.2) + noise) * 255.0).round().clamp(0.0, 255.0) as u8
            })
            .collect();
        let picture = image::GrayImage::from_raw(self.width as u32, self.height as u32, codes).expect("the size fits");
        picture.save(path).expect("it can be written");
    }
}

fn edge(distance: f64, blur: f64) -> f64 {
    // A logistic step: near enough to a blurred edge.
    1.0 / (1.0 + (distance / (0.6 * blur)).exp())
}

type Scene = fn(&mut Canvas, &mut u64);

/// Windows of a tower at night.
fn windows(c: &mut Canvas, state: &mut u64) {
    let (w, h) = (18.0 + 30.0 * random(state), 24.0 + 40.0 * random(state));
    let lit: Vec<f64> = (0..400).map(|_| if random(state) > 0.6 { 0.3 + 0.6 * random(state) } else { 0.02 }).collect();
    c.lay(|x, y| {
        let (column, row) = ((x / (1.8 * w)) as usize, (y / (1.6 * h)) as usize);
        let (u, v) = (x % (1.8 * w), y % (1.6 * h));
        (f64::from(u8::from(u < w && v < h)), lit[(row * 20 + column) % 400])
    });
}

/// A line chart: axes, grid, a curve.
fn chart(c: &mut Canvas, state: &mut u64) {
    let (a, b) = (0.6 + random(state), 40.0 + 60.0 * random(state));
    c.lay(|_, _| (1.0, 0.95));
    c.lay(move |x, y| {
        let curve = 240.0 + b * (x / 90.0 * a).sin();
        let grid = (x % 80.0 < 1.5) || (y % 60.0 < 1.5);
        (f64::from(u8::from((y - curve).abs() < 2.5 || grid)), if grid { 0.6 } else { 0.05 })
    });
}

/// Bars of text.
fn writing(c: &mut Canvas, state: &mut u64) {
    let words: Vec<f64> = (0..300).map(|_| random(state)).collect();
    c.lay(move |x, y| {
        let (line, letter) = ((y / 34.0) as usize, (x / 17.0) as usize);
        let inside = y % 34.0 < 20.0 && x % 17.0 < 3.0 + 9.0 * words[(line * 37 + letter) % 300];
        (f64::from(u8::from(inside && words[(line * 11 + letter) % 300] > 0.2)), 0.9)
    });
}

/// Clouds lit from below.
fn clouds(c: &mut Canvas, state: &mut u64) {
    let waves: Vec<[f64; 5]> = (0..14)
        .map(|_| std::array::from_fn(|k| if k < 2 { (random(state) - 0.5) * 0.06 } else { random(state) * 6.3 }))
        .collect();
    c.add(move |x, y| {
        let sum: f64 = waves.iter().map(|w| (w[0] * x + w[1] * y + w[2]).sin()).sum::<f64>() / 4.0;
        0.10 * (sum + 0.4).max(0.0)
    });
}

/// Tinsel: short bright strokes every way.
fn tinsel(c: &mut Canvas, state: &mut u64) {
    for _ in 0..120 {
        let (x0, y0, turn, length) =
            (random(state) * 700.0, random(state) * 500.0, random(state) * 6.3, 12.0 + 40.0 * random(state));
        let (s, co) = turn.sin_cos();
        c.lay(move |x, y| {
            let (u, v) = ((x - x0) * co + (y - y0) * s, -(x - x0) * s + (y - y0) * co);
            (edge(v.abs() - 1.5, 1.0) * edge(u.abs() - length, 2.0), 0.9)
        });
    }
}

/// A skyline: dark blocks before a lit sky.
fn skyline(c: &mut Canvas, state: &mut u64) {
    c.lay(|_, y| (1.0, 0.02 + 0.25 * (y / 500.0).powi(2)));
    for k in 0..14 {
        let (x0, top) = (f64::from(k) * 52.0, 180.0 + 220.0 * random(state));
        c.lay(move |x, y| (f64::from(u8::from((x0..x0 + 46.0).contains(&x) && y > top)), 0.01));
    }
}

/// A clock's face: a pale disc with hands and hours.
fn clock(c: &mut Canvas, state: &mut u64) {
    let (x0, y0, r) = (250.0 + 200.0 * random(state), 200.0 + 100.0 * random(state), 60.0 + 90.0 * random(state));
    let hands = [random(state) * 6.3, random(state) * 6.3];
    c.lay(move |x, y| (edge((x - x0).hypot(y - y0) - r, 1.2), 0.7));
    for turn in hands {
        let (s, co) = turn.sin_cos();
        c.lay(move |x, y| {
            let (u, v) = ((x - x0) * co + (y - y0) * s, -(x - x0) * s + (y - y0) * co);
            (edge(v.abs() - 0.04 * r, 1.0) * f64::from(u8::from((0.0..0.8 * r).contains(&u))), 0.02)
        });
    }
    for hour in 0..12 {
        let (s, co) = (f64::from(hour) * std::f64::consts::FRAC_PI_6).sin_cos();
        c.lay(move |x, y| (edge((x - x0 - 0.85 * r * co).hypot(y - y0 - 0.85 * r * s) - 0.06 * r, 1.0), 0.02));
    }
}

/// A ball lit from a side, shaded softly.
fn ball(c: &mut Canvas, state: &mut u64) {
    let (x0, y0, r) = (250.0 + 200.0 * random(state), 200.0 + 100.0 * random(state), 40.0 + 80.0 * random(state));
    let turn = random(state) * 6.3;
    c.lay(move |x, y| {
        let (u, v) = ((x - x0) / r, (y - y0) / r);
        let shade = (u * turn.cos() + v * turn.sin() + 0.8 * (1.0 - u * u - v * v).max(0.0).sqrt()).max(0.03);
        (edge((x - x0).hypot(y - y0) - r, 1.2), 0.45 * shade)
    });
}

const SCENES: [(&str, Scene); 8] = [
    ("windows", windows),
    ("chart", chart),
    ("writing", writing),
    ("clouds", clouds),
    ("tinsel", tinsel),
    ("skyline", skyline),
    ("clock", clock),
    ("ball", ball),
];

#[test]
fn pictures_without_a_moon_show_none() {
    let folder = TempDir::new().unwrap();
    let (mut taken, mut count) = (Vec::new(), 0);
    for (name, scene) in SCENES {
        for seed in 1..=7u64 {
            let mut canvas = Canvas::new(720, 520, |_, y| 0.004 + 0.006 * y / 520.0);
            let mut state = seed * 7919 + name.len() as u64;
            scene(&mut canvas, &mut state);
            let path = folder.path().join(format!("{name}-{seed}.png"));
            canvas.save(&path, seed);
            let night = read_frames(vec![path.clone()]).unwrap().value;
            let found = register(&night, Default::default(), &|_| {}).value;
            count += 1;
            if found.frames[0].status() == Status::Measured {
                let d = found.frames[0].disc().unwrap();
                let fit = d.fit.unwrap();
                taken.push(format!(
                    "{name}-{seed}: ({:.0}, {:.0}) r {:.0} confidence {:.2} arc {:.0}",
                    d.centre.x,
                    d.centre.y,
                    d.radius_px,
                    fit.confidence(),
                    fit.arc_deg
                ));
            }
        }
    }
    println!("{} of {count} pictures without a Moon show one: {taken:#?}", taken.len());
    assert!(taken.is_empty(), "{taken:#?}");
    assert!(count >= 50, "{}", text(folder.path()));
}
