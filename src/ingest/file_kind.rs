//! What a file is, by its content: endings are changed by hand, by programs and by cameras.

use std::io::{Cursor, Read, Seek, SeekFrom};
use std::path::Path;

/// Kinds of files that may lie in a night's folder.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum FileKind {
    /// A sensor's numbers.
    Raw,
    /// JPEG, PNG or TIFF.
    Picture,
    /// FITS.
    Fits,
    /// A picture of a kind that is not read, by its usual name.
    Unread(&'static str),
    /// No picture.
    Other,
}

/// What raw files that are no TIFF begin with, and where.
const RAW_MARKS: [(usize, &[u8]); 9] = [
    (0, b"FUJIFILMCCD-RAW"),
    (0, b"IIRO"),
    (0, b"MMOR"),
    (0, b"IIRS"),
    (0, b"IIU\0"),
    (0, b"\0MRM"),
    (0, b"FOVb"),
    (4, b"ftypcrx "),
    (6, b"HEAPCCDR"),
];

/// Pictures that other programs read.
const UNREAD_MARKS: [(usize, &[u8], &str); 11] = [
    (4, b"ftypheic", "HEIC"),
    (4, b"ftypheix", "HEIC"),
    (4, b"ftypmif1", "HEIF"),
    (4, b"ftypmsf1", "HEIF"),
    (4, b"ftypavif", "AVIF"),
    (8, b"WEBP", "WebP"),
    (0, b"\xff\x0a", "JPEG XL"),
    (0, b"\0\0\0\x0cJXL ", "JPEG XL"),
    (0, b"\0\0\0\x0cjP  ", "JPEG 2000"),
    (0, b"8BPS", "PSD"),
    (0, b"GIF8", "GIF"),
];

/// What a file is.
///
/// # Errors
/// When it cannot be read.
pub(super) fn kind_of(path: &Path) -> std::io::Result<FileKind> {
    // Opening a pipe would wait for somebody to write to it.
    if !std::fs::metadata(path)?.is_file() {
        return Err(std::io::ErrorKind::InvalidInput.into());
    }
    kind_of_content(&mut std::fs::File::open(path)?)
}

/// What a file is whose bytes are in memory.
pub(super) fn kind_of_bytes(bytes: &[u8]) -> FileKind {
    kind_of_content(&mut Cursor::new(bytes)).unwrap_or(FileKind::Other)
}

fn kind_of_content(file: &mut (impl Read + Seek)) -> std::io::Result<FileKind> {
    let mut start = Vec::with_capacity(32);
    file.take(32).read_to_end(&mut start)?;
    let begins = |at: usize, mark: &[u8]| start.get(at..).is_some_and(|rest| rest.starts_with(mark));
    if RAW_MARKS.iter().any(|(at, mark)| begins(*at, mark)) {
        return Ok(FileKind::Raw);
    }
    if let Some((_, _, name)) = UNREAD_MARKS.iter().find(|(at, mark, _)| begins(*at, mark)) {
        return Ok(FileKind::Unread(name));
    }
    if begins(0, b"SIMPLE  =") {
        return Ok(FileKind::Fits);
    }
    if begins(0, b"\xff\xd8\xff") || begins(0, b"\x89PNG\r\n\x1a\n") {
        return Ok(FileKind::Picture);
    }
    if begins(0, b"II*\0") || begins(0, b"MM\0*") {
        // Their TIFF is read far enough to see whether a sensor's numbers are in it.
        let marked = begins(8, b"CR\x02") || begins(8, b"IIII") || begins(8, b"MMMM");
        let raw = marked || directories(file).iter().any(Directory::is_raw);
        return Ok(if raw { FileKind::Raw } else { FileKind::Picture });
    }
    // BigTIFF holds pictures only.
    let big = begins(0, b"II+\0") || begins(0, b"MM\0+");
    Ok(if big { FileKind::Picture } else { FileKind::Other })
}

/// Of a TIFF's directory what tells raw from pictures.
#[derive(Default)]
struct Directory {
    photometric: u32,
    is_negative: bool,
    children: Vec<u32>,
    next: u32,
}

impl Directory {
    /// A mosaic or linear sensor light (TIFF/EP's and DNG's photometric interpretations), or a digital negative.
    fn is_raw(&self) -> bool {
        matches!(self.photometric, 32_803 | 34_892) || self.is_negative
    }
}

/// Cameras write three to eight directories (common practice, no source); a circle of them ends here.
const MOST_DIRECTORIES: usize = 16;
const MOST_ENTRIES: usize = 512;

/// A TIFF's directories, those within others too; as far as they can be read.
fn directories(file: &mut (impl Read + Seek)) -> Vec<Directory> {
    let mut out = Vec::new();
    let mut header = [0u8; 8];
    if file.rewind().and_then(|()| file.read_exact(&mut header)).is_err() {
        return out;
    }
    let little = header[0] == b'I';
    let mut waiting = vec![word(&header[4..], little)];
    let mut seen = Vec::new();
    while let Some(at) = waiting.pop() {
        if at == 0 || seen.contains(&at) || seen.len() >= MOST_DIRECTORIES {
            continue;
        }
        seen.push(at);
        if let Some(directory) = directory(file, at, little) {
            waiting.push(directory.next);
            waiting.extend(&directory.children);
            out.push(directory);
        }
    }
    out
}

fn half(bytes: &[u8], little: bool) -> u16 {
    let pair = [bytes[0], bytes[1]];
    if little { u16::from_le_bytes(pair) } else { u16::from_be_bytes(pair) }
}

fn word(bytes: &[u8], little: bool) -> u32 {
    let four = [bytes[0], bytes[1], bytes[2], bytes[3]];
    if little { u32::from_le_bytes(four) } else { u32::from_be_bytes(four) }
}

fn directory(file: &mut (impl Read + Seek), at: u32, little: bool) -> Option<Directory> {
    let mut count = [0u8; 2];
    file.seek(SeekFrom::Start(u64::from(at))).ok()?;
    file.read_exact(&mut count).ok()?;
    let count = usize::from(half(&count, little)).min(MOST_ENTRIES);
    let mut entries = vec![0u8; count * 12 + 4];
    file.read_exact(&mut entries).ok()?;
    let mut out = Directory { next: word(&entries[count * 12..], little), ..Directory::default() };
    for entry in entries[..count * 12].chunks_exact(12) {
        let (tag, kind, number) = (half(entry, little), half(&entry[2..], little), word(&entry[4..], little));
        let short = kind == 3;
        let value = if short { u32::from(half(&entry[8..], little)) } else { word(&entry[8..], little) };
        match tag {
            262 => out.photometric = value,
            50_706 => out.is_negative = true,
            330 if number == 1 => out.children.push(value),
            330 => {
                let mut places = vec![0u8; 4 * (number as usize).min(MOST_DIRECTORIES)];
                if file.seek(SeekFrom::Start(u64::from(value))).and_then(|_| file.read_exact(&mut places)).is_ok() {
                    out.children.extend(places.chunks_exact(4).map(|p| word(p, little)));
                }
            }
            _ => {}
        }
    }
    Some(out)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn kind(bytes: &[u8]) -> FileKind {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("file");
        std::fs::write(&path, bytes).unwrap();
        kind_of(&path).unwrap()
    }

    /// A little-endian TIFF of one directory with one entry of a long.
    fn tiff(entries: &[(u16, u32)], more: &[u8]) -> Vec<u8> {
        let mut out = b"II*\0\x08\0\0\0".to_vec();
        out.extend((entries.len() as u16).to_le_bytes());
        for (tag, value) in entries {
            out.extend(tag.to_le_bytes());
            out.extend(4u16.to_le_bytes());
            out.extend(1u32.to_le_bytes());
            out.extend(value.to_le_bytes());
        }
        out.extend([0; 4]);
        out.extend(more);
        out
    }

    #[test]
    fn a_sensors_numbers_are_found_behind_their_thumbnail() {
        // The first directory is a small RGB picture; the one within it holds a mosaic.
        let inner = [1u16.to_le_bytes().as_slice(), &262u16.to_le_bytes(), &4u16.to_le_bytes()].concat();
        let inner = [inner.as_slice(), &1u32.to_le_bytes(), &32_803u32.to_le_bytes(), &[0; 4]].concat();
        let place = 8 + 2 + 2 * 12 + 4;
        assert_eq!(kind(&tiff(&[(262, 2), (330, place)], &inner)), FileKind::Raw);
        assert_eq!(kind(&tiff(&[(262, 2)], &[])), FileKind::Picture);
        assert_eq!(kind(&tiff(&[(262, 2), (50_706, 1)], &[])), FileKind::Raw);
        // One that points at itself, and one that breaks off.
        assert_eq!(kind(&tiff(&[(330, 8)], &[])), FileKind::Picture);
        assert_eq!(kind(b"II*\0\x08\0\0\0\x05"), FileKind::Picture);
    }

    #[test]
    fn the_other_byte_order_and_several_inner_directories_are_read() {
        // Big-endian: a first picture that points to two directories, the second of which holds a mosaic.
        let mut out = b"MM\0*\0\0\0\x08".to_vec();
        let entry = |tag: u16, count: u32, value: u32| {
            [tag.to_be_bytes().as_slice(), &4u16.to_be_bytes(), &count.to_be_bytes(), &value.to_be_bytes()].concat()
        };
        let places = 8 + 2 + 12 + 4;
        out.extend([1u16.to_be_bytes().as_slice(), &entry(330, 2, places), &[0; 4]].concat());
        let inner = places + 8;
        out.extend([inner.to_be_bytes(), (inner + 18).to_be_bytes()].concat());
        out.extend([1u16.to_be_bytes().as_slice(), &entry(262, 1, 2), &[0; 4]].concat());
        let without = out.clone();
        out.extend([1u16.to_be_bytes().as_slice(), &entry(262, 1, 32_803), &[0; 4]].concat());
        assert_eq!(kind(&out), FileKind::Raw);
        assert_eq!(kind(&without), FileKind::Picture);
    }

    #[test]
    fn other_kinds_are_told_by_their_first_bytes() {
        assert_eq!(kind(b"\xff\xd8\xff\xe1rest"), FileKind::Picture);
        assert_eq!(kind(b"SIMPLE  =                    T"), FileKind::Fits);
        assert_eq!(kind(b"\0\0\0\x18ftypheic\0\0\0\0"), FileKind::Unread("HEIC"));
        assert_eq!(kind(b"\0\0\0\x18ftypcrx \0\0\0\0"), FileKind::Raw);
        assert_eq!(kind(b"FOVb\0\0\x02\0"), FileKind::Raw);
        assert_eq!(kind(b""), FileKind::Other);
        assert_eq!(kind(b"(version: 1)"), FileKind::Other);
    }
}
