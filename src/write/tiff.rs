//! TIFF 6.0, 16-bit RGB, Deflate with the horizontal predictor, strips of 64 rows.
//!
//! The strips are compressed here and laid down as they are: the `tiff` crate's own strip writer
//! (0.11.3) leaves them uncompressed under a Deflate tag.

use super::{Bands, BitDepth, OutputSpec, exif_block, quantize};
use flate2::{Compression, write::ZlibEncoder};
use rayon::prelude::*;
use std::fs::File;
use std::io::{BufWriter, Write};
use tiff::TiffError;
use tiff::encoder::{DirectoryEncoder, Rational, TiffEncoder, TiffKindStandard};
use tiff::tags::Tag;

const ROWS_PER_STRIP: usize = 64;
/// Bands are several strips tall so that strips compress in parallel.
const STRIPS_PER_BAND: usize = 4;

type Directory<'a, 'w> = DirectoryEncoder<'a, &'w mut BufWriter<File>, TiffKindStandard>;

fn compress(bytes: &[u8]) -> std::io::Result<Vec<u8>> {
    let mut encoder = ZlibEncoder::new(Vec::with_capacity(bytes.len() / 2), Compression::new(4));
    encoder.write_all(bytes)?;
    encoder.finish()
}

/// One strip: horizontal differences modulo 2^16, native byte order, compressed.
fn strip16(codes: &[u16], width: usize) -> std::io::Result<Vec<u8>> {
    let mut bytes = Vec::with_capacity(codes.len() * 2);
    for row in codes.chunks_exact(width * 3) {
        let mut left = [0u16; 3];
        for pixel in row.chunks_exact(3) {
            for c in 0..3 {
                bytes.extend_from_slice(&pixel[c].wrapping_sub(left[c]).to_ne_bytes());
                left[c] = pixel[c];
            }
        }
    }
    compress(&bytes)
}

fn strip8(codes: &[u8], width: usize) -> std::io::Result<Vec<u8>> {
    let mut bytes = Vec::with_capacity(codes.len());
    for row in codes.chunks_exact(width * 3) {
        let mut left = [0u8; 3];
        for pixel in row.chunks_exact(3) {
            for c in 0..3 {
                bytes.push(pixel[c].wrapping_sub(left[c]));
                left[c] = pixel[c];
            }
        }
    }
    compress(&bytes)
}

pub(super) fn encode(
    file: &mut BufWriter<File>,
    spec: &OutputSpec,
    width: usize,
    height: usize,
    bands: &mut Bands<'_>,
) -> Result<(), TiffError> {
    let mut encoder = TiffEncoder::new(file)?;
    let exif = match &spec.capture {
        Some(tags) => {
            let mut directory = encoder.extra_directory()?;
            exif_block::write_tiff_directory(&mut directory, tags)?;
            Some(directory.finish_with_offsets()?.offset)
        }
        None => None,
    };
    let mut directory = encoder.image_directory()?;
    let (mut offsets, mut lengths) = (Vec::new(), Vec::new());
    let band = ROWS_PER_STRIP * STRIPS_PER_BAND;
    for y in (0..height).step_by(band) {
        let light = bands(y..(y + band).min(height));
        let strip_values = ROWS_PER_STRIP * width * 3;
        let strips: Vec<std::io::Result<Vec<u8>>> = match spec.depth {
            BitDepth::Sixteen => {
                let codes = quantize::sixteen(&light, spec.transfer);
                codes.par_chunks(strip_values).map(|s| strip16(s, width)).collect()
            }
            BitDepth::Eight => {
                let codes = quantize::eight(&light, spec.transfer);
                codes.par_chunks(strip_values).map(|s| strip8(s, width)).collect()
            }
        };
        for strip in strips {
            let strip = strip?;
            lengths.push(strip.len() as u32);
            // A classic TIFF ends at 4 GiB; the conversion refuses what lies beyond.
            offsets.push(u32::try_from(directory.write_data(&strip[..])?)?);
        }
    }
    tags(&mut directory, spec, width, height, (&offsets, &lengths))?;
    if let Some(offset) = exif {
        directory.write_tag(Tag::ExifDirectory, offset)?;
    }
    directory.finish()
}

fn tags(
    directory: &mut Directory<'_, '_>,
    spec: &OutputSpec,
    width: usize,
    height: usize,
    (offsets, lengths): (&[u32], &[u32]),
) -> Result<(), TiffError> {
    let bits: u16 = if spec.depth == BitDepth::Sixteen { 16 } else { 8 };
    directory.write_tag(Tag::ImageWidth, width as u32)?;
    directory.write_tag(Tag::ImageLength, height as u32)?;
    directory.write_tag(Tag::BitsPerSample, &[bits; 3][..])?;
    directory.write_tag(Tag::Compression, 8u16)?;
    directory.write_tag(Tag::PhotometricInterpretation, 2u16)?;
    directory.write_tag(Tag::SamplesPerPixel, 3u16)?;
    directory.write_tag(Tag::RowsPerStrip, ROWS_PER_STRIP as u32)?;
    directory.write_tag(Tag::Predictor, 2u16)?;
    directory.write_tag(Tag::PlanarConfiguration, 1u16)?;
    directory.write_tag(Tag::StripOffsets, offsets)?;
    directory.write_tag(Tag::StripByteCounts, lengths)?;
    let resolution = Rational { n: (spec.dots_per_inch * 100.0).round() as u32, d: 100 };
    directory.write_tag(Tag::XResolution, resolution.clone())?;
    directory.write_tag(Tag::YResolution, resolution)?;
    directory.write_tag(Tag::ResolutionUnit, 2u16)?;
    directory.write_tag(Tag::Software, concat!("moonloom ", env!("CARGO_PKG_VERSION")))?;
    if let Some(text) = &spec.description {
        directory.write_tag(Tag::ImageDescription, ascii(text).as_str())?;
    }
    if let Some(capture) = &spec.capture {
        directory.write_tag(Tag::Model, ascii(&capture.camera_model).as_str())?;
        directory.write_tag(Tag::DateTime, capture.date_time_original.as_str())?;
    }
    Ok(())
}

/// TIFF text is seven-bit ASCII; other letters become question marks there.
fn ascii(text: &str) -> String {
    text.chars().map(|c| if c.is_ascii() && c != '\0' { c } else { '?' }).collect()
}
