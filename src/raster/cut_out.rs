//! A part of a frame as light, with what its numbers cannot tell.

use super::{LinearImage, PixelRect};

/// Light over a window of a frame.
#[derive(Clone, Debug, PartialEq)]
pub struct CutOut {
    /// Linear light in the working space.
    pub light: LinearImage,
    /// Which part of the frame it is.
    pub rect: PixelRect,
    /// Which pixels are at the end of the frame's scale and say only "at least this much".
    pub saturated: Vec<bool>,
    /// Light below which the frame's numbers tell nothing but their own steps.
    pub darkest_told: f32,
    /// The light of the file's smallest step above black; zero where noise hides it.
    pub step: f32,
}
