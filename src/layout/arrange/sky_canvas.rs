//! Where directions in the sky fall on the canvas: through a solved camera, or in a projection.

use crate::raster::{Matrix2, PixelPoint};
use crate::sky::{CameraPointing, Horizontal, Projection};
use crate::units::Angle;
use nalgebra::Vector3;

/// Sky on a canvas.
pub(super) enum SkyCanvas {
    /// As a camera saw it.
    Camera {
        pointing: CameraPointing,
        /// Canvas pixels per pixel of the camera.
        scale: f64,
        /// Where the camera's upper left corner lies.
        corner: PixelPoint,
    },
    /// In a projection (Calabretta & Greisen 2002).
    Projected {
        projection: Projection,
        /// Right, up and forward in the frame north, east, zenith.
        axes: [Vector3<f64>; 3],
        /// Where forward lies.
        middle: PixelPoint,
        pixels_per_radian: f64,
    },
}

impl SkyCanvas {
    /// A projection about a direction, the zenith up.
    pub(super) fn projected(
        projection: Projection,
        centre: Horizontal,
        middle: PixelPoint,
        pixels_per_radian: f64,
    ) -> Self {
        let (sa, ca) = centre.azimuth.radians().sin_cos();
        let (sh, ch) = centre.altitude.radians().sin_cos();
        let right = Vector3::new(-sa, ca, 0.0);
        let up = Vector3::new(-sh * ca, -sh * sa, ch);
        let forward = Vector3::new(ch * ca, ch * sa, sh);
        SkyCanvas::Projected { projection, axes: [right, up, forward], middle, pixels_per_radian }
    }

    /// Where a direction, as seen through the air, falls.
    pub(super) fn to_canvas(&self, seen: Horizontal) -> Option<PixelPoint> {
        match self {
            SkyCanvas::Camera { pointing, scale, corner } => {
                let at = pointing.to_pixel(seen)?;
                Some(PixelPoint::new(corner.x + at.x * scale, corner.y + at.y * scale))
            }
            SkyCanvas::Projected { projection, axes, middle, pixels_per_radian } => {
                let d = seen.direction();
                let own = Vector3::new(d.dot(&axes[0]), d.dot(&axes[1]), d.dot(&axes[2]));
                let (x, y) = projection.forward(&own)?;
                Some(PixelPoint::new(middle.x + pixels_per_radian * x, middle.y - pixels_per_radian * y))
            }
        }
    }

    /// Canvas offsets (right, down) of a small step to the right along the horizon and of one up to the zenith,
    /// per radian.
    fn steps(&self, seen: Horizontal) -> Option<[(f64, f64); 2]> {
        const STEP: f64 = 2e-4;
        let at = |across: f64, up: f64| {
            self.to_canvas(Horizontal {
                azimuth: seen.azimuth + Angle::from_radians(across / seen.altitude.radians().cos().max(1e-6)),
                altitude: seen.altitude + Angle::from_radians(up),
            })
        };
        let (e, w) = (at(STEP, 0.0)?, at(-STEP, 0.0)?);
        let (u, d) = (at(0.0, STEP)?, at(0.0, -STEP)?);
        let per = 2.0 * STEP;
        Some([((e.x - w.x) / per, (e.y - w.y) / per), ((u.x - d.x) / per, (u.y - d.y) / per)])
    }

    /// The zenith's direction there, clockwise from the canvas's up.
    pub(super) fn zenith_turn(&self, seen: Horizontal) -> Option<Angle> {
        let [_, up] = self.steps(seen)?;
        Some(Angle::from_radians(up.0.atan2(-up.1)))
    }

    /// Pixels of a radian there: the geometric mean over directions.
    pub(super) fn pixels_per_radian(&self, seen: Horizontal) -> Option<f64> {
        let [across, up] = self.steps(seen)?;
        Some((across.0 * up.1 - across.1 * up.0).abs().sqrt())
    }

    /// Canvas offset to an offset on an unstretched sky that is turned as the canvas is: identity where a small
    /// circle stays a circle.
    pub(super) fn stretch(&self, seen: Horizontal) -> Option<Matrix2> {
        let [across, up] = self.steps(seen)?;
        let k = self.pixels_per_radian(seen)?;
        let turn = self.zenith_turn(seen)?.radians();
        let (sin, cos) = turn.sin_cos();
        // An offset on the sky (right along the horizon, down from the zenith) to the canvas, and back.
        let to_canvas = [[across.0 / k, -up.0 / k], [across.1 / k, -up.1 / k]];
        let to_sky = super::inverse(to_canvas);
        // Turned with the zenith where the canvas has it.
        Some(super::times([[cos, -sin], [sin, cos]], to_sky))
    }
}
