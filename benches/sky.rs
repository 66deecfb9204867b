//! How long the sky takes: `cargo bench --bench sky`. Figures go into benches/README.md.

use moonloom::sky::{Observer, apparent_moon, eclipses_between, libration, shadow_from};
use moonloom::units::Instant;
use std::hint::black_box;
use std::time::Instant as Clock;

fn timed(name: &str, runs: usize, mut work: impl FnMut(usize)) {
    work(0);
    let mut seconds: Vec<f64> = (0..5)
        .map(|_| {
            let start = Clock::now();
            (0..runs).for_each(&mut work);
            start.elapsed().as_secs_f64() / runs as f64
        })
        .collect();
    seconds.sort_by(f64::total_cmp);
    println!("{name:<44} {:>12.3} ms (median of 5)", seconds[2] * 1000.0);
}

fn main() {
    let place = Observer::new(-31.9, 115.75, 6.0).expect("the site is on the globe");
    let start = Instant::parse_utc("2028-12-31T14:00:00Z").expect("a date");
    timed("topocentric Moon", 2000, |i| {
        black_box(apparent_moon(&place, start.plus_seconds(i as f64 * 7.0)));
    });
    timed("Moon, libration and shadow", 1000, |i| {
        let at = start.plus_seconds(i as f64 * 7.0);
        let moon = apparent_moon(&place, at);
        black_box((libration(&place, at, &moon), shadow_from(&place, at, &moon)));
    });
    let from = Instant::parse_utc("1901-01-01T00:00:00Z").expect("a date");
    let to = Instant::parse_utc("2000-12-31T23:59:59Z").expect("a date");
    timed("a century of eclipses with all contacts", 1, |_| {
        black_box(eclipses_between(from, to));
    });
}
