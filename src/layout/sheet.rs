//! The sheet in pixels: papers by name, lengths by unit.

use super::notation::{Canvas, Length, Measure};

/// The sheet, measured.
#[derive(Clone, Copy, Debug)]
pub(super) struct Sheet {
    pub width: usize,
    pub height: usize,
    pub margin: f64,
    pub dots_per_inch: f64,
}

/// Width and height of papers, millimetres (ISO 216; ANSI/ASME Y14.1 for letter and tabloid).
const PAPERS: [(&str, f64, f64); 14] = [
    ("a0", 841.0, 1189.0),
    ("a1", 594.0, 841.0),
    ("a2", 420.0, 594.0),
    ("a3", 297.0, 420.0),
    ("a4", 210.0, 297.0),
    ("a5", 148.0, 210.0),
    ("a6", 105.0, 148.0),
    ("b0", 1000.0, 1414.0),
    ("b1", 707.0, 1000.0),
    ("b2", 500.0, 707.0),
    ("b3", 353.0, 500.0),
    ("b4", 250.0, 353.0),
    ("letter", 215.9, 279.4),
    ("tabloid", 279.4, 431.8),
];

/// Width and height of a paper, millimetres.
pub(super) fn paper(name: &str) -> Option<(f64, f64)> {
    let lower = name.trim().to_ascii_lowercase();
    let (paper, lies) = match lower.strip_suffix("landscape") {
        Some(rest) => (rest.trim(), true),
        None => (lower.trim_end_matches("portrait").trim(), false),
    };
    let (_, w, h) = PAPERS.iter().find(|(n, _, _)| *n == paper)?;
    Some(if lies { (*h, *w) } else { (*w, *h) })
}

/// Why a sheet has no size: the field, and what is wrong with it.
pub(super) type NoSheet = (&'static str, String);

impl Sheet {
    /// Of a layout's canvas.
    pub(super) fn of(canvas: &Canvas) -> Result<Self, NoSheet> {
        let by = Measure { dots_per_inch: canvas.dots_per_inch, whole_px: f64::NAN, disc_px: None, degree_px: None };
        let side = |field: &'static str, length: Length| match length.to_px(&by).filter(|v| v.is_finite()) {
            Some(px) => Ok(px.round()),
            None => Err((field, format!("a sheet cannot be measured in `{length}`"))),
        };
        let (width, height) = match &canvas.page {
            Some(name) => {
                let (w, h) = paper(name).ok_or_else(|| ("page", format!("`{name}` is no paper that is known")))?;
                (side("page", Length::mm(w))?, side("page", Length::mm(h))?)
            }
            None => (side("width", canvas.width)?, side("height", canvas.height)?),
        };
        let whole_px = width.min(height);
        let margin = canvas.margin.to_px(&Measure { whole_px, ..by });
        let margin = margin.ok_or_else(|| ("margin", format!("a margin cannot be measured in `{}`", canvas.margin)))?;
        Ok(Sheet {
            width: width.max(0.0) as usize,
            height: height.max(0.0) as usize,
            margin,
            dots_per_inch: canvas.dots_per_inch,
        })
    }

    /// What lengths on it are measured against.
    pub(super) fn measure(&self) -> Measure {
        Measure {
            dots_per_inch: self.dots_per_inch,
            whole_px: self.width.min(self.height) as f64,
            disc_px: None,
            degree_px: None,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn papers_have_the_standards_sizes() {
        // ISO 216:2007: A2 is 420 mm x 594 mm.
        let canvas = Canvas { page: Some("A2 landscape".into()), ..Canvas::default() };
        let sheet = Sheet::of(&canvas).unwrap();
        assert_eq!((sheet.width, sheet.height), (7016, 4961));
        assert_eq!(Sheet::of(&Canvas { page: Some("A9x".into()), ..Canvas::default() }).unwrap_err().0, "page");
    }
}
