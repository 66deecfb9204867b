//! A file appears whole or not at all.
//!
//! It grows under a hidden name of its own beside the target, `.moonloom-….part`, which nobody can guess and nothing that
//! exists is ever opened by, and takes the target's name when it is complete and on the disk. A target that is a link is
//! followed; what it names is replaced, its permissions kept. What an interrupted run leaves is taken away
//! ([`abandon_unfinished`]); what a killed one left, by the next run that writes there.

use super::WriteError;
use std::collections::BTreeSet;
use std::fs::File;
use std::io::{BufWriter, Write};
use std::path::{Path, PathBuf};
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::Duration;
use tempfile::TempPath;

const PREFIX: &str = ".moonloom-";
const SUFFIX: &str = ".part";
/// A file that grew no more for so long was left by a run that is dead: rows come every few seconds, and a run that somebody
/// paused goes on within a day.
const LEFT_BEHIND: Duration = Duration::from_secs(24 * 3600);

/// Files that are being written.
static UNFINISHED: Mutex<BTreeSet<PathBuf>> = Mutex::new(BTreeSet::new());

fn unfinished() -> MutexGuard<'static, BTreeSet<PathBuf>> {
    UNFINISHED.lock().unwrap_or_else(PoisonError::into_inner)
}

/// Removes every file that is half written, and lets none be finished any more: for the last moment of a run that was
/// interrupted.
pub fn abandon_unfinished() {
    let files = unfinished();
    for file in files.iter() {
        // Nothing more can be done about one that cannot be removed.
        let _ = std::fs::remove_file(file);
    }
    // Whoever would rename a file now waits for the end.
    std::mem::forget(files);
}

/// A file under its temporary name; removed unless it takes its own.
struct Unfinished {
    path: Option<TempPath>,
}

impl Drop for Unfinished {
    fn drop(&mut self) {
        if let Some(path) = self.path.take() {
            unfinished().remove(&*path);
            // Nothing more can be done about a temporary file that cannot be removed.
            let _ = path.close();
        }
    }
}

impl Unfinished {
    /// Beside a target, with the permissions that it has or that a new file would get.
    fn beside(target: &Path) -> std::io::Result<(Self, File)> {
        let folder = target.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
        clear_left_behind(folder);
        let mut builder = tempfile::Builder::new();
        builder.prefix(PREFIX).suffix(SUFFIX).rand_bytes(10);
        #[cfg(unix)]
        {
            use std::os::unix::fs::PermissionsExt;
            builder.permissions(std::fs::Permissions::from_mode(0o666));
        }
        // Known before it exists: an interruption between the two leaves nothing behind.
        let mut files = unfinished();
        let (file, path) = builder.tempfile_in(folder)?.into_parts();
        files.insert(path.to_path_buf());
        drop(files);
        if let Ok(there) = std::fs::metadata(target) {
            file.set_permissions(there.permissions())?;
        }
        Ok((Unfinished { path: Some(path) }, file))
    }

    fn take_name(mut self, target: &Path) -> std::io::Result<()> {
        let Some(path) = self.path.take() else { return Ok(()) };
        let mut files = unfinished();
        files.remove(&*path);
        path.persist(target).map_err(|e| e.error)
    }
}

/// What runs that were killed left in a folder.
fn clear_left_behind(folder: &Path) {
    // Once a run is enough: a cache is written to hundreds of times.
    static CLEARED: Mutex<BTreeSet<PathBuf>> = Mutex::new(BTreeSet::new());
    if !CLEARED.lock().unwrap_or_else(PoisonError::into_inner).insert(folder.to_owned()) {
        return;
    }
    let ours = |name: &str| name.starts_with(PREFIX) && name.ends_with(SUFFIX);
    for entry in std::fs::read_dir(folder).into_iter().flatten().flatten() {
        let is_old = || {
            let metadata = entry.metadata().ok().filter(std::fs::Metadata::is_file)?;
            Some(metadata.modified().ok()?.elapsed().ok()? > LEFT_BEHIND)
        };
        if entry.file_name().to_str().is_some_and(ours) && is_old() == Some(true) {
            let _ = std::fs::remove_file(entry.path());
        }
    }
}

/// Writes under a temporary name beside the target, then renames.
pub(super) fn write_whole<E: ToString>(
    path: &Path,
    fill: impl FnOnce(&mut BufWriter<File>) -> Result<(), E>,
) -> Result<(), WriteError> {
    written(path, true, fill)
}

/// As [`write_whole`], waiting for the disk or not.
fn written<E: ToString>(
    path: &Path,
    waits_for_disk: bool,
    fill: impl FnOnce(&mut BufWriter<File>) -> Result<(), E>,
) -> Result<(), WriteError> {
    let io = |source| WriteError::Io { path: path.to_owned(), source };
    let encode = |e: E| WriteError::Encode { path: path.to_owned(), message: e.to_string() };
    // A pipe or a device is written to, not replaced by a file.
    if std::fs::metadata(path).is_ok_and(|m| !m.is_file() && !m.is_dir()) {
        let mut writer = BufWriter::new(std::fs::OpenOptions::new().write(true).open(path).map_err(io)?);
        fill(&mut writer).map_err(encode)?;
        return writer.flush().map_err(io);
    }
    let target = without_links(path).map_err(io)?;
    // Who protects a file means it, though its folder would let it be replaced.
    if std::fs::metadata(&target).is_ok_and(|m| m.permissions().readonly()) {
        return Err(io(std::io::Error::new(std::io::ErrorKind::PermissionDenied, "it is write-protected")));
    }
    let (unfinished, file) = Unfinished::beside(&target).map_err(io)?;
    let mut writer = BufWriter::with_capacity(1 << 20, file);
    fill(&mut writer).map_err(encode)?;
    let file = writer.into_inner().map_err(|e| io(e.into_error()))?;
    if waits_for_disk {
        file.sync_all().map_err(io)?;
    }
    drop(file);
    unfinished.take_name(&target).map_err(io)
}

/// The file that a target means: a link is followed to what it names, there or not.
fn without_links(path: &Path) -> std::io::Result<PathBuf> {
    let mut path = path.to_owned();
    // As many links as systems follow.
    for _ in 0..40 {
        match std::fs::read_link(&path) {
            Ok(next) => path = path.parent().unwrap_or(Path::new("")).join(next),
            Err(_) => return Ok(path),
        }
    }
    Err(std::io::Error::other("its links go round in a circle"))
}

/// Writes a text file, whole or not at all.
///
/// # Errors
/// [`WriteError::Io`].
pub fn write_text(path: &Path, text: &str) -> Result<(), WriteError> {
    write_whole(path, |file| file.write_all(text.as_bytes()))
}

/// Writes a file, whole or not at all.
///
/// # Errors
/// [`WriteError::Io`].
pub fn write_bytes(path: &Path, bytes: &[u8]) -> Result<(), WriteError> {
    write_whole(path, |file| file.write_all(bytes))
}

/// Writes a file that could be made again, whole or not at all: it may be gone when the machine fails at once.
///
/// # Errors
/// [`WriteError::Io`].
pub fn write_kept(path: &Path, bytes: &[u8]) -> Result<(), WriteError> {
    written(path, false, |file| file.write_all(bytes))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_long_name_is_written_and_nothing_else_is_left() {
        let folder = tempfile::tempdir().unwrap();
        let target = folder.path().join(format!("{}.txt", "n".repeat(246)));
        write_text(&target, "all of it").unwrap();
        assert_eq!(std::fs::read_to_string(&target).unwrap(), "all of it");
        assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 1);
    }

    #[test]
    fn a_failure_leaves_the_target_as_it_was_and_no_other_file() {
        let folder = tempfile::tempdir().unwrap();
        let target = folder.path().join("a.txt");
        write_text(&target, "before").unwrap();
        let failed = write_whole(&target, |file| {
            file.write_all(b"half").unwrap();
            Err("the encoder gave up")
        });
        assert!(failed.is_err());
        assert_eq!(std::fs::read_to_string(&target).unwrap(), "before");
        assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 1);
    }

    #[cfg(unix)]
    #[test]
    fn links_are_followed_and_permissions_kept() {
        use std::os::unix::fs::PermissionsExt;
        let folder = tempfile::tempdir().unwrap();
        let (real, link) = (folder.path().join("real.txt"), folder.path().join("link.txt"));
        std::fs::write(&real, "before").unwrap();
        std::fs::set_permissions(&real, std::fs::Permissions::from_mode(0o640)).unwrap();
        std::os::unix::fs::symlink("real.txt", &link).unwrap();
        write_text(&link, "after").unwrap();
        assert!(std::fs::symlink_metadata(&link).unwrap().is_symlink());
        assert_eq!(std::fs::read_to_string(&real).unwrap(), "after");
        assert_eq!(std::fs::metadata(&real).unwrap().permissions().mode() & 0o777, 0o640);
    }

    #[test]
    fn what_is_write_protected_is_not_replaced() {
        let folder = tempfile::tempdir().unwrap();
        let target = folder.path().join("a.txt");
        std::fs::write(&target, "before").unwrap();
        let mut permissions = std::fs::metadata(&target).unwrap().permissions();
        permissions.set_readonly(true);
        std::fs::set_permissions(&target, permissions).unwrap();
        assert!(write_text(&target, "after").unwrap_err().to_string().contains("write-protected"));
        assert_eq!(std::fs::read_to_string(&target).unwrap(), "before");
    }

    #[test]
    fn what_a_killed_run_left_goes_when_it_is_old() {
        let folder = tempfile::tempdir().unwrap();
        let (old, new) = (folder.path().join(".moonloom-abc.part"), folder.path().join(".moonloom-def.part"));
        std::fs::write(&new, "").unwrap();
        let long_ago = std::time::SystemTime::now() - 2 * LEFT_BEHIND;
        File::create(&old).unwrap().set_modified(long_ago).unwrap();
        write_text(&folder.path().join("a.txt"), "").unwrap();
        assert!(!old.exists() && new.exists());
    }
}
