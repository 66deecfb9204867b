//! Any range of rows of a composition.

use super::composite::{over, tone};
use super::develop::DevelopedDisc;
use super::mask::{coverage, reach};
use crate::layout::{BlendChoice, Composition, Mark, Placement};
use crate::raster::{LinearImage, LinearMap, Matrix2, PixelPoint, PixelRect, Stamp, resample};
use rayon::prelude::*;
use std::ops::Range;
use std::sync::Arc;

/// Where the renderer gets the frames' pixels from.
pub trait FramePixels: Sync {
    /// The developed disc of a placement, by its index; `None` when its frame cannot be had.
    fn disc(&self, index: usize) -> Option<Arc<DevelopedDisc>>;
    /// Factors on the light of a placement's disc.
    fn gain(&self, index: usize) -> [f32; 3];
    /// Light of the part of `rect` that lies inside the backplate's frame, and that part.
    fn backplate(&self, rect: PixelRect) -> Option<(LinearImage, PixelRect)>;
}

/// The rows of the canvas that a placement can touch.
pub fn disc_rows(p: &Placement, height: usize) -> Range<usize> {
    let rect = reach(p);
    let within = |y: i64| y.clamp(0, height as i64) as usize;
    within(rect.y0)..within(rect.y1)
}

/// Draws a composition.
pub struct Renderer<'a> {
    composition: &'a Composition,
    frames: &'a dyn FramePixels,
    stamps: &'a [Stamp],
}

/// Rows that one thread draws at a time.
const ROWS_PER_TASK: usize = 16;

impl<'a> Renderer<'a> {
    /// A renderer for a composition, its frames' pixels and its words.
    pub fn new(composition: &'a Composition, frames: &'a dyn FramePixels, stamps: &'a [Stamp]) -> Self {
        Renderer { composition, frames, stamps }
    }

    /// The rows `rows` as interleaved linear RGB.
    pub fn rows(&self, rows: Range<usize>) -> Vec<f32> {
        let width = self.composition.width;
        let mut out = vec![0.0; rows.len() * width * 3];
        out.par_chunks_mut(ROWS_PER_TASK * width * 3).enumerate().for_each(|(i, chunk)| {
            let y0 = rows.start + i * ROWS_PER_TASK;
            self.draw(chunk, y0, y0 + chunk.len() / (width * 3));
        });
        out
    }

    fn draw(&self, out: &mut [f32], y0: usize, y1: usize) {
        let c = self.composition;
        let band = PixelRect { x0: 0, y0: y0 as i64, x1: c.width as i64, y1: y1 as i64 };
        self.ground(out, band);
        for (index, placement) in c.placements.iter().enumerate() {
            let rect = reach(placement).intersection(band);
            if !rect.is_empty()
                && let Some(disc) = self.frames.disc(index)
            {
                self.lay(out, band, rect, placement, (&disc, self.frames.gain(index)));
            }
        }
        for mark in &c.marks {
            draw_mark(out, band, mark);
        }
        for stamp in self.stamps {
            lay_stamp(out, band, stamp);
        }
    }

    /// Background, then the backplate.
    fn ground(&self, out: &mut [f32], band: PixelRect) {
        let c = self.composition;
        out.chunks_exact_mut(3).for_each(|p| p.copy_from_slice(&c.background));
        let Some(plate) = &c.backplate else { return };
        // The frame's rows under the band, with room for the kernel.
        let room = 4.0 * (1.0 / plate.scale).max(1.0);
        let needed = PixelRect {
            x0: 0,
            y0: (band.y0 as f64 / plate.scale - room).floor() as i64,
            x1: (band.x1 as f64 / plate.scale + room).ceil() as i64,
            y1: (band.y1 as f64 / plate.scale + room).ceil() as i64,
        };
        let whole = plate.scale == 1.0;
        let Some((frame, part)) = self.frames.backplate(if whole { band } else { needed }) else { return };
        if whole && part == band {
            out.copy_from_slice(frame.data());
        } else {
            let to_source: Matrix2 = [[1.0 / plate.scale, 0.0], [0.0, 1.0 / plate.scale]];
            let source_centre = PixelPoint::new(-part.x0 as f64, -part.y0 as f64);
            let map = LinearMap { source_centre, target_centre: PixelPoint::default(), to_source };
            out.copy_from_slice(&resample(&frame, &map, band));
        }
        if plate.gain != 1.0 {
            out.iter_mut().for_each(|v| *v *= plate.gain);
        }
    }

    fn lay(
        &self,
        out: &mut [f32],
        band: PixelRect,
        rect: PixelRect,
        p: &Placement,
        (disc, gain): (&DevelopedDisc, [f32; 3]),
    ) {
        let mut map = p.map;
        map.source_centre.x -= disc.origin.x;
        map.source_centre.y -= disc.origin.y;
        let light = resample(&disc.image, &map, rect);
        let centre = p.centre();
        for (i, pixel) in light.chunks_exact(3).enumerate() {
            let (x, y) = (rect.x0 + (i % rect.width()) as i64, rect.y0 + (i / rect.width()) as i64);
            let cover = coverage(p, x as f64 + 0.5 - centre.x, y as f64 + 0.5 - centre.y);
            if cover <= 0.0 {
                continue;
            }
            // Sky subtraction leaves noise about nil; light below nothing is nothing.
            let source = std::array::from_fn(|c| (pixel[c] * gain[c]).max(0.0));
            let source = tone(&self.composition.tone, source);
            let at = ((y - band.y0) as usize * self.composition.width + x as usize) * 3;
            over(p.blend, &mut out[at..at + 3], source, cover);
        }
    }
}

fn draw_mark(out: &mut [f32], band: PixelRect, mark: &Mark) {
    let Mark::Circle { x_px, y_px, radius_px, line_px, ink, opacity } = *mark;
    let half = line_px / 2.0;
    for y in band.y0..band.y1 {
        let dy = y as f64 + 0.5 - y_px;
        if dy.abs() > radius_px + half + 1.0 {
            continue;
        }
        for x in 0..band.width() {
            let off = ((x as f64 + 0.5 - x_px).hypot(dy) - radius_px).abs();
            let cover = (half + 0.5 - off).clamp(0.0, 1.0) as f32 * opacity;
            if cover > 0.0 {
                let at = ((y - band.y0) as usize * band.width() + x) * 3;
                over(BlendChoice::Normal, &mut out[at..at + 3], ink, cover);
            }
        }
    }
}

fn lay_stamp(out: &mut [f32], band: PixelRect, stamp: &Stamp) {
    let rect = stamp.rect.intersection(band);
    for y in rect.y0..rect.y1 {
        for x in rect.x0..rect.x1 {
            if let Some([r, g, b, cover]) = stamp.pixel(x, y) {
                let at = ((y - band.y0) as usize * band.width() + x as usize) * 3;
                over(BlendChoice::Normal, &mut out[at..at + 3], [r, g, b], cover);
            }
        }
    }
}
