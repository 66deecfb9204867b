//! The frame below the discs.

use serde::Serialize;

/// A frame below the discs.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct BackplatePlacement {
    /// The frame.
    pub frame: String,
    /// Canvas pixels per frame pixel.
    pub scale: f64,
    /// Where its upper left corner lies on the canvas.
    pub corner_px: (f64, f64),
    /// Its size on the canvas.
    pub size_px: (f64, f64),
    /// Factor on linear light.
    pub gain: f32,
    /// What of it stands before the Moon.
    pub foreground: ForegroundPlacement,
    /// Its own Moon, where that would stand beside the picture's discs.
    pub own_moon: Option<OwnMoon>,
}

/// A backplate's own Moon, and the frame of the same aim that shows the sky there without it.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct OwnMoon {
    /// Its centre, pixels of the backplate's frame.
    pub centre_px: (f64, f64),
    /// How far its glow reaches, pixels of the frame.
    pub reach_px: f64,
    /// The frame that shows the sky there.
    pub from: String,
}

/// What of a backplate stands before the Moon.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum ForegroundPlacement {
    /// Nothing.
    Nothing,
    /// Where this picture, which has the backplate's size, is black.
    Mask(std::path::PathBuf),
    /// What is darker than this share of the sky around it.
    DarkerThanSky(f32),
}
