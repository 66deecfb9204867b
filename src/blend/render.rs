//! Any range of rows of a composition.

use super::composite::{over, tone};
use super::develop::DevelopedDisc;
use super::mask::{coverage, reach};
use crate::layout::{BlendMode, Composition, Mark, Placement};
use crate::raster::{LinearImage, LinearMap, Matrix2, PixelPoint, PixelRect, Stamp, resample};
use rayon::prelude::*;
use std::ops::Range;

/// Where the renderer gets the frames' pixels from.
pub trait FramePixels: Sync {
    /// The developed disc of a placement, by its index; `None` when its frame cannot be had.
    fn disc(&self, index: usize) -> Option<&DevelopedDisc>;
    /// The backplate's frame.
    fn backplate(&self) -> Option<&LinearImage>;
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
                self.lay(out, band, rect, placement, disc);
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
        let (Some(plate), Some(frame)) = (&c.backplate, self.frames.backplate()) else { return };
        let same_size = plate.scale == 1.0 && (frame.width(), frame.height()) == (c.width, c.height);
        if same_size {
            let from = band.y0 as usize * c.width * 3;
            out.copy_from_slice(&frame.data()[from..from + out.len()]);
        } else {
            let identity: Matrix2 = [[1.0 / plate.scale, 0.0], [0.0, 1.0 / plate.scale]];
            let corner = PixelPoint::default();
            let map = LinearMap { source_centre: corner, target_centre: corner, to_source: identity };
            out.copy_from_slice(&resample(frame, &map, band));
        }
        if plate.gain != 1.0 {
            out.iter_mut().for_each(|v| *v *= plate.gain);
        }
    }

    fn lay(&self, out: &mut [f32], band: PixelRect, rect: PixelRect, p: &Placement, disc: &DevelopedDisc) {
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
            let source = [pixel[0], pixel[1], pixel[2]].map(|v| (v * disc.gain).max(0.0));
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
                over(BlendMode::Normal, &mut out[at..at + 3], ink, cover);
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
                over(BlendMode::Normal, &mut out[at..at + 3], [r, g, b], cover);
            }
        }
    }
}
