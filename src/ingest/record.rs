//! What a camera recorded of a frame, judged: what is missing or absurd is not known.

use super::notes::{ShootNotes, Site, parse_offset};
use crate::units::{Exposure, Instant};
use serde::{Deserialize, Serialize};

/// What is known of a frame before a pixel is decoded.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct FrameMetadata {
    /// Width as shown (after the orientation flag), pixels.
    pub width: usize,
    /// Height as shown, pixels.
    pub height: usize,
    /// Exposure, if known whole and plausible.
    pub exposure: Option<Exposure>,
    /// Shutter time alone, seconds (a telescope has no f-number to record).
    pub exposure_time_s: Option<f64>,
    /// Focal ratio.
    pub f_number: Option<f64>,
    /// ISO speed.
    pub iso: Option<f64>,
    /// Focal length, millimetres.
    pub focal_length_mm: Option<f64>,
    /// What that would be on a frame of 36 x 24 mm (Exif 2.32, FocalLengthIn35mmFilm).
    pub equivalent_focal_length_mm: Option<f64>,
    /// How much the camera enlarged the middle of its picture, above 1 (Exif 2.32, DigitalZoomRatio).
    pub digital_zoom: Option<f64>,
    /// Spacing of the frame's pixels on the sensor, micrometres.
    pub pixel_pitch_um: Option<f64>,
    /// Camera model.
    pub camera_model: Option<String>,
    /// The clock's reading when the shutter opened: seconds since 1970 as if it were UTC.
    pub clock_reading_s: Option<f64>,
    /// Seconds that the clock's zone was ahead of UTC, if recorded.
    pub clock_offset_s: Option<i64>,
    /// Seconds that the zone of its label is ahead of UTC, where `frames.csv` tells one of its own.
    pub label_offset_s: Option<i64>,
    /// Whether the reading is UTC whatever zone the notes name (FITS).
    pub clock_is_utc: bool,
    /// Where the camera's receiver says it stood.
    pub place: Option<Site>,
}

/// When a frame was taken and how that is known.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct CaptureTime {
    /// The middle of the exposure.
    pub middle: Instant,
    /// Whether anyone said what zone the clock was set to; otherwise UTC was assumed.
    pub zone_known: bool,
}

/// A camera's record in its own words, before it is judged.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub(super) struct CameraRecord {
    pub exposure_time_s: Option<f64>,
    pub f_number: Option<f64>,
    pub iso: Option<f64>,
    pub focal_length_mm: Option<f64>,
    pub equivalent_focal_length_mm: Option<f64>,
    pub digital_zoom: Option<f64>,
    pub pixel_pitch_um: Option<f64>,
    pub camera_model: Option<String>,
    pub date_time: Option<String>,
    pub sub_second: Option<String>,
    pub offset: Option<String>,
    pub place: Option<Site>,
}

impl CameraRecord {
    /// What is missing or absurd stays `None`.
    pub(super) fn into_metadata(self, width: usize, height: usize) -> FrameMetadata {
        let within = |v: Option<f64>, least: f64, most: f64| v.filter(|v| (least..=most).contains(v));
        let mut out = FrameMetadata {
            width,
            height,
            exposure_time_s: within(self.exposure_time_s, 1e-6, 1e5),
            f_number: within(self.f_number, 0.3, 1000.0),
            iso: within(self.iso, 1.0, 1e7),
            focal_length_mm: within(self.focal_length_mm, 0.5, 50_000.0),
            // Nought stands for `not known`, and a zoom of 1 or nought for none.
            equivalent_focal_length_mm: within(self.equivalent_focal_length_mm, 1.0, 50_000.0),
            digital_zoom: within(self.digital_zoom, 1.01, 1000.0),
            pixel_pitch_um: within(self.pixel_pitch_um, 0.3, 200.0),
            camera_model: self.camera_model,
            clock_reading_s: self.date_time.and_then(|date| clock_reading(&date, self.sub_second.as_deref())),
            clock_offset_s: self.offset.and_then(|o| parse_offset(&o)),
            // A receiver without a fix writes nought and nought.
            place: self.place.filter(|p| p.observer().is_ok() && (p.latitude_deg, p.longitude_deg) != (0.0, 0.0)),
            exposure: None,
            label_offset_s: None,
            clock_is_utc: false,
        };
        out.complete_exposure();
        out
    }
}

/// Seconds since 1970 of `YYYY:MM:DD HH:MM:SS`, read as UTC.
fn clock_reading(date: &str, sub_second: Option<&str>) -> Option<f64> {
    let civil = jiff::civil::DateTime::strptime("%Y:%m:%d %H:%M:%S", date.trim()).ok()?;
    let whole = jiff::tz::TimeZone::UTC.to_timestamp(civil).ok()?.as_second() as f64;
    // A camera that never had its clock set writes year 0 or its factory's first day.
    if civil.year() < 1990 {
        return None;
    }
    let part = sub_second.and_then(|s| format!("0.{}", s.trim()).parse::<f64>().ok()).unwrap_or(0.0);
    Some(whole + part)
}

impl FrameMetadata {
    /// Whether a camera speaks in it: of a time, or an exposure.
    pub(super) fn says_when_or_how_long(&self) -> bool {
        self.exposure_time_s.is_some() || self.clock_reading_s.is_some()
    }

    /// The whole exposure, when its three parts are known.
    pub(super) fn complete_exposure(&mut self) {
        self.exposure = match (self.exposure_time_s, self.f_number, self.iso) {
            (Some(time), Some(n), Some(iso)) => Some(Exposure::new(time, n, iso)),
            _ => None,
        };
    }

    /// How many times as much light this frame gathered as another: by both whole exposures, or by both times where
    /// an aperture or a sensitivity is missing (one lens, one setting). `None` where neither tells.
    pub fn times_the_light_of(&self, other: &FrameMetadata) -> Option<f64> {
        match (self.exposure, other.exposure) {
            (Some(a), Some(b)) => Some(a.light_gain() / b.light_gain()),
            _ => Some(self.exposure_time_s? / other.exposure_time_s?),
        }
    }

    /// When the frame was taken, by the clock, the notes and the recorded offset.
    ///
    /// The notes win over the frame's own offset. The clock's reading is taken for the opening of
    /// the shutter; the middle of the exposure is what positions belong to.
    pub fn capture_time(&self, notes: Option<&ShootNotes>) -> Option<CaptureTime> {
        let noted = notes.filter(|_| !self.clock_is_utc).and_then(ShootNotes::clock_offset_s);
        let offset = noted.or(self.clock_offset_s);
        let ahead = notes.map_or(0.0, |n| n.clock.ahead_s);
        self.time_of(self.clock_reading_s? - offset.unwrap_or(0) as f64 - ahead, offset.is_some())
    }

    /// The middle of an exposure that began at a UTC instant, seconds since 1970.
    pub(super) fn time_of(&self, begins_unix_s: f64, zone_known: bool) -> Option<CaptureTime> {
        let middle = begins_unix_s + self.exposure_time_s.unwrap_or(0.0) / 2.0;
        let utc = jiff::Timestamp::from_microsecond((middle * 1e6).round() as i64).ok()?;
        Some(CaptureTime { middle: Instant::from_utc(utc), zone_known })
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

    #[test]
    fn an_exposure_of_nothing_is_not_known() {
        let record = CameraRecord {
            exposure_time_s: Some(0.0),
            f_number: Some(8.0),
            iso: Some(400.0),
            place: Some(Site { latitude_deg: 0.0, longitude_deg: 0.0, elevation_m: 0.0 }),
            ..CameraRecord::default()
        };
        let read = record.into_metadata(10, 10);
        assert_eq!((read.exposure, read.exposure_time_s, read.place), (None, None, None));
    }
}
