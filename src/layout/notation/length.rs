//! Lengths as people write them: a bare number of pixels, or a text with a unit.

use serde::de::{self, Visitor};
use serde::{Deserialize, Deserializer, Serialize, Serializer};
use std::fmt;

/// A length with its unit.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Length {
    /// How many.
    pub value: f64,
    /// Of what.
    pub unit: Unit,
}

/// Units of length.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Unit {
    /// Pixels of the picture.
    Pixel,
    /// Millimetres of the print.
    Millimetre,
    /// Inches of the print.
    Inch,
    /// Points of the print, 72 to the inch.
    Point,
    /// Percent of the sheet's shorter side; of its own side, for a place.
    Percent,
    /// Diameters of a disc.
    Disc,
    /// Degrees of the sky.
    Degree,
}

const UNITS: [(&str, Unit); 7] = [
    ("px", Unit::Pixel),
    ("mm", Unit::Millimetre),
    ("in", Unit::Inch),
    ("pt", Unit::Point),
    ("%", Unit::Percent),
    ("disc", Unit::Disc),
    ("deg", Unit::Degree),
];

/// No length is longer, whatever its unit: the largest sheet has 60,000 pixels a side.
const LARGEST: f64 = 1e6;

impl Length {
    /// Pixels.
    pub const fn px(value: f64) -> Self {
        Length { value, unit: Unit::Pixel }
    }
    /// Millimetres.
    pub const fn mm(value: f64) -> Self {
        Length { value, unit: Unit::Millimetre }
    }
    /// Percent.
    pub const fn percent(value: f64) -> Self {
        Length { value, unit: Unit::Percent }
    }

    /// From a text such as `12.5 mm` or `4%`.
    pub fn parse(text: &str) -> Option<Self> {
        let text = text.trim();
        let at = text.find(|c: char| !(c.is_ascii_digit() || matches!(c, '.' | '-' | '+'))).unwrap_or(text.len());
        let value: f64 = text[..at].parse().ok().filter(|v: &f64| v.abs() <= LARGEST)?;
        let name = text[at..].trim();
        let name = if name == "discs" { "disc" } else { name };
        let unit = if name.is_empty() { Unit::Pixel } else { UNITS.iter().find(|(n, _)| *n == name)?.1 };
        Some(Length { value, unit })
    }
}

/// What lengths are measured against.
#[derive(Clone, Copy, Debug)]
pub struct Measure {
    /// Pixels per inch of the print.
    pub dots_per_inch: f64,
    /// What a percent is a hundredth of, pixels.
    pub whole_px: f64,
    /// Diameter of a disc, pixels, where discs have one.
    pub disc_px: Option<f64>,
    /// Pixels of a degree of the sky, where the sheet shows sky.
    pub degree_px: Option<f64>,
}

impl Length {
    /// In pixels; `None` where its unit means nothing.
    pub fn to_px(self, by: &Measure) -> Option<f64> {
        Some(match self.unit {
            Unit::Pixel => self.value,
            Unit::Millimetre => self.value / 25.4 * by.dots_per_inch,
            Unit::Inch => self.value * by.dots_per_inch,
            Unit::Point => self.value / 72.0 * by.dots_per_inch,
            Unit::Percent => self.value / 100.0 * by.whole_px,
            Unit::Disc => self.value * by.disc_px?,
            Unit::Degree => self.value * by.degree_px?,
        })
    }
}

impl Length {
    /// So many pixels in a unit, as finely as a hand can lay something on a sheet (a tenth of a percent, of a millimetre or a point;
    /// a hundredth of an inch, a disc or a degree); `None` where the unit means nothing.
    pub fn from_px(px: f64, unit: Unit, by: &Measure) -> Option<Self> {
        let one = Length { value: 1.0, unit }.to_px(by).filter(|one| *one > 0.0)?;
        let steps = match unit {
            Unit::Pixel => 1.0,
            Unit::Millimetre | Unit::Point | Unit::Percent => 10.0,
            Unit::Inch | Unit::Disc | Unit::Degree => 100.0,
        };
        let value = (px / one * steps).round() / steps;
        (value.abs() <= LARGEST).then_some(Length { value, unit })
    }
}

impl fmt::Display for Length {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let name = UNITS.iter().find(|(_, u)| *u == self.unit).map_or("px", |(n, _)| n);
        write!(f, "{}{name}", self.value)
    }
}

impl Serialize for Length {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        match self.unit {
            Unit::Pixel => serializer.serialize_f64(self.value),
            _ => serializer.collect_str(self),
        }
    }
}

impl<'de> Deserialize<'de> for Length {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct Read;
        impl Visitor<'_> for Read {
            type Value = Length;
            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("a length: a number of pixels, or a text such as \"12mm\", \"0.5in\", \"9pt\", \"4%\", \"1.2disc\" or \"0.5deg\"")
            }
            fn visit_f64<E: de::Error>(self, value: f64) -> Result<Length, E> {
                if value.abs() <= LARGEST {
                    Ok(Length::px(value))
                } else {
                    Err(E::custom(format!("a length of {value} pixels: nothing on a sheet is that long")))
                }
            }
            fn visit_i64<E: de::Error>(self, value: i64) -> Result<Length, E> {
                self.visit_f64(value as f64)
            }
            fn visit_u64<E: de::Error>(self, value: u64) -> Result<Length, E> {
                self.visit_f64(value as f64)
            }
            fn visit_str<E: de::Error>(self, text: &str) -> Result<Length, E> {
                Length::parse(text).ok_or_else(|| E::invalid_value(de::Unexpected::Str(text), &self))
            }
        }
        deserializer.deserialize_any(Read)
    }
}

#[cfg(feature = "schema")]
impl schemars::JsonSchema for Length {
    fn schema_name() -> std::borrow::Cow<'static, str> {
        "Length".into()
    }
    fn json_schema(_: &mut schemars::SchemaGenerator) -> schemars::Schema {
        schemars::json_schema!({
            "description": "A length: a bare number of pixels, or a text with a unit: px, mm, in, pt (of the print), % (of the sheet's shorter side), disc (diameters), deg (of the sky).",
            "anyOf": [{"type": "number"}, {"type": "string", "pattern": "^[-+0-9.]+ *(px|mm|in|pt|%|discs?|deg)?$"}]
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lengths_are_read_and_measured() {
        let by = Measure { dots_per_inch: 300.0, whole_px: 2000.0, disc_px: Some(80.0), degree_px: None };
        let px = |text: &str| Length::parse(text).and_then(|l| l.to_px(&by));
        assert_eq!(px("25.4 mm"), Some(300.0));
        assert_eq!(px("36pt"), Some(150.0));
        assert_eq!(px("5%"), Some(100.0));
        assert_eq!(px("1.5 discs"), Some(120.0));
        assert_eq!(px("12"), Some(12.0));
        assert_eq!(px("1deg"), None);
        let back = |px: f64, unit: Unit| Length::from_px(px, unit, &by).map(|l| l.to_string());
        assert_eq!(back(300.0, Unit::Millimetre).as_deref(), Some("25.4mm"));
        assert_eq!(back(101.3, Unit::Percent).as_deref(), Some("5.1%"));
        assert_eq!(back(100.0, Unit::Degree), None);
        assert_eq!(Length::parse("3 furlongs"), None);
        assert_eq!(Length::parse("1234567890 px"), None);
    }
}
