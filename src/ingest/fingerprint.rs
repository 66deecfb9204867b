//! What tells a file from another, without reading all of it.

use sha2::{Digest, Sha256};
use std::fs::File;
use std::io::{Read, Seek, SeekFrom};
use std::path::Path;

/// Bytes that are read at a file's beginning, middle and end.
const SAMPLE: u64 = 1 << 15;

/// Sixteen hexadecimal digits of a file's length, beginning, middle and end; `None` where it cannot be read.
///
/// Cameras number their frames in the record at a file's beginning, and whatever is cropped or saved anew changes its length.
/// Neglected: a retouch in a file without compression that touches none of the three.
pub fn fingerprint(path: &Path) -> Option<String> {
    // A pipe or a device has no length, and might never end.
    let length = std::fs::metadata(path).ok().filter(std::fs::Metadata::is_file)?.len();
    let mut file = File::open(path).ok()?;
    let mut hash = Sha256::new();
    hash.update(length.to_le_bytes());
    for from in [0, (length / 2).saturating_sub(SAMPLE / 2), length.saturating_sub(SAMPLE)] {
        let mut bytes = Vec::new();
        file.seek(SeekFrom::Start(from)).ok()?;
        (&file).take(SAMPLE).read_to_end(&mut bytes).ok()?;
        hash.update(bytes);
    }
    Some(hash.finalize().iter().take(8).map(|b| format!("{b:02x}")).collect())
}
