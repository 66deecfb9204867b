//! Cut-outs of a moment's frames become a disc of light: sky subtracted, merged, lifted, sharpened.

use super::align::align;
use super::grain::Step;
use super::lift::{Told, lift};
use super::merge::{MomentFrame, merge};
use super::sharpen::sharpen;
use super::sky_model::{self, ring};
use super::steps::soften;
use crate::composition::{Composition, Placement, Sharpening};
use crate::raster::{CutOut, LinearImage, PixelPoint, PixelRect};

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
    fn of(got: PixelRect, wanted: PixelRect) -> Photographed {
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
    /// Mean of the pixels that are not saturated, limb left out: the colour, which a camera's curve bends most where it is
    /// bright.
    pub mean: [f32; 3],
    /// Share of the disc's pixels that are saturated in every frame.
    pub saturated_share: f32,
    /// Light of the brightest channel from which on pixels are saturated: the lowest tenth of them lies below. Nil
    /// where none is.
    pub saturated_from: f32,
    /// The step of the file's numbers that shows on its darkest part.
    pub step: Step,
}

/// The part of a frame that a placement needs, around a centre.
pub fn source_window(p: &Placement, centre: PixelPoint) -> PixelRect {
    // A wide lens stretches the disc by up to a half beyond its mean radius.
    let stretch = p.map.reduction() * p.radius_px / p.source_radius_px;
    PixelRect::around(centre, ring(p.source_radius_px * stretch.max(1.0)).1 + 4.0)
}

/// Develops a placement from the cut-outs of its own frame and of its companions, in their order; all of them, the placement
/// too, in blocks of so many pixels ([`Placement::in_blocks`]).
pub fn develop(cut_outs: Vec<CutOut>, block_px: usize, p: &Placement, composition: &Composition) -> DevelopedDisc {
    let centres = std::iter::once((p.map.source_centre, 1.0))
        .chain(p.also.iter().map(|c| (PixelPoint::new(c.centre_px.0, c.centre_px.1), c.light_ratio)));
    let mut origin = PixelPoint::default();
    let got = cut_outs.first().map_or(PixelRect::of_size(0, 0), |cut| cut.rect);
    let photographed = Photographed::of(got, source_window(p, p.map.source_centre));
    let mut least_told = f32::INFINITY;
    // The dark of a moment is told by the frame whose steps are the smallest.
    let (mut finest, mut step) = (f32::INFINITY, Step::default());
    let mut frames: Vec<MomentFrame> = Vec::with_capacity(cut_outs.len());
    for (cut, (centre, ratio)) in cut_outs.into_iter().zip(centres) {
        let corner = PixelPoint::new(cut.rect.x0 as f64, cut.rect.y0 as f64);
        if frames.is_empty() {
            origin = corner;
        }
        let centre = PixelPoint::new(centre.x - corner.x, centre.y - corner.y);
        let mut light = cut.light;
        let noise = if p.subtract_sky && light.width() > 0 && light.height() > 0 {
            let noise = sky_model::subtract(&mut light, centre, p.source_radius_px);
            noise.iter().copied().fold(0.0, f32::max)
        } else {
            0.0
        };
        least_told = least_told.min(cut.darkest_told.max(2.0 * noise) / ratio as f32);
        let disc = (centre, p.source_radius_px);
        if cut.step / (ratio as f32) < finest {
            finest = cut.step / ratio as f32;
            step = Step::shown(&light, disc, p.map.reduction(), cut.step).in_light_of(ratio as f32);
        }
        soften(&mut light, disc, cut.step, block_px);
        frames.push(MomentFrame { light, saturated: cut.saturated, centre, ratio: ratio as f32, noise });
    }
    let Some(lead) = frames.first() else {
        let image = LinearImage::new(0, 0);
        return DevelopedDisc { image, block_px, origin, photographed, measure: DiscMeasure::default() };
    };
    let centre = lead.centre;
    let (mut image, saturated) = match frames.len() {
        1 => frames.pop().map_or((LinearImage::new(0, 0), Vec::new()), |f| (f.light, f.saturated)),
        _ => {
            align(&mut frames, p.source_radius_px);
            merge(&frames)
        }
    };
    let how = &composition.development;
    if let Some(shadow) = &p.shadow {
        let bright = measure(&image, &saturated, centre, p.source_radius_px).bright;
        let level = bright[0].max(bright[1]).max(bright[2]).max(1e-6);
        let told = Told { level, least: least_told / level, saturated: &saturated };
        lift(&mut image, centre, shadow, how.shadow_lift, &told);
    }
    // A blur is given in pixels of the frame; one that is finer than a block has gone with it.
    let sharpening = match how.sharpening {
        Sharpening::Unsharp { radius_px, .. } if radius_px < 0.3 * block_px as f64 => Sharpening::Off,
        Sharpening::Unsharp { radius_px, amount } => {
            Sharpening::Unsharp { radius_px: radius_px / block_px as f64, amount }
        }
        other => other,
    };
    if sharpening != Sharpening::Off {
        sharpen(&mut image, sharpening, p.edge_width_px, (centre, p.source_radius_px));
    }
    let measure = DiscMeasure { step, ..measure(&image, &saturated, centre, p.source_radius_px) };
    DevelopedDisc { image, block_px, origin, photographed, measure }
}

/// Light of a disc's brighter part: what a print must hold without clipping.
fn measure(image: &LinearImage, saturated: &[bool], centre: PixelPoint, radius: f64) -> DiscMeasure {
    let mut values: [Vec<f32>; 3] = Default::default();
    let mut burnt: Vec<f32> = Vec::new();
    let (mut sum, mut unburnt) = ([0.0f64; 3], 0.0);
    for (i, p) in image.data().as_chunks::<3>().0.iter().enumerate() {
        let (x, y) = ((i % image.width()) as f64 + 0.5 - centre.x, (i / image.width()) as f64 + 0.5 - centre.y);
        let away = x.hypot(y);
        if away < 0.97 * radius {
            (0..3).for_each(|c| values[c].push(p[c]));
            if saturated[i] {
                burnt.push(p[0].max(p[1]).max(p[2]));
            } else if away < 0.9 * radius {
                (0..3).for_each(|c| sum[c] += f64::from(p[c]));
                unburnt += 1.0;
            }
        }
    }
    let count = values[0].len();
    if count == 0 {
        return DiscMeasure::default();
    }
    let at = (count - 1) * 98 / 100;
    let bright = values.map(|mut v| *v.select_nth_unstable_by(at, f32::total_cmp).1);
    let saturated_share = burnt.len() as f32 / count as f32;
    let tenth = burnt.len() / 10;
    let saturated_from = if burnt.is_empty() { 0.0 } else { *burnt.select_nth_unstable_by(tenth, f32::total_cmp).1 };
    let mean = sum.map(|s| (s / f64::max(unburnt, 1.0)) as f32);
    DiscMeasure { bright, mean, saturated_share, saturated_from, step: Step::default() }
}

/// Clipped light is white, whatever its frame is multiplied by: nobody knows how bright it was, but it was brighter than all
/// beside it. (Where one channel alone is clipped, as red is in an overexposed umbra, the colour stays.) The last stop below leads up to it, so that no edge is drawn where the clipping began.
fn whiten(light: &mut [f32; 3], least: f32, clipped: Clipped) {
    let t = ((least / clipped.from - 0.5) / 0.5).clamp(0.0, 1.0);
    let t = t * t * (3.0 - 2.0 * t) * clipped.weight;
    light.iter_mut().for_each(|v| *v += (1.0 - *v).max(0.0) * t);
}
