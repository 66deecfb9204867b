//! Camera raw through the `rawler` crate, in a process of its own.
//!
//! The library ends the whole process on some damaged files (a flipped byte in a header asked it for six
//! terabytes), and a night must not end with one file. So this program calls itself as a reader with a
//! limit on its memory and on its time (`reader`; `program` says which); the parent checks what it says before it takes any memory itself.

mod opcodes;
mod program;
mod reader;

pub use program::{answer_as_raw_reader, set_raw_reader};

use super::FrameMetadata;
use super::mosaic::{Mosaic, Pattern};
use super::record::CameraRecord;
use super::upright::orientation_of;
use crate::raster::{ColourMatrix, LinearImage};
use image::metadata::Orientation;
use serde::{Deserialize, Serialize};
use std::io::{BufRead, BufReader, Read};
use std::path::Path;
use std::process::{Child, Command, Stdio};

/// The first argument by which a program knows that it is called as a reader.
const READER: &str = "raw-reader";

/// No sensor has more sites.
const MOST_SITES: usize = 400_000_000;

/// What the reader says of a file, before its numbers.
#[derive(Clone, Debug, Serialize, Deserialize)]
struct Description {
    width: usize,
    height: usize,
    /// Numbers a site: 1 for a mosaic, 3 for colours already told apart.
    channels: usize,
    is_float: bool,
    /// Columns, rows and colours of the filters' repeat.
    pattern: (usize, usize, Vec<u8>),
    black: [f32; 4],
    white: f32,
    balance: [f32; 3],
    matrix: [[f64; 3]; 3],
    orientation: u8,
    record: CameraRecord,
}

/// A raw file's pixels.
pub(super) enum RawPixels {
    Mosaic(Mosaic),
    Light { image: LinearImage, matrix: ColourMatrix, marks: Vec<bool> },
}

/// A reader at work on one file.
struct Reader {
    child: Child,
    out: BufReader<std::process::ChildStdout>,
}

impl Reader {
    fn start(path: &Path, what: &str) -> Result<Self, String> {
        let mut child = Command::new(program::reader()?)
            .arg(READER)
            .arg(what)
            .arg(path)
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .map_err(|e| e.to_string())?;
        let out = child.stdout.take().ok_or("the reader has no output")?;
        Ok(Reader { child, out: BufReader::with_capacity(1 << 20, out) })
    }

    /// Why it gave up: its own words, or that it died.
    fn failure(self) -> String {
        let Reader { mut child, out } = self;
        // A reader that still writes must end before its last words can be read.
        drop(out);
        let mut words = String::new();
        if let Some(mut errors) = child.stderr.take() {
            let _ = errors.by_ref().take(4096).read_to_string(&mut words);
        }
        let _ = child.kill();
        let _ = child.wait();
        match words.lines().next().and_then(|l| l.strip_prefix("moonloom: ")) {
            Some(said) => format!("it is camera raw, and cannot be read: {said}"),
            None => "it is damaged: the reader of camera raw could not survive it, or found no end".into(),
        }
    }

    fn description(&mut self) -> Option<Description> {
        let mut line = String::new();
        self.out.by_ref().take(1 << 16).read_line(&mut line).ok()?;
        let d: Description = serde_json::from_str(&line).ok()?;
        let sites = d.width.checked_mul(d.height)?;
        let (w, h, colours) = &d.pattern;
        let repeats = d.channels == 3 || (*w > 0 && *h > 0 && colours.len() == w * h && colours.iter().all(|c| *c < 3));
        let plain = d.white.is_finite() && d.black.iter().all(|b| b.is_finite() && d.white > *b);
        (sites > 0 && sites <= MOST_SITES && matches!(d.channels, 1 | 3) && repeats && plain).then_some(d)
    }

    fn numbers(&mut self, d: &Description) -> std::io::Result<Vec<f32>> {
        let count = d.width * d.height * d.channels;
        let bytes_each = if d.is_float { 4 } else { 2 };
        let mut out = Vec::with_capacity(count);
        let mut block = vec![0u8; 1 << 20];
        while out.len() < count {
            let take = block.len().min((count - out.len()) * bytes_each);
            self.out.read_exact(&mut block[..take])?;
            if d.is_float {
                let numbers = block[..take].as_chunks::<4>().0.iter().map(|b| f32::from_le_bytes(*b));
                // A hole is no light.
                out.extend(numbers.map(|v| if v.is_finite() { v } else { d.black[0] }));
            } else {
                out.extend(block[..take].as_chunks::<2>().0.iter().map(|b| f32::from(u16::from_le_bytes(*b))));
            }
        }
        Ok(out)
    }
}

/// What the camera recorded.
pub(super) fn read_record(path: &Path) -> Result<FrameMetadata, String> {
    let mut reader = Reader::start(path, "record")?;
    let Some(d) = reader.description() else { return Err(reader.failure()) };
    let _ = reader.child.wait();
    let sideways = d.orientation >= 5;
    let (width, height) = if sideways { (d.height, d.width) } else { (d.width, d.height) };
    Ok(d.record.into_metadata(width, height))
}

/// The sensor's numbers with all that turns them into light, and how the camera was held.
pub(super) fn develop_file(path: &Path) -> Result<(RawPixels, Orientation), String> {
    let mut reader = Reader::start(path, "pixels")?;
    let Some(d) = reader.description() else { return Err(reader.failure()) };
    let file_bytes = std::fs::metadata(path).map_or(0, |m| m.len());
    crate::memory::may_open((d.width * d.height) as u64, 8 * d.channels as u64, file_bytes)?;
    let Ok(values) = reader.numbers(&d) else { return Err(reader.failure()) };
    let _ = reader.child.wait();
    let matrix = ColourMatrix::new(d.matrix);
    let orientation = orientation_of(d.orientation);
    let (pattern_width, pattern_height, colours) = d.pattern;
    if d.channels == 3 {
        let shares: Vec<f32> = values.into_iter().map(|v| (v - d.black[0]) / (d.white - d.black[0])).collect();
        let marks: Vec<bool> = shares.chunks_exact(3).map(|p| p.iter().any(|v| *v >= 0.99)).collect();
        // As in a mosaic: what is clipped is cut where every channel can still tell, never tinted.
        let level = |(i, v): (usize, f32)| {
            let light = v * d.balance[i % 3];
            if marks[i / 3] { light.min(1.0) } else { light }
        };
        let data = shares.into_iter().enumerate().map(level).collect();
        let image = LinearImage::from_data(d.width, d.height, data).ok_or("its size does not fit its data")?;
        return Ok((RawPixels::Light { image, matrix, marks }, orientation));
    }
    let mosaic = Mosaic {
        width: d.width,
        height: d.height,
        values,
        pattern: Pattern { width: pattern_width, height: pattern_height, colours },
        black: d.black,
        white: d.white,
        balance: d.balance,
        matrix,
        clipped: None,
    };
    Ok((RawPixels::Mosaic(mosaic), orientation))
}
