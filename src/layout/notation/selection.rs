//! Which frames are shown.

use super::length::Length;
use serde::{Deserialize, Serialize};

/// Which frames are shown; conditions add up. Frames that registration rejected or a person excluded never
/// come back unless `files` names them.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields, default)]
pub struct Selection {
    /// Only these files, in this order.
    pub files: Option<Vec<String>>,
    /// Frames of this rig: 0 is the one with most frames; those of `--also` come after; `All` shows every rig's. Left out, a
    /// sky track shows rig 0, and every other arrangement those whose Moon is at least a third as large as the largest.
    pub rig: Option<RigChoice>,
    /// The best frame at each of these moments, in this order: `P1`, `U1`, `U2`, `greatest`, `U3`, `U4`, `P4`; a share of the
    /// disc in the umbra, `25%` (both times), `25% in` or `25% out`; or a UTC instant (that of a frame's own middle, to half a
    /// second, is that frame).
    pub at: Option<Vec<String>>,
    /// How far from a moment a frame may lie, minutes (5 where it is left out); what has none stays an empty place.
    /// With `count`, the best frame this close to each even place is taken.
    pub within_minutes: Option<f64>,
    /// At least this many minutes apart: as many as fit, the better frames where there is a choice.
    pub minutes_apart: Option<f64>,
    /// At least this far apart along the track, such as `"1.3disc"`.
    pub apart: Option<Length>,
    /// This many, evenly spread over the night; discs that are hardly there (cut, in cloud) are passed over where others are enough.
    pub count: Option<usize>,
    /// Not before this: a UTC instant or a contact.
    pub from: Option<String>,
    /// Not after this.
    pub to: Option<String>,
    /// As `from`, by its older name.
    pub from_utc: Option<String>,
    /// As `to`, by its older name.
    pub to_utc: Option<String>,
    /// Leave out frames that are worse than this, 0 (anything) to 1 (only the sharpest, clearest and fairly
    /// exposed).
    pub least_quality: f64,
    /// What stands where no frame was taken: nothing, or a disc that no camera saw, which is then marked.
    pub missing: Missing,
}

impl Selection {
    /// Whether discs that were chosen by `count` are fewer than that.
    pub(in crate::layout) fn is_short(&self, discs: usize) -> bool {
        self.at.is_none() && self.files.is_none() && self.count.is_some_and(|count| discs < count)
    }
}

/// Which rigs' frames.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(untagged, expecting = "a rig's number, such as 1, or All")]
pub enum RigChoice {
    /// One rig's, by its number.
    One(usize),
    /// Those of all.
    Every(EveryRig),
}

/// The word for all rigs.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub enum EveryRig {
    /// Every rig's frames, each disc by its own plate scale.
    All,
}

/// What stands where no frame was taken.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub enum Missing {
    /// A gap stays a gap.
    #[default]
    Empty,
    /// A simulated disc, marked `simulated` in its label and in the file.
    Simulated,
}
