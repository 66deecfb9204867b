//! How the light of all discs is developed, and how they meet what is below.

use serde::{Deserialize, Serialize};

/// One curve for the whole picture: out = white x (in / white)^exponent, by the brightest channel
/// so that colours keep their hue.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct ToneCurve {
    /// 1 changes nothing.
    pub exponent: f32,
    /// The light that keeps its value.
    pub white: f32,
}

/// What is done to the colours of all discs.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum AirTreatment {
    /// Nothing is removed.
    Kept,
    /// Removed by what the night's own discs tell of it; kept where they do not.
    Fitted,
    /// Removed by magnitudes per airmass.
    Removed([f64; 3]),
}

/// How the light of all discs is developed.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Development {
    /// The colour that the uneclipsed Moon gets, where white is anchored on it.
    pub moon_colour: Option<[f64; 3]>,
    /// What becomes of the air.
    pub air: AirTreatment,
    /// Exponent by which the shadow's light is divided out.
    pub shadow_lift: f32,
    /// Sharpening of the discs.
    pub sharpening: Sharpening,
}

/// Sharpening of the discs. Whatever is asked, nothing beyond the light nearby comes out at the limb: no ring.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub enum Sharpening {
    /// None.
    #[default]
    Off,
    /// Undoes the blur that was measured at each disc's limb.
    Deconvolution {
        /// Rounds; 5 is gentle, 20 much.
        rounds: usize,
    },
    /// Adds what a blur takes away.
    Unsharp {
        /// Of the blur, pixels of the frame.
        radius_px: f64,
        /// 0.5 is gentle, 2 much.
        amount: f64,
    },
}

/// Compositing by its W3C names (Compositing and Blending Level 1), in linear light.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub enum BlendMode {
    /// The disc covers what is below (`normal`).
    Normal,
    /// Product (`multiply`).
    Multiply,
    /// Light added as if projected twice (`screen`).
    Screen,
    /// Multiply or screen by what is below (`overlay`).
    Overlay,
    /// The darker of the two, channel by channel (`darken`).
    Darken,
    /// The lighter of the two, channel by channel (`lighten`).
    Lighten,
    /// `color-dodge`.
    ColorDodge,
    /// `color-burn`.
    ColorBurn,
    /// Multiply or screen by the disc (`hard-light`).
    HardLight,
    /// `soft-light`.
    SoftLight,
    /// `difference`.
    Difference,
    /// `exclusion`.
    Exclusion,
    /// The sum of both lights (`plus-lighter`).
    PlusLighter,
}
