//! The sky behind the Moon: airglow, moonlight, twilight and the brighter stars.
//!
//! Surface brightness by the Sun's altitude is a smooth curve through common photometry of
//! twilight (magnitudes per square arcsecond: 12 at -6 degrees, 17 at -10, 20.3 at -14, 21.6 from
//! -18 on; common practice, no source). Zero point: the full Moon's 3.4 mag per square arcsecond
//! (magnitude -12.74 over a disc of 15.5' radius).

use crate::sky::{Horizontal, Observer, Refraction, apparent_sun_altitude, horizontal_of_star};
use crate::units::{Angle, Instant};

const FULL_MOON_MAGNITUDE: f64 = 3.4;

fn radiance_of_magnitude(magnitude: f64) -> f64 {
    10f64.powf(-0.4 * (magnitude - FULL_MOON_MAGNITUDE))
}

fn twilight_magnitude(sun_altitude_deg: f64) -> f64 {
    const CURVE: [(f64, f64); 8] = [
        (-18.0, 21.6),
        (-16.0, 21.2),
        (-14.0, 20.3),
        (-12.0, 18.8),
        (-10.0, 17.0),
        (-8.0, 14.6),
        (-6.0, 12.0),
        (0.0, 6.5),
    ];
    if sun_altitude_deg <= CURVE[0].0 {
        return CURVE[0].1;
    }
    for pair in CURVE.windows(2) {
        let ((a, ma), (b, mb)) = (pair[0], pair[1]);
        if sun_altitude_deg < b {
            return ma + (mb - ma) * (sun_altitude_deg - a) / (b - a);
        }
    }
    CURVE[7].1
}

/// The light of the sky at one instant.
pub(super) struct NightSky {
    twilight: f64,
    moonlight: f64,
    sun_azimuth: Angle,
    moon: crate::sky::Vector3,
}

impl NightSky {
    /// `moon_light` is the Moon's mean radiance relative to full; zero when it is down.
    pub fn new(observer: &Observer, instant: Instant, moon: Horizontal, moon_light: f64) -> Self {
        let sun = apparent_sun_altitude(observer, instant).degrees();
        let up = moon.altitude.degrees() > -0.5;
        NightSky {
            twilight: radiance_of_magnitude(twilight_magnitude(sun)),
            // A full Moon lights a clear sky to some 18 magnitudes per square arcsecond.
            moonlight: if up { moon_light * radiance_of_magnitude(18.3) } else { 0.0 },
            // At full Moon the Sun stands opposite; its glow lingers over there.
            sun_azimuth: moon.azimuth + Angle::from_degrees(180.0),
            moon: moon.direction(),
        }
    }

    /// Red, green and blue towards a direction above the horizon.
    pub fn radiance(&self, towards: &Horizontal) -> [f64; 3] {
        let h = towards.altitude.degrees().max(0.0);
        let low = (-h / 11.0).exp();
        let glow_side = 0.5 + 0.5 * (towards.azimuth - self.sun_azimuth).cos();
        let warm = low * (0.10 + 1.5 * glow_side.powi(3));
        let dome = 0.42 + 0.58 * (-h / 28.0).exp();
        let twilight: [f64; 3] = [
            self.twilight * (0.17 * dome + 1.10 * warm),
            self.twilight * (0.42 * dome + 0.60 * warm),
            self.twilight * (1.15 * dome + 0.28 * warm),
        ];
        // The town beyond the far shore.
        let town = (-((towards.azimuth - Angle::from_degrees(14.0)).normalized_signed().degrees() / 16.0).powi(2))
            .exp()
            * (-h / 5.0).exp()
            * radiance_of_magnitude(18.6);
        let near_moon = towards.direction().dot(&self.moon).clamp(-1.0, 1.0).acos().to_degrees();
        let scattered = self.moonlight * (0.6 + 0.5 * low + 4.0 * (-near_moon / 7.0).exp());
        let air = radiance_of_magnitude(21.6) * (0.8 + 0.5 * low);
        [
            twilight[0] + 1.00 * town + 0.85 * scattered + air,
            twilight[1] + 0.66 * town + 0.95 * scattered + air,
            twilight[2] + 0.36 * town + 1.20 * scattered + air,
        ]
    }
}

/// A star's place in the sky, its illuminance and colour.
pub(super) struct Star {
    pub seen: Horizontal,
    /// Radiance times solid angle (square arcseconds), relative to the full Moon's radiance.
    pub light: [f64; 3],
}

/// The stars above the horizon.
pub(super) fn stars(observer: &Observer, air: Refraction, instant: Instant) -> Vec<Star> {
    let mut out = Vec::new();
    for line in include_str!("data/bright_stars.csv").lines() {
        let fields: Vec<&str> = line.split(',').collect();
        let [_, magnitude, ra, dec, class] = fields[..] else { continue };
        let (Ok(magnitude), Ok(ra), Ok(dec)) = (magnitude.parse::<f64>(), ra.parse::<f64>(), dec.parse::<f64>()) else {
            continue;
        };
        let airless = horizontal_of_star(observer, instant, Angle::from_degrees(ra), Angle::from_degrees(dec));
        if airless.altitude.degrees() < 0.5 {
            continue;
        }
        let tint: [f64; 3] = match class.chars().next() {
            Some('O' | 'B') => [0.82, 0.95, 1.25],
            Some('A') => [0.92, 0.98, 1.12],
            Some('K') => [1.22, 0.95, 0.68],
            Some('M') => [1.40, 0.88, 0.50],
            _ => [1.05, 1.0, 0.92],
        };
        let light = radiance_of_magnitude(magnitude);
        let seen = Horizontal { altitude: air.apparent_altitude(airless.altitude), ..airless };
        out.push(Star { seen, light: tint.map(|t| t * light) });
    }
    out
}
