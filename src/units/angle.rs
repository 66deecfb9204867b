//! Plane angles.

use std::fmt;
use std::ops::{Add, Div, Mul, Neg, Sub};

/// A plane angle, kept in radians.
///
/// ```
/// use moonloom::units::Angle;
/// assert!((Angle::from_degrees(1.0).arcsec() - 3600.0).abs() < 1e-9);
/// ```
#[derive(Clone, Copy, PartialEq, PartialOrd, Default)]
pub struct Angle(f64);

const ARCSEC_PER_RADIAN: f64 = 648_000.0 / std::f64::consts::PI;

impl Angle {
    /// No angle.
    pub const ZERO: Angle = Angle(0.0);

    /// From radians.
    pub const fn from_radians(radians: f64) -> Self {
        Angle(radians)
    }
    /// From degrees.
    pub fn from_degrees(degrees: f64) -> Self {
        Angle(degrees.to_radians())
    }
    /// From arcseconds.
    pub fn from_arcsec(arcsec: f64) -> Self {
        Angle(arcsec / ARCSEC_PER_RADIAN)
    }
    /// In radians.
    pub const fn radians(self) -> f64 {
        self.0
    }
    /// In degrees.
    pub fn degrees(self) -> f64 {
        self.0.to_degrees()
    }
    /// In arcseconds.
    pub fn arcsec(self) -> f64 {
        self.0 * ARCSEC_PER_RADIAN
    }
    /// Sine.
    pub fn sin(self) -> f64 {
        self.0.sin()
    }
    /// Cosine.
    pub fn cos(self) -> f64 {
        self.0.cos()
    }
    /// Tangent.
    pub fn tan(self) -> f64 {
        self.0.tan()
    }
    /// Magnitude.
    pub fn abs(self) -> Self {
        Angle(self.0.abs())
    }
    /// Brought into 0 <= angle < 360 degrees.
    pub fn normalized(self) -> Self {
        let turned = self.0.rem_euclid(std::f64::consts::TAU);
        // rem_euclid of a tiny negative number rounds up to a whole turn.
        Angle(if turned >= std::f64::consts::TAU { 0.0 } else { turned })
    }
    /// Brought into -180 <= angle < 180 degrees.
    pub fn normalized_signed(self) -> Self {
        Angle((self.0 + std::f64::consts::PI).rem_euclid(std::f64::consts::TAU) - std::f64::consts::PI)
    }
}

impl fmt::Debug for Angle {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:.6}deg", self.degrees())
    }
}
impl Add for Angle {
    type Output = Angle;
    fn add(self, other: Angle) -> Angle {
        Angle(self.0 + other.0)
    }
}
impl Sub for Angle {
    type Output = Angle;
    fn sub(self, other: Angle) -> Angle {
        Angle(self.0 - other.0)
    }
}
impl Neg for Angle {
    type Output = Angle;
    fn neg(self) -> Angle {
        Angle(-self.0)
    }
}
impl Mul<f64> for Angle {
    type Output = Angle;
    fn mul(self, factor: f64) -> Angle {
        Angle(self.0 * factor)
    }
}
impl Div<f64> for Angle {
    type Output = Angle;
    fn div(self, divisor: f64) -> Angle {
        Angle(self.0 / divisor)
    }
}
impl Div<Angle> for Angle {
    type Output = f64;
    fn div(self, other: Angle) -> f64 {
        self.0 / other.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn angles_wrap_into_their_ranges() {
        assert!((Angle::from_degrees(-46.0).normalized().degrees() - 314.0).abs() < 1e-9);
        assert!((Angle::from_degrees(314.0).normalized_signed().degrees() + 46.0).abs() < 1e-9);
        assert!(Angle::from_radians(-1e-20).normalized().radians() < 1e-9);
    }
}
