//! Words and marks.

use serde::Serialize;

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
