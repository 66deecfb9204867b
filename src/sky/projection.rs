//! Projections of the sky onto a plane, by their FITS WCS names.
//!
//! Calabretta & Greisen 2002, A&A 395, 1077: the zenithal TAN (sect. 5.1.3), STG (5.1.4), ARC (5.1.5)
//! and ZEA (5.1.7), and the cylindrical CAR (5.2.3). Plane coordinates are in radians, x to the right
//! and y up, about a reference point; what "right" and "up" are on the sky is the caller's affair.

use super::Vector3;

/// A projection.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Projection {
    /// Gnomonic: straight lines stay straight, as in a rectilinear lens.
    Tan,
    /// Stereographic: circles stay circles, discs keep their shape.
    Stg,
    /// Zenithal equidistant: distances from the centre are true.
    Arc,
    /// Zenithal equal area.
    Zea,
    /// Plate carree: longitude and latitude as they are.
    Car,
}

impl Projection {
    /// By its FITS WCS name, in any case.
    pub fn by_name(name: &str) -> Option<Self> {
        Some(match name.to_ascii_uppercase().as_str() {
            "TAN" => Projection::Tan,
            "STG" => Projection::Stg,
            "ARC" => Projection::Arc,
            "ZEA" => Projection::Zea,
            "CAR" => Projection::Car,
            _ => return None,
        })
    }

    /// Where a unit direction (right, up, forward) falls; `None` where the projection has no place for it.
    pub fn forward(self, d: &Vector3) -> Option<(f64, f64)> {
        if self == Projection::Car {
            return Some((d.x.atan2(d.z), d.y.clamp(-1.0, 1.0).asin()));
        }
        let off_axis = d.x.hypot(d.y).atan2(d.z);
        let radius = match self {
            Projection::Tan if d.z <= 1e-9 => return None,
            Projection::Stg if d.z <= -1.0 + 1e-12 => return None,
            Projection::Tan => off_axis.tan(),
            Projection::Stg => 2.0 * (off_axis / 2.0).tan(),
            Projection::Zea => 2.0 * (off_axis / 2.0).sin(),
            Projection::Arc | Projection::Car => off_axis,
        };
        let across = d.x.hypot(d.y);
        if across < 1e-300 {
            return Some((0.0, 0.0));
        }
        Some((radius * d.x / across, radius * d.y / across))
    }

    /// The unit direction of a place on the plane; `None` outside the projection.
    pub fn inverse(self, x: f64, y: f64) -> Option<Vector3> {
        if self == Projection::Car {
            let inside = x.abs() <= std::f64::consts::PI && y.abs() <= std::f64::consts::FRAC_PI_2;
            return inside.then(|| Vector3::new(y.cos() * x.sin(), y.sin(), y.cos() * x.cos()));
        }
        let radius = x.hypot(y);
        let off_axis = match self {
            Projection::Tan => radius.atan(),
            Projection::Stg => 2.0 * (radius / 2.0).atan(),
            Projection::Zea if radius > 2.0 => return None,
            Projection::Zea => 2.0 * (radius / 2.0).asin(),
            Projection::Arc | Projection::Car => radius,
        };
        if off_axis > std::f64::consts::PI {
            return None;
        }
        let (s, c) = off_axis.sin_cos();
        Some(if radius < 1e-300 { Vector3::z() } else { Vector3::new(s * x / radius, s * y / radius, c) })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const ALL: [Projection; 5] = [Projection::Tan, Projection::Stg, Projection::Arc, Projection::Zea, Projection::Car];

    fn direction(off_axis_deg: f64, turn_deg: f64) -> Vector3 {
        let (s, c) = off_axis_deg.to_radians().sin_cos();
        let (st, ct) = turn_deg.to_radians().sin_cos();
        Vector3::new(s * ct, s * st, c)
    }

    #[test]
    fn every_projection_undoes_itself() {
        for p in ALL {
            for off in [0.0, 0.3, 20.0, 60.0, 85.0] {
                for turn in [0.0, 33.0, 141.0, 278.0] {
                    let d = direction(off, turn);
                    let (x, y) = p.forward(&d).unwrap();
                    assert!((p.inverse(x, y).unwrap() - d).norm() < 1e-12, "{p:?} {off} {turn}");
                }
            }
        }
    }

    #[test]
    fn radii_follow_the_published_formulas() {
        // Calabretta & Greisen 2002 with theta = 90 - off-axis, R in units of 180/pi degrees:
        // eq. 54 TAN cot(theta); eq. 55 STG 2 cos/(1 + sin); eq. 67 ARC (90 - theta); eq. 69 ZEA sqrt(2 (1 - sin)).
        let theta = 50f64.to_radians();
        let d = direction(40.0, 0.0);
        let expected = [
            theta.tan().recip(),
            2.0 * theta.cos() / (1.0 + theta.sin()),
            40f64.to_radians(),
            (2.0 * (1.0 - theta.sin())).sqrt(),
        ];
        for (p, r) in ALL.iter().zip(expected) {
            assert!((p.forward(&d).unwrap().0 - r).abs() < 1e-12, "{p:?}");
        }
    }
}
