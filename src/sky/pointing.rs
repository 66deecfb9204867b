//! From directions in the observer's sky to a camera's pixels, and back.
//!
//! A [`Lens`] is the FITS WCS zenithal projection TAN (Calabretta & Greisen 2002, A&A 395, 1077,
//! sect. 5.1.3) with two terms of radial distortion; a [`CameraPointing`] aims it. Tangential
//! distortion and decentring are neglected: below a pixel for a photographic lens.

use super::{Horizontal, Vector3};
use crate::raster::PixelPoint;
use crate::units::Angle;

/// How a camera maps directions in its own frame (right, up, forward) onto pixels.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Lens {
    /// Where the optical axis meets the image.
    pub centre: PixelPoint,
    /// Pixels per radian at the optical axis.
    pub focal_length_px: f64,
    /// Radial distortion: r' = r (1 + k1 r^2 + k2 r^4), r in focal lengths.
    pub k1: f64,
    /// Second term of the radial distortion.
    pub k2: f64,
}

impl Lens {
    /// A rectilinear lens without distortion, centred on an image.
    pub fn rectilinear(width_px: usize, height_px: usize, focal_length_px: f64) -> Self {
        Lens {
            centre: PixelPoint::new(width_px as f64 / 2.0, height_px as f64 / 2.0),
            focal_length_px,
            k1: 0.0,
            k2: 0.0,
        }
    }

    /// The same lens on a copy of the image reduced by a factor.
    pub fn reduced(&self, factor: f64) -> Self {
        Lens {
            centre: PixelPoint::new(self.centre.x / factor, self.centre.y / factor),
            focal_length_px: self.focal_length_px / factor,
            ..*self
        }
    }

    /// Where a direction (right, up, forward) lands; `None` behind the camera or more than
    /// 80 degrees off the axis, where TAN loses its sense.
    pub fn to_pixel(&self, direction: &Vector3) -> Option<PixelPoint> {
        if direction.z <= 0.173 * direction.norm() {
            return None;
        }
        let (x, y) = (direction.x / direction.z, direction.y / direction.z);
        let r2 = x * x + y * y;
        let stretch = 1.0 + self.k1 * r2 + self.k2 * r2 * r2;
        let f = self.focal_length_px * stretch;
        Some(PixelPoint::new(self.centre.x + f * x, self.centre.y - f * y))
    }

    /// The unit direction (right, up, forward) seen by a pixel.
    pub fn to_direction(&self, pixel: PixelPoint) -> Vector3 {
        let x = (pixel.x - self.centre.x) / self.focal_length_px;
        let y = (self.centre.y - pixel.y) / self.focal_length_px;
        let bent = x.hypot(y);
        // Undo the distortion by Newton's method; it is mild, so a few steps settle it.
        let mut r = bent;
        for _ in 0..8 {
            let r2 = r * r;
            let value = r * (1.0 + self.k1 * r2 + self.k2 * r2 * r2) - bent;
            let slope = 1.0 + 3.0 * self.k1 * r2 + 5.0 * self.k2 * r2 * r2;
            if slope.abs() > 0.1 {
                r -= value / slope;
            }
            // Far below a thousandth of a pixel of any sensor; without distortion at once.
            if value.abs() < 1e-9 {
                break;
            }
        }
        let undo = if bent > 0.0 { r / bent } else { 1.0 };
        Vector3::new(x * undo, y * undo, 1.0).normalize()
    }

    /// The matrix that carries small pixel offsets at a point onto offsets as they would be at the
    /// optical axis (rows of a 2x2 matrix). A disc on the sky is a circle there, an ellipse here.
    pub fn local_metric(&self, pixel: PixelPoint) -> [[f64; 2]; 2] {
        let step = 0.5;
        let at = |dx: f64, dy: f64| self.to_direction(PixelPoint::new(pixel.x + dx, pixel.y + dy));
        let du = (at(step, 0.0) - at(-step, 0.0)) * self.focal_length_px;
        let dv = (at(0.0, step) - at(0.0, -step)) * self.focal_length_px;
        let e1 = du.normalize();
        let across = dv - e1 * dv.dot(&e1);
        [[du.norm(), dv.dot(&e1)], [0.0, across.norm()]]
    }

    /// Mean radius in pixels of a disc of angular radius `semidiameter` seen at a pixel: the radius
    /// of the circle of equal area.
    pub fn disc_radius_px(&self, pixel: PixelPoint, semidiameter: Angle) -> f64 {
        let [[a, b], [c, d]] = self.local_metric(pixel);
        self.focal_length_px * semidiameter.radians() / (a * d - b * c).abs().sqrt()
    }
}

/// A lens aimed at the sky.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct CameraPointing {
    /// The lens.
    pub lens: Lens,
    /// Azimuth of the optical axis.
    pub azimuth: Angle,
    /// Altitude of the optical axis, as seen (refracted).
    pub altitude: Angle,
    /// The camera turned clockwise as seen from behind it.
    pub roll: Angle,
}

impl CameraPointing {
    /// Right, up and forward in the frame north, east, zenith.
    pub fn axes(&self) -> [Vector3; 3] {
        let (sa, ca) = self.azimuth.radians().sin_cos();
        let (sh, ch) = self.altitude.radians().sin_cos();
        let (sr, cr) = self.roll.radians().sin_cos();
        let right = Vector3::new(-sa, ca, 0.0);
        let up = Vector3::new(-sh * ca, -sh * sa, ch);
        let forward = Vector3::new(ch * ca, ch * sa, sh);
        [right * cr - up * sr, up * cr + right * sr, forward]
    }

    /// Where a direction of the (refracted) sky lands.
    pub fn to_pixel(&self, seen: Horizontal) -> Option<PixelPoint> {
        let [right, up, forward] = self.axes();
        let v = seen.direction();
        self.lens.to_pixel(&Vector3::new(v.dot(&right), v.dot(&up), v.dot(&forward)))
    }

    /// Which direction of the (refracted) sky a pixel sees.
    pub fn to_sky(&self, pixel: PixelPoint) -> Horizontal {
        let [right, up, forward] = self.axes();
        let d = self.lens.to_direction(pixel);
        Horizontal::from_direction(&(right * d.x + up * d.y + forward * d.z))
    }

    /// Direction on the image of the zenith at a point, clockwise from the image's up.
    pub fn zenith_turn(&self, pixel: PixelPoint) -> Angle {
        let here = self.to_sky(pixel);
        let above = Horizontal { altitude: here.altitude + Angle::from_degrees(0.05), ..here };
        self.to_pixel(above).map_or(Angle::ZERO, |p| Angle::from_radians((p.x - pixel.x).atan2(pixel.y - p.y)))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn camera() -> CameraPointing {
        CameraPointing {
            lens: Lens { k1: -0.03, k2: 0.004, ..Lens::rectilinear(3000, 2000, 1500.0) },
            azimuth: Angle::from_degrees(355.0),
            altitude: Angle::from_degrees(18.0),
            roll: Angle::from_degrees(1.5),
        }
    }

    #[test]
    fn the_sky_survives_the_round_trip() {
        for (az, alt) in [(37.0, 17.0), (314.0, 20.0), (0.0, 34.0), (350.0, -5.0)] {
            let seen = Horizontal { altitude: Angle::from_degrees(alt), azimuth: Angle::from_degrees(az) };
            let back = camera().to_sky(camera().to_pixel(seen).unwrap());
            assert!((back.direction() - seen.direction()).norm() < 1e-9);
        }
    }

    #[test]
    fn tan_is_the_gnomonic_projection() {
        // Calabretta & Greisen 2002, eq. 54: R = (180/pi) cot(theta); at 30 degrees off the axis
        // the offset is f tan 30.
        let lens = Lens::rectilinear(100, 100, 1000.0);
        let d = Vector3::new(Angle::from_degrees(30.0).sin(), 0.0, Angle::from_degrees(30.0).cos());
        let p = lens.to_pixel(&d).unwrap();
        assert!((p.x - 50.0 - 577.350_269).abs() < 1e-5 && (p.y - 50.0).abs() < 1e-9);
    }

    #[test]
    fn east_is_right_of_north_and_the_zenith_is_up() {
        let mut level = camera();
        level.roll = Angle::ZERO;
        level.azimuth = Angle::ZERO;
        let look = |az: f64, alt: f64| {
            level.to_pixel(Horizontal { altitude: Angle::from_degrees(alt), azimuth: Angle::from_degrees(az) }).unwrap()
        };
        assert!(look(10.0, 18.0).x > look(0.0, 18.0).x);
        assert!(look(0.0, 25.0).y < look(0.0, 18.0).y);
    }

    #[test]
    fn off_the_axis_a_disc_is_stretched_radially() {
        let lens = Lens::rectilinear(3000, 2000, 1500.0);
        let p = PixelPoint::new(1500.0 + 1500.0 * Angle::from_degrees(40.0).tan(), 1000.0);
        let [[a, _], [_, d]] = lens.local_metric(p);
        let c = Angle::from_degrees(40.0).cos();
        assert!((a - c * c).abs() < 1e-6 && (d - c).abs() < 1e-6);
    }
}
