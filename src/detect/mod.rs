//! One frame's pixels, and the discs they show: no sky, no records.
//!
//! `sky_level` puts a frame on a log-like scale relative to its own sky; `candidates` lets edges vote for centres;
//! `limb` measures the limb along rays (`edge_profile` places each edge); `circle` fits it; `small_disc` models
//! the whole image of a disc of a few pixels and `faint` finds one that drowns in noise. `frame` is a frame made
//! ready, `look` one disc of it with what is kept (`cutout`) and what lies on either side of its circle (`rim`),
//! `search` all of them, best first. Useful by itself on any photograph: [`find_in_picture`].

mod candidates;
mod circle;
mod cutout;
mod edge_profile;
mod faint;
mod frame;
mod limb;
mod look;
mod metric;
mod rim;
mod search;
mod sky_level;
mod small_disc;

pub(crate) use circle::RadiusPrior;
pub(crate) use cutout::{Cutout, RADIUS, SIDE};
pub(crate) use faint::find_faint;
pub use frame::DiscFit;
pub(crate) use frame::{CONFIDENT, Expectation, Measured, Round, Shape};
pub(crate) use look::{Look, look_at};
pub(crate) use metric::Metric;
pub(crate) use search::find_discs;
pub(crate) use small_disc::{LARGEST_PX as SMALL_DISC_PX, Shading};

use crate::raster::CodedPlane;

/// Whether a disc is the Moon or something as large and as round: nothing much smaller need be looked for beside it.
pub(crate) fn is_beyond_doubt(fit: &DiscFit) -> bool {
    search::is_beyond_doubt(fit)
}

/// Any disc from a few pixels to nine tenths of the frame: what is looked for where only the pixels speak.
pub(crate) fn any_disc(width: usize, height: usize) -> Expectation<'static> {
    Expectation {
        from_px: 4.0,
        to_px: 0.55 * width.max(height) as f64,
        shape: &Round,
        radius: None,
        place_known: false,
    }
}

/// A disc of this confidence is believed without any other frame's help ([`DiscFit::confidence`]).
pub const BELIEVED: f64 = 1.0 / 3.0;

/// Discs in a bare picture, of which nothing is known: best first.
pub fn find_in_picture(picture: &CodedPlane) -> Vec<DiscFit> {
    let expected = any_disc(picture.width(), picture.height());
    let found = find_discs(&Measured::new(picture), &expected, 4);
    found.into_iter().map(|look| look.fit).collect()
}
