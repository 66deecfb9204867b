//! Pixels to a file, whole or not at all.
//!
//! The writer pulls: it asks for bands of rows from the top as it needs them, quantises them and
//! writes them under a temporary name beside the target, which is renamed when everything is on
//! the disk. An interrupted run leaves an older file as it was.

mod exif_block;
mod jpeg;
mod png;
mod quantize;
mod tiff;
mod whole_file;

pub use exif_block::CaptureTags;
pub use whole_file::write_text;

use crate::raster::TransferFunction;
use std::path::{Path, PathBuf};

/// Bits per channel in the file.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum BitDepth {
    /// Eight-bit integer.
    Eight,
    /// Sixteen-bit integer.
    Sixteen,
}

/// The kind of file.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Container {
    /// TIFF 6.0, Deflate with horizontal predictor.
    Tiff,
    /// PNG.
    Png,
    /// JPEG (eight bits, for previews and rehearsed camera frames).
    Jpeg {
        /// 1..=100.
        quality: u8,
    },
}

/// How a picture is to be written.
#[derive(Clone, Debug)]
pub struct OutputSpec {
    /// The kind of file.
    pub container: Container,
    /// Bits per channel; JPEG has eight.
    pub depth: BitDepth,
    /// How linear light is coded.
    pub transfer: TransferFunction,
    /// Print resolution, pixels per inch.
    pub dots_per_inch: f64,
    /// How the picture was made, for whoever opens the file.
    pub description: Option<String>,
    /// What a camera records (for rehearsed frames).
    pub capture: Option<CaptureTags>,
}

impl OutputSpec {
    /// The kind of file that a target's ending asks for, 16 bits, sRGB, 300 dpi.
    ///
    /// # Errors
    /// [`WriteError::UnknownEnding`].
    pub fn for_path(path: &Path) -> Result<Self, WriteError> {
        let ending = path.extension().and_then(|e| e.to_str()).unwrap_or("").to_ascii_lowercase();
        let (container, depth) = match ending.as_str() {
            "tif" | "tiff" => (Container::Tiff, BitDepth::Sixteen),
            "png" => (Container::Png, BitDepth::Sixteen),
            "jpg" | "jpeg" => (Container::Jpeg { quality: 90 }, BitDepth::Eight),
            _ => return Err(WriteError::UnknownEnding { path: path.to_owned() }),
        };
        Ok(OutputSpec {
            container,
            depth,
            transfer: TransferFunction::Srgb,
            dots_per_inch: 300.0,
            description: None,
            capture: None,
        })
    }
}

/// Why a picture could not be written.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum WriteError {
    /// The target's ending names no file kind.
    #[error("cannot tell from its ending what kind of file {} should be", path.display())]
    UnknownEnding {
        /// The target.
        path: PathBuf,
    },
    /// The operating system refused.
    #[error("cannot write {}: {source}", path.display())]
    Io {
        /// The target.
        path: PathBuf,
        /// What the system said.
        source: std::io::Error,
    },
    /// An encoder refused.
    #[error("cannot encode {}: {message}", path.display())]
    Encode {
        /// The target.
        path: PathBuf,
        /// What the encoder said.
        message: String,
    },
}

/// Rows of interleaved linear RGB: asked for from the top, never twice.
pub type Bands<'a> = dyn FnMut(std::ops::Range<usize>) -> Vec<f32> + 'a;

/// Writes a picture of `width` x `height` pixels, pulling its rows from `bands`.
///
/// # Errors
/// [`WriteError`]; the target is then as it was before.
pub fn write_picture(
    path: &Path,
    spec: &OutputSpec,
    (width, height): (usize, usize),
    bands: &mut Bands<'_>,
) -> Result<(), WriteError> {
    whole_file::write_whole(path, |file| match spec.container {
        Container::Tiff => tiff::encode(file, spec, width, height, bands).map_err(|e| e.to_string()),
        Container::Png => png::encode(file, spec, width, height, bands).map_err(|e| e.to_string()),
        Container::Jpeg { quality } => {
            jpeg::encode(file, spec, quality, width, height, bands).map_err(|e| e.to_string())
        }
    })
}
