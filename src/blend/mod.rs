//! A composition and its frames become pixels, band by band.
//!
//! `develop` turns the cut-outs of a moment into a disc of light: `sky_model` subtracts the sky and `white`
//! leaves burnt light white, `align` and
//! `merge` join brackets and runs, `lift` brings the shadow up, `sharpen` undoes blur, `steps` softens what eight bits leave of the dark. `normalise` says by how much each disc
//! is multiplied once all are measured, `grain` how much a disc bears; `mask` how much of each canvas pixel a disc covers; `composite` holds
//! the W3C formulas; [`Renderer`] draws any range of rows. Each pixel is computed by itself from the
//! composition, so bands and threads change no bit.

mod align;
mod bands;
mod composite;
mod develop;
mod disc;
mod grain;
mod lift;
mod mask;
mod merge;
mod normalise;
mod render;
mod sharpen;
mod sky_model;
mod steps;
mod white;

pub use develop::{develop, source_window};
pub use disc::{Clipped, DevelopedDisc, DiscMeasure, Photographed, Step};
pub use grain::most_lift;
pub use normalise::{Borne, Normalised, normalise};
pub use render::{FramePixels, Renderer, disc_rows};
