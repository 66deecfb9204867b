//! What the camera recorded: EXIF (CIPA DC-008 / Exif 2.32) and the image's size.

use super::notes::{ShootNotes, parse_offset};
use crate::units::{Exposure, Instant};
use exif::{Exif, In, Tag, Value};
use std::fs::File;
use std::io::BufReader;
use std::path::Path;

/// What is known of a frame before a pixel is decoded.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct FrameMetadata {
    /// Width as shown (after the orientation flag), pixels.
    pub width: usize,
    /// Height as shown, pixels.
    pub height: usize,
    /// Exposure, if recorded whole and plausible.
    pub exposure: Option<Exposure>,
    /// Shutter time alone, seconds (a telescope has no f-number to record).
    pub exposure_time_s: Option<f64>,
    /// Focal length, millimetres.
    pub focal_length_mm: Option<f64>,
    /// Camera model.
    pub camera_model: Option<String>,
    /// The clock's reading when the shutter opened: seconds since 1970 as if it were UTC.
    pub clock_reading_s: Option<f64>,
    /// Seconds that the clock's zone was ahead of UTC, if recorded.
    pub clock_offset_s: Option<i64>,
}

/// When a frame was taken and how that is known.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct CaptureTime {
    /// The middle of the exposure.
    pub middle: Instant,
    /// Whether anyone said what zone the clock was set to; otherwise UTC was assumed.
    pub zone_known: bool,
}

fn number(exif: &Exif, tag: Tag) -> Option<f64> {
    match &exif.get_field(tag, In::PRIMARY)?.value {
        Value::Rational(v) => v.first().filter(|r| r.denom != 0).map(exif::Rational::to_f64),
        Value::Short(v) => v.first().map(|n| f64::from(*n)),
        Value::Long(v) => v.first().map(|n| f64::from(*n)),
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

/// Seconds since 1970 of `YYYY:MM:DD HH:MM:SS`, read as UTC.
fn clock_reading(date: &str, sub_second: Option<&str>) -> Option<f64> {
    let civil = jiff::civil::DateTime::strptime("%Y:%m:%d %H:%M:%S", date).ok()?;
    let whole = jiff::tz::TimeZone::UTC.to_timestamp(civil).ok()?.as_second() as f64;
    // A camera that never had its clock set writes year 0 or its factory's first day.
    if civil.year() < 1990 {
        return None;
    }
    let part = sub_second.and_then(|s| format!("0.{}", s.trim()).parse::<f64>().ok()).unwrap_or(0.0);
    Some(whole + part)
}

fn from_exif(exif: &Exif, into: &mut FrameMetadata) {
    let positive = |v: Option<f64>| v.filter(|v| *v > 0.0 && v.is_finite());
    if let (Some(time), Some(n), Some(iso)) = (
        positive(number(exif, Tag::ExposureTime)),
        positive(number(exif, Tag::FNumber)),
        positive(number(exif, Tag::PhotographicSensitivity)),
    ) {
        into.exposure = Some(Exposure::new(time, n, iso));
    }
    into.exposure_time_s = positive(number(exif, Tag::ExposureTime));
    into.focal_length_mm = positive(number(exif, Tag::FocalLength));
    into.camera_model = text(exif, Tag::Model);
    let sub_second = text(exif, Tag::SubSecTimeOriginal);
    into.clock_reading_s =
        text(exif, Tag::DateTimeOriginal).and_then(|date| clock_reading(&date, sub_second.as_deref()));
    into.clock_offset_s = text(exif, Tag::OffsetTimeOriginal).and_then(|o| parse_offset(&o));
}

/// Reads the size and the camera's record; what is missing or absurd stays `None`.
///
/// # Errors
/// A sentence, when the file cannot be opened or is no image.
pub fn read_metadata(path: &Path) -> Result<FrameMetadata, String> {
    let mut out = FrameMetadata::default();
    let reader =
        image::ImageReader::open(path).and_then(image::ImageReader::with_guessed_format).map_err(|e| e.to_string())?;
    let (width, height) = reader.into_dimensions().map_err(|e| e.to_string())?;
    (out.width, out.height) = (width as usize, height as usize);
    let file = File::open(path).map_err(|e| e.to_string())?;
    if let Ok(exif) = exif::Reader::new().read_from_container(&mut BufReader::new(file)) {
        from_exif(&exif, &mut out);
        if number(&exif, Tag::Orientation).is_some_and(|o| o >= 5.0) {
            (out.width, out.height) = (out.height, out.width);
        }
    }
    Ok(out)
}

impl FrameMetadata {
    /// When the frame was taken, by the clock, the notes and the recorded offset.
    ///
    /// The notes win over the frame's own offset. The clock's reading is taken for the opening of
    /// the shutter; the middle of the exposure is what positions belong to.
    pub fn capture_time(&self, notes: Option<&ShootNotes>) -> Option<CaptureTime> {
        let reading = self.clock_reading_s?;
        let offset = notes.and_then(ShootNotes::clock_offset_s).or(self.clock_offset_s);
        let ahead = notes.map_or(0.0, |n| n.clock.ahead_s);
        let half = self.exposure_time_s.unwrap_or(0.0) / 2.0;
        let unix = reading - offset.unwrap_or(0) as f64 - ahead + half;
        let utc = jiff::Timestamp::from_microsecond((unix * 1e6).round() as i64).ok()?;
        Some(CaptureTime { middle: Instant::from_utc(utc), zone_known: offset.is_some() })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sub_seconds_are_digits_after_the_point() {
        let a = clock_reading("2029:01:01 00:52:07", Some("25")).unwrap();
        let b = clock_reading("2029:01:01 00:52:07", None).unwrap();
        assert!((a - b - 0.25).abs() < 1e-6);
    }

    #[test]
    fn a_clock_that_was_never_set_is_no_time() {
        assert_eq!(clock_reading("0000:00:00 00:00:00", None), None);
        assert_eq!(clock_reading("1980:01:01 00:00:00", None), None);
    }
}
