//! The drawing as SVG 1.1.

use super::{Colour, Drawing, Shape};
use crate::diag::in_markup;
use std::fmt::Write as _;

fn hex(c: Colour) -> String {
    format!("#{:02x}{:02x}{:02x}", c[0], c[1], c[2])
}

pub(super) fn write(drawing: &Drawing) -> String {
    let (w, h) = (drawing.width, drawing.height);
    let mut out = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{w}\" height=\"{h}\" viewBox=\"0 0 {w} {h}\" font-family=\"Inter, Helvetica, Arial, sans-serif\">\n<rect width=\"{w}\" height=\"{h}\" fill=\"{}\"/>\n",
        hex(drawing.ground)
    );
    for shape in &drawing.shapes {
        // Writing to a string cannot fail.
        let _ = match shape {
            Shape::Rect { x, y, width, height, fill } => writeln!(
                out,
                "<rect x=\"{x:.1}\" y=\"{y:.1}\" width=\"{width:.1}\" height=\"{height:.1}\" fill=\"{}\"/>",
                hex(*fill)
            ),
            Shape::Line { points, colour, width } => {
                let path: Vec<String> = points.iter().map(|(x, y)| format!("{x:.1},{y:.1}")).collect();
                writeln!(
                    out,
                    "<polyline points=\"{}\" fill=\"none\" stroke=\"{}\" stroke-width=\"{width:.1}\" stroke-linejoin=\"round\"/>",
                    path.join(" "),
                    hex(*colour)
                )
            }
            Shape::Disc { x, y, radius, fill } => {
                writeln!(out, "<circle cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"{radius:.1}\" fill=\"{}\"/>", hex(*fill))
            }
            Shape::Words { x, y, size, anchor, text, colour } => {
                let anchor = if *anchor < 0.25 {
                    "start"
                } else if *anchor < 0.75 {
                    "middle"
                } else {
                    "end"
                };
                writeln!(
                    out,
                    "<text x=\"{x:.1}\" y=\"{y:.1}\" font-size=\"{size:.0}\" text-anchor=\"{anchor}\" fill=\"{}\">{}</text>",
                    hex(*colour),
                    in_markup(text)
                )
            }
        };
    }
    out.push_str("</svg>\n");
    out
}
