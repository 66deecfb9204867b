//! Lights that look like a disc and are not the Moon, and why.

use super::lunar_face::{is_proved, is_proved_behind, is_unburnt, may_be_by_size, may_be_small};
use super::mount::Aim;
use super::scale;
use super::sequence::{Seen, Sequence};
use super::sky_place::SkyPlace;
use crate::camera::Mount;
use crate::detect::{CONFIDENT, DiscFit, Look};
use crate::raster::PixelPoint;
use crate::registration::{Rejection, RejectionReason};
use crate::sky::MEAN_SEMIDIAMETER_RAD;
use crate::units::Angle;

/// Which of a frame's discs is the Moon, and why the others are not.
#[derive(Default)]
pub(super) struct Choice {
    pub chosen: Option<usize>,
    pub rejected: Vec<Rejection>,
    /// Where the way of most frames' discs has it, and how far off it may lie, pixels, where no sky tells.
    pub expected: Option<(PixelPoint, f64)>,
}

/// How sure one must be that has the Moon's size, wherever it stands.
pub(super) const SURE_OF_SIZE: f64 = 0.6 * CONFIDENT;

impl Choice {
    fn has_rejected(&self, fit: &DiscFit) -> bool {
        self.rejected.iter().any(|r| is_of(r, fit))
    }

    /// Whether a disc is a ghost or a lamp, wherever the Moon stands.
    pub(super) fn is_no_moon(&self, fit: &DiscFit) -> bool {
        let is_none = |r: &Rejection| matches!(r.reason, RejectionReason::LensGhost | RejectionReason::DoesNotMove);
        self.rejected.iter().any(|r| is_of(r, fit) && is_none(r))
    }

    /// With another disc, whatever spoke against that, in the place of the one that was chosen.
    pub(super) fn put_right(mut self, discs: &[Look], chosen: Option<usize>) -> Self {
        if let Some(stray) = self.chosen {
            self.rejected.push(Rejection::new(&discs[stray].fit, RejectionReason::OffTrack));
        }
        if let Some(chosen) = chosen {
            self.rejected.retain(|r| !is_of(r, &discs[chosen].fit));
        }
        Choice { chosen, ..self }
    }
}

/// Whether a rejection is a disc's.
fn is_of(rejection: &Rejection, fit: &DiscFit) -> bool {
    rejection.centre == fit.centre && rejection.radius_px == fit.radius_px
}

/// Says for each frame which of its discs is the Moon.
pub(super) fn choose(sequence: &Sequence<'_>, seen: &[&Seen], aim: &Aim) -> Vec<Choice> {
    let discs: Vec<Vec<DiscFit>> = seen.iter().map(|s| s.fits().copied().collect()).collect();
    let is_anywhere = |k: usize| sequence.place(k).and_then(|place| aim.expects(place)).is_none();
    (0..discs.len())
        .map(|k| {
            let mut choice = choose_in(sequence, k, &discs, aim);
            // Where no size is common to the frames, a disc must show by itself that it is the Moon; and if the surest does not,
            // one behind it may.
            if let Some(first) = choice.chosen.filter(|_| aim.radius_px(sequence.place(k)).is_none()) {
                let (all, place) = (seen[k].discs(), sequence.place(k));
                let shows_it = |i: &usize| is_proved(&all[*i], place);
                let is_open = |i: &usize| !choice.has_rejected(&all[*i].fit);
                let behind = || (first + 1..all.len()).filter(is_open).find(|i| is_proved_behind(&all[*i], all, place));
                // A lamp or a planet may pass for a Moon too small to show its face, where none shows it.
                // Its own ghost is no rival of it.
                let is_ghost = |fit: &DiscFit| {
                    choice.rejected.iter().any(|r| r.reason == RejectionReason::LensGhost && is_of(r, fit))
                };
                let open: Vec<&Look> = all.iter().filter(|l| !is_ghost(&l.fit)).collect();
                let may_be = || (first..all.len()).filter(is_open).find(|i| may_be_small(&all[*i], &open));
                choice.chosen = Some(first).filter(shows_it).or_else(behind).or_else(may_be);
                if choice.chosen != Some(first) {
                    choice.rejected.push(Rejection::new(&all[first].fit, RejectionReason::NoMoonsFace));
                }
            }
            // Of the Moon's size, but hardly a disc: so it must show that it is the Moon.
            if let Some(chosen) = choice.chosen.filter(|_| is_anywhere(k)) {
                let look = &seen[k].discs()[chosen];
                if !may_be_by_size(look, &look.fit, sequence.place(k)) {
                    choice.rejected.push(Rejection::new(&look.fit, RejectionReason::NoMoonsFace));
                    let all = seen[k].discs();
                    let is_next = |i: &usize| {
                        let fit = &all[*i].fit;
                        let is_open = fit.confidence() > SURE_OF_SIZE && !choice.has_rejected(fit);
                        is_open && may_be_by_size(&all[*i], fit, sequence.place(k))
                    };
                    choice.chosen = (chosen + 1..all.len()).find(is_next);
                }
            }
            let lamps = seen[k].still().iter().filter(|d| d.confidence() > 0.5 * CONFIDENT);
            choice.rejected.extend(lamps.map(|d| Rejection::new(d, RejectionReason::DoesNotMove)));
            choice
        })
        .collect()
}

fn choose_in(sequence: &Sequence<'_>, k: usize, discs: &[Vec<DiscFit>], aim: &Aim) -> Choice {
    let place = sequence.place(k);
    let expected = place.and_then(|place| aim.expects(place));
    let radius = aim.radius_px(place);
    // Where the aim says where the Moon is, less will do to be it.
    let least = match (expected, radius) {
        (Some(_), _) => 0.0,
        (None, Some(_)) => SURE_OF_SIZE,
        (None, None) => CONFIDENT,
    };
    let off = |d: &DiscFit| expected.map_or(0.0, |at| d.centre.distance(at));
    let mut choice = Choice::default();
    let mut nearest = f64::INFINITY;
    for (i, disc) in discs[k].iter().enumerate() {
        match rejects(sequence, k, disc, discs, aim, (expected, radius)) {
            Some(reason) if disc.confidence() > 0.5 * CONFIDENT => {
                choice.rejected.push(Rejection::new(disc, reason));
            }
            // Discs come best first: another takes the place only by being nearer.
            None if disc.confidence() > least && off(disc) < nearest => {
                nearest = off(disc);
                choice.chosen = Some(i);
            }
            _ => {}
        }
    }
    // A speck that happens to stand where a path has the Moon is none beside a disc that is the Moon by itself.
    let is_sure = |i: &usize| discs[k][*i].confidence() > CONFIDENT;
    if !choice.chosen.as_ref().is_some_and(is_sure)
        && let Some(sure) = (0..discs[k].len()).find(|i| aim.stands_by_itself(&discs[k][*i], place))
        && rejects(sequence, k, &discs[k][sure], discs, aim, (expected, radius)).is_none()
    {
        choice.chosen = Some(sure);
    }
    choice
}

/// Why a disc of a frame is not the Moon, if it is not; given where it is expected and how large.
fn rejects(
    sequence: &Sequence<'_>,
    k: usize,
    disc: &DiscFit,
    discs: &[Vec<DiscFit>],
    aim: &Aim,
    (expected, radius): (Option<PixelPoint>, Option<f64>),
) -> Option<RejectionReason> {
    if is_ghost(disc, discs[k].iter(), sequence.size()) {
        return Some(RejectionReason::LensGhost);
    }
    let others = discs.iter().enumerate().filter(|(i, _)| *i != k).map(|(_, d)| d.as_slice());
    let still = aim.mount() == Mount::FixedTripod && stands_still(disc, others, 2);
    let place = sequence.place(k);
    let misses_track = match (expected, radius) {
        (Some(at), Some(r)) => disc.centre.distance(at) > 0.8 * r + 3.0 && !aim.stands_by_itself(disc, place),
        _ => aim.is_pointed() && place.is_some(),
    };
    match radius {
        _ if misses_track => Some(if still { RejectionReason::DoesNotMove } else { RejectionReason::OffTrack }),
        Some(r) if expected.is_none() && !is_of_size(sequence, disc, &discs[k], r, place) => {
            Some(RejectionReason::WrongSize)
        }
        _ => (still && expected.is_none()).then_some(RejectionReason::DoesNotMove),
    }
}

/// Whether a disc may be the Moon by its size; or its glare, where none of the frame's has that size.
fn is_of_size(sequence: &Sequence<'_>, disc: &DiscFit, all: &[DiscFit], radius: f64, place: Option<&SkyPlace>) -> bool {
    let ratio = |d: &DiscFit| on_axis(sequence, d, place) / radius;
    let fits = |d: &DiscFit| (ratio(d) - 1.0).abs() <= tolerated_size(radius, place);
    let glares = || scale::may_be_glare(disc) && (0.0..scale::MOST_GLARE).contains(&ratio(disc).ln());
    fits(disc) || (glares() && !all.iter().any(|d| d.confidence() > 0.6 * CONFIDENT && fits(d)))
}

/// How large a disc would be on the optical axis, pixels.
fn on_axis(sequence: &Sequence<'_>, disc: &DiscFit, place: Option<&SkyPlace>) -> f64 {
    let semidiameter = place.map_or(MEAN_SEMIDIAMETER_RAD, |p| p.semidiameter.radians());
    let off_axis = scale::off_axis_px(disc, sequence.size());
    semidiameter * scale::focal_length_px(disc.rectified_radius_px, off_axis, semidiameter)
}

/// How far a disc's radius may lie from the Moon's, a share of it: a limb half seen is measured to a tenth, a small one to
/// two pixels, and the air flattens a low Moon.
pub(super) fn tolerated_size(radius_px: f64, place: Option<&SkyPlace>) -> f64 {
    let flattened = place.map_or(0.0, |p| p.flattened(Angle::ZERO).ratio - 1.0);
    0.12 + 2.0 / radius_px + flattened
}

/// Whether `disc` is the ghost of one of `others`: light reflected between the lens's surfaces comes to
/// lie opposite its source, through the optical axis, and is fainter, by all its light as well unless the source is clipped. (Of its
/// size we say nothing: ghosts come in all.)
fn is_ghost<'a>(
    disc: &DiscFit,
    mut others: impl Iterator<Item = &'a DiscFit>,
    (width, height): (usize, usize),
) -> bool {
    let reach = 0.25 * disc.radius_px + 0.008 * (width as f64).hypot(height as f64);
    others.any(|source| {
        let mirrored = PixelPoint::new(width as f64 - source.centre.x, height as f64 - source.centre.y);
        let apart = disc.centre.distance(source.centre) > disc.radius_px.max(source.radius_px);
        let all_light = |d: &DiscFit| f64::from(d.mean_level) * d.radius_px.powi(2);
        let throws = !is_unburnt(source) || all_light(disc) < all_light(source);
        apart && throws && disc.centre.distance(mirrored) < reach && disc.mean_level < 0.7 * source.mean_level
    })
}

/// Whether a light stands at the same place in at least `others` of the other frames.
fn stands_still<'a>(disc: &DiscFit, others: impl Iterator<Item = &'a [DiscFit]>, at_least: usize) -> bool {
    let same = |d: &DiscFit| {
        d.centre.distance(disc.centre) < (0.1 * disc.radius_px).max(1.5)
            && (d.radius_px / disc.radius_px).ln().abs() < 0.25
    };
    others.filter(|discs| discs.iter().any(same)).take(at_least).count() >= at_least
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_ghost_throws_less_light_than_its_source_unless_that_is_clipped() {
        let at = |x, y, r, mean_level| DiscFit { mean_level, ..DiscFit::well_seen(PixelPoint::new(x, y), r) };
        let (moon, faint) = (at(200.0, 150.0, 20.0, 0.5), at(800.0, 650.0, 20.0, 0.01));
        let size = (1000, 800);
        assert!(is_ghost(&faint, [moon, faint].iter(), size) && !is_ghost(&moon, [moon, faint].iter(), size));
        // All its light is more than the source's.
        let large = at(800.0, 650.0, 60.0, 0.2);
        assert!(!is_ghost(&large, [moon].iter(), size));
        assert!(is_ghost(&large, [DiscFit { saturated_share: 0.5, ..moon }].iter(), size));
        assert!(!is_ghost(&at(700.0, 300.0, 20.0, 0.01), [moon].iter(), size));
    }
}
