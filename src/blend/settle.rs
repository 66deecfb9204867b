//! By how much each disc's light is multiplied, channel by channel, once all of them have been measured.
//!
//! * The air: 10^(0.4 k X), with k given or fitted to the night's own sunlit discs (magnitudes against
//!   airmass, the straight line of Bouguer's law).
//! * White: the mean of the uneclipsed discs gets the Moon's own colour.
//! * Evenness: each disc's brighter part comes to one level by its own measure, as long as that agrees with
//!   the discs before and after it (in radiance over what the shadow's geometry predicts, by a local line
//!   that outliers do not pull). A measure that departs from its neighbours by more than a stop, by a lamp
//!   or a burnt sliver, is followed no further than that: neighbours never flicker.

use super::develop::DiscMeasure;
use crate::diag::Diagnostic;
use crate::layout::{AirTreatment, Composition, Gain, Placement};
use crate::units::Instant;

/// Factors on the light of each disc, red, green and blue.
pub struct Settled {
    /// In the order of the placements.
    pub gains: Vec<[f32; 3]>,
    /// What has to be said of them.
    pub diagnostics: Vec<Diagnostic>,
}

/// A disc's measure may depart from its neighbours by this factor.
const OWN_MEASURE: f64 = 2.0;
/// Brighter than this share of the uneclipsed Moon counts as sunlit.
const SUNLIT: f64 = 0.85;
/// Discs with more burnt pixels are no measure of colour.
const MOST_BURNT: f32 = 0.02;
/// Even discs are not brightened or dimmed by more.
const MOST_GAIN: f64 = 64.0;

struct Disc<'a> {
    placement: &'a Placement,
    measure: DiscMeasure,
}

impl Disc<'_> {
    fn is_sunlit(&self) -> bool {
        self.placement.sky.is_some_and(|s| s.expected.iter().all(|e| *e > SUNLIT))
            && self.measure.saturated_share < MOST_BURNT
            && self.measure.bright.iter().all(|b| *b > 1e-5)
    }
}

/// Settles the factors of all discs; `None` stands for one that could not be had.
pub fn settle(composition: &Composition, measures: &[Option<DiscMeasure>]) -> Settled {
    let mut diagnostics = Vec::new();
    let discs: Vec<Option<Disc<'_>>> = composition
        .placements
        .iter()
        .zip(measures)
        .map(|(placement, m)| m.map(|measure| Disc { placement, measure }))
        .collect();
    let known: Vec<&Disc<'_>> = discs.iter().flatten().collect();
    let extinction = match composition.development.air {
        AirTreatment::Kept => None,
        AirTreatment::Removed(k) => Some(k),
        AirTreatment::Fitted(usual) => Some(fitted_extinction(&known, usual, &mut diagnostics)),
    };
    let air = |p: &Placement| match (extinction, p.sky) {
        (Some(k), Some(sky)) => k.map(|k| 10f64.powf(0.4 * k * sky.airmass)),
        _ => [1.0; 3],
    };
    let white =
        composition.development.moon_colour.map_or([1.0; 3], |target| white(&known, target, air, &mut diagnostics));
    let colours: Vec<[f64; 3]> = discs
        .iter()
        .map(|d| {
            d.as_ref().map_or([1.0; 3], |d| {
                let air = air(d.placement);
                std::array::from_fn(|c| air[c] * white[c])
            })
        })
        .collect();
    let levels = even_levels(&discs, &colours);
    let gains = discs
        .iter()
        .zip(&colours)
        .zip(levels)
        .map(|((disc, colour), level)| {
            let gain = match disc.as_ref().map(|d| d.placement.gain) {
                Some(Gain::ToLevel(wanted)) => (f64::from(wanted) / level).clamp(1.0 / MOST_GAIN, MOST_GAIN),
                Some(Gain::Factor(factor)) => f64::from(factor),
                None => 1.0,
            };
            colour.map(|c| (gain * c) as f32)
        })
        .collect();
    Settled { gains, diagnostics }
}

/// Magnitudes per airmass by the night's own sunlit discs; the usual ones where those do not tell.
fn fitted_extinction(discs: &[&Disc<'_>], usual: [f64; 3], diagnostics: &mut Vec<Diagnostic>) -> [f64; 3] {
    let sunlit: Vec<(f64, [f64; 3])> = discs
        .iter()
        .filter(|d| d.is_sunlit())
        .filter_map(|d| {
            let (sky, gain) = (d.placement.sky?, d.placement.light_gain?);
            let magnitude =
                std::array::from_fn(|c| -2.5 * (f64::from(d.measure.bright[c]) / gain / sky.expected[c]).log10());
            Some((sky.airmass, magnitude))
        })
        .collect();
    let thin = sunlit.iter().map(|s| s.0).fold(f64::INFINITY, f64::min);
    let thick = sunlit.iter().map(|s| s.0).fold(0.0, f64::max);
    if sunlit.len() < 4 || thick - thin < 0.3 {
        diagnostics.push(
            Diagnostic::warning(
                "extinction-not-fitted",
                format!("{} sunlit discs over {:.1} airmasses do not tell how clear the air was; a clear night at sea level is assumed", sunlit.len(), (thick - thin).max(0.0)),
            )
            .with_help("give `atmosphere: Removed(magnitudes: (…, …, …))`, or `Kept`"),
        );
        return usual;
    }
    let k = std::array::from_fn(|c| {
        let points: Vec<(f64, f64)> = sunlit.iter().map(|(x, m)| (*x, m[c])).collect();
        robust_line(&points, 0.0, None).1.clamp(0.0, 3.0)
    });
    diagnostics.push(Diagnostic::note(
        "extinction",
        format!(
            "the air took {:.2}, {:.2} and {:.2} magnitudes of red, green and blue per airmass, by {} sunlit discs",
            k[0],
            k[1],
            k[2],
            sunlit.len()
        ),
    ));
    k
}

/// Factors that give the uneclipsed Moon its colour, green kept.
fn white(
    discs: &[&Disc<'_>],
    target: [f64; 3],
    air: impl Fn(&Placement) -> [f64; 3],
    diagnostics: &mut Vec<Diagnostic>,
) -> [f64; 3] {
    let mut ratios: [Vec<f64>; 3] = Default::default();
    for d in discs.iter().filter(|d| d.is_sunlit()) {
        let air = air(d.placement);
        let light: [f64; 3] = std::array::from_fn(|c| f64::from(d.measure.bright[c]) * air[c]);
        (0..3).for_each(|c| ratios[c].push(light[c] / light[1]));
    }
    if ratios[0].is_empty() {
        diagnostics.push(
            Diagnostic::warning(
                "no-white",
                "no uneclipsed, unburnt Moon is shown to anchor white on; the cameras' white is kept",
            )
            .with_help("show a frame from before the eclipse, or use `white_balance: AsShot`"),
        );
        return [1.0; 3];
    }
    std::array::from_fn(|c| {
        let middle = ratios[c].len() / 2;
        target[c] / target[1] / *ratios[c].select_nth_unstable_by(middle, f64::total_cmp).1
    })
}

/// The level of each disc's brightest channel that its evening goes by.
fn even_levels(discs: &[Option<Disc<'_>>], colours: &[[f64; 3]]) -> Vec<f64> {
    let own: Vec<f64> = discs
        .iter()
        .zip(colours)
        .map(|(d, colour)| {
            let bright = d.as_ref().map_or([0.0; 3], |d| d.measure.bright);
            (0..3).map(|c| f64::from(bright[c]) * colour[c]).fold(1e-4, f64::max)
        })
        .collect();
    // Radiance over prediction, against time, where all are known.
    let points: Vec<Option<(f64, f64)>> = discs
        .iter()
        .zip(&own)
        .map(|(d, level)| {
            let p = d.as_ref()?.placement;
            let expected = p.sky?.expected.iter().copied().fold(1e-6, f64::max);
            Some((Instant::parse_utc(&p.utc).ok()?.tt_seconds(), (level / p.light_gain? / expected).ln()))
        })
        .collect();
    let series: Vec<(f64, f64)> = points.iter().flatten().copied().collect();
    own.iter()
        .zip(&points)
        .map(|(level, point)| match point {
            Some((time, radiance)) if series.len() >= 5 => {
                let expected = local_value(&series, *time);
                let departs = (radiance - expected).clamp(-OWN_MEASURE.ln(), OWN_MEASURE.ln());
                level * (expected + departs - radiance).exp()
            }
            _ => *level,
        })
        .collect()
}

/// The value of a series at a time by a line through its nearest points, outliers left to themselves.
fn local_value(series: &[(f64, f64)], time: f64) -> f64 {
    const NEAREST: usize = 5;
    let mut distances: Vec<f64> = series.iter().map(|p| (p.0 - time).abs()).collect();
    let k = NEAREST.min(distances.len() - 1);
    let reach = distances.select_nth_unstable_by(k, f64::total_cmp).1.max(1.0) * 1.01;
    let near: Vec<(f64, f64)> = series.iter().filter(|p| (p.0 - time).abs() <= reach).copied().collect();
    robust_line(&near, time, Some(reach)).0
}

/// A line by iteratively reweighted least squares (bisquare weights, Beaton & Tukey 1974): its value at `at` and
/// its slope. With a reach, nearer points count more (tricube weights, Cleveland 1979).
fn robust_line(points: &[(f64, f64)], at: f64, reach: Option<f64>) -> (f64, f64) {
    let near = |x: f64| reach.map_or(1.0, |r| (1.0 - ((x - at).abs() / r).powi(3)).max(1e-3).powi(3));
    let mut weights: Vec<f64> = points.iter().map(|p| near(p.0)).collect();
    let (mut value, mut slope) = (0.0, 0.0);
    for _ in 0..5 {
        let mut s = [0.0; 5];
        for ((x, y), w) in points.iter().zip(&weights) {
            let x = x - at;
            for (sum, term) in s.iter_mut().zip([1.0, x, *y, x * x, x * y]) {
                *sum += w * term;
            }
        }
        let det = s[0] * s[3] - s[1] * s[1];
        (value, slope) = if det.abs() > 1e-12 * s[0] * s[3].max(1e-12) {
            ((s[3] * s[2] - s[1] * s[4]) / det, (s[0] * s[4] - s[1] * s[2]) / det)
        } else {
            (s[2] / s[0].max(1e-12), 0.0)
        };
        let off = |p: &(f64, f64)| (p.1 - value - slope * (p.0 - at)).abs();
        let mut sizes: Vec<f64> = points.iter().map(off).collect();
        let middle = sizes.len() / 2;
        let scale = 6.0 * sizes.select_nth_unstable_by(middle, f64::total_cmp).1.max(1e-4);
        for (w, p) in weights.iter_mut().zip(points) {
            let u = off(p) / scale;
            *w = near(p.0) * if u < 1.0 { (1.0 - u * u).powi(2) } else { 1e-6 };
        }
    }
    (value, slope)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_line_is_not_pulled_by_an_outlier() {
        let mut points: Vec<(f64, f64)> = (0..9).map(|i| (f64::from(i), 2.0 + 0.5 * f64::from(i))).collect();
        points[4].1 = 40.0;
        let (value, slope) = robust_line(&points, 4.0, Some(9.0));
        assert!((value - 4.0).abs() < 0.01 && (slope - 0.5).abs() < 0.01, "{value} {slope}");
    }
}
