//! How good a frame's disc is, by what was measured: sharp, whole, clear and fairly exposed.

use super::{FrameRegistration, Registration};
use crate::detect::DiscFit;
use crate::raster::PixelRect;

/// How good a disc is, and what it lacks most.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Rating {
    /// 0 is no disc, 1 as sharp as this lens gets, whole in the frame, clear and nowhere clipped.
    pub quality: f64,
    /// What it lacks most, where that is worth a word.
    pub lacks: Option<&'static str>,
}

/// A share below this is worth a word.
const WORTH_A_WORD: f64 = 0.8;

/// The night's usual limb, against which sharpness counts.
pub struct Quality {
    usual_width_px: f64,
    /// How far limbs of this rig usually lie from their circles; `None` of too few.
    usual_residual_px: Option<f64>,
}

/// A sharp limb that lies so many times as far from its circle as is usual, and this share of its radius, is broken: by a damaged
/// file, a cloud's edge, a branch. (A JPEG whose lower half was shifted by eight pixels shows thirteen times.)
const BROKEN: f64 = 8.0;
const BROKEN_SHARE: f64 = 0.003;
/// What a disc lacks then.
pub(super) const LIMB_BROKEN: &str = "limb broken";
/// Fewest discs that tell what is usual.
const FEWEST: usize = 6;

impl Quality {
    /// Quality below which a disc is a piece of a Moon rather than a Moon: passed over where enough others are left.
    pub const POOR: f64 = 0.35;

    /// Of the discs of a rig.
    pub fn of(registration: &Registration, rig: usize) -> Self {
        let mut widths: Vec<f64> = registration
            .frames
            .iter()
            .filter(|f| f.rig == rig)
            .filter_map(|f| Some(f.fit()?.edge_width_px))
            .filter(|w| *w > 0.0)
            .collect();
        widths.sort_by(f64::total_cmp);
        let of_rig = registration.frames.iter().filter(|f| f.rig == rig);
        let mut residuals: Vec<f64> = of_rig.filter_map(|f| Some(f.fit()?.residual_px)).collect();
        residuals.sort_by(f64::total_cmp);
        Quality {
            // The sharper quarter: what this lens can do.
            usual_width_px: widths.get(widths.len() / 4).copied().unwrap_or(1.0),
            usual_residual_px: residuals.get(residuals.len() / 2).copied().filter(|_| residuals.len() >= FEWEST),
        }
    }

    /// Whether a disc's limb is sharp and yet no circle, where the others' are.
    fn is_broken(&self, frame: &FrameRegistration) -> bool {
        self.usual_residual_px.zip(frame.fit()).is_some_and(|(usual, fit)| {
            // A limb that cloud or blur has widened is no circle either, and no wonder.
            let least = (BROKEN_SHARE * fit.radius_px).max(fit.edge_width_px).max(0.5);
            fit.residual_px > (BROKEN * usual).max(least)
        })
    }

    /// Rates a frame's disc; `size` is the frame's, pixels.
    pub fn rate(&self, frame: &FrameRegistration, size: (usize, usize)) -> Rating {
        let sharp = match frame.fit().map(|f| f.edge_width_px) {
            Some(width) if width > 0.0 => (self.usual_width_px / width).min(1.0),
            _ => 0.5,
        };
        let clear = frame.light_ratio.map_or(1.0, |r| r.clamp(0.0, 1.0)).sqrt();
        // Where a person laid the circle nothing was measured: that it is soft is likely, the rest is not held against it.
        let fair = frame.fit().map_or(1.0, |f| 1.0 - f.saturated_share.max(washed_out(f)).clamp(0.0, 1.0));
        // A disc below a thirtieth of the scale has to be raised by stops, and its noise with it.
        let exposed = frame.fit().map_or(1.0, |f| (f64::from(f.disc_level) / 0.03).clamp(0.0, 1.0).sqrt());
        let whole = match (frame.centre(), frame.radius_px()) {
            (Some(_), Some(_)) if !is_cut(frame, size) => 1.0,
            (Some(_), Some(_)) => 0.3,
            _ => 0.0,
        };
        let round = if self.is_broken(frame) { 0.3 } else { 1.0 };
        let parts = [
            ("soft", sharp),
            ("dimmed by cloud", clear),
            ("clipped", fair),
            ("underexposed", exposed),
            ("cut", whole),
            (LIMB_BROKEN, round),
        ];
        let worst = parts.iter().min_by(|a, b| a.1.total_cmp(&b.1)).filter(|(_, share)| *share < WORTH_A_WORD);
        Rating { quality: parts.iter().map(|(_, share)| share).product(), lacks: worst.map(|(word, _)| *word) }
    }
}

/// Where a disc's brightest parts reach this, a camera's curve presses what lies below white together with it: by nothing, and wholly.
const NEAR_WHITE: [f64; 2] = [0.93, 0.98];
/// The mean of a well exposed full Moon over its brightest parts (the sample night's first frames: 0.62 and 0.61), and that of a
/// disc of which nothing is left but white.
const MEANS: [f64; 2] = [0.62, 0.95];

/// The share of a disc that is lost to near white though hardly a sample is full: how far its mean is from that of a disc that only
/// touches white towards white itself.
fn washed_out(fit: &DiscFit) -> f64 {
    let along = |value: f64, [from, to]: [f64; 2]| ((value - from) / (to - from)).clamp(0.0, 1.0);
    let mean = f64::from(fit.mean_level / fit.disc_level.max(1e-6));
    along(f64::from(fit.disc_level + fit.sky_level), NEAR_WHITE) * along(mean, MEANS)
}

/// Whether the edge of the frame, or of what its file tells, cuts a disc, or nothing says where it is.
pub fn is_cut(frame: &FrameRegistration, size: (usize, usize)) -> bool {
    let (Some(c), Some(r)) = (frame.centre(), frame.radius_px()) else { return true };
    let shown = frame.told.unwrap_or(PixelRect::of_size(size.0, size.1));
    let (left, top) = (c.x - shown.x0 as f64, c.y - shown.y0 as f64);
    left.min(top).min(shown.x1 as f64 - c.x).min(shown.y1 as f64 - c.y) < r
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::raster::PixelPoint;

    #[test]
    fn what_is_pressed_against_white_is_worth_less_and_a_bright_full_moon_is_not() {
        let fit = |disc_level: f32, mean_level: f32| DiscFit {
            disc_level,
            mean_level,
            ..DiscFit::well_seen(PixelPoint::new(100.0, 100.0), 40.0)
        };
        // A full Moon whose rays reach white, a crescent that does, and copper in the middle of the scale.
        for (high, mean) in [(0.99, 0.61), (0.99, 0.2), (0.6, 0.5)] {
            assert_eq!(washed_out(&fit(high, mean)), 0.0, "{high} {mean}");
        }
        // Copper given so much that its upper half is white.
        assert!(washed_out(&fit(0.99, 0.76)) > 0.35);
        assert!(washed_out(&fit(0.99, 0.95)) > 0.99);
    }
}
