//! Which way a disc is turned: its features against the map's, ring by ring, at each turn.

use super::features::Features;
use crate::detect::{RADIUS, SIDE};
use crate::units::Angle;

const RINGS: usize = 14;
const DEGREES: usize = 360;

/// Rings around the centre: value and worth at each degree.
fn rings(features: &Features) -> Vec<[(f32, f32); DEGREES]> {
    let half = SIDE as f64 / 2.0;
    (0..RINGS)
        .map(|ring| {
            let rho = RADIUS * (0.14 + 0.78 * ring as f64 / (RINGS - 1) as f64);
            std::array::from_fn(|degree| {
                let (s, c) = (degree as f64).to_radians().sin_cos();
                // Clockwise from up.
                let (x, y) = (half + rho * s, half - rho * c);
                (features.detail.sample(x, y), features.worth.sample(x, y) * rho as f32)
            })
        })
        .collect()
}

/// How a disc is turned against the map.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(in crate::solve) struct Turned {
    /// The Moon's north, clockwise from the image's up.
    pub north: Angle,
    /// Whether the image is a mirror image.
    pub mirrored: bool,
    /// Standard deviation, from the disagreement of inner and outer parts.
    pub sigma: Angle,
    /// Correlation with the map, and the best of any other turn.
    pub correlation: f64,
    /// The highest correlation of clearly different turns, mirrored ones included.
    pub runner_up: f64,
}

impl Turned {
    /// Whether the features leave no doubt.
    pub fn is_certain(&self) -> bool {
        self.correlation > 0.22 && self.correlation > 1.25 * self.runner_up && self.sigma.degrees() < 1.5
    }

    /// Whether the features are the Moon's, however well they tell the turn: rendered balls, clocks, windows, charts and
    /// clouds reach 0.19 (`tests/suite/moonless.rs`), noisy and cut Moons of real photographs 0.25 to 0.5.
    pub fn is_a_face(&self) -> bool {
        self.correlation > 0.30 || (self.correlation > 0.24 && self.correlation > 1.15 * self.runner_up)
    }
}

/// Correlation for each whole degree that `disc` is turned clockwise against `map`.
fn correlations(
    disc: &[[(f32, f32); DEGREES]],
    map: &[[(f32, f32); DEGREES]],
    mirrored: bool,
    rings: impl Iterator<Item = usize>,
) -> Vec<f64> {
    let (mut cross, mut of_map, mut of_disc) = ([0.0f64; DEGREES], [0.0f64; DEGREES], 0.0f64);
    for ring in rings {
        // Twice around, so that what lies under one degree of the disc at every turn is a run of neighbours: many turns at once.
        let there: [f32; 2 * DEGREES] = std::array::from_fn(|turn| {
            let along = turn % DEGREES;
            map[ring][if mirrored { along } else { (DEGREES - along) % DEGREES }].0
        });
        let (mut c, mut m, mut d) = ([0.0f32; DEGREES], [0.0f32; DEGREES], 0.0f32);
        for (degree, (value, worth)) in disc[ring].iter().enumerate() {
            let (run, of_disc) = (DEGREES - degree, worth * value);
            c.iter_mut().zip(&there[run..]).for_each(|(c, v)| *c += of_disc * v);
            m.iter_mut().zip(&there[run..]).for_each(|(m, v)| *m += worth * v * v);
            d += of_disc * value;
        }
        cross.iter_mut().zip(c).for_each(|(sum, c)| *sum += f64::from(c));
        of_map.iter_mut().zip(m).for_each(|(sum, m)| *sum += f64::from(m));
        of_disc += f64::from(d);
    }
    cross.iter().zip(of_map).map(|(c, m)| c / (of_disc * m).sqrt().max(1e-12)).collect()
}

/// The peak of a circular series near a whole degree, by a parabola through three.
fn peak(series: &[f64], at: usize) -> f64 {
    let n = series.len();
    let (l, m, r) = (series[(at + n - 1) % n], series[at], series[(at + 1) % n]);
    let bend = l - 2.0 * m + r;
    at as f64 + if bend < 0.0 { (0.5 * (l - r) / bend).clamp(-0.6, 0.6) } else { 0.0 }
}

fn highest(series: &[f64], allowed: impl Fn(usize) -> bool) -> Option<usize> {
    (0..series.len()).filter(|i| allowed(*i)).max_by(|&a, &b| series[a].total_cmp(&series[b]))
}

pub(super) fn apart(a: f64, b: f64) -> f64 {
    ((a - b + 180.0).rem_euclid(360.0) - 180.0).abs()
}

/// How a disc is turned against the map, when that is known to a few degrees; `None` where its features
/// do not tell.
pub(in crate::solve) fn turn_near(disc: &Features, map: &Features, north: Angle, mirrored: bool) -> Option<Turned> {
    const REACH_DEG: f64 = 6.0;
    let (disc, map) = (rings(disc), rings(map));
    let near = |i: usize| apart(i as f64, north.normalized().degrees()) <= REACH_DEG;
    let series = correlations(&disc, &map, mirrored, 0..RINGS);
    let top = highest(&series, near)?;
    let turn = peak(&series, top);
    let at_the_end = apart(turn, north.normalized().degrees()) > REACH_DEG - 1.0;
    let sigma = spread_of_parts(&disc, &map, mirrored, turn);
    let holds = series[top] > 0.15 && !at_the_end && sigma.degrees() < 1.0;
    holds.then(|| Turned {
        north: Angle::from_degrees(turn),
        mirrored,
        sigma,
        correlation: series[top],
        runner_up: 0.0,
    })
}

/// Standard deviation of a turn: four parts of the disc answer for themselves.
fn spread_of_parts(disc: &[[(f32, f32); DEGREES]], map: &[[(f32, f32); DEGREES]], mirrored: bool, turn: f64) -> Angle {
    let parts: Vec<f64> = (0..4)
        .filter_map(|part| {
            let own = correlations(disc, map, mirrored, (part..RINGS).step_by(4));
            let at = highest(&own, |i| apart(i as f64, turn) <= 8.0)?;
            Some((peak(&own, at) - turn + 180.0).rem_euclid(360.0) - 180.0)
        })
        .collect();
    let spread = (parts.iter().map(|p| p * p).sum::<f64>() / parts.len().max(1) as f64).sqrt();
    // Four independent parts halve the error of one. They are fewer where a shadow or cloud hides some, and share what the smooth
    // light leaves along its edge: on nights of two simulators errors are 1.25 times as large as that.
    Angle::from_degrees((1.25 * spread / 2.0).hypot(0.03))
}

/// How a disc is turned against the map, whichever way that is.
pub(in crate::solve) fn turn_against(disc: &Features, map: &Features) -> Option<Turned> {
    let (disc, map) = (rings(disc), rings(map));
    let both: Vec<(bool, Vec<f64>)> =
        [false, true].into_iter().map(|m| (m, correlations(&disc, &map, m, 0..RINGS))).collect();
    let tops: Vec<usize> = both.iter().filter_map(|(_, c)| highest(c, |_| true)).collect();
    let winner = usize::from(*tops.get(1)? != usize::MAX && both[1].1[tops[1]] > both[0].1[tops[0]]);
    let (mirrored, series) = &both[winner];
    let top = tops[winner];
    let elsewhere = highest(series, |i| apart(i as f64, top as f64) > 20.0).map_or(0.0, |i| series[i]);
    let other = both[1 - winner].1[tops[1 - winner]];
    let turn = peak(series, top);
    Some(Turned {
        north: Angle::from_degrees(turn),
        mirrored: *mirrored,
        sigma: spread_of_parts(&disc, &map, *mirrored, turn),
        correlation: series[top],
        runner_up: elsewhere.max(other),
    })
}

#[cfg(test)]
mod tests {
    use super::super::features::tests::drawn;
    use super::super::globes::globe;
    use super::*;

    #[test]
    fn the_turn_of_a_disc_is_read_from_its_seas() {
        for (north, mirrored) in [(0.0, false), (37.3, false), (251.8, false), (118.4, true)] {
            let libration = globe(3.0, -4.0);
            let disc = drawn(&libration, Angle::from_degrees(north), mirrored, (0.0, 0.0));
            let found = turn_against(&disc, &Features::of_map(&libration).unwrap()).unwrap();
            assert!(found.is_certain() && found.mirrored == mirrored, "{found:?}");
            assert!(apart(found.north.degrees(), north) < 0.2, "{north}: {found:?}");
        }
    }
}
