//! FITS (FITS Standard 4.0, IAU FITS Working Group 2018), as astronomy cameras write it: one picture in
//! the primary header, integer or float, grey, three planes, or a mosaic of colour filters (`BAYERPAT`).
//!
//! Values are proportional to light, and full scale is 1: what `SATURATE` says (common practice, no source), else the end of
//! sixteen bits. `DATAMAX` is the largest value of the picture itself (4.4.2.5), and full scale only where a converter wrote
//! its own end there, a power of two less one.
//! Floats within 0..1.5 are light already; others count as those of a camera do, and where no word tells full scale it is
//! said what was taken: the brightest pixel would be another scale in each frame.
//! The first row is the bottom one, as the standard displays pictures, unless `ROWORDER` says
//! `TOP-DOWN` (common practice, no source). Compressed pictures and those in extensions are not read.

use super::FrameMetadata;
use super::content::Content;
use super::mosaic::{Mosaic, Pattern};
use crate::memory;
use crate::raster::LinearImage;
use std::collections::HashMap;
use std::io::Read;

/// Bytes of a FITS block (standard, 3.1).
const BLOCK: usize = 2880;
/// Bytes of a header card.
const CARD: usize = 80;
/// No camera's picture has more samples.
const MOST_SAMPLES: usize = 500_000_000;
/// A header longer than this is no camera's.
const MOST_BLOCKS: usize = 64;

/// The header's words and where the data start.
pub(super) struct Header {
    cards: HashMap<String, String>,
    data_start: usize,
}

/// A picture, and what has to be said of it.
pub(super) struct FitsPicture {
    pub pixels: FitsPixels,
    pub remark: Option<String>,
}

/// A picture's pixels, whatever it holds.
pub(super) enum FitsPixels {
    /// Grey or three planes.
    Light(LinearImage),
    /// One colour a pixel.
    Mosaic(Mosaic),
}

/// The value of a card: a quoted string's inside, or the words before the comment.
fn value(field: &str) -> String {
    let field = field.trim_start();
    if let Some(rest) = field.strip_prefix('\'') {
        // A doubled quote stands for one; the first single one ends the string.
        let mut out = String::new();
        let mut letters = rest.chars().peekable();
        while let Some(c) = letters.next() {
            if c == '\'' && letters.next_if_eq(&'\'').is_none() {
                break;
            }
            out.push(c);
        }
        return out.trim_end().to_owned();
    }
    field.split('/').next().unwrap_or("").trim().to_owned()
}

impl Header {
    /// Reads the header.
    pub(super) fn parse(bytes: &[u8]) -> Result<Self, String> {
        let mut cards = HashMap::new();
        for (i, card) in bytes.chunks_exact(CARD).take(MOST_BLOCKS * BLOCK / CARD).enumerate() {
            if i == 0 && !is_fits(card) {
                return Err("it does not begin like a FITS file".into());
            }
            // A comment may hold any letters; the words that count are plain ones.
            let (name, field) = card.split_at(8);
            let (name, field) = (String::from_utf8_lossy(name), String::from_utf8_lossy(field));
            let (name, field) = (name.trim_end(), field.as_ref());
            if name == "END" {
                let data_start = ((i + 1) * CARD).div_ceil(BLOCK) * BLOCK;
                return Ok(Header { cards, data_start });
            }
            if let Some(field) = field.strip_prefix("= ") {
                cards.entry(name.to_owned()).or_insert_with(|| value(field));
            }
        }
        Err("its header has no END".into())
    }

    fn text(&self, name: &str) -> Option<&str> {
        self.cards.get(name).map(String::as_str).filter(|t| !t.is_empty())
    }

    fn number(&self, name: &str) -> Option<f64> {
        // Fortran writes its exponents with a D.
        self.text(name)?.replace(['D', 'd'], "E").parse().ok()
    }

    /// Width, height and number of planes.
    pub(super) fn size(&self) -> Result<(usize, usize, usize), String> {
        let axis = |n: usize| self.number(&format!("NAXIS{n}")).map_or(0, |v| v as usize);
        let planes = match self.number("NAXIS").map_or(0, |v| v as usize) {
            2 => 1,
            3 => axis(3),
            0 => {
                return Err("its picture lies in an extension, compressed or not, and only a first picture is read; \
                            write it as plain FITS"
                    .into());
            }
            n => return Err(format!("its primary header holds {n} axes; a picture has 2, or 3 with colours")),
        };
        if !matches!(planes, 1 | 3) {
            return Err(format!("it holds {planes} planes; a picture has 1 or 3"));
        }
        let (width, height) = (axis(1), axis(2));
        match width.checked_mul(height).and_then(|n| n.checked_mul(planes)) {
            None => Err(format!("it claims {width} x {height} pixels, more than can be held")),
            Some(0) => Err("it holds no pixel".into()),
            Some(n) if n > MOST_SAMPLES => Err(format!("it claims {width} x {height} pixels, more than can be held")),
            Some(_) => Ok((width, height, planes)),
        }
    }

    /// What the camera recorded.
    pub(super) fn metadata(&self) -> Result<FrameMetadata, String> {
        let (width, height, _) = self.size()?;
        let positive = |v: Option<f64>| v.filter(|v| *v > 0.0 && v.is_finite());
        Ok(FrameMetadata {
            width,
            height,
            exposure_time_s: positive(self.number("EXPTIME").or_else(|| self.number("EXPOSURE"))),
            focal_length_mm: positive(self.number("FOCALLEN")),
            pixel_pitch_um: positive(self.number("XPIXSZ")),
            camera_model: self.text("INSTRUME").map(str::to_owned),
            // DATE-OBS is UTC at the start of the exposure (standard, 9.5 with TIMESYS left out).
            clock_reading_s: self.text("DATE-OBS").and_then(clock_reading),
            clock_offset_s: Some(0),
            clock_is_utc: true,
            ..FrameMetadata::default()
        })
    }

    /// What number full scale is, given the largest of the picture, and what has to be said of it.
    fn full_scale(&self, bits: i64, largest: f64) -> (f64, Option<String>) {
        const SIXTEEN: f64 = 65_535.0;
        /// Of sums of many pictures; few steps, so that the frames of a night share one.
        const MORE: [f64; 3] = [16_777_215.0, 4_294_967_295.0, f64::MAX];
        let is_an_end = |v: &f64| *v > 200.0 && (v + 1.0).log2().fract() == 0.0;
        let said = self.number("SATURATE").filter(|v| *v > 0.0).or(self.number("DATAMAX").filter(is_an_end));
        // No scale ends below what the picture holds.
        let said = said.filter(|full| largest <= 1.5 * full);
        match (bits, said) {
            (8, _) => (255.0, None),
            (16 | 32, full) => (full.unwrap_or(SIXTEEN), None),
            (_, _) if largest <= 1.5 => (1.0, None),
            (_, Some(full)) => (full, None),
            (_, None) => {
                let ends = std::iter::once(SIXTEEN).chain(MORE);
                let full = ends.into_iter().find(|end| largest <= *end).unwrap_or(largest);
                let remark = format!(
                    "its numbers go up to {largest:.0}, and no word of the header says what full scale is: {full:.0} is taken"
                );
                (full, Some(remark))
            }
        }
    }

    /// The picture, top row first.
    pub(super) fn picture(&self, bytes: &[u8]) -> Result<FitsPicture, String> {
        let (width, height, planes) = self.size()?;
        let count = width * height * planes;
        memory::may_open((width * height) as u64, 8 * planes as u64, bytes.len() as u64)?;
        let bits = self.number("BITPIX").map_or(0, |v| v as i64);
        let data = bytes.get(self.data_start..).unwrap_or(&[]);
        let needed = count.checked_mul(bits.unsigned_abs() as usize / 8).ok_or("its size is absurd")?;
        let data = data.get(..needed).ok_or("it breaks off before its last pixel")?;
        let (zero, scale) = (self.number("BZERO").unwrap_or(0.0), self.number("BSCALE").unwrap_or(1.0));
        let physical = |v: f64| (v * scale + zero) as f32;
        let mut values: Vec<f32> = match bits {
            8 => data.iter().map(|b| physical(f64::from(*b))).collect(),
            16 => data.as_chunks::<2>().0.iter().map(|b| physical(f64::from(i16::from_be_bytes(*b)))).collect(),
            32 => data.as_chunks::<4>().0.iter().map(|b| physical(f64::from(i32::from_be_bytes(*b)))).collect(),
            -32 => data.as_chunks::<4>().0.iter().map(|b| physical(f64::from(f32::from_be_bytes(*b)))).collect(),
            -64 => data.as_chunks::<8>().0.iter().map(|b| physical(f64::from_be_bytes(*b))).collect(),
            other => return Err(format!("BITPIX {other} is not read")),
        };
        // A hole in a float picture is no light.
        values.iter_mut().filter(|v| !v.is_finite()).for_each(|v| *v = 0.0);
        let largest = values.iter().copied().fold(0.0f32, f32::max);
        let (full, remark) = self.full_scale(bits, f64::from(largest));
        values.iter_mut().for_each(|v| *v = (f64::from(*v) / full) as f32);
        let top_down = self.text("ROWORDER").is_some_and(|o| o.eq_ignore_ascii_case("TOP-DOWN"));
        let row = |y: usize| if top_down { y } else { height - 1 - y };
        if let Some(pattern) = self.text("BAYERPAT").and_then(Pattern::named).filter(|_| planes == 1) {
            let upright: Vec<f32> =
                (0..height).flat_map(|y| values[row(y) * width..(row(y) + 1) * width].iter().copied()).collect();
            // The pattern begins at the file's first row, unless the header shifts it.
            let offset = |name: &str| self.number(name).map_or(0, |v| v as i64);
            let pattern = pattern.shifted(offset("XBAYROFF"), offset("YBAYROFF"));
            let pattern = if top_down || height % 2 == 1 { pattern } else { pattern.flipped() };
            let pixels = FitsPixels::Mosaic(Mosaic::of_light(width, height, upright, pattern));
            return Ok(FitsPicture { pixels, remark });
        }
        let mut out = LinearImage::new(width, height);
        for y in 0..height {
            for x in 0..width {
                let at = row(y) * width + x;
                let plane = |c: usize| values[if planes == 3 { c * width * height + at } else { at }];
                out.set_pixel(x, y, [plane(0), plane(1), plane(2)]);
            }
        }
        Ok(FitsPicture { pixels: FitsPixels::Light(out), remark })
    }
}

/// Seconds since 1970 of an ISO 8601 date and time without zone.
fn clock_reading(text: &str) -> Option<f64> {
    // A date alone would be midnight for every frame.
    let civil: jiff::civil::DateTime = text.contains('T').then(|| text.trim_end_matches('Z').parse().ok())??;
    let whole = jiff::tz::TimeZone::UTC.to_timestamp(civil).ok()?;
    (civil.year() >= 1990).then(|| whole.as_microsecond() as f64 / 1e6)
}

/// Whether a file's first bytes are a FITS file's.
pub(super) fn is_fits(bytes: &[u8]) -> bool {
    bytes.starts_with(b"SIMPLE  =")
}

/// The header of a file, without reading its pixels.
pub(super) fn read_header(content: Content<'_>) -> Result<Header, String> {
    if let Some(bytes) = content.bytes {
        return Header::parse(bytes);
    }
    let mut bytes = Vec::new();
    let file = std::fs::File::open(content.path).map_err(|e| e.to_string())?;
    file.take((MOST_BLOCKS * BLOCK) as u64).read_to_end(&mut bytes).map_err(|e| e.to_string())?;
    Header::parse(&bytes)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn strings_numbers_and_comments_are_told_apart() {
        assert_eq!(value("'O''Brien / sons'  / who"), "O'Brien / sons");
        assert_eq!(value("  0.5 / seconds"), "0.5");
        assert_eq!(clock_reading("2028-12-31T16:52:03.250").unwrap() % 60.0, 3.25);
    }

    #[test]
    fn a_header_without_an_end_is_named() {
        let mut bytes = vec![b' '; BLOCK];
        bytes[..9].copy_from_slice(b"SIMPLE  =");
        assert!(Header::parse(&bytes).err().unwrap().contains("END"));
    }
}
