//! `truth.json`: what really was in each rehearsed frame.

use serde::{Deserialize, Serialize};

/// The truth of one rig's frames.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct Truth {
    /// `moonloom-truth-1`.
    pub schema: String,
    /// The rig's name.
    pub rig: String,
    /// Pixels per radian at the optical axis.
    pub focal_length_px: f64,
    /// Radial distortion.
    pub k1: f64,
    /// Seconds by which the camera's clock was ahead.
    #[serde(default)]
    pub clock_ahead_s: f64,
    /// One entry a frame, in time order.
    pub frames: Vec<FrameTruth>,
}

/// The truth of one frame; angles in degrees.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct FrameTruth {
    /// File name.
    pub file: String,
    /// The true middle of the exposure, UTC.
    pub utc: String,
    /// Whether any of the Moon's disc is inside the frame.
    pub moon_in_frame: bool,
    /// Centre of the disc, pixels (origin at the top-left corner), even outside the frame.
    pub x_px: Option<f64>,
    /// Downwards.
    pub y_px: Option<f64>,
    /// Radius of the circle of the disc's area, pixels.
    pub radius_px: Option<f64>,
    /// Share of the disc's area in the umbra.
    pub umbral_fraction: f64,
    /// Refracted altitude.
    pub altitude_deg: f64,
    /// Azimuth.
    pub azimuth_deg: f64,
    /// Position angle of the image's up direction at the Moon.
    pub up_position_angle_deg: f64,
    /// Whether the image is a mirror image of the sky.
    #[serde(default)]
    pub mirrored: bool,
    /// Share of the limb that is lit or copper enough, inside the frame and uncovered, 0..1; nothing of
    /// it is promised to be found below a seventh.
    #[serde(default = "whole")]
    pub limb_shown: f64,
    /// Camera azimuth, altitude and roll.
    pub camera_deg: [f64; 3],
    /// Shutter time, seconds.
    pub exposure_s: f64,
    /// Focal ratio.
    pub f_number: f64,
    /// ISO speed.
    pub iso: f64,
    /// How far the Moon moved during the exposure, pixels.
    pub trail_px: f64,
    /// What was done to the frame.
    pub mishaps: Vec<String>,
}

fn whole() -> f64 {
    1.0
}
