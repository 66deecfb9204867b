//! What the camera recorded: EXIF (CIPA DC-008 / Exif 2.32), a FITS header, and the image's size.

use super::content::Content;
use super::file_kind::FileKind;
use super::notes::Site;
use super::record::{CameraRecord, FrameMetadata};
use super::{fits, raw};
use exif::{Exif, In, Tag, Value};
use std::fs::File;
use std::io::{BufRead, BufReader, Cursor, Read, Seek, SeekFrom};
use std::path::Path;

/// A picture's EXIF record; of one that is not well formed throughout (some writers leave out the end of a directory) what can be
/// read of it.
pub(super) fn read_exif<R: BufRead + Seek>(file: &mut R) -> Option<Exif> {
    let mut reader = exif::Reader::new();
    let read = reader.continue_on_error(true).read_from_container(file);
    read.or_else(|e| e.distill_partial_result(|_| {})).ok()
}

fn number(exif: &Exif, tag: Tag) -> Option<f64> {
    match &exif.get_field(tag, In::PRIMARY)?.value {
        Value::Rational(v) => v.first().filter(|r| r.denom != 0).map(exif::Rational::to_f64),
        Value::Short(v) => v.first().map(|n| f64::from(*n)),
        Value::Long(v) => v.first().map(|n| f64::from(*n)),
        Value::Byte(v) => v.first().map(|n| f64::from(*n)),
        _ => None,
    }
}

fn text(exif: &Exif, tag: Tag) -> Option<String> {
    match &exif.get_field(tag, In::PRIMARY)?.value {
        Value::Ascii(v) => {
            let joined = v.first()?.iter().map(|b| char::from(*b)).collect::<String>();
            Some(joined.trim_matches(['\0', ' ']).to_owned()).filter(|t| !t.is_empty())
        }
        _ => None,
    }
}

/// Degrees, minutes and seconds with a letter for the sign.
fn degrees(exif: &Exif, tag: Tag, reference: Tag, negative: &str) -> Option<f64> {
    let Value::Rational(parts) = &exif.get_field(tag, In::PRIMARY)?.value else { return None };
    let part = |i: usize| parts.get(i).filter(|r| r.denom != 0).map_or(0.0, exif::Rational::to_f64);
    let value = part(0) + part(1) / 60.0 + part(2) / 3600.0;
    Some(if text(exif, reference).is_some_and(|r| r.eq_ignore_ascii_case(negative)) { -value } else { value })
}

fn site_of(exif: &Exif) -> Option<Site> {
    let below = number(exif, Tag::GPSAltitudeRef) == Some(1.0);
    let altitude = number(exif, Tag::GPSAltitude).unwrap_or(0.0);
    Some(Site {
        latitude_deg: degrees(exif, Tag::GPSLatitude, Tag::GPSLatitudeRef, "S")?,
        longitude_deg: degrees(exif, Tag::GPSLongitude, Tag::GPSLongitudeRef, "W")?,
        elevation_m: if below { -altitude } else { altitude },
    })
}

/// Spacing of the pixels on the sensor (Exif 2.32, FocalPlaneXResolution), if the picture still has the
/// size that the camera wrote: a reduced copy keeps the tag and not its meaning.
fn pixel_pitch_um(exif: &Exif, width: usize) -> Option<f64> {
    let written = number(exif, Tag::PixelXDimension)?;
    let per_unit = number(exif, Tag::FocalPlaneXResolution).filter(|r| *r > 0.0)?;
    let unit_um = match number(exif, Tag::FocalPlaneResolutionUnit).map_or(2, |u| u as u32) {
        3 => 10_000.0,
        4 => 1000.0,
        5 => 1.0,
        _ => 25_400.0,
    };
    (written as usize == width).then_some(unit_um / per_unit)
}

fn camera_record(exif: &Exif, width: usize) -> CameraRecord {
    CameraRecord {
        exposure_time_s: number(exif, Tag::ExposureTime),
        f_number: number(exif, Tag::FNumber),
        iso: number(exif, Tag::PhotographicSensitivity),
        focal_length_mm: number(exif, Tag::FocalLength),
        equivalent_focal_length_mm: number(exif, Tag::FocalLengthIn35mmFilm),
        digital_zoom: number(exif, Tag::DigitalZoomRatio),
        pixel_pitch_um: pixel_pitch_um(exif, width),
        camera_model: text(exif, Tag::Model),
        date_time: text(exif, Tag::DateTimeOriginal),
        sub_second: text(exif, Tag::SubSecTimeOriginal),
        offset: text(exif, Tag::OffsetTimeOriginal),
        place: site_of(exif),
    }
}

/// Reads the size and the camera's record; what is missing or absurd stays `None`.
///
/// # Errors
/// A sentence, when the file cannot be opened or is no image.
pub fn read_metadata(path: &Path) -> Result<FrameMetadata, String> {
    metadata_of(Content::of_file(path))
}

pub(super) fn metadata_of(content: Content<'_>) -> Result<FrameMetadata, String> {
    match content.kind().map_err(|e| e.to_string())? {
        FileKind::Raw => return raw::read_record(content.file()?),
        FileKind::Fits => return fits::read_header(content)?.metadata(),
        FileKind::Unread(kind) => {
            return Err(format!("it is a {kind} picture, which is not read; export it as JPEG or TIFF"));
        }
        FileKind::Other => return Err("it is no picture, or its beginning is lost".into()),
        FileKind::Picture => {}
    }
    match content.bytes {
        Some(bytes) => of_picture(|| Ok(Cursor::new(bytes))),
        None => of_picture(|| File::open(content.path).map(BufReader::new)),
    }
}

fn of_picture<R: BufRead + Seek>(open: impl Fn() -> std::io::Result<R>) -> Result<FrameMetadata, String> {
    let reader = open().and_then(|file| image::ImageReader::new(file).with_guessed_format());
    let (width, height) = match reader.map_err(|e| e.to_string())?.into_dimensions() {
        Ok((width, height)) => (width as usize, height as usize),
        // A grey TIFF of floats has a size too.
        Err(e) => open().ok().and_then(tiff_size).ok_or_else(|| e.to_string())?,
    };
    let mut file = open().map_err(|e| e.to_string())?;
    let Some(exif) = read_exif(&mut file) else {
        return Ok(FrameMetadata { width, height, ..FrameMetadata::default() });
    };
    let record = camera_record(&exif, width);
    let sideways = number(&exif, Tag::Orientation).is_some_and(|o| o >= 5.0);
    Ok(if sideways { record.into_metadata(height, width) } else { record.into_metadata(width, height) })
}

/// The names under which pictures that this program composed describe themselves, as XMP (`write`'s record).
const OWN_RECORD: &[u8] = b"urn:moonloom:picture:";

/// Whether a file is a picture that this program composed: no photograph, however many Moons it shows.
pub fn is_own_picture(path: &Path) -> bool {
    // Records stand at the beginning of JPEG and PNG, at the end of TIFF.
    const SAMPLE: u64 = 1 << 18;
    let part = |from_end: bool| -> Option<Vec<u8>> {
        let length = std::fs::metadata(path).ok().filter(std::fs::Metadata::is_file)?.len();
        let mut file = File::open(path).ok()?;
        let from = if from_end { length.saturating_sub(SAMPLE) } else { 0 };
        file.seek(SeekFrom::Start(from)).ok()?;
        let mut bytes = Vec::new();
        file.take(SAMPLE).read_to_end(&mut bytes).ok()?;
        Some(bytes)
    };
    [false, true].into_iter().any(|from_end| part(from_end).is_some_and(|bytes| has_own_record(&bytes)))
}

pub(super) fn has_own_record(bytes: &[u8]) -> bool {
    memchr::memmem::find(bytes, OWN_RECORD).is_some()
}

fn tiff_size(file: impl Read + Seek) -> Option<(usize, usize)> {
    let (width, height) = tiff::decoder::Decoder::new(file).ok()?.dimensions().ok()?;
    Some((width as usize, height as usize))
}
