//! Discs that stand off the way of all the others, where the camera stood still and nothing else says where the Moon is.
//!
//! A night without site or times has no sky to compare with; its Moons still lie one after the other along a way that
//! frames of an even pace follow evenly. What is chosen far from it, in a frame whose Moon was not found, is a lamp.

use super::choice::Choice;
use super::sequence::{Seen, Sequence};
use crate::detect::DiscFit;
use crate::raster::PixelPoint;
use crate::registration::{Rejection, RejectionReason};

/// Fewest discs that make a way, and their share of those chosen.
const FEWEST: usize = 6;
const LEAST_SHARE: f64 = 0.6;

/// Where a frame lies in its sequence: seconds, or its number where times are not known.
fn paces(sequence: &Sequence<'_>) -> Vec<f64> {
    let times: Option<Vec<_>> = (0..sequence.len()).map(|k| sequence.frame(k).time.map(|t| t.middle)).collect();
    match times.as_deref() {
        Some([first, rest @ ..]) => std::iter::once(0.0).chain(rest.iter().map(|t| t.seconds_since(*first))).collect(),
        _ => (0..sequence.len()).map(|k| k as f64).collect(),
    }
}

/// A way at an even pace through two chosen discs.
struct Way {
    from: PixelPoint,
    at: f64,
    step: (f64, f64),
}

impl Way {
    fn through((a, at): (PixelPoint, f64), (b, until): (PixelPoint, f64)) -> Option<Way> {
        let span = until - at;
        (span.abs() > 0.0).then(|| Way { from: a, at, step: ((b.x - a.x) / span, (b.y - a.y) / span) })
    }

    fn position(&self, pace: f64) -> PixelPoint {
        let t = pace - self.at;
        PixelPoint::new(self.from.x + self.step.0 * t, self.from.y + self.step.1 * t)
    }
}

/// The choices without those that stand far off the common way; as they are where there is none, or where the camera
/// was moved.
pub(super) fn without_strays(sequence: &Sequence<'_>, seen: &[&Seen], choices: Vec<Choice>) -> Vec<Choice> {
    let stood_still = seen.iter().filter(|s| !s.still().is_empty()).count() * 2 > seen.len();
    if !stood_still {
        return choices;
    }
    let paces = paces(sequence);
    let chosen = |k: usize| choices[k].chosen.and_then(|i| seen[k].discs().get(i)).map(|look| look.fit);
    let discs: Vec<(usize, DiscFit)> = (0..choices.len()).filter_map(|k| Some((k, chosen(k)?))).collect();
    let strays = strays(&discs, &paces);
    let mut choices = choices;
    for (k, fit) in strays {
        choices[k].rejected.push(Rejection::new(&fit, RejectionReason::OffTrack));
        choices[k].chosen = None;
    }
    choices
}

fn strays(discs: &[(usize, DiscFit)], paces: &[f64]) -> Vec<(usize, DiscFit)> {
    let keeps_to = |way: &Way, (k, fit): &(usize, DiscFit), length: f64| {
        way.position(paces[*k]).distance(fit.centre) < fit.radius_px + 0.1 * length
    };
    let mut best: (usize, Option<(Way, f64)>) = (0, None);
    for (i, (k, a)) in discs.iter().enumerate() {
        for (m, b) in &discs[i + 1..] {
            let length = a.centre.distance(b.centre);
            // A way that hardly leads anywhere tells nothing.
            if length < 4.0 * a.radius_px.max(b.radius_px) {
                continue;
            }
            let Some(way) = Way::through((a.centre, paces[*k]), (b.centre, paces[*m])) else { continue };
            let count = discs.iter().filter(|d| keeps_to(&way, d, length)).count();
            if count > best.0 {
                best = (count, Some((way, length)));
            }
        }
    }
    let (count, Some((way, length))) = best else { return Vec::new() };
    if count < FEWEST || (count as f64) < LEAST_SHARE * discs.len() as f64 {
        return Vec::new();
    }
    // The sky's way bends and a lens bends it more: only what is far off is none of it.
    let far = |(k, fit): &&(usize, DiscFit)| {
        way.position(paces[*k]).distance(fit.centre) > 5.0 * fit.radius_px + 0.35 * length
    };
    discs.iter().filter(far).copied().collect()
}
