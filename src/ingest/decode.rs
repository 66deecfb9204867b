//! One frame's pixels as linear light in the working space.
//!
//! A frame is opened once ([`open_frame`]) and then gives the light of any window: the codes of a
//! 24-megapixel frame are a quarter of the light they stand for, and a picture needs little of it.

use super::border;
use super::calibration::{Masters, SampleColours, repair_hot_pixels, repair_hot_sites};
use super::coded::{self, Codes};
use super::content::Content;
use super::fits::{self, FitsPixels};
use super::ignored::Ignored;
use super::mosaic::Mosaic;
use super::raw;
use super::reading::{DecodeError, Reading};
use super::upright::{is_sideways, on_sensor, turned};
use crate::raster::{ColourMatrix, CutOut, LinearImage, PixelPoint, PixelRect, Plane, RgbSpace};
use image::metadata::Orientation;
use std::path::Path;
use std::sync::{Arc, OnceLock};

/// A frame's pixels, not yet light.
pub struct OpenFrame {
    pixels: Pixels,
    /// Of the sensor, for raw files; other kinds are upright already.
    orientation: Orientation,
    masters: Option<Arc<Masters>>,
    exposure_s: Option<f64>,
    /// Whether sites that glow by themselves are repaired, and what the notes say of it.
    repairs: bool,
    repairs_noted: Option<bool>,
    photographed: OnceLock<PixelRect>,
    ignored: Ignored,
    /// The part that a file which breaks off still tells.
    told: Option<PixelRect>,
    /// What has to be said of it, such as a profile that could not be used.
    pub remark: Option<String>,
}

enum Pixels {
    Coded { codes: Codes, tables: Box<[Vec<f32>; 3]>, matrix: ColourMatrix },
    Light { image: LinearImage, matrix: ColourMatrix, marks: Vec<bool> },
    Mosaic(Mosaic),
}

/// Codes from this share of the scale on are taken for saturated.
const SATURATED_CODE: f32 = 0.985;

/// Opens a frame: reads its codes, and says how they stand for light.
///
/// # Errors
/// [`DecodeError`]; a file that breaks off is an error, not a half-grey picture, unless it is a JPEG whose upper part is there:
/// then that is all that was [`photographed`](OpenFrame::photographed).
pub fn open_frame(path: &Path, reading: &Reading) -> Result<OpenFrame, DecodeError> {
    open_content(Content::of_file(path), reading)
}

/// Opens a frame whose file's bytes are in memory (JPEG, PNG, TIFF, FITS); `name` is for messages.
///
/// # Errors
/// As [`open_frame`]; camera raw is read from files alone, in a process of its own.
pub fn open_frame_in_memory(name: &str, bytes: &[u8], reading: &Reading) -> Result<OpenFrame, DecodeError> {
    open_content(Content { path: Path::new(name), bytes: Some(bytes) }, reading)
}

pub(super) fn open_content(content: Content<'_>, reading: &Reading) -> Result<OpenFrame, DecodeError> {
    if content.is_raw() { open_raw(content, reading) } else { open_coded(content.path, &content.read()?, reading) }
}

/// Opens camera raw, which is read by a process of its own, by its path.
pub(super) fn open_raw(content: Content<'_>, reading: &Reading) -> Result<OpenFrame, DecodeError> {
    let damaged = |message: String| DecodeError::Damaged { path: content.path.to_owned(), message };
    let (mosaic, orientation) = content.file().and_then(raw::develop_file).map_err(damaged)?;
    let pixels = match mosaic {
        raw::RawPixels::Mosaic(mosaic) => Pixels::Mosaic(mosaic),
        raw::RawPixels::Light { image, matrix, marks } => Pixels::Light { image, matrix, marks },
    };
    Ok(OpenFrame::new(pixels, reading, true, orientation))
}

pub(super) fn open_coded(path: &Path, bytes: &[u8], reading: &Reading) -> Result<OpenFrame, DecodeError> {
    let damaged = |message: String| DecodeError::Damaged { path: path.to_owned(), message };
    let srgb = ColourMatrix::new(RgbSpace::SRGB.to(&RgbSpace::WORKING));
    if fits::is_fits(bytes) {
        let picture = fits::Header::parse(bytes).and_then(|h| h.picture(bytes)).map_err(damaged)?;
        let pixels = match picture.pixels {
            FitsPixels::Light(image) => Pixels::Light { marks: clipped(&image), image, matrix: srgb },
            FitsPixels::Mosaic(mosaic) => Pixels::Mosaic(mosaic),
        };
        let open = OpenFrame::new(pixels, reading, true, Orientation::NoTransforms);
        return Ok(open.with_remark(picture.remark));
    }
    let picture = coded::read(bytes, !reading.is_drawing).map_err(damaged)?;
    let (colour, remark) = coded::colour(&picture, reading);
    let told = picture.told;
    let pixels = match picture.pixels {
        // Float files hold linear light by custom, whatever the integers' curve.
        coded::Samples::Float(image) => Pixels::Light { marks: clipped(&image), image, matrix: colour.matrix() },
        coded::Samples::Integer(codes) => {
            let tables = Box::new(colour.tables(codes.steps()));
            Pixels::Coded { codes, tables, matrix: colour.matrix() }
        }
    };
    let open = OpenFrame { told, ..OpenFrame::new(pixels, reading, false, Orientation::NoTransforms) };
    Ok(open.with_remark(remark).with_remark(told.map(|_| BREAKS_OFF.to_owned())))
}

const BREAKS_OFF: &str = "its file breaks off; what is there of it is used";

impl OpenFrame {
    /// Pixels with what the notes say of them; `repairs`: whether sites that glow are repaired unless the notes say otherwise.
    fn new(pixels: Pixels, reading: &Reading, repairs: bool, orientation: Orientation) -> Self {
        let mut open = OpenFrame {
            pixels,
            orientation,
            masters: reading.masters.clone(),
            exposure_s: reading.exposure_s,
            repairs: reading.repair_hot_pixels.unwrap_or(repairs),
            repairs_noted: reading.repair_hot_pixels,
            photographed: OnceLock::new(),
            ignored: reading.ignored.clone(),
            told: None,
            remark: None,
        };
        // Darks and flats of another camera are none of this one's.
        let (size, samples) = (open.sensor_size(), open.sample_count());
        if open.masters.as_ref().is_some_and(|m| !m.suit(size, samples)) {
            open.masters = None;
            open.remark = Some("dark, bias and flat frames do not fit it, and are left out".into());
        }
        open
    }

    /// The same for a disc: whatever the file, nothing on the Moon is a single pixel, as a lamp or a star may be, so that those which glow
    /// are repaired unless the notes say otherwise.
    #[must_use]
    pub fn of_disc(self) -> Self {
        OpenFrame { repairs: self.repairs_noted.unwrap_or(true), ..self }
    }

    /// The frame, if all of it is there: what a picture stands on, or what others are measured by, is wanted whole.
    ///
    /// # Errors
    /// [`DecodeError::Damaged`] of a file that breaks off.
    pub fn whole_or_none(self, path: &Path) -> Result<Self, DecodeError> {
        match self.told {
            None => Ok(self),
            Some(_) => {
                let message = "its file breaks off; copy it from the card again".into();
                Err(DecodeError::Damaged { path: path.to_owned(), message })
            }
        }
    }

    /// The part that a file which breaks off still tells.
    pub(super) fn told(&self) -> Option<PixelRect> {
        self.told
    }

    /// Whether its numbers are codes, which stand for light by a curve.
    pub(super) fn is_coded(&self) -> bool {
        matches!(self.pixels, Pixels::Coded { .. })
    }

    /// Brightness straight from a sensor's sites, where nothing of them is to be put right first.
    pub(super) fn brightness_of_sites(&self) -> Option<Plane> {
        match (&self.pixels, self.orientation, &self.masters) {
            (Pixels::Mosaic(mosaic), Orientation::NoTransforms, None) => Some(mosaic.brightness()),
            _ => None,
        }
    }

    fn with_remark(mut self, more: Option<String>) -> Self {
        let both = [self.remark.take(), more];
        self.remark = both.into_iter().flatten().reduce(|a, b| format!("{a}; {b}"));
        self
    }

    /// Samples before any correction: one a site of a mosaic, three a pixel of others.
    fn sample_count(&self) -> usize {
        let (width, height) = self.sensor_size();
        width * height * if matches!(self.pixels, Pixels::Mosaic(_)) { 1 } else { 3 }
    }

    /// Width and height before the frame is turned upright, pixels.
    pub(super) fn sensor_size(&self) -> (usize, usize) {
        match &self.pixels {
            Pixels::Coded { codes, .. } => (codes.width, codes.height),
            Pixels::Light { image, .. } => (image.width(), image.height()),
            Pixels::Mosaic(m) => (m.width, m.height),
        }
    }

    /// Width and height as shown, pixels.
    pub fn size(&self) -> (usize, usize) {
        let (w, h) = self.sensor_size();
        if is_sideways(self.orientation) { (h, w) } else { (w, h) }
    }

    /// Light over the part of `rect` that lies inside the frame.
    pub fn light(&self, rect: PixelRect) -> CutOut {
        let (width, height) = self.size();
        let inside = rect.intersection(PixelRect::of_size(width, height));
        if inside.is_empty() {
            let rect = PixelRect { x1: inside.x0, y1: inside.y0, ..inside };
            return CutOut {
                light: LinearImage::new(0, 0),
                rect,
                saturated: Vec::new(),
                darkest_told: self.darkest_told(),
                step: self.step(),
            };
        }
        let (light, saturated) = self.sensor_light(on_sensor(inside, self.orientation, self.sensor_size()));
        let (light, saturated) = turned(light, saturated, self.orientation);
        CutOut { light, rect: inside, saturated, darkest_told: self.darkest_told(), step: self.step() }
    }

    /// Light over whole blocks of `block_px` x `block_px` pixels inside `rect` and the frame, a pixel a block; the rectangle
    /// that comes with it is counted in blocks. A block is saturated where half of it is.
    ///
    /// The frame's own pixels are taken a few rows of blocks at a time.
    pub fn light_in_blocks(&self, rect: PixelRect, block_px: usize) -> CutOut {
        if block_px <= 1 {
            return self.light(rect);
        }
        let (width, height) = self.size();
        let side = block_px as i64;
        let inside = rect.intersection(PixelRect::of_size(width, height));
        let up = |v: i64| (v + side - 1).div_euclid(side);
        let blocks = PixelRect {
            x0: up(inside.x0),
            y0: up(inside.y0),
            x1: inside.x1.div_euclid(side).max(up(inside.x0)),
            y1: inside.y1.div_euclid(side).max(up(inside.y0)),
        };
        // Light that was never coded is repaired by its neighbours, and is taken whole.
        let rows = if matches!(self.pixels, Pixels::Light { .. }) { blocks.height().max(1) as i64 } else { 16 };
        let mut light = Vec::with_capacity(blocks.width() * blocks.height() * 3);
        let mut saturated = Vec::with_capacity(blocks.width() * blocks.height());
        for y0 in (blocks.y0..blocks.y1).step_by(rows as usize) {
            let strip = PixelRect { y0, y1: (y0 + rows).min(blocks.y1), ..blocks };
            let cut = self.light(strip.enlarged(block_px));
            let (width, height) = (cut.light.width(), cut.light.height());
            light.extend_from_slice(cut.light.averaged(PixelRect::of_size(width, height), block_px).data());
            saturated.extend(marked_blocks(&cut.saturated, width, block_px));
        }
        let (darkest_told, step) = (self.darkest_told(), self.step());
        let light = LinearImage::from_data(blocks.width(), blocks.height(), light);
        CutOut { light: light.unwrap_or_else(|| LinearImage::new(0, 0)), rect: blocks, saturated, darkest_told, step }
    }

    /// Light of the whole frame.
    pub fn whole(&self) -> LinearImage {
        let (width, height) = self.size();
        self.light(PixelRect::of_size(width, height)).light
    }

    /// Its brightness, one number a pixel: of codes, some rows at a time, since their light takes three times as much.
    pub fn brightness(&self) -> Plane {
        self.plane(LinearImage::brightness)
    }

    pub(super) fn plane(&self, of: fn(&LinearImage) -> Plane) -> Plane {
        let (width, height) = self.size();
        // Rows that are repaired by their neighbours' are taken together.
        if self.repairs || !matches!(self.pixels, Pixels::Coded { .. }) {
            return of(&self.whole());
        }
        const BAND: usize = 256;
        let mut data = Vec::with_capacity(width * height);
        for y0 in (0..height).step_by(BAND) {
            let band =
                PixelRect { y0: y0 as i64, y1: (y0 + BAND).min(height) as i64, ..PixelRect::of_size(width, height) };
            data.extend_from_slice(of(&self.light(band).light).data());
        }
        Plane::from_data(width, height, data).unwrap_or_else(|| Plane::filled(width, height, 0.0))
    }

    fn sensor_light(&self, rect: PixelRect) -> (LinearImage, Vec<bool>) {
        let (mut light, matrix, saturated) = match &self.pixels {
            Pixels::Coded { codes, tables, matrix } => {
                let (light, saturated) = codes.light(rect, tables, SATURATED_CODE);
                (light, *matrix, saturated)
            }
            Pixels::Light { image, matrix, marks } => {
                let rows = rect.y0 as usize..rect.y1 as usize;
                let row = |y: usize| y * image.width() + rect.x0 as usize..y * image.width() + rect.x1 as usize;
                let saturated = rows.flat_map(|y| marks[row(y)].iter().copied()).collect();
                (image.crop(rect).0, *matrix, saturated)
            }
            Pixels::Mosaic(mosaic) => return self.mosaic_light(mosaic, rect),
        };
        if let Some(masters) = &self.masters {
            masters.correct(&mut light, rect, self.exposure_s);
        }
        if self.repairs {
            repair_hot_pixels(&mut light);
        }
        if !matrix.is_identity() {
            for pixel in light.data_mut().as_chunks_mut::<3>().0 {
                *pixel = matrix.apply(*pixel);
            }
        }
        (light, saturated)
    }

    /// Of a mosaic the sites are put right before they are interpolated, with room around the window.
    fn mosaic_light(&self, mosaic: &Mosaic, rect: PixelRect) -> (LinearImage, Vec<bool>) {
        if self.masters.is_none() && !self.repairs {
            return mosaic.light(rect);
        }
        let (mut part, inner) = mosaic.part(rect);
        if let Some(masters) = &self.masters {
            masters.correct_sites(
                &mut part,
                PixelRect { x0: rect.x0 - inner.x0, y0: rect.y0 - inner.y0, ..rect },
                self.exposure_s,
            );
        }
        if self.repairs {
            repair_hot_sites(&mut part);
        }
        part.light(inner)
    }

    /// The light below which the file's own numbers tell nothing but their steps: ten codes of eight bits (whose JPEG
    /// blocks are as coarse), one of sixteen; nothing for light itself and for a sensor's numbers, whose noise tells.
    fn darkest_told(&self) -> f32 {
        match &self.pixels {
            Pixels::Coded { codes, tables, .. } if codes.steps() == 256 => tables[1][10],
            Pixels::Coded { tables, .. } => tables[1][1],
            Pixels::Light { .. } | Pixels::Mosaic(_) => 0.0,
        }
    }

    /// The light of the file's smallest step above black: of eight bits, the mean of the first five; of more bits, and of
    /// light itself, noise is the coarser.
    fn step(&self) -> f32 {
        match &self.pixels {
            Pixels::Coded { codes, tables, .. } if codes.steps() == 256 => tables[1][5] / 5.0,
            _ => 0.0,
        }
    }

    /// The part of the frame that a camera took: strips that were pasted along its edges are none of it, nor is a border
    /// that the notes ignore.
    pub fn photographed(&self) -> PixelRect {
        *self.photographed.get_or_init(|| {
            let (width, height) = self.size();
            let inside = match &self.pixels {
                // Integer files are upright already.
                Pixels::Coded { codes, .. } => border::inside(width, height, |x, y| codes.green(x, y)),
                _ => PixelRect::of_size(width, height),
            };
            let whole = PixelRect::of_size(width, height);
            inside.intersection(self.ignored.inside_border(whole)).intersection(self.told.unwrap_or(whole))
        })
    }

    /// The part of a window around a disc (radius in pixels) that a camera took: where a rectangle of the notes touches the
    /// disc, the window ends there.
    pub fn photographed_around(&self, window: PixelRect, centre: PixelPoint, radius_px: f64) -> PixelRect {
        self.ignored.free_of(window.intersection(self.photographed()), centre, radius_px)
    }

    /// The file's own integers over a rectangle that lies wholly inside the frame, 0..1: no curve, no primaries.
    /// `None` elsewhere, and for files whose numbers are light.
    pub fn file_values(&self, rect: PixelRect) -> Option<LinearImage> {
        let Pixels::Coded { codes, .. } = &self.pixels else { return None };
        let inside = rect.intersection(PixelRect::of_size(codes.width, codes.height));
        if inside != rect {
            return None;
        }
        let even: Vec<f32> = (0..codes.steps()).map(|i| i as f32 / (codes.steps() - 1) as f32).collect();
        Some(codes.light(rect, &[even.clone(), even.clone(), even], SATURATED_CODE).0)
    }

    /// Which colour each sample is of.
    pub(super) fn sample_colours(&self) -> SampleColours {
        match &self.pixels {
            Pixels::Mosaic(m) => SampleColours {
                repeat: (m.pattern.width, m.pattern.height),
                stride: m.width,
                colours: m.pattern.colours.clone(),
            },
            _ => SampleColours { repeat: (3, 1), stride: 3, colours: vec![0, 1, 2] },
        }
    }

    /// Numbers of every sample over the black level, before any correction: what masters are averaged from.
    pub(super) fn samples(&self) -> Vec<f32> {
        match &self.pixels {
            Pixels::Mosaic(m) => m.over_black(),
            Pixels::Light { image, .. } => image.data().to_vec(),
            Pixels::Coded { codes, tables, .. } => {
                let rect = PixelRect::of_size(codes.width, codes.height);
                codes.light(rect, tables, SATURATED_CODE).0.data().to_vec()
            }
        }
    }
}

/// Which blocks of a cut-out's marks are marked by half or more.
fn marked_blocks(marks: &[bool], width: usize, block_px: usize) -> Vec<bool> {
    let columns = width / block_px;
    let mut out = Vec::new();
    for rows in marks.chunks_exact((width * block_px).max(1)) {
        let mut counts = vec![0usize; columns];
        for row in rows.chunks_exact(width) {
            let blocks = counts.iter_mut().zip(row.chunks_exact(block_px));
            blocks.for_each(|(count, block)| *count += block.iter().filter(|m| **m).count());
        }
        out.extend(counts.iter().map(|n| 2 * n >= block_px * block_px));
    }
    out
}

/// Decodes a whole frame into linear light in the working space, turned upright by its orientation flag.
///
/// # Errors
/// As [`open_frame`].
pub fn decode(path: &Path, reading: &Reading) -> Result<LinearImage, DecodeError> {
    Ok(open_frame(path, reading)?.whole())
}

/// Which pixels of an image of light are at the end of its scale.
fn clipped(image: &LinearImage) -> Vec<bool> {
    image.data().chunks_exact(3).map(|p| p.iter().any(|v| *v >= 0.995)).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_site_that_glows_is_repaired_on_a_disc_and_left_in_a_landscape() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("frame.png");
        let pixel = |x: u32, y: u32| image::Rgb(if (x, y) == (20, 12) { [255; 3] } else { [9 + (x % 2) as u8, 8, 7] });
        image::RgbImage::from_fn(40, 30, pixel).save(&path).unwrap();
        let lit = |frame: &OpenFrame| frame.light(PixelRect::of_size(40, 30)).light.pixel(20, 12)[1];
        let open = |noted: Option<bool>| open_frame(&path, &Reading { repair_hot_pixels: noted, ..Reading::default() });
        assert!(lit(&open(None).unwrap()) > 0.9, "it may be a lamp or a star");
        assert!(lit(&open(None).unwrap().of_disc()) < 0.01);
        assert!(lit(&open(Some(false)).unwrap().of_disc()) > 0.9, "the notes have the last word");
    }
}
