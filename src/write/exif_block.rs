//! What a camera records about an exposure, as EXIF (CIPA DC-008 / Exif 2.32).

use exif::experimental::Writer;
use exif::{Field, In, Rational, Tag, Value};
use tiff::TiffError;
use tiff::encoder::{DirectoryEncoder, TiffKind};
use tiff::tags::Tag as TiffTag;

/// What a camera records about an exposure.
#[derive(Clone, Debug, PartialEq)]
pub struct CaptureTags {
    /// `YYYY:MM:DD HH:MM:SS` by the camera's clock.
    pub date_time_original: String,
    /// Digits after the second.
    pub sub_second: String,
    /// Shutter time, seconds.
    pub exposure_s: f64,
    /// Focal ratio.
    pub f_number: f64,
    /// ISO speed.
    pub iso: u32,
    /// Focal length, millimetres.
    pub focal_length_mm: f64,
    /// The camera's name.
    pub camera_model: String,
}

/// A ratio as cameras write it: 1/n for short times, millionths for others below a thousand.
fn ratio(value: f64) -> (u32, u32) {
    if value > 0.0 && value < 1.0 {
        let inverse = 1.0 / value;
        if (inverse - inverse.round()).abs() < 1e-6 {
            return (1, inverse.round() as u32);
        }
    }
    let denominator = if value < 1000.0 { 1_000_000 } else { 1000 };
    ((value * f64::from(denominator)).round() as u32, denominator)
}

fn rational(value: f64) -> Value {
    let (num, denom) = ratio(value);
    Value::Rational(vec![Rational { num, denom }])
}

fn text(value: &str) -> Value {
    Value::Ascii(vec![value.bytes().filter(u8::is_ascii).collect()])
}

/// The block for a JPEG's APP1 segment or a PNG's eXIf chunk.
pub(super) fn bytes(tags: &CaptureTags) -> Vec<u8> {
    let field = |tag, value| Field { tag, ifd_num: In::PRIMARY, value };
    let fields = [
        field(Tag::Model, text(&tags.camera_model)),
        field(Tag::DateTime, text(&tags.date_time_original)),
        field(Tag::Software, text(concat!("moonloom ", env!("CARGO_PKG_VERSION"), " rehearse"))),
        field(Tag::DateTimeOriginal, text(&tags.date_time_original)),
        field(Tag::SubSecTimeOriginal, text(&tags.sub_second)),
        field(Tag::ExposureTime, rational(tags.exposure_s)),
        field(Tag::FNumber, rational(tags.f_number)),
        field(Tag::PhotographicSensitivity, Value::Short(vec![tags.iso.min(65_535) as u16])),
        field(Tag::FocalLength, rational(tags.focal_length_mm)),
    ];
    let mut writer = Writer::new();
    fields.iter().for_each(|f| writer.push_field(f));
    let mut out = std::io::Cursor::new(Vec::new());
    // Writing to memory fails only for values this function does not make.
    match writer.write(&mut out, true) {
        Ok(()) => out.into_inner(),
        Err(_) => Vec::new(),
    }
}

/// A block that says only how a picture was made.
pub(super) fn description_bytes(words: &str) -> Vec<u8> {
    let field = |tag, value| Field { tag, ifd_num: In::PRIMARY, value };
    let fields = [
        field(Tag::ImageDescription, text(words)),
        field(Tag::Software, text(concat!("moonloom ", env!("CARGO_PKG_VERSION")))),
    ];
    let mut writer = Writer::new();
    fields.iter().for_each(|f| writer.push_field(f));
    let mut out = std::io::Cursor::new(Vec::new());
    // As above: memory does not refuse.
    if writer.write(&mut out, true).is_ok() { out.into_inner() } else { Vec::new() }
}

/// The same as a TIFF sub-directory.
fn write_tiff_directory<W: std::io::Write + std::io::Seek, K: TiffKind>(
    directory: &mut DirectoryEncoder<'_, W, K>,
    tags: &CaptureTags,
) -> Result<(), TiffError> {
    let as_ratio = |v| {
        let (n, d) = ratio(v);
        tiff::encoder::Rational { n, d }
    };
    directory.write_tag(TiffTag::Unknown(Tag::ExposureTime.number()), as_ratio(tags.exposure_s))?;
    directory.write_tag(TiffTag::Unknown(Tag::FNumber.number()), as_ratio(tags.f_number))?;
    directory.write_tag(TiffTag::Unknown(Tag::PhotographicSensitivity.number()), tags.iso.min(65_535) as u16)?;
    directory.write_tag(TiffTag::Unknown(Tag::DateTimeOriginal.number()), tags.date_time_original.as_str())?;
    directory.write_tag(TiffTag::Unknown(Tag::SubSecTimeOriginal.number()), tags.sub_second.as_str())?;
    directory.write_tag(TiffTag::Unknown(Tag::FocalLength.number()), as_ratio(tags.focal_length_mm))?;
    Ok(())
}

/// The sub-directory of a TIFF that is being made, if there is anything to record; where it lies.
pub(super) fn sub_directory<W: std::io::Write + std::io::Seek, K: TiffKind>(
    encoder: &mut tiff::encoder::TiffEncoder<W, K>,
    tags: Option<&CaptureTags>,
) -> Result<Option<K::OffsetType>, TiffError> {
    let Some(tags) = tags else { return Ok(None) };
    let mut directory = encoder.extra_directory()?;
    write_tiff_directory(&mut directory, tags)?;
    Ok(Some(directory.finish_with_offsets()?.offset))
}
