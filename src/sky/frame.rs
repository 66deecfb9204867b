//! From the celestial reference frame to the true equator and equinox of date, and to the Earth.
//!
//! IAU 2006 precession with IAU 2000B nutation: the 77-term nutation differs from the full one
//! by less than 1 mas in 1995-2050 and costs a twentieth. Polar motion is neglected (0.3").

use super::{Matrix3, Vector3};
use crate::units::{Angle, Instant};

pub(super) fn matrix(rows: &[[f64; 3]; 3]) -> Matrix3 {
    Matrix3::from_fn(|r, c| rows[r][c])
}

/// Orientation of the Earth at an instant.
#[derive(Clone, Copy, Debug)]
pub(super) struct EarthOrientation {
    /// Celestial reference frame to true equator and equinox of date.
    pub to_date: Matrix3,
    /// Greenwich apparent sidereal time.
    pub sidereal: Angle,
}

impl EarthOrientation {
    pub fn at(instant: Instant, ut1_minus_utc_s: f64) -> Self {
        let (tt1, tt2) = instant.tt_julian_date();
        let (gamma, phi, psi, epsilon) = sofars::pnp::pfw06(tt1, tt2);
        let (d_psi, d_epsilon) = sofars::pnp::nut00b(tt1, tt2);
        let rows = sofars::pnp::fw2m(gamma, phi, psi + d_psi, epsilon + d_epsilon);
        let (ut1, ut2) = instant.ut1_julian_date(ut1_minus_utc_s);
        let sidereal = sofars::erst::gst06(ut1, ut2, tt1, tt2, &rows);
        EarthOrientation { to_date: matrix(&rows), sidereal: Angle::from_radians(sidereal) }
    }
}

/// Right ascension (or longitude) and declination (or latitude) of a vector.
pub(super) fn spherical(v: &Vector3) -> (Angle, Angle) {
    let longitude = Angle::from_radians(v.y.atan2(v.x)).normalized();
    (longitude, Angle::from_radians(v.z.atan2(v.x.hypot(v.y))))
}

/// Position angle, at direction `from`, of the direction `towards` (north through east).
pub(super) fn position_angle(from: &Vector3, towards: &Vector3) -> Angle {
    let east = Vector3::new(-from.y, from.x, 0.0).normalize();
    let north = from.normalize().cross(&east);
    Angle::from_radians(towards.dot(&east).atan2(towards.dot(&north))).normalized()
}
