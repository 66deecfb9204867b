//! The drawing as pixels: painted at twice the size and reduced, which smooths every edge.

use super::{Colour, Drawing, Shape};
use ab_glyph::PxScale;
use fast_image_resize::images::{TypedImage, TypedImageRef};
use fast_image_resize::pixels::F32x3;
use fast_image_resize::{FilterType, ResizeAlg, ResizeOptions, Resizer};
use image::{Rgb, RgbImage};
use imageproc::drawing::{draw_filled_circle_mut, draw_filled_rect_mut, draw_polygon_mut, draw_text_mut, text_size};
use imageproc::point::Point;
use imageproc::rect::Rect;

const SCALE: f64 = 2.0;

fn px(v: f64) -> i32 {
    (v * SCALE).round() as i32
}

/// One stretch of a line as a quadrilateral with round ends.
fn stretch(canvas: &mut RgbImage, a: (f64, f64), b: (f64, f64), width: f64, colour: Rgb<u8>) {
    let (dx, dy) = (b.0 - a.0, b.1 - a.1);
    let length = dx.hypot(dy);
    if length > 1e-9 {
        let (nx, ny) = (-dy / length * width / 2.0, dx / length * width / 2.0);
        let corners = [(a.0 + nx, a.1 + ny), (b.0 + nx, b.1 + ny), (b.0 - nx, b.1 - ny), (a.0 - nx, a.1 - ny)];
        let mut polygon: Vec<Point<i32>> = corners.iter().map(|c| Point::new(px(c.0), px(c.1))).collect();
        polygon.dedup();
        if polygon.len() > 2 && polygon.first() != polygon.last() {
            draw_polygon_mut(canvas, &polygon, colour);
        }
    }
    draw_filled_circle_mut(canvas, (px(b.0), px(b.1)), px(width / 2.0).max(1), colour);
}

fn draw_shape(canvas: &mut RgbImage, shape: &Shape) {
    let ink = |c: Colour| Rgb(c);
    match shape {
        Shape::Rect { x, y, width, height, fill } => {
            let rect = Rect::at(px(*x), px(*y)).of_size(px(*width).max(1) as u32, px(*height).max(1) as u32);
            draw_filled_rect_mut(canvas, rect, ink(*fill));
        }
        Shape::Line { points, colour, width } => {
            points.windows(2).for_each(|p| stretch(canvas, p[0], p[1], *width, ink(*colour)));
        }
        Shape::Disc { x, y, radius, fill } => {
            draw_filled_circle_mut(canvas, (px(*x), px(*y)), px(*radius).max(1), ink(*fill));
        }
        Shape::Words { x, y, size, anchor, text, colour } => {
            let Ok(font) = crate::labels::font() else { return };
            // A font's em is some 0.82 of the line height that the painter counts in.
            let scale = PxScale::from((size * 1.21 * SCALE) as f32);
            let (wide, _) = text_size(scale, &font, text);
            let left = px(*x) - (f64::from(wide) * anchor) as i32;
            let top = px(*y) - (size * 1.17 * SCALE) as i32;
            draw_text_mut(canvas, ink(*colour), left, top, scale, &font, text);
        }
    }
}

pub(super) fn paint(drawing: &Drawing) -> (usize, usize, Vec<u8>) {
    let (w, h) = (drawing.width as u32, drawing.height as u32);
    let mut canvas = RgbImage::from_pixel(w * SCALE as u32, h * SCALE as u32, Rgb(drawing.ground));
    drawing.shapes.iter().for_each(|s| draw_shape(&mut canvas, s));
    let (cw, ch) = canvas.dimensions();
    // Of one kind of pixel, and of floats: where the kind is told at run time the code of all is built, and that of integers in
    // fifteen precisions, together a fourth of the whole library's.
    let floats: Vec<F32x3> = canvas.pixels().map(|p| F32x3::new(p.0.map(f32::from))).collect();
    let mut out = TypedImage::<F32x3>::new(w, h);
    let options = ResizeOptions::new().resize_alg(ResizeAlg::Convolution(FilterType::Box));
    let reduced = TypedImageRef::new(cw, ch, &floats)
        .ok()
        .and_then(|source| Resizer::new().resize_typed(&source, &mut out, &options).ok());
    // Both sizes are known and fit; the ground alone would be left otherwise.
    let pixels = if reduced.is_some() {
        out.pixels().iter().flat_map(|p| p.0.map(|v| v.round() as u8)).collect()
    } else {
        drawing.ground.repeat((w * h) as usize)
    };
    (w as usize, h as usize, pixels)
}
