//! The composition: what is drawn, resolved to pixels and radians, in drawing order.

use super::notation::{BlendChoice, Sharpening};
use crate::raster::{LinearMap, Matrix2, PixelPoint};
use serde::{Serialize, Serializer};

/// One curve for the whole picture: out = white x (in / white)^exponent, by the brightest channel
/// so that colours keep their hue.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct ToneCurve {
    /// 1 changes nothing.
    pub exponent: f32,
    /// The light that keeps its value.
    pub white: f32,
}

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
    pub blend: BlendChoice,
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

/// Where a line of words stands relative to its point.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum TextAnchor {
    /// Centred on the point, hanging below it.
    BelowCentre,
    /// To the right of the point, on its level.
    RightMiddle,
    /// Left-aligned, hanging below the point.
    BelowLeft,
    /// Right-aligned, hanging below the point.
    BelowRight,
    /// To the left of the point, on its level.
    LeftMiddle,
    /// Centred above the point.
    AboveCentre,
}

/// The disc that a label belongs to: it may move to another side of it.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Beside {
    /// Centre of the disc, canvas pixels.
    pub x_px: f64,
    /// Downwards.
    pub y_px: f64,
    /// Radius of the disc, pixels.
    pub radius_px: f64,
}

/// A line of words to be drawn.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct TextRequest {
    /// The words.
    pub text: String,
    /// The point it belongs to, canvas pixels.
    pub x_px: f64,
    /// Downwards.
    pub y_px: f64,
    /// Where it stands relative to the point.
    pub anchor: TextAnchor,
    /// Height of a line, pixels.
    pub size_px: f64,
    /// Linear RGB.
    pub ink: [f32; 3],
    /// 0..1.
    pub opacity: f32,
    /// The disc that it belongs to, if any.
    pub beside: Option<Beside>,
}

/// A mark that is not words.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Mark {
    /// A circle's outline.
    Circle {
        /// Centre.
        x_px: f64,
        /// Downwards.
        y_px: f64,
        /// Radius, pixels.
        radius_px: f64,
        /// Thickness of the line, pixels.
        line_px: f64,
        /// Linear RGB.
        ink: [f32; 3],
        /// 0..1.
        opacity: f32,
    },
    /// A line through points.
    Line {
        /// The points, canvas pixels.
        points_px: Vec<(f64, f64)>,
        /// Thickness of the line, pixels.
        line_px: f64,
        /// Linear RGB.
        ink: [f32; 3],
        /// 0..1.
        opacity: f32,
    },
}

/// Everything that is drawn, in drawing order.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Composition {
    /// `moonloom-composition-2`.
    pub schema: &'static str,
    /// Width, pixels.
    pub width: usize,
    /// Height, pixels.
    pub height: usize,
    /// Print resolution.
    pub dots_per_inch: f64,
    /// Linear RGB below everything.
    pub background: [f32; 3],
    /// Frames below the discs.
    pub backplates: Vec<BackplatePlacement>,
    /// The discs, later ones above.
    pub placements: Vec<Placement>,
    /// How the light of all discs is developed.
    pub development: Development,
    /// The curve that all discs pass.
    pub tone: ToneCurve,
    /// Marks above the discs.
    pub marks: Vec<Mark>,
    /// Words above everything.
    pub texts: Vec<TextRequest>,
    /// The sheet's title, filled for the night.
    pub title: Option<String>,
    /// How the picture was made, for its metadata.
    pub description: String,
}

impl Placement {
    /// How many pixels of its frame a side may be averaged before it is developed: two are left for a pixel of the canvas, and
    /// a disc stays forty pixels in radius.
    pub fn block_px(&self) -> usize {
        let by_canvas = (self.map.reduction() / 2.0).floor();
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

impl Composition {
    /// Another picture as wide as this one, below it.
    pub(crate) fn append_below(&mut self, mut below: Composition) {
        let by = self.height as f64;
        self.height += below.height;
        below.backplates.iter_mut().for_each(|b| b.corner_px.1 += by);
        below.placements.iter_mut().for_each(|p| p.map.target_centre.y += by);
        for mark in &mut below.marks {
            match mark {
                Mark::Circle { y_px, .. } => *y_px += by,
                Mark::Line { points_px, .. } => points_px.iter_mut().for_each(|p| p.1 += by),
            }
        }
        for text in &mut below.texts {
            text.y_px += by;
            if let Some(beside) = &mut text.beside {
                beside.y_px += by;
            }
        }
        self.backplates.extend(below.backplates);
        self.placements.extend(below.placements);
        self.marks.extend(below.marks);
        self.texts.extend(below.texts);
    }

    /// The same picture with so many times its pixels a side.
    pub fn scaled(mut self, factor: f64) -> Self {
        self.width = (self.width as f64 * factor).round().max(1.0) as usize;
        self.height = (self.height as f64 * factor).round().max(1.0) as usize;
        self.dots_per_inch *= factor;
        for b in &mut self.backplates {
            b.scale *= factor;
            b.corner_px = (b.corner_px.0 * factor, b.corner_px.1 * factor);
            b.size_px = (b.size_px.0 * factor, b.size_px.1 * factor);
        }
        let smaller = |m: Matrix2| m.map(|row| row.map(|v| v / factor));
        for p in &mut self.placements {
            p.map.target_centre = PixelPoint::new(p.map.target_centre.x * factor, p.map.target_centre.y * factor);
            p.map.to_source = smaller(p.map.to_source);
            p.to_disc = smaller(p.to_disc);
            p.radius_px *= factor;
            p.feather_px *= factor;
        }
        for m in &mut self.marks {
            match m {
                Mark::Circle { x_px, y_px, radius_px, line_px, .. } => {
                    [x_px, y_px, radius_px, line_px].into_iter().for_each(|v| *v *= factor);
                }
                Mark::Line { points_px, line_px, .. } => {
                    *line_px *= factor;
                    points_px.iter_mut().for_each(|p| *p = (p.0 * factor, p.1 * factor));
                }
            }
        }
        for t in &mut self.texts {
            [&mut t.x_px, &mut t.y_px, &mut t.size_px].into_iter().for_each(|v| *v *= factor);
            if let Some(b) = &mut t.beside {
                [&mut b.x_px, &mut b.y_px, &mut b.radius_px].into_iter().for_each(|v| *v *= factor);
            }
        }
        self
    }
}
