//! Files beside the frames: which may be read and written, by what name, and no way out of the folder.

use super::desk::{Desk, REGISTRATION};
use crate::layout::{Layout, stock};
use std::path::{Path, PathBuf};

/// Names that mean something beside frames.
pub(super) const NOTES: &str = "shoot.ron";
pub(super) const FRAME_TABLE: &str = "frames.csv";

impl Desk {
    /// A text beside the frames; `None` where there is none.
    pub fn text_beside(&self, name: &str) -> Result<Option<String>, String> {
        match crate::files::read_text(&self.own_file(name)?) {
            Ok(text) => Ok(Some(text)),
            Err(e) if e.kind() == std::io::ErrorKind::NotFound => Ok(None),
            Err(e) => Err(format!("{name}: {e}")),
        }
    }

    /// Writes a text beside the frames; `None` takes the file away.
    pub fn put_beside(&self, name: &str, text: Option<&str>) -> Result<(), String> {
        let path = self.own_file(name)?;
        match text {
            Some(text) => crate::write::write_text(&path, text).map_err(|e| e.to_string()),
            None => match std::fs::remove_file(&path) {
                Err(e) if e.kind() != std::io::ErrorKind::NotFound => Err(format!("{name}: {e}")),
                _ => Ok(()),
            },
        }
    }

    /// The text of a layout: one that the program brings along, or one beside the frames.
    pub fn layout_text(&self, name: &str) -> Result<String, String> {
        if let Some((_, text)) = stock().find(|(stock, _)| *stock == name) {
            return Ok(text.to_owned());
        }
        let path = self.beside(name, &["ron"])?;
        crate::files::read_text(&path).map_err(|e| format!("{name}: {e}"))
    }

    /// Layouts beside the frames.
    pub fn own_layouts(&self) -> Vec<String> {
        let entries = std::fs::read_dir(&self.folder).into_iter().flatten().flatten();
        let mut names: Vec<String> = entries
            .filter_map(|e| e.file_name().into_string().ok())
            .filter(|name| name.ends_with(".ron") && !matches!(name.as_str(), NOTES | REGISTRATION))
            .filter(|name| {
                let path = self.folder.join(name);
                crate::files::read_text(&path).is_ok_and(|text| Layout::examine(&path, &text).0.is_some())
            })
            .collect();
        names.sort();
        names
    }

    /// One of the page's own files beside the frames; a link is not followed out of the folder.
    pub fn own_file(&self, name: &str) -> Result<PathBuf, String> {
        let path = self.folder.join(name);
        if path.symlink_metadata().is_ok_and(|m| m.is_symlink()) {
            return Err(format!("{name} is a link, and is not followed"));
        }
        Ok(path)
    }

    /// A file beside the frames: a plain name with one of some endings, and no way out of the folder.
    pub fn beside(&self, name: &str, endings: &[&str]) -> Result<PathBuf, String> {
        let plain = !name.is_empty()
            && name.len() <= 100
            && !name.starts_with('.')
            && name.chars().all(|c| c.is_alphanumeric() || matches!(c, ' ' | '-' | '_' | '.'));
        let path = Path::new(name);
        let ending = path.extension().and_then(|e| e.to_str()).unwrap_or("").to_ascii_lowercase();
        if !plain || path.components().count() != 1 {
            return Err("a name of letters, digits, spaces, dots and dashes".into());
        }
        if !endings.contains(&ending.as_str()) {
            return Err(format!("the name is to end in .{}", endings.join(", .")));
        }
        if matches!(name.to_ascii_lowercase().as_str(), NOTES | REGISTRATION | FRAME_TABLE) {
            return Err(format!("{name} has another meaning beside frames"));
        }
        self.own_file(name)
    }
}
