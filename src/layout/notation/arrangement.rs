//! Where the discs go.

use super::length::Length;
use super::selection::Selection;
use super::sheet::{Labels, Marks};
use serde::{Deserialize, Serialize};

/// Where the discs go.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub enum Arrangement {
    /// Each disc where the Moon really stood, over a frame of a fixed tripod or on open sky.
    SkyTrack(SkyTrack),
    /// Rows and columns of discs of one size.
    PhaseGrid(PhaseGrid),
    /// Each disc at its true offset from the centre of the Earth's shadow.
    ShadowMap(ShadowMap),
    /// Discs along a line, an arc, a spiral, an ellipse or any path.
    Path(Path),
    /// Regions of one poster, each with an arrangement of its own.
    Panels(Panels),
}

/// Discs along the true track.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct SkyTrack {
    /// What the discs are laid on.
    #[serde(default)]
    pub backplate: Backplate,
    /// Pixels of the picture per pixel of the backplate, where the picture takes its size.
    #[serde(default = "one")]
    pub scale: f64,
    /// How a frame below the discs meets the canvas; left out, the picture takes the frame's size and not the canvas's. In a
    /// panel the frame is always shown whole.
    #[serde(default)]
    pub fit: Option<BackplateFit>,
    /// Discs this many times their true size; 1 is honest. Enlarged discs are round, and the backplate's own Moon is taken
    /// out where another frame of the same aim shows the sky behind it.
    #[serde(default = "one")]
    pub enlarge: f64,
    /// A factor on the backplate's light: 2 brightens it by a stop, 0.5 darkens it by one.
    #[serde(default = "one")]
    pub backplate_gain: f64,
    /// What stands in front of the Moon.
    #[serde(default)]
    pub foreground: Foreground,
    /// Stretch enlarged discs and those of other rigs as the lens or the projection stretches the sky there (discs of the
    /// backplate's own rig at their true size always are).
    #[serde(default)]
    pub stretch: bool,
}

fn one() -> f64 {
    1.0
}

/// How a frame meets a canvas of another shape.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub enum BackplateFit {
    /// The canvas is full; the frame is cut beside the Moon's way, not across it, where there is a choice.
    Crop,
    /// The whole frame is shown, the canvas's background beside it.
    Whole,
}

/// What a sky track is laid on.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub enum Backplate {
    /// The first foreground frame of the shoot notes.
    #[default]
    Foreground,
    /// A frame by name.
    Frame(String),
    /// No frame: the canvas's background in the place and size of the rig's frames.
    Plain,
    /// No frame: sky in a projection, on the canvas.
    Sky(Sky),
}

/// Open sky on the canvas.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct Sky {
    /// How the sky is flattened.
    #[serde(default)]
    pub projection: SkyProjection,
    /// Azimuth (from north through east) and altitude at the middle of the canvas, degrees; by default the
    /// middle of the shown discs.
    #[serde(default)]
    pub centre_deg: Option<(f64, f64)>,
    /// How many degrees the canvas is wide; by default the discs fill it.
    #[serde(default)]
    pub width_deg: Option<f64>,
}

/// Projections of the sky, by their FITS WCS names (Calabretta & Greisen 2002).
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub enum SkyProjection {
    /// Gnomonic: straight lines stay straight, as in a rectilinear lens.
    Tan,
    /// Stereographic: discs keep their shape.
    #[default]
    Stg,
    /// Distances from the middle are true.
    Arc,
    /// Equal areas.
    Zea,
}

/// What stands in front of the Moon.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub enum Foreground {
    /// Nothing but what the blend mode makes of it.
    #[default]
    Nothing,
    /// A picture of the backplate's size beside the layout: white where the Moon may show, black where
    /// something stands before it.
    Mask(String),
    /// Whatever is darker than this share of the sky around it stands before the Moon: roofs, trees, a
    /// hill's edge.
    DarkerThanSky(f64),
}

/// Rows and columns.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct PhaseGrid {
    /// How many columns; fewer where `count` asks for more discs than the night gives.
    pub columns: usize,
    /// How many rows; fewer as the columns.
    pub rows: usize,
    /// Diameter of the discs, in just so many cells; by default they fill most of their cells.
    #[serde(default, alias = "disc_diameter_px")]
    pub disc_diameter: Option<Length>,
    /// Reading order or back and forth.
    #[serde(default)]
    pub order: Order,
    /// What points up in each disc.
    #[serde(default)]
    pub up: Upright,
}

/// How the cells of a grid are filled.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub enum Order {
    /// Left to right, then the next row.
    #[default]
    Reading,
    /// Back and forth, so that neighbours stay neighbours.
    Boustrophedon,
}

/// What points up in a disc.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
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
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct ShadowMap {
    /// Diameter of the discs; by default the whole map fills the sheet.
    #[serde(default, alias = "disc_diameter_px")]
    pub disc_diameter: Option<Length>,
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

/// A place on the sheet: across and down; percents are of the width and of the height.
pub type Place = (Length, Length);

/// Discs along a path.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct Path {
    /// The path of the discs' centres.
    pub along: Along,
    /// Evenly along it, or as time went by.
    #[serde(default)]
    pub spacing: Spacing,
    /// Diameter of the discs; by default neighbours almost touch.
    #[serde(default)]
    pub disc_diameter: Option<Length>,
    /// What points up in each disc.
    #[serde(default)]
    pub up: Upright,
}

/// Paths. Angles in degrees from the right, clockwise as seen.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub enum Along {
    /// A straight line.
    Line {
        /// The first disc.
        from: Place,
        /// The last disc.
        to: Place,
    },
    /// A part of a circle.
    Arc {
        /// Its centre.
        centre: Place,
        /// Its radius.
        radius: Length,
        /// Where it begins.
        from_deg: f64,
        /// Where it ends.
        to_deg: f64,
    },
    /// An ellipse or a part of it.
    Ellipse {
        /// Its centre.
        centre: Place,
        /// Its radii, across and down.
        radii: Place,
        /// Where it begins.
        from_deg: f64,
        /// Where it ends.
        to_deg: f64,
    },
    /// A spiral whose turns lie evenly apart.
    Spiral {
        /// Its centre.
        centre: Place,
        /// Radius at which it begins.
        inner: Length,
        /// Radius at which it ends.
        outer: Length,
        /// How many turns it makes; negative ones run anticlockwise.
        turns: f64,
        /// Where it begins.
        from_deg: f64,
    },
    /// The `d` of an SVG path (W3C SVG 2, chapter 9).
    Svg {
        /// The path.
        path: String,
        /// Width and height of its drawing, which is fitted onto the sheet; without it, numbers are pixels.
        #[serde(default)]
        view_box: Option<(f64, f64)>,
    },
}

/// How discs are spaced along a path.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub enum Spacing {
    /// Even distances.
    #[default]
    ByLength,
    /// Distances as the times between the frames.
    ByTime,
}

/// Regions of one poster.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct Panels {
    /// The regions, later ones above.
    pub panels: Vec<Panel>,
}

/// One region with an arrangement of its own.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct Panel {
    /// Its upper left corner.
    pub at: Place,
    /// Its width and height.
    pub size: Place,
    /// Where its discs go; no panels within panels.
    pub arrangement: Box<Arrangement>,
    /// Which frames it shows; by default those of the whole layout.
    #[serde(default)]
    pub selection: Option<Selection>,
    /// Words beside its discs; by default those of the whole layout, if it has any.
    #[serde(default)]
    pub labels: Option<Labels>,
    /// Marks in it.
    #[serde(default)]
    pub marks: Marks,
    /// A heading of its own.
    #[serde(default)]
    pub title: Option<String>,
}
