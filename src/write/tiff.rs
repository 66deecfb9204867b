//! TIFF 6.0 and BigTIFF: integers or floats, Deflate with a predictor, strips.
//!
//! The strips are compressed here and laid down as they are: the `tiff` crate's own strip writer
//! (0.11.3) leaves them uncompressed under a Deflate tag.

use super::codes::Coder;
use super::{BitDepth, OutputSpec, Picture, exif_block, record};
use libdeflater::{CompressionLvl, Compressor};
use rayon::prelude::*;
use std::fs::File;
use std::io::BufWriter;
use tiff::TiffError;
use tiff::encoder::{DirectoryEncoder, Rational, TiffEncoder, TiffKind, TiffKindBig, TiffKindStandard};
use tiff::tags::Tag;

/// Rows of a strip, unless a row is so wide that fewer make a strip of this many bytes.
const ROWS_PER_STRIP: usize = 64;
const LARGEST_STRIP: usize = 8 << 20;
/// Bands are several strips tall so that strips compress in parallel.
const STRIPS_PER_BAND: usize = 4;
/// Above this many bytes before compression (noise hardly shrinks) offsets need 64 bits.
const LARGEST_CLASSIC: usize = 3_900_000_000;

type Directory<'a, 'w, K> = DirectoryEncoder<'a, &'w mut BufWriter<File>, K>;

/// Deflate at its quickest: noise of a night sky gains nothing from more (measured: 110 MB against
/// 113 MB for six times the level).
fn compress(bytes: &[u8]) -> Vec<u8> {
    let mut compressor = Compressor::new(CompressionLvl::fastest());
    let mut out = vec![0; compressor.zlib_compress_bound(bytes.len())];
    // The bound is the compressor's own: the strip cannot be longer.
    let length = compressor.zlib_compress(bytes, &mut out).unwrap_or(0);
    out.truncate(length);
    out
}

/// A strip of sixteen-bit codes: horizontal differences modulo 2^16, native byte order (TIFF 6.0, section 14).
fn strip16(codes: &[u16], width: usize) -> Vec<u8> {
    let mut bytes = Vec::with_capacity(codes.len() * 2);
    for row in codes.chunks_exact(width * 3) {
        let mut left = [0u16; 3];
        for pixel in row.as_chunks::<3>().0 {
            for c in 0..3 {
                bytes.extend_from_slice(&pixel[c].wrapping_sub(left[c]).to_ne_bytes());
            }
            left = *pixel;
        }
    }
    compress(&bytes)
}

fn strip8(codes: &[u8], width: usize) -> Vec<u8> {
    let mut bytes = Vec::with_capacity(codes.len());
    for row in codes.chunks_exact(width * 3) {
        differences(row, &mut bytes);
    }
    compress(&bytes)
}

/// Differences of bytes three apart, modulo 256.
fn differences(row: &[u8], out: &mut Vec<u8>) {
    let mut left = [0u8; 3];
    for pixel in row.as_chunks::<3>().0 {
        out.extend((0..3).map(|c| pixel[c].wrapping_sub(left[c])));
        left = *pixel;
    }
}

/// A strip of floats: each row's bytes by significance, the highest first, then differences of them
/// (Adobe Photoshop TIFF Technical Note 3, predictor 3).
fn strip_of_floats(values: &[f32], width: usize) -> Vec<u8> {
    let mut bytes = Vec::with_capacity(values.len() * 4);
    let mut planes = vec![0u8; width * 3 * 4];
    for row in values.chunks_exact(width * 3) {
        for (i, value) in row.iter().enumerate() {
            for (plane, byte) in value.to_be_bytes().into_iter().enumerate() {
                planes[plane * row.len() + i] = byte;
            }
        }
        differences(&planes, &mut bytes);
    }
    compress(&bytes)
}

pub(super) fn encode(
    file: &mut BufWriter<File>,
    spec: &OutputSpec,
    picture: &mut Picture<'_>,
) -> Result<(), TiffError> {
    if picture.width * picture.height * 3 * spec.depth.bytes() > LARGEST_CLASSIC {
        encode_as::<TiffKindBig>(file, spec, picture)
    } else {
        encode_as::<TiffKindStandard>(file, spec, picture)
    }
}

fn encode_as<K: TiffKind>(
    file: &mut BufWriter<File>,
    spec: &OutputSpec,
    picture: &mut Picture<'_>,
) -> Result<(), TiffError> {
    let (width, height) = (picture.width, picture.height);
    let mut encoder = TiffEncoder::<_, K>::new_generic(file)?;
    let exif = exif_block::sub_directory(&mut encoder, spec.capture.as_ref())?;
    let mut directory = encoder.image_directory()?;
    let (mut offsets, mut lengths) = (Vec::new(), Vec::new());
    let rows_per_strip = (LARGEST_STRIP / (width * 3 * spec.depth.bytes())).clamp(1, ROWS_PER_STRIP);
    let values_per_strip = rows_per_strip * width * 3;
    let band = rows_per_strip * STRIPS_PER_BAND;
    let coder = Coder::new(spec);
    for y in (0..height).step_by(band) {
        let light = (picture.bands)(y..(y + band).min(height));
        let strips: Vec<Vec<u8>> = match spec.depth {
            BitDepth::Eight => coder.eight(&light).par_chunks(values_per_strip).map(|s| strip8(s, width)).collect(),
            BitDepth::Sixteen => {
                coder.sixteen(&light).par_chunks(values_per_strip).map(|s| strip16(s, width)).collect()
            }
            BitDepth::Half | BitDepth::Float => {
                coder.float(&light).par_chunks(values_per_strip).map(|s| strip_of_floats(s, width)).collect()
            }
        };
        for strip in strips {
            lengths.push(K::convert_offset(strip.len() as u64)?);
            offsets.push(K::convert_offset(directory.write_data(&strip[..])?)?);
        }
    }
    form(&mut directory, spec, (width, height), rows_per_strip)?;
    directory.write_tag(Tag::StripOffsets, K::convert_slice(&offsets))?;
    directory.write_tag(Tag::StripByteCounts, K::convert_slice(&lengths))?;
    words(&mut directory, spec)?;
    if let Some(offset) = exif {
        directory.write_tag(Tag::ExifDirectory, offset)?;
    }
    directory.finish()
}

/// The tags without which no reader can show it.
fn form<K: TiffKind>(
    directory: &mut Directory<'_, '_, K>,
    spec: &OutputSpec,
    (width, height): (usize, usize),
    rows_per_strip: usize,
) -> Result<(), TiffError> {
    let is_float = matches!(spec.depth, BitDepth::Half | BitDepth::Float);
    let bits = 8 * spec.depth.bytes() as u16;
    directory.write_tag(Tag::ImageWidth, width as u32)?;
    directory.write_tag(Tag::ImageLength, height as u32)?;
    directory.write_tag(Tag::BitsPerSample, &[bits; 3][..])?;
    directory.write_tag(Tag::Compression, 8u16)?;
    directory.write_tag(Tag::PhotometricInterpretation, 2u16)?;
    directory.write_tag(Tag::SamplesPerPixel, 3u16)?;
    directory.write_tag(Tag::RowsPerStrip, rows_per_strip as u32)?;
    directory.write_tag(Tag::Predictor, if is_float { 3u16 } else { 2 })?;
    directory.write_tag(Tag::SampleFormat, &[if is_float { 3u16 } else { 1 }; 3][..])?;
    directory.write_tag(Tag::PlanarConfiguration, 1u16)
}

/// Resolution, profile and how it was made.
fn words<K: TiffKind>(directory: &mut Directory<'_, '_, K>, spec: &OutputSpec) -> Result<(), TiffError> {
    let resolution = Rational { n: (spec.dots_per_inch * 100.0).round() as u32, d: 100 };
    directory.write_tag(Tag::XResolution, resolution.clone())?;
    directory.write_tag(Tag::YResolution, resolution)?;
    directory.write_tag(Tag::ResolutionUnit, 2u16)?;
    directory.write_tag(Tag::Software, record::PROGRAM)?;
    if let Some(profile) = spec.profile() {
        directory.write_tag(Tag::IccProfile, &profile[..])?;
    }
    if let Some(record) = &spec.record {
        directory.write_tag(Tag::ImageDescription, ascii(&record.description).as_str())?;
        // XMP Specification part 3, 1.1.1 (ISO 16684-1 in a TIFF): tag 700, bytes.
        directory.write_tag(Tag::Unknown(700), record::xmp(record).as_bytes())?;
    }
    if let Some(capture) = &spec.capture {
        directory.write_tag(Tag::Model, ascii(&capture.camera_model).as_str())?;
        directory.write_tag(Tag::DateTime, capture.date_time_original.as_str())?;
    }
    Ok(())
}

/// TIFF text is seven-bit ASCII; other letters become question marks there (the XMP has them).
fn ascii(text: &str) -> String {
    text.chars().map(|c| if c.is_ascii() && c != '\0' { c } else { '?' }).collect()
}
