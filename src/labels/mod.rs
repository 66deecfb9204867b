//! Words as stamps: lines of text set in the embedded font.
//!
//! The font is Inter Light, subset to Latin and Greek (SIL Open Font License 1.1, `font/OFL.txt`).
//! Kerning is applied; no shaping beyond it, so scripts that need joining are not served.

use crate::layout::{TextAnchor, TextRequest};
use crate::raster::{PixelRect, Stamp};
use ab_glyph::{Font, FontRef, Glyph, PxScale, ScaleFont, point};

/// A font that could not be used.
#[derive(Debug, thiserror::Error)]
#[error("the embedded font cannot be read")]
pub struct FontError;

/// The embedded font.
///
/// # Errors
/// [`FontError`] when it cannot be read.
pub fn font() -> Result<FontRef<'static>, FontError> {
    FontRef::try_from_slice(include_bytes!("font/Inter-Light.otf")).map_err(|_| FontError)
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

/// One line as a stamp, placed by its anchor.
fn stamp<F: Font>(font: &F, request: &TextRequest) -> Stamp {
    let (glyphs, width) = set_line(font, &request.text, request.size_px);
    let scaled = font.as_scaled(PxScale::from(request.size_px as f32));
    let (ascent, height) = (scaled.ascent(), scaled.ascent() - scaled.descent());
    let (left, top) = match request.anchor {
        TextAnchor::BelowCentre => (request.x_px - f64::from(width) / 2.0, request.y_px),
        TextAnchor::RightMiddle => (request.x_px, request.y_px - f64::from(height) / 2.0),
        TextAnchor::BelowLeft => (request.x_px, request.y_px),
    };
    let rect = PixelRect {
        x0: left.floor() as i64 - 2,
        y0: top.floor() as i64 - 2,
        x1: (left + f64::from(width)).ceil() as i64 + 2,
        y1: (top + f64::from(height)).ceil() as i64 + 2,
    };
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

/// Letters of the requests that the font does not have, each once.
pub fn missing_letters(requests: &[TextRequest]) -> String {
    let Ok(font) = font() else { return String::new() };
    let mut missing: Vec<char> =
        requests.iter().flat_map(|r| r.text.chars()).filter(|c| !c.is_control() && font.glyph_id(*c).0 == 0).collect();
    missing.sort_unstable();
    missing.dedup();
    missing.into_iter().collect()
}

/// The words of a composition as stamps, in order.
///
/// # Errors
/// [`FontError`] when the font cannot be read.
pub fn stamps(requests: &[TextRequest]) -> Result<Vec<Stamp>, FontError> {
    let font = font()?;
    Ok(requests.iter().filter(|r| !r.text.is_empty()).map(|r| stamp(&font, r)).collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn request(text: &str, anchor: TextAnchor) -> TextRequest {
        TextRequest { text: text.into(), x_px: 100.0, y_px: 50.0, anchor, size_px: 40.0, ink: [1.0; 3], opacity: 1.0 }
    }

    #[test]
    fn a_centred_line_balances_about_its_point() {
        let stamp = &stamps(&[request("H\u{e9}O OH\u{e9}", TextAnchor::BelowCentre)]).unwrap()[0];
        let middle = (stamp.rect.x0 + stamp.rect.x1) as f64 / 2.0;
        assert!((middle - 100.0).abs() <= 1.0 && stamp.rect.y0 >= 46);
        assert!(stamp.rgba.chunks_exact(4).any(|p| p[3] > 0.9), "letters are drawn");
    }

    #[test]
    fn accented_letters_are_in_the_font() {
        let font = font().unwrap();
        for letter in "\u{e3}\u{e7}\u{e9}\u{ed}\u{f3}\u{fa}\u{b0}\u{2212}\u{3a9}".chars() {
            assert_ne!(font.glyph_id(letter).0, 0, "{letter}");
        }
    }
}
