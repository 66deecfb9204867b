//! Registrations kept from run to run.

use crate::diag::Diagnostic;
use crate::ingest::Night;
use crate::registration::Registration;
use crate::solve::{ClockSource, register};
use sha2::{Digest, Sha256};
use std::path::{Path, PathBuf};

/// A file's length and time of change.
pub(super) fn stamp(hash: &mut Sha256, path: &Path) {
    if let Ok(metadata) = std::fs::metadata(path) {
        hash.update(metadata.len().to_le_bytes());
        let changed = metadata.modified().ok().and_then(|t| t.duration_since(std::time::UNIX_EPOCH).ok());
        hash.update(changed.map_or(0, |d| d.as_nanos()).to_le_bytes());
    }
}

/// A digest of everything that a registration depends on: the program's version, the frames'
/// names, sizes and times of change, and the shoot notes.
///
/// Only frames that `of` names count: a registration may hold some of a folder.
pub fn frames_digest(night: &Night, of: impl Fn(&str) -> bool) -> String {
    let mut hash = Sha256::new();
    hash.update(env!("CARGO_PKG_VERSION"));
    for paper in super::papers(night) {
        if let Ok(text) = std::fs::read(paper) {
            hash.update(&text);
        }
    }
    let mut frames: Vec<(&str, &PathBuf)> =
        night.frames.iter().filter(|f| of(&f.name)).map(|f| (f.name.as_str(), &f.path)).collect();
    frames.sort();
    for (name, path) in frames {
        hash.update(name.as_bytes());
        stamp(&mut hash, path);
    }
    // Calibration frames change what is measured, too.
    night.set_aside.iter().for_each(|path| stamp(&mut hash, path));
    hash.finalize().iter().take(16).map(|b| format!("{b:02x}")).collect()
}

/// Of what registering finds in unchanged frames: to be raised by whoever changes that, or an old cache would serve
/// yesterday's discs.
const REVISION: u32 = 4;

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
    let file = cache.map(|folder| folder.join(format!("registration-{REVISION}-{digest}.ron")));
    if let Some(path) = &file
        && let Ok(text) = std::fs::read_to_string(path)
        && let Ok((registration, _, kept)) = crate::registration::read_registration(path, &text)
        && kept == digest
    {
        let diagnostics = crate::registration::remarks(night, &registration);
        return Kept { registration, reused: true, diagnostics };
    }
    let registered = register(night, ClockSource::Frames, progress);
    let mut diagnostics = registered.diagnostics;
    if let (Some(path), Some(folder)) = (&file, cache) {
        let written = std::fs::create_dir_all(folder).map_err(|e| e.to_string()).and_then(|()| {
            let folder = night.folder.to_string_lossy();
            let text =
                crate::registration::registration_text(&registered.value, &folder, &digest).map_err(|d| d.message)?;
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
        .and_then(|(text, path)| crate::registration::read_registration(&path, &text).ok())
        .map_or(registered.value, |(kept, _, _)| kept);
    Kept { registration, reused: false, diagnostics }
}
