//! A folder of frames with its notes.

use super::{CaptureTime, FrameMetadata, Mount, ShootNotes, read_metadata};
use crate::diag::{Diagnostic, Warned};
use crate::raster::TransferFunction;
use crate::sky::Observer;
use std::path::{Path, PathBuf};

/// One frame: a file, what the camera recorded, and when it was taken.
#[derive(Clone, Debug)]
pub struct Frame {
    /// The file.
    pub path: PathBuf,
    /// Its name without the folder, by which layouts and registrations know it.
    pub name: String,
    /// What the camera recorded.
    pub metadata: FrameMetadata,
    /// When it was taken, if known.
    pub time: Option<CaptureTime>,
    /// Which rig took it: an index into [`Night::rigs`].
    pub rig: usize,
    /// Whether the notes call it a foreground frame.
    pub foreground: bool,
}

/// Frames of one size, focal length and camera: one plate scale.
#[derive(Clone, Debug, PartialEq)]
pub struct Rig {
    /// Width of its frames, pixels.
    pub width: usize,
    /// Height of its frames, pixels.
    pub height: usize,
    /// Focal length, millimetres, by the notes or the frames.
    pub focal_length_mm: Option<f64>,
    /// Camera model.
    pub camera_model: Option<String>,
    /// Pixels per radian at the optical axis, when focal length and pixel pitch are known.
    pub focal_length_px: Option<f64>,
}

/// Everything known about one folder (or list) of frames before decoding.
#[derive(Clone, Debug)]
pub struct Night {
    /// The folder.
    pub folder: PathBuf,
    /// Its `shoot.ron`, if there is one.
    pub notes: Option<ShootNotes>,
    /// Frames in the order of their times; those without a time last, by name.
    pub frames: Vec<Frame>,
    /// The rigs that took them, the one with most frames first.
    pub rigs: Vec<Rig>,
    /// Files that look like frames but could not be read; never written over either.
    pub unreadable: Vec<PathBuf>,
}

/// Why a folder could not be used.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum NightError {
    /// The operating system refused.
    #[error("cannot read {}: {source}", path.display())]
    Io {
        /// The folder or file.
        path: PathBuf,
        /// What the system said.
        source: std::io::Error,
    },
    /// No readable frame.
    #[error("there is no frame in {}", path.display())]
    Empty {
        /// The folder.
        path: PathBuf,
    },
    /// A list of frames from more than one folder: their notes would differ.
    #[error("{} is not in {}: frames of one registration share a folder", path.display(), folder.display())]
    SeveralFolders {
        /// The frame elsewhere.
        path: PathBuf,
        /// The first frame's folder.
        folder: PathBuf,
    },
    /// The notes are wrong.
    #[error("{0}")]
    Notes(Box<Diagnostic>),
}

const ENDINGS: [&str; 5] = ["jpg", "jpeg", "png", "tif", "tiff"];

/// Whether a file's ending is one that this program reads.
fn is_frame(path: &Path) -> bool {
    let hidden = path.file_name().is_some_and(|n| n.to_string_lossy().starts_with('.'));
    let ending = path.extension().and_then(|e| e.to_str()).map(str::to_ascii_lowercase);
    !hidden && ending.is_some_and(|e| ENDINGS.contains(&e.as_str()))
}

impl Night {
    /// The place, if the notes give one.
    pub fn observer(&self) -> Option<Observer> {
        self.notes.as_ref()?.site?.observer().ok()
    }
    /// What held the camera.
    pub fn mount(&self) -> Mount {
        self.notes.as_ref().map_or(Mount::Unknown, |n| n.mount)
    }
    /// How the frames' integers stand for light.
    pub fn transfer(&self) -> TransferFunction {
        self.notes.as_ref().and_then(ShootNotes::transfer).unwrap_or_default()
    }
    /// A frame by its name.
    pub fn frame(&self, name: &str) -> Option<&Frame> {
        self.frames.iter().find(|f| f.name == name)
    }
}

/// Reads a folder: every frame in it and its `shoot.ron`.
///
/// # Errors
/// [`NightError`] when the folder cannot be read, holds no frame, or its notes are wrong. Single
/// unreadable frames are warnings.
pub fn read_night(folder: &Path) -> Result<Warned<Night>, NightError> {
    let io = |source| NightError::Io { path: folder.to_owned(), source };
    let mut paths: Vec<PathBuf> = Vec::new();
    for entry in std::fs::read_dir(folder).map_err(io)? {
        let path = entry.map_err(io)?.path();
        if path.is_file() && is_frame(&path) {
            paths.push(path);
        }
    }
    if paths.is_empty() {
        return Err(NightError::Empty { path: folder.to_owned() });
    }
    read_list(folder, paths)
}

/// Reads the frames of a list; the notes are those of the first frame's folder.
///
/// # Errors
/// As [`read_night`].
pub fn read_frames(paths: Vec<PathBuf>) -> Result<Warned<Night>, NightError> {
    let parent = |p: &Path| match p.parent() {
        Some(folder) if !folder.as_os_str().is_empty() => folder.to_owned(),
        _ => PathBuf::from("."),
    };
    let folder = paths.first().map_or_else(|| PathBuf::from("."), |p| parent(p));
    if let Some(missing) = paths.iter().find(|p| !p.is_file()) {
        let kind = if missing.is_dir() { std::io::ErrorKind::IsADirectory } else { std::io::ErrorKind::NotFound };
        return Err(NightError::Io { path: missing.clone(), source: kind.into() });
    }
    if let Some(stray) = paths.iter().find(|p| parent(p) != folder) {
        return Err(NightError::SeveralFolders { path: stray.clone(), folder });
    }
    read_list(&folder, paths)
}

fn read_notes(folder: &Path) -> Result<Option<ShootNotes>, NightError> {
    let path = folder.join("shoot.ron");
    match std::fs::read_to_string(&path) {
        Ok(text) => ShootNotes::parse(&path, &text).map(Some).map_err(|d| NightError::Notes(Box::new(d))),
        Err(e) if e.kind() == std::io::ErrorKind::NotFound => Ok(None),
        Err(source) => Err(NightError::Io { path, source }),
    }
}

fn read_list(folder: &Path, mut paths: Vec<PathBuf>) -> Result<Warned<Night>, NightError> {
    use rayon::prelude::*;
    let notes = read_notes(folder)?;
    let mut diagnostics = Vec::new();
    paths.sort();
    let read: Vec<_> = paths.into_par_iter().map(|p| (read_metadata(&p), p)).collect();
    let (mut frames, mut rigs): (Vec<Frame>, Vec<Rig>) = (Vec::new(), Vec::new());
    let mut unreadable = Vec::new();
    for (metadata, path) in read {
        let name = path.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
        let metadata = match metadata {
            Ok(metadata) => metadata,
            Err(why) => {
                diagnostics.push(
                    Diagnostic::warning("frame-unreadable", format!("{} is left out: {why}", path.display()))
                        .with_help("copy the file from the card again"),
                );
                unreadable.push(path);
                continue;
            }
        };
        let time = metadata.capture_time(notes.as_ref());
        let rig = rig_of(&metadata, notes.as_ref());
        let index = rigs.iter().position(|r| *r == rig).unwrap_or_else(|| {
            rigs.push(rig);
            rigs.len() - 1
        });
        let foreground = notes.as_ref().is_some_and(|n| n.foreground.contains(&name));
        frames.push(Frame { path, name, metadata, time, rig: index, foreground });
    }
    if frames.is_empty() {
        return Err(NightError::Empty { path: folder.to_owned() });
    }
    largest_rig_first(&mut frames, &mut rigs);
    let time = |f: &Frame| f.time.map_or(f64::INFINITY, |t| t.middle.tt_seconds());
    frames.sort_by(|a, b| time(a).total_cmp(&time(b)).then_with(|| a.name.cmp(&b.name)));
    warn(&frames, &rigs, notes.as_ref(), &mut diagnostics);
    Ok(Warned { value: Night { folder: folder.to_owned(), notes, frames, rigs, unreadable }, diagnostics })
}

fn rig_of(metadata: &FrameMetadata, notes: Option<&ShootNotes>) -> Rig {
    let optics = notes.map(|n| n.optics).unwrap_or_default();
    let focal_length_mm = optics.focal_length_mm.or(metadata.focal_length_mm);
    let long_side = metadata.width.max(metadata.height) as f64;
    let pitch_mm = optics.pixel_pitch_um.map(|p| p / 1000.0).or(optics.sensor_width_mm.map(|w| w / long_side));
    Rig {
        width: metadata.width,
        height: metadata.height,
        focal_length_mm,
        camera_model: metadata.camera_model.clone(),
        focal_length_px: focal_length_mm.zip(pitch_mm).map(|(f, p)| f / p),
    }
}

fn largest_rig_first(frames: &mut [Frame], rigs: &mut Vec<Rig>) {
    let mut counts = vec![0usize; rigs.len()];
    frames.iter().for_each(|f| counts[f.rig] += 1);
    let mut order: Vec<usize> = (0..rigs.len()).collect();
    order.sort_by_key(|&i| (std::cmp::Reverse(counts[i]), i));
    let mut rank = vec![0; rigs.len()];
    order.iter().enumerate().for_each(|(new, &old)| rank[old] = new);
    frames.iter_mut().for_each(|f| f.rig = rank[f.rig]);
    *rigs = order.into_iter().map(|i| rigs[i].clone()).collect();
}

fn warn(frames: &[Frame], rigs: &[Rig], notes: Option<&ShootNotes>, out: &mut Vec<Diagnostic>) {
    let untimed: Vec<&str> = frames.iter().filter(|f| f.time.is_none()).map(|f| f.name.as_str()).collect();
    if !untimed.is_empty() {
        out.push(
            Diagnostic::warning("frame-without-time", format!("no time is recorded in {}", few(&untimed)))
                .with_help("such frames have no place on the sky; re-export them with their EXIF kept"),
        );
    }
    if frames.iter().any(|f| f.time.is_some_and(|t| !t.zone_known)) {
        out.push(
            Diagnostic::warning(
                "clock-zone-unknown",
                "nobody says what zone the camera's clock was set to; UTC is assumed",
            )
            .with_help("write `clock: (utc_offset: \"+08:00\")` into shoot.ron beside the frames"),
        );
    }
    if notes.is_none_or(|n| n.site.is_none()) {
        out.push(
            Diagnostic::note(
                "site-unknown",
                "no site is given: the Moon is found in the frames, but not placed on the sky",
            )
            .with_help("write `site: (latitude_deg: …, longitude_deg: …)` into shoot.ron beside the frames"),
        );
    }
    let missing: Vec<&str> = notes
        .map(|n| {
            n.foreground.iter().filter(|name| !frames.iter().any(|f| f.name == **name)).map(String::as_str).collect()
        })
        .unwrap_or_default();
    if !missing.is_empty() {
        out.push(
            Diagnostic::warning(
                "foreground-missing",
                format!("shoot.ron names a foreground frame that is not in the folder: {}", few(&missing)),
            )
            .with_help("write the file's name as it is, with its ending and its capitals"),
        );
    }
    if rigs.len() > 1 {
        let sizes: Vec<String> = rigs
            .iter()
            .enumerate()
            .map(|(i, r)| {
                format!("{} frames of {}x{}", frames.iter().filter(|f| f.rig == i).count(), r.width, r.height)
            })
            .collect();
        out.push(Diagnostic::note(
            "several-rigs",
            format!("the frames come from {} rigs ({}); each is solved by itself", rigs.len(), sizes.join(", ")),
        ));
    }
    for pair in frames.windows(2) {
        if let (Some(a), Some(b)) = (pair[0].time, pair[1].time)
            && pair[0].rig == pair[1].rig
            && (a.middle.seconds_since(b.middle)).abs() < 1e-3
        {
            out.push(Diagnostic::warning(
                "same-time",
                format!("{} and {} carry the same time", pair[0].name, pair[1].name),
            ));
        }
    }
}

/// The first names of a list and how many more.
fn few(names: &[&str]) -> String {
    let shown = names.iter().take(3).copied().collect::<Vec<_>>().join(", ");
    if names.len() > 3 { format!("{shown} and {} more", names.len() - 3) } else { shown }
}
