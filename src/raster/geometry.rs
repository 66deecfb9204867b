//! Points, rectangles and similarity transforms in pixel coordinates.

use crate::units::Angle;
use serde::{Deserialize, Serialize};

/// A point in pixel coordinates (origin at the top-left corner of the first pixel).
#[derive(Clone, Copy, Debug, PartialEq, Default, Serialize, Deserialize)]
pub struct PixelPoint {
    /// To the right.
    pub x: f64,
    /// Downwards.
    pub y: f64,
}

impl PixelPoint {
    /// From coordinates.
    pub const fn new(x: f64, y: f64) -> Self {
        PixelPoint { x, y }
    }
    /// Distance to another point, in pixels.
    pub fn distance(self, other: PixelPoint) -> f64 {
        (self.x - other.x).hypot(self.y - other.y)
    }
}

/// A rectangle of whole pixels: `x0 <= x < x1`, `y0 <= y < y1`.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct PixelRect {
    /// Left edge.
    pub x0: i64,
    /// Top edge.
    pub y0: i64,
    /// One past the right edge.
    pub x1: i64,
    /// One past the bottom edge.
    pub y1: i64,
}

impl PixelRect {
    /// The smallest rectangle of whole pixels that holds a disc.
    pub fn around(centre: PixelPoint, reach_px: f64) -> Self {
        PixelRect {
            x0: (centre.x - reach_px).floor() as i64,
            y0: (centre.y - reach_px).floor() as i64,
            x1: (centre.x + reach_px).ceil() as i64,
            y1: (centre.y + reach_px).ceil() as i64,
        }
    }
    /// The whole of an image.
    pub fn of_size(width: usize, height: usize) -> Self {
        PixelRect { x0: 0, y0: 0, x1: width as i64, y1: height as i64 }
    }
    /// The part common to two rectangles; may be empty.
    pub fn intersection(self, other: PixelRect) -> PixelRect {
        PixelRect {
            x0: self.x0.max(other.x0),
            y0: self.y0.max(other.y0),
            x1: self.x1.min(other.x1),
            y1: self.y1.min(other.y1),
        }
    }
    /// Whether a place lies inside, or within a distance of it along both axes.
    pub fn is_near(self, x: f64, y: f64, within_px: f64) -> bool {
        x > self.x0 as f64 - within_px
            && x < self.x1 as f64 + within_px
            && y > self.y0 as f64 - within_px
            && y < self.y1 as f64 + within_px
    }
    /// The rectangle in pixels that a rectangle of blocks, each of so many pixels a side, covers.
    #[must_use]
    pub fn enlarged(self, by: usize) -> Self {
        let by = by.max(1) as i64;
        PixelRect { x0: self.x0 * by, y0: self.y0 * by, x1: self.x1 * by, y1: self.y1 * by }
    }

    /// Whether it holds no pixel.
    pub fn is_empty(self) -> bool {
        self.x1 <= self.x0 || self.y1 <= self.y0
    }
    /// Width in pixels, zero when empty.
    pub fn width(self) -> usize {
        (self.x1 - self.x0).max(0) as usize
    }
    /// Height in pixels, zero when empty.
    pub fn height(self) -> usize {
        (self.y1 - self.y0).max(0) as usize
    }
}

/// A turn, a scale and a shift that carry source pixels onto target pixels.
///
/// `target = scale * R(turn) * (source - source_centre) + target_centre`, where a positive
/// turn is clockwise as seen on the screen (y points down).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Similarity {
    /// The source point that lands on `target_centre`.
    pub source_centre: PixelPoint,
    /// Where it lands.
    pub target_centre: PixelPoint,
    /// Target pixels per source pixel.
    pub scale: f64,
    /// Clockwise on the screen.
    pub turn: Angle,
}

impl Similarity {
    /// Where a source point lands.
    pub fn apply(&self, source: PixelPoint) -> PixelPoint {
        let (s, c) = self.turn.radians().sin_cos();
        let (dx, dy) = (source.x - self.source_centre.x, source.y - self.source_centre.y);
        PixelPoint {
            x: self.target_centre.x + self.scale * (c * dx - s * dy),
            y: self.target_centre.y + self.scale * (s * dx + c * dy),
        }
    }
    /// Which source point lands on a target point.
    pub fn invert(&self, target: PixelPoint) -> PixelPoint {
        let (s, c) = self.turn.radians().sin_cos();
        let dx = (target.x - self.target_centre.x) / self.scale;
        let dy = (target.y - self.target_centre.y) / self.scale;
        PixelPoint { x: self.source_centre.x + c * dx + s * dy, y: self.source_centre.y - s * dx + c * dy }
    }
}

/// A 2x2 matrix, rows first.
pub type Matrix2 = [[f64; 2]; 2];

/// Which source point each target point takes its light from: a shift and any linear map.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LinearMap {
    /// The source point that lands on `target_centre`.
    pub source_centre: PixelPoint,
    /// Where it lands.
    pub target_centre: PixelPoint,
    /// Source offset of a target offset.
    pub to_source: Matrix2,
}

impl LinearMap {
    /// The source point of a target point.
    pub fn source_of(&self, target: PixelPoint) -> PixelPoint {
        let (x, y) = (target.x - self.target_centre.x, target.y - self.target_centre.y);
        let m = self.to_source;
        PixelPoint {
            x: self.source_centre.x + m[0][0] * x + m[0][1] * y,
            y: self.source_centre.y + m[1][0] * x + m[1][1] * y,
        }
    }
    /// Source pixels per target pixel, in the direction in which they are most (an upper bound
    /// that is exact for similarities).
    pub fn reduction(&self) -> f64 {
        let [[a, b], [c, d]] = self.to_source;
        a.hypot(c).max(b.hypot(d))
    }
}

impl From<Similarity> for LinearMap {
    fn from(s: Similarity) -> Self {
        let (sin, cos) = s.turn.radians().sin_cos();
        LinearMap {
            source_centre: s.source_centre,
            target_centre: s.target_centre,
            to_source: [[cos / s.scale, sin / s.scale], [-sin / s.scale, cos / s.scale]],
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_similarity_undoes_itself() {
        let map = Similarity {
            source_centre: PixelPoint::new(12.0, -3.0),
            target_centre: PixelPoint::new(400.0, 250.5),
            scale: 1.7,
            turn: Angle::from_degrees(33.0),
        };
        let start = PixelPoint::new(20.25, 8.5);
        assert!(map.invert(map.apply(start)).distance(start) < 1e-9);
    }

    #[test]
    fn a_quarter_turn_sends_right_to_down() {
        let map = Similarity {
            source_centre: PixelPoint::default(),
            target_centre: PixelPoint::default(),
            scale: 1.0,
            turn: Angle::from_degrees(90.0),
        };
        let landed = map.apply(PixelPoint::new(1.0, 0.0));
        assert!(landed.distance(PixelPoint::new(0.0, 1.0)) < 1e-12);
    }
}
