//! The Earth's shadow beside the Moon.
//!
//! The size of the shadow is a choice, see [`ShadowRule`]. Neglected: the shadow's flattening (1 part
//! in 300).
//!
//! From a place, the shadow is a target at the Moon's distance: its centre is the point of the
//! shadow's axis nearest the Moon, and it shifts by the Moon's parallax (nearly a degree).

use super::{ApparentPosition, MOON_RADIUS_KM, Observer, Vector3, geocentric_moon, geocentric_sun};
use crate::units::{Angle, Instant};

const EARTH_RADIUS_KM: f64 = 6378.137;
const AU_KM: f64 = 149_597_870.7;
/// The Sun's semidiameter at one astronomical unit (Auwers).
const SUN_SEMIDIAMETER_ARCSEC: f64 = 959.63;

/// How much larger than the bare Earth's the shadow is taken to be. Published almanacs differ by
/// this; contacts move by half a minute on average, and by minutes at grazing eclipses.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum ShadowRule {
    /// The Moon's parallax enlarged by 1/100 (Danjon 1951), equatorial radius, as the modern canons.
    #[default]
    Danjon,
    /// Both radii enlarged by 1/50, Earth's radius at latitude 45 degrees (Chauvenet 1891), as the
    /// older canons and almanacs.
    Chauvenet,
    /// An atmosphere of 87 km on the Earth's mean radius (Herald & Sinnott 2014, from contact timings
    /// of 1842-2011; value from memory).
    HeraldSinnott,
}

impl ShadowRule {
    /// Radii of umbra and penumbra at the Moon, radians, from the parallaxes and the Sun's semidiameter.
    fn radii(self, moon_parallax: f64, sun_parallax: f64, sun_semidiameter: f64) -> (f64, f64) {
        match self {
            ShadowRule::Danjon => {
                let earth = 1.01 * moon_parallax + sun_parallax;
                (earth - sun_semidiameter, earth + sun_semidiameter)
            }
            ShadowRule::Chauvenet => {
                let earth = 0.998_340 * moon_parallax + sun_parallax;
                (1.02 * (earth - sun_semidiameter), 1.02 * (earth + sun_semidiameter))
            }
            ShadowRule::HeraldSinnott => {
                let size = (6371.0 + 87.0) / EARTH_RADIUS_KM;
                let earth = size * moon_parallax + sun_parallax;
                (earth - sun_semidiameter, earth + sun_semidiameter)
            }
        }
    }
}

/// Shadow and Moon as seen from the Earth's centre.
#[derive(Clone, Copy, Debug)]
pub struct ShadowGeometry {
    /// Separation of the Moon's centre from the shadow's axis.
    pub separation: Angle,
    /// Radius of the umbra.
    pub umbra_radius: Angle,
    /// Radius of the penumbra.
    pub penumbra_radius: Angle,
    /// The Moon's semidiameter.
    pub moon_semidiameter: Angle,
    /// The Moon's horizontal parallax.
    pub moon_parallax: Angle,
    /// Whether the Moon passes north of the axis (in declination).
    pub moon_is_north: bool,
    moon: Vector3,
    axis: Vector3,
}

/// The shadow beside the Moon, seen from a place.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct EarthShadow {
    /// Tangent-plane offset of the shadow's centre from the Moon's, towards celestial east.
    pub xi: Angle,
    /// Tangent-plane offset towards celestial north.
    pub eta: Angle,
    /// Radius of the umbra as seen from the place.
    pub umbra_radius: Angle,
    /// Radius of the penumbra as seen from the place.
    pub penumbra_radius: Angle,
    /// The Moon's semidiameter as seen from the place.
    pub moon_semidiameter: Angle,
}

impl EarthShadow {
    /// Distance of the shadow's centre from the Moon's centre.
    pub fn separation(&self) -> Angle {
        Angle::from_radians(self.xi.radians().hypot(self.eta.radians()))
    }
    /// Position angle of the shadow's centre as seen from the Moon's: from celestial north through east.
    pub fn position_angle(&self) -> Angle {
        Angle::from_radians(self.xi.radians().atan2(self.eta.radians()))
    }
    /// Share of the disc's *area* inside the umbra, 0..1.
    pub fn umbral_fraction(&self) -> f64 {
        self.covered_by(self.umbra_radius)
    }
    /// Share of the disc's area inside the penumbra (umbra included), 0..1.
    pub fn penumbral_fraction(&self) -> f64 {
        self.covered_by(self.penumbra_radius)
    }
    /// Share of the disc's *diameter* inside the umbra: below 0 outside, above 1 when total.
    pub fn umbral_magnitude(&self) -> f64 {
        (self.umbra_radius + self.moon_semidiameter - self.separation()) / (self.moon_semidiameter * 2.0)
    }
    fn covered_by(&self, radius: Angle) -> f64 {
        disc_fraction_covered(self.moon_semidiameter.arcsec(), radius.arcsec(), self.separation().arcsec())
    }
}

/// Share of the area of a disc of radius `disc` covered by another of radius `other` at distance
/// `separation` (any one unit): the lens of two circles.
pub fn disc_fraction_covered(disc: f64, other: f64, separation: f64) -> f64 {
    if separation >= disc + other {
        return 0.0;
    }
    if separation <= (other - disc).abs() {
        return if other >= disc { 1.0 } else { (other / disc).powi(2) };
    }
    let d = separation;
    let a = ((d * d + disc * disc - other * other) / (2.0 * d * disc)).clamp(-1.0, 1.0).acos();
    let b = ((d * d + other * other - disc * disc) / (2.0 * d * other)).clamp(-1.0, 1.0).acos();
    let lens = disc * disc * (a - a.sin() * a.cos()) + other * other * (b - b.sin() * b.cos());
    (lens / (std::f64::consts::PI * disc * disc)).clamp(0.0, 1.0)
}

/// The shadow as seen from the Earth's centre.
///
/// # Accuracy
/// Separation within 0.1" and radii within 0.01" of JPL DE421 with the same rule.
/// # Source
/// Danjon (1951); Explanatory Supplement (3rd ed.), ch. 11.
pub fn geocentric_shadow(instant: Instant) -> ShadowGeometry {
    geocentric_shadow_by(ShadowRule::Danjon, instant)
}

/// The shadow as seen from the Earth's centre, sized by a rule.
pub fn geocentric_shadow_by(rule: ShadowRule, instant: Instant) -> ShadowGeometry {
    let moon = geocentric_moon(instant);
    let sun = geocentric_sun(instant);
    let axis = -sun.normalize();
    let moon_parallax = (EARTH_RADIUS_KM / moon.norm()).asin();
    let sun_parallax = (EARTH_RADIUS_KM / sun.norm()).asin();
    let sun_semidiameter = (Angle::from_arcsec(SUN_SEMIDIAMETER_ARCSEC).sin() * AU_KM / sun.norm()).asin();
    let (umbra, penumbra) = rule.radii(moon_parallax, sun_parallax, sun_semidiameter);
    // atan2 keeps its digits at small separations, where acos would lose them.
    let separation = moon.cross(&axis).norm().atan2(moon.dot(&axis));
    ShadowGeometry {
        separation: Angle::from_radians(separation),
        umbra_radius: Angle::from_radians(umbra),
        penumbra_radius: Angle::from_radians(penumbra),
        moon_semidiameter: Angle::from_radians((MOON_RADIUS_KM / moon.norm()).asin()),
        moon_parallax: Angle::from_radians(moon_parallax),
        moon_is_north: moon.z / moon.norm() > axis.z,
        moon,
        axis,
    }
}

/// The shadow beside the Moon, seen from a place.
///
/// Offsets are gnomonic about the Moon's centre, in the true equator of date.
///
/// # Accuracy
/// Within 0.1" of JPL DE421 (`tests/suite/reference.rs`). Diurnal aberration cancels to 0.006".
pub fn shadow_from(observer: &Observer, instant: Instant, seen: &ApparentPosition) -> EarthShadow {
    let geometry = geocentric_shadow(instant);
    let earth = observer.orientation(instant);
    let place = observer.vector_of_date(earth.sidereal);
    let centre = geometry.axis * geometry.moon.dot(&geometry.axis);
    let moon = earth.to_date * geometry.moon - place;
    let shadow = earth.to_date * centre - place;
    let up = moon.normalize();
    let east = Vector3::new(-up.y, up.x, 0.0).normalize();
    let north = up.cross(&east);
    let depth = shadow.dot(&up);
    let closer = centre.norm() / shadow.norm();
    let seen_radius = |radius: Angle| Angle::from_radians((closer * radius.tan()).atan());
    EarthShadow {
        xi: Angle::from_radians(shadow.dot(&east) / depth),
        eta: Angle::from_radians(shadow.dot(&north) / depth),
        umbra_radius: seen_radius(geometry.umbra_radius),
        penumbra_radius: seen_radius(geometry.penumbra_radius),
        moon_semidiameter: seen.semidiameter,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn covered_share_runs_from_nothing_to_all() {
        assert_eq!(disc_fraction_covered(1.0, 2.7, 3.8), 0.0);
        assert_eq!(disc_fraction_covered(1.0, 2.7, 1.6), 1.0);
        // Two equal circles through each other's centres share 2/3 - sqrt(3)/(2 pi).
        let expected = 2.0 / 3.0 - 3.0f64.sqrt() / (2.0 * std::f64::consts::PI);
        assert!((disc_fraction_covered(1.0, 1.0, 1.0) - expected).abs() < 1e-12);
    }
}
