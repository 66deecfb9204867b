//! The Moon (and Sun, and stars) as seen from a place.

use super::frame::spherical;
use super::{MOON_RADIUS_KM, Observer, Refraction, Vector3, geocentric_moon, geocentric_sun};
use crate::units::{Angle, Instant};

/// A direction in the observer's sky.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Horizontal {
    /// Above the geodetic horizon; whether refracted is said by whoever hands it out.
    pub altitude: Angle,
    /// From north through east.
    pub azimuth: Angle,
}

impl Horizontal {
    /// Unit vector with x to the north, y to the east, z to the zenith.
    pub fn direction(&self) -> Vector3 {
        let (sa, ca) = self.azimuth.radians().sin_cos();
        let (sh, ch) = self.altitude.radians().sin_cos();
        Vector3::new(ch * ca, ch * sa, sh)
    }
    /// From a vector with x to the north, y to the east, z to the zenith.
    pub fn from_direction(v: &Vector3) -> Self {
        let (azimuth, altitude) = spherical(v);
        Horizontal { altitude, azimuth }
    }
}

/// The Moon as seen from a place at an instant.
#[derive(Clone, Copy, Debug)]
pub struct ApparentPosition {
    /// Right ascension, true equator and equinox of date.
    pub right_ascension: Angle,
    /// Declination, true equator of date.
    pub declination: Angle,
    /// Distance from the observer, km.
    pub distance_km: f64,
    /// Angular radius.
    pub semidiameter: Angle,
    /// Without an atmosphere.
    pub airless: Horizontal,
    /// Direction from celestial north to the zenith, north through east; positive west of the meridian.
    pub parallactic_angle: Angle,
    pub(super) vector_of_date: Vector3,
}

impl ApparentPosition {
    /// As seen through the air.
    pub fn refracted(&self, air: Refraction) -> Horizontal {
        Horizontal { altitude: air.apparent_altitude(self.airless.altitude), ..self.airless }
    }
}

/// Altitude and azimuth from the hour angle, declination and latitude.
fn horizontal(hour_angle: Angle, declination: Angle, latitude: Angle) -> Horizontal {
    let (sh, ch) = hour_angle.radians().sin_cos();
    let (sd, cd) = declination.radians().sin_cos();
    let (sp, cp) = latitude.radians().sin_cos();
    // Components towards north, east and zenith.
    Horizontal::from_direction(&Vector3::new(sd * cp - cd * ch * sp, -cd * sh, sd * sp + cd * ch * cp))
}

/// The Moon as seen from a place.
///
/// Frame: true equator and equinox of date; horizon of the geodetic normal.
///
/// # Accuracy
/// Within 0.1" in right ascension, declination, altitude and azimuth of JPL DE421 through a
/// general-purpose library, 2001-2045, eight sites (`tests/suite/reference.rs`).
/// # Source
/// Explanatory Supplement to the Astronomical Almanac (3rd ed.), ch. 7. The observer's place is
/// taken at the time of emission, which accounts for diurnal aberration (0.3").
pub fn apparent_moon(observer: &Observer, instant: Instant) -> ApparentPosition {
    let earth = observer.orientation(instant);
    let geocentric = earth.to_date * geocentric_moon(instant);
    let light_time_s = geocentric.norm() / 299_792.458;
    let then = earth.sidereal - Angle::from_radians(7.292_115e-5 * light_time_s);
    let vector = geocentric - observer.vector_of_date(then);
    let (right_ascension, declination) = spherical(&vector);
    let hour_angle = earth.sidereal + observer.longitude - right_ascension;
    let airless = horizontal(hour_angle, declination, observer.latitude);
    let (sin_h, cos_h) = hour_angle.radians().sin_cos();
    let parallactic = sin_h.atan2(observer.latitude.tan() * declination.cos() - declination.sin() * cos_h);
    let distance_km = vector.norm();
    ApparentPosition {
        right_ascension,
        declination,
        distance_km,
        semidiameter: Angle::from_radians((MOON_RADIUS_KM / distance_km).asin()),
        airless,
        parallactic_angle: Angle::from_radians(parallactic),
        vector_of_date: vector,
    }
}

/// The Moon's geocentric apparent right ascension and declination (true equator and equinox of
/// date) and its distance in km.
///
/// # Accuracy
/// 0.07" against JPL DE421, 2001-2045 (`tests/suite/reference.rs`).
pub fn geocentric_equatorial(instant: Instant) -> (Angle, Angle, f64) {
    let earth = super::frame::EarthOrientation::at(instant, 0.0);
    let vector = earth.to_date * geocentric_moon(instant);
    let (right_ascension, declination) = spherical(&vector);
    (right_ascension, declination, vector.norm())
}

/// How dark the sky is, by the Sun's altitude (the limits of civil, nautical and astronomical
/// twilight are -6, -12 and -18 degrees).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Twilight {
    /// The Sun is up.
    Day,
    /// Sun down to -6 degrees.
    Civil,
    /// Down to -12 degrees.
    Nautical,
    /// Down to -18 degrees.
    Astronomical,
    /// Below that.
    Night,
}

impl Twilight {
    /// By the Sun's airless altitude; sunrise and sunset are at -0.833 degrees.
    pub fn of(sun_altitude: Angle) -> Self {
        match sun_altitude.degrees() {
            h if h > -0.833 => Twilight::Day,
            h if h > -6.0 => Twilight::Civil,
            h if h > -12.0 => Twilight::Nautical,
            h if h > -18.0 => Twilight::Astronomical,
            _ => Twilight::Night,
        }
    }
    /// In words.
    pub fn words(self) -> &'static str {
        match self {
            Twilight::Day => "day",
            Twilight::Civil => "civil twilight",
            Twilight::Nautical => "nautical twilight",
            Twilight::Astronomical => "astronomical twilight",
            Twilight::Night => "night",
        }
    }
}

/// Airless altitude of the Sun's centre, for twilight (its parallax of 9" is neglected).
pub fn apparent_sun_altitude(observer: &Observer, instant: Instant) -> Angle {
    let earth = observer.orientation(instant);
    let (right_ascension, declination) = spherical(&(earth.to_date * geocentric_sun(instant)));
    horizontal(earth.sidereal + observer.longitude - right_ascension, declination, observer.latitude).altitude
}

/// Airless altitude and azimuth of a star from its ICRS coordinates; proper motion, aberration
/// (20") and parallax are neglected, for drawing a sky only.
pub fn horizontal_of_star(
    observer: &Observer,
    instant: Instant,
    right_ascension: Angle,
    declination: Angle,
) -> Horizontal {
    let earth = observer.orientation(instant);
    let (sa, ca) = right_ascension.radians().sin_cos();
    let (sd, cd) = declination.radians().sin_cos();
    let (ra, dec) = spherical(&(earth.to_date * Vector3::new(cd * ca, cd * sa, sd)));
    horizontal(earth.sidereal + observer.longitude - ra, dec, observer.latitude)
}
