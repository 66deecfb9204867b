//! The Moon's geocentric place: ELP/MPP02 (Chapront & Francou 2003), truncated.
//!
//! The terms stand in `data/elp_mpp02.csv` with their source. Frame: the series is in the mean
//! dynamical ecliptic and equinox of J2000.0; the rotation to the celestial reference frame is
//! the obliquity 84381.406" and then the transposed IAU frame bias.
//!
//! Aberration: the vector at t minus the light time, reckoned from the Earth's place at t minus
//! the light time too, already is the apparent direction. (The Earth's motion during the light
//! time cancels against annual aberration to second order in v/c, 0.0001".)
//!
//! Neglected: terms below 0.001" (and 0.001 km) and TDB-TT.

use super::{Matrix3, Vector3};
use crate::units::{Angle, Instant};
use std::sync::OnceLock;

/// The Moon's mean semidiameter, radians, for what has no place on the sky: 15' 32.6" (Explanatory Supplement to the Astronomical
/// Almanac, from memory).
pub const MEAN_SEMIDIAMETER_RAD: f64 = 932.6 / 206_264.806;

/// The Moon's mean radius, km: k = 0.2725076 of the Earth's equatorial radius (IAU 1982, as the
/// eclipse canons use it for the penumbra and umbra alike).
pub const MOON_RADIUS_KM: f64 = 0.272_507_6 * 6378.137;

/// Years for which Moon and Sun together are offered: `epv00` is stated for 1900-2100.
pub const SERIES_RANGE: std::ops::RangeInclusive<f64> = 1900.0..=2100.0;

const LIGHT_KM_PER_S: f64 = 299_792.458;

struct Term {
    power: i32,
    amplitude: f64,
    phase: [f64; 5],
}

struct Series {
    longitude: Vec<Term>,
    latitude: Vec<Term>,
    distance: Vec<Term>,
}

/// Mean longitude W1 of the Moon, fitted to DE405 (radians, Julian centuries).
const W1: [f64; 5] = [
    3.810_343_920_321_909,
    8_399.684_730_207_433,
    -3.319_199_297_527_460_4e-5,
    3.201_709_550_047_375e-8,
    -1.536_374_555_436_12e-10,
];
/// Laskar's P and Q: the inclination of the mean ecliptic of date on that of J2000.0.
const P: [f64; 5] = [1.018_039_1e-5, 4.702_043_9e-7, -5.417_367e-10, -2.507_948e-12, 4.634_86e-15];
const Q: [f64; 5] = [-1.134_690_02e-4, 1.237_267_4e-7, 1.265_417e-9, -1.371_808e-12, -3.203_34e-15];
/// Ratio of the semi-major axes of the DE405 fit and of ELP.
const DISTANCE_RATIO: f64 = 384_747.961_370_172_5 / 384_747.980_674_318;

fn series() -> &'static Series {
    static SERIES: OnceLock<Series> = OnceLock::new();
    SERIES.get_or_init(|| {
        let mut series = Series { longitude: vec![], latitude: vec![], distance: vec![] };
        for line in include_str!("data/elp_mpp02.csv").lines() {
            let mut fields = line.split(',');
            let list = match fields.next() {
                Some("lon") => &mut series.longitude,
                Some("lat") => &mut series.latitude,
                Some("dis") => &mut series.distance,
                _ => continue,
            };
            let numbers: Vec<f64> = fields.filter_map(|f| f.parse().ok()).collect();
            if let [power, amplitude, p0, p1, p2, p3, p4] = numbers[..] {
                list.push(Term { power: power as i32, amplitude, phase: [p0, p1, p2, p3, p4] });
            }
        }
        series
    })
}

fn polynomial(coefficients: &[f64; 5], t: f64) -> f64 {
    coefficients.iter().rev().fold(0.0, |sum, c| sum * t + c)
}

fn sum(terms: &[Term], t: f64) -> f64 {
    terms.iter().map(|term| term.amplitude * t.powi(term.power) * polynomial(&term.phase, t).sin()).sum()
}

/// The Moon in the mean ecliptic and equinox of J2000.0, km, without light time.
fn ecliptic(t: f64) -> Vector3 {
    let series = series();
    let longitude = Angle::from_arcsec(sum(&series.longitude, t)).radians() + polynomial(&W1, t);
    let latitude = Angle::from_arcsec(sum(&series.latitude, t)).radians();
    let distance = sum(&series.distance, t) * DISTANCE_RATIO;
    let x1 = distance * latitude.cos() * longitude.cos();
    let x2 = distance * latitude.cos() * longitude.sin();
    let x3 = distance * latitude.sin();
    // From the inertial mean ecliptic of date to that of J2000.0.
    let (p, q) = (polynomial(&P, t) * t, polynomial(&Q, t) * t);
    let ra = 2.0 * (1.0 - p * p - q * q).sqrt();
    let (pq, p2, q2) = (2.0 * p * q, 1.0 - 2.0 * p * p, 1.0 - 2.0 * q * q);
    Vector3::new(
        p2 * x1 + pq * x2 + p * ra * x3,
        pq * x1 + q2 * x2 - q * ra * x3,
        -p * ra * x1 + q * ra * x2 + (p2 + q2 - 1.0) * x3,
    )
}

/// From the mean ecliptic and equinox of J2000.0 to the celestial reference frame.
fn ecliptic_to_celestial() -> &'static Matrix3 {
    static MATRIX: OnceLock<Matrix3> = OnceLock::new();
    MATRIX.get_or_init(|| {
        let (s, c) = Angle::from_arcsec(84_381.406).radians().sin_cos();
        let equatorial = Matrix3::new(1.0, 0.0, 0.0, 0.0, c, -s, 0.0, s, c);
        let (bias, _, _) = sofars::pnp::bp00(2_451_545.0, 0.0);
        super::frame::matrix(&bias).transpose() * equatorial
    })
}

/// Geometric geocentric vector in the celestial reference frame, km; not a number outside [`SERIES_RANGE`].
pub(super) fn geometric_moon(instant: Instant) -> Vector3 {
    if !super::serves(instant) {
        return Vector3::repeat(f64::NAN);
    }
    ecliptic_to_celestial() * ecliptic(instant.julian_centuries())
}

/// The Moon's apparent geocentric vector in the celestial reference frame, km; not a number outside [`SERIES_RANGE`], as
/// [`serves`](super::serves) tells beforehand.
///
/// # Accuracy
/// 0.019" rms, 0.07" at most against JPL DE421, 2001-2050 (`tests/suite/reference.rs`).
/// # Source
/// Chapront & Francou, A&A 404, 735 (2003).
pub fn geocentric_moon(instant: Instant) -> Vector3 {
    let guess_s = 1.28;
    let vector = geometric_moon(instant.plus_seconds(-guess_s));
    // The guess is wrong by at most 0.08 s, in which the Moon moves 80 m (0.04"). A circular
    // motion about the ecliptic pole at the rate n (a/r)^2 describes those metres to a tenth,
    // which saves a second evaluation of the series.
    let rate = 2.661_70e-6 * (384_400.0 / vector.norm()).powi(2);
    let ecliptic_pole = Vector3::new(0.0, -0.397_777, 0.917_482);
    let velocity = ecliptic_pole.cross(&vector) * rate;
    vector - velocity * (vector.norm() / LIGHT_KM_PER_S - guess_s)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_published_check_values_hold() {
        // Chapront & Francou's own test cases (JD TDB, km, ecliptic of J2000.0), DE405 fit, whole
        // theory. The truncation drops up to 0.1 km.
        let cases = [
            (2_444_239.5, [43_890.282_4, 381_188.727_5, -31_633.381_7]),
            (2_446_239.5, [-313_664.596_4, 212_007.266_7, 33_744.751_2]),
            (2_448_239.5, [-273_220.060_7, -296_859.768_2, -34_604.357_0]),
            (2_450_239.5, [171_613.142_8, -318_097.337_5, 31_293.548_2]),
            (2_452_239.5, [396_530.006_4, 47_487.922_5, -36_085.309_0]),
        ];
        for (jd, [x, y, z]) in cases {
            let got = ecliptic((jd - 2_451_545.0) / 36_525.0);
            assert!((got - Vector3::new(x, y, z)).norm() < 0.15, "JD {jd}: {got:?}");
        }
    }
}
