//! PNG (third edition), eight or sixteen bits, rows streamed as they come.

use super::codes::Coder;
use super::{BitDepth, OutputSpec, Picture, exif_block, record};
use png::{BitDepth as PngDepth, ColorType, Compression, Encoder, EncodingError, Info, PixelDimensions, Unit};
use std::fs::File;
use std::io::{BufWriter, Write};

const BAND_ROWS: usize = 256;

pub(super) fn encode(
    file: &mut BufWriter<File>,
    spec: &OutputSpec,
    picture: &mut Picture<'_>,
) -> Result<(), EncodingError> {
    let (width, height) = (picture.width, picture.height);
    let mut info = Info::with_size(width as u32, height as u32);
    info.color_type = ColorType::Rgb;
    info.bit_depth = if spec.depth == BitDepth::Eight { PngDepth::Eight } else { PngDepth::Sixteen };
    info.icc_profile = spec.profile().map(Into::into);
    info.exif_metadata = spec.capture.as_ref().map(|tags| exif_block::bytes(tags).into());
    let mut encoder = Encoder::with_info(file, info)?;
    encoder.set_compression(Compression::Fast);
    let per_metre = (spec.dots_per_inch / 0.0254).round() as u32;
    encoder.set_pixel_dims(Some(PixelDimensions { xppu: per_metre, yppu: per_metre, unit: Unit::Meter }));
    encoder.add_text_chunk("Software".into(), record::PROGRAM.into())?;
    if let Some(record) = &spec.record {
        encoder.add_itxt_chunk("Description".into(), record.description.clone())?;
        if let Some(title) = &record.title {
            encoder.add_itxt_chunk("Title".into(), title.clone())?;
        }
        encoder.add_itxt_chunk("XML:com.adobe.xmp".into(), record::xmp(record))?;
    }
    let mut writer = encoder.write_header()?;
    let mut stream = writer.stream_writer_with_size(1 << 18)?;
    let coder = Coder::new(spec);
    for y in (0..height).step_by(BAND_ROWS) {
        let light = (picture.bands)(y..(y + BAND_ROWS).min(height));
        if spec.depth == BitDepth::Eight {
            stream.write_all(&coder.eight(&light))?;
        } else {
            let bytes: Vec<u8> = coder.sixteen(&light).iter().flat_map(|c| c.to_be_bytes()).collect();
            stream.write_all(&bytes)?;
        }
    }
    stream.finish()?;
    writer.finish()
}
