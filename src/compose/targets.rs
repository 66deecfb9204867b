//! Where a picture may be written: never over a frame or the notes.

use super::ComposeError;
use crate::ingest::{FrameMetadata, Night, is_own_picture, read_metadata};
use crate::write::{Container, WriteError};
use std::io::Read;
use std::path::Path;

/// Whether a picture may be written there: checked before any work is done.
///
/// # Errors
/// [`ComposeError`] when a target is one of the frames, has an unknown ending, or its folder is missing.
pub fn check_targets(night: &Night, out: &Path, preview: Option<&Path>) -> Result<(), ComposeError> {
    Container::for_path(out)?;
    if let Some(preview) = preview {
        let is_jpeg =
            preview.extension().is_some_and(|e| e.eq_ignore_ascii_case("jpg") || e.eq_ignore_ascii_case("jpeg"));
        if !is_jpeg || preview == out || same_file(preview, out) {
            return Err(ComposeError::PreviewName { path: preview.to_owned() });
        }
    }
    protect_inputs(night, [Some(out), preview].into_iter().flatten())
}

/// Whether a file is one of ISO/IEC 14496-12's family: a camera's video, or a photograph of a kind that is not read.
fn is_recording(path: &Path) -> bool {
    let mut start = [0; 8];
    std::fs::File::open(path).and_then(|mut file| file.read_exact(&mut start)).is_ok() && &start[4..] == b"ftyp"
}

/// Whether two names mean one file: the same one, or two that are not there yet in the same folder.
pub fn same_file(a: &Path, b: &Path) -> bool {
    let place = |p: &Path| {
        let folder = p.parent().filter(|f| !f.as_os_str().is_empty()).unwrap_or(Path::new("."));
        Some(p.canonicalize().ok().unwrap_or(folder.canonicalize().ok()?.join(p.file_name()?)))
    };
    place(a).is_some_and(|a| place(b) == Some(a))
}

/// Refuses targets that are among the files which a picture or a registration is made from.
///
/// # Errors
/// [`ComposeError::TargetIsFrame`].
pub fn protect<'a>(
    sources: impl Iterator<Item = &'a Path> + Clone,
    targets: impl Iterator<Item = &'a Path>,
) -> Result<(), ComposeError> {
    for target in targets {
        if sources.clone().any(|source| same_file(source, target)) {
            return Err(ComposeError::TargetIsFrame { path: target.to_owned() });
        }
    }
    Ok(())
}

/// Refuses targets that are frames or notes of a night, or that cannot be there.
///
/// # Errors
/// [`ComposeError`].
pub fn protect_inputs<'a>(night: &Night, targets: impl Iterator<Item = &'a Path>) -> Result<(), ComposeError> {
    let sidecars = super::sidecars(night);
    for target in targets {
        let mut inputs = night.frames.iter().map(|f| &f.path).chain(&night.set_aside).chain(sidecars);
        if inputs.any(|input| same_file(input, target)) {
            return Err(ComposeError::TargetIsFrame { path: target.to_owned() });
        }
        let folder = target.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
        let fault = |source| WriteError::Io { path: target.to_owned(), source };
        if !std::fs::metadata(folder).map_err(fault)?.is_dir() {
            return Err(fault(std::io::ErrorKind::NotADirectory.into()).into());
        }
        // A frame of another folder is as precious as one of this.
        let was_taken = |m: FrameMetadata| m.exposure_time_s.is_some() || m.clock_reading_s.is_some();
        let is_precious = || read_metadata(target).is_ok_and(was_taken) || is_recording(target);
        if target.is_file() && !is_own_picture(target) && is_precious() {
            return Err(ComposeError::TargetIsPhotograph { path: target.to_owned() });
        }
        if target.is_dir() {
            return Err(fault(std::io::ErrorKind::IsADirectory.into()).into());
        }
    }
    Ok(())
}
