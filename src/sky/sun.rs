//! The Sun's geocentric place, from SOFA's `epv00` (VSOP2000 fitted to DE405).
//!
//! The heliocentric Earth at t minus the light time, with its sign reversed, matches the full
//! treatment (light time, aberration) to 0.005" (measured against JPL DE421): the Sun hardly
//! moves in the inertial frame, and the Earth's motion during the light time is the aberration.

use super::Vector3;
use crate::units::Instant;

const AU_KM: f64 = 149_597_870.7;
const LIGHT_TIME_PER_AU_S: f64 = 499.004_784;

/// The Sun's apparent geocentric vector in the celestial reference frame, km.
///
/// Outside [`SERIES_RANGE`](super::SERIES_RANGE) the vector is not a number; ask
/// [`serves`](super::serves) first.
///
/// # Accuracy
/// 0.004" rms, 0.014" at most against JPL DE421, 2001-2050.
/// # Source
/// SOFA `iauEpv00`, as carried by the crate `sofars`.
pub fn geocentric_sun(instant: Instant) -> Vector3 {
    let at = |i: Instant| {
        let (a, b) = i.tt_julian_date();
        sofars::eph::epv00(a, b)
            .map_or_else(|| Vector3::repeat(f64::NAN), |(helio, _)| Vector3::from(helio[0]) * -AU_KM)
    };
    // The light time varies by 8 s over the year, in which the Earth moves 240 km (0.33"):
    // shifting along a circular motion at the mean rate describes those to 2 %, 0.007".
    let first = at(instant.plus_seconds(-LIGHT_TIME_PER_AU_S));
    let ecliptic_pole = Vector3::new(0.0, -0.397_777, 0.917_482);
    let rate = 1.990_99e-7 * (AU_KM / first.norm()).powi(2);
    let late_s = LIGHT_TIME_PER_AU_S * (first.norm() / AU_KM - 1.0);
    first - ecliptic_pole.cross(&first) * (rate * late_s)
}
