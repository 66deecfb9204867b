//! A file's content: on the disk, or in memory under the name of a file.

use super::file_kind::{FileKind, kind_of, kind_of_bytes};
use super::reading::DecodeError;
use crate::files::{LARGEST_FRAME, read_bytes};
use crate::memory;
use std::borrow::Cow;
use std::path::Path;

/// A file, or its bytes; then the path is but the name that messages give it.
#[derive(Clone, Copy)]
pub(super) struct Content<'a> {
    pub path: &'a Path,
    pub bytes: Option<&'a [u8]>,
}

impl<'a> Content<'a> {
    pub fn of_file(path: &'a Path) -> Self {
        Content { path, bytes: None }
    }

    pub fn kind(&self) -> std::io::Result<FileKind> {
        self.bytes.map_or_else(|| kind_of(self.path), |bytes| Ok(kind_of_bytes(bytes)))
    }

    /// Whether it is camera raw; one that cannot be read is not, and whoever opens it next says why.
    pub fn is_raw(&self) -> bool {
        self.kind().is_ok_and(|kind| kind == FileKind::Raw)
    }

    /// The file, for those who read it in a process of their own.
    pub fn file(&self) -> Result<&'a Path, String> {
        match self.bytes {
            None => Ok(self.path),
            Some(_) => Err("it is camera raw, which is read from files alone".into()),
        }
    }

    pub fn read(&self) -> Result<Cow<'a, [u8]>, DecodeError> {
        let io = |source| DecodeError::Io { path: self.path.to_owned(), source };
        match self.bytes {
            Some(bytes) => Ok(Cow::Borrowed(bytes)),
            None => read_bytes(self.path, LARGEST_FRAME.min(memory::limit())).map(Cow::Owned).map_err(io),
        }
    }
}
