//! Rehearsed camera raw: a mosaic as DNG (Adobe Digital Negative Specification 1.4), uncompressed.
//!
//! The camera that this pretends to be has filters with the primaries of sRGB and a sensor that answers to
//! red half and to blue two thirds as strongly as to green; twelve bits and some, above a black level. It
//! exists so that the reading of raw files can be checked against known light.

use super::{OutputSpec, Picture, exif_block, record};
use crate::raster::{ColourMatrix, RgbSpace, inverse};
use std::fs::File;
use std::io::BufWriter;
use tiff::TiffError;
use tiff::encoder::{Rational, SRational, TiffEncoder};
use tiff::tags::Tag;

/// How strongly the sensor answers to white, red, green and blue.
const NEUTRAL: [f64; 3] = [0.5, 1.0, 0.65];
/// Numbers of no light and of the end of scale.
const BLACK: f32 = 512.0;
const WHITE: f32 = 15_871.0;
/// Red, green, green, blue.
const PATTERN: [u8; 4] = [0, 1, 1, 2];
const BAND_ROWS: usize = 256;

pub(super) fn encode(
    file: &mut BufWriter<File>,
    spec: &OutputSpec,
    picture: &mut Picture<'_>,
) -> Result<(), TiffError> {
    let (width, height) = (picture.width, picture.height);
    let mut encoder = TiffEncoder::new(file)?;
    let exif = exif_block::sub_directory(&mut encoder, spec.capture.as_ref())?;
    let mut directory = encoder.image_directory()?;
    let to_camera = ColourMatrix::new(spec.light.to(&RgbSpace::LINEAR_SRGB));
    let (mut offsets, mut lengths) = (Vec::new(), Vec::new());
    for y in (0..height).step_by(BAND_ROWS) {
        let rows = y..(y + BAND_ROWS).min(height);
        let light = (picture.bands)(rows.clone());
        let sites: Vec<u16> = light
            .as_chunks::<3>()
            .0
            .iter()
            .enumerate()
            .map(|(i, pixel)| {
                let (x, row) = (i % width, rows.start + i / width);
                let c = usize::from(PATTERN[(row % 2) * 2 + x % 2]);
                let answer = to_camera.apply(*pixel)[c] * NEUTRAL[c] as f32;
                (BLACK + answer * (WHITE - BLACK) + 0.5).clamp(0.0, WHITE) as u16
            })
            .collect();
        lengths.push((sites.len() * 2) as u32);
        offsets.push(u32::try_from(directory.write_data(&sites[..])?)?);
    }
    directory.write_tag(Tag::NewSubfileType, 0u32)?;
    directory.write_tag(Tag::ImageWidth, width as u32)?;
    directory.write_tag(Tag::ImageLength, height as u32)?;
    directory.write_tag(Tag::BitsPerSample, 16u16)?;
    directory.write_tag(Tag::Compression, 1u16)?;
    directory.write_tag(Tag::PhotometricInterpretation, 32_803u16)?;
    directory.write_tag(Tag::SamplesPerPixel, 1u16)?;
    directory.write_tag(Tag::RowsPerStrip, BAND_ROWS as u32)?;
    directory.write_tag(Tag::PlanarConfiguration, 1u16)?;
    directory.write_tag(Tag::StripOffsets, &offsets[..])?;
    directory.write_tag(Tag::StripByteCounts, &lengths[..])?;
    directory.write_tag(Tag::Orientation, 1u16)?;
    directory.write_tag(Tag::Software, record::PROGRAM)?;
    if let Some(capture) = &spec.capture {
        directory.write_tag(Tag::Make, capture.camera_model.as_str())?;
        directory.write_tag(Tag::Model, capture.camera_model.as_str())?;
        directory.write_tag(Tag::DateTime, capture.date_time_original.as_str())?;
        directory.write_tag(Tag::Unknown(50_708), capture.camera_model.as_str())?;
    }
    if let Some(offset) = exif {
        directory.write_tag(Tag::ExifDirectory, offset)?;
    }
    // TIFF/EP (ISO 12234-2): the filters' repeat.
    directory.write_tag(Tag::Unknown(33_421), &[2u16, 2][..])?;
    directory.write_tag(Tag::Unknown(33_422), &PATTERN[..])?;
    // DNG: version, black and white levels, colour matrix for D65, the neutral as shot.
    directory.write_tag(Tag::Unknown(50_706), &[1u8, 4, 0, 0][..])?;
    directory.write_tag(Tag::Unknown(50_714), BLACK as u16)?;
    directory.write_tag(Tag::Unknown(50_717), WHITE as u16)?;
    let from_xyz = inverse(RgbSpace::LINEAR_SRGB.to_xyz());
    let matrix: Vec<SRational> = (0..9)
        .map(|i| SRational { n: (from_xyz[i / 3][i % 3] * NEUTRAL[i / 3] * 1e5).round() as i32, d: 100_000 })
        .collect();
    directory.write_tag(Tag::Unknown(50_721), &matrix[..])?;
    let neutral = NEUTRAL.map(|n| Rational { n: (n * 1e4).round() as u32, d: 10_000 });
    directory.write_tag(Tag::Unknown(50_728), &neutral[..])?;
    directory.write_tag(Tag::Unknown(50_778), 21u16)?;
    directory.finish()
}
