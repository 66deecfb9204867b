//! What a camera sees before it exposes: a layer of light.

use crate::sky::CameraPointing;

/// One layer of pixels: radiance in RGB.
pub(super) struct Painting<'a> {
    pub pointing: &'a CameraPointing,
    pub width: usize,
    pub height: usize,
    pub radiance: Vec<[f32; 3]>,
}
