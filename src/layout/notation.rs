//! The layout file as a person writes it.

mod arrangement;
mod film;
mod length;
mod light;
mod output;
mod selection;
mod sheet;

pub use arrangement::{
    Along, Arrangement, Backplate, BackplateFit, Foreground, Order, Panel, Panels, Path, PhaseGrid, Place, ShadowMap,
    Sky, SkyProjection, SkyTrack, Spacing, Upright,
};
pub use film::{FilmPacing, Gaps};
pub use length::{Length, Measure, Unit};
pub use light::{Atmosphere, Light, Merging, Normalization, WhiteBalance};
pub use output::{ColourSpace, Depth, Output};
pub use selection::{EveryRig, Missing, RigChoice, Selection};
pub use sheet::{Canvas, ColoursIn, Labels, Marks};

use serde::{Deserialize, Serialize};

/// A whole layout file.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct LayoutFile {
    /// Version of this notation: 2. (1 is read, too: its names for lengths were other ones.)
    pub version: u32,
    /// Heading drawn on the picture and kept in the file's description. It and the lines below may hold names in braces:
    /// `{night}` (the shoot notes' title), `{eclipse}` (such as `Total lunar eclipse`),
    /// `{date}` (or `{date:%d.%m.%Y}`) and `{site}`.
    #[serde(default)]
    pub title: Option<String>,
    /// Smaller line under the title.
    #[serde(default)]
    pub subtitle: Option<String>,
    /// A line at the foot of the picture.
    #[serde(default)]
    pub caption: Option<String>,
    /// A small line in the lower right corner: whose picture it is.
    #[serde(default)]
    pub credit: Option<String>,
    /// A font file beside the layout (TrueType or OpenType) for all words; Inter Light is built in.
    #[serde(default)]
    pub font: Option<String>,
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
    /// Marks that explain the sky.
    #[serde(default)]
    pub marks: Marks,
    /// The file that is written.
    #[serde(default)]
    pub output: Output,
    /// How a film goes from one photograph to the next.
    #[serde(default)]
    pub film: FilmPacing,
}
