//! Files as they come: what is new in a folder, and whether it is whole.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};
use std::time::{Duration, SystemTime};

/// A file's length and when it was changed.
pub(super) type FileState = (u64, Option<SystemTime>);

pub(super) fn state_of(path: &Path) -> Option<FileState> {
    let meta = std::fs::metadata(path).ok().filter(std::fs::Metadata::is_file)?;
    Some((meta.len(), meta.modified().ok()))
}

/// A file's name without its ending.
pub(super) fn stem(path: &Path) -> String {
    path.file_stem().map(|s| s.to_string_lossy().to_lowercase()).unwrap_or_default()
}

/// Endings of what lies beside frames and is none.
const BESIDE: [&str; 8] = ["ron", "csv", "json", "txt", "xmp", "tmp", "part", "log"];

/// Files that were not taken yet, and how each looks.
pub(super) fn new_files(folder: &Path, taken: &BTreeSet<String>) -> Vec<(PathBuf, FileState)> {
    let entries = std::fs::read_dir(folder).into_iter().flatten().flatten();
    entries
        .filter_map(|entry| {
            let path = entry.path();
            let name = path.file_name()?.to_string_lossy().into_owned();
            let ending = path.extension().map(|e| e.to_string_lossy().to_lowercase()).unwrap_or_default();
            let look = state_of(&path)?;
            let is_new = !name.starts_with('.') && !BESIDE.contains(&ending.as_str()) && !taken.contains(&stem(&path));
            is_new.then_some((path, look))
        })
        .collect()
}

/// Whether a file's end is there: of a JPEG its last marker behind its scan (ITU-T T.81, B.1.1.3; a small picture in its record
/// has one of its own), of anything else that it has not been changed for two seconds.
pub(super) fn has_its_end(path: &Path) -> bool {
    const STILL: Duration = Duration::from_secs(2);
    let Ok(bytes) = std::fs::read(path) else { return false };
    let Some(mut rest) = bytes.strip_prefix(&[0xff, 0xd8]) else {
        let changed = std::fs::metadata(path).and_then(|m| m.modified()).ok().and_then(|t| t.elapsed().ok());
        return changed.is_none_or(|age| age >= STILL);
    };
    // Segment by segment to where the scan starts.
    loop {
        let [0xff, marker, high, low, ..] = *rest else { return false };
        let length = 2 + usize::from(u16::from_be_bytes([high, low]));
        let Some(after) = rest.get(length..) else { return false };
        rest = after;
        if marker == 0xda {
            break;
        }
    }
    rest.windows(2).any(|w| w == [0xff, 0xd9])
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_jpeg_that_is_still_written_is_waited_for() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("f.jpg");
        // A record that holds a small picture with an end of its own, a scan, and its end.
        let (record, scan) = ([0xff, 0xe1, 0, 6, 0xff, 0xd8, 0xff, 0xd9], [0xff, 0xda, 0, 2, 1, 2, 3]);
        let begun = [&[0xff, 0xd8][..], &record, &scan].concat();
        for length in 0..begun.len() {
            std::fs::write(&path, &begun[..length]).unwrap();
            assert!(length < 2 || !has_its_end(&path), "after {length} bytes");
        }
        std::fs::write(&path, [&begun[..], &[0xff, 0xd9, 0, 0]].concat()).unwrap();
        assert!(has_its_end(&path));
        std::fs::write(&path, b"II*\0").unwrap();
        assert!(!has_its_end(&path), "it has just been written");
        let old = SystemTime::now() - Duration::from_secs(3);
        std::fs::File::options().write(true).open(&path).unwrap().set_modified(old).unwrap();
        assert!(has_its_end(&path));
        assert!(!has_its_end(&folder.path().join("gone.jpg")));
        let taken = BTreeSet::from(["f".to_owned()]);
        std::fs::write(folder.path().join("F.DNG"), b"raw").unwrap();
        std::fs::write(folder.path().join("g.jpg"), b"").unwrap();
        std::fs::write(folder.path().join(".h.jpg"), b"").unwrap();
        let new = new_files(folder.path(), &taken);
        assert_eq!(new.iter().map(|n| stem(&n.0)).collect::<Vec<_>>(), ["g"], "a pair is one frame");
    }
}
