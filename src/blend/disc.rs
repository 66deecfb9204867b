//! A disc ready to be laid, and what its light measures.

use crate::composition::Placement;
use crate::raster::{LinearImage, PixelPoint, PixelRect};

/// From where on an evened disc is white.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Clipped {
    /// Light in all channels, before the factors.
    pub from: f32,
    /// How far it turns white, 0..1.
    pub weight: f32,
}

/// A disc ready to be laid, in the light of its own frame.
#[derive(Clone, Debug, PartialEq)]
pub struct DevelopedDisc {
    /// Linear light, sky subtracted where asked.
    pub image: LinearImage,
    /// How many pixels of the frame a side make one of its own: a frame that is far finer than the canvas is averaged before
    /// it is developed.
    pub block_px: usize,
    /// Where its top-left corner lies in the frame, in its own pixels.
    pub origin: PixelPoint,
    /// Which part of its image a camera saw.
    pub photographed: Photographed,
    /// Light of its brighter part.
    pub measure: DiscMeasure,
}

/// The part of a disc's image that was photographed, edge by edge: infinite where the cut-out holds all that was wanted
/// of the frame, else where the frame ends. Pixels of the image.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Photographed {
    /// Where it begins from the left.
    pub left: f64,
    /// And from above.
    pub top: f64,
    /// Where it ends to the right.
    pub right: f64,
    /// And below.
    pub bottom: f64,
}

impl Photographed {
    /// Of a cut-out of which more was wanted.
    pub(super) fn of(got: PixelRect, wanted: PixelRect) -> Photographed {
        let end = |is_cut: bool, at: f64| if is_cut { at } else { f64::INFINITY };
        Photographed {
            left: -end(got.x0 > wanted.x0, 0.0),
            top: -end(got.y0 > wanted.y0, 0.0),
            right: end(got.x1 < wanted.x1, got.width() as f64),
            bottom: end(got.y1 < wanted.y1, got.height() as f64),
        }
    }

    /// How far a place shows what the frame saw, 0..1: nothing beyond the frame's edge, where the kernel would repeat its
    /// last row, and softly less along it. `reduction`: pixels of the image per pixel of the canvas.
    pub(super) fn share(&self, at: PixelPoint, reduction: f64) -> f32 {
        /// Pixels of the frame (or of the canvas, whichever are larger) over which a cut disc fades.
        const SOFT: f64 = 3.0;
        let inside = (at.x - self.left).min(at.y - self.top).min(self.right - at.x).min(self.bottom - at.y);
        (inside / (SOFT * reduction.max(1.0))).clamp(0.0, 1.0) as f32
    }
}

/// A disc of this radius and more is kept without the sky around it, pixels.
const LARGE: f64 = 100.0;

impl DevelopedDisc {
    /// An evened disc as paper can show it, still in its own light: what its frame clipped is white, and no channel is brighter
    /// than white once it is multiplied by its factor. Light beyond that, spread by the
    /// kernel that lays the disc, would draw its limb as stairs with dark and bright lines beside them.
    #[must_use]
    pub fn on_paper(mut self, gain: [f32; 3], clipped: Option<Clipped>) -> Self {
        for pixel in self.image.data_mut().as_chunks_mut::<3>().0 {
            let mut light = [pixel[0] * gain[0], pixel[1] * gain[1], pixel[2] * gain[2]];
            if let Some(clipped) = clipped {
                whiten(&mut light, pixel[0].min(pixel[1]).min(pixel[2]), clipped);
            }
            (0..3).for_each(|c| pixel[c] = light[c].min(1.0) / gain[c].max(1e-6));
        }
        self
    }

    /// Without most of the sky that it was measured against: what lies within the limb is drawn, `margin_px` of its own pixels
    /// beyond it too. `p` is its placement in its own pixels.
    #[must_use]
    pub fn trimmed(self, p: &Placement, margin_px: f64) -> Self {
        if p.source_radius_px < LARGE {
            return self;
        }
        let centre = PixelPoint::new(p.map.source_centre.x - self.origin.x, p.map.source_centre.y - self.origin.y);
        // Lenses that draw a Moon as large as this stretch it by less.
        let (image, part) = self.image.crop(PixelRect::around(centre, 1.06 * p.source_radius_px + margin_px));
        let (dx, dy) = (part.x0 as f64, part.y0 as f64);
        let seen = self.photographed;
        DevelopedDisc {
            image,
            origin: PixelPoint::new(self.origin.x + dx, self.origin.y + dy),
            photographed: Photographed {
                left: seen.left - dx,
                top: seen.top - dy,
                right: seen.right - dx,
                bottom: seen.bottom - dy,
            },
            ..self
        }
    }
}

/// What a disc's light measures.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct DiscMeasure {
    /// 98th percentile within the limb, red, green and blue.
    pub bright: [f32; 3],
    /// 10th percentile of the brightest channel: of an eclipsed disc the deep of its shadow.
    pub dark: f32,
    /// Mean of the pixels that are not saturated, limb left out: the colour, which a camera's curve bends most where it is
    /// bright.
    pub mean: [f32; 3],
    /// Share of the disc's pixels that are saturated in every frame.
    pub saturated_share: f32,
    /// Light of the brightest channel from which on pixels are saturated: the lowest tenth of them lies below. Zero
    /// where none is.
    pub saturated_from: f32,
    /// Share of the disc's pixels that are saturated and coloured, one channel less than half as bright as another: burnt copper.
    pub tinted_share: f32,
    /// Standard deviation of the sky's light beside the disc, red, green and blue, over patches of a twelfth of its radius:
    /// blotches that a camera's noise reduction and a file's compression leave.
    pub mottle: [f32; 3],
    /// The step of the file's numbers that shows on its dark part.
    pub step: Step,
    /// The light of the file's smallest step above black, whether it shows or not; zero where it has none that matters, or
    /// where the noise of several frames of like exposures dissolves it.
    pub smallest_step: f32,
    /// Share of the disc in the shadow that is not shown because it may be the sky's light.
    pub unshown_share: f32,
}

/// A step of a file's numbers as it shows on the dark part of a disc, at its median: the light below it and above it, two
/// numbers apart as the blocks of compressed files are, zero where none shows. It is judged before the steps are softened
/// (what is soft by that is still not known), and before a shadow is lifted, which heeds the steps by itself.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Step {
    /// Light below it.
    pub below: f32,
    /// Light above it.
    pub above: f32,
}

impl Step {
    /// The same in the light of a leading frame, of which this one got `ratio` times as much.
    pub(super) fn in_light_of(self, ratio: f32) -> Step {
        Step { below: self.below / ratio, above: self.above / ratio }
    }
}

/// Clipped light is white, whatever its frame is multiplied by: nobody knows how bright it was, but it was brighter than all
/// beside it. (Where one channel alone is clipped, as red is in an overexposed umbra, the colour stays.) The last stop
/// below leads up to it, so that no edge is drawn where the clipping began.
fn whiten(light: &mut [f32; 3], least: f32, clipped: Clipped) {
    let t = ((least / clipped.from - 0.5) / 0.5).clamp(0.0, 1.0);
    let t = t * t * (3.0 - 2.0 * t) * clipped.weight;
    light.iter_mut().for_each(|v| *v += (1.0 - *v).max(0.0) * t);
}
