//! Registrations kept from run to run.

use crate::diag::Diagnostic;
use crate::ingest::{Frame, Night, fingerprint};
use crate::registration::{Registration, RegistrationFile, read_registration};
use crate::solve::{ClockSource, register};
use sha2::{Digest, Sha256};
use std::path::{Path, PathBuf};
use std::sync::OnceLock;

/// What tells this build of the program from others: what another one kept is not taken for its own.
pub(super) fn build() -> &'static str {
    static BUILD: OnceLock<String> = OnceLock::new();
    BUILD.get_or_init(|| {
        let mut hash = Sha256::new();
        hash.update(env!("CARGO_PKG_VERSION"));
        // Where the system does not say which file runs, the version has to do.
        std::env::current_exe().iter().for_each(|path| stamp(&mut hash, path));
        short(hash)
    })
}

/// A file's time of change and what tells it from others.
pub(super) fn stamp(hash: &mut Sha256, path: &Path) {
    let changed = std::fs::metadata(path).and_then(|m| m.modified()).ok();
    let changed = changed.and_then(|t| t.duration_since(std::time::UNIX_EPOCH).ok());
    hash.update(changed.map_or(0, |d| d.as_nanos()).to_le_bytes());
    hash.update(fingerprint(path).unwrap_or_default());
}

/// The same of a frame; all its bytes, where they are in memory and nothing tells when they changed.
pub(super) fn stamp_frame(hash: &mut Sha256, frame: &Frame) {
    match &frame.bytes {
        Some(bytes) => hash.update(bytes),
        None => stamp(hash, &frame.path),
    }
}

/// A digest of everything that a registration depends on beside the program: the frames' names and fingerprints, and the
/// shoot notes.
///
/// Only frames that `of` names count: a registration may hold some of a folder.
pub fn frames_digest(night: &Night, of: impl Fn(&str) -> bool) -> String {
    let mut hash = Sha256::new();
    super::words_beside(night).iter().for_each(|words| hash.update(words));
    let mut frames: Vec<&Frame> = night.frames.iter().filter(|f| of(&f.name)).collect();
    frames.sort_by(|a, b| (&a.name, &a.path).cmp(&(&b.name, &b.path)));
    for frame in frames {
        hash.update(frame.name.as_bytes());
        hash.update(frame.fingerprint().unwrap_or_default());
    }
    // Calibration frames change what is measured, too.
    night.set_aside.iter().for_each(|path| hash.update(fingerprint(path).unwrap_or_default()));
    short(hash)
}

fn short(hash: Sha256) -> String {
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

/// Where a night's registration is kept. A frame that was touched is looked at again, whatever its fingerprint says.
fn kept_file(night: &Night, digest: &str, cache: &Path) -> PathBuf {
    let mut hash = Sha256::new();
    hash.update(digest);
    night.frames.iter().for_each(|frame| stamp_frame(&mut hash, frame));
    night.set_aside.iter().for_each(|path| stamp(&mut hash, path));
    cache.join(format!("registration-{}-{}.ron", build(), short(hash)))
}

/// Keeps a night's registration, as it was found, for the pictures that are made of it later. `digest` is that of the frames
/// before they were looked at ([`frames_digest`]).
///
/// # Errors
/// A sentence that says why it could not be kept.
pub fn keep_registration(night: &Night, registration: &Registration, digest: &str, cache: &Path) -> Result<(), String> {
    if frames_digest(night, |_| true) != digest {
        return Err("the frames changed while they were looked at".into());
    }
    std::fs::create_dir_all(cache).map_err(|e| e.to_string())?;
    let folder = night.folder.to_string_lossy();
    let text = crate::registration::registration_text(registration, &folder, digest).map_err(|d| d.message)?;
    crate::write::write_text(&kept_file(night, digest, cache), &text).map_err(|e| e.to_string())?;
    trim(cache);
    Ok(())
}

/// Registrations that are kept; the oldest go first.
const MOST_KEPT: usize = 200;

fn trim(cache: &Path) {
    let ours = |path: &PathBuf| {
        let name = path.file_name().map(|n| n.to_string_lossy()).unwrap_or_default();
        name.starts_with("registration-") && name.ends_with(".ron")
    };
    let files = std::fs::read_dir(cache).into_iter().flatten().flatten().map(|e| e.path()).filter(ours);
    let mut aged: Vec<_> = files.filter_map(|p| Some((p.metadata().ok()?.modified().ok()?, p))).collect();
    aged.sort();
    for (_, path) in aged.iter().rev().skip(MOST_KEPT) {
        // One that another run has just removed is gone.
        let _ = std::fs::remove_file(path);
    }
}

/// The registration of a night: kept in `cache` while the frames and notes are unchanged.
///
/// A kept file that cannot be read is made anew; a cache that cannot be written is a warning.
pub fn registration_of(night: &Night, cache: Option<&Path>, progress: &(dyn Fn(&str) + Sync)) -> Kept {
    let digest = frames_digest(night, |_| true);
    let file = cache.map(|folder| kept_file(night, &digest, folder));
    if let Some(path) = &file
        && let Ok(text) = crate::files::read_text(path)
        && let Ok(RegistrationFile { registration, frames_digest, .. }) = read_registration(path, &text)
        && frames_digest == digest
    {
        let diagnostics = crate::registration::remarks(night, &registration);
        return Kept { registration, reused: true, diagnostics };
    }
    let registered = register(night, ClockSource::Frames, progress);
    let mut diagnostics = registered.diagnostics;
    if let Some(Err(why)) = cache.map(|folder| keep_registration(night, &registered.value, &digest, folder)) {
        diagnostics.push(
            Diagnostic::warning("registration-not-kept", format!("the registration could not be kept: {why}"))
                .with_help("wait until the frames are copied, or give another folder with --cache"),
        );
    }
    Kept { registration: registered.value, reused: false, diagnostics }
}
