//! A disc: which pixels of its frame it shows, where they lie, and what became of their light.

use super::development::BlendMode;
use crate::raster::{LinearMap, Matrix2, PixelPoint};
use serde::{Serialize, Serializer};

/// By how much a disc's linear light is multiplied.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Gain {
    /// By this factor.
    Factor(f32),
    /// So that its brighter part (98th percentile of the brightest channel, over the sky) comes to this
    /// level; by 256 or its inverse at most.
    ToLevel(f32),
}

/// Another frame of the same moment, merged into the disc.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Companion {
    /// The frame.
    pub frame: String,
    /// Centre of its disc, pixels of the frame.
    pub centre_px: (f64, f64),
    /// Its light over that of the placement's own frame, for the same radiance.
    pub light_ratio: f64,
}

/// What the sky did to a disc's light.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct DiscSky {
    /// Of the air before it.
    pub airmass: f64,
    /// Share of the disc's area in the penumbra.
    pub penumbral_fraction: f64,
    /// Expected radiance of its brighter part over the uneclipsed Moon's, red, green and blue.
    pub expected: [f64; 3],
}

/// The Earth's shadow as it lies on a disc of the source frame.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct ShadowOnDisc {
    /// From the disc's centre to the shadow's axis, pixels of the frame.
    pub axis_px: (f64, f64),
    /// Radius of the penumbra, pixels of the frame.
    pub penumbra_px: f64,
    /// The Moon's own radius, pixels of the frame.
    pub radius_px: f64,
    /// Light over the uneclipsed Moon's at even steps from the axis to the penumbra's edge, for eclipses from the darkest
    /// to the brightest (Danjon's grades 0 to 4): which of them it was, the disc itself tells.
    #[serde(skip)]
    pub grades: Vec<Vec<f32>>,
}

/// One disc.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Placement {
    /// The frame it comes from; of a simulated disc, its instant.
    pub frame: String,
    /// Whether no camera saw it: it is painted with celestial north up.
    pub simulated: bool,
    /// Which panel it belongs to; 0 where there is one arrangement.
    pub group: usize,
    /// Which backplate's foreground stands before it.
    pub behind_foreground: Option<usize>,
    /// Frames of the same moment that are merged into it.
    pub also: Vec<Companion>,
    /// Which rig took it; `None` of a simulated disc.
    pub rig: Option<usize>,
    /// How good its disc is, 0..1, and what it lacks most.
    pub quality: Option<f64>,
    /// What it lacks most, where that is worth a word.
    pub lacks: Option<&'static str>,
    /// Middle of the exposure, UTC.
    pub utc: String,
    /// Source pixels that its pixels take their light from.
    #[serde(serialize_with = "map_as_numbers")]
    pub map: LinearMap,
    /// Offset on the canvas to offset in disc radii: the limb is where its length is 1.
    pub to_disc: Matrix2,
    /// Radius on the canvas (of the circle of its area), pixels.
    pub radius_px: f64,
    /// Radius in the source frame as seen there, glare and all, pixels.
    pub source_radius_px: f64,
    /// Clockwise turn from the source to the canvas, radians.
    pub turn_rad: f64,
    /// Width of the limb in the source frame (Gaussian sigma), pixels, where it was measured.
    pub edge_width_px: Option<f64>,
    /// How much light one of the frame's values stands for, by the exposure: t x ISO / N^2.
    pub light_gain: Option<f64>,
    /// By how much its light is multiplied.
    pub gain: Gain,
    /// And besides by this, red, green and blue: a person's wish for this frame.
    pub nudge: [f32; 3],
    /// By how much an evened disc was raised; `None` before it is drawn, and of discs that are not evened.
    pub lift: Option<Lift>,
    /// What the sky did to its light, where site and time are known.
    pub sky: Option<DiscSky>,
    /// The shadow on it, where its orientation is known too.
    pub shadow: Option<ShadowOnDisc>,
    /// Softness of the limb, canvas pixels.
    pub feather_px: f64,
    /// Whether sky and glow around the source disc are subtracted.
    pub subtract_sky: bool,
    /// How it meets what is below.
    pub blend: BlendMode,
}

impl Placement {
    /// Where its centre lies on the canvas.
    pub fn centre(&self) -> PixelPoint {
        self.map.target_centre
    }
}

fn map_as_numbers<S: Serializer>(map: &LinearMap, serializer: S) -> Result<S::Ok, S::Error> {
    use serde::ser::SerializeStruct;
    let mut s = serializer.serialize_struct("map", 3)?;
    s.serialize_field("source_centre_px", &(map.source_centre.x, map.source_centre.y))?;
    s.serialize_field("canvas_centre_px", &(map.target_centre.x, map.target_centre.y))?;
    s.serialize_field("to_source", &map.to_source)?;
    s.end()
}

/// By how much a disc's light was raised to make it even with the others.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Lift {
    /// Stops that it got.
    pub stops: f64,
    /// Stops that evenness asked for: more where noise or the file's steps would have shown.
    pub asked_stops: f64,
}

impl Placement {
    /// How many pixels of its frame a side may be averaged before it is developed: nearly two are left for a pixel of the
    /// canvas (blocks take a tenth of its finest detail then), and a disc stays forty pixels in radius.
    pub fn block_px(&self) -> usize {
        let by_canvas = (self.map.reduction() / 1.85).floor();
        let by_disc = (self.source_radius_px / 40.0).floor();
        by_canvas.min(by_disc).max(1.0) as usize
    }

    /// The same with its frame counted in blocks of so many pixels a side.
    pub fn in_blocks(&self, block_px: usize) -> Placement {
        let by = block_px.max(1) as f64;
        let point = |(x, y): (f64, f64)| (x / by, y / by);
        let mut p = self.clone();
        p.map.source_centre = PixelPoint::new(p.map.source_centre.x / by, p.map.source_centre.y / by);
        p.map.to_source = p.map.to_source.map(|row| row.map(|v| v / by));
        p.source_radius_px /= by;
        p.edge_width_px = p.edge_width_px.map(|w| w / by);
        p.also.iter_mut().for_each(|c| c.centre_px = point(c.centre_px));
        if let Some(s) = &mut p.shadow {
            s.axis_px = point(s.axis_px);
            s.penumbra_px /= by;
            s.radius_px /= by;
        }
        p
    }
}
