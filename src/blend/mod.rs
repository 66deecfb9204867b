//! A composition and its frames become pixels, band by band.
//!
//! `develop` turns a cut-out of a frame into a disc of light (sky subtracted); `mask` says how much of
//! each canvas pixel a disc covers; `composite` holds the W3C formulas; [`Renderer`] draws any range of
//! rows. Each pixel is computed by itself from the composition, so bands and threads change no bit.

mod composite;
mod develop;
mod mask;
mod render;

pub use develop::{DevelopedDisc, develop, source_window};
pub use render::{FramePixels, Renderer};
