//! PNG (third edition), eight or sixteen bits, rows streamed as they come.

use super::codes::Coder;
use super::{BitDepth, Delay, OutputSpec, Picture, exif_block, record};
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
    let mut writer = encoder(file, spec, (width, height))?.write_header()?;
    let mut stream = writer.stream_writer_with_size(1 << 18)?;
    let coder = Coder::new(spec);
    for y in (0..height).step_by(BAND_ROWS) {
        stream.write_all(&coded(&coder, spec.depth, &(picture.bands)(y..(y + BAND_ROWS).min(height))))?;
    }
    stream.finish()?;
    writer.finish()
}

/// Several pictures in one file, each shown for its time, again and again.
pub(super) fn animate(
    file: &mut BufWriter<File>,
    spec: &OutputSpec,
    size: (usize, usize),
    delays: &[Delay],
    pictures: &mut dyn FnMut(usize) -> Option<Vec<f32>>,
) -> Result<(), String> {
    let failed = |e: EncodingError| e.to_string();
    let mut encoder = encoder(file, spec, size).map_err(failed)?;
    let count = u32::try_from(delays.len()).map_err(|e| e.to_string())?;
    encoder.set_animated(count, 0).map_err(failed)?;
    let mut writer = encoder.write_header().map_err(failed)?;
    let coder = Coder::new(spec);
    for (k, delay) in delays.iter().enumerate() {
        let light = pictures(k).ok_or("a picture is missing")?;
        writer.set_frame_delay(delay.parts, delay.of_a_second).map_err(failed)?;
        writer.write_image_data(&coded(&coder, spec.depth, &light)).map_err(failed)?;
    }
    writer.finish().map_err(failed)
}

/// Codes as PNG stores them: the higher byte first.
fn coded(coder: &Coder, depth: BitDepth, light: &[f32]) -> Vec<u8> {
    match depth {
        BitDepth::Eight => coder.eight(light),
        _ => coder.sixteen(light).iter().flat_map(|c| c.to_be_bytes()).collect(),
    }
}

/// An encoder that has said all but the pixels.
fn encoder<'a>(
    file: &'a mut BufWriter<File>,
    spec: &OutputSpec,
    (width, height): (usize, usize),
) -> Result<Encoder<'static, &'a mut BufWriter<File>>, EncodingError> {
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
    Ok(encoder)
}
