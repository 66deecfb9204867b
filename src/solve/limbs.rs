//! Where a camera puts limbs: what its curve (`tone`) and its lens's glow (`bloom`) move them outwards by, once the aim knows the
//! Moon's size.

use super::bloom::{Bloom, LitDisc, light_along};
use super::choice::Choice;
use super::median;
use super::mount::Aim;
use super::sequence::{Seen, Sequence};
use super::shape::SkyShape;
use super::sky_place::SkyPlace;
use super::tone::Tone;
use crate::detect::{LimbPoint, Look};
use crate::raster::PixelPoint;
use crate::sky::Lens;
use crate::units::Angle;

/// What limbs lie outside themselves by, in a camera's frames.
pub(super) struct Limbs {
    tone: Tone,
    bloom: Option<Bloom>,
}

impl Limbs {
    /// The curve with what all its limbs have in common put right: the circles through them, once moved, are of the size that
    /// the aim knows. (The scale may be the papers' or a track's, or that of limbs that lie outside themselves.) And what
    /// glow makes of those that are beyond white.
    pub fn of(sequence: &Sequence<'_>, seen: &[&Seen], choices: &[Choice], (aim, tone): (&Aim, &Tone)) -> Limbs {
        /// Fewer discs tell nothing in common.
        const FEWEST: usize = 6;
        /// A circle through less of the limb has a radius of its own.
        const LEAST_ARC_DEG: f64 = 170.0;
        let (width, height) = sequence.size();
        let larger = |k: usize| {
            let chosen = choices[k].chosen.and_then(|i| seen[k].discs().get(i));
            let look = chosen.filter(|l| l.fit.arc_deg >= LEAST_ARC_DEG)?;
            let (place, focal) = (sequence.place(k), aim.focal_length_px()?);
            let pointing = place.and_then(|place| aim.pointing(place));
            let lens = pointing.map_or_else(|| Lens::rectilinear(width, height, focal), |p| p.lens);
            let flattening = place.and_then(|place| place.flattening(aim.mount(), pointing, look.fit.centre));
            let shape = SkyShape { lens, flattening };
            let radius = aim.radius_px(place)?;
            let larger_by = look.larger_than(radius, &shape, |p| tone.outwards(f64::from(p.step)))?;
            Some((k, look, place, larger_by))
        };
        let all: Vec<_> = (0..sequence.len()).filter_map(larger).collect();
        let common = median(all.iter().map(|d| d.3).collect()).filter(|_| all.len() >= FEWEST).unwrap_or(0.0);
        let tone = tone.further_by(common);
        let lit = all.iter().filter_map(|(k, look, place, larger_by)| {
            let place = (*place)?;
            let up = image_up(aim, place, look.fit.centre)?;
            Some(LitDisc { look, frame: sequence.frame(*k), place, up, larger_by: larger_by - common })
        });
        Limbs { bloom: Bloom::of(&lit.collect::<Vec<_>>()), tone }
    }

    /// A disc with its limb where the Moon's is.
    pub fn moved(&self, look: &Look, (sequence, k): (&Sequence<'_>, usize), aim: &Aim) -> Look {
        /// A small disc is better placed by all of its pixels, unless a curve moves its limb by more than they can tell, widths.
        const LEAST_RANGE_OF_SMALL: f64 = 1.0;
        if look.keeps_its_pixels() && self.tone.range() < LEAST_RANGE_OF_SMALL {
            return look.clone();
        }
        let beyond = self.bloom.as_ref().and_then(|bloom| {
            let place = sequence.place(k)?;
            let light = light_along(sequence.frame(k), place, image_up(aim, place, look.fit.centre)?)?;
            Some(move |p: &LimbPoint| bloom.outwards(light(p)))
        });
        look.clone().with_limb_moved(|p| {
            self.tone.outwards(f64::from(p.step)) + beyond.as_ref().map_or(0.0, |beyond| beyond(p))
        })
    }
}

/// The position angle of the image's up at a place of a frame, where the aim knows it, or a tripod stands level.
fn image_up(aim: &Aim, place: &SkyPlace, at: PixelPoint) -> Option<Angle> {
    match aim.pointing(place) {
        Some(pointing) => Some(place.parallactic_angle + pointing.zenith_turn(at)),
        None => aim.keeps_level().then_some(place.parallactic_angle),
    }
}
