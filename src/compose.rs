//! The one place that sees every stage: frames and a layout become a picture.

use crate::blend::{DevelopedDisc, FramePixels, Renderer, develop};
use crate::diag::Diagnostic;
use crate::ingest::{DecodeError, Night, decode};
use crate::labels::{FontError, stamps};
use crate::layout::{Composition, Layout, resolve};
use crate::raster::{LinearImage, TransferFunction};
use crate::register::{ClockSource, Registration, register};
use crate::write::{OutputSpec, WriteError, write_picture};
use rayon::prelude::*;
use sha2::{Digest, Sha256};
use std::collections::HashMap;
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

/// Longest side of a preview, pixels.
const PREVIEW_SIDE: usize = 1600;

/// Makes a picture.
///
/// # Errors
/// [`ComposeError`]; the target is then as it was.
pub fn compose(request: &ComposeRequest<'_>) -> Result<(Composition, Vec<Diagnostic>), ComposeError> {
    check_targets(request.night, request.out, request.preview)?;
    let spec = OutputSpec::for_path(request.out)?;
    let resolved =
        resolve(request.layout, request.night, request.registration).map_err(|d| ComposeError::Layout(Box::new(d)))?;
    let mut diagnostics = resolved.diagnostics;
    let composition = resolved.value;
    let pixels = Pixels::load(&composition, request.night, &mut diagnostics)?;
    let words = stamps(&composition.texts)?;
    diagnostics.extend(check_words(&composition, &words));
    let renderer = Renderer::new(&composition, &pixels, &words);
    let spec = OutputSpec {
        dots_per_inch: composition.dots_per_inch,
        description: Some(composition.description.clone()),
        ..spec
    };
    let size = (composition.width, composition.height);
    let mut preview = request.preview.map(|_| Preview::new(size));
    write_picture(request.out, &spec, size, &mut |rows| {
        let light = renderer.rows(rows);
        if let Some(preview) = &mut preview {
            preview.take(&light);
        }
        light
    })?;
    if let (Some(preview), Some(path)) = (preview, request.preview) {
        preview.write(path)?;
    }
    Ok((composition, diagnostics))
}

/// Whether a picture may be written there: checked before any work is done.
///
/// # Errors
/// [`ComposeError`] when a target is one of the frames, has an unknown ending, or its folder is missing.
pub fn check_targets(night: &Night, out: &Path, preview: Option<&Path>) -> Result<(), ComposeError> {
    OutputSpec::for_path(out)?;
    if let Some(preview) = preview {
        let is_jpeg =
            preview.extension().is_some_and(|e| e.eq_ignore_ascii_case("jpg") || e.eq_ignore_ascii_case("jpeg"));
        if !is_jpeg || preview == out {
            return Err(ComposeError::PreviewName { path: preview.to_owned() });
        }
    }
    protect_inputs(night, [Some(out), preview].into_iter().flatten())
}

/// Refuses targets that are frames or notes of a night, or that cannot be there.
///
/// # Errors
/// [`ComposeError`].
pub fn protect_inputs<'a>(night: &Night, targets: impl Iterator<Item = &'a Path>) -> Result<(), ComposeError> {
    let same = |a: &Path, b: &Path| match (a.canonicalize(), b.canonicalize()) {
        (Ok(a), Ok(b)) => a == b,
        _ => false,
    };
    let notes = night.folder.join("shoot.ron");
    for target in targets {
        let mut inputs = night.frames.iter().map(|f| &f.path).chain(&night.unreadable).chain([&notes]);
        if inputs.any(|input| same(input, target)) {
            return Err(ComposeError::TargetIsFrame { path: target.to_owned() });
        }
        let folder = target.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
        let fault = |source| WriteError::Io { path: target.to_owned(), source };
        if !std::fs::metadata(folder).map_err(fault)?.is_dir() {
            return Err(fault(std::io::ErrorKind::NotADirectory.into()).into());
        }
        if target.is_dir() {
            return Err(fault(std::io::ErrorKind::IsADirectory.into()).into());
        }
    }
    Ok(())
}

/// The pixels of the frames that a composition needs.
struct Pixels {
    discs: Vec<Option<DevelopedDisc>>,
    backplate: Option<LinearImage>,
}

impl Pixels {
    fn load(composition: &Composition, night: &Night, diagnostics: &mut Vec<Diagnostic>) -> Result<Self, ComposeError> {
        let backplate = match &composition.backplate {
            Some(plate) => match night.frame(&plate.frame) {
                Some(frame) => Some(decode(&frame.path, night.transfer())?),
                None => None,
            },
            None => None,
        };
        // Each frame is decoded once, however often its disc is laid.
        let mut by_frame: HashMap<&str, Vec<usize>> = HashMap::new();
        for (index, p) in composition.placements.iter().enumerate() {
            by_frame.entry(&p.frame).or_default().push(index);
        }
        let mut groups: Vec<_> = by_frame.into_iter().collect();
        groups.sort();
        let developed: Vec<Result<Vec<(usize, DevelopedDisc)>, String>> = groups
            .par_iter()
            .map(|(name, indices)| {
                let frame = night.frame(name).ok_or_else(|| format!("{name} is not among the frames"))?;
                let image = decode(&frame.path, night.transfer()).map_err(|e| e.to_string())?;
                Ok(indices.iter().map(|&i| (i, develop(&image, &composition.placements[i]))).collect())
            })
            .collect();
        let mut discs: Vec<Option<DevelopedDisc>> = vec![None; composition.placements.len()];
        for group in developed {
            match group {
                Ok(list) => list.into_iter().for_each(|(i, disc)| discs[i] = Some(disc)),
                Err(why) => {
                    diagnostics.push(Diagnostic::warning("disc-left-out", format!("a disc is left out: {why}")))
                }
            }
        }
        if discs.iter().all(Option::is_none) {
            return Err(ComposeError::NoDisc);
        }
        Ok(Pixels { discs, backplate })
    }
}

impl FramePixels for Pixels {
    fn disc(&self, index: usize) -> Option<&DevelopedDisc> {
        self.discs.get(index)?.as_ref()
    }
    fn backplate(&self) -> Option<&LinearImage> {
        self.backplate.as_ref()
    }
}

/// A reduced copy gathered from the bands as they pass: means of square blocks.
struct Preview {
    factor: usize,
    width: usize,
    height: usize,
    full_width: usize,
    sums: Vec<f32>,
    row: usize,
}

impl Preview {
    fn new((width, height): (usize, usize)) -> Self {
        let factor = width.max(height).div_ceil(PREVIEW_SIDE).max(1);
        let (w, h) = ((width / factor).max(1), (height / factor).max(1));
        Preview { factor, width: w, height: h, full_width: width, sums: vec![0.0; w * h * 3], row: 0 }
    }

    fn take(&mut self, light: &[f32]) {
        for row in light.chunks_exact(self.full_width * 3) {
            let y = self.row / self.factor;
            self.row += 1;
            if y >= self.height {
                continue;
            }
            let out = &mut self.sums[y * self.width * 3..(y + 1) * self.width * 3];
            for (x, pixel) in row.chunks_exact(3).take(self.width * self.factor).enumerate() {
                let at = x / self.factor * 3;
                // Light beyond white is white in the picture too.
                (0..3).for_each(|c| out[at + c] += pixel[c].clamp(0.0, 1.0));
            }
        }
    }

    /// A preview is always a JPEG, whatever its name's ending.
    fn write(self, path: &Path) -> Result<(), WriteError> {
        let norm = 1.0 / (self.factor * self.factor) as f32;
        let light: Vec<f32> = self.sums.iter().map(|v| v * norm).collect();
        let spec = OutputSpec {
            container: crate::write::Container::Jpeg { quality: 90 },
            depth: crate::write::BitDepth::Eight,
            transfer: TransferFunction::Srgb,
            dots_per_inch: 72.0,
            description: None,
            capture: None,
        };
        let width = self.width;
        write_picture(path, &spec, (self.width, self.height), &mut |rows| {
            light[rows.start * width * 3..rows.end * width * 3].to_vec()
        })
    }
}

/// Words for a label's glyphs that the font does not have, or lines wider than the sheet.
fn check_words(composition: &Composition, words: &[crate::raster::Stamp]) -> Vec<Diagnostic> {
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

/// A digest of everything that a registration depends on: the program's version, the frames'
/// names, sizes and times of change, and the shoot notes.
///
/// Only frames that `of` names count: a registration may hold some of a folder.
pub fn frames_digest(night: &Night, of: impl Fn(&str) -> bool) -> String {
    let mut hash = Sha256::new();
    hash.update(env!("CARGO_PKG_VERSION"));
    if let Ok(notes) = std::fs::read(night.folder.join("shoot.ron")) {
        hash.update(&notes);
    }
    let mut frames: Vec<(&str, &PathBuf)> =
        night.frames.iter().filter(|f| of(&f.name)).map(|f| (f.name.as_str(), &f.path)).collect();
    frames.sort();
    for (name, path) in frames {
        hash.update(name.as_bytes());
        if let Ok(metadata) = std::fs::metadata(path) {
            hash.update(metadata.len().to_le_bytes());
            let changed = metadata.modified().ok().and_then(|t| t.duration_since(std::time::UNIX_EPOCH).ok());
            hash.update(changed.map_or(0, |d| d.as_nanos()).to_le_bytes());
        }
    }
    hash.finalize().iter().take(16).map(|b| format!("{b:02x}")).collect()
}

/// A registration and whether it was kept from an earlier run.
pub struct Kept {
    /// The registration.
    pub registration: Registration,
    /// Whether no frame had to be looked at.
    pub reused: bool,
    /// What registering had to say.
    pub diagnostics: Vec<Diagnostic>,
}

/// The registration of a night: kept in `cache` while the frames and notes are unchanged.
///
/// A kept file that cannot be read is made anew; a cache that cannot be written is a warning.
pub fn registration_of(night: &Night, cache: Option<&Path>, progress: &(dyn Fn(&str) + Sync)) -> Kept {
    let digest = frames_digest(night, |_| true);
    let file = cache.map(|folder| folder.join(format!("registration-{digest}.ron")));
    if let Some(path) = &file
        && let Ok(text) = std::fs::read_to_string(path)
        && let Ok((registration, _, kept)) = crate::register::read_registration(path, &text)
        && kept == digest
    {
        let diagnostics = crate::register::remarks(night, &registration);
        return Kept { registration, reused: true, diagnostics };
    }
    let registered = register(night, ClockSource::Frames, progress);
    let mut diagnostics = registered.diagnostics;
    if let (Some(path), Some(folder)) = (&file, cache) {
        let written = std::fs::create_dir_all(folder).map_err(|e| e.to_string()).and_then(|()| {
            let folder = night.folder.to_string_lossy();
            let text =
                crate::register::registration_text(&registered.value, &folder, &digest).map_err(|d| d.message)?;
            crate::write::write_text(path, &text).map_err(|e| e.to_string())
        });
        if let Err(why) = written {
            diagnostics.push(
                Diagnostic::warning("registration-not-kept", format!("the registration could not be kept: {why}"))
                    .with_help("give another folder with --cache"),
            );
        }
    }
    // What is kept is rounded; use the rounded values now, too, so that both runs give the same bytes.
    let registration = file
        .and_then(|path| Some((std::fs::read_to_string(&path).ok()?, path)))
        .and_then(|(text, path)| crate::register::read_registration(&path, &text).ok())
        .map_or(registered.value, |(kept, _, _)| kept);
    Kept { registration, reused: false, diagnostics }
}
