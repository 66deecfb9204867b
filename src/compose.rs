//! The one place that sees every stage: frames and a layout become a picture.

mod discs;
mod kept;
mod preview;
mod record;
mod targets;

pub use kept::{Kept, frames_digest, registration_of};
pub use targets::{check_targets, protect_inputs};

use crate::blend::Renderer;
use crate::diag::Diagnostic;
use crate::ingest::{DecodeError, Night};
use crate::labels::{FontError, stamps};
use crate::layout::{ColourSpace, Composition, Depth, Layout, Output, resolve};
use crate::raster::{RgbSpace, Stamp};
use crate::register::Registration;
use crate::write::{BitDepth, Container, OutputSpec, WriteError, write_picture};
use discs::Discs;
use preview::Preview;
use std::path::{Path, PathBuf};

/// Why a picture was not made.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum ComposeError {
    /// The layout asks for what the night does not have.
    #[error("{0}")]
    Layout(Box<Diagnostic>),
    /// The target is one of the frames.
    #[error("{} is one of the frames or their notes: nothing is written over them", path.display())]
    TargetIsFrame {
        /// The target.
        path: PathBuf,
    },
    /// The preview would replace the picture, or its name does not say JPEG.
    #[error("{} cannot be the preview's name", path.display())]
    PreviewName {
        /// The preview.
        path: PathBuf,
    },
    /// Not one disc could be had from its frame.
    #[error("none of the discs could be read from its frame")]
    NoDisc,
    /// The backplate cannot be decoded.
    #[error(transparent)]
    Decode(#[from] DecodeError),
    /// The words cannot be set.
    #[error(transparent)]
    Font(#[from] FontError),
    /// The picture cannot be written.
    #[error(transparent)]
    Write(#[from] WriteError),
}

/// What to make.
pub struct ComposeRequest<'a> {
    /// The layout.
    pub layout: &'a Layout,
    /// The frames.
    pub night: &'a Night,
    /// Where the Moon is in them.
    pub registration: &'a Registration,
    /// The picture's file.
    pub out: &'a Path,
    /// A small JPEG beside it.
    pub preview: Option<&'a Path>,
}

/// Makes a picture.
///
/// # Errors
/// [`ComposeError`]; the target is then as it was.
pub fn compose(request: &ComposeRequest<'_>) -> Result<(Composition, Vec<Diagnostic>), ComposeError> {
    let night = request.night;
    check_targets(night, request.out, request.preview)?;
    let resolved =
        resolve(request.layout, night, request.registration).map_err(|d| ComposeError::Layout(Box::new(d)))?;
    let (composition, mut diagnostics) = (resolved.value, resolved.diagnostics);
    let mut discs = Discs::open(&composition, night, &mut diagnostics)?;
    let words = stamps(&composition.texts)?;
    diagnostics.extend(check_words(&composition, &words));
    let spec = OutputSpec {
        dots_per_inch: composition.dots_per_inch,
        record: Some(record::of(&composition, request.layout, night)),
        ..output(request.out, request.layout.file.output)?
    };
    let size = (composition.width, composition.height);
    let mut preview = request.preview.map(|_| Preview::new(size));
    write_picture(request.out, &spec, size, &mut |rows| {
        discs.make_ready(&rows);
        let light = Renderer::new(&composition, &discs, &words).rows(rows);
        if let Some(preview) = &mut preview {
            preview.take(&light);
        }
        light
    })?;
    if let (Some(preview), Some(path)) = (preview, request.preview) {
        preview.write(path)?;
    }
    diagnostics.extend(discs.into_diagnostics());
    Ok((composition, diagnostics))
}

/// How the picture is written: the kind by its ending, colour space and depth by the layout.
fn output(path: &Path, wanted: Output) -> Result<OutputSpec, WriteError> {
    let space = match wanted.colour_space {
        ColourSpace::Srgb => RgbSpace::SRGB,
        ColourSpace::DisplayP3 => RgbSpace::DISPLAY_P3,
        ColourSpace::AdobeRgbCompatible => RgbSpace::OP_RGB,
        ColourSpace::Rec2020 => RgbSpace::REC_2020,
        ColourSpace::LinearRec2020 => RgbSpace::WORKING,
    };
    let depth = match wanted.depth {
        Depth::Eight => BitDepth::Eight,
        Depth::Sixteen => BitDepth::Sixteen,
        Depth::Float => BitDepth::Float,
    };
    Ok(OutputSpec { space, ..OutputSpec::new(Container::for_path(path)?, depth) })
}

/// Words for a label's glyphs that the font does not have, or lines wider than the sheet.
fn check_words(composition: &Composition, words: &[Stamp]) -> Vec<Diagnostic> {
    let mut out = Vec::new();
    let missing = crate::labels::missing_letters(&composition.texts);
    if !missing.is_empty() {
        out.push(
            Diagnostic::warning("letters-missing", format!("the embedded font has no `{missing}`; they are left out"))
                .with_help("it holds Latin and Greek letters"),
        );
    }
    let width = composition.width as i64;
    if words.iter().any(|w| w.rect.x0 < -2 || w.rect.x1 > width + 2) {
        out.push(
            Diagnostic::warning("words-leave-canvas", "a line of words is wider than the canvas")
                .with_help("shorten it, or make the canvas wider"),
        );
    }
    out
}
