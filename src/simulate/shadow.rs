//! The Earth's shadow as the painter lays it on the Moon.
//!
//! Usually the program's own model. A rehearsal may ask for a shadow that is drawn for the night instead, by other laws
//! than the program's: real shadows differ from any model, and a registration that is tried on its own model alone learns
//! nothing of that.

use crate::random::uniform;
use crate::sky::{Danjon, EarthShadow, ShadowLight};
use crate::units::Angle;
use serde::{Deserialize, Serialize};

/// Whose shadow is painted.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub enum RehearsedShadow {
    /// The program's own model.
    #[default]
    AsModelled,
    /// Another law, its size, edge and depth drawn by the seed.
    Drawn,
}

pub(super) enum PaintedShadow {
    AsModelled(ShadowLight),
    Drawn(DrawnShadow),
}

/// A uniform Sun behind a straight edge, and an umbra whose light falls off by a power of the depth: no limb darkening, no
/// curvature, other colours than the program's model.
pub(super) struct DrawnShadow {
    umbra: f64,
    penumbra: f64,
    /// Magnitudes below the full Moon at the umbra's edge and on its axis.
    edge_mag: f64,
    depth_mag: f64,
    /// How the magnitudes rise inwards.
    power: f64,
}

/// How far the umbra of a night differs from the canon's, as a share: measured enlargements of single eclipses scatter by
/// about half a percent of the umbra, and by more between observers (values from memory).
const ENLARGEMENT: (f64, f64) = (-0.008, 0.012);

impl PaintedShadow {
    pub(super) fn new(how: RehearsedShadow, shadow: &EarthShadow, danjon: Danjon, seed: u64) -> Self {
        match how {
            RehearsedShadow::AsModelled => {
                PaintedShadow::AsModelled(ShadowLight::new(shadow.umbra_radius, shadow.penumbra_radius, danjon))
            }
            RehearsedShadow::Drawn => {
                let between = |place: u64, (low, high): (f64, f64)| low + (high - low) * uniform(seed, place);
                let depth_mag = danjon.depth_stops() * 2.5 * 2f64.log10() + between(1, (-0.7, 0.7));
                PaintedShadow::Drawn(DrawnShadow {
                    umbra: shadow.umbra_radius.radians() * (1.0 + between(2, ENLARGEMENT)),
                    penumbra: shadow.penumbra_radius.radians(),
                    edge_mag: depth_mag - between(3, (2.0, 4.0)),
                    depth_mag,
                    power: between(4, (0.8, 2.0)),
                })
            }
        }
    }

    /// Red, green and blue radiance at a distance from the axis, relative to the full Moon.
    pub(super) fn radiance(&self, from_axis: Angle) -> [f64; 3] {
        match self {
            PaintedShadow::AsModelled(light) => light.radiance(from_axis),
            PaintedShadow::Drawn(shadow) => shadow.radiance(from_axis.radians()),
        }
    }
}

impl DrawnShadow {
    fn radiance(&self, from_axis: f64) -> [f64; 3] {
        let across = ((from_axis - self.umbra) / (self.penumbra - self.umbra)).clamp(0.0, 1.0);
        let chord = 1.0 - 2.0 * across;
        let sun = (chord.acos() - chord * (1.0 - chord * chord).max(0.0).sqrt()) / std::f64::consts::PI;
        let depth = 1.0 - from_axis / self.umbra;
        let magnitude = self.edge_mag + (self.depth_mag - self.edge_mag) * depth.max(0.0).powf(self.power);
        // Refracted light goes on for a little beyond the edge, where nobody sees it beside the Sun's.
        let refracted = 10f64.powf(-0.4 * magnitude) * (depth.min(0.0) / 0.04).exp();
        let (edge, axis) = ([1.3, 0.95, 0.75], [2.1, 0.55, 0.18]);
        let inwards = depth.clamp(0.0, 1.0);
        std::array::from_fn(|c| sun + refracted * (edge[c] + (axis[c] - edge[c]) * inwards))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_drawn_shadow_falls_from_full_light_to_copper() {
        let shadow = DrawnShadow { umbra: 0.012, penumbra: 0.021, edge_mag: 7.0, depth_mag: 10.0, power: 1.2 };
        let steps: Vec<[f64; 3]> = (0..=21).map(|i| shadow.radiance(f64::from(i) * 0.001)).collect();
        assert!((steps[21][1] - 1.0).abs() < 0.01);
        assert!(steps.windows(2).all(|p| p[1][1] >= p[0][1]), "it never falls outwards");
        assert!(steps[0][0] > 5.0 * steps[0][2], "the axis is copper");
    }
}
