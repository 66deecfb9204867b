//! Discs that stand off the way of all the others, where the camera stood still and nothing else says where the Moon is.
//!
//! A night without site or times has no sky to compare with; its Moons still lie one after the other along a way that
//! frames of an even pace follow evenly. What is chosen far from it, in a frame whose Moon was not found, is a lamp.

use super::choice::Choice;
use super::sequence::{Seen, Sequence};
use crate::detect::DiscFit;
use crate::raster::PixelPoint;
use crate::registration::{Rejection, RejectionReason};
use nalgebra::{Matrix3, Vector3};

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

    fn place(&self, pace: f64) -> PixelPoint {
        let t = pace - self.at;
        PixelPoint::new(self.from.x + self.step.0 * t, self.from.y + self.step.1 * t)
    }
}

/// The choices without those that stand off the common way; as they are where there is none, or where the camera was
/// moved. `along`: where the way of all frames of the camera has each Moon ([`along`]).
pub(super) fn without_strays(
    sequence: &Sequence<'_>,
    seen: &[&Seen],
    choices: Vec<Choice>,
    along: &[Option<PixelPoint>],
) -> Vec<Choice> {
    let chosen = |k: usize| choices[k].chosen.and_then(|i| seen[k].discs().get(i)).map(|look| look.fit);
    let discs: Vec<(usize, DiscFit)> = (0..choices.len()).filter_map(|k| Some((k, chosen(k)?))).collect();
    let stood_still = seen.iter().filter(|s| !s.still().is_empty()).count() * 2 > seen.len();
    let strays = match common_way(&discs, &paces(sequence)).filter(|_| stood_still) {
        Some((way, length)) => {
            let paces = paces(sequence);
            // The sky's way bends and a lens bends it more: only what is far off is none of it.
            let far = |(k, fit): &&(usize, DiscFit)| {
                way.place(paces[*k]).distance(fit.centre) > 5.0 * fit.radius_px + 0.35 * length
            };
            discs.iter().filter(far).copied().collect()
        }
        None => Vec::new(),
    };
    let off =
        |(k, fit): &&(usize, DiscFit)| along[*k].is_some_and(|at| at.distance(fit.centre) > ALONG * fit.radius_px);
    let mut choices = choices;
    for (k, fit) in strays.iter().chain(discs.iter().filter(off)) {
        if choices[*k].chosen.take().is_some() {
            choices[*k].rejected.push(Rejection::new(fit, RejectionReason::OffTrack));
        }
    }
    choices
}

/// A Moon stands within so many radii of the way that most of a night's keep to within half of one.
const ALONG: f64 = 3.0;
/// The share of the discs that must keep to a way for it to say where others are: a tripod that was knocked half way
/// has none.
const SHARE_ALONG: f64 = 0.75;

/// Where each frame's Moon stands by the way of all the others of a camera, whatever their zoom or glow: by each frame's
/// best disc. `None` where they keep to none.
pub(super) fn along(sequence: &Sequence<'_>, seen: &[Seen]) -> Vec<Option<PixelPoint>> {
    let paces = paces(sequence);
    let best = |(k, seen): (usize, &Seen)| Some((k, *seen.fits().next()?));
    let discs: Vec<(usize, DiscFit)> = seen.iter().enumerate().filter_map(best).collect();
    let bend = common_way(&discs, &paces).and_then(|(way, length)| {
        let near = |(k, fit): &&(usize, DiscFit)| {
            way.place(paces[*k]).distance(fit.centre) < 5.0 * fit.radius_px + 0.35 * length
        };
        let near: Vec<(usize, DiscFit)> = discs.iter().filter(near).copied().collect();
        let fewest = (SHARE_ALONG * discs.len() as f64).ceil() as usize;
        Bend::through(&near, &paces, fewest.max(FEWEST_ALONG))
    });
    paces.iter().map(|pace| bend.as_ref().and_then(|bend| bend.expects(*pace))).collect()
}

/// The straight way that most discs keep to, and its length.
fn common_way(discs: &[(usize, DiscFit)], paces: &[f64]) -> Option<(Way, f64)> {
    let keeps_to = |way: &Way, (k, fit): &(usize, DiscFit), length: f64| {
        way.place(paces[*k]).distance(fit.centre) < fit.radius_px + 0.1 * length
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
    let (count, way) = best;
    way.filter(|_| count >= FEWEST && count as f64 >= LEAST_SHARE * discs.len() as f64)
}

/// Fewest discs that follow a bent way for it to say where another one is.
const FEWEST_ALONG: usize = 10;

/// A way that bends evenly: both coordinates of degree two in the pace.
struct Bend {
    /// Where the paces begin and end that it was fitted to.
    span: (f64, f64),
    x: Vector3<f64>,
    y: Vector3<f64>,
    /// How far the discs lie off it, root of the mean square, pixels.
    scatter_px: f64,
}

impl Bend {
    /// Through most of some discs, by least squares from which the worst are left out in turn; `None` where they do not
    /// follow it within half a radius.
    fn through(discs: &[(usize, DiscFit)], paces: &[f64], fewest: usize) -> Option<Bend> {
        let mut kept: Vec<(usize, DiscFit)> = discs.to_vec();
        while kept.len() >= fewest {
            let bend = Bend::fit(&kept, paces)?;
            let off = |(k, fit): &(usize, DiscFit)| bend.place(paces[*k]).distance(fit.centre);
            let worst = (0..kept.len()).max_by(|&a, &b| off(&kept[a]).total_cmp(&off(&kept[b])))?;
            let (_, fit) = kept[worst];
            if off(&kept[worst]) < (4.0 * bend.scatter_px).min(fit.radius_px) {
                return (bend.scatter_px < 0.5 * fit.radius_px).then_some(bend);
            }
            kept.swap_remove(worst);
        }
        None
    }

    fn fit(discs: &[(usize, DiscFit)], paces: &[f64]) -> Option<Bend> {
        let of = |f: fn(f64, f64) -> f64, first: f64| discs.iter().map(|(k, _)| paces[*k]).fold(first, f);
        let span = (of(f64::min, f64::INFINITY), of(f64::max, f64::NEG_INFINITY));
        let (mut normal, mut x, mut y) = (Matrix3::zeros(), Vector3::zeros(), Vector3::zeros());
        for (k, fit) in discs {
            let terms = Bend::terms(span, paces[*k]);
            normal += terms * terms.transpose();
            x += terms * fit.centre.x;
            y += terms * fit.centre.y;
        }
        let solver = normal.cholesky()?;
        let bend = Bend { span, x: solver.solve(&x), y: solver.solve(&y), scatter_px: 0.0 };
        let square = |(k, fit): &(usize, DiscFit)| bend.place(paces[*k]).distance(fit.centre).powi(2);
        let freedom = discs.len().checked_sub(3).filter(|f| *f > 0)? as f64;
        Some(Bend { scatter_px: (discs.iter().map(square).sum::<f64>() / freedom).sqrt(), ..bend })
    }

    fn terms((from, until): (f64, f64), pace: f64) -> Vector3<f64> {
        let t = (2.0 * pace - from - until) / (until - from).max(1e-9);
        Vector3::new(1.0, t, t * t)
    }

    fn place(&self, pace: f64) -> PixelPoint {
        let terms = Bend::terms(self.span, pace);
        PixelPoint::new(self.x.dot(&terms), self.y.dot(&terms))
    }

    /// Where the Moon is at a pace, among those that were fitted.
    fn expects(&self, pace: f64) -> Option<PixelPoint> {
        (self.span.0..=self.span.1).contains(&pace).then(|| self.place(pace))
    }
}
