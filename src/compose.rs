//! The one place that sees every stage: frames and a layout become a picture.

mod backdrop;
mod cost;
mod disc_cache;
mod discs;
mod kept;
mod preview;
mod record;
mod simulated;
mod targets;

pub use kept::{Kept, frames_digest, keep_registration, registration_of};
pub use targets::{check_targets, protect, protect_inputs, same_file};

use crate::blend::Renderer;
use crate::diag::{Diagnostic, Warned};
use crate::ingest::{DecodeError, Night};
use crate::labels::{FontError, Typeface, settle};
use crate::layout::{ColourSpace, Composition, Depth, ForegroundPlacement, Layout, Normalization, Output, resolve};
use crate::raster::RgbSpace;
use crate::registration::Registration;
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
    #[error("{} is one of the files that this run reads (a frame, its notes, a mask, a font, the layout or a registration): nothing is written over them", path.display())]
    TargetIsFrame {
        /// The target.
        path: PathBuf,
    },
    /// The target is a photograph, of another folder perhaps.
    #[error("{} was taken by a camera: nothing is written over it", path.display())]
    TargetIsPhotograph {
        /// The target.
        path: PathBuf,
    },
    /// The preview would replace the picture, or its name does not say JPEG.
    #[error("{} cannot be the preview's name", path.display())]
    PreviewName {
        /// The preview.
        path: PathBuf,
    },
    /// A mask is not of its backplate's size.
    #[error("the mask {} is {}x{} px, its backplate {}x{}", path.display(), mask.0, mask.1, frame.0, frame.1)]
    MaskSize {
        /// The mask.
        path: PathBuf,
        /// Its size.
        mask: (usize, usize),
        /// The backplate's.
        frame: (usize, usize),
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
    /// Where developed discs are kept from run to run.
    pub cache: Option<&'a Path>,
    /// No side of the picture gets more pixels than this.
    pub longest_side: Option<usize>,
}

/// The composition that a layout makes of a night, its labels on free sides, no larger than asked.
///
/// # Errors
/// [`ComposeError`] when the layout asks for what the night does not have or for days of work, or its font cannot be used.
pub fn plan_picture(
    layout: &Layout,
    night: &Night,
    registration: &Registration,
    longest_side: Option<usize>,
) -> Result<Warned<Composition>, ComposeError> {
    let resolved = resolve(layout, night, registration).map_err(|d| ComposeError::Layout(Box::new(d)))?;
    let (mut composition, mut diagnostics) = (resolved.value, resolved.diagnostics);
    let typeface = typeface(layout)?;
    diagnostics.extend(settle(&mut composition, &typeface));
    diagnostics.extend(check_words(&composition, &typeface));
    diagnostics.extend(assumed_curve(layout, &composition, night));
    let longest = composition.width.max(composition.height);
    if let Some(most) = longest_side.filter(|most| *most < longest) {
        composition = composition.scaled(most as f64 / longest as f64);
    }
    diagnostics.extend(cost::foresee(&composition, night).map_err(|d| ComposeError::Layout(Box::new(d)))?);
    Ok(Warned { value: composition, diagnostics })
}

/// Where ratios of light matter, a JPEG's curve does too: says so when it was only assumed.
fn assumed_curve(layout: &Layout, composition: &Composition, night: &Night) -> Option<Diagnostic> {
    let light = &layout.file.light;
    let matters = light.merge.is_some() || matches!(light.normalization, Normalization::Photometric { .. });
    let is_assumed = |name: &str| {
        let frame = night.frame(name)?;
        let ending = frame.path.extension()?.to_string_lossy().to_ascii_lowercase();
        let known = frame.reading.response.is_some() || frame.reading.transfer.is_some();
        Some(matches!(ending.as_str(), "jpg" | "jpeg") && !known)
    };
    let assumed = composition.placements.iter().filter(|p| is_assumed(&p.frame) == Some(true)).count();
    (matters && assumed > 0).then(|| {
        Diagnostic::note(
            "srgb-assumed",
            format!("{assumed} discs come from JPEGs whose curve nobody measured; sRGB or their profile is assumed"),
        )
        .with_help("`moonloom response` recovers a camera's curve from its brackets")
    })
}

/// The layout's font, which stands beside it, or the embedded one.
fn typeface(layout: &Layout) -> Result<Typeface, FontError> {
    Typeface::open(font_of(layout).as_deref())
}

fn font_of(layout: &Layout) -> Option<PathBuf> {
    let folder = layout.path.parent().unwrap_or(Path::new("."));
    layout.file.font.as_ref().map(|font| folder.join(font))
}

/// The papers beside the frames.
fn papers(night: &Night) -> &[PathBuf] {
    &night.papers
}

/// Makes a picture.
///
/// # Errors
/// [`ComposeError`]; the target is then as it was.
pub fn compose(request: &ComposeRequest<'_>) -> Result<(Composition, Vec<Diagnostic>), ComposeError> {
    let night = request.night;
    check_targets(night, request.out, request.preview)?;
    let planned = plan_picture(request.layout, night, request.registration, request.longest_side)?;
    let (mut composition, mut diagnostics) = (planned.value, planned.diagnostics);
    let masks = composition.backplates.iter().filter_map(|b| match &b.foreground {
        ForegroundPlacement::Mask(path) => Some(path.as_path()),
        _ => None,
    });
    let font = font_of(request.layout);
    let own = [Some(request.layout.path.as_path()), font.as_deref()].into_iter().flatten();
    protect(masks.chain(own), [Some(request.out), request.preview].into_iter().flatten())?;
    let mut discs = Discs::open(&composition, night, request.cache, &mut diagnostics)?;
    let words = typeface(request.layout)?.stamps(&composition.texts);
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
    let (lifts, said) = discs.finish();
    diagnostics.extend(said);
    composition.placements.iter_mut().zip(lifts).for_each(|(p, lift)| p.lift = lift);
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
fn check_words(composition: &Composition, typeface: &Typeface) -> Vec<Diagnostic> {
    let mut out = Vec::new();
    let missing = typeface.missing_letters(&composition.texts);
    if !missing.is_empty() {
        out.push(
            Diagnostic::warning("letters-missing", format!("the font has no `{missing}`; they are left out"))
                .with_help("the embedded one holds Latin and Greek letters; name another with `font: \"FILE\"`"),
        );
    }
    let width = composition.width as i64;
    let is_wider = |t: &crate::layout::TextRequest| {
        let rect = typeface.extent(t);
        rect.x0 < -2 || rect.x1 > width + 2
    };
    if composition.texts.iter().any(is_wider) {
        out.push(
            Diagnostic::warning("words-leave-canvas", "a line of words is wider than the canvas")
                .with_help("shorten it, or make the canvas wider"),
        );
    }
    out
}
