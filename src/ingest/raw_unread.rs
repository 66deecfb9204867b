//! What a build without the feature `raw` says of camera raw.

use super::FrameMetadata;
use super::mosaic::Mosaic;
use crate::raster::{ColourMatrix, LinearImage};
use image::metadata::Orientation;
use std::path::Path;

/// A raw file's pixels, of which there are none here.
#[expect(dead_code, reason = "what opens frames asks for either")]
pub(super) enum RawPixels {
    Mosaic(Mosaic),
    Light { image: LinearImage, matrix: ColourMatrix, marks: Vec<bool> },
}

const UNREAD: &str = "it is camera raw, which this build does not read (its feature `raw` was left out)";

pub(super) fn read_record(_: &Path) -> Result<FrameMetadata, String> {
    Err(UNREAD.into())
}

pub(super) fn develop_file(_: &Path) -> Result<(RawPixels, Orientation), String> {
    Err(UNREAD.into())
}
