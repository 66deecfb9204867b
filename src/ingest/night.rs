//! A folder of frames with its notes.

mod remarks;

use super::content::Content;
use super::file_kind::{FileKind, kind_of};
use super::frame::{Frame, Rig, rig_of};
use super::frame_table::{self, FrameTable};
use super::masters::{self, CalibrationFiles};
use super::metadata::{has_own_record, metadata_of};
use super::response_file::parse_response;
use super::{FrameMetadata, Reading, ShootNotes, Site, is_own_picture, read_metadata};
use crate::camera::Mount;
use crate::diag::{Diagnostic, Warned};
use crate::sky::Observer;
use std::collections::HashSet;
use std::path::{Path, PathBuf};
use std::sync::Arc;

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
    pub sidecars: Vec<PathBuf>,
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
    /// Seconds that the zone of titles and hours is ahead of UTC: as the notes say, else a camera; zero where nobody says.
    pub fn label_offset_s(&self) -> i64 {
        let own = || self.frames.iter().find_map(|f| f.metadata.clock_offset_s);
        self.notes.as_ref().and_then(ShootNotes::label_offset_s).or_else(own).unwrap_or(0)
    }
    /// The same for a frame's own label: as `frames.csv` says, then the notes, then its camera.
    pub fn label_offset_of_s(&self, frame: &Frame) -> i64 {
        let noted = || self.notes.as_ref().and_then(ShootNotes::label_offset_s);
        frame.metadata.label_offset_s.or_else(noted).or(frame.metadata.clock_offset_s).unwrap_or(0)
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
        self.sidecars.extend(other.sidecars);
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
#[derive(Default)]
struct Sidecars {
    files: Vec<PathBuf>,
    notes: Option<ShootNotes>,
    table: FrameTable,
    reading: Reading,
    calibration: CalibrationFiles,
}

impl Sidecars {
    fn read(folder: &Path) -> Result<Self, NightError> {
        let notes = read_notes(folder)?;
        let table_path = folder.join(frame_table::NAME);
        let table = match crate::files::read_text(&table_path) {
            Ok(text) => FrameTable::parse(&table_path, &text).map_err(NightError::Notes)?,
            Err(e) if e.kind() == std::io::ErrorKind::NotFound => FrameTable::default(),
            Err(source) => return Err(NightError::Io { path: table_path, source }),
        };
        let mut reading = Reading::of_notes(notes.as_ref());
        let mut calibration = CalibrationFiles::default();
        let mut sidecars = vec![folder.join(NOTES), table_path];
        if let Some(notes) = &notes {
            if let Some(name) = &notes.response {
                let path = folder.join(name);
                sidecars.push(path.clone());
                let text =
                    crate::files::read_text(&path).map_err(|source| NightError::Io { path: path.clone(), source })?;
                reading.response = Some(Arc::new(parse_response(&path, &text).map_err(NightError::Notes)?));
            }
            let c = &notes.calibration;
            calibration = CalibrationFiles {
                dark: files(folder, &c.dark)?,
                bias: files(folder, &c.bias)?,
                flat: files(folder, &c.flat)?,
            };
        }
        Ok(Sidecars { files: sidecars, notes, table, reading, calibration })
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

/// A frame's file in memory.
#[derive(Clone)]
pub struct FrameInMemory {
    /// The name of its file, by which layouts and registrations know it.
    pub name: String,
    /// What would stand in the file: JPEG, PNG, TIFF or FITS; camera raw is read from files alone.
    pub bytes: Arc<[u8]>,
}

/// A night whose frames are in memory, with the notes that would lie beside them. What the notes call files of the folder
/// (response, calibration) is not looked for.
///
/// # Errors
/// [`NightError`] when there is no frame that can be read. Single unreadable frames are warnings.
pub fn night_in_memory(frames: Vec<FrameInMemory>, notes: Option<ShootNotes>) -> Result<Warned<Night>, NightError> {
    use rayon::prelude::*;
    let sidecars = Sidecars { reading: Reading::of_notes(notes.as_ref()), notes, ..Sidecars::default() };
    let read = frames.into_par_iter().map(|f| {
        let path = PathBuf::from(f.name);
        let content = Content { path: &path, bytes: Some(&f.bytes) };
        let metadata = metadata_of(content);
        Read { is_own: is_own(&metadata, || has_own_record(&f.bytes)), metadata, path, bytes: Some(f.bytes) }
    });
    gathered(Path::new("memory"), sidecars, read.collect(), Vec::new())
}

fn read_list(folder: &Path, mut paths: Vec<PathBuf>) -> Result<Warned<Night>, NightError> {
    use rayon::prelude::*;
    let mut sidecars = Sidecars::read(folder)?;
    let mut diagnostics = Vec::new();
    sidecars.make_masters(&mut diagnostics);
    paths.retain(|p| !sidecars.is_calibration(p));
    paths.sort();
    paths.dedup();
    let read = paths.into_par_iter().map(|path| {
        let metadata = read_metadata(&path);
        Read { is_own: is_own(&metadata, || is_own_picture(&path)), metadata, path, bytes: None }
    });
    gathered(folder, sidecars, read.collect(), diagnostics)
}

/// By what name a frame is known: its file's without the folder; all that it was called, of one in memory.
fn name_of(path: &Path, is_in_memory: bool) -> String {
    let name = if is_in_memory { Some(path.as_os_str()) } else { path.file_name() };
    name.map(|n| n.to_string_lossy().into_owned()).unwrap_or_default()
}

/// A frame's file, looked at.
struct Read {
    path: PathBuf,
    bytes: Option<Arc<[u8]>>,
    metadata: Result<FrameMetadata, String>,
    /// Whether this program composed it.
    is_own: bool,
}

/// Whether this program composed a picture. What a camera took says when or how long; only the others are looked through.
fn is_own(metadata: &Result<FrameMetadata, String>, has_record: impl FnOnce() -> bool) -> bool {
    metadata.as_ref().is_ok_and(|m| !m.says_when_or_how_long()) && has_record()
}

fn gathered(
    folder: &Path,
    sidecars: Sidecars,
    read: Vec<Read>,
    mut diagnostics: Vec<Diagnostic>,
) -> Result<Warned<Night>, NightError> {
    let mut night = Night {
        folder: folder.to_owned(),
        notes: None,
        frames: Vec::new(),
        rigs: Vec::new(),
        set_aside: sidecars.calibration.all().cloned().collect(),
        site: None,
        sidecars: sidecars.files.clone(),
    };
    let mut conflicts = Vec::new();
    let reading = Arc::new(sidecars.reading.clone());
    let (mut names, mut own) = (HashSet::new(), Vec::new());
    for Read { path, bytes, metadata, is_own } in read {
        // Names that are no text read alike once what is no text has been replaced.
        let name = name_of(&path, bytes.is_some());
        if !names.insert(name.clone()) {
            let why = if bytes.is_some() { "" } else { ": one of the two is no text (UTF-8)" };
            let message = format!("a second file whose name reads as `{name}` is left out{why}");
            diagnostics.push(Diagnostic::warning("name-twice", message).with_help("give the two files other names"));
            night.set_aside.extend(bytes.is_none().then_some(path));
            continue;
        }
        match metadata {
            Ok(_) if is_own => own.push(path),
            Ok(metadata) => night.add((path, bytes), metadata, &sidecars, &reading, &mut conflicts),
            Err(why) => {
                diagnostics.push(
                    Diagnostic::warning("frame-unreadable", format!("{} is left out: {why}", path.display()))
                        .with_help("copy the file from the card again, or export it as JPEG or TIFF"),
                );
                // Nothing lies on the disk under the name of a frame in memory.
                night.set_aside.extend(bytes.is_none().then_some(path));
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
    night.site = sidecars.notes.as_ref().and_then(|n| n.site).or(recorded);
    night.notes = sidecars.notes;
    largest_rig_first(&mut night.frames, &mut night.rigs);
    let time = |f: &Frame| f.time.map_or(f64::INFINITY, |t| t.middle.tt_seconds());
    night.frames.sort_by(|a, b| time(a).total_cmp(&time(b)).then_with(|| a.name.cmp(&b.name)));
    remarks::of_frames(&night, &mut diagnostics);
    remarks::of_sidecars(&night, &sidecars.table, &conflicts, recorded, &mut diagnostics);
    Ok(Warned { value: night, diagnostics })
}

impl Night {
    /// Takes a frame in, with what the table says of it; what that contradicts goes into `conflicts`.
    fn add(
        &mut self,
        (path, bytes): (PathBuf, Option<Arc<[u8]>>),
        mut metadata: FrameMetadata,
        sidecars: &Sidecars,
        reading: &Arc<Reading>,
        conflicts: &mut Vec<(String, &'static str)>,
    ) {
        let name = name_of(&path, bytes.is_some());
        let notes = sidecars.notes.as_ref();
        let entry = sidecars.table.entry(&name);
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
        // Which dark belongs to a frame is told by its exposure, which the table may have put right; what is ignored of it, by its
        // name.
        let reading = match &reading.masters {
            None if reading.ignored.is_alike_for_all() => reading.clone(),
            _ => Arc::new(Reading {
                exposure_s: metadata.exposure_time_s,
                ignored: reading.ignored.of_frame(&name),
                ..Reading::clone(reading)
            }),
        };
        self.frames.push(Frame {
            path,
            bytes,
            name,
            metadata,
            time: said.or(recorded),
            rig: index,
            foreground,
            reading,
        });
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
