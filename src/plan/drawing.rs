//! The plan as a picture: the track in the first rig's frame, and the night's altitude and brightness.
//!
//! A [`Drawing`] is a short list of shapes; `svg` writes it as text, `png` paints it.

mod png;
mod scenes;
mod svg;

pub use scenes::draw;

/// An sRGB colour.
pub(super) type Colour = [u8; 3];

/// A shape, in pixels of the sheet.
#[derive(Clone, Debug)]
pub(super) enum Shape {
    /// A filled rectangle.
    Rect { x: f64, y: f64, width: f64, height: f64, fill: Colour },
    /// A line through points.
    Line { points: Vec<(f64, f64)>, colour: Colour, width: f64 },
    /// A filled disc.
    Disc { x: f64, y: f64, radius: f64, fill: Colour },
    /// Words; `anchor` 0 starts, 0.5 centres, 1 ends at x; y is the baseline.
    Words { x: f64, y: f64, size: f64, anchor: f64, text: String, colour: Colour },
}

/// A sheet of shapes.
#[derive(Clone, Debug)]
pub struct Drawing {
    pub(super) width: usize,
    pub(super) height: usize,
    pub(super) ground: Colour,
    pub(super) shapes: Vec<Shape>,
}

impl Drawing {
    /// As an SVG 1.1 document.
    pub fn to_svg(&self) -> String {
        svg::write(self)
    }
    /// As pixels: eight-bit sRGB, interleaved; width and height beside them.
    pub fn to_pixels(&self) -> (usize, usize, Vec<u8>) {
        png::paint(self)
    }
}
