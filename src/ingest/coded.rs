//! JPEG, PNG and TIFF: integer codes or floats, with the profile that the file embeds.

use super::jpeg_scan::{self, Told, UpperRows};
use super::jpeg_upper::{padded, upper_part, upright_rows};
use super::metadata::read_exif;
use super::reading::{Channel, Reading};
use super::source_colour::SourceColour;
use super::upright::upright;
use crate::memory;
use crate::raster::{CodedPlane, LinearImage, PixelRect, RgbSpace};
use image::metadata::Orientation;
use image::{DynamicImage, GrayImage, ImageDecoder, ImageError, ImageReader, Limits};
use rayon::prelude::*;
use std::io::Cursor;
use zune_jpeg::JpegDecoder;
use zune_jpeg::zune_core::{bytestream::ZCursor, colorspace::ColorSpace, options::DecoderOptions};

/// Interleaved RGB codes, rows from the top.
pub(super) struct Codes {
    pub width: usize,
    pub height: usize,
    data: CodeData,
}

enum CodeData {
    Eight(Vec<u8>),
    Sixteen(Vec<u16>),
}

/// A picture as the file codes it.
pub(super) struct CodedPicture {
    pub pixels: Samples,
    profile: Option<Vec<u8>>,
    is_op_rgb: bool,
    /// The part of it that a file which breaks off still tells.
    pub told: Option<PixelRect>,
}

pub(super) enum Samples {
    Integer(Codes),
    Float(LinearImage),
}

impl Codes {
    /// How many codes there are.
    pub(super) fn steps(&self) -> usize {
        match self.data {
            CodeData::Eight(_) => 256,
            CodeData::Sixteen(_) => 65_536,
        }
    }

    /// The code of a pixel's green, in 255ths of the scale.
    pub(super) fn green(&self, x: usize, y: usize) -> u8 {
        let at = (y * self.width + x) * 3 + 1;
        match &self.data {
            CodeData::Eight(codes) => codes[at],
            CodeData::Sixteen(codes) => (codes[at] >> 8) as u8,
        }
    }

    /// Light of a rectangle inside the picture by a table a channel, and which pixels are at the top.
    pub(super) fn light(&self, rect: PixelRect, tables: &[Vec<f32>; 3], top: f32) -> (LinearImage, Vec<bool>) {
        let (w, h) = (rect.width(), rect.height());
        let mut light = vec![0.0f32; w * h * 3];
        let mut saturated = vec![false; w * h];
        let least = (top * (self.steps() - 1) as f32) as usize;
        light.par_chunks_mut(w * 3).zip(saturated.par_chunks_mut(w)).enumerate().for_each(|(y, (out, marks))| {
            let start = ((rect.y0 as usize + y) * self.width + rect.x0 as usize) * 3;
            match &self.data {
                CodeData::Eight(codes) => look_up(&codes[start..start + w * 3], tables, least, out, marks),
                CodeData::Sixteen(codes) => look_up(&codes[start..start + w * 3], tables, least, out, marks),
            }
        });
        let light = LinearImage::from_data(w, h, light).unwrap_or_else(|| LinearImage::new(0, 0));
        (light, saturated)
    }
}

fn look_up<T: Copy + Into<usize>>(
    codes: &[T],
    tables: &[Vec<f32>; 3],
    least: usize,
    out: &mut [f32],
    marks: &mut [bool],
) {
    let pixels = codes.as_chunks::<3>().0.iter().zip(out.as_chunks_mut::<3>().0).zip(marks);
    for ((codes, out), mark) in pixels {
        let codes = codes.map(Into::into);
        *out = std::array::from_fn(|c| tables[c][codes[c]]);
        *mark = codes.iter().any(|c| *c >= least);
    }
}

fn is_jpeg(bytes: &[u8]) -> bool {
    bytes.starts_with(&[0xff, 0xd8])
}

/// A damaged JPEG is none: what a decoder makes of it looks well and stands elsewhere. Of one that breaks off, its upper rows.
fn told_by(bytes: &[u8], is_photograph: bool) -> Result<Told, String> {
    if is_jpeg(bytes) { jpeg_scan::check(bytes, is_photograph) } else { Ok(Told::Whole) }
}

/// Whether the EXIF record names the colour space that DCF 2.0 (JEITA CP-3461A) knows as `R03`: a camera
/// set to opRGB writes it and often no profile.
fn says_op_rgb(bytes: &[u8]) -> bool {
    read_exif(&mut Cursor::new(bytes)).is_some_and(|exif| {
        exif.get_field(exif::Tag::InteroperabilityIndex, exif::In::PRIMARY).is_some_and(
            |f| matches!(&f.value, exif::Value::Ascii(v) if v.first().is_some_and(|t| t.starts_with(b"R03"))),
        )
    })
}

/// Reads a picture's codes, turned upright by its orientation flag.
pub(super) fn read(bytes: &[u8], is_photograph: bool) -> Result<CodedPicture, String> {
    match told_by(bytes, is_photograph)? {
        Told::Whole => read_whole(bytes, is_photograph, None),
        Told::Upper(upper) => read_whole(&upper_part(bytes, upper), is_photograph, Some(upper)),
    }
}

/// What a decoder says of a file that it cannot read, with what to do about it.
fn in_words(error: &ImageError) -> String {
    let said = error.to_string().split_whitespace().collect::<Vec<_>>().join(" ");
    match error {
        ImageError::Unsupported(_) => {
            format!("it is of a kind that is not read ({said}); save it again as a usual JPEG, PNG or TIFF")
        }
        ImageError::Limits(_) => format!("it takes more memory than this run may ({said}; --memory)"),
        _ => format!("it is damaged ({said}); copy it from the card again"),
    }
}

/// Reads a picture's codes; `upper`: of a file that was cut to its upper rows.
fn read_whole(bytes: &[u8], is_photograph: bool, upper: Option<UpperRows>) -> Result<CodedPicture, String> {
    // A drawing may be as small as it likes.
    let file_bytes = if is_photograph { bytes.len() as u64 } else { u64::MAX };
    let mut reader = ImageReader::new(Cursor::new(bytes)).with_guessed_format().map_err(|e| e.to_string())?;
    let mut limits = Limits::default();
    limits.max_alloc = Some(memory::limit());
    reader.limits(limits);
    let mut decoder = match reader.into_decoder() {
        Ok(decoder) => decoder,
        Err(e) => return grey_float(bytes).map_err(|_| in_words(&e)),
    };
    let (width, height) = decoder.dimensions();
    let pixels = u64::from(width) * u64::from(height);
    // The decoder's own picture, its copy in three channels, and a progressive JPEG's coefficients.
    let each = 2 * (decoder.total_bytes() / pixels.max(1)).max(3) + 6;
    // A torn file's picture is made as high as its frame.
    let whole = upper.map_or(pixels, |u| u64::from(width) * u.of as u64);
    memory::may_open(whole, each, if upper.is_some() { u64::MAX } else { file_bytes })?;
    let orientation = decoder.orientation().unwrap_or(Orientation::NoTransforms);
    let profile = decoder.icc_profile().ok().flatten().or_else(|| tiff_profile(bytes));
    let mut picture = DynamicImage::from_decoder(decoder).map_err(|e| in_words(&e))?;
    let told = upper.map(|u| upright_rows(u.rows, (width as usize, u.of), orientation));
    if let Some(upper) = upper {
        picture = padded(picture, upper.of as u32);
    }
    let pixels = samples(upright(picture, orientation)).ok_or("its size does not fit its data")?;
    Ok(CodedPicture { pixels, is_op_rgb: profile.is_none() && is_jpeg(bytes) && says_op_rgb(bytes), profile, told })
}

/// The profile of a TIFF, which the `image` crate (0.25.10) does not find once a limit is set.
fn tiff_profile(bytes: &[u8]) -> Option<Vec<u8>> {
    let is_tiff = bytes.starts_with(b"II") || bytes.starts_with(b"MM");
    let mut decoder = tiff::decoder::Decoder::new(Cursor::new(bytes)).ok().filter(|_| is_tiff)?;
    decoder.get_tag_u8_vec(tiff::tags::Tag::IccProfile).ok()
}

/// A grey TIFF of floats, which the `image` crate (0.25) does not read.
fn grey_float(bytes: &[u8]) -> Result<CodedPicture, String> {
    let mut limits = tiff::decoder::Limits::default();
    limits.decoding_buffer_size = usize::try_from(memory::limit() / 4).unwrap_or(usize::MAX);
    let mut decoder = tiff::decoder::Decoder::new(Cursor::new(bytes)).map_err(|e| e.to_string())?.with_limits(limits);
    let (width, height) = decoder.dimensions().map_err(|e| e.to_string())?;
    memory::may_open(u64::from(width) * u64::from(height), 16, bytes.len() as u64)?;
    let tiff::decoder::DecodingResult::F32(values) = decoder.read_image().map_err(|e| e.to_string())? else {
        return Err("it holds no floats".into());
    };
    if values.len() != width as usize * height as usize {
        return Err("it is not grey".into());
    }
    let data = values.into_iter().flat_map(|v| [if v.is_finite() { v } else { 0.0 }; 3]).collect();
    let image = LinearImage::from_data(width as usize, height as usize, data).ok_or("its size does not fit")?;
    Ok(CodedPicture { pixels: Samples::Float(image), profile: None, is_op_rgb: false, told: None })
}

fn samples(picture: DynamicImage) -> Option<Samples> {
    let (width, height) = (picture.width() as usize, picture.height() as usize);
    let data = match picture {
        DynamicImage::ImageRgb32F(_) | DynamicImage::ImageRgba32F(_) => {
            let mut data = picture.into_rgb32f().into_raw();
            // A hole in a float picture is no light.
            data.iter_mut().filter(|v| !v.is_finite()).for_each(|v| *v = 0.0);
            return Some(Samples::Float(LinearImage::from_data(width, height, data)?));
        }
        DynamicImage::ImageLuma8(_)
        | DynamicImage::ImageLumaA8(_)
        | DynamicImage::ImageRgb8(_)
        | DynamicImage::ImageRgba8(_) => CodeData::Eight(picture.into_rgb8().into_raw()),
        _ => CodeData::Sixteen(picture.into_rgb16().into_raw()),
    };
    Some(Samples::Integer(Codes { width, height, data }))
}

/// How a picture's codes stand for light, and what has to be said of it. The notes win over a recovered
/// response, that over the profile, and sRGB is what is left.
pub(super) fn colour(picture: &CodedPicture, reading: &Reading) -> (SourceColour, Option<String>) {
    let is_float = matches!(picture.pixels, Samples::Float(_));
    colour_by(picture.profile.as_deref(), picture.is_op_rgb, reading, is_float)
}

fn colour_by(
    profile: Option<&[u8]>,
    is_op_rgb: bool,
    reading: &Reading,
    is_float: bool,
) -> (SourceColour, Option<String>) {
    let fallback = if is_op_rgb { RgbSpace::OP_RGB } else { RgbSpace::SRGB };
    if let Some(transfer) = reading.transfer {
        return (SourceColour::of_space(&RgbSpace { transfer, ..fallback }), None);
    }
    let (colour, remark) = match profile.map(SourceColour::of_profile) {
        Some(Ok(colour)) => (colour, None),
        Some(Err(why)) => {
            (SourceColour::of_space(&fallback), Some(format!("its colour profile is not used: {why}; sRGB is assumed")))
        }
        None => (SourceColour::of_space(&fallback), None),
    };
    match &reading.response {
        Some(response) if !is_float => (colour.with_response(response), remark),
        _ => (colour, remark),
    }
}

/// One channel of a JPEG turned upright, and the part of it that a file which breaks off still tells; `None` for other files
/// and for JPEGs whose first channel is not luma.
///
/// # Errors
/// A sentence, when it is damaged or larger than this run may open.
pub(super) fn one_channel(bytes: &[u8], reading: &Reading, channel: Channel) -> Result<Option<OneChannel>, String> {
    if !is_jpeg(bytes) {
        return Ok(None);
    }
    match told_by(bytes, true)? {
        Told::Whole => decode_channel(bytes, reading, channel, None),
        Told::Upper(upper) => decode_channel(&upper_part(bytes, upper), reading, channel, Some(upper)),
    }
}

/// A channel, and the part of the frame that a file which breaks off still tells.
pub(super) type OneChannel = (CodedPlane, Option<PixelRect>);

/// Bytes a pixel that looking for the Moon takes: luma, its upright copy, a progressive JPEG's coefficients.
pub(crate) const MEASURING_BYTES_A_PIXEL: u64 = 8;
/// Bytes a pixel that an open frame takes at most: what its decoder makes of floats in three channels, and a copy.
pub(crate) const OPEN_BYTES_A_PIXEL: u64 = 30;

fn decode_channel(
    bytes: &[u8],
    reading: &Reading,
    channel: Channel,
    upper: Option<UpperRows>,
) -> Result<Option<OneChannel>, String> {
    let Some((decoder, (width, height))) = opened(bytes, channel) else { return Ok(None) };
    let whole = width * upper.map_or(height, |u| u.of);
    let file_bytes = if upper.is_some() { u64::MAX } else { bytes.len() as u64 };
    memory::may_open(whole as u64, MEASURING_BYTES_A_PIXEL, file_bytes)?;
    Ok(decoded_channel(decoder, (reading, channel), (width, height), upper))
}

type Decoder<'a> = JpegDecoder<ZCursor<&'a [u8]>>;

/// A JPEG whose first channel is luma, its headers read, and its width and height.
fn opened(bytes: &[u8], channel: Channel) -> Option<(Decoder<'_>, (usize, usize))> {
    let wanted = match channel {
        Channel::Brightness => ColorSpace::Luma,
        Channel::Red => ColorSpace::RGB,
        // It takes two channels.
        Channel::Copper => return None,
    };
    let options =
        DecoderOptions::default().set_max_width(65_535).set_max_height(65_535).jpeg_set_out_colorspace(wanted);
    let mut decoder = JpegDecoder::new_with_options(ZCursor::new(bytes), options);
    decoder.decode_headers().ok()?;
    if !matches!(decoder.input_colorspace()?, ColorSpace::YCbCr | ColorSpace::Luma) {
        return None;
    }
    let info = decoder.info()?;
    let size = (usize::from(info.width), usize::from(info.height));
    Some((decoder, size))
}

fn decoded_channel(
    mut decoder: Decoder<'_>,
    (reading, channel): (&Reading, Channel),
    (width, height): (usize, usize),
    upper: Option<UpperRows>,
) -> Option<OneChannel> {
    let mut codes = decoder.decode().ok()?;
    if channel == Channel::Red {
        codes = codes.into_iter().step_by(3).collect();
    }
    let orientation = decoder.exif().and_then(|chunk| Orientation::from_exif_chunk(chunk));
    let orientation = orientation.unwrap_or(Orientation::NoTransforms);
    let profile = decoder.icc_profile();
    let (colour, _) = colour_by(profile.as_deref(), false, reading, false);
    let mut picture = DynamicImage::ImageLuma8(GrayImage::from_raw(width as u32, height as u32, codes)?);
    let told = upper.map(|u| upright_rows(u.rows, (width, u.of), orientation));
    if let Some(upper) = upper {
        picture = padded(picture, upper.of as u32);
    }
    let plane = upright(picture, orientation).into_luma8();
    let (width, height) = (plane.width() as usize, plane.height() as usize);
    let [red, green, _] = colour.tables(256);
    let light = if channel == Channel::Red { red } else { green };
    Some((CodedPlane::from_codes(width, height, plane.into_raw(), light.try_into().ok()?)?, told))
}
