//! Pixels without meaning: images, their colour spaces, points, rectangles, similarities and stamps.
//!
//! Pixel coordinates have x to the right, y down and their origin at the top-left *corner*
//! of the image, so that the first pixel's centre is (0.5, 0.5).

mod coded;
mod colour;
mod cut_out;
mod geometry;
mod image;
mod plateau;
mod resample;
mod stamp;
mod tabulated;
mod transfer;

pub use coded::CodedPlane;
pub(crate) use coded::SMALLEST_STEP;
pub use colour::{ColourMatrix, Matrix3, RgbSpace, inverse, product};
pub use cut_out::CutOut;
pub use geometry::{LinearMap, Matrix2, PixelPoint, PixelRect, Similarity};
pub use image::{LinearImage, Plane};
pub(crate) use plateau::plateau;
pub use resample::{Kernel, block_side, resample, resample_where};
pub use stamp::Stamp;
pub use tabulated::Tabulated;
pub use transfer::TransferFunction;
