//! Counter-based randomness: the same seed and place give the same number on every machine and
//! for any number of threads. The mixer is SplitMix64 (Steele, Lea & Flood 2014).

/// A well-mixed 64-bit number for a seed and a place.
pub(crate) fn hash(seed: u64, place: u64) -> u64 {
    let mut z = seed.wrapping_mul(0x9e37_79b9_7f4a_7c15) ^ place.wrapping_mul(0xbf58_476d_1ce4_e5b9);
    z = z.wrapping_add(0x9e37_79b9_7f4a_7c15);
    z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    z ^ (z >> 31)
}

/// Uniform in 0..1.
pub(crate) fn uniform(seed: u64, place: u64) -> f64 {
    (hash(seed, place) >> 11) as f64 / (1u64 << 53) as f64
}

/// Standard normal (Box & Muller 1958).
pub(crate) fn normal(seed: u64, place: u64) -> f64 {
    let u = uniform(seed, 2 * place).max(1e-15);
    let v = uniform(seed ^ 0x5851_f42d_4c95_7f2d, 2 * place + 1);
    (-2.0 * u.ln()).sqrt() * (std::f64::consts::TAU * v).cos()
}

/// Standard normals of successive places, those of [`normal`] within 1e-5 but for one in a thousand: further out than four
/// standard deviations they come in steps, of a thousandth there and of a tenth at the end, 5.9. A frame's noise is tens of
/// millions of them, so logarithm and cosine go by polynomials that the compiler takes many at a time.
pub(crate) fn normals(seed: u64, first: u64, out: &mut [f32]) {
    const MANY: usize = 64;
    let mut angles = [0.0f32; MANY];
    for (block, out) in out.chunks_mut(MANY).enumerate() {
        let first = first + (block * MANY) as u64;
        for (i, (o, a)) in out.iter_mut().zip(&mut angles).enumerate() {
            let place = first + i as u64;
            // The middle of one of 2^24 equal parts, and an angle in turns from -1/2.
            *o = ((hash(seed, 2 * place) >> 40) as u32 as f32 + 0.5) * (1.0 / 16_777_216.0);
            *a = (hash(seed ^ 0x5851_f42d_4c95_7f2d, 2 * place + 1) >> 40) as u32 as f32 * (1.0 / 16_777_216.0) - 0.5;
        }
        for (o, a) in out.iter_mut().zip(&angles) {
            *o = (-2.0 * logarithm(*o)).max(0.0).sqrt() * -cosine_of_turns(*a);
        }
    }
}

/// Natural logarithm of a normal number above zero, within 1e-7 of itself or of one: the exponent, and the inverse
/// hyperbolic tangent's series for what is left.
fn logarithm(x: f32) -> f32 {
    // Mantissas between the root of a half and the root of two keep the series short.
    let bits = x.to_bits().wrapping_sub(0x3f35_04f3);
    let exponent = (bits as i32 >> 23) as f32;
    let m = f32::from_bits((bits & 0x007f_ffff) + 0x3f35_04f3);
    let s = (m - 1.0) / (m + 1.0);
    let s2 = s * s;
    let series = s * (2.0 + s2 * (2.0 / 3.0 + s2 * (2.0 / 5.0 + s2 * (2.0 / 7.0 + s2 * (2.0 / 9.0)))));
    exponent * std::f32::consts::LN_2 + series
}

/// Cosine of an angle in turns, -1/2..1/2, within 1e-6: one less twice the squared sine of half of it.
fn cosine_of_turns(turns: f32) -> f32 {
    let a = turns * std::f32::consts::PI;
    let a2 = a * a;
    let sine = a
        * (1.0
            + a2 * (-1.0 / 6.0
                + a2 * (1.0 / 120.0 + a2 * (-1.0 / 5040.0 + a2 * (1.0 / 362_880.0 - a2 * (1.0 / 39_916_800.0))))));
    1.0 - 2.0 * sine * sine
}

/// Smooth noise -1..1 on a lattice in three dimensions (value noise, quintic fade).
pub(crate) fn lattice(seed: u64, p: [f64; 3]) -> f64 {
    // The whole part and no call of `floor`, which plain x86-64 has no instruction for.
    let whole = p.map(|v| v as i64 - i64::from(v < 0.0 && v != (v as i64) as f64));
    let cell = whole.map(|v| v as f64);
    let fade = |t: f64| t * t * t * (t * (t * 6.0 - 15.0) + 10.0);
    let f = [fade(p[0] - cell[0]), fade(p[1] - cell[1]), fade(p[2] - cell[2])];
    let corner = |dx: i64, dy: i64, dz: i64| {
        let key = ((whole[0] + dx) as u64).wrapping_mul(73_856_093)
            ^ ((whole[1] + dy) as u64).wrapping_mul(19_349_663)
            ^ ((whole[2] + dz) as u64).wrapping_mul(83_492_791);
        uniform(seed, key) * 2.0 - 1.0
    };
    let mix = |a: f64, b: f64, t: f64| a + (b - a) * t;
    let plane = |dz: i64| {
        mix(mix(corner(0, 0, dz), corner(1, 0, dz), f[0]), mix(corner(0, 1, dz), corner(1, 1, dz), f[0]), f[1])
    };
    mix(plane(0), plane(1), f[2])
}

/// Fractal noise, about -1..1: octaves of [`lattice`] at halving scale.
pub(crate) fn fractal(seed: u64, p: [f64; 3], octaves: u32) -> f64 {
    let (mut sum, mut amplitude, mut scale, mut total) = (0.0, 1.0, 1.0, 0.0);
    for octave in 0..octaves {
        sum += amplitude * lattice(seed.wrapping_add(u64::from(octave)), p.map(|v| v * scale));
        total += amplitude;
        amplitude *= 0.5;
        scale *= 2.03;
    }
    sum / total * 1.6
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn normal_numbers_have_unit_spread() {
        let n = 20_000;
        let values: Vec<f64> = (0..n).map(|i| normal(7, i)).collect();
        let mean = values.iter().sum::<f64>() / n as f64;
        let variance = values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / n as f64;
        assert!(mean.abs() < 0.03 && (variance - 1.0).abs() < 0.05, "{mean} {variance}");
    }

    #[test]
    fn many_normals_are_those_of_one_after_another() {
        let mut many = vec![0.0; 100_003];
        normals(11, 5_000, &mut many);
        let off = |i: usize| (f64::from(many[i]) - normal(11, 5_000 + i as u64)).abs();
        let worst = (0..many.len()).map(off).fold(0.0, f64::max);
        let apart = (0..many.len()).filter(|i| off(*i) > 1e-5).count();
        assert!(worst < 3e-3 && apart < 150, "{worst} {apart}");
    }
}
