//! How far glow carries limbs that are stops beyond white.
//!
//! Who exposes for what lies in the shadow burns the lit part, and where the light is cut off at white its glow reaches the
//! same white further and further out: by about as much for each factor in the light. A limb's step of light no longer
//! tells how bright it was; exposure and ephemeris do, up to a factor that the limbs below white tell. How far each factor carries is told,
//! as the curve's displacement is (`tone`), by how much larger than the Moon the burnt discs are.
//! It is told of cameras whose curve is told, to which it adds.
//! Neglected: that a lens's glow falls off as a power of the distance, not exponentially; cloud, which dims a frame.

use super::sky_place::SkyPlace;
use crate::detect::{LimbPoint, Look, WHITE};
use crate::ingest::Frame;
use crate::units::Angle;

/// A limb whose step is below this is not cut off at white, and one that shows at all has this much.
const BELOW_WHITE: std::ops::Range<f64> = 0.05..0.5;
/// Fewest frames that are burnt by so much, in logarithms, as a mean over their limbs.
const FEWEST_FRAMES: usize = 3;
const BURNT_BY: f64 = 0.3;
/// No lens's glow carries further for each factor of e, widths of the edge.
const MOST_WIDTHS: f64 = 2.5;
/// Less is within what is allowed for anyway.
const LEAST_WIDTHS: f64 = 0.1;
/// How far the limbs below white may scatter about the sky's light, in logarithms, and tell what frames of one exposure show.
const MOST_SCATTER: f64 = 0.8;

/// What glow makes of limbs beyond white.
#[derive(Clone, Copy, Debug)]
pub(super) struct Bloom {
    /// Widths of the edge for each factor of e beyond white.
    by_factor: f64,
    /// Logarithm of a limb's step over exposure and light.
    scale: f64,
}

/// A disc whose limb may tell.
pub(super) struct LitDisc<'a> {
    pub look: &'a Look,
    pub frame: &'a Frame,
    pub place: &'a SkyPlace,
    /// The position angle of the image's up there.
    pub up: Angle,
    /// By how many widths of its edge the disc is larger than the Moon, the curve undone.
    pub larger_by: f64,
}

/// Logarithm of exposure and light at each point of a disc's limb; `None` where the exposure was not recorded.
pub(super) fn light_along(frame: &Frame, place: &SkyPlace, up: Angle) -> Option<impl Fn(&LimbPoint) -> f64 + use<>> {
    /// Just inside the limb, in radii.
    const INSIDE: f64 = 0.96;
    let exposed = frame.metadata.exposure?.light_gain().ln();
    let radiance = place.radiance_over(up);
    Some(move |p: &LimbPoint| {
        let share = INSIDE / p.x.hypot(p.y).max(1e-9);
        exposed + radiance(p.x * share, p.y * share).max(1e-12).ln()
    })
}

impl Bloom {
    /// From the discs of a camera's frames; `None` where too few are burnt, or they are no larger than others.
    pub fn of(discs: &[LitDisc<'_>]) -> Option<Bloom> {
        let lights: Vec<(&LitDisc<'_>, Vec<(f64, &LimbPoint)>)> = discs
            .iter()
            .filter_map(|d| {
                let light = light_along(d.frame, d.place, d.up)?;
                Some((d, d.look.limb_points().iter().map(|p| (light(p), p)).collect()))
            })
            .collect();
        let below =
            lights.iter().flat_map(|(_, points)| points).filter(|(_, p)| BELOW_WHITE.contains(&f64::from(p.step)));
        let mut scales: Vec<f64> = below.map(|(light, p)| f64::from(p.step).ln() - light).collect();
        scales.sort_by(f64::total_cmp);
        let at = |share: f64| scales.get(((scales.len().max(1) - 1) as f64 * share) as usize).copied();
        let scale = at(0.5)?;
        let scatter = 0.5 * (at(0.84)? - at(0.16)?);
        let bare = Bloom { by_factor: 1.0, scale };
        let burnt: Vec<(f64, f64)> = lights
            .iter()
            .map(|(d, points)| {
                let weight = points.iter().map(|(_, p)| p.weight).sum::<f64>().max(1e-9);
                let mean = points.iter().map(|(light, p)| p.weight * bare.outwards(*light)).sum::<f64>() / weight;
                (mean, d.larger_by)
            })
            .filter(|(mean, _)| *mean > BURNT_BY)
            .collect();
        let (by_factor, from) = line(&burnt);
        let tells = burnt.len() >= FEWEST_FRAMES && scatter < MOST_SCATTER && by_factor > LEAST_WIDTHS;
        tells.then_some(Bloom { by_factor, scale: scale - from })
    }

    /// How far the limb lies outside itself, widths of its edge, by the logarithm of exposure and light.
    pub fn outwards(&self, light: f64) -> f64 {
        self.by_factor * (light + self.scale - f64::from(WHITE).ln()).max(0.0)
    }
}

/// By how much discs grow with each factor, and from how far beyond white on: up to there the curve has made of limbs what it
/// makes of all of them. Discs that are burnt alike tell no beginning.
fn line(burnt: &[(f64, f64)]) -> (f64, f64) {
    const LEAST_SPREAD: f64 = 0.3;
    let mean = |of: &dyn Fn(&(f64, f64)) -> f64| burnt.iter().map(of).sum::<f64>() / burnt.len().max(1) as f64;
    let (beyond, larger) = (mean(&|d| d.0), mean(&|d| d.1));
    let square = mean(&|d| (d.0 - beyond).powi(2));
    let slope = (mean(&|d| (d.0 - beyond) * (d.1 - larger)) / square.max(1e-9)).min(MOST_WIDTHS);
    if square.sqrt() > LEAST_SPREAD && slope > 0.0 && larger < slope * beyond {
        return (slope, beyond - larger / slope);
    }
    ((mean(&|d| d.0 * d.1) / mean(&|d| d.0 * d.0).max(1e-9)).min(MOST_WIDTHS), 0.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_sizes_of_burnt_discs_tell_how_far_glow_carries_and_from_where() {
        // By 1.2 widths a factor of e, from 0.9 beyond white on.
        let told: Vec<(f64, f64)> = [0.95, 1.0, 2.2, 2.3, 2.6].iter().map(|m| (*m, 1.2 * (m - 0.9))).collect();
        let (by_factor, from) = line(&told);
        assert!((by_factor - 1.2).abs() < 1e-9 && (from - 0.9).abs() < 1e-9, "{by_factor} {from}");
        // Burnt alike they tell no beginning.
        let (by_factor, from) = line(&[(2.0, 1.0), (2.1, 1.1), (1.9, 0.9)]);
        assert!((by_factor - 0.5).abs() < 0.01 && from == 0.0, "{by_factor} {from}");
        // No glow carries further than a lens's.
        assert_eq!(line(&[(1.0, 0.0), (2.0, 9.0), (3.0, 18.0)]).0, MOST_WIDTHS);
        let bloom = Bloom { by_factor: 2.0, scale: 1.0 };
        assert!(bloom.outwards(f64::from(WHITE).ln() - 1.0) < 1e-12 && bloom.outwards(-9.0) == 0.0);
        assert!((bloom.outwards(f64::from(WHITE).ln()) - 2.0).abs() < 1e-12);
    }
}
