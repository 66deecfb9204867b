//! PNG, 8 or 16 bits, with an sRGB chunk, print resolution, and eXIf for rehearsed frames.

use super::{Bands, BitDepth, OutputSpec, exif_block, quantize};
use crate::raster::TransferFunction;
use png::{
    BitDepth as PngDepth, ColorType, Compression, Encoder, EncodingError, PixelDimensions, SrgbRenderingIntent, Unit,
};
use std::fs::File;
use std::io::{BufWriter, Write};

const BAND_ROWS: usize = 256;

pub(super) fn encode(
    file: &mut BufWriter<File>,
    spec: &OutputSpec,
    width: usize,
    height: usize,
    bands: &mut Bands<'_>,
) -> Result<(), EncodingError> {
    let mut info = png::Info::with_size(width as u32, height as u32);
    if let Some(capture) = &spec.capture {
        info.exif_metadata = Some(exif_block::bytes(capture).into());
    }
    let mut encoder = Encoder::with_info(file, info)?;
    encoder.set_color(ColorType::Rgb);
    encoder.set_depth(if spec.depth == BitDepth::Sixteen { PngDepth::Sixteen } else { PngDepth::Eight });
    encoder.set_compression(Compression::Fast);
    match spec.transfer {
        TransferFunction::Srgb => encoder.set_source_srgb(SrgbRenderingIntent::Perceptual),
        TransferFunction::Linear => encoder.set_source_gamma(png::ScaledFloat::new(1.0)),
    }
    let per_metre = (spec.dots_per_inch / 0.0254).round() as u32;
    encoder.set_pixel_dims(Some(PixelDimensions { xppu: per_metre, yppu: per_metre, unit: Unit::Meter }));
    encoder.add_text_chunk("Software".into(), concat!("moonloom ", env!("CARGO_PKG_VERSION")).into())?;
    if let Some(text) = &spec.description {
        encoder.add_itxt_chunk("Description".into(), text.clone())?;
    }
    let mut writer = encoder.write_header()?;
    let mut stream = writer.stream_writer_with_size(1 << 18)?;
    for y in (0..height).step_by(BAND_ROWS) {
        let light = bands(y..(y + BAND_ROWS).min(height));
        match spec.depth {
            BitDepth::Sixteen => {
                let bytes: Vec<u8> =
                    quantize::sixteen(&light, spec.transfer).iter().flat_map(|c| c.to_be_bytes()).collect();
                stream.write_all(&bytes)?;
            }
            BitDepth::Eight => stream.write_all(&quantize::eight(&light, spec.transfer))?,
        }
    }
    stream.finish()?;
    writer.finish()
}
