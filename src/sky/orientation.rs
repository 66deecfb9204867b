//! Libration and the position angle of the Moon's axis.
//!
//! Orientation series of the IAU Working Group on Cartographic Coordinates and Rotational
//! Elements, 2009 report (Archinal et al. 2011, Celest. Mech. Dyn. Astr. 109, 101), kept in the
//! 2015 report: mean-Earth/polar-axis frame, good to a few 0.001 degree. It contains optical
//! and physical libration together.

use super::frame::position_angle;
use super::{ApparentPosition, Observer, Vector3, geocentric_moon};
use crate::units::{Angle, Instant};

/// How the Moon's globe is turned towards an observer.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Libration {
    /// Selenographic longitude of the point at the disc's centre, east positive.
    pub longitude: Angle,
    /// Selenographic latitude of that point, north positive.
    pub latitude: Angle,
    /// Position angle of the Moon's north pole at the disc's centre.
    pub axis_position_angle: Angle,
}

impl Libration {
    /// The globe as it is turned, ready to tell many places of its disc.
    pub fn globe(&self) -> Globe {
        let (sin_b, cos_b) = self.latitude.radians().sin_cos();
        let (sin_l, cos_l) = self.longitude.radians().sin_cos();
        Globe {
            towards: Vector3::new(cos_b * cos_l, cos_b * sin_l, sin_b),
            east: Vector3::new(-sin_l, cos_l, 0.0),
            north: Vector3::new(-sin_b * cos_l, -sin_b * sin_l, cos_b),
        }
    }
}

/// The Moon's globe turned towards an observer: the axes of its disc in its own frame.
#[derive(Clone, Copy, Debug)]
pub struct Globe {
    towards: Vector3,
    east: Vector3,
    north: Vector3,
}

impl Globe {
    /// The place under a point of the disc, given by its offsets towards the globe's own east and north, in radii: a unit
    /// vector of the selenographic frame (x to longitude 0, y to the east, z to the north).
    pub fn place(&self, east: f64, north: f64) -> Vector3 {
        let towards = (1.0 - east * east - north * north).max(0.0).sqrt();
        self.towards * towards + self.east * east + self.north * north
    }
}

/// Constant, rate per day and arguments E1..E13 (degrees).
const ARGUMENTS: [(f64, f64); 13] = [
    (125.045, -0.052_992_1),
    (250.089, -0.105_984_2),
    (260.008, 13.012_000_9),
    (176.625, 13.340_715_4),
    (357.529, 0.985_600_3),
    (311.589, 26.405_708_4),
    (134.963, 13.064_993_0),
    (276.617, 0.328_714_6),
    (34.226, 1.748_487_7),
    (15.134, -0.158_976_3),
    (119.743, 0.003_609_6),
    (239.961, 0.164_357_3),
    (25.053, 12.959_008_8),
];
const POLE_RA: [f64; 13] = [-3.8787, -0.1204, 0.0700, -0.0172, 0.0, 0.0072, 0.0, 0.0, 0.0, -0.0052, 0.0, 0.0, 0.0043];
const POLE_DEC: [f64; 13] =
    [1.5419, 0.0239, -0.0278, 0.0068, 0.0, -0.0029, 0.0009, 0.0, 0.0, 0.0008, 0.0, 0.0, -0.0009];
const MERIDIAN: [f64; 13] =
    [3.5610, 0.1208, -0.0642, 0.0158, 0.0252, -0.0066, -0.0047, -0.0046, 0.0028, 0.0052, 0.0040, 0.0019, -0.0044];

/// The Moon's axes (x to the mean sub-Earth point, z to the north pole) in the celestial frame.
fn lunar_axes(instant: Instant) -> [Vector3; 3] {
    let days = instant.tt_seconds() / 86_400.0;
    let centuries = days / 36_525.0;
    let e = ARGUMENTS.map(|(c, rate)| Angle::from_degrees((c + rate * days) % 360.0));
    let series = |k: &[f64; 13], f: fn(Angle) -> f64| -> f64 { k.iter().zip(&e).map(|(k, e)| k * f(*e)).sum() };
    let ra = 269.9949 + 0.0031 * centuries + series(&POLE_RA, Angle::sin);
    let dec = 66.5392 + 0.0130 * centuries + series(&POLE_DEC, Angle::cos);
    let w = 38.3213 + 13.176_358_15 * days - 1.4e-12 * days * days + series(&MERIDIAN, Angle::sin);
    let (sa, ca) = Angle::from_degrees(ra).radians().sin_cos();
    let (sd, cd) = Angle::from_degrees(dec).radians().sin_cos();
    let (sw, cw) = Angle::from_degrees(w % 360.0).radians().sin_cos();
    let pole = Vector3::new(cd * ca, cd * sa, sd);
    let node = Vector3::new(-sa, ca, 0.0);
    let x = node * cw + pole.cross(&node) * sw;
    [x, pole.cross(&x), pole]
}

/// Libration as seen from a place (topocentric).
///
/// # Accuracy
/// 0.005 degree against the same series evaluated independently; the series itself is good to a
/// few 0.001 degree.
pub fn libration(observer: &Observer, instant: Instant, seen: &ApparentPosition) -> Libration {
    let to_date = observer.orientation(instant).to_date;
    from_vector(instant, &seen.vector_of_date, &to_date)
}

/// Libration as seen from the Earth's centre.
pub fn geocentric_libration(instant: Instant) -> Libration {
    let to_date = super::frame::EarthOrientation::at(instant, 0.0).to_date;
    from_vector(instant, &(to_date * geocentric_moon(instant)), &to_date)
}

fn from_vector(instant: Instant, vector_of_date: &Vector3, to_date: &super::Matrix3) -> Libration {
    let light_time_s = vector_of_date.norm() / 299_792.458;
    let [x, y, z] = lunar_axes(instant.plus_seconds(-light_time_s));
    let back = to_date.transpose() * -vector_of_date.normalize();
    Libration {
        longitude: Angle::from_radians(back.dot(&y).atan2(back.dot(&x))),
        latitude: Angle::from_radians(back.dot(&z).asin()),
        axis_position_angle: position_angle(vector_of_date, &(to_date * z)),
    }
}
