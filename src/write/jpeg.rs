//! JPEG, eight bits, for previews and rehearsed camera frames.

use super::codes::Coder;
use super::{OutputSpec, Picture, exif_block, record};
use image::codecs::jpeg::{JpegEncoder, PixelDensity};
use image::{ExtendedColorType, ImageEncoder, ImageError};
use std::fs::File;
use std::io::{BufWriter, Write};

const BAND_ROWS: usize = 256;

pub(super) fn encode(
    file: &mut BufWriter<File>,
    spec: &OutputSpec,
    quality: u8,
    picture: &mut Picture<'_>,
) -> Result<(), ImageError> {
    // The encoder wants the whole picture; eight-bit codes are a quarter of the light they stand for.
    let (width, height) = (picture.width, picture.height);
    let coder = Coder::new(spec);
    let mut codes = Vec::with_capacity(width * height * 3);
    for y in (0..height).step_by(BAND_ROWS) {
        codes.extend(coder.eight(&(picture.bands)(y..(y + BAND_ROWS).min(height))));
    }
    let mut bytes = Vec::new();
    let mut encoder = JpegEncoder::new_with_quality(&mut bytes, quality);
    encoder.set_pixel_density(PixelDensity::dpi(spec.dots_per_inch.round().clamp(1.0, 65_535.0) as u16));
    let exif = match (&spec.capture, &spec.record) {
        (Some(capture), _) => Some(exif_block::bytes(capture)),
        (None, Some(record)) => Some(exif_block::description_bytes(&record.description)),
        _ => None,
    };
    if let Some(exif) = exif {
        encoder.set_exif_metadata(exif).map_err(ImageError::Unsupported)?;
    }
    if let Some(profile) = spec.profile() {
        encoder.set_icc_profile(profile).map_err(ImageError::Unsupported)?;
    }
    encoder.write_image(&codes, width as u32, height as u32, ExtendedColorType::Rgb8)?;
    // The packet goes right after the start of the image; the encoder has no place for it.
    let (start, rest) = bytes.split_at(2);
    let written = file.write_all(start).and_then(|()| {
        if let Some(record) = &spec.record {
            let packet = record::xmp(record);
            let body = [b"http://ns.adobe.com/xap/1.0/\0".as_slice(), packet.as_bytes()].concat();
            // A segment holds 64 KiB; a record is a hundredth of it.
            if let Ok(length) = u16::try_from(body.len() + 2) {
                file.write_all(&[0xff, 0xe1])?;
                file.write_all(&length.to_be_bytes())?;
                file.write_all(&body)?;
            }
        }
        file.write_all(rest)
    });
    written.map_err(ImageError::IoError)
}
