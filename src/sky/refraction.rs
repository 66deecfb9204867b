//! Atmospheric refraction.
//!
//! Bennett's formula (G. G. Bennett 1982, J. Navigation 35, 255; Meeus, *Astronomical
//! Algorithms*, 2nd ed., eq. 16.3) scaled for pressure and temperature, in the iterated form that
//! makes it a function of the airless altitude. Good to 0.07' above the horizon in a standard
//! atmosphere; real air near the horizon departs by far more. Neglected: colour (dispersion is
//! 1" at 20 degrees of altitude), humidity, the observer's height beyond its pressure.

use crate::units::Angle;

/// The air at the site; by default 1010 mbar and 10 degrees Celsius, Bennett's standard.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Refraction {
    /// Station pressure, mbar (hPa).
    pub pressure_mbar: f64,
    /// Temperature, degrees Celsius.
    pub temperature_c: f64,
}

impl Default for Refraction {
    /// 1010 mbar and 10 C, Bennett's standard.
    fn default() -> Self {
        Refraction { pressure_mbar: 1010.0, temperature_c: 10.0 }
    }
}

/// Below this airless altitude nothing is refracted: the body is out of sight.
const LOWEST_DEG: f64 = -1.0;

impl Refraction {
    /// How far refraction lifts a body that is *seen* at an altitude.
    pub fn lift_at_apparent(&self, apparent: Angle) -> Angle {
        let h = apparent.degrees();
        let minutes = 1.0 / Angle::from_degrees(h + 7.31 / (h + 4.4)).tan();
        Angle::from_degrees(minutes * 0.016_667 * 0.28 * self.pressure_mbar / (self.temperature_c + 273.0))
    }

    /// Apparent altitude of a body at an airless altitude; unchanged more than a degree below
    /// the horizon.
    pub fn apparent_altitude(&self, airless: Angle) -> Angle {
        if airless.degrees() < LOWEST_DEG || airless.degrees() > 89.9 {
            return airless;
        }
        let mut apparent = airless;
        for _ in 0..25 {
            let next = airless + self.lift_at_apparent(apparent);
            let change = (next - apparent).abs();
            apparent = next;
            if change.arcsec() < 1e-4 {
                break;
            }
        }
        apparent
    }

    /// Airless altitude of a body seen at an apparent altitude.
    pub fn airless_altitude(&self, apparent: Angle) -> Angle {
        if apparent.degrees() < LOWEST_DEG || apparent.degrees() > 89.9 {
            return apparent;
        }
        apparent - self.lift_at_apparent(apparent)
    }

    /// How much higher a disc at an apparent altitude would be without air: its lower limb is lifted more than its upper one.
    ///
    /// Between its middle and 0.7 of its semidiameter either way, where half of the area lies; neglected: that a low disc is
    /// pressed more below than above.
    pub fn pressing(&self, apparent: Angle, semidiameter: Angle) -> f64 {
        let half = semidiameter * 0.7;
        (self.airless_altitude(apparent + half) - self.airless_altitude(apparent - half)) / (half * 2.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Meeus, Astronomical Algorithms, ch. 16 (from memory): a Sun on the horizon has its lower limb lifted by 5' more; its
    /// true 32' are then seen as 27'.
    #[test]
    fn a_disc_on_the_horizon_is_pressed_by_a_sixth() {
        let ratio = Refraction::default().pressing(Angle::from_degrees(0.25), Angle::from_degrees(16.0 / 60.0));
        assert!((ratio - 32.0 / 27.0).abs() < 0.03, "{ratio}");
    }

    #[test]
    fn the_horizon_stands_half_a_degree_high() {
        // Meeus, Astronomical Algorithms, ch. 16: at apparent altitude 0 degrees, R = 34.5'
        // (Bennett, 1010 mbar, 10 C: 34.48').
        let lift = Refraction::default().lift_at_apparent(Angle::ZERO).degrees() * 60.0;
        assert!((lift - 34.5).abs() < 0.1, "{lift}");
    }

    #[test]
    fn lifting_and_lowering_cancel() {
        let air = Refraction::default();
        for degrees in [0.5, 3.0, 17.0, 45.0, 80.0] {
            let airless = Angle::from_degrees(degrees);
            let back = air.airless_altitude(air.apparent_altitude(airless));
            assert!((back - airless).arcsec().abs() < 0.01);
        }
    }
}
