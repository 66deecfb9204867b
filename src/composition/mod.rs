//! The composition: what is drawn, resolved to pixels and radians, in drawing order.
//!
//! `layout` makes it of a night, `labels` finds its words room, `blend` draws it without asking anything else, and
//! `compose --dry-run` prints it. A `placement` is one disc, a `backplate` the frame below them, `development` what is done to
//! the light of all, `words` what is written and marked.

mod backplate;
mod development;
mod placement;
mod words;

pub use backplate::{BackplatePlacement, ForegroundPlacement, OwnMoon};
pub use development::{AirTreatment, BlendMode, Development, Sharpening, ToneCurve};
pub use placement::{Companion, DiscSky, Gain, Lift, Placement, ShadowOnDisc};
pub use words::{Beside, Mark, TextAnchor, TextRequest};

use crate::raster::{Matrix2, PixelPoint};
use serde::Serialize;

/// Everything that is drawn, in drawing order.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Composition {
    /// `moonloom-composition-2`.
    pub schema: &'static str,
    /// Width, pixels.
    pub width: usize,
    /// Height, pixels.
    pub height: usize,
    /// Print resolution.
    pub dots_per_inch: f64,
    /// Linear RGB below everything.
    pub background: [f32; 3],
    /// Frames below the discs.
    pub backplates: Vec<BackplatePlacement>,
    /// The discs, later ones above.
    pub placements: Vec<Placement>,
    /// How the light of all discs is developed.
    pub development: Development,
    /// The curve that all discs pass.
    pub tone: ToneCurve,
    /// Marks above the discs.
    pub marks: Vec<Mark>,
    /// Words above everything.
    pub texts: Vec<TextRequest>,
    /// The sheet's title, filled for the night.
    pub title: Option<String>,
    /// How the picture was made, for its metadata.
    pub description: String,
}

impl Composition {
    /// Another picture as wide as this one, below it.
    pub fn append_below(&mut self, mut below: Composition) {
        let by = self.height as f64;
        self.height += below.height;
        below.backplates.iter_mut().for_each(|b| b.corner_px.1 += by);
        below.placements.iter_mut().for_each(|p| p.map.target_centre.y += by);
        for mark in &mut below.marks {
            match mark {
                Mark::Circle { y_px, .. } => *y_px += by,
                Mark::Line { points_px, .. } => points_px.iter_mut().for_each(|p| p.1 += by),
            }
        }
        for text in &mut below.texts {
            text.y_px += by;
            if let Some(beside) = &mut text.beside {
                beside.y_px += by;
            }
        }
        self.backplates.extend(below.backplates);
        self.placements.extend(below.placements);
        self.marks.extend(below.marks);
        self.texts.extend(below.texts);
    }

    /// The same picture with so many times its pixels a side.
    pub fn scaled(mut self, factor: f64) -> Self {
        self.width = (self.width as f64 * factor).round().max(1.0) as usize;
        self.height = (self.height as f64 * factor).round().max(1.0) as usize;
        self.dots_per_inch *= factor;
        for b in &mut self.backplates {
            b.scale *= factor;
            b.corner_px = (b.corner_px.0 * factor, b.corner_px.1 * factor);
            b.size_px = (b.size_px.0 * factor, b.size_px.1 * factor);
        }
        let smaller = |m: Matrix2| m.map(|row| row.map(|v| v / factor));
        for p in &mut self.placements {
            p.map.target_centre = PixelPoint::new(p.map.target_centre.x * factor, p.map.target_centre.y * factor);
            p.map.to_source = smaller(p.map.to_source);
            p.to_disc = smaller(p.to_disc);
            p.radius_px *= factor;
            p.feather_px *= factor;
        }
        for m in &mut self.marks {
            match m {
                Mark::Circle { x_px, y_px, radius_px, line_px, .. } => {
                    [x_px, y_px, radius_px, line_px].into_iter().for_each(|v| *v *= factor);
                }
                Mark::Line { points_px, line_px, .. } => {
                    *line_px *= factor;
                    points_px.iter_mut().for_each(|p| *p = (p.0 * factor, p.1 * factor));
                }
            }
        }
        for t in &mut self.texts {
            [&mut t.x_px, &mut t.y_px, &mut t.size_px].into_iter().for_each(|v| *v *= factor);
            if let Some(b) = &mut t.beside {
                [&mut b.x_px, &mut b.y_px, &mut b.radius_px].into_iter().for_each(|v| *v *= factor);
            }
        }
        self
    }
}
