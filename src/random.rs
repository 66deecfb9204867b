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

/// Smooth noise -1..1 on a lattice in three dimensions (value noise, quintic fade).
pub(crate) fn lattice(seed: u64, p: [f64; 3]) -> f64 {
    let cell = p.map(f64::floor);
    let fade = |t: f64| t * t * t * (t * (t * 6.0 - 15.0) + 10.0);
    let f = [fade(p[0] - cell[0]), fade(p[1] - cell[1]), fade(p[2] - cell[2])];
    let corner = |dx: i64, dy: i64, dz: i64| {
        let key = ((cell[0] as i64 + dx) as u64).wrapping_mul(73_856_093)
            ^ ((cell[1] as i64 + dy) as u64).wrapping_mul(19_349_663)
            ^ ((cell[2] as i64 + dz) as u64).wrapping_mul(83_492_791);
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
}
