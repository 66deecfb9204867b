//! The file that is written.

use serde::{Deserialize, Serialize};

/// The file that is written.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields, default)]
pub struct Output {
    /// Its colour space, whose profile is embedded.
    pub colour_space: ColourSpace,
    /// Its numbers.
    pub depth: Depth,
}

/// Colour spaces that pictures are written in.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub enum ColourSpace {
    /// For screens and for anyone (IEC 61966-2-1).
    #[default]
    Srgb,
    /// For the screens of today: a third more of red and green (SMPTE EG 432-1 primaries, D65).
    DisplayP3,
    /// What many print shops ask for: compatible with Adobe RGB (1998) (IEC 61966-2-5).
    AdobeRgbCompatible,
    /// All that the program knows of colour (ITU-R BT.2020), with its camera curve.
    Rec2020,
    /// The same, linear: for further work.
    LinearRec2020,
}

/// Numbers of a file; a kind of file that cannot hold them takes its nearest.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub enum Depth {
    /// Eight-bit integers.
    Eight,
    /// Sixteen-bit integers (OpenEXR: half-precision floats).
    #[default]
    Sixteen,
    /// Single-precision floats of linear light: TIFF and OpenEXR.
    Float,
}
