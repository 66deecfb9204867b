//! W3C Compositing and Blending Level 1: source-over with a blend mode, opaque backdrop.
//!
//! co = (1 - as) cb + as B(cb, cs), in linear light.

use crate::layout::{BlendMode, ToneCurve};

fn mix(mode: BlendMode, backdrop: f32, source: f32) -> f32 {
    match mode {
        BlendMode::Normal => source,
        BlendMode::Lighten => backdrop.max(source),
        BlendMode::Screen => backdrop + source - backdrop * source,
    }
}

/// Lays a source of some coverage on an opaque backdrop.
pub(super) fn over(mode: BlendMode, backdrop: &mut [f32], source: [f32; 3], coverage: f32) {
    for (b, s) in backdrop.iter_mut().zip(source) {
        *b += (mix(mode, *b, s) - *b) * coverage;
    }
}

/// The tone curve, by the brightest channel so that hue is kept.
pub(super) fn tone(curve: &ToneCurve, light: [f32; 3]) -> [f32; 3] {
    let brightest = light[0].max(light[1]).max(light[2]);
    if curve.exponent == 1.0 || brightest <= 0.0 {
        return light;
    }
    let factor = (brightest / curve.white).powf(curve.exponent - 1.0);
    light.map(|v| v * factor)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_formulas_are_the_published_ones() {
        // W3C Compositing and Blending Level 1, 10.1: screen = cb + cs - cb cs; lighten = max.
        let mut p = [0.5, 0.2, 0.0];
        over(BlendMode::Screen, &mut p, [0.5, 0.5, 0.5], 1.0);
        assert!((p[0] - 0.75).abs() < 1e-6 && (p[1] - 0.6).abs() < 1e-6 && (p[2] - 0.5).abs() < 1e-6);
        let mut p = [0.5, 0.2, 0.0];
        over(BlendMode::Lighten, &mut p, [0.3, 0.4, 0.4], 0.5);
        assert!((p[0] - 0.5).abs() < 1e-6 && (p[1] - 0.3).abs() < 1e-6 && (p[2] - 0.2).abs() < 1e-6);
    }

    #[test]
    fn the_tone_curve_keeps_white_and_hue() {
        let curve = ToneCurve { exponent: 0.25, white: 0.5 };
        assert_eq!(tone(&curve, [0.5, 0.25, 0.1])[0], 0.5);
        let [r, g, _] = tone(&curve, [0.002, 0.001, 0.0005]);
        assert!((r / g - 2.0).abs() < 1e-5 && r > 0.1);
    }
}
