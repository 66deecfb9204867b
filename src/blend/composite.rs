//! W3C Compositing and Blending Level 1: source-over with a blend mode, opaque backdrop.
//!
//! co = (1 - as) cb + as B(cb, cs), in linear light. The formulas are section 9.1's; those that are made for
//! values within 0..1 take light beyond as 1. `plus-lighter` (section 8, as CSS names it) adds.

use crate::composition::{BlendMode, ToneCurve};

fn mix(mode: BlendMode, backdrop: f32, source: f32) -> f32 {
    let within = |f: fn(f32, f32) -> f32| f(backdrop.clamp(0.0, 1.0), source.clamp(0.0, 1.0));
    match mode {
        BlendMode::Normal => source,
        BlendMode::Multiply => backdrop * source,
        BlendMode::Screen => within(screen),
        BlendMode::Overlay => within(|b, s| hard_light(s, b)),
        BlendMode::Darken => backdrop.min(source),
        BlendMode::Lighten => backdrop.max(source),
        BlendMode::ColorDodge => within(|b, s| {
            if b == 0.0 {
                0.0
            } else if s >= 1.0 {
                1.0
            } else {
                (b / (1.0 - s)).min(1.0)
            }
        }),
        BlendMode::ColorBurn => within(|b, s| {
            if b >= 1.0 {
                1.0
            } else if s <= 0.0 {
                0.0
            } else {
                1.0 - ((1.0 - b) / s).min(1.0)
            }
        }),
        BlendMode::HardLight => within(hard_light),
        BlendMode::SoftLight => within(soft_light),
        BlendMode::Difference => (backdrop - source).abs(),
        BlendMode::Exclusion => within(|b, s| b + s - 2.0 * b * s),
        BlendMode::PlusLighter => backdrop + source,
    }
}

fn screen(b: f32, s: f32) -> f32 {
    b + s - b * s
}

fn hard_light(b: f32, s: f32) -> f32 {
    if s <= 0.5 { b * 2.0 * s } else { screen(b, 2.0 * s - 1.0) }
}

fn soft_light(b: f32, s: f32) -> f32 {
    if s <= 0.5 {
        return b - (1.0 - 2.0 * s) * b * (1.0 - b);
    }
    let d = if b <= 0.25 { ((16.0 * b - 12.0) * b + 4.0) * b } else { b.sqrt() };
    b + (2.0 * s - 1.0) * (d - b)
}

/// Lays a source of some coverage on an opaque backdrop.
pub(super) fn over(mode: BlendMode, backdrop: &mut [f32], source: [f32; 3], coverage: f32) {
    for (b, s) in backdrop.iter_mut().zip(source) {
        *b += (mix(mode, *b, s) - *b) * coverage;
    }
}

/// Light of this share of white and more is a disc's lit part, which no file's lowest numbers tell: it is never held.
const LIT: f32 = 0.25;

/// The tone curve, by the brightest channel so that hue is kept. `most`: the factor by which light may be raised before its
/// noise or its file's steps show; what the curve would raise further falls to black along a straight line, and the one
/// bends softly into the other.
pub(super) fn tone(curve: &ToneCurve, most: f32, light: [f32; 3]) -> [f32; 3] {
    let brightest = light[0].max(light[1]).max(light[2]);
    if curve.exponent == 1.0 || brightest <= 0.0 {
        return light;
    }
    let share = brightest / curve.white;
    let asked = share.powf(curve.exponent - 1.0);
    if curve.exponent > 1.0 || share >= LIT {
        return light.map(|v| v * asked);
    }
    // Where the lit part begins, light is raised by at least what the curve asks there.
    let most = most.max(LIT.powf(curve.exponent - 1.0));
    let (less, more) = (asked.min(most), asked.max(most));
    let held = less / (1.0 + (less / more).powi(4)).sqrt().sqrt();
    // Over the stop below the lit part the one goes over into the other.
    let t = (2.0 * share / LIT - 1.0).max(0.0);
    let t = t * t * (3.0 - 2.0 * t);
    light.map(|v| v * (held + (asked - held) * t))
}

/// By how many stops the tone curve shows light darker than it asks, for it is [`tone`]'s to raise it by no more than `most`.
pub(super) fn stops_lost(curve: &ToneCurve, most: f32, light: f32) -> f32 {
    let free = tone(curve, f32::INFINITY, [light; 3])[0];
    if free > 0.0 { (free / tone(curve, most, [light; 3])[0].max(1e-9)).log2() } else { 0.0 }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_modes_follow_the_recommendation() {
        // Compositing and Blending Level 1, 9.1.1 to 9.1.11, worked by hand for backdrop 0.5, source 0.25
        // (and soft-light's other branch for source 0.75).
        let cases = [
            (BlendMode::Normal, 0.25),
            (BlendMode::Multiply, 0.125),
            (BlendMode::Screen, 0.625),
            (BlendMode::Overlay, 0.25),
            (BlendMode::Darken, 0.25),
            (BlendMode::Lighten, 0.5),
            (BlendMode::ColorDodge, 2.0 / 3.0),
            (BlendMode::ColorBurn, 0.0),
            (BlendMode::HardLight, 0.25),
            (BlendMode::SoftLight, 0.375),
            (BlendMode::Difference, 0.25),
            (BlendMode::Exclusion, 0.5),
            (BlendMode::PlusLighter, 0.75),
        ];
        for (mode, expected) in cases {
            assert!((mix(mode, 0.5, 0.25) - expected).abs() < 1e-6, "{mode:?} gives {}", mix(mode, 0.5, 0.25));
        }
        assert!((mix(BlendMode::SoftLight, 0.5, 0.75) - (0.5 + 0.5 * (0.5f32.sqrt() - 0.5))).abs() < 1e-6);
    }

    #[test]
    fn half_a_cover_goes_half_the_way() {
        let mut backdrop = [0.2, 0.4, 0.6];
        over(BlendMode::Normal, &mut backdrop, [1.0, 0.0, 0.6], 0.5);
        assert!(backdrop.iter().zip([0.6, 0.2, 0.6]).all(|(a, b)| (a - b).abs() < 1e-6));
    }

    #[test]
    fn the_tone_curve_keeps_ratios_of_channels() {
        let out = tone(&ToneCurve { exponent: 0.5, white: 0.64 }, f32::INFINITY, [0.04, 0.02, 0.01]);
        assert!((out[0] - 0.16).abs() < 1e-6 && (out[0] / out[2] - 4.0).abs() < 1e-5);
    }

    #[test]
    fn what_is_held_is_told_in_stops() {
        let curve = ToneCurve { exponent: 0.5, white: 1.0 };
        // A ten-thousandth is raised a hundredfold; where it bears 25 times it is two stops darker.
        assert!((stops_lost(&curve, 25.0, 1e-4) - 2.0).abs() < 0.01);
        assert_eq!(stops_lost(&curve, 25.0, 0.5), 0.0);
        assert_eq!(stops_lost(&curve, f32::INFINITY, 1e-4), 0.0);
    }

    #[test]
    fn light_that_bears_little_is_raised_by_no_more_and_lit_parts_are_never_held() {
        for (exponent, most) in [(0.2, 8.0), (0.2, 1.0), (0.9, 0.3), (1.5, 0.3), (0.2, f32::INFINITY)] {
            let curve = ToneCurve { exponent, white: 1.0 };
            let mut before = 0.0;
            for step in 0..400 {
                let light = (step as f32 / 10.0 - 38.0).exp2();
                let [held, _, _] = tone(&curve, most, [light, 0.0, 0.0]);
                let [free, _, _] = tone(&curve, f32::INFINITY, [light, 0.0, 0.0]);
                assert!(
                    held.is_finite() && held >= before && held <= 1.0001 * free,
                    "{exponent} {most} {light}: {held}"
                );
                before = held;
                if light >= LIT || exponent > 1.0 {
                    assert_eq!(held, free);
                } else if light < LIT / 2.0 {
                    let least = free.min(most.max(LIT.powf(exponent - 1.0)) * light);
                    assert!(held <= 1.0001 * least && held > 0.84 * least, "{exponent} {most} {light}: {held}");
                }
            }
        }
    }
}
