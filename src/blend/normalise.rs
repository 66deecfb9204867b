//! By how much each disc's light is multiplied, channel by channel, once all of them have been measured.
//!
//! * The air: 10^(0.4 k X), with k given or fitted to the night's own uneclipsed discs (magnitudes against
//!   airmass, the straight line of Bouguer's law).
//! * White: the mean of the uneclipsed discs gets the Moon's own colour, where the night shows it.
//! * Evenness: each disc's brighter part (the 98th percentile of its brightest channel: no star, lamp or crater
//!   rim moves it) comes to one level. It goes by what was photographed and not by the exposure's numbers, which
//!   cameras round by up to a sixth of a stop, so that neighbours never flicker.

use super::composite::stops_lost;
use super::disc::{Clipped, DiscMeasure};
use super::grain::most_lift_of_a_step;
use crate::composition::{AirTreatment, Composition, Gain, Lift, Placement};
use crate::diag::Diagnostic;

/// A disc's light, and how far it may be raised.
#[derive(Clone, Copy, Debug)]
pub struct Borne {
    /// What it measures.
    pub measure: DiscMeasure,
    /// The largest factor before noise or steps show (see [`super::most_lift`]).
    pub most_lift: f32,
}

/// What is done to the light of each disc, in the order of the placements.
pub struct Normalised {
    /// Factors, red, green and blue.
    pub gains: Vec<[f32; 3]>,
    /// By how much a tone curve may raise that light further before noise or steps show, the smallest one among them.
    pub most_raised: Vec<f32>,
    /// By how much evened discs are raised.
    pub lifts: Vec<Option<Lift>>,
    /// Where evened discs are white, because their frames clipped them.
    pub clipped: Vec<Option<Clipped>>,
    /// What has to be said of them.
    pub diagnostics: Vec<Diagnostic>,
}

/// Where the night has too few discs outside the penumbra, those whose brighter part has this share of the
/// uneclipsed Moon's light stand in for them.
const ALMOST_UNECLIPSED: f64 = 0.985;
/// Discs with more clipped pixels are no measure of colour.
const MOST_BURNT: f32 = 0.02;
/// Even discs are not dimmed to less than its inverse.
const MOST_GAIN: f64 = 256.0;
/// A disc with a smaller share of clipped pixels (a crater's rim, a hot pixel) keeps its light as it is, one with more than
/// the second is white there; between the two it turns slowly, so that neighbours never flicker.
const CLIPPED: (f32, f32) = (0.001, 0.005);

/// The same in pixels of the frame.
const CLIPPED_PIXELS: (f32, f32) = (4.0, 16.0);

struct Disc<'a> {
    placement: &'a Placement,
    measure: DiscMeasure,
    most_lift: f32,
}

impl Disc<'_> {
    fn is_fair(&self) -> bool {
        self.measure.saturated_share < MOST_BURNT && self.measure.bright.iter().all(|b| *b > 1e-5)
    }

    fn is_uneclipsed(&self) -> bool {
        self.is_fair() && self.placement.sky.is_some_and(|s| s.penumbral_fraction < 0.02)
    }

    fn is_almost_uneclipsed(&self) -> bool {
        self.is_fair() && self.placement.sky.is_some_and(|s| s.expected.iter().all(|e| *e > ALMOST_UNECLIPSED))
    }
}

/// What the uneclipsed discs say by `of`, or the almost uneclipsed ones where those are not `enough`.
fn by_uneclipsed<T>(discs: &[&Disc<'_>], of: impl Fn(&Disc<'_>) -> Option<T>, enough: impl Fn(&[T]) -> bool) -> Vec<T> {
    let whole: Vec<T> = discs.iter().filter(|d| d.is_uneclipsed()).filter_map(|d| of(d)).collect();
    if enough(&whole) {
        return whole;
    }
    discs.iter().filter(|d| d.is_almost_uneclipsed()).filter_map(|d| of(d)).collect()
}

/// The factors of all discs; `None` stands for one that could not be had.
pub fn normalise(composition: &Composition, measures: &[Option<Borne>]) -> Normalised {
    let mut diagnostics = Vec::new();
    let discs: Vec<Option<Disc<'_>>> = composition
        .placements
        .iter()
        .zip(measures)
        .map(|(placement, m)| m.map(|Borne { measure, most_lift }| Disc { placement, measure, most_lift }))
        .collect();
    let known: Vec<&Disc<'_>> = discs.iter().flatten().collect();
    let extinction = match composition.development.air {
        AirTreatment::Kept => None,
        AirTreatment::Removed(k) => Some(k),
        AirTreatment::Fitted => fitted_extinction(&known, &mut diagnostics),
    };
    let air = |p: &Placement| match (extinction, p.sky) {
        (Some(k), Some(sky)) => k.map(|k| 10f64.powf(0.4 * k * sky.airmass)),
        _ => [1.0; 3],
    };
    // Each camera has a white of its own.
    let mut whites: Vec<(Option<usize>, [f64; 3])> = Vec::new();
    if let Some(target) = composition.development.moon_colour {
        let mut rigs: Vec<Option<usize>> = known.iter().map(|d| d.placement.rig).collect();
        rigs.sort_unstable();
        rigs.dedup();
        for rig in rigs.iter().copied() {
            let own: Vec<&Disc<'_>> = known.iter().copied().filter(|d| d.placement.rig == rig).collect();
            match white(&own, target, air, extinction.is_some()) {
                Ok(factors) => {
                    let of = rig.filter(|_| rigs.len() > 1).map_or(String::new(), |rig| format!("rig {rig}: "));
                    let message = format!(
                        "{of}the uneclipsed Moon gets its own colour: red x {:.2}, blue x {:.2}",
                        factors[0], factors[2]
                    );
                    diagnostics.push(Diagnostic::note("white", message));
                    whites.push((rig, factors));
                }
                Err(said) => {
                    let of = rig.filter(|_| rigs.len() > 1).map_or(String::new(), |rig| format!("rig {rig}: "));
                    diagnostics.push(Diagnostic { message: format!("{of}{}", said.message), ..said });
                }
            }
        }
    }
    let white_of =
        |p: &Placement| whites.iter().find(|(rig, _)| *rig == p.rig).map_or([1.0; 3], |(_, factors)| *factors);
    let colours: Vec<[f64; 3]> = discs
        .iter()
        .map(|d| {
            d.as_ref().map_or([1.0; 3], |d| {
                let (air, white) = (air(d.placement), white_of(d.placement));
                std::array::from_fn(|c| air[c] * white[c])
            })
        })
        .collect();
    let mut held = Vec::new();
    let mut lifts = vec![None; discs.len()];
    let gains: Vec<[f32; 3]> = discs
        .iter()
        .zip(&colours)
        .zip(&mut lifts)
        .map(|((disc, colour), lift)| {
            let gain = disc.as_ref().map_or(1.0, |d| match d.placement.gain {
                Gain::ToLevel(wanted) => {
                    let even = (f64::from(wanted) / even_level(d, *colour)).max(1.0 / MOST_GAIN);
                    // Air and white raise some channel further.
                    let most = f64::from(d.most_lift) / colour.iter().copied().fold(1.0, f64::max);
                    let borne = even.min(most);
                    let borne = as_burnt(d, *colour).map_or(borne, |(shot, weight)| {
                        if shot > borne { borne.powf(1.0 - weight) * shot.powf(weight) } else { borne }
                    });
                    *lift = Some(Lift { stops: borne.log2(), asked_stops: even.max(borne).log2() });
                    if borne < 0.9 * even {
                        held.push((d.placement.frame.as_str(), borne.log2(), even.log2()));
                    }
                    borne
                }
                Gain::Factor(factor) => f64::from(factor),
            });
            let nudge = disc.as_ref().map_or([1.0; 3], |d| d.placement.nudge);
            std::array::from_fn(|c| (gain * colour[c]) as f32 * nudge[c])
        })
        .collect();
    diagnostics.extend(held_words(&held));
    let clipped = |d: &Disc<'_>| {
        let share = d.measure.saturated_share;
        let pixels = share * (std::f64::consts::PI * (0.97 * d.placement.source_radius_px).powi(2)) as f32;
        // One or two of a small disc's pixels are a rim or a ray, and would be a white spot on the sheet.
        let weight = |at: f32, (none, whole): (f32, f32)| ((at - none) / (whole - none)).clamp(0.0, 1.0);
        let weight = weight(share, CLIPPED).min(weight(pixels, CLIPPED_PIXELS));
        // What is shown as it was, or in true ratios, stays so.
        let is_even = matches!(d.placement.gain, Gain::ToLevel(_));
        (is_even && weight > 0.0 && d.measure.saturated_from > 0.0)
            .then_some(Clipped { from: d.measure.saturated_from, weight })
    };
    let clipped = discs.iter().map(|disc| disc.as_ref().and_then(clipped)).collect();
    let most_raised: Vec<f32> = discs
        .iter()
        .zip(&gains)
        .map(|(disc, gain)| {
            let most =
                disc.as_ref().map_or(f32::INFINITY, |d| d.most_lift.min(most_lift_of_a_step(d.measure.smallest_step)));
            most / gain.iter().copied().fold(1e-9, f32::max)
        })
        .collect();
    diagnostics.extend(dark_words(composition, &discs, &gains, &most_raised));
    Normalised { gains, most_raised, lifts, clipped, diagnostics }
}

/// So many frames are named in a line.
const MOST_NAMED: usize = 24;

/// Which discs were raised by less than evenness asks: their names, the stops they got and the stops that were asked.
fn held_words(held: &[(&str, f64, f64)]) -> Option<Diagnostic> {
    let one = |(frame, got, asked): &(&str, f64, f64)| format!("{frame} (+{got:.1} of +{asked:.1} stops)");
    let some: Vec<String> = held.iter().take(MOST_NAMED).map(one).collect();
    let more = if held.len() > MOST_NAMED { ", …" } else { "" };
    (!held.is_empty()).then(|| {
        Diagnostic::note(
            "lift-held",
            format!(
                "{} discs stay darker than the others, for beyond that their noise or their files' steps would show: {}{more}",
                held.len(),
                some.join(", ")
            ),
        )
        .with_help("longer exposures, camera raw or brackets with `merge` bear more; or leave these frames out")
    })
}

/// Which discs of true ratios have a shadow whose deep is shown darker than it was, for the tone curve raises it no further
/// than its frame bears, or it may be the sky's.
fn dark_words(
    composition: &Composition,
    discs: &[Option<Disc<'_>>],
    gains: &[[f32; 3]],
    most_raised: &[f32],
) -> Option<Diagnostic> {
    /// What a stop less looks like: nobody sees the tenth of one.
    const SEEN: f32 = 0.5;
    /// And so large a share of a disc that may be sky and is not shown.
    const UNSHOWN: f32 = 0.02;
    let mut names = Vec::new();
    for ((disc, gain), most) in discs.iter().zip(gains).zip(most_raised) {
        let Some(disc) = disc.as_ref().filter(|d| matches!(d.placement.gain, Gain::Factor(_))) else { continue };
        let is_eclipsed = disc.placement.sky.is_some_and(|s| s.penumbral_fraction > 0.5);
        let light = disc.measure.dark * gain.iter().copied().fold(0.0, f32::max);
        let is_unshown = disc.measure.unshown_share > UNSHOWN;
        if is_eclipsed && (is_unshown || stops_lost(&composition.tone, *most, light) > SEEN) {
            names.push(disc.placement.frame.as_str());
        }
    }
    let more = if names.len() > MOST_NAMED { ", …" } else { "" };
    let some = names.iter().take(MOST_NAMED).copied().collect::<Vec<_>>().join(", ");
    (!names.is_empty()).then(|| {
        Diagnostic::note(
            "shadow-held",
            format!(
                "the deep of the shadow of {} discs is shown darker than it was, for beyond that its noise, its files' \
                 steps or what is left of the sky would show: {some}{more}",
                names.len()
            ),
        )
        .with_help("longer exposures, camera raw or brackets with `merge` bear more")
    })
}

/// Airmasses that tell how clear the air was: at least so many discs, over so much air, and some in between.
const EXTINCTION_DISCS: usize = 4;
const EXTINCTION_SPAN: f64 = 0.3;

/// Whether discs at these airmasses tell the slope of light against air: at least three places along it.
fn tell_a_slope(airmasses: impl Iterator<Item = f64>) -> bool {
    let mut sorted: Vec<f64> = airmasses.collect();
    sorted.sort_by(f64::total_cmp);
    let (Some(low), Some(high)) = (sorted.first().copied(), sorted.last().copied()) else { return false };
    let between = |x: &f64| (0.2..0.8).contains(&((x - low) / (high - low).max(1e-9)));
    sorted.len() >= EXTINCTION_DISCS && high - low > EXTINCTION_SPAN && sorted.iter().any(between)
}

/// A disc's airmass, its magnitudes and its rig.
type Seen = (f64, [f64; 3], Option<usize>);

/// Airmasses and magnitudes about the means of their rigs: what one camera calls bright is no matter of the air.
fn about_their_rigs(mut lit: Vec<Seen>) -> Vec<Seen> {
    let all = lit.clone();
    for one in &mut lit {
        let own: Vec<&Seen> = all.iter().filter(|s| s.2 == one.2).collect();
        let mean = |of: &dyn Fn(&Seen) -> f64| own.iter().map(|s| of(s)).sum::<f64>() / own.len() as f64;
        one.0 -= mean(&|s| s.0);
        one.1 = std::array::from_fn(|c| one.1[c] - mean(&|s| s.1[c]));
    }
    lit
}

/// Magnitudes per airmass by the night's own uneclipsed discs; `None`, and said, where those do not tell.
fn fitted_extinction(discs: &[&Disc<'_>], diagnostics: &mut Vec<Diagnostic>) -> Option<[f64; 3]> {
    let magnitudes = |d: &Disc<'_>| {
        let (sky, gain) = (d.placement.sky?, d.placement.light_gain?);
        let magnitude: [f64; 3] =
            std::array::from_fn(|c| -2.5 * (f64::from(d.measure.bright[c]) / gain / sky.expected[c]).log10());
        Some((sky.airmass, magnitude, d.placement.rig))
    };
    let tell = |lit: &[Seen]| lit.iter().any(|one| tell_a_slope(lit.iter().filter(|s| s.2 == one.2).map(|s| s.0)));
    let lit = about_their_rigs(by_uneclipsed(discs, magnitudes, tell));
    // Means taken off change no distance between airmasses.
    if !tell(&lit) {
        diagnostics.push(
            Diagnostic::warning(
                "extinction-not-fitted",
                format!(
                    "{} uneclipsed discs do not tell how clear the air was: it takes {EXTINCTION_DISCS} at three heights or \
                     more, and {EXTINCTION_SPAN} airmasses apart; the air's light is kept",
                    lit.len()
                ),
            )
            .with_help("give `atmosphere: Removed(magnitudes: (…, …, …))`, or `Kept`"),
        );
        return None;
    }
    let k = std::array::from_fn(|c| {
        let points: Vec<(f64, f64)> = lit.iter().map(|(x, m, _)| (*x, m[c])).collect();
        robust_slope(&points).clamp(0.0, 3.0)
    });
    diagnostics.push(Diagnostic::note(
        "extinction",
        format!(
            "the air took {:.2}, {:.2} and {:.2} magnitudes of red, green and blue per airmass, by {} uneclipsed discs",
            k[0],
            k[1],
            k[2],
            lit.len()
        ),
    ));
    // Clear air takes more than this of any colour at sea level and half of it on a mountain (Rayleigh's tenth of a magnitude
    // at 550 nm, from memory); less is a camera's curve or clipped light.
    const LEAST: f64 = 0.03;
    if k.iter().any(|k| *k < LEAST) {
        diagnostics.pop();
        diagnostics.push(
            Diagnostic::warning(
                "extinction-not-fitted",
                format!(
                    "by its discs the air took {:.2}, {:.2} and {:.2} magnitudes per airmass, less than any air does: a camera's \
                     curve or clipped light; the air's light is kept",
                    k[0], k[1], k[2]
                ),
            )
            .with_help("give `atmosphere: Removed(magnitudes: (…, …, …))`, or `Kept`; camera raw tells it truly"),
        );
        return None;
    }
    Some(k)
}

/// Through more air than this the Moon's own colour is no longer told from the air's: a clear night's blue is down by a
/// quarter more than its green then (common practice, no source).
const MOST_AIRMASS: f64 = 2.5;
/// No daylight or tungsten white is further off than this factor; what is, is not white's doing (common practice, no source).
const MOST_WHITE: f64 = 1.8;
/// Colours of one Moon that differ by more than this from their middle, as a share, contradict each other (an airmass more
/// reddens it by half of that).
const MOST_SCATTER: f64 = 0.08;

/// Factors that give the uneclipsed Moon its colour, green kept, by the mean of its discs: there, and not in its brightest
/// part, a camera's curve keeps colours. What has to be said where the night does not support it.
fn white(
    discs: &[&Disc<'_>],
    target: [f64; 3],
    air: impl Fn(&Placement) -> [f64; 3],
    air_is_removed: bool,
) -> Result<[f64; 3], Diagnostic> {
    let refused = |why: String| {
        Diagnostic::warning("no-white", format!("{why}; the cameras' white is kept"))
            .with_help("show a high, unclipped Moon from before the eclipse, or use `white_balance: AsShot`")
    };
    let is_high = |d: &Disc<'_>| air_is_removed || d.placement.sky.is_some_and(|s| s.airmass < MOST_AIRMASS);
    let colour = |d: &Disc<'_>| {
        let air = air(d.placement);
        let light: [f64; 3] = std::array::from_fn(|c| f64::from(d.measure.mean[c]) * air[c]);
        (is_high(d) && light.iter().all(|l| *l > 0.0)).then(|| light.map(|l| l / light[1]))
    };
    let ratios = by_uneclipsed(discs, colour, |lit| !lit.is_empty());
    if ratios.is_empty() {
        let low = discs.iter().any(|d| d.is_almost_uneclipsed() && !is_high(d));
        return Err(refused(if low {
            "the uneclipsed Moon is shown through so much air only that its colour is the air's".into()
        } else {
            "no uneclipsed, unclipped Moon is shown to anchor white on".into()
        }));
    }
    let middle: [f64; 3] = std::array::from_fn(|c| median(ratios.iter().map(|r| r[c]).collect()));
    let scatter = [0, 2].map(|c| median(ratios.iter().map(|r| (r[c] / middle[c] - 1.0).abs()).collect()));
    let factors: [f64; 3] = std::array::from_fn(|c| target[c] / target[1] / middle[c]);
    if scatter.iter().any(|s| *s > MOST_SCATTER) {
        return Err(refused("the uneclipsed Moons' colours contradict each other".into()));
    }
    if factors.iter().any(|f| !(1.0 / MOST_WHITE..MOST_WHITE).contains(f)) {
        return Err(refused(format!(
            "the uneclipsed Moon's colour is {:.2} : 1 : {:.2}, too far from its own to be the white balance alone",
            middle[0], middle[2]
        )));
    }
    Ok(factors)
}

/// The middle one; of none, zero.
fn median(mut values: Vec<f64>) -> f64 {
    let middle = values.len() / 2;
    if values.is_empty() { 0.0 } else { *values.select_nth_unstable_by(middle, f64::total_cmp).1 }
}

/// Burnt copper shows its colour at the brightness that it was photographed with: red that is clipped and green that is not
/// are gold there, and olive when they are dimmed. The factor that keeps its file's light, and how much of it counts.
fn as_burnt(disc: &Disc<'_>, colour: [f64; 3]) -> Option<(f64, f64)> {
    /// Shares of the disc: a bright rim alone is left even, and between the two it turns slowly.
    const BURNT: (f64, f64) = (0.02, 0.2);
    let weight = ((f64::from(disc.measure.tinted_share) - BURNT.0) / (BURNT.1 - BURNT.0)).clamp(0.0, 1.0);
    (weight > 0.0).then(|| (1.0 / colour.iter().copied().fold(1.0, f64::max), weight))
}

/// The level of each disc's brightest channel that its evening goes by.
fn even_level(disc: &Disc<'_>, colour: [f64; 3]) -> f64 {
    (0..3).map(|c| f64::from(disc.measure.bright[c]) * colour[c]).fold(1e-4, f64::max)
}

/// The slope of a line by iteratively reweighted least squares (bisquare weights, Beaton & Tukey 1974).
fn robust_slope(points: &[(f64, f64)]) -> f64 {
    let mut weights = vec![1.0; points.len()];
    let mut slope = 0.0;
    for _ in 0..8 {
        let mut s = [0.0; 5];
        for ((x, y), w) in points.iter().zip(&weights) {
            for (sum, term) in s.iter_mut().zip([1.0, *x, *y, x * x, x * y]) {
                *sum += w * term;
            }
        }
        let det = s[0] * s[3] - s[1] * s[1];
        slope = (s[0] * s[4] - s[1] * s[2]) / det;
        let value = (s[2] - slope * s[1]) / s[0];
        let off = |p: &(f64, f64)| (p.1 - value - slope * p.0).abs();
        let mut sizes: Vec<f64> = points.iter().map(off).collect();
        let middle = sizes.len() / 2;
        let scale = 6.0 * sizes.select_nth_unstable_by(middle, f64::total_cmp).1.max(1e-4);
        for (w, p) in weights.iter_mut().zip(points) {
            let u = off(p) / scale;
            *w = if u < 1.0 { (1.0 - u * u).powi(2) } else { 1e-6 };
        }
    }
    slope
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_slope_is_not_pulled_by_an_outlier() {
        let mut points: Vec<(f64, f64)> = (0..9).map(|i| (f64::from(i), 2.0 + 0.5 * f64::from(i))).collect();
        points[7].1 = 40.0;
        assert!((robust_slope(&points) - 0.5).abs() < 0.01);
    }
}
