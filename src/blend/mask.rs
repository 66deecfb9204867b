//! How much of a canvas pixel a disc covers.

use crate::composition::Placement;
use crate::raster::PixelRect;

/// The canvas pixels that a disc can touch.
pub(super) fn reach(p: &Placement) -> PixelRect {
    let [[a, b], [c, d]] = p.to_disc;
    let det = (a * d - b * c).abs();
    // Half extents of the ellipse |to_disc x| = 1.
    let (half_x, half_y) = (d.hypot(b) / det, a.hypot(c) / det);
    let soft = p.feather_px + 2.0;
    let centre = p.centre();
    PixelRect {
        x0: (centre.x - half_x - soft).floor() as i64,
        y0: (centre.y - half_y - soft).floor() as i64,
        x1: (centre.x + half_x + soft).ceil() as i64,
        y1: (centre.y + half_y + soft).ceil() as i64,
    }
}

/// Coverage of the pixel whose centre is at an offset from the disc's centre: whole up to the
/// limb, nothing from the feather's end on (a pixel more, so that the limb's own blur is kept).
pub(super) fn coverage(p: &Placement, dx: f64, dy: f64) -> f32 {
    let m = p.to_disc;
    let (u, v) = (m[0][0] * dx + m[0][1] * dy, m[1][0] * dx + m[1][1] * dy);
    let beyond = (u.hypot(v) - 1.0) * p.radius_px;
    let t = (1.0 - beyond / (p.feather_px + 1.0)).clamp(0.0, 1.0);
    (t * t * (3.0 - 2.0 * t)) as f32
}
