//! How the discs' light is treated.

use super::length::Length;
use crate::composition::{BlendMode, Sharpening};
use serde::{Deserialize, Serialize};

/// How the discs' light is treated.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields, default)]
pub struct Light {
    /// How exposures are evened out.
    pub normalization: Normalization,
    /// Brightness of a disc's brighter part after `Even`, 0..1 linear.
    pub even_level: f64,
    /// Frames of one moment joined into one disc: brackets to a high dynamic range, runs to less noise.
    pub merge: Option<Merging>,
    /// What is white.
    pub white_balance: WhiteBalance,
    /// Whether the dimming and reddening of the air stay.
    pub atmosphere: Atmosphere,
    /// How far the shadow is lifted towards the sunlit part by the known geometry of the shadow, 0..1:
    /// 0 leaves the light as it is; 0.6 shows sliver and copper in one disc. It needs brackets or camera raw: what a
    /// frame cannot tell stays dark.
    pub shadow_lift: f64,
    /// Sharpening of the discs.
    pub sharpening: Sharpening,
    /// Subtract the glow and sky around each disc.
    pub subtract_sky: bool,
    /// Softness of the mask at the limb.
    #[serde(alias = "feather_px")]
    pub feather: Length,
    /// How discs meet what is below them.
    pub blend: BlendMode,
}

impl Default for Light {
    fn default() -> Self {
        Light {
            normalization: Normalization::Even,
            even_level: 0.55,
            merge: None,
            white_balance: WhiteBalance::AsShot,
            atmosphere: Atmosphere::Kept,
            shadow_lift: 0.0,
            sharpening: Sharpening::Off,
            subtract_sky: true,
            feather: Length::px(1.5),
            blend: BlendMode::Lighten,
        }
    }
}

/// Which frames are one moment.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct Merging {
    /// Frames within this many seconds of each other are one moment.
    pub within_s: f64,
    /// Of the frames of equal exposure this share is kept, the sharpest first.
    #[serde(default = "all")]
    pub sharpest_share: f64,
}

fn all() -> f64 {
    1.0
}

/// What is white.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub enum WhiteBalance {
    /// As the camera decided.
    #[default]
    AsShot,
    /// The uneclipsed Moon of the night gets the Moon's own colour in sunlight, a little warmer than grey. Left as shot, and
    /// said, where the night shows no such Moon, shows it through much air, or in colours that contradict each other.
    Moon,
}

/// Whether the dimming and reddening of the air stay.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub enum Atmosphere {
    /// As the sky was: a rising Moon is dim and red.
    #[default]
    Kept,
    /// Removed by coefficients fitted to the night's own uneclipsed discs; kept, and said, where those do not tell.
    Fitted,
    /// Removed by given coefficients.
    Removed {
        /// Magnitudes per airmass for red, green and blue; a clear night at sea level has about
        /// (0.12, 0.18, 0.28).
        magnitudes: (f64, f64, f64),
    },
}

/// How exposures are evened out.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub enum Normalization {
    /// File values as they are.
    AsShot,
    /// Each disc's brighter part equally bright.
    Even,
    /// True ratios of light by exposure time, aperture and sensitivity, with one tone curve for the
    /// whole picture: full Moon at `even_level`, each stop below it `stop_height` stops below.
    Photometric {
        /// 1 keeps true ratios; 0.25 shows twelve stops as three.
        stop_height: f64,
    },
}
