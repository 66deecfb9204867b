//! Cut-outs of a moment's frames become a disc of light: sky subtracted, merged or its steps softened, lifted, sharpened.

use super::align::align;
use super::bands::dissolve;
use super::disc::{DevelopedDisc, DiscMeasure, Photographed, Step};
use super::grain::{mottle, shown_step};
use super::lift::{Told, lift};
use super::merge::{MomentFrame, merge};
use super::sharpen::sharpen;
use super::sky_model::{self, ring};
use super::steps::soften;
use super::white;
use crate::composition::{Composition, Placement, Sharpening};
use crate::raster::{CutOut, LinearImage, PixelPoint, PixelRect};

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
    let (mut least_told, mut sky_left) = (f32::INFINITY, f32::INFINITY);
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
        let disc = (centre, p.source_radius_px);
        let white = white::white(&light, disc);
        let saturated = cut.saturated.iter().zip(&white).map(|(top, white)| *top || *white).collect();
        let left = if p.subtract_sky && light.width() > 0 && light.height() > 0 {
            sky_model::subtract(&mut light, centre, p.source_radius_px)
        } else {
            sky_model::Left::default()
        };
        white::keep(&mut light, &white);
        least_told = least_told.min(cut.darkest_told.max(2.0 * left.noise) / ratio as f32);
        sky_left = sky_left.min(left.uneven / ratio as f32);
        if cut.step / (ratio as f32) < finest {
            finest = cut.step / ratio as f32;
            step = shown_step(&light, disc, p.map.reduction(), cut.step).in_light_of(ratio as f32);
        }
        frames.push(MomentFrame { light, saturated, centre, ratio: ratio as f32, noise: left.noise });
    }
    let Some(lead) = frames.first() else {
        let image = LinearImage::new(0, 0);
        return DevelopedDisc { image, block_px, origin, photographed, measure: DiscMeasure::default() };
    };
    let centre = lead.centre;
    let ratios: Vec<f32> = frames.iter().map(|frame| frame.ratio).collect();
    // Several frames' mottle is not the same, and goes with their mean.
    let mut mottle = if frames.len() == 1 { mottle(&lead.light, (centre, p.source_radius_px)) } else { [0.0; 3] };
    let (mut image, saturated) = match frames.len() {
        1 => frames.pop().map_or((LinearImage::new(0, 0), Vec::new()), |mut frame| {
            dissolve(&mut frame.light, (frame.centre, p.source_radius_px), finest, block_px);
            soften(&mut frame.light, (frame.centre, p.source_radius_px), finest, block_px);
            (frame.light, frame.saturated)
        }),
        // Of several the noise of each dissolves the others' steps.
        _ => {
            align(&mut frames, p.source_radius_px);
            merge(&frames)
        }
    };
    // Frames of like exposures dissolve each other's steps; of a bracket the longest alone tells the dark.
    let longest = ratios.iter().copied().fold(0.0, f32::max);
    let dissolved = ratios.iter().filter(|ratio| **ratio > 0.5 * longest).count() > 1;
    let mut smallest_step = if dissolved { 0.0 } else { finest };
    let mut unshown_share = 0.0;
    let how = &composition.development;
    if let Some(shadow) = &p.shadow {
        let bright = measure(&image, &saturated, centre, p.source_radius_px).bright;
        let level = bright[0].max(bright[1]).max(bright[2]).max(1e-6);
        let told = Told { level, least: least_told / level, sky_left: sky_left / level, saturated: &saturated };
        let lifted = lift(&mut image, centre, shadow, how.shadow_lift, &told);
        unshown_share = lifted.unshown_share;
        smallest_step *= lifted.by;
        mottle = mottle.map(|m| m * lifted.by);
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
    let measure = DiscMeasure {
        step,
        smallest_step,
        mottle,
        unshown_share,
        ..measure(&image, &saturated, centre, p.source_radius_px)
    };
    DevelopedDisc { image, block_px, origin, photographed, measure }
}

/// A saturated pixel whose least channel is below this share of its largest has a colour: white's own channels differ by
/// less, whatever the balance.
const TINTED: f32 = 0.5;

/// Light of a disc's brighter part: what a print must hold without clipping.
fn measure(image: &LinearImage, saturated: &[bool], centre: PixelPoint, radius: f64) -> DiscMeasure {
    let mut values: [Vec<f32>; 3] = Default::default();
    let mut clipped: Vec<f32> = Vec::new();
    let (mut sum, mut unclipped, mut tinted) = ([0.0f64; 3], 0.0, 0usize);
    for (i, p) in image.data().as_chunks::<3>().0.iter().enumerate() {
        let (x, y) = ((i % image.width()) as f64 + 0.5 - centre.x, (i / image.width()) as f64 + 0.5 - centre.y);
        let away = x.hypot(y);
        if away < 0.97 * radius {
            (0..3).for_each(|c| values[c].push(p[c]));
            if saturated[i] {
                let brightest = p[0].max(p[1]).max(p[2]);
                tinted += usize::from(p[0].min(p[1]).min(p[2]) < TINTED * brightest);
                clipped.push(brightest);
            } else if away < 0.9 * radius {
                (0..3).for_each(|c| sum[c] += f64::from(p[c]));
                unclipped += 1.0;
            }
        }
    }
    let count = values[0].len();
    if count == 0 {
        return DiscMeasure::default();
    }
    let at = (count - 1) * 98 / 100;
    let mut brightest: Vec<f32> = (0..count).map(|i| values[0][i].max(values[1][i]).max(values[2][i])).collect();
    let dark = *brightest.select_nth_unstable_by((count - 1) / 10, f32::total_cmp).1;
    let bright = values.map(|mut v| *v.select_nth_unstable_by(at, f32::total_cmp).1);
    let saturated_share = clipped.len() as f32 / count as f32;
    let tenth = clipped.len() / 10;
    let saturated_from =
        if clipped.is_empty() { 0.0 } else { *clipped.select_nth_unstable_by(tenth, f32::total_cmp).1 };
    let mean = sum.map(|s| (s / f64::max(unclipped, 1.0)) as f32);
    let tinted_share = tinted as f32 / count as f32;
    DiscMeasure { bright, dark, mean, saturated_share, saturated_from, tinted_share, ..DiscMeasure::default() }
}
