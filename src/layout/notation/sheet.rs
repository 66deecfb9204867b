//! The sheet and what is drawn on it besides discs.

use super::length::Length;
use serde::{Deserialize, Serialize};

/// The sheet.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields, default)]
pub struct Canvas {
    /// A paper by its name: A0 to A6, B0 to B4, letter, tabloid, with `landscape` behind it where it lies.
    /// It wins over width and height.
    pub page: Option<String>,
    /// Width.
    #[serde(alias = "width_px")]
    pub width: Length,
    /// Height.
    #[serde(alias = "height_px")]
    pub height: Length,
    /// Margin on all four sides.
    #[serde(alias = "margin_px")]
    pub margin: Length,
    /// Print resolution.
    pub dots_per_inch: f64,
    /// Background: a CSS colour name or `#rrggbb`.
    pub background: String,
    /// Colour of words and marks.
    pub ink: String,
    /// The colour space that those colours are given in.
    pub colours_in: ColoursIn,
}

impl Default for Canvas {
    fn default() -> Self {
        Canvas {
            page: None,
            width: Length::px(3600.0),
            height: Length::px(2400.0),
            margin: Length::percent(5.0),
            dots_per_inch: 300.0,
            background: "#07080c".into(),
            ink: "#c9c4b8".into(),
            colours_in: ColoursIn::Srgb,
        }
    }
}

/// The colour space of a layout's own colours.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub enum ColoursIn {
    /// As CSS means them.
    #[default]
    Srgb,
    /// For colours picked on a wide screen.
    DisplayP3,
}

/// Words beside the discs.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct Labels {
    /// Template: `{local:%H:%M}`, `{utc:%H:%M}`, `{contact}`, `{umbral}` (percent of the disc's area in the umbra),
    /// `{magnitude}`, `{altitude}`, `{azimuth}` (degrees), `{exposure}`, `{file}`. Numbers come with their unit, or
    /// bare with a number of decimals: `{umbral:.0}%`. `{local}` is by the clock's zone of the shoot notes or the
    /// frames; `{contact}` is empty unless one is within a minute and a half.
    pub text: String,
    /// Height of the letters' line.
    #[serde(default = "label_size", alias = "size_px")]
    pub size: Length,
    /// Label every n-th disc.
    #[serde(default = "every_disc")]
    pub every: usize,
}

fn label_size() -> Length {
    Length::percent(1.6)
}
fn every_disc() -> usize {
    1
}

/// Marks that explain the sky.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields, default)]
pub struct Marks {
    /// A bar of as many arcminutes as fit, where the sheet shows true sizes.
    pub scale_bar: bool,
    /// Which way celestial north and east, or the zenith, lie.
    pub compass: bool,
    /// The horizon, on sky.
    pub horizon: bool,
    /// The Moon's way, as a thin line.
    pub track: bool,
    /// A tick at each full hour of local time along the Moon's way.
    pub hour_ticks: bool,
    /// Where the Moon's centre was at the contacts.
    pub contacts: bool,
}
