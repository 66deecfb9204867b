//! JPEG, eight bits, for previews and rehearsed camera frames.

use super::{Bands, OutputSpec, exif_block, quantize};
use image::codecs::jpeg::{JpegEncoder, PixelDensity};
use image::{ExtendedColorType, ImageEncoder, ImageError};
use std::fs::File;
use std::io::BufWriter;

pub(super) fn encode(
    file: &mut BufWriter<File>,
    spec: &OutputSpec,
    quality: u8,
    width: usize,
    height: usize,
    bands: &mut Bands<'_>,
) -> Result<(), ImageError> {
    let codes = quantize::eight(&bands(0..height), spec.transfer);
    let mut encoder = JpegEncoder::new_with_quality(file, quality);
    encoder.set_pixel_density(PixelDensity::dpi(spec.dots_per_inch.round().clamp(1.0, 65_535.0) as u16));
    if let Some(capture) = &spec.capture {
        encoder.set_exif_metadata(exif_block::bytes(capture)).map_err(ImageError::Unsupported)?;
    }
    encoder.write_image(&codes, width as u32, height as u32, ExtendedColorType::Rgb8)
}
