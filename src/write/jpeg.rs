//! JPEG, eight bits, for previews and rehearsed camera frames.

use super::{Bands, OutputSpec, exif_block, quantize};
use image::codecs::jpeg::{JpegEncoder, PixelDensity};
use image::{ExtendedColorType, ImageEncoder, ImageError};
use std::fs::File;
use std::io::BufWriter;

const BAND_ROWS: usize = 256;

pub(super) fn encode(
    file: &mut BufWriter<File>,
    spec: &OutputSpec,
    quality: u8,
    width: usize,
    height: usize,
    bands: &mut Bands<'_>,
) -> Result<(), ImageError> {
    // The encoder wants the whole picture; eight-bit codes are a quarter of the light they stand for.
    let mut codes = Vec::with_capacity(width * height * 3);
    for y in (0..height).step_by(BAND_ROWS) {
        codes.extend(quantize::eight(&bands(y..(y + BAND_ROWS).min(height)), spec.transfer));
    }
    let mut encoder = JpegEncoder::new_with_quality(file, quality);
    encoder.set_pixel_density(PixelDensity::dpi(spec.dots_per_inch.round().clamp(1.0, 65_535.0) as u16));
    let exif = match (&spec.capture, &spec.description) {
        (Some(capture), _) => Some(exif_block::bytes(capture)),
        (None, Some(words)) => Some(exif_block::description_bytes(words)),
        _ => None,
    };
    if let Some(exif) = exif {
        encoder.set_exif_metadata(exif).map_err(ImageError::Unsupported)?;
    }
    encoder.write_image(&codes, width as u32, height as u32, ExtendedColorType::Rgb8)
}
