//! What the benches share: a picture to work on, the best of some runs, and a plain copy beside which they stand.

#![allow(dead_code)]

use std::path::Path;
use std::time::Instant;

pub const WIDTH: usize = 6000;
pub const HEIGHT: usize = 4000;

/// The best of five runs, seconds.
pub fn best(mut run: impl FnMut()) -> f64 {
    (0..5)
        .map(|_| {
            let start = Instant::now();
            run();
            start.elapsed().as_secs_f64()
        })
        .fold(f64::INFINITY, f64::min)
}

/// A night sky with noise and thirty discs, 24 megapixels.
pub fn picture() -> Vec<f32> {
    let mut state = 1u32;
    let mut out = Vec::with_capacity(WIDTH * HEIGHT * 3);
    for y in 0..HEIGHT {
        for x in 0..WIDTH {
            let (dx, dy) = ((x % 1000) as f32 - 500.0, (y % 800) as f32 - 400.0);
            let disc = if dx.hypot(dy) < 250.0 { 0.5 } else { 0.01 };
            for colour in [1.0, 0.8, 0.6] {
                state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                out.push(disc * colour + 0.004 * (state >> 8) as f32 / 16_777_216.0);
            }
        }
    }
    out
}

/// Writing the same bytes plainly and to the disk, seconds.
pub fn plain_copy(file: &Path) -> f64 {
    let bytes = std::fs::read(file).expect("it was written");
    let copy = file.with_extension("copy");
    best(|| {
        std::fs::write(&copy, &bytes).expect("there is room");
        std::fs::File::open(&copy).and_then(|f| f.sync_all()).expect("the disk answers");
    })
}

pub fn report(what: &str, seconds: f64, beside: &str, copy: f64) {
    let megapixels = (WIDTH * HEIGHT) as f64 / 1e6;
    println!("{what:<38} {seconds:6.2} s {:6.0} MP/s   {beside} {copy:.2} s", megapixels / seconds);
}

/// The most memory that this process ever held, megabytes (Linux tells).
pub fn peak_memory_mb() -> Option<f64> {
    let status = std::fs::read_to_string("/proc/self/status").ok()?;
    let line = status.lines().find(|l| l.starts_with("VmHWM"))?;
    line.split_whitespace().nth(1)?.parse::<f64>().ok().map(|kb| kb / 1024.0)
}
