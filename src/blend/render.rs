//! Any range of rows of a composition.

use super::composite::{over, tone};
use super::disc::DevelopedDisc;
use super::mask::{coverage, reach};
use crate::composition::{BackplatePlacement, BlendMode, Composition, Mark, Placement};
use crate::raster::{
    Kernel, LinearImage, LinearMap, Matrix2, PixelPoint, PixelRect, Plane, Stamp, block_side, resample, resample_where,
};
use rayon::prelude::*;
use std::ops::Range;
use std::sync::Arc;

/// Where the renderer gets the frames' pixels from.
pub trait FramePixels: Sync {
    /// The developed disc of a placement, by its index; `None` when its frame cannot be had.
    fn disc(&self, index: usize) -> Option<Arc<DevelopedDisc>>;
    /// Factors on the light of a placement's disc.
    fn gain(&self, index: usize) -> [f32; 3];
    /// By how much the tone curve may raise that light before its noise or its file's steps show.
    fn most_raised(&self, _index: usize) -> f32 {
        f32::INFINITY
    }
    /// Light of the part of a rectangle that lies inside a backplate's frame, and that part; `None` without one.
    fn backplate(&self, _index: usize, _rect: PixelRect) -> Option<(LinearImage, PixelRect)> {
        None
    }
    /// The most light that the sky behind a placement's disc has, red, green and blue: what is brighter there is a star,
    /// which the Moon hid. `None` where the ground is no sky.
    fn sky_behind(&self, _index: usize) -> Option<[f32; 3]> {
        None
    }
    /// How much of the Moon may show over a part of a backplate's frame, 0..1, and that part; `None` where nothing
    /// stands before it.
    fn shows(&self, _index: usize, _rect: PixelRect) -> Option<(Plane, PixelRect)> {
        None
    }
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
    /// Which placements are shown; all, if nobody says.
    shown: Option<&'a [bool]>,
}

/// Rows that one thread draws at a time.
const ROWS_PER_TASK: usize = 16;

impl<'a> Renderer<'a> {
    /// A renderer for a composition, its frames' pixels and its words.
    pub fn new(composition: &'a Composition, frames: &'a dyn FramePixels, stamps: &'a [Stamp]) -> Self {
        Renderer { composition, frames, stamps, shown: None }
    }

    /// The same with some of the placements alone.
    #[must_use]
    pub fn showing(self, shown: &'a [bool]) -> Self {
        Renderer { shown: Some(shown), ..self }
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
            let is_shown = self.shown.is_none_or(|shown| shown.get(index).copied().unwrap_or(true));
            if is_shown
                && !rect.is_empty()
                && let Some(disc) = self.frames.disc(index)
            {
                let (gain, most_raised) = (self.frames.gain(index), self.frames.most_raised(index));
                let light = Laid { disc: &disc, gain, most_raised, behind: self.frames.sky_behind(index) };
                self.lay(out, band, rect, placement, &light);
            }
        }
        c.marks.iter().for_each(|mark| draw_mark(out, band, mark));
        for stamp in self.stamps {
            lay_stamp(out, band, stamp);
        }
    }

    /// Background, then the backplates.
    fn ground(&self, out: &mut [f32], band: PixelRect) {
        let c = self.composition;
        out.chunks_exact_mut(3).for_each(|p| p.copy_from_slice(&c.background));
        for (index, plate) in c.backplates.iter().enumerate() {
            self.lay_plate(out, band, index, plate);
        }
    }

    fn lay_plate(&self, out: &mut [f32], band: PixelRect, index: usize, plate: &BackplatePlacement) {
        let whole = |v: f64| v.round() as i64;
        let covers = PixelRect {
            x0: whole(plate.corner_px.0),
            y0: whole(plate.corner_px.1),
            x1: whole(plate.corner_px.0 + plate.size_px.0),
            y1: whole(plate.corner_px.1 + plate.size_px.1),
        };
        let rect = covers.intersection(band);
        if rect.is_empty() {
            return;
        }
        let needed = frame_rect(plate, rect);
        let is_whole = plate.scale == 1.0 && plate.corner_px == (0.0, 0.0);
        let Some((frame, part)) = self.frames.backplate(index, if is_whole { rect } else { needed }) else { return };
        let light = if is_whole && part == rect {
            frame.data().to_vec()
        } else {
            let to_source: Matrix2 = [[1.0 / plate.scale, 0.0], [0.0, 1.0 / plate.scale]];
            let source_centre = PixelPoint::new(-part.x0 as f64, -part.y0 as f64);
            let target_centre = PixelPoint::new(plate.corner_px.0, plate.corner_px.1);
            let kernel = if plate.scale < 1.0 { Kernel::Hamming } else { Kernel::Lanczos };
            resample(&frame, &LinearMap { source_centre, target_centre, to_source }, rect, kernel)
        };
        for (row, y) in light.chunks_exact(rect.width() * 3).zip(rect.y0..) {
            let start = ((y - band.y0) as usize * band.width() + rect.x0 as usize) * 3;
            for (o, v) in out[start..start + row.len()].iter_mut().zip(row) {
                *o = v * plate.gain;
            }
        }
    }

    fn lay(&self, out: &mut [f32], band: PixelRect, rect: PixelRect, p: &Placement, laid: &Laid<'_>) {
        let (disc, gain) = (laid.disc, laid.gain);
        let in_blocks = p.in_blocks(disc.block_px);
        let mut map = in_blocks.map;
        map.source_centre.x -= disc.origin.x;
        map.source_centre.y -= disc.origin.y;
        let centre = p.centre();
        let at = |i: usize| (rect.x0 + (i % rect.width()) as i64, rect.y0 + (i / rect.width()) as i64);
        let covers: Vec<f32> = (0..rect.width() * rect.height())
            .map(|i| {
                let (x, y) = at(i);
                coverage(p, x as f64 + 0.5 - centre.x, y as f64 + 0.5 - centre.y)
            })
            .collect();
        let light = resample_where(&disc.image, &map, rect, Kernel::Lanczos, &|i| covers[i] > 0.0);
        let veil = p.behind_foreground.and_then(|index| {
            let plate = self.composition.backplates.get(index)?;
            Some((plate, self.frames.shows(index, frame_rect(plate, rect))?))
        });
        for (i, pixel) in light.chunks_exact(3).enumerate() {
            let mut cover = covers[i];
            if cover <= 0.0 {
                continue;
            }
            let (x, y) = at(i);
            if let Some((plate, (shows, part))) = &veil {
                let fx = (x as f64 + 0.5 - plate.corner_px.0) / plate.scale - part.x0 as f64;
                let fy = (y as f64 + 0.5 - plate.corner_px.1) / plate.scale - part.y0 as f64;
                cover *= if shows.width() > 0 && shows.height() > 0 { shows.sample(fx, fy) } else { 1.0 };
            }
            cover *= disc
                .photographed
                .share(map.source_of(PixelPoint::new(x as f64 + 0.5, y as f64 + 0.5)), map.reduction());
            if cover <= 0.0 {
                continue;
            }
            // Sky subtraction leaves noise about zero; light below nothing is nothing.
            let source = std::array::from_fn(|c| (pixel[c] * gain[c]).max(0.0));
            let source = tone(&self.composition.tone, laid.most_raised, source);
            let at = ((y - band.y0) as usize * self.composition.width + x as usize) * 3;
            let ground = &mut out[at..at + 3];
            if let Some(most) = laid.behind {
                ground.iter_mut().zip(most).for_each(|(g, m)| *g += (g.min(m) - *g) * cover);
            }
            over(p.blend, ground, source, cover);
        }
    }
}

/// A disc with what is done to its light and to the ground behind it.
struct Laid<'a> {
    disc: &'a DevelopedDisc,
    gain: [f32; 3],
    most_raised: f32,
    behind: Option<[f32; 3]>,
}

/// The part of a backplate's frame under a part of the canvas, with room for the kernel.
fn frame_rect(plate: &BackplatePlacement, rect: PixelRect) -> PixelRect {
    let room = 4.0 * (1.0 / plate.scale).max(1.0);
    let at = |v: i64, corner: f64| (v as f64 - corner) / plate.scale;
    // Blocks that are averaged begin at the same places in every band.
    let block = block_side(1.0 / plate.scale) as i64;
    let first = |v: f64| (v.floor() as i64).div_euclid(block) * block;
    PixelRect {
        x0: first(at(rect.x0, plate.corner_px.0) - room),
        y0: first(at(rect.y0, plate.corner_px.1) - room),
        x1: (at(rect.x1, plate.corner_px.0) + room).ceil() as i64,
        y1: (at(rect.y1, plate.corner_px.1) + room).ceil() as i64,
    }
}

fn draw_mark(out: &mut [f32], band: PixelRect, mark: &Mark) {
    match mark {
        Mark::Circle { x_px, y_px, radius_px, line_px, ink, opacity } => {
            let reach = radius_px + line_px / 2.0 + 1.0;
            let rect = PixelRect::around(PixelPoint::new(*x_px, *y_px), reach).intersection(band);
            stroke(out, band, rect, (*line_px, *ink, *opacity), |x, y| ((x - x_px).hypot(y - y_px) - radius_px).abs());
        }
        Mark::Line { points_px, line_px, ink, opacity } => {
            // One stroke for the whole line: where pieces meet nothing is drawn twice.
            let low = |f: fn(&(f64, f64)) -> f64| points_px.iter().map(f).fold(f64::INFINITY, f64::min) - line_px - 1.0;
            let high =
                |f: fn(&(f64, f64)) -> f64| points_px.iter().map(f).fold(f64::NEG_INFINITY, f64::max) + line_px + 1.0;
            let rect = PixelRect {
                x0: low(|p| p.0).floor() as i64,
                y0: low(|p| p.1).floor() as i64,
                x1: high(|p| p.0).ceil() as i64,
                y1: high(|p| p.1).ceil() as i64,
            };
            // Only the pieces that can touch these rows are asked.
            let rect = rect.intersection(band);
            let near = |a: f64, b: f64| a.min(b) <= rect.y1 as f64 + line_px && a.max(b) >= rect.y0 as f64 - line_px;
            let pieces: Vec<[(f64, f64); 2]> =
                points_px.windows(2).filter(|p| near(p[0].1, p[1].1)).map(|p| [p[0], p[1]]).collect();
            stroke(out, band, rect, (*line_px, *ink, *opacity), |x, y| {
                pieces.iter().map(|p| from_piece(p, x, y)).fold(f64::INFINITY, f64::min)
            });
        }
    }
}

/// Distance of a point from a straight piece.
fn from_piece([a, b]: &[(f64, f64); 2], x: f64, y: f64) -> f64 {
    let (dx, dy) = (b.0 - a.0, b.1 - a.1);
    let along = (((x - a.0) * dx + (y - a.1) * dy) / (dx * dx + dy * dy).max(1e-12)).clamp(0.0, 1.0);
    (x - a.0 - along * dx).hypot(y - a.1 - along * dy)
}

/// Draws what lies within half a line's width, its edge by the pixel's share.
fn stroke(
    out: &mut [f32],
    band: PixelRect,
    rect: PixelRect,
    (line_px, ink, opacity): (f64, [f32; 3], f32),
    distance: impl Fn(f64, f64) -> f64,
) {
    for y in rect.y0..rect.y1 {
        for x in rect.x0..rect.x1 {
            let off = distance(x as f64 + 0.5, y as f64 + 0.5);
            let cover = (line_px / 2.0 + 0.5 - off).clamp(0.0, 1.0) as f32 * opacity;
            if cover > 0.0 {
                let at = ((y - band.y0) as usize * band.width() + x as usize) * 3;
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
