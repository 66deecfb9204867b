//! One ray's edge, placed by its whole profile.
//!
//! The steepest fall of a blurred edge leans inward where the disc's brightness rises away from the
//! limb (the penumbra does that to every partial phase). Here the profile is compared with a sharp
//! edge between two *sloping* lines, blurred by a Gaussian of known width; the slopes are free, so they
//! no longer move the edge. Convolution in closed form: a step becomes the normal integral Phi, a
//! ramp d becomes d Phi + sigma phi.

use nalgebra::{Matrix4, Vector4};

/// Normal integral and density, to 1e-7 (Abramowitz & Stegun 1964, 7.1.26: it needs no exponential but the density's).
fn normal(x: f64) -> (f64, f64) {
    let bell = (-0.5 * x * x).exp();
    let t = 1.0 / (1.0 + 0.327_591_1 * x.abs() / std::f64::consts::SQRT_2);
    let poly =
        t * (0.254_829_592 + t * (-0.284_496_736 + t * (1.421_413_741 + t * (-1.453_152_027 + t * 1.061_405_429))));
    let erf = 1.0 - poly * bell;
    const ROOT_OF_TWO_PI: f64 = 2.506_628_274_631_000_5;
    (0.5 * (1.0 + erf.copysign(x)), bell / ROOT_OF_TWO_PI)
}

fn basis(d: f64, sigma: f64) -> [f64; 4] {
    let (outside, density) = normal(d / sigma);
    let inside = 1.0 - outside;
    [inside, d * inside - sigma * density, outside, d * outside + sigma * density]
}

/// A profile with more light than this ends at the top of the scale and tells no edge's shape.
pub(super) const CLIPPED: f32 = 0.985;

/// Squared misfit with the edge at `place`, the four line parameters solved for.
fn misfit(samples: &[(f64, f64)], place: f64, sigma: f64) -> Option<f64> {
    // The upper half of the normal matrix: this is where a registration spends most of its time.
    let (mut normal, mut right, mut square) = ([[0.0; 4]; 4], [0.0; 4], 0.0);
    for &(at, value) in samples {
        let row = basis(at - place, sigma);
        for i in 0..4 {
            for j in i..4 {
                normal[i][j] += row[i] * row[j];
            }
            right[i] += row[i] * value;
        }
        square += value * value;
    }
    let normal = Matrix4::from_fn(|i, j| normal[i.min(j)][i.max(j)]);
    let right = Vector4::from(right);
    let solution = (normal + Matrix4::identity() * 1e-9).cholesky()?.solve(&right);
    Some(square - solution.dot(&right))
}

/// The edge's place in samples, near `first`; `sigma` is the blur in samples. `None` where the
/// profile is too short, saturated inside, or has no clear best place.
pub(super) fn place(values: &[f32], first: f64, sigma: f64) -> Option<f64> {
    let reach = (4.5 * sigma).max(9.0);
    let from = (first - reach).ceil().max(0.0) as usize;
    let to = ((first + reach).floor().max(0.0) as usize + 1).min(values.len());
    if from + 10 > to || (first - from as f64) < 2.5 * sigma || (to as f64 - first) < 2.5 * sigma {
        return None;
    }
    if values[from..to].iter().any(|v| *v > CLIPPED) {
        return None;
    }
    let samples: Vec<(f64, f64)> = (from..to).map(|i| (i as f64, f64::from(values[i]))).collect();
    let coarse = lowest(&samples, first, 0.35 * sigma, 5, sigma)?;
    lowest(&samples, coarse, 0.10 * sigma, 3, sigma)
}

/// The most by which [`blur_of`] goes beyond a rough one: a blur that is found there may be larger still.
pub(super) const LARGEST_FACTOR: f64 = 1.95;

/// The blur, in samples, that profiles with edges near their `first` places agree on, starting from a rough
/// one: a blur taken too small draws the edge into a disc that darkens towards its limb.
pub(super) fn blur_of(profiles: &[(&[f32], f64)], rough: f64) -> f64 {
    const FACTORS: [f64; 5] = [0.8, 1.0, 1.25, 1.56, LARGEST_FACTOR];
    let reach = (4.5 * rough * FACTORS[4]).max(9.0);
    let misfits = FACTORS.map(|factor| {
        let sigma = rough * factor;
        let mut each: Vec<f64> = profiles
            .iter()
            .filter_map(|(values, first)| {
                let from = (first - reach).ceil().max(0.0) as usize;
                let to = ((first + reach).floor().max(0.0) as usize + 1).min(values.len());
                let samples: Vec<(f64, f64)> = (from..to).map(|i| (i as f64, f64::from(values[i]))).collect();
                let (low, high) = samples.iter().fold((f64::MAX, f64::MIN), |(l, h), s| (l.min(s.1), h.max(s.1)));
                let at = lowest(&samples, *first, 0.2 * rough, 5, sigma)?;
                // In shares of the step, so that every profile has one voice.
                Some(misfit(&samples, at, sigma)? / (high - low).powi(2).max(1e-12))
            })
            .collect();
        each.sort_by(f64::total_cmp);
        each.get(each.len() / 2).copied().unwrap_or(f64::INFINITY)
    });
    let best = (0..FACTORS.len()).min_by(|&a, &b| misfits[a].total_cmp(&misfits[b])).unwrap_or(1);
    if best == 0 || best + 1 == FACTORS.len() || misfits[best - 1].is_infinite() || misfits[best + 1].is_infinite() {
        return rough * FACTORS[best];
    }
    let (l, m, r) = (misfits[best - 1], misfits[best], misfits[best + 1]);
    let bend = l - 2.0 * m + r;
    let part = if bend > 0.0 { (0.5 * (l - r) / bend).clamp(-0.5, 0.5) } else { 0.0 };
    rough * FACTORS[best] * 1.25f64.powf(part)
}

/// The place of least misfit among `2 trials + 1` equally spaced ones, by a parabola through the
/// lowest three; `None` when the lowest is at an end.
fn lowest(samples: &[(f64, f64)], middle: f64, step: f64, trials: i32, sigma: f64) -> Option<f64> {
    let misfits: Option<Vec<f64>> =
        (-trials..=trials).map(|k| misfit(samples, middle + f64::from(k) * step, sigma)).collect();
    let misfits = misfits?;
    let best = (0..misfits.len()).min_by(|&a, &b| misfits[a].total_cmp(&misfits[b]))?;
    if best == 0 || best + 1 == misfits.len() {
        return None;
    }
    let (l, m, r) = (misfits[best - 1], misfits[best], misfits[best + 1]);
    let bend = l - 2.0 * m + r;
    let part = if bend > 0.0 { (0.5 * (l - r) / bend).clamp(-0.6, 0.6) } else { 0.0 };
    Some(middle + (best as f64 - f64::from(trials) + part) * step)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A disc that brightens inward from a limb at 20.3, blurred by 2.4 samples.
    fn ramp(slope: f64) -> Vec<f32> {
        (0..44)
            .map(|i| {
                let b = basis(f64::from(i) - 20.3, 2.4);
                (0.2 * b[0] - slope * b[1] + 0.01 * b[2]) as f32
            })
            .collect()
    }

    #[test]
    fn a_sloping_disc_does_not_move_its_edge() {
        for slope in [0.0, 0.01, 0.03] {
            let at = place(&ramp(slope), 19.6, 2.4).unwrap();
            assert!((at - 20.3).abs() < 0.03, "slope {slope}: {at}");
        }
    }

    #[test]
    fn a_wrong_blur_matters_little() {
        let at = place(&ramp(0.02), 19.8, 2.0).unwrap();
        assert!((at - 20.3).abs() < 0.25, "{at}");
    }
}
