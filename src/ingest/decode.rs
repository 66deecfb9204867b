//! One frame's pixels as linear light.

use crate::raster::{CodedPlane, LinearImage, TransferFunction};
use image::metadata::Orientation;
use image::{DynamicImage, GrayImage, ImageDecoder, ImageReader, Limits};
use rayon::prelude::*;
use std::path::{Path, PathBuf};
use zune_jpeg::JpegDecoder;
use zune_jpeg::zune_core::{bytestream::ZCursor, colorspace::ColorSpace, options::DecoderOptions};

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

/// Decodes a frame into linear light, turned upright by its orientation flag.
///
/// `transfer` is how integer values stand for light; a float TIFF holds light as it is.
///
/// # Errors
/// [`DecodeError`]; a JPEG that breaks off is an error, not a half-grey picture.
pub fn decode(path: &Path, transfer: TransferFunction) -> Result<LinearImage, DecodeError> {
    let picture = upright(path, &read_whole(path)?)?;
    to_linear(picture, transfer).ok_or_else(|| misfit(path))
}

/// Decodes only a frame's brightness, for measuring: the luma of a JPEG (a third of the work), the mean
/// of the channels of anything else.
///
/// Luma is a sum of coded values, so its light is that of a grey of the same luma; for a coloured
/// Moon it is no photometric quantity, but its limb is where it is.
///
/// # Errors
/// As [`decode`].
pub fn decode_brightness(path: &Path, transfer: TransferFunction) -> Result<CodedPlane, DecodeError> {
    let bytes = read_whole(path)?;
    if let Some(luma) = luma(&bytes) {
        let (width, height) = (luma.width() as usize, luma.height() as usize);
        let light = std::array::from_fn(|c| transfer.decode(c as f32 / 255.0));
        return CodedPlane::from_codes(width, height, luma.into_raw(), light).ok_or_else(|| misfit(path));
    }
    let picture = to_linear(upright(path, &bytes)?, transfer).ok_or_else(|| misfit(path))?;
    Ok(CodedPlane::from_light(picture.brightness()))
}

/// Luma of a JPEG turned upright; `None` for other files and for JPEGs whose first channel is not luma.
fn luma(bytes: &[u8]) -> Option<GrayImage> {
    if !bytes.starts_with(&[0xff, 0xd8]) {
        return None;
    }
    let options = DecoderOptions::default()
        .set_max_width(65_535)
        .set_max_height(65_535)
        .jpeg_set_out_colorspace(ColorSpace::Luma);
    let mut decoder = JpegDecoder::new_with_options(ZCursor::new(bytes), options);
    decoder.decode_headers().ok()?;
    if !matches!(decoder.input_colorspace()?, ColorSpace::YCbCr | ColorSpace::Luma) {
        return None;
    }
    let info = decoder.info()?;
    let (width, height) = (usize::from(info.width), usize::from(info.height));
    if (width * height) as u64 > MEMORY_LIMIT {
        return None;
    }
    let codes = decoder.decode().ok()?;
    let orientation = decoder.exif().and_then(|chunk| Orientation::from_exif_chunk(chunk));
    let mut picture = DynamicImage::ImageLuma8(GrayImage::from_raw(width as u32, height as u32, codes)?);
    picture.apply_orientation(orientation.unwrap_or(Orientation::NoTransforms));
    Some(picture.into_luma8())
}

fn misfit(path: &Path) -> DecodeError {
    DecodeError::Damaged { path: path.to_owned(), message: "its size does not fit its data".into() }
}

/// The file's bytes; a JPEG that breaks off is refused here.
fn read_whole(path: &Path) -> Result<Vec<u8>, DecodeError> {
    let bytes = std::fs::read(path).map_err(|source| DecodeError::Io { path: path.to_owned(), source })?;
    if bytes.starts_with(&[0xff, 0xd8]) && jpeg_breaks_off(&bytes) {
        let message = "the JPEG breaks off before its end".into();
        return Err(DecodeError::Damaged { path: path.to_owned(), message });
    }
    Ok(bytes)
}

/// The file's own codes, turned upright by its orientation flag.
fn upright(path: &Path, bytes: &[u8]) -> Result<DynamicImage, DecodeError> {
    let damaged = |message: String| DecodeError::Damaged { path: path.to_owned(), message };
    let mut reader = ImageReader::new(std::io::Cursor::new(bytes))
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
