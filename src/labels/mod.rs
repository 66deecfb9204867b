//! Words as stamps: lines of text set in the embedded font or in one that the layout names.
//!
//! The embedded font is Inter Light, subset to Latin and Greek (SIL Open Font License 1.1, `font/OFL.txt`).
//! Kerning is applied; no shaping beyond it, so scripts that need joining are not served. [`lay_out`] finds each
//! disc's label a free side.

mod lay_out;

pub use lay_out::lay_out;

use crate::composition::{TextAnchor, TextRequest};
use crate::raster::{PixelRect, Stamp};
use ab_glyph::{Font, FontRef, FontVec, Glyph, PxScale, ScaleFont, point};
use std::path::{Path, PathBuf};

/// A font that could not be used.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum FontError {
    /// The program is broken.
    #[error("the embedded font cannot be read")]
    Embedded,
    /// The named file cannot be read or is no font.
    #[error("{} is no font that can be used: {why}", path.display())]
    File {
        /// The file.
        path: PathBuf,
        /// What is wrong.
        why: String,
    },
}

/// A font for all words of a picture.
pub enum Typeface {
    /// Inter Light.
    Embedded(Box<FontRef<'static>>),
    /// From a file.
    Own(FontVec),
}

impl Typeface {
    /// The embedded one, or that of a file (TrueType or OpenType).
    ///
    /// # Errors
    /// [`FontError`] when it cannot be read.
    pub fn open(file: Option<&Path>) -> Result<Self, FontError> {
        let Some(path) = file else { return Ok(Typeface::Embedded(Box::new(font()?))) };
        let fault = |why: String| FontError::File { path: path.to_owned(), why };
        let bytes = crate::files::read_bytes(path, crate::files::LARGEST_FONT).map_err(|e| fault(e.to_string()))?;
        FontVec::try_from_vec(bytes).map(Typeface::Own).map_err(|e| fault(e.to_string()))
    }

    /// The words of a composition as stamps, in order.
    pub fn stamps(&self, requests: &[TextRequest]) -> Vec<Stamp> {
        let words = requests.iter().filter(|r| !r.text.is_empty());
        match self {
            Typeface::Embedded(f) => words.map(|r| stamp(f.as_ref(), r)).collect(),
            Typeface::Own(f) => words.map(|r| stamp(f, r)).collect(),
        }
    }

    /// The canvas pixels that a line of words takes.
    pub fn extent(&self, request: &TextRequest) -> PixelRect {
        match self {
            Typeface::Embedded(f) => extent(f.as_ref(), request).0,
            Typeface::Own(f) => extent(f, request).0,
        }
    }

    /// Letters of the requests that the font does not have, each once.
    pub fn missing_letters(&self, requests: &[TextRequest]) -> String {
        let lacks = |c: char| match self {
            Typeface::Embedded(f) => f.glyph_id(c).0 == 0,
            Typeface::Own(f) => f.glyph_id(c).0 == 0,
        };
        let letters = requests.iter().flat_map(|r| r.text.chars());
        let mut missing: Vec<char> = letters.filter(|c| !c.is_control() && lacks(*c)).collect();
        missing.sort_unstable();
        missing.dedup();
        missing.into_iter().collect()
    }
}

/// The embedded font.
///
/// # Errors
/// [`FontError`] when it cannot be read.
pub fn font() -> Result<FontRef<'static>, FontError> {
    FontRef::try_from_slice(include_bytes!("font/Inter-Light.otf")).map_err(|_| FontError::Embedded)
}

/// Glyphs of a line with their places, and its width.
fn set_line<F: Font>(font: &F, text: &str, size_px: f64) -> (Vec<Glyph>, f32) {
    // `size_px` is the height of a line; the em is about four fifths of it.
    let scaled = font.as_scaled(PxScale::from(size_px as f32));
    let (mut x, mut glyphs, mut before) = (0.0, Vec::new(), None);
    for letter in text.chars().filter(|c| !c.is_control()) {
        let id = scaled.glyph_id(letter);
        if let Some(previous) = before {
            x += scaled.kern(previous, id);
        }
        glyphs.push(id.with_scale_and_position(scaled.scale(), point(x, 0.0)));
        x += scaled.h_advance(id);
        before = Some(id);
    }
    (glyphs, x)
}

/// The pixels that a line takes, its left and its top.
fn extent<F: Font>(font: &F, request: &TextRequest) -> (PixelRect, f64, f64) {
    let (_, width) = set_line(font, &request.text, request.size_px);
    let scaled = font.as_scaled(PxScale::from(request.size_px as f32));
    let (width, height) = (f64::from(width), f64::from(scaled.ascent() - scaled.descent()));
    let (x, y) = (request.x_px, request.y_px);
    let (left, top) = match request.anchor {
        TextAnchor::BelowCentre => (x - width / 2.0, y),
        TextAnchor::AboveCentre => (x - width / 2.0, y - height),
        TextAnchor::RightMiddle => (x, y - height / 2.0),
        TextAnchor::LeftMiddle => (x - width, y - height / 2.0),
        TextAnchor::BelowLeft => (x, y),
        TextAnchor::BelowRight => (x - width, y),
    };
    let rect = PixelRect {
        x0: left.floor() as i64 - 2,
        y0: top.floor() as i64 - 2,
        x1: (left + width).ceil() as i64 + 2,
        y1: (top + height).ceil() as i64 + 2,
    };
    (rect, left, top)
}

/// One line as a stamp, placed by its anchor.
fn stamp<F: Font>(font: &F, request: &TextRequest) -> Stamp {
    let (glyphs, _) = set_line(font, &request.text, request.size_px);
    let (rect, left, top) = extent(font, request);
    let ascent = font.as_scaled(PxScale::from(request.size_px as f32)).ascent();
    let mut out = Stamp::transparent(rect);
    let stride = rect.width();
    for mut glyph in glyphs {
        glyph.position =
            point(glyph.position.x + (left - rect.x0 as f64) as f32, (top - rect.y0 as f64) as f32 + ascent);
        let Some(outline) = font.outline_glyph(glyph) else { continue };
        let bounds = outline.px_bounds();
        outline.draw(|gx, gy, coverage| {
            let (x, y) = (bounds.min.x as i64 + i64::from(gx), bounds.min.y as i64 + i64::from(gy));
            if x < 0 || y < 0 || x as usize >= stride || y as usize >= rect.height() {
                return;
            }
            let at = (y as usize * stride + x as usize) * 4;
            let cover = (coverage.clamp(0.0, 1.0) * request.opacity).max(out.rgba[at + 3]);
            out.rgba[at..at + 4].copy_from_slice(&[request.ink[0], request.ink[1], request.ink[2], cover]);
        });
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    fn request(text: &str, anchor: TextAnchor) -> TextRequest {
        let (x_px, y_px, size_px) = (100.0, 50.0, 40.0);
        TextRequest { text: text.into(), x_px, y_px, anchor, size_px, ink: [1.0; 3], opacity: 1.0, beside: None }
    }

    #[test]
    fn a_centred_line_balances_about_its_point() {
        let typeface = Typeface::open(None).unwrap();
        let stamp = &typeface.stamps(&[request("H\u{e9}O OH\u{e9}", TextAnchor::BelowCentre)])[0];
        let middle = (stamp.rect.x0 + stamp.rect.x1) as f64 / 2.0;
        assert!((middle - 100.0).abs() <= 1.0 && stamp.rect.y0 >= 46);
        assert!(stamp.rgba.chunks_exact(4).any(|p| p[3] > 0.9), "letters are drawn");
    }

    #[test]
    fn accented_letters_are_in_the_font() {
        let font = font().unwrap();
        for letter in "\u{e3}\u{e7}\u{e9}\u{ed}\u{f3}\u{fa}\u{b0}\u{2212}\u{3a9}\u{2032}".chars() {
            assert_ne!(font.glyph_id(letter).0, 0, "{letter}");
        }
    }

    #[test]
    fn a_file_that_is_no_font_is_named() {
        let error = Typeface::open(Some(Path::new("Cargo.toml"))).err().unwrap();
        assert!(error.to_string().contains("Cargo.toml"));
    }
}
