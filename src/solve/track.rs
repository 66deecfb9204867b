//! The way that the Moon takes over the frames of a camera that stood still, where no sky is known.
//!
//! A night without site or times has no sky to compare with; its Moons still lie one after the other along a way that
//! frames of an even pace follow evenly. Where enough of them lie along one so closely that lights anywhere could not
//! ([`Way::of`]), it tells where the Moon stood in the others, and what stands far off it is none. A whole night's way
//! bends with the lens by more than this follows; there only what stands far off the line of all the others is put aside.

use super::choice::{Choice, SURE_OF_SIZE};
use super::sequence::{Seen, Sequence};
use crate::detect::{CONFIDENT, DiscFit};
use crate::random::uniform;
use crate::raster::PixelPoint;
use crate::registration::{Rejection, RejectionReason};
use nalgebra::{Matrix3, Vector3};

/// Fewest discs that make a way, and the share of the frames with a disc beyond doubt that must show one along it.
const FEWEST: usize = 6;
const LEAST_SHARE: f64 = 0.6;
/// How many ways are tried.
const TRIALS: usize = 3000;
/// How far a disc may lie from a way through three others, radii and pixels; and radii from one through all that lie along it.
const REACH: (f64, f64) = (0.5, 1.0);
const CLOSER: f64 = 0.3;

/// Whether so many frames show a light along a way that lights anywhere cannot be what it rests on; `share`: of a frame's area, that of
/// the square of how far off one may lie.
fn is_no_chance(lights: &[Vec<DiscFit>], along: usize, share: f64) -> bool {
    /// Chance that a way rests on chance: one night in a million.
    const FALSE_ALARM: f64 = 1e-6;
    /// A way is three numbers along each axis.
    const TAKEN: f64 = 3.0;
    let frames = lights.len() as f64;
    let by_chance = lights.iter().map(Vec::len).sum::<usize>() as f64 * std::f64::consts::PI * share / frames;
    let free = (along as f64 - TAKEN).max(1.0);
    // So many of the frames may be chosen in so many ways.
    let choices = free * (frames * std::f64::consts::E / free).ln();
    (TRIALS as f64).ln() + choices + free * by_chance.min(1.0).ln() < FALSE_ALARM.ln()
}

/// Where the frames lie in their sequence, from 0 to 1: by their times, or by their numbers where those are not known.
fn paces(sequence: &Sequence<'_>) -> Vec<f64> {
    let times: Option<Vec<_>> = (0..sequence.len()).map(|k| sequence.frame(k).time.map(|t| t.middle)).collect();
    let paces: Vec<f64> = match times.as_deref() {
        Some([first, rest @ ..]) => std::iter::once(0.0).chain(rest.iter().map(|t| t.seconds_since(*first))).collect(),
        _ => (0..sequence.len()).map(|k| k as f64).collect(),
    };
    let (first, last) = paces.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(a, b), p| (a.min(*p), b.max(*p)));
    let span = (last - first).max(f64::MIN_POSITIVE);
    paces.into_iter().map(|p| (p - first) / span).collect()
}

/// A disc of a frame on its pace.
#[derive(Clone, Copy)]
struct Step<'a> {
    pace: f64,
    disc: &'a DiscFit,
}

/// A smooth way over the frames, at an even pace: a parabola of the pace along each axis.
struct Way {
    paces: Vec<f64>,
    x: Vector3<f64>,
    y: Vector3<f64>,
    /// The Moon's radius along it, pixels.
    radius_px: f64,
    /// How far the discs lie from it, root mean square, pixels.
    rms_px: f64,
    /// The paces between which discs lie along it.
    from: f64,
    until: f64,
}

impl Way {
    /// The way that most frames' discs lie along, if so many do that it is no chance; `None` where a sky is known, and where the Moon hardly
    /// moves or the camera did. Lamps and ghosts are not asked.
    fn of(sequence: &Sequence<'_>, seen: &[&Seen], choices: &[Choice]) -> Option<Way> {
        if sequence.places.iter().any(Option::is_some) {
            return None;
        }
        let (width, height) = sequence.size();
        let of_frame = |(seen, choice): (&&Seen, &Choice)| -> Vec<DiscFit> {
            seen.fits().filter(|fit| !choice.is_no_moon(fit)).copied().collect()
        };
        let lights: Vec<Vec<DiscFit>> = seen.iter().zip(choices).map(of_frame).collect();
        Way::through(&paces(sequence), &lights, (width * height) as f64)
    }

    /// `lights` of each frame, best first; `area_px`: a frame's pixels.
    fn through(paces: &[f64], lights: &[Vec<DiscFit>], area_px: f64) -> Option<Way> {
        /// How far the Moon must go to tell who moved, radii.
        const LEAST_WAY: f64 = 4.0;
        let mut way = Way::begun(paces, lights)?;
        for reach in [REACH.0, CLOSER, CLOSER] {
            let along = way.along(paces, lights, reach * way.radius_px + REACH.1);
            way = Way::fitted(&along).filter(|_| along.len() >= FEWEST)?;
        }
        let reach = CLOSER * way.radius_px + REACH.1;
        let along = way.along(paces, lights, reach);
        let is_sure = |d: &DiscFit| d.confidence() > CONFIDENT;
        let sure = lights.iter().filter(|l| l.iter().any(is_sure)).count();
        let sure_along = along.iter().filter(|s| is_sure(s.disc)).count();
        let length = way.at(way.from).distance(way.at(way.until));
        let holds = along.len() >= FEWEST
            && sure_along as f64 >= LEAST_SHARE * sure as f64
            && is_no_chance(lights, along.len(), reach * reach / area_px)
            && length > LEAST_WAY * way.radius_px;
        holds.then(|| Way { paces: paces.to_vec(), ..way })
    }

    /// Through three lights of three frames, drawn again and again: the way that has most and surest discs along it.
    fn begun(paces: &[f64], lights: &[Vec<DiscFit>]) -> Option<Way> {
        /// Lights of a frame, best first, that a way is begun from.
        const BEGINNERS: usize = 6;
        /// Least span of the three, a share of the whole, and between two of them.
        const LEAST_SPAN: f64 = 0.3;
        const LEAST_APART: f64 = 0.05;
        let shown: Vec<usize> = (0..lights.len()).filter(|&k| !lights[k].is_empty()).collect();
        if shown.len() < FEWEST {
            return None;
        }
        let mut drawn = 0;
        let mut pick = |below: usize| {
            drawn += 1;
            (uniform(29, drawn) * below as f64) as usize
        };
        let mut best: Option<(Way, f64)> = None;
        for _ in 0..TRIALS {
            let mut step = || {
                let k = shown[pick(shown.len())];
                // The better ones more often.
                let few = lights[k].len().min(BEGINNERS);
                Step { pace: paces[k], disc: &lights[k][pick(few).min(pick(few))] }
            };
            let steps = [step(), step(), step()];
            let is_apart = |a: usize, b: usize| (steps[a].pace - steps[b].pace).abs() > LEAST_APART;
            if !(is_apart(0, 1) && is_apart(1, 2) && is_apart(0, 2)) {
                continue;
            }
            let Some(way) = Way::fitted(&steps).filter(|w| w.until - w.from > LEAST_SPAN) else { continue };
            if steps.iter().any(|s| !way.is_of_its_size(s.disc)) {
                continue;
            }
            let along = way.along(paces, lights, REACH.0 * way.radius_px + REACH.1);
            let weight: f64 = along.iter().map(|s| s.disc.confidence()).sum();
            if best.as_ref().is_none_or(|b| weight > b.1) {
                best = Some((way, weight));
            }
        }
        best.map(|(way, _)| way)
    }

    /// The parabola that lies closest to some discs, as least squares go.
    fn fitted(steps: &[Step<'_>]) -> Option<Way> {
        let powers = |pace: f64| Vector3::new(1.0, pace, pace * pace);
        let (mut normal, mut x, mut y) = (Matrix3::zeros(), Vector3::zeros(), Vector3::zeros());
        for step in steps {
            let p = powers(step.pace);
            normal += p * p.transpose();
            x += p * step.disc.centre.x;
            y += p * step.disc.centre.y;
        }
        let inverse = normal.try_inverse()?;
        let mut radii: Vec<f64> = steps.iter().map(|s| s.disc.radius_px).collect();
        radii.sort_by(f64::total_cmp);
        let bounds = |(a, b): (f64, f64), s: &Step<'_>| (a.min(s.pace), b.max(s.pace));
        let (from, until) = steps.iter().fold((f64::INFINITY, f64::NEG_INFINITY), bounds);
        let radius_px = radii[radii.len() / 2];
        let way = Way { paces: Vec::new(), x: inverse * x, y: inverse * y, radius_px, rms_px: 0.0, from, until };
        let squares: f64 = steps.iter().map(|s| way.at(s.pace).distance(s.disc.centre).powi(2)).sum();
        Some(Way { rms_px: (squares / steps.len().saturating_sub(3).max(1) as f64).sqrt(), ..way })
    }

    fn at(&self, pace: f64) -> PixelPoint {
        let powers = Vector3::new(1.0, pace, pace * pace);
        PixelPoint::new(self.x.dot(&powers), self.y.dot(&powers))
    }

    /// Whether a disc may be the Moon of this way: cloud, glow and burning change how large it looks by so much.
    fn is_of_its_size(&self, disc: &DiscFit) -> bool {
        (disc.radius_px / self.radius_px).ln().abs() < 0.35
    }

    /// Of each frame the surest disc that lies along it.
    fn along<'a>(&self, paces: &[f64], lights: &'a [Vec<DiscFit>], reach_px: f64) -> Vec<Step<'a>> {
        let one = |(pace, discs): (&f64, &'a Vec<DiscFit>)| {
            let lies = |d: &&DiscFit| self.at(*pace).distance(d.centre) < reach_px && self.is_of_its_size(d);
            Some(Step { pace: *pace, disc: discs.iter().find(lies)? })
        };
        paces.iter().zip(lights).filter_map(one).collect()
    }

    /// How far a disc may lie from it, pixels.
    fn reach_px(&self) -> f64 {
        0.5 * self.radius_px + 1.0 + 3.0 * self.rms_px
    }

    /// Where a frame's Moon is expected, between the first disc that lies along it and the last.
    fn expects(&self, k: usize) -> Option<PixelPoint> {
        let pace = self.paces[k];
        (self.from..=self.until).contains(&pace).then(|| self.at(pace))
    }

    /// The choices with what lies along it, and without what lies off it.
    fn chosen_along(&self, seen: &[&Seen], choices: Vec<Choice>) -> Vec<Choice> {
        let one = |(k, choice): (usize, Choice)| {
            let Some(at) = self.expects(k) else { return choice };
            let choice = Choice { expected: Some((at, self.reach_px())), ..choice };
            let discs = seen[k].discs();
            let lies = |fit: &DiscFit| at.distance(fit.centre) < self.reach_px() && self.is_of_its_size(fit);
            if choice.chosen.is_some_and(|i| lies(&discs[i].fit)) {
                return choice;
            }
            let may_be = |fit: &DiscFit| lies(fit) && fit.confidence() > SURE_OF_SIZE && !choice.is_no_moon(fit);
            let along = (0..discs.len()).find(|i| may_be(&discs[*i].fit));
            choice.put_right(discs, along)
        };
        choices.into_iter().enumerate().map(one).collect()
    }
}

/// The choices with the discs that lie along the common way, and without those that stand far off it; as they are where there is none,
/// or where the camera was moved.
pub(super) fn along_the_way(sequence: &Sequence<'_>, seen: &[&Seen], choices: Vec<Choice>) -> Vec<Choice> {
    if let Some(way) = Way::of(sequence, seen, &choices) {
        return way.chosen_along(seen, choices);
    }
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

/// A straight way at an even pace through two chosen discs.
struct Line {
    from: PixelPoint,
    at: f64,
    step: (f64, f64),
}

impl Line {
    fn through((a, at): (PixelPoint, f64), (b, until): (PixelPoint, f64)) -> Option<Line> {
        let span = until - at;
        (span.abs() > 0.0).then(|| Line { from: a, at, step: ((b.x - a.x) / span, (b.y - a.y) / span) })
    }

    fn position(&self, pace: f64) -> PixelPoint {
        let t = pace - self.at;
        PixelPoint::new(self.from.x + self.step.0 * t, self.from.y + self.step.1 * t)
    }
}

fn strays(discs: &[(usize, DiscFit)], paces: &[f64]) -> Vec<(usize, DiscFit)> {
    let keeps_to = |line: &Line, (k, fit): &(usize, DiscFit), length: f64| {
        line.position(paces[*k]).distance(fit.centre) < fit.radius_px + 0.1 * length
    };
    let mut best: (usize, Option<(Line, f64)>) = (0, None);
    for (i, (k, a)) in discs.iter().enumerate() {
        for (m, b) in &discs[i + 1..] {
            let length = a.centre.distance(b.centre);
            // A way that hardly leads anywhere tells nothing.
            if length < 4.0 * a.radius_px.max(b.radius_px) {
                continue;
            }
            let Some(line) = Line::through((a.centre, paces[*k]), (b.centre, paces[*m])) else { continue };
            let count = discs.iter().filter(|d| keeps_to(&line, d, length)).count();
            if count > best.0 {
                best = (count, Some((line, length)));
            }
        }
    }
    let (count, Some((line, length))) = best else { return Vec::new() };
    if count < FEWEST || (count as f64) < LEAST_SHARE * discs.len() as f64 {
        return Vec::new();
    }
    // The sky's way bends and a lens bends it more: only what is far off is none of it.
    let far = |(k, fit): &&(usize, DiscFit)| {
        line.position(paces[*k]).distance(fit.centre) > 5.0 * fit.radius_px + 0.35 * length
    };
    discs.iter().filter(far).copied().collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn disc(x: f64, y: f64) -> DiscFit {
        DiscFit::well_seen(PixelPoint::new(x, y), 20.0)
    }

    fn faint(fit: DiscFit) -> DiscFit {
        DiscFit { arc_deg: 60.0, agreeing: 0.6, ..fit }
    }

    /// Places in a frame that look random.
    fn anywhere(i: u64) -> (f64, f64) {
        (1500.0 * uniform(3, 2 * i), 1000.0 * uniform(3, 2 * i + 1))
    }

    /// A way that bends, a lamp before the Moon in some frames, and the Moon's ghost, fainter, opposite it.
    #[test]
    fn the_moons_way_is_found_among_lamps_and_ghosts() {
        let paces: Vec<f64> = (0..20).map(|k| f64::from(k) / 19.0).collect();
        let moon = |t: f64| PixelPoint::new(200.0 + 900.0 * t, 700.0 - 500.0 * t + 150.0 * t * t);
        let frame = |(k, t): (usize, &f64)| {
            let (at, (x, y)) = (moon(*t), anywhere(k as u64));
            let all = [disc(x, y), disc(at.x + 0.5 * (k % 3) as f64, at.y), faint(disc(1500.0 - at.x, 1000.0 - at.y))];
            if k % 4 == 0 { all[..1].to_vec() } else { all.to_vec() }
        };
        let lights: Vec<Vec<DiscFit>> = paces.iter().enumerate().map(frame).collect();
        let way = Way::through(&paces, &lights, 1.5e6).expect("there is a way");
        for (k, t) in paces.iter().enumerate().skip(1).take(18) {
            assert!(way.expects(k).unwrap().distance(moon(*t)) < 2.0, "{k}");
        }
    }

    #[test]
    fn lights_anywhere_and_a_moon_that_stays_make_no_way() {
        let paces: Vec<f64> = (0..20).map(|k| f64::from(k) / 19.0).collect();
        let scattered = |k: u64| (0..4).map(|i| anywhere(4 * k + i)).map(|(x, y)| disc(x, y)).collect();
        let lights: Vec<Vec<DiscFit>> = (0..20).map(scattered).collect();
        assert!(Way::through(&paces, &lights, 1.5e6).is_none());
        let stays: Vec<Vec<DiscFit>> = paces.iter().map(|t| vec![disc(700.0 + 30.0 * t, 500.0)]).collect();
        assert!(Way::through(&paces, &stays, 1.5e6).is_none());
    }
}
