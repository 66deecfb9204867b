//! Where the Moon stands over a site at an instant, and how deep it is in the Earth's shadow.
//!
//! `cargo run --example place_and_shadow -- -31.9 115.75 2028-12-31T16:52:00Z`

use moonloom::sky::{Observer, Refraction, apparent_moon, shadow_from};
use moonloom::units::Instant;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let words: Vec<String> = std::env::args().skip(1).collect();
    let word = |i: usize, otherwise: &'static str| words.get(i).map_or(otherwise, String::as_str);
    let observer = Observer::new(word(0, "-31.9").parse()?, word(1, "115.75").parse()?, 0.0)?;
    let instant = Instant::parse_utc(word(2, "2028-12-31T16:52:00Z"))?;

    let moon = apparent_moon(&observer, instant);
    let seen = moon.refracted(Refraction::default());
    println!("altitude {:.3}°, azimuth {:.3}°", seen.altitude.degrees(), seen.azimuth.normalized().degrees());
    println!("{:.1}\" across, {:.0} km away", 2.0 * moon.semidiameter.arcsec(), moon.distance_km);

    let shadow = shadow_from(&observer, instant, &moon);
    println!("{:.1} % of the disc in the umbra", 100.0 * shadow.umbral_fraction());
    println!(
        "the umbra's centre {:.1}' away, towards position angle {:.1}°",
        shadow.separation().degrees() * 60.0,
        shadow.position_angle().normalized().degrees()
    );
    Ok(())
}
