//! A place on the Earth and its vector from the Earth's centre.

use super::Vector3;
use super::frame::EarthOrientation;
use crate::units::{Angle, Instant};

/// An observer's place: geodetic, WGS84.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Observer {
    /// Geodetic latitude, north positive.
    pub latitude: Angle,
    /// Longitude, east positive.
    pub longitude: Angle,
    /// Above the ellipsoid, in metres.
    pub elevation_m: f64,
    /// UT1-UTC in seconds (IERS); 0 is within 0.9 s by definition of UTC, 14" of hour angle.
    pub ut1_minus_utc_s: f64,
}

/// What was wrong with a site.
#[derive(Clone, Debug, thiserror::Error, PartialEq)]
#[non_exhaustive]
pub enum SiteError {
    /// Latitude beyond the poles.
    #[error("latitude {degrees} is not between -90 and 90 degrees")]
    Latitude {
        /// As given.
        degrees: f64,
    },
    /// Longitude beyond the circle.
    #[error("longitude {degrees} is not between -180 and 360 degrees")]
    Longitude {
        /// As given.
        degrees: f64,
    },
    /// Neither on the Earth nor in the air above it.
    #[error("elevation {metres} m is not between -500 and 9000 m")]
    Elevation {
        /// As given.
        metres: f64,
    },
}

impl Observer {
    /// From degrees and metres, with UT1 = UTC.
    ///
    /// # Errors
    /// [`SiteError`] when a value lies off the globe.
    pub fn new(latitude_deg: f64, longitude_deg: f64, elevation_m: f64) -> Result<Self, SiteError> {
        if !(-90.0..=90.0).contains(&latitude_deg) {
            return Err(SiteError::Latitude { degrees: latitude_deg });
        }
        if !(-180.0..=360.0).contains(&longitude_deg) {
            return Err(SiteError::Longitude { degrees: longitude_deg });
        }
        if !(-500.0..=9000.0).contains(&elevation_m) {
            return Err(SiteError::Elevation { metres: elevation_m });
        }
        Ok(Observer {
            latitude: Angle::from_degrees(latitude_deg),
            longitude: Angle::from_degrees(longitude_deg),
            elevation_m,
            ut1_minus_utc_s: 0.0,
        })
    }

    /// How far another place is, along a great circle of a globe of 6371 km (an ellipsoid's is within half a
    /// percent of it).
    pub fn kilometres_from(&self, other: &Observer) -> f64 {
        let (a, b) = (self.latitude.radians(), other.latitude.radians());
        let half = |v: f64| (v / 2.0).sin().powi(2);
        let h = half(b - a) + a.cos() * b.cos() * half(other.longitude.radians() - self.longitude.radians());
        2.0 * 6371.0 * h.sqrt().min(1.0).asin()
    }

    pub(super) fn orientation(&self, instant: Instant) -> EarthOrientation {
        EarthOrientation::at(instant, self.ut1_minus_utc_s)
    }

    /// Vector from the Earth's centre in the true equator and equinox of date, km.
    pub(super) fn vector_of_date(&self, sidereal: Angle) -> Vector3 {
        // WGS84; gd2gce fails only for a nonsensical ellipsoid.
        let fixed = sofars::coords::gd2gce(
            6_378_137.0,
            1.0 / 298.257_223_563,
            self.longitude.radians(),
            self.latitude.radians(),
            self.elevation_m,
        )
        .map_or_else(|_| Vector3::repeat(f64::NAN), Vector3::from);
        let (s, c) = sidereal.radians().sin_cos();
        Vector3::new(c * fixed.x - s * fixed.y, s * fixed.x + c * fixed.y, fixed.z) / 1000.0
    }
}
