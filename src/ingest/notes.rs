//! `shoot.ron`: what the camera did not record.

use super::ignored::Ignored;
use crate::camera::Mount;
use crate::diag::{Diagnostic, Span, read_ron};
use crate::raster::TransferFunction;
use crate::sky::Observer;
use serde::{Deserialize, Serialize};
use std::path::Path;

/// The notes of one folder of frames.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ShootNotes {
    /// Version of this notation; 1.
    pub version: u32,
    /// Name of the night or the place, for titles.
    #[serde(default)]
    pub title: Option<String>,
    /// Where the camera stood.
    #[serde(default)]
    pub site: Option<Site>,
    /// How the camera's clock relates to UTC.
    #[serde(default)]
    pub clock: Clock,
    /// Lens and sensor.
    #[serde(default)]
    pub optics: Optics,
    /// What held the camera.
    #[serde(default)]
    pub mount: Mount,
    /// Whether file values are sRGB-coded (default) or proportional to light.
    #[serde(default)]
    pub linear_values: bool,
    /// Frames of the landscape alone, to lay Moons on.
    #[serde(default)]
    pub foreground: Vec<String>,
    /// The camera's response as a table beside the frames (see `moonloom response`); without one, JPEGs are
    /// read by their profile or as sRGB.
    #[serde(default)]
    pub response: Option<String>,
    /// Dark, flat and bias frames.
    #[serde(default)]
    pub calibration: Calibration,
    /// What of every frame is no photograph: a border, a caption, a date in a corner.
    #[serde(default, skip_serializing_if = "Ignored::is_empty")]
    pub ignore: Ignored,
}

/// Frames that show what the camera adds by itself: file names, or folders of them, beside the frames.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Calibration {
    /// Cap on, as long as the night's frames.
    pub dark: Vec<String>,
    /// Cap on, as short as can be.
    pub bias: Vec<String>,
    /// An even surface through the same optics.
    pub flat: Vec<String>,
    /// Whether single glowing sites are repaired; by default in camera raw and FITS, whose maker has not, and on discs.
    #[serde(alias = "mend_hot_pixels")]
    pub repair_hot_pixels: Option<bool>,
}

/// Geodetic place, WGS84.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Site {
    /// Degrees, north positive.
    pub latitude_deg: f64,
    /// Degrees, east positive.
    pub longitude_deg: f64,
    /// Metres above sea level.
    #[serde(default)]
    pub elevation_m: f64,
}

/// The camera's clock.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Clock {
    /// What the clock was set to, as an offset such as `+08:00`; `None` takes the frame's own word.
    #[serde(default)]
    pub utc_offset: Option<String>,
    /// How many seconds the clock was ahead of that.
    #[serde(default)]
    pub ahead_s: f64,
    /// The zone that labels and titles tell, where it is not the camera's: an offset such as `+08:00`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub label_offset: Option<String>,
}

/// What turns an angle into pixels.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Optics {
    /// Overrides the focal length in the frames, millimetres.
    #[serde(default)]
    pub focal_length_mm: Option<f64>,
    /// Width of the sensor, millimetres.
    #[serde(default)]
    pub sensor_width_mm: Option<f64>,
    /// Spacing of pixels, micrometres (wins over the sensor's width).
    #[serde(default)]
    pub pixel_pitch_um: Option<f64>,
}

impl ShootNotes {
    /// Reads and checks the notes.
    ///
    /// # Errors
    /// A [`Diagnostic`] that points at the fault.
    pub fn parse(path: &Path, text: &str) -> Result<Self, Diagnostic> {
        let notes: ShootNotes = read_ron(path, text)?;
        let fault = |names: &[&str], message: String, help: &str| {
            let mut d = Diagnostic::error("notes-value", message).with_help(help);
            d.span = Span::of_field(path, text, names);
            Err(d)
        };
        if notes.version != 1 {
            return fault(
                &["version"],
                format!("version {} of the shoot notes is not known", notes.version),
                "this program reads version 1",
            );
        }
        if let Some(site) = notes.site
            && let Err(e) = site.observer()
        {
            return fault(&["site"], e.to_string(), "give degrees north and east, metres above the sea");
        }
        for (field, offset) in [("utc_offset", &notes.clock.utc_offset), ("label_offset", &notes.clock.label_offset)] {
            if let Some(offset) = offset
                && parse_offset(offset).is_none()
            {
                return fault(
                    &["clock", field],
                    format!("`{offset}` is not an offset from UTC"),
                    "write it like \"+08:00\" or \"-03:30\"",
                );
            }
        }
        let c = &notes.calibration;
        for (field, names) in [("dark", &c.dark), ("bias", &c.bias), ("flat", &c.flat)] {
            if let Some(name) = names.iter().find(|n| !lies_beside(n)) {
                return fault(
                    &["calibration", field],
                    format!("`{name}` is no file or folder beside the frames"),
                    "give names without `..` and without a leading slash",
                );
            }
        }
        if let Some(name) = notes.response.as_ref().filter(|name| !lies_beside(name)) {
            let message = format!("`{name}` is no file beside the frames");
            return fault(&["response"], message, "copy the response beside the frames and give its name alone");
        }
        if !notes.clock.ahead_s.is_finite() || notes.clock.ahead_s.abs() > 4e9 {
            return fault(
                &["clock", "ahead_s"],
                format!("a clock {} s ahead cannot be put right", notes.clock.ahead_s),
                "give seconds; whole hours belong into `utc_offset`",
            );
        }
        let positive = [
            ("focal_length_mm", notes.optics.focal_length_mm, 0.5..=50_000.0),
            ("sensor_width_mm", notes.optics.sensor_width_mm, 1.0..=300.0),
            ("pixel_pitch_um", notes.optics.pixel_pitch_um, 0.3..=200.0),
        ];
        for (name, value, range) in positive {
            if value.is_some_and(|v| !range.contains(&v)) {
                return fault(
                    &["optics", name],
                    format!("`{name}` is not between {} and {}", range.start(), range.end()),
                    "give the length in the unit of its name",
                );
            }
        }
        Ok(notes)
    }

    /// Seconds that the clock's zone is ahead of UTC, if the notes say.
    pub fn clock_offset_s(&self) -> Option<i64> {
        self.clock.utc_offset.as_deref().and_then(parse_offset)
    }

    /// The clock that labels and titles go by, if the notes say.
    pub(crate) fn label_zone(&self) -> Option<jiff::tz::TimeZone> {
        let seconds = i32::try_from(self.label_offset_s()?).ok()?;
        jiff::tz::Offset::from_seconds(seconds).ok().map(jiff::tz::TimeZone::fixed)
    }

    /// Seconds that the zone of labels and titles is ahead of UTC, if the notes say: their own, or the camera's.
    pub fn label_offset_s(&self) -> Option<i64> {
        self.clock.label_offset.as_deref().and_then(parse_offset).or_else(|| self.clock_offset_s())
    }

    /// How file values stand for light.
    pub fn transfer(&self) -> Option<TransferFunction> {
        self.linear_values.then_some(TransferFunction::Linear)
    }
}

impl Site {
    /// As the sky wants it.
    ///
    /// # Errors
    /// [`crate::sky::SiteError`] when the place lies off the globe.
    pub fn observer(&self) -> Result<Observer, crate::sky::SiteError> {
        Observer::new(self.latitude_deg, self.longitude_deg, self.elevation_m)
    }
}

/// Whether a name is that of a file or folder beside the frames or below them: notes may come from anybody.
fn lies_beside(name: &str) -> bool {
    let parts = Path::new(name).components();
    !name.is_empty() && parts.into_iter().all(|c| matches!(c, std::path::Component::Normal(_)))
}

/// Seconds ahead of UTC of an offset like `+08:00`, `-0330` or `Z`.
pub(super) fn parse_offset(text: &str) -> Option<i64> {
    let text = text.trim();
    if text == "Z" {
        return Some(0);
    }
    let (sign, digits) = match text.split_at_checked(1)? {
        ("+", rest) => (1, rest),
        ("-", rest) => (-1, rest),
        _ => return None,
    };
    let digits: String = digits.chars().filter(|c| *c != ':').collect();
    if !matches!(digits.len(), 2 | 4) || !digits.bytes().all(|b| b.is_ascii_digit()) {
        return None;
    }
    let hours: i64 = digits[..2].parse().ok()?;
    let minutes: i64 = if digits.len() == 4 { digits[2..].parse().ok()? } else { 0 };
    (hours <= 14 && minutes < 60).then_some(sign * (hours * 3600 + minutes * 60))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_older_name_is_read() {
        let notes =
            ShootNotes::parse(Path::new("shoot.ron"), "(version: 1, calibration: (mend_hot_pixels: true))").unwrap();
        assert_eq!(notes.calibration.repair_hot_pixels, Some(true));
    }

    #[test]
    fn offsets_are_read_as_people_write_them() {
        assert_eq!(parse_offset("+08:00"), Some(28_800));
        assert_eq!(parse_offset("-0330"), Some(-12_600));
        assert_eq!(parse_offset("Z"), Some(0));
        assert_eq!(parse_offset("Perth"), None);
    }

    #[test]
    fn a_place_off_the_globe_is_pointed_at() {
        let text = "(\n    version: 1,\n    site: (latitude_deg: 95.0, longitude_deg: 0.0),\n)";
        let fault = ShootNotes::parse(Path::new("shoot.ron"), text).unwrap_err();
        assert_eq!(fault.span.unwrap().line, 3);
    }
}
