//! One frame's pixels as linear light.

use crate::raster::{LinearImage, Plane, TransferFunction};
use image::metadata::Orientation;
use image::{DynamicImage, ImageDecoder, ImageReader, Limits};
use rayon::prelude::*;
use std::path::{Path, PathBuf};

/// Why a frame could not be decoded.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum DecodeError {
    /// The operating system refused.
    #[error("cannot read {}: {source}", path.display())]
    Io {
        /// The frame.
        path: PathBuf,
        /// What the system said.
        source: std::io::Error,
    },
    /// The file is damaged or of a kind that is not read.
    #[error("cannot decode {}: {message}", path.display())]
    Damaged {
        /// The frame.
        path: PathBuf,
        /// What the decoder said.
        message: String,
    },
}

/// No frame may ask for more memory than this while it is decoded.
const MEMORY_LIMIT: u64 = 2 << 30;

/// Whether a JPEG breaks off: its scan has no end-of-image marker. (The decoder would fill the
/// rest with grey and say nothing.)
fn jpeg_breaks_off(bytes: &[u8]) -> bool {
    let mut at = 2;
    // Walk the segments by their lengths up to the first scan: a thumbnail inside one of them
    // has an end marker of its own.
    while let Some(&[0xff, marker, high, low]) = bytes.get(at..at + 4) {
        at += 2 + usize::from(u16::from_be_bytes([high, low]));
        if marker == 0xda {
            return !bytes.get(at..).is_some_and(|scan| scan.windows(2).any(|w| w == [0xff, 0xd9]));
        }
    }
    true
}

/// Linear light of eight- and sixteen-bit codes.
fn table(codes: usize, transfer: TransferFunction) -> Vec<f32> {
    (0..codes).map(|c| transfer.decode(c as f32 / (codes - 1) as f32)).collect()
}

fn is_eight_bit(picture: &DynamicImage) -> bool {
    matches!(
        picture,
        DynamicImage::ImageLuma8(_)
            | DynamicImage::ImageLumaA8(_)
            | DynamicImage::ImageRgb8(_)
            | DynamicImage::ImageRgba8(_)
    )
}

/// Float files hold linear light by custom, whatever the integers' curve.
fn is_float(picture: &DynamicImage) -> bool {
    matches!(picture, DynamicImage::ImageRgb32F(_) | DynamicImage::ImageRgba32F(_))
}

fn looked_up<T: Copy + Sync + Into<usize>>(codes: &[T], table: &[f32]) -> Vec<f32> {
    let mut data = vec![0.0f32; codes.len()];
    data.par_chunks_mut(1 << 16).zip(codes.par_chunks(1 << 16)).for_each(|(out, codes)| {
        out.iter_mut().zip(codes).for_each(|(o, c)| *o = table[(*c).into()]);
    });
    data
}

fn to_linear(picture: DynamicImage, transfer: TransferFunction) -> Option<LinearImage> {
    let (width, height) = (picture.width() as usize, picture.height() as usize);
    let data = if is_float(&picture) {
        let mut data = picture.into_rgb32f().into_raw();
        // A hole in a float picture is no light.
        data.iter_mut().filter(|v| !v.is_finite()).for_each(|v| *v = 0.0);
        data
    } else if is_eight_bit(&picture) {
        looked_up(&picture.into_rgb8().into_raw(), &table(256, transfer))
    } else {
        looked_up(&picture.into_rgb16().into_raw(), &table(65_536, transfer))
    };
    LinearImage::from_data(width, height, data)
}

/// The mean of the three channels, straight from eight-bit codes where that is what the file holds.
fn to_brightness(picture: DynamicImage, transfer: TransferFunction) -> Option<Plane> {
    if !is_eight_bit(&picture) {
        return to_linear(picture, transfer).map(|image| image.brightness());
    }
    let (width, height) = (picture.width() as usize, picture.height() as usize);
    let table: Vec<f32> = table(256, transfer).iter().map(|v| v / 3.0).collect();
    let codes = picture.into_rgb8().into_raw();
    let mut data = vec![0.0f32; width * height];
    data.par_chunks_mut(1 << 14).zip(codes.par_chunks(3 << 14)).for_each(|(out, codes)| {
        for (o, p) in out.iter_mut().zip(codes.chunks_exact(3)) {
            *o = table[usize::from(p[0])] + table[usize::from(p[1])] + table[usize::from(p[2])];
        }
    });
    Plane::from_data(width, height, data)
}

/// Decodes a frame into linear light, turned upright by its orientation flag.
///
/// `transfer` is how integer values stand for light; a float TIFF holds light as it is.
///
/// # Errors
/// [`DecodeError`]; a JPEG that breaks off is an error, not a half-grey picture.
pub fn decode(path: &Path, transfer: TransferFunction) -> Result<LinearImage, DecodeError> {
    let picture = upright(path)?;
    to_linear(picture, transfer).ok_or_else(|| misfit(path))
}

/// Decodes only a frame's brightness (the mean of its channels, linear light), for measuring.
///
/// # Errors
/// As [`decode`].
pub fn decode_brightness(path: &Path, transfer: TransferFunction) -> Result<Plane, DecodeError> {
    let picture = upright(path)?;
    to_brightness(picture, transfer).ok_or_else(|| misfit(path))
}

fn misfit(path: &Path) -> DecodeError {
    DecodeError::Damaged { path: path.to_owned(), message: "its size does not fit its data".into() }
}

/// The file's own codes, turned upright by its orientation flag.
fn upright(path: &Path) -> Result<DynamicImage, DecodeError> {
    let damaged = |message: String| DecodeError::Damaged { path: path.to_owned(), message };
    let bytes = std::fs::read(path).map_err(|source| DecodeError::Io { path: path.to_owned(), source })?;
    if bytes.starts_with(&[0xff, 0xd8]) && jpeg_breaks_off(&bytes) {
        return Err(damaged("the JPEG breaks off before its end".into()));
    }
    let mut reader = ImageReader::new(std::io::Cursor::new(&bytes))
        .with_guessed_format()
        .map_err(|source| DecodeError::Io { path: path.to_owned(), source })?;
    let mut limits = Limits::default();
    limits.max_alloc = Some(MEMORY_LIMIT);
    reader.limits(limits);
    let mut decoder = reader.into_decoder().map_err(|e| damaged(e.to_string()))?;
    let orientation = decoder.orientation().unwrap_or(Orientation::NoTransforms);
    let mut picture = DynamicImage::from_decoder(decoder).map_err(|e| damaged(e.to_string()))?;
    picture.apply_orientation(orientation);
    Ok(picture)
}
