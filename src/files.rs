//! Files that are read whole: regular ones, of a size that their kind can have.
//!
//! A pipe that nobody fills waits for ever, and a device may never end; a text of gigabytes is none that a person wrote.

use std::fs::File;
use std::io::{Error, ErrorKind, Read, Result};
use std::path::Path;

/// Layouts, notes, tables and registrations: a registration of ten thousand frames takes ten million bytes.
const LARGEST_TEXT: u64 = 64 << 20;
/// Fonts of all the world's letters take some fifty million bytes.
pub(crate) const LARGEST_FONT: u64 = 128 << 20;
/// Frames: an uncompressed TIFF of a gigapixel.
pub(crate) const LARGEST_FRAME: u64 = 8 << 30;

/// A text file.
///
/// # Errors
/// When it cannot be read, is no regular file, no text, or larger than a text that people write.
pub fn read_text(path: &Path) -> Result<String> {
    let bytes = read_bytes(path, LARGEST_TEXT)?;
    String::from_utf8(bytes).map_err(|_| Error::new(ErrorKind::InvalidData, "it is no text (UTF-8)"))
}

/// A file's bytes, `most` of them at most.
///
/// # Errors
/// When it cannot be read, is no regular file, or is larger.
pub(crate) fn read_bytes(path: &Path, most: u64) -> Result<Vec<u8>> {
    // Asked before it is opened: opening a pipe would wait for somebody to write to it.
    let metadata = std::fs::metadata(path)?;
    if metadata.is_dir() {
        return Err(ErrorKind::IsADirectory.into());
    }
    if !metadata.is_file() {
        return Err(Error::new(ErrorKind::InvalidInput, "it is a pipe or a device, and no file"));
    }
    let too_large = || {
        Error::new(ErrorKind::InvalidInput, format!("it has more than the {} MB that may be read of it", most >> 20))
    };
    if metadata.len() > most {
        return Err(too_large());
    }
    let mut bytes = Vec::new();
    bytes.try_reserve_exact(metadata.len() as usize).map_err(|_| Error::from(ErrorKind::OutOfMemory))?;
    // It may grow while it is read.
    File::open(path)?.take(most + 1).read_to_end(&mut bytes)?;
    if bytes.len() as u64 > most { Err(too_large()) } else { Ok(bytes) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_too_large_or_no_file_is_refused() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("a.txt");
        std::fs::write(&path, "moon").unwrap();
        assert_eq!(read_text(&path).unwrap(), "moon");
        assert!(read_bytes(&path, 3).unwrap_err().to_string().contains("more than"));
        assert_eq!(read_text(folder.path()).unwrap_err().kind(), ErrorKind::IsADirectory);
        #[cfg(unix)]
        assert!(read_text(Path::new("/dev/zero")).unwrap_err().to_string().contains("device"));
    }
}
