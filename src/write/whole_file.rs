//! A file appears whole or not at all.

use super::WriteError;
use std::fs::File;
use std::io::{BufWriter, Write};
use std::path::{Path, PathBuf};

/// Removes the temporary file unless it has been renamed.
struct Partial(Option<PathBuf>);

impl Drop for Partial {
    fn drop(&mut self) {
        if let Some(path) = &self.0 {
            // Nothing more can be done about a temporary file that cannot be removed.
            let _ = std::fs::remove_file(path);
        }
    }
}

fn temporary_beside(path: &Path) -> PathBuf {
    let name = path.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
    path.with_file_name(format!(".{name}.{}.part", std::process::id()))
}

/// Writes under a temporary name beside the target, then renames.
pub(super) fn write_whole<E: ToString>(
    path: &Path,
    fill: impl FnOnce(&mut BufWriter<File>) -> Result<(), E>,
) -> Result<(), WriteError> {
    let io = |source| WriteError::Io { path: path.to_owned(), source };
    // A pipe or a device is written to, not replaced by a file.
    if std::fs::metadata(path).is_ok_and(|m| !m.is_file() && !m.is_dir()) {
        let mut writer = BufWriter::new(std::fs::OpenOptions::new().write(true).open(path).map_err(io)?);
        fill(&mut writer).map_err(|e| WriteError::Encode { path: path.to_owned(), message: e.to_string() })?;
        return writer.flush().map_err(io);
    }
    let temporary = temporary_beside(path);
    let mut writer = BufWriter::with_capacity(1 << 20, File::create(&temporary).map_err(io)?);
    let mut partial = Partial(Some(temporary.clone()));
    fill(&mut writer).map_err(|e| WriteError::Encode { path: path.to_owned(), message: e.to_string() })?;
    let file = writer.into_inner().map_err(|e| io(e.into_error()))?;
    file.sync_all().map_err(io)?;
    drop(file);
    std::fs::rename(&temporary, path).map_err(io)?;
    partial.0 = None;
    Ok(())
}

/// Writes a text file, whole or not at all.
///
/// # Errors
/// [`WriteError::Io`].
pub fn write_text(path: &Path, text: &str) -> Result<(), WriteError> {
    write_whole(path, |file| file.write_all(text.as_bytes()))
}
