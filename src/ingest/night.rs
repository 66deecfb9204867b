//! A folder of frames with its notes.

mod remarks;

use super::file_kind::{FileKind, kind_of};
use super::frame_table::{self, FrameTable};
use super::masters::{self, CalibrationFiles};
use super::response_file::parse_response;
use super::{CaptureTime, FrameMetadata, Reading, ShootNotes, Site, is_own_picture, read_metadata};
use crate::camera::Mount;
use crate::diag::{Diagnostic, Warned};
use crate::sky::Observer;
use std::collections::HashSet;
use std::path::{Path, PathBuf};
use std::sync::Arc;

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
    /// How it is to be read.
    pub reading: Arc<Reading>,
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
    /// What the camera calls that on a frame of 36 x 24 mm: a telephone's zoom changes it and nothing else.
    pub equivalent_focal_length_mm: Option<f64>,
    /// Camera model.
    pub camera_model: Option<String>,
    /// Pixels per radian at the optical axis, when focal length and pixel pitch are known.
    pub focal_length_px: Option<f64>,
}

impl Rig {
    /// Whether frames of two rigs are one camera's at one focal length, if of different sizes: cropped by hand, it may be.
    pub(crate) fn is_one_camera_with(&self, other: &Rig) -> bool {
        self.camera_model == other.camera_model
            && self.focal_length_mm == other.focal_length_mm
            && self.equivalent_focal_length_mm == other.equivalent_focal_length_mm
    }
}

/// Everything known about one folder (or list) of frames before decoding.
#[derive(Clone, Debug, Default)]
pub struct Night {
    /// The folder.
    pub folder: PathBuf,
    /// Its `shoot.ron`, if there is one.
    pub notes: Option<ShootNotes>,
    /// Frames in the order of their times; those without a time last, by name.
    pub frames: Vec<Frame>,
    /// The rigs that took them, the one with most frames first.
    pub rigs: Vec<Rig>,
    /// Files that look like frames but could not be read, and calibration frames; never written over either.
    pub set_aside: Vec<PathBuf>,
    /// Where the camera stood, by the notes or its receiver.
    pub site: Option<Site>,
    /// What lies beside the frames and says more of them: notes, table, response.
    pub papers: Vec<PathBuf>,
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
    /// Files, but none that could be read.
    #[error("none of the {count} files in {} can be read; {first}", path.display())]
    NoneReadable {
        /// The folder.
        path: PathBuf,
        /// How many were tried.
        count: usize,
        /// The first and why not.
        first: String,
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

/// Endings of pictures that are read.
const ENDINGS: [&str; 8] = ["jpg", "jpeg", "png", "tif", "tiff", "fits", "fit", "fts"];

/// Endings of camera raw: a damaged file of these is missed, any other is known by its content.
const RAW_ENDINGS: [&str; 9] = ["dng", "cr2", "cr3", "nef", "arw", "raf", "orf", "rw2", "pef"];

/// What a folder holds.
#[derive(Default)]
struct Listing {
    frames: Vec<PathBuf>,
    /// Pictures of kinds that are not read, with the kind's name.
    unread: Vec<(PathBuf, &'static str)>,
    /// Notes and tables under another name than is looked for, with that name.
    misnamed: Vec<(PathBuf, &'static str)>,
}

/// The name that notes or a table were to have: in other letters, or with the ending that some editors add unseen.
fn name_meant(path: &Path) -> Option<&'static str> {
    let name = path.file_name()?.to_str()?;
    let lower = name.to_ascii_lowercase();
    let meant = [NOTES, frame_table::NAME].into_iter().find(|n| lower.strip_suffix(".txt").unwrap_or(&lower) == *n)?;
    (name != meant).then_some(meant)
}

impl Listing {
    fn of(folder: &Path) -> std::io::Result<Self> {
        let mut out = Listing::default();
        for entry in std::fs::read_dir(folder)? {
            let path = entry?.path();
            let hidden = path.file_name().is_some_and(|n| n.to_string_lossy().starts_with('.'));
            if hidden || !path.is_file() {
                continue;
            }
            if let Some(meant) = name_meant(&path) {
                out.misnamed.push((path, meant));
                continue;
            }
            let ending = path.extension().and_then(|e| e.to_str()).map(str::to_ascii_lowercase).unwrap_or_default();
            let usual = ENDINGS.contains(&ending.as_str());
            // A camera's ending is short; longer ones are copies that a program keeps (`.cr2_original`).
            let cameras = (1..=4).contains(&ending.len());
            match kind_of(&path) {
                Ok(FileKind::Raw | FileKind::Fits) if cameras => out.frames.push(path),
                Ok(FileKind::Unread(kind)) => out.unread.push((path, kind)),
                // A frame by its ending whose beginning is lost is named when it is read.
                _ if usual || RAW_ENDINGS.contains(&ending.as_str()) => out.frames.push(path),
                _ => {}
            }
        }
        Ok(out)
    }
}

impl Night {
    /// The place, if the notes or a frame give one.
    pub fn observer(&self) -> Option<Observer> {
        self.site?.observer().ok()
    }
    /// What held the camera.
    pub fn mount(&self) -> Mount {
        self.notes.as_ref().map_or(Mount::Unknown, |n| n.mount)
    }
    /// This night and another camera's folder of it. Rigs of the other come after; its frames keep their names
    /// unless one of them is taken, then all get their folder's name before them. Returns what each was called.
    pub fn join(&mut self, other: Night) -> Vec<(String, String)> {
        let taken = other.frames.iter().any(|f| self.frame(&f.name).is_some());
        let folder = other.folder.canonicalize().unwrap_or(other.folder);
        let folder = folder.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
        let (offset, mut names) = (self.rigs.len(), Vec::new());
        for mut frame in other.frames {
            let old = frame.name.clone();
            if taken {
                frame.name = format!("{folder}/{old}");
            }
            frame.rig += offset;
            names.push((old, frame.name.clone()));
            self.frames.push(frame);
        }
        self.rigs.extend(other.rigs);
        self.set_aside.extend(other.set_aside);
        self.papers.extend(other.papers);
        self.site = self.site.or(other.site);
        names
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
    let mut listing = Listing::of(folder).map_err(|source| NightError::Io { path: folder.to_owned(), source })?;
    if listing.frames.is_empty() {
        return Err(match listing.unread.first() {
            None => NightError::Empty { path: folder.to_owned() },
            Some((path, kind)) => NightError::NoneReadable {
                path: folder.to_owned(),
                count: listing.unread.len(),
                first: format!("{} is a {kind} picture: export such files as JPEG or TIFF", path.display()),
            },
        });
    }
    let mut night = read_list(folder, listing.frames)?;
    remarks::of_unread(&listing.unread, &mut night.diagnostics);
    listing.misnamed.retain(|(_, meant)| !folder.join(meant).is_file());
    remarks::of_misnamed(&listing.misnamed, &mut night.diagnostics);
    night.value.set_aside.extend(listing.unread.into_iter().map(|(path, _)| path));
    Ok(night)
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

/// The name of the notes beside the frames.
const NOTES: &str = "shoot.ron";

fn read_notes(folder: &Path) -> Result<Option<ShootNotes>, NightError> {
    let path = folder.join(NOTES);
    match crate::files::read_text(&path) {
        Ok(text) => ShootNotes::parse(&path, &text).map(Some).map_err(|d| NightError::Notes(Box::new(d))),
        Err(e) if e.kind() == std::io::ErrorKind::NotFound => Ok(None),
        Err(source) => Err(NightError::Io { path, source }),
    }
}

/// What lies beside the frames: notes, table, response, calibration.
struct Papers {
    files: Vec<PathBuf>,
    notes: Option<ShootNotes>,
    table: FrameTable,
    reading: Reading,
    calibration: CalibrationFiles,
}

impl Papers {
    fn read(folder: &Path) -> Result<Self, NightError> {
        let notes = read_notes(folder)?;
        let table_path = folder.join(frame_table::NAME);
        let table = match crate::files::read_text(&table_path) {
            Ok(text) => FrameTable::parse(&table_path, &text).map_err(NightError::Notes)?,
            Err(e) if e.kind() == std::io::ErrorKind::NotFound => FrameTable::default(),
            Err(source) => return Err(NightError::Io { path: table_path, source }),
        };
        let mut reading = Reading {
            transfer: notes.as_ref().and_then(ShootNotes::transfer),
            ignored: notes.as_ref().map(|n| n.ignore.clone()).unwrap_or_default(),
            ..Reading::default()
        };
        let mut calibration = CalibrationFiles::default();
        let mut papers = vec![folder.join(NOTES), table_path];
        if let Some(notes) = &notes {
            if let Some(name) = &notes.response {
                let path = folder.join(name);
                papers.push(path.clone());
                let text =
                    crate::files::read_text(&path).map_err(|source| NightError::Io { path: path.clone(), source })?;
                reading.response = Some(Arc::new(parse_response(&path, &text).map_err(NightError::Notes)?));
            }
            let c = &notes.calibration;
            reading.mend_hot_pixels = c.mend_hot_pixels;
            calibration = CalibrationFiles {
                dark: files(folder, &c.dark)?,
                bias: files(folder, &c.bias)?,
                flat: files(folder, &c.flat)?,
            };
        }
        Ok(Papers { files: papers, notes, table, reading, calibration })
    }

    /// Averages the calibration frames; what cannot be used is said and left out.
    fn make_masters(&mut self, diagnostics: &mut Vec<Diagnostic>) {
        match masters::average(&self.calibration, &self.reading) {
            Ok(masters) => self.reading.masters = masters.map(Arc::new),
            Err(e) => diagnostics.push(
                Diagnostic::warning("calibration-left-out", format!("no calibration frame is used: {e}"))
                    .with_help("give darks, bias and flats of one camera and size"),
            ),
        }
    }

    fn is_calibration(&self, path: &Path) -> bool {
        self.calibration.all().any(|p| p == path)
    }
}

/// The frames that a list of names means: files, and all frames of folders.
fn files(folder: &Path, names: &[String]) -> Result<Vec<PathBuf>, NightError> {
    let mut out = Vec::new();
    for name in names {
        let path = folder.join(name);
        let io = |source| NightError::Io { path: path.clone(), source };
        if path.is_dir() {
            out.extend(Listing::of(&path).map_err(io)?.frames);
        } else if path.is_file() {
            out.push(path);
        } else {
            return Err(io(std::io::ErrorKind::NotFound.into()));
        }
    }
    out.sort();
    Ok(out)
}

fn read_list(folder: &Path, mut paths: Vec<PathBuf>) -> Result<Warned<Night>, NightError> {
    use rayon::prelude::*;
    let mut papers = Papers::read(folder)?;
    let mut diagnostics = Vec::new();
    papers.make_masters(&mut diagnostics);
    paths.retain(|p| !papers.is_calibration(p));
    paths.sort();
    paths.dedup();
    let read: Vec<_> = paths.into_par_iter().map(|p| (read_metadata(&p), p)).collect();
    let mut night = Night {
        folder: folder.to_owned(),
        notes: None,
        frames: Vec::new(),
        rigs: Vec::new(),
        set_aside: papers.calibration.all().cloned().collect(),
        site: None,
        papers: papers.files.clone(),
    };
    let mut conflicts = Vec::new();
    let reading = Arc::new(papers.reading.clone());
    let (mut names, mut own) = (HashSet::new(), Vec::new());
    // What a camera took says when or how long; only the others are looked through.
    let is_own = |m: &FrameMetadata, path: &Path| {
        m.exposure_time_s.is_none() && m.clock_reading_s.is_none() && is_own_picture(path)
    };
    for (metadata, path) in read {
        // Names that are no text read alike once what is no text has been replaced.
        let name = path.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
        if !names.insert(name.clone()) {
            let message =
                format!("a second file whose name reads as `{name}` is left out: one of the two is no text (UTF-8)");
            diagnostics.push(Diagnostic::warning("name-twice", message).with_help("give the two files other names"));
            night.set_aside.push(path);
            continue;
        }
        match metadata {
            Ok(metadata) if is_own(&metadata, &path) => own.push(path),
            Ok(metadata) => night.add((path, metadata), &papers, &reading, &mut conflicts),
            Err(why) => {
                diagnostics.push(
                    Diagnostic::warning("frame-unreadable", format!("{} is left out: {why}", path.display()))
                        .with_help("copy the file from the card again, or export it as JPEG or TIFF"),
                );
                night.set_aside.push(path);
            }
        }
    }
    remarks::of_own_pictures(&own, &mut diagnostics);
    if night.frames.is_empty() {
        let unreadable: Vec<&Diagnostic> = diagnostics.iter().filter(|d| d.code == "frame-unreadable").collect();
        return Err(match unreadable.first() {
            None => NightError::Empty { path: folder.to_owned() },
            Some(first) => NightError::NoneReadable {
                path: folder.to_owned(),
                count: unreadable.len(),
                first: first.message.clone(),
            },
        });
    }
    let recorded = night.frames.iter().find_map(|f| f.metadata.place);
    night.site = papers.notes.as_ref().and_then(|n| n.site).or(recorded);
    night.notes = papers.notes;
    largest_rig_first(&mut night.frames, &mut night.rigs);
    let time = |f: &Frame| f.time.map_or(f64::INFINITY, |t| t.middle.tt_seconds());
    night.frames.sort_by(|a, b| time(a).total_cmp(&time(b)).then_with(|| a.name.cmp(&b.name)));
    remarks::of_frames(&night, &mut diagnostics);
    remarks::of_papers(&night, &papers.table, &conflicts, recorded, &mut diagnostics);
    Ok(Warned { value: night, diagnostics })
}

impl Night {
    /// Takes a frame in, with what the table says of it; what that contradicts goes into `conflicts`.
    fn add(
        &mut self,
        (path, mut metadata): (PathBuf, FrameMetadata),
        papers: &Papers,
        reading: &Arc<Reading>,
        conflicts: &mut Vec<(String, &'static str)>,
    ) {
        let name = path.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
        let notes = papers.notes.as_ref();
        let entry = papers.table.entry(&name);
        if let Some(entry) = entry {
            conflicts.extend(entry.apply(&mut metadata).into_iter().map(|what| (name.clone(), what)));
        }
        let recorded = metadata.capture_time(notes);
        let said = entry.and_then(|e| e.begins_unix_s).and_then(|t| metadata.time_of(t, true));
        if let (Some(said), Some(recorded)) = (said, recorded)
            && said.middle.seconds_since(recorded.middle).abs() > 1.5
        {
            conflicts.push((name.clone(), "time"));
        }
        let rig = rig_of(&metadata, notes, entry.and_then(|e| e.focal_length_mm));
        let index = self.rigs.iter().position(|r| *r == rig).unwrap_or_else(|| {
            self.rigs.push(rig);
            self.rigs.len() - 1
        });
        let foreground = notes.is_some_and(|n| n.foreground.contains(&name));
        // Which dark belongs to a frame is told by its exposure, which the table may have put right.
        let reading = match &reading.masters {
            Some(_) => Arc::new(Reading { exposure_s: metadata.exposure_time_s, ..Reading::clone(reading) }),
            None => reading.clone(),
        };
        self.frames.push(Frame { path, name, metadata, time: said.or(recorded), rig: index, foreground, reading });
    }
}

/// Diagonal of the frame that equivalent focal lengths are told for, millimetres (CIPA DCG-001: 36 x 24 by its diagonal).
const EQUIVALENT_DIAGONAL_MM: f64 = 43.267;

/// The rig of a frame: its size, camera and focal length, by the table, the notes or the camera.
fn rig_of(metadata: &FrameMetadata, notes: Option<&ShootNotes>, in_table: Option<f64>) -> Rig {
    let optics = notes.map(|n| n.optics).unwrap_or_default();
    let said = in_table.or(optics.focal_length_mm);
    // A digital zoom enlarges what the lens draws.
    let recorded = metadata.focal_length_mm.map(|f| f * metadata.digital_zoom.unwrap_or(1.0));
    let focal_length_mm = said.or(recorded);
    let (width, height) = (metadata.width as f64, metadata.height as f64);
    let noted = optics.pixel_pitch_um.map(|p| p / 1000.0).or(optics.sensor_width_mm.map(|w| w / width.max(height)));
    let pitch_mm = noted.or(metadata.pixel_pitch_um.map(|p| p / 1000.0));
    let equivalent_mm = metadata.equivalent_focal_length_mm.filter(|_| said.is_none());
    let by_equivalent = equivalent_mm.map(|f| f * width.hypot(height) / EQUIVALENT_DIAGONAL_MM);
    Rig {
        width: metadata.width,
        height: metadata.height,
        focal_length_mm,
        equivalent_focal_length_mm: equivalent_mm,
        camera_model: metadata.camera_model.clone(),
        focal_length_px: focal_length_mm.zip(pitch_mm).map(|(f, p)| f / p).or(by_equivalent),
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_telephones_zoom_makes_rigs_of_its_own() {
        let frame = |equivalent: f64, zoom: Option<f64>| FrameMetadata {
            width: 4000,
            height: 3000,
            focal_length_mm: Some(6.0),
            equivalent_focal_length_mm: Some(equivalent),
            digital_zoom: zoom,
            ..FrameMetadata::default()
        };
        let (short, long) = (rig_of(&frame(52.0, None), None, None), rig_of(&frame(208.0, Some(4.0)), None, None));
        assert_ne!(short, long);
        // The diagonal of 5000 pixels stands for 43.267 mm.
        assert!((short.focal_length_px.unwrap() - 52.0 * 5000.0 / 43.267).abs() < 1e-6);
        assert_eq!(long.focal_length_mm, Some(24.0));
        // The table's word wins over the camera's, and the camera's equivalent says nothing of it.
        let told = rig_of(&frame(208.0, None), None, Some(300.0));
        assert_eq!((told.focal_length_mm, told.focal_length_px), (Some(300.0), None));
    }
}
