//! Where the Moon and the Earth's shadow are, for an observer, at an instant.
//!
//! The Moon is the ELP/MPP02 series (truncated), the Sun is SOFA's `epv00`, precession and
//! nutation are IAU 2006 with IAU 2000B (1 mas). The way from series to sky:
//!
//! 1. `moon`, `sun`: geocentric apparent vectors in the celestial reference frame (km);
//! 2. `frame`: to the true equator and equinox of date;
//! 3. `observer`, `apparent`: seen from a place: right ascension, altitude, azimuth, refraction;
//! 4. `shadow`, `eclipse`: the Earth's shadow beside the Moon, and the contacts;
//! 5. `orientation`: libration and the position angle of the Moon's axis;
//! 6. `photometry`: how bright a point of the eclipsed Moon is;
//! 7. `lunar_surface`: which parts of the disc are dark and which bright;
//! 8. `projection`, `pointing`: from the sky to a plane, and to a camera's pixels.
//!
//! Neglected throughout: polar motion (0.3"), TDB-TT (2 ms), gravitational light deflection for
//! the Moon (below 0.01" near opposition), the Moon's centre-of-figure offset.

mod apparent;
mod eclipse;
mod frame;
mod lunar_surface;
mod moon;
mod observer;
mod orientation;
mod photometry;
mod pointing;
mod projection;
mod refraction;
mod shadow;
mod sun;

pub use apparent::{
    ApparentPosition, Horizontal, Twilight, apparent_moon, apparent_sun_altitude, geocentric_equatorial,
    horizontal_of_star,
};
pub use eclipse::{
    Contact, EclipseKind, LunarEclipse, eclipse_near, eclipse_within, eclipses_between, eclipses_between_by,
};
pub use lunar_surface::{SurfaceDetail, lunar_albedo};
pub use moon::{MEAN_SEMIDIAMETER_RAD, MOON_RADIUS_KM, SERIES_RANGE, geocentric_moon};
pub use observer::{Observer, SiteError};
pub use orientation::{Globe, Libration, geocentric_libration, libration};
pub use photometry::{Danjon, Extinction, MOON_COLOUR, SATURATION_PER_LIGHT_GAIN, ShadowLight, airmass};
pub use pointing::{CameraPointing, Lens};
pub use projection::Projection;
pub use refraction::Refraction;
pub use shadow::{
    EarthShadow, ShadowGeometry, ShadowRule, disc_fraction_covered, geocentric_shadow, geocentric_shadow_by,
    shadow_from,
};
pub use sun::geocentric_sun;

/// Vectors in kilometres or directions of unit length.
pub type Vector3 = nalgebra::Vector3<f64>;
/// Rotations between frames.
pub type Matrix3 = nalgebra::Matrix3<f64>;

/// Whether the series serve this instant: whether it lies in [`SERIES_RANGE`]. Outside, every place, shadow and libration that
/// is asked for is not a number (`NaN`), never a number that is wrong, and no eclipse is found.
pub fn serves(instant: crate::units::Instant) -> bool {
    SERIES_RANGE.contains(&(2000.0 + instant.julian_centuries() * 100.0))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::Instant;

    #[test]
    fn outside_its_years_the_sky_gives_no_numbers() {
        let jetty = Observer::new(-31.9, 115.75, 3.0).unwrap();
        let numbers = |instant: Instant| {
            let moon = apparent_moon(&jetty, instant);
            let shadow = shadow_from(&jetty, instant, &moon);
            let (ra, dec, distance) = geocentric_equatorial(instant);
            let (seen, from_centre) = (libration(&jetty, instant, &moon), geocentric_libration(instant));
            let geometry = geocentric_shadow(instant);
            vec![
                geocentric_moon(instant).norm(),
                geocentric_sun(instant).norm(),
                ra.radians(),
                dec.radians(),
                distance,
                moon.airless.altitude.radians(),
                moon.airless.azimuth.radians(),
                moon.semidiameter.radians(),
                shadow.separation().radians(),
                shadow.umbral_fraction(),
                shadow.penumbral_fraction(),
                shadow.umbral_magnitude(),
                geometry.umbra_radius.radians(),
                geometry.penumbra_radius.radians(),
                seen.latitude.radians(),
                seen.longitude.radians(),
                from_centre.latitude.radians(),
                apparent_sun_altitude(&jetty, instant).radians(),
            ]
        };
        for year in ["1850", "1899", "2101", "2300"] {
            let instant = Instant::parse_utc(&format!("{year}-06-01T00:00:00Z")).unwrap();
            let told: Vec<f64> = numbers(instant).into_iter().filter(|v| !v.is_nan()).collect();
            assert!(told.is_empty() && !serves(instant), "{year}: {told:?}");
            assert!(eclipse_near(instant).is_none(), "{year}");
            assert!(eclipses_between(instant, instant.plus_seconds(3e7)).is_empty(), "{year}");
        }
        for year in ["1901", "2028", "2099"] {
            let instant = Instant::parse_utc(&format!("{year}-06-01T00:00:00Z")).unwrap();
            assert!(numbers(instant).iter().all(|v| v.is_finite()), "{year}");
        }
    }
}
