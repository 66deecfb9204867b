//! The one place that sees every stage: frames and a layout become a picture.

mod backdrop;
mod cost;
mod disc_cache;
mod discs;
mod film;
mod kept;
mod preview;
mod record;
mod rows;
mod simulated;
mod targets;

pub use film::{Film, FilmPicture, plan_film};
pub use kept::{Kept, frames_digest, keep_registration, registration_of};
pub use rows::{compose_from_rows, compose_rows};
pub use targets::{check_targets, protect, protect_inputs, same_file};

use crate::blend::Renderer;
use crate::composition::{Composition, ForegroundPlacement};
use crate::diag::{Diagnostic, Warned};
use crate::ingest::{DecodeError, Night};
use crate::labels::{FontError, Typeface, lay_out};
use crate::layout::{ColourSpace, Depth, Layout, Normalization, Output, resolve};
use crate::raster::{LinearImage, PixelRect, RgbSpace};
use crate::registration::Registration;
use crate::write::{BitDepth, Container, OutputSpec, WriteError, write_picture};
use discs::Discs;
use preview::Preview;
use std::ops::Range;
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
    /// Rows of a picture that cannot be drawn, or put together.
    #[error("{}: {why}", path.display())]
    Rows {
        /// The part, or the picture.
        path: PathBuf,
        /// What is wrong.
        why: String,
    },
    /// Not one disc could be had from its frame.
    #[error("none of the discs could be read from its frame")]
    NoDisc,
    /// Whoever watched the drawing wished it to stop.
    #[error("stopped; nothing is written")]
    Stopped,
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

/// Is told how much of a picture is done, 0 to 1 (half is that its discs are developed), and answers whether to go on.
pub type Watching<'a> = dyn Fn(f64) -> bool + Sync + 'a;

/// A picture to make.
#[derive(Clone, Copy)]
pub struct PictureRequest<'a> {
    /// The layout.
    pub layout: &'a Layout,
    /// The frames.
    pub night: &'a Night,
    /// Where the Moon is in them.
    pub registration: &'a Registration,
    /// Where developed discs are kept from run to run.
    pub cache: Option<&'a Path>,
    /// No side of the picture gets more pixels than this.
    pub longest_side: Option<usize>,
    /// Who watches while it is drawn into a file.
    pub watching: Option<&'a Watching<'a>>,
}

impl<'a> PictureRequest<'a> {
    /// A layout of a night at its own size, nothing kept from run to run.
    pub fn new(layout: &'a Layout, night: &'a Night, registration: &'a Registration) -> Self {
        PictureRequest { layout, night, registration, cache: None, longest_side: None, watching: None }
    }
}

/// A picture to make as a file.
pub struct ComposeRequest<'a> {
    /// What it shows.
    pub picture: PictureRequest<'a>,
    /// The picture's file.
    pub out: &'a Path,
    /// A small JPEG beside it.
    pub preview: Option<&'a Path>,
}

/// A picture in memory.
pub struct RenderedPicture {
    /// Its light: linear Rec. 2020, 1 = the paper's white, rows from the top. [`write_picture`] makes a file of it,
    /// [`srgb_codes`](crate::write::srgb_codes) the eight-bit numbers of one, for a buffer of one's own.
    pub light: LinearImage,
    /// What lies where in it, with what each disc was multiplied by.
    pub composition: Composition,
    /// What has to be said of it.
    pub diagnostics: Vec<Diagnostic>,
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
    diagnostics.extend(planned_words(layout, &mut composition)?);
    diagnostics.extend(assumed_curve(layout, &composition, night));
    let longest = composition.width.max(composition.height);
    if let Some(most) = longest_side.filter(|most| *most < longest) {
        composition = composition.scaled(most as f64 / longest as f64);
    }
    diagnostics.extend(cost::foresee(&composition, night).map_err(|d| ComposeError::Layout(Box::new(d)))?);
    Ok(Warned { value: composition, diagnostics })
}

/// Finds a free side for each label, and says what of the words cannot be shown.
fn planned_words(layout: &Layout, composition: &mut Composition) -> Result<Vec<Diagnostic>, ComposeError> {
    let typeface = typeface(layout)?;
    let mut said = lay_out(composition, &typeface);
    said.extend(check_words(composition, &typeface));
    Ok(said)
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

/// The sidecars: what lies beside the frames.
fn sidecars(night: &Night) -> &[PathBuf] {
    &night.sidecars
}

/// What the sidecars say: their texts, and the notes of frames that lie in memory.
fn words_beside(night: &Night) -> Vec<String> {
    let in_memory = night.frames.iter().any(|f| f.bytes.is_some());
    let notes = night.notes.iter().filter(|_| in_memory).filter_map(|notes| crate::diag::write_ron(notes).ok());
    night.sidecars.iter().map(|path| crate::files::read_text(path).unwrap_or_default()).chain(notes).collect()
}

/// Makes a picture as a file.
///
/// # Errors
/// [`ComposeError`]; the target is then as it was.
pub fn compose(request: &ComposeRequest<'_>) -> Result<(Composition, Vec<Diagnostic>), ComposeError> {
    check_targets(request.picture.night, request.out, request.preview)?;
    let Warned { value, mut diagnostics } = planned(&request.picture)?;
    let (composition, said) = compose_planned(request, value)?;
    diagnostics.extend(said);
    Ok((composition, diagnostics))
}

/// Makes a picture that [`plan_picture`] planned of the same request, as a file: what planning had to say can be told before the
/// wait.
///
/// # Errors
/// As [`compose`].
pub fn compose_planned(
    request: &ComposeRequest<'_>,
    composition: Composition,
) -> Result<(Composition, Vec<Diagnostic>), ComposeError> {
    let night = request.picture.night;
    check_targets(night, request.out, request.preview)?;
    let mut planned = Warned { value: composition, diagnostics: Vec::new() };
    [Some(request.out), request.preview]
        .into_iter()
        .flatten()
        .try_for_each(|target| protect_own(&request.picture, &planned.value, target))?;
    let spec = spec_of(request, &planned.value)?;
    let size = (planned.value.width, planned.value.height);
    draw(&request.picture, &mut planned, |rows_of| write_with_preview(request, &spec, size, rows_of))?;
    Ok((planned.value, planned.diagnostics))
}

/// Refuses a target that is the layout, its font or a mask.
fn protect_own(
    PictureRequest { layout, .. }: &PictureRequest<'_>,
    composition: &Composition,
    target: &Path,
) -> Result<(), ComposeError> {
    let masks = composition.backplates.iter().filter_map(|b| match &b.foreground {
        ForegroundPlacement::Mask(path) => Some(path.as_path()),
        _ => None,
    });
    let font = font_of(layout);
    let own = [Some(layout.path.as_path()), font.as_deref()].into_iter().flatten();
    protect(masks.chain(own), std::iter::once(target))
}

/// How a picture is written, with what it says of itself.
fn spec_of(request: &ComposeRequest<'_>, composition: &Composition) -> Result<OutputSpec, ComposeError> {
    let PictureRequest { layout, night, .. } = request.picture;
    Ok(OutputSpec {
        dots_per_inch: composition.dots_per_inch,
        record: Some(record::of(composition, layout, night)),
        ..output_spec(request.out, layout.file.output)?
    })
}

/// Pulls a picture into its file, and a small one besides where it is asked for.
fn write_with_preview(
    request: &ComposeRequest<'_>,
    spec: &OutputSpec,
    size: (usize, usize),
    rows_of: &mut dyn FnMut(Range<usize>) -> Vec<f32>,
) -> Result<(), ComposeError> {
    let mut preview = request.preview.map(|_| Preview::new(size));
    write_picture(request.out, spec, size, &mut |rows| {
        let light = rows_of(rows);
        if let Some(preview) = &mut preview {
            preview.take(&light);
        }
        light
    })?;
    if let (Some(preview), Some(path)) = (preview, request.preview) {
        preview.write(path)?;
    }
    Ok(())
}

/// Makes a picture in memory, whole: twelve bytes a pixel.
///
/// # Errors
/// [`ComposeError`], of a picture that would take more memory than this run may among others.
pub fn render(request: &PictureRequest<'_>) -> Result<RenderedPicture, ComposeError> {
    let mut planned = planned(request)?;
    let (width, height) = (planned.value.width, planned.value.height);
    let pixels = (width * height) as u64;
    crate::memory::may_open(pixels, 12, u64::MAX).map_err(|why| {
        let help = "write it with `compose`, which holds some rows at a time, or ask for a `longest_side`";
        ComposeError::Layout(Box::new(
            Diagnostic::error("picture-too-large", format!("the picture is too large: {why}")).with_help(help),
        ))
    })?;
    let mut light = LinearImage::new(width, height);
    draw(&PictureRequest { watching: None, ..*request }, &mut planned, |rows_of| {
        for (band, out) in light.data_mut().chunks_mut(BAND * width * 3).enumerate() {
            let rows = band * BAND..(band * BAND + out.len() / (3 * width));
            out.copy_from_slice(&rows_of(rows));
        }
        Ok(())
    })?;
    Ok(RenderedPicture { light, composition: planned.value, diagnostics: planned.diagnostics })
}

/// A part of a picture, its pixels as the whole has them: what a window onto it shows. `part_of` is told the picture's width and
/// height, and the part is cut to what the picture has.
///
/// # Errors
/// As [`render`].
pub fn render_part(
    request: &PictureRequest<'_>,
    part_of: impl FnOnce(usize, usize) -> PixelRect,
) -> Result<RenderedPicture, ComposeError> {
    let mut planned = planned(request)?;
    let (width, height) = (planned.value.width, planned.value.height);
    let part = part_of(width, height).intersection(PixelRect::of_size(width, height));
    let span = |from: i64, to: i64| from.max(0) as usize..to.max(0) as usize;
    let (columns, rows) = (span(part.x0, part.x1), span(part.y0, part.y1));
    let whole_width = planned.value.width;
    let mut light = LinearImage::new(columns.len(), rows.len());
    draw(&PictureRequest { watching: None, ..*request }, &mut planned, |rows_of| {
        for (band, out) in light.data_mut().chunks_mut((BAND * columns.len() * 3).max(1)).enumerate() {
            let from = rows.start + band * BAND;
            let whole = rows_of(from..from + out.len() / (3 * columns.len()));
            let cut = whole.chunks_exact(3 * whole_width).map(|row| &row[3 * columns.start..3 * columns.end]);
            out.chunks_exact_mut(3 * columns.len()).zip(cut).for_each(|(to, row)| to.copy_from_slice(row));
        }
        Ok(())
    })?;
    Ok(RenderedPicture { light, composition: planned.value, diagnostics: planned.diagnostics })
}

/// Rows that are drawn at a time into memory.
const BAND: usize = 256;

fn planned(request: &PictureRequest<'_>) -> Result<Warned<Composition>, ComposeError> {
    plan_picture(request.layout, request.night, request.registration, request.longest_side)
}

/// Has a picture drawn by whoever pulls its rows, from the top; then it is known by how much each disc was lifted.
fn draw(
    request: &PictureRequest<'_>,
    planned: &mut Warned<Composition>,
    pull: impl FnOnce(&mut dyn FnMut(Range<usize>) -> Vec<f32>) -> Result<(), ComposeError>,
) -> Result<(), ComposeError> {
    let composition = &planned.value;
    let halfway = |of: f64, share: f64| request.watching.is_none_or(|goes_on| goes_on((of + share) / 2.0));
    let developing: &Watching<'_> = &|share| halfway(0.0, share);
    let mut discs =
        Discs::open(composition, request.night, (request.cache, Some(developing)), &mut planned.diagnostics)?;
    let words = typeface(request.layout)?.stamps(&composition.texts);
    let mut is_stopped = false;
    let pulled = pull(&mut |rows| {
        let drawn = rows.start as f64 / composition.height.max(1) as f64;
        is_stopped |= !halfway(1.0, drawn);
        if is_stopped {
            // Of rows that are missing nobody makes a file.
            return Vec::new();
        }
        discs.make_ready(&rows);
        Renderer::new(composition, &discs, &words).rows(rows)
    });
    if is_stopped {
        return Err(ComposeError::Stopped);
    }
    pulled?;
    let (lifts, said) = discs.finish();
    planned.diagnostics.extend(said);
    planned.value.placements.iter_mut().zip(lifts).for_each(|(p, lift)| p.lift = lift);
    Ok(())
}

/// How the picture is written: the kind by its ending, colour space and depth by the layout.
///
/// # Errors
/// [`WriteError::UnknownEnding`].
pub fn output_spec(path: &Path, wanted: Output) -> Result<OutputSpec, WriteError> {
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
    let is_wider = |t: &crate::composition::TextRequest| {
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
