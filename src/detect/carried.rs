//! Which points of a limb a lens's glow carried outwards: those of a part that is burnt, where another part is not.
//!
//! Copper is five hundred times darker than what the Sun still lights, and more. A frame that shows its limb has the sliver beside it
//! stops beyond white, and there the glow is white past the limb, by pixels. A circle through both lies towards the sliver, and
//! thinks itself sure. So the two parts are told apart by their light, and the burnt one may lie further out by one
//! number that the fit tells along with the circle. Nothing is told where only one of them is seen, or where the bright part is not
//! even, as what is burnt is.

use super::limb::{LEAST_WHITE, LimbPoint};
use super::sectors::{COUNT, Sectors};

/// Of the brightest light a carried point has at least this share; where less than the first is left it is of the other part.
const BRIGHT: (f64, f64) = (0.3, 0.6);
/// How far the bright part's light may differ between its 30th and its 90th percentile, as a share: along the limb of a Moon that is
/// not burnt it differs by more (0.15 and up on nights of three simulators).
const MOST_UNEVEN: f64 = 0.12;
/// Least arcs of the two parts, degrees.
const LEAST_DIM_DEG: f64 = 70.0;
const LEAST_BRIGHT_DEG: f64 = 15.0;
/// Points of less weight are noise, and tell no arc.
pub(super) const LEAST_WEIGHT: f64 = 0.05;

/// How much of what the burnt part is carried by each point is: nought to one. `None` where there are not two such parts.
/// `on_codes`: whether light is told by codes, which show the dark brighter than it is.
pub(super) fn carried(points: &[LimbPoint], on_codes: bool) -> Option<Vec<f64>> {
    let told = points.iter().filter(|p| p.weight > LEAST_WEIGHT);
    let mut levels: Vec<f64> = told.map(|p| f64::from(p.level)).collect();
    if levels.len() < 24 {
        return None;
    }
    levels.sort_by(f64::total_cmp);
    let top = levels[(levels.len() - 1) * 97 / 100];
    let exponent = if on_codes { 2.2 } else { 1.0 };
    if top.powf(exponent) < LEAST_WHITE {
        return None;
    }
    let share = |p: &LimbPoint| (f64::from(p.level) / top).clamp(0.0, 1.1).powf(exponent);
    let is_bright = |p: &&LimbPoint| p.weight > LEAST_WEIGHT && share(p) > BRIGHT.1;
    let mut bright: Vec<f64> = points.iter().filter(is_bright).map(share).collect();
    bright.sort_by(f64::total_cmp);
    let at = |tenths: usize| bright[(bright.len() - 1) * tenths / 10];
    if bright.is_empty() || at(3) < (1.0 - MOST_UNEVEN) * at(9) {
        return None;
    }
    let arc = |of: &dyn Fn(&LimbPoint) -> bool| {
        let mut sectors = Sectors::none();
        points.iter().filter(|p| p.weight > LEAST_WEIGHT && of(p)).for_each(|p| sectors.mark(p.x, p.y));
        sectors.degrees(COUNT)
    };
    let is_told = arc(&|p| share(p) < BRIGHT.0) >= LEAST_DIM_DEG && arc(&|p| share(p) > BRIGHT.1) >= LEAST_BRIGHT_DEG;
    is_told.then(|| points.iter().map(|p| ((share(p) - BRIGHT.0) / (BRIGHT.1 - BRIGHT.0)).clamp(0.0, 1.0)).collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A limb all around, of one light and of another.
    fn limb(level: impl Fn(usize) -> f32) -> Vec<LimbPoint> {
        let point = |degree: usize| {
            let (y, x) = (degree as f64).to_radians().sin_cos();
            let (x, y) = (40.0 * x, 40.0 * y);
            LimbPoint { x, y, weight: 0.5, step: 0.1, level: level(degree), width_px: 1.0, is_faint: false }
        };
        (0..360).map(point).collect()
    }

    #[test]
    fn a_burnt_part_beside_a_dim_one_is_told_and_nothing_else_is() {
        let two = limb(|degree| if degree < 90 { 0.9 } else { 0.1 });
        let told = carried(&two, false).unwrap();
        assert!(told[45] == 1.0 && told[200] == 0.0);
        // Codes show the dark brighter: 0.45 of white is a sixth of its light.
        assert!(carried(&limb(|degree| if degree < 90 { 0.95 } else { 0.45 }), true).is_some());
        // Nothing at all, a whole Moon, a bright part that is no white, and too few points.
        assert!(carried(&limb(|_| 0.0), false).is_none());
        assert!(carried(&limb(|_| 0.9), false).is_none());
        assert!(carried(&limb(|degree| if degree < 90 { 0.4 } else { 0.04 }), false).is_none());
        assert!(carried(&two[..20], false).is_none());
    }
}
