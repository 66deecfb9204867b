//! The layout file as a person writes it.

mod light;
mod output;

pub use light::{Atmosphere, BlendChoice, Light, Merging, Normalization, Sharpening, WhiteBalance};
pub use output::{ColourSpace, Depth, Output};

use serde::{Deserialize, Serialize};

/// A whole layout file.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct LayoutFile {
    /// Version of this notation; 1.
    pub version: u32,
    /// Heading drawn on the picture and kept in the file's description.
    #[serde(default)]
    pub title: Option<String>,
    /// Smaller line under the title.
    #[serde(default)]
    pub subtitle: Option<String>,
    /// The sheet. A sky track takes its size from the frames and only colours and resolution from here.
    #[serde(default)]
    pub canvas: Canvas,
    /// Where the discs go.
    pub arrangement: Arrangement,
    /// Which frames are shown.
    #[serde(default)]
    pub selection: Selection,
    /// How their light is treated.
    #[serde(default)]
    pub light: Light,
    /// Words beside the discs.
    #[serde(default)]
    pub labels: Option<Labels>,
    /// The file that is written.
    #[serde(default)]
    pub output: Output,
}

/// The sheet.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Canvas {
    /// Width in pixels.
    pub width_px: usize,
    /// Height in pixels.
    pub height_px: usize,
    /// Margin in pixels.
    pub margin_px: f64,
    /// Print resolution.
    pub dots_per_inch: f64,
    /// Background: a CSS colour name or `#rrggbb`, in sRGB.
    pub background: String,
    /// Colour of words and marks.
    pub ink: String,
}

impl Default for Canvas {
    fn default() -> Self {
        Canvas {
            width_px: 3600,
            height_px: 2400,
            margin_px: 120.0,
            dots_per_inch: 300.0,
            background: "#07080c".into(),
            ink: "#c9c4b8".into(),
        }
    }
}

/// Where the discs go.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub enum Arrangement {
    /// Each disc where the Moon really stood, over a frame of the same tripod.
    SkyTrack(SkyTrack),
    /// Rows and columns of discs of one size.
    PhaseGrid(PhaseGrid),
    /// Each disc at its true offset from the centre of the Earth's shadow.
    ShadowMap(ShadowMap),
}

/// Discs along the true track.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SkyTrack {
    /// What the discs are laid on.
    #[serde(default)]
    pub backplate: Backplate,
    /// Pixels of the picture per pixel of the backplate.
    #[serde(default = "one")]
    pub scale: f64,
    /// Discs this many times their true size; 1 is honest.
    #[serde(default = "one")]
    pub enlarge: f64,
    /// Brightens (above 1) or darkens the backplate.
    #[serde(default = "one")]
    pub backplate_gain: f64,
}

fn one() -> f64 {
    1.0
}

/// What a sky track is laid on.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub enum Backplate {
    /// The first foreground frame of the shoot notes.
    #[default]
    Foreground,
    /// A frame by name.
    Frame(String),
    /// No frame: the canvas's background.
    Plain,
}

/// Rows and columns.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PhaseGrid {
    /// How many columns.
    pub columns: usize,
    /// How many rows.
    pub rows: usize,
    /// Diameter of the discs; by default they fill most of their cells.
    #[serde(default)]
    pub disc_diameter_px: Option<f64>,
    /// Reading order or back and forth.
    #[serde(default)]
    pub order: Order,
    /// What points up in each disc.
    #[serde(default)]
    pub up: Upright,
}

/// How the cells of a grid are filled.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub enum Order {
    /// Left to right, then the next row.
    #[default]
    Reading,
    /// Back and forth, so that neighbours stay neighbours.
    Boustrophedon,
}

/// What points up in a disc.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub enum Upright {
    /// As the camera saw it.
    #[default]
    AsShot,
    /// The zenith.
    Zenith,
    /// Celestial north.
    North,
}

/// Discs around the Earth's shadow.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ShadowMap {
    /// Diameter of the discs; by default the whole map fills the sheet.
    #[serde(default)]
    pub disc_diameter_px: Option<f64>,
    /// Celestial north up, or the zenith at greatest eclipse.
    #[serde(default = "north")]
    pub up: Upright,
    /// Draw the edge of the umbra.
    #[serde(default = "yes")]
    pub umbra_outline: bool,
    /// Draw the edge of the penumbra.
    #[serde(default)]
    pub penumbra_outline: bool,
}

fn north() -> Upright {
    Upright::North
}
fn yes() -> bool {
    true
}

/// Which frames are shown; conditions add up.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Selection {
    /// Only these files, in this order.
    pub files: Option<Vec<String>>,
    /// Frames of this rig (0 is the one with most frames).
    pub rig: usize,
    /// At least this many minutes apart.
    pub minutes_apart: Option<f64>,
    /// This many, evenly spread over the night.
    pub count: Option<usize>,
    /// Not before this UTC instant.
    pub from_utc: Option<String>,
    /// Not after this UTC instant.
    pub to_utc: Option<String>,
}

/// Words beside the discs.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Labels {
    /// Template: `{local:%H:%M}`, `{utc:%H:%M}`, `{umbral}` (percent), `{altitude}`, `{exposure}`, `{file}`.
    pub text: String,
    /// Height of the letters' line, pixels.
    #[serde(default = "label_size")]
    pub size_px: f64,
    /// Label every n-th disc.
    #[serde(default = "every_disc")]
    pub every: usize,
}

fn label_size() -> f64 {
    44.0
}
fn every_disc() -> usize {
    1
}
