//! Exposure time, aperture, sensitivity, and the light they let through.
//!
//! The exposure relation is the reciprocity of ISO 12232 and of the additive system of
//! photographic exposure: a value in the file grows as t * S / N^2.

use std::fmt;

/// Time for which the shutter was open, in seconds.
#[derive(Clone, Copy, Debug, PartialEq, PartialOrd)]
pub struct ExposureTime {
    /// Seconds, above zero.
    pub seconds: f64,
}

/// Focal ratio N of the lens (the 4 of f/4).
#[derive(Clone, Copy, Debug, PartialEq, PartialOrd)]
pub struct Aperture {
    /// Focal length over the diameter of the entrance pupil.
    pub f_number: f64,
}

/// Photographic sensitivity (ISO 12232 arithmetic speed).
#[derive(Clone, Copy, Debug, PartialEq, PartialOrd)]
pub struct IsoSpeed {
    /// ISO arithmetic speed.
    pub iso: f64,
}

/// The three settings of one exposure.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Exposure {
    /// Shutter time.
    pub time: ExposureTime,
    /// Focal ratio.
    pub aperture: Aperture,
    /// Sensitivity.
    pub sensitivity: IsoSpeed,
}

/// Exposure value referred to ISO 100: log2(N^2 / t) - log2(S / 100).
#[derive(Clone, Copy, Debug, PartialEq, PartialOrd)]
pub struct ExposureValue {
    /// In stops.
    pub stops: f64,
}

impl Exposure {
    /// From seconds, focal ratio and ISO speed.
    pub fn new(seconds: f64, f_number: f64, iso: f64) -> Self {
        Exposure { time: ExposureTime { seconds }, aperture: Aperture { f_number }, sensitivity: IsoSpeed { iso } }
    }

    /// t * S / N^2: how much a given radiance raises the value in the file.
    pub fn light_gain(&self) -> f64 {
        self.time.seconds * self.sensitivity.iso / self.aperture.f_number.powi(2)
    }

    /// The exposure value at ISO 100.
    pub fn value(&self) -> ExposureValue {
        ExposureValue { stops: (100.0 / self.light_gain()).log2() }
    }
}

impl fmt::Display for ExposureTime {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.seconds < 0.3 {
            write!(f, "1/{:.0} s", 1.0 / self.seconds)
        } else {
            write!(f, "{} s", (self.seconds * 10.0).round() / 10.0)
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn exposure_value_follows_its_definition() {
        // EV 15 is 1/125 s at f/16, ISO 100, within the rounding of marked shutter speeds.
        let sunny = Exposure::new(1.0 / 125.0, 16.0, 100.0);
        assert!((sunny.value().stops - 15.0).abs() < 0.05);
    }

    #[test]
    fn twice_the_time_is_one_stop() {
        let a = Exposure::new(0.5, 4.0, 400.0);
        let b = Exposure::new(1.0, 4.0, 400.0);
        assert!((a.value().stops - b.value().stops - 1.0).abs() < 1e-12);
    }
}
