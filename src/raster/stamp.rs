//! Stamps: small images with coverage, to be laid on a canvas.

use super::PixelRect;

/// An image with coverage and a place on the canvas; RGB is *not* multiplied by the coverage.
#[derive(Clone, Debug, PartialEq)]
pub struct Stamp {
    /// The canvas pixels it covers.
    pub rect: PixelRect,
    /// Red, green, blue (linear light) and coverage 0..1, interleaved, rows from the top.
    pub rgba: Vec<f32>,
}

impl Stamp {
    /// A transparent stamp over a rectangle.
    pub fn transparent(rect: PixelRect) -> Self {
        Stamp { rect, rgba: vec![0.0; rect.width() * rect.height() * 4] }
    }
    /// The pixel at canvas coordinates, if the stamp covers them.
    pub fn pixel(&self, x: i64, y: i64) -> Option<[f32; 4]> {
        let r = self.rect;
        if x < r.x0 || x >= r.x1 || y < r.y0 || y >= r.y1 {
            return None;
        }
        let at = ((y - r.y0) as usize * r.width() + (x - r.x0) as usize) * 4;
        Some([self.rgba[at], self.rgba[at + 1], self.rgba[at + 2], self.rgba[at + 3]])
    }
}
