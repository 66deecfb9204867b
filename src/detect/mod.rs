//! One frame's pixels, and the discs they show: no sky, no records.
//!
//! `sky_level` puts a frame on a log-like scale relative to its own sky; `candidates` lets edges vote for centres;
//! `limb` measures the limb along rays (`edge_profile` places each edge); `circle` fits it (`carried`: what a burnt sliver's glow carried outwards); `out_of_focus` finds the middle of a wide slope; `small_disc` models
//! the whole image of a disc of a few pixels, `burnt` places one whose lit part is white, and `faint` finds one that
//! drowns in noise. `frame` is a frame made ready, `trace` a circle through its limb, `look` one disc of it with what is
//! kept (`cutout`), what lies on either side of its circle (`rim`) and around it (`surroundings`), `search` all of them, best first; `smear` whether
//! a limb is wider in one direction. Useful by itself on any photograph: [`find_in_picture`].

mod burnt;
mod candidates;
mod carried;
mod circle;
mod cutout;
mod disc_light;
mod drawn;
mod edge_profile;
mod faint;
mod frame;
mod limb;
mod look;
mod metric;
mod out_of_focus;
mod rim;
mod search;
mod sectors;
mod sky_level;
mod small_disc;
mod smear;
mod surroundings;
mod trace;

pub(crate) use burnt::{Burnt, WHITE};
pub(crate) use circle::RadiusPrior;
pub(crate) use cutout::{Cutout, RADIUS, SIDE};
pub(crate) use faint::find_faint;
pub use frame::DiscFit;
pub(crate) use frame::{CONFIDENT, Expectation, Measured, Round, Shape};
pub(crate) use limb::LimbPoint;
pub(crate) use look::{Look, look_at};
pub(crate) use metric::Metric;
pub(crate) use search::find_discs;
pub(crate) use small_disc::{COPPER_TOLD_PX, LARGEST_PX as SMALL_DISC_PX, Shading};
pub use smear::Smear;

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

/// Discs in a bare picture, of which nothing is known: best first, at most four; none where none was seen.
///
/// Take the first, if its confidence is [`BELIEVED`]: over a landscape lamps and windows may be believed as well, behind the Moon.
/// Any size of picture will do, and discs of 4 px to half of the longer side; 24 megapixels take a fifth of a second or so.
///
/// ```
/// use moonloom::detect::{BELIEVED, find_in_picture};
/// use moonloom::raster::CodedPlane;
///
/// // A grey disc on black, as some decoder would hand it over.
/// let (width, height) = (200, 160);
/// let pixel = |i: usize| {
///     let (x, y) = ((i % width) as f64 + 0.5, (i / width) as f64 + 0.5);
///     [if (x - 100.0).hypot(y - 80.0) < 40.0 { 180 } else { 0 }; 3]
/// };
/// let bytes: Vec<u8> = (0..width * height).flat_map(pixel).collect();
/// let picture = CodedPlane::from_rgb8(width, height, &bytes).expect("the buffer has that size");
/// let moon = find_in_picture(&picture).into_iter().next().filter(|disc| disc.confidence() >= BELIEVED).expect("a disc");
/// assert!((moon.radius_px - 40.0).abs() < 0.1 && (moon.centre.x - 100.0).abs() < 0.1);
/// ```
///
/// # Accuracy
/// Of the fourteen photographs that the suite knows all are within the half to five percent to which their circles were measured.
/// A limb is placed where an eye sees it, half of its width outside the true one by a usual tone curve (below 26 px, where that is a
/// tenth, where light falls), and the stated standard deviations allow for that; a low Moon is the oval that its limb is, if most of it
/// is seen (eighteen rendered ones lie within 2 % of their place): on the sample frames and two nights of another simulator errors are 0.5 to 1.1 of them in the median
/// and up to 1.6 in nine of ten, but for half-lit discs that the air flattens, which no single picture tells. A night knows better:
/// [`register`](crate::solve::register) fits each disc again with what all frames say of radius, lens and air.
pub fn find_in_picture(picture: &CodedPlane) -> Vec<DiscFit> {
    let expected = any_disc(picture.width(), picture.height());
    let found = find_discs(&Measured::new(picture), &expected, 4);
    found.into_iter().map(|look| look.by_itself()).collect()
}
