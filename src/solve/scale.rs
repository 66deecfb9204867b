//! Which discs are one Moon: the plate scale of a rig, or several where the lens was zoomed.
//!
//! Every disc of every frame votes for the scale at which it would be the Moon; the Moon is the size that most frames
//! have in common, whatever else each of them shows. What the records say of the focal length breaks a tie and no more.
//! Frames that show another size, and agree on it among themselves, are another zoom; a Moon beyond doubt whose size no other
//! frame has is told by itself, without one.
//!
//! Frames that were cropped by hand differ in size, so that each is a rig of its own; the Moon's size in pixels is the same in
//! all of them. Rigs that differ by nothing but the frames' size lend each other the scale that they have in common.

use super::lunar_face::{is_unburnt, may_be_small, shows_the_moon};
use super::sequence::{Seen, Sequence};
use super::sky_place::SkyPlace;
use crate::detect::{CONFIDENT, DiscFit, Look, SMALL_DISC_PX};
use crate::raster::PixelPoint;
use crate::sky::MEAN_SEMIDIAMETER_RAD;
use crate::units::Angle;

/// A plate scale.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Scale {
    /// Pixels per radian at the optical axis.
    pub focal_length_px: f64,
    /// Standard deviation, a share of it.
    pub sigma: f64,
    /// How far single discs lie from it, a share of it.
    pub scatter: f64,
    /// How many frames agree.
    pub frames: usize,
}

impl Default for Scale {
    fn default() -> Self {
        Scale { focal_length_px: 0.0, sigma: 0.003, scatter: 0.0, frames: 0 }
    }
}

impl Scale {
    /// The Moon's radius at the optical axis, pixels.
    pub fn radius_px(&self, place: Option<&SkyPlace>) -> f64 {
        self.focal_length_px * semidiameter(place)
    }
}

/// How far a disc stands from the frame's middle, where the optical axis meets it, pixels.
pub(super) fn off_axis_px(fit: &DiscFit, (width, height): (usize, usize)) -> f64 {
    fit.centre.distance(PixelPoint::new(width as f64 / 2.0, height as f64 / 2.0))
}

/// The focal length, pixels, of the rectilinear lens that shows a disc of a semidiameter (radians) so large, so far off its axis: it
/// stretches areas there by the cube of the secant, so that a Moon near the corner of a wide frame is half as large again.
///
/// Beyond 50 degrees off the axis what a disc's size says of the lens is not unique; there the lens is taken to be as short as
/// that allows.
pub(super) fn focal_length_px(radius_px: f64, off_axis_px: f64, semidiameter: f64) -> f64 {
    const ROUNDS: usize = 40;
    let seen = radius_px / semidiameter;
    let mut focal = seen;
    for _ in 0..ROUNDS {
        let stretch = (1.0 + (off_axis_px / focal).powi(2)).powf(0.75);
        focal = (seen / stretch).max(0.84 * off_axis_px);
    }
    focal
}

fn semidiameter(place: Option<&SkyPlace>) -> f64 {
    place.map_or(MEAN_SEMIDIAMETER_RAD, |p| p.semidiameter.radians())
}

/// Frames at one zoom.
pub(super) struct Zoom {
    /// Which of the sequence's frames.
    pub members: Vec<usize>,
    pub scale: Option<Scale>,
}

/// What the discs of one rig's frames say of its scale.
pub(super) struct Votes(Vec<Vec<Vote>>);

/// A disc's vote: the scale at which it would be the Moon.
struct Vote {
    /// Logarithm of pixels per radian.
    scale: f64,
    weight: f64,
    fit: DiscFit,
    /// How far the air presses it, where the sky is known: width over height.
    pressed: f64,
}

/// Whether a disc may be the glare of a smaller one: so small, and clipped.
pub(super) fn may_be_glare(fit: &DiscFit) -> bool {
    const CLIPPED: f64 = 0.1;
    fit.rectified_radius_px < SMALL_DISC_PX && fit.saturated_share > CLIPPED
}

/// How much larger than its true disc the glare of a small one may be, in logarithms.
pub(super) const MOST_GLARE: f64 = 0.75;

/// Whether a disc may be the glare of one at a smaller scale.
fn glares_from(vote: &Vote, scale: f64) -> bool {
    may_be_glare(&vote.fit) && (vote.scale - MOST_GLARE..vote.scale).contains(&scale)
}

/// How far two discs of one Moon may differ, in logarithms: limbs are measured to a percent or a pixel.
fn tolerance(fit: &DiscFit) -> f64 {
    0.02 + (0.5 / fit.rectified_radius_px).min(0.1)
}

pub(super) fn votes(sequence: &Sequence<'_>, seen: &[Seen]) -> Votes {
    let votes = seen
        .iter()
        .enumerate()
        .map(|(k, seen)| {
            let place = sequence.place(k);
            // The first look knows no air: what it took for a circle is flattened by a few thousandths, if not for an oval.
            let pressed = |look: &Look| place.map_or(look.pressed.unwrap_or(1.0), |p| p.flattened(Angle::ZERO).ratio);
            seen.discs()
                .iter()
                .filter(|look| look.fit.confidence() > 0.5 * CONFIDENT)
                .map(|look| Vote {
                    scale: focal_length_px(
                        look.true_radius_px() * pressed(look).sqrt(),
                        off_axis_px(&look.fit, sequence.size()),
                        semidiameter(place),
                    )
                    .ln(),
                    weight: look.fit.confidence(),
                    fit: look.fit,
                    pressed: pressed(look),
                })
                .collect()
        })
        .collect();
    Votes(votes)
}

/// The scale that rigs have in common whose frames differ in size alone, as those do that were cropped by hand: at least three
/// frames of two of the rigs agree on it, and of all that show a disc beyond chance most. (Pictures that were reduced to one
/// size or another agree on none.)
pub(super) fn in_common(rigs: &[&Votes]) -> Option<Scale> {
    let frames: Vec<(usize, &Vec<Vote>)> =
        rigs.iter().enumerate().flat_map(|(rig, votes)| votes.0.iter().map(move |v| (rig, v))).collect();
    let support = |scale: f64| -> f64 { frames.iter().map(|(_, votes)| best_for(votes, scale)).sum() };
    let trials = frames.iter().flat_map(|(_, votes)| votes.iter().filter(|v| v.weight > CONFIDENT).map(|v| v.scale));
    let first =
        trials.map(|scale| (scale, support(scale))).max_by(|a, b| a.1.total_cmp(&b.1)).map(|(scale, _)| scale)?;
    let convinced = frames.iter().filter(|(_, votes)| votes.iter().any(|v| v.weight > 2.0 * CONFIDENT));
    let agree = |votes: &[Vote]| agreeing(votes, first).is_some_and(|v| v.weight > CONFIDENT);
    let agreeing_rigs: Vec<usize> = frames.iter().filter(|(_, votes)| agree(votes)).map(|(rig, _)| *rig).collect();
    let of_several = agreeing_rigs.iter().any(|rig| *rig != agreeing_rigs[0]);
    let settled = agreed(frames.iter().map(|(_, votes)| votes.as_slice()), first)?;
    (agreeing_rigs.len() >= 3 && of_several && 2 * agreeing_rigs.len() > convinced.count()).then_some(settled)
}

/// What a frame's best vote gives a scale.
fn best_for(votes: &[Vote], scale: f64) -> f64 {
    /// What a glare's voice is worth for a disc inside it: less than a limb's, more than none.
    const INSIDE_GLARE: f64 = 0.6;
    let near = |v: &Vote| (-0.5 * ((v.scale - scale) / tolerance(&v.fit)).powi(2)).exp();
    let has_its_own = votes.iter().any(|v| is_at(v, scale) && v.weight > 0.6 * CONFIDENT);
    let inside = |v: &Vote| if !has_its_own && glares_from(v, scale) { INSIDE_GLARE } else { 0.0 };
    votes.iter().map(|v| v.weight * near(v).max(inside(v))).fold(0.0, f64::max)
}

/// What all frames together give a scale: each frame its best vote.
fn support(votes: &[Vec<Vote>], members: &[usize], scale: f64) -> f64 {
    members.iter().map(|&k| best_for(&votes[k], scale)).sum()
}

/// The scale that most of the members have in common.
fn commonest(votes: &[Vec<Vote>], members: &[usize], claimed: Option<f64>) -> Option<f64> {
    // A marked focal length is good to some 5 %; lenses breathe, notes err: half a frame's voice.
    let said = |scale: f64| claimed.map_or(0.0, |c| 0.5 * (-0.5 * ((scale - c.ln()) / 0.07).powi(2)).exp());
    let of_members = || members.iter().flat_map(|&k| &votes[k]);
    // Where all are glares, none of them is as large as the Moon; the lens that was noted may be.
    let all_glare = of_members().all(|v| v.weight < CONFIDENT || may_be_glare(&v.fit));
    let noted = claimed.map(f64::ln).filter(|c| all_glare && of_members().any(|v| glares_from(v, *c)));
    let trials = of_members().map(|v| v.scale).chain(noted);
    trials
        .map(|scale| (scale, support(votes, members, scale) + said(scale)))
        .max_by(|a, b| a.1.total_cmp(&b.1))
        .map(|(scale, _)| scale)
}

/// Whether a disc's size is that of a scale.
fn is_at(vote: &Vote, scale: f64) -> bool {
    (vote.scale - scale).abs() < 2.0 * tolerance(&vote.fit)
}

/// The disc of a frame that agrees with a scale, if one does.
fn agreeing(votes: &[Vote], scale: f64) -> Option<&Vote> {
    votes
        .iter()
        .filter(|v| is_at(v, scale) || glares_from(v, scale))
        .max_by(|a, b| is_at(a, scale).cmp(&is_at(b, scale)).then(a.weight.total_cmp(&b.weight)))
}

/// The scale settled from the discs near a first one: the median of those that show half of their limb, or of all.
fn agreed<'a>(frames: impl Iterator<Item = &'a [Vote]>, first: f64) -> Option<Scale> {
    let all: Vec<&Vote> = frames.filter_map(|votes| agreeing(votes, first)).collect();
    // Glares tell how large the disc inside them is at most, and no more.
    let near: Vec<&Vote> = all.iter().copied().filter(|v| is_at(v, first)).collect();
    if near.is_empty() && !all.is_empty() {
        return Some(Scale { focal_length_px: first.exp(), sigma: 0.03, scatter: 0.0, frames: all.len() });
    }
    let whole = |v: &&&Vote| v.fit.arc_deg >= 170.0 && v.fit.confidence() > CONFIDENT && v.fit.saturated_share < 0.2;
    // Of a Moon that rises or sets, those tell it that the air hardly presses: a circle along a pressed limb is of any size between
    // its width and its height.
    let high = |v: &&&Vote| v.pressed < MOST_PRESSED;
    let mut scales: Vec<f64> = near.iter().filter(whole).filter(high).map(|v| v.scale).collect();
    if scales.len() < 3 {
        scales = near.iter().filter(whole).map(|v| v.scale).collect();
    }
    if scales.len() < 2 {
        scales = near.iter().map(|v| v.scale).collect();
    }
    scales.sort_by(f64::total_cmp);
    let middle = *scales.get(scales.len() / 2)?;
    let mut spread: Vec<f64> = scales.iter().map(|s| (s - middle).abs()).collect();
    spread.sort_by(f64::total_cmp);
    let scatter = 1.4826 * spread[spread.len() / 2];
    // A median's standard deviation is a quarter larger than a mean's; one disc alone is as good as its own limb.
    let sigma = if scales.len() > 2 {
        1.25 * scatter / (scales.len() as f64).sqrt()
    } else {
        near.first().map_or(0.02, |v| v.fit.radius_sigma_px / v.fit.radius_px)
    };
    Some(Scale { focal_length_px: middle.exp(), sigma: sigma.clamp(2e-4, 0.03), scatter, frames: all.len() })
}

/// The zooms of a rig, the one with most frames first, and at last, without a scale, the frames that agree with no other; never
/// empty, and every frame is in one. `shared` is what rigs have
/// in common whose frames differ from these in size alone.
pub(super) fn zooms(sequence: &Sequence<'_>, seen: &[Seen], votes: &Votes, shared: Option<Scale>) -> Vec<Zoom> {
    let votes = &votes.0;
    let all: Vec<usize> = (0..seen.len()).collect();
    let claimed = shared.map(|s| s.focal_length_px).or(sequence.rig.focal_length_px);
    let Some(first) = commonest(votes, &all, claimed) else {
        return vec![Zoom { members: all, scale: shared }];
    };
    // A size that hardly anything speaks for is none beside one that the camera's other frames share.
    let speak = |scale: f64| {
        let speaks = |k: &&usize| agreeing(&votes[**k], scale).is_some_and(|v| v.weight > 2.0 * CONFIDENT);
        all.iter().filter(speaks).count()
    };
    let first = shared.map(|s| s.focal_length_px.ln()).filter(|_| speak(first) < 2).unwrap_or(first);
    // A setting Moon that the air presses together fits no circle: along its sides a smaller one than its area's. What two such
    // frames agree on is no zoom. (Only smaller ones: where the time is wrong, so is the air, and a round disc that it is said to
    // press looks larger.)
    let is_pressed = |k: usize, scale: f64| {
        let by_the_air = sequence.place(k).is_some_and(|p| p.flattened(Angle::ZERO).ratio > MOST_PRESSED);
        by_the_air && votes[k].first().is_some_and(|v| (scale - PRESSED_MOST..scale).contains(&v.scale))
    };
    // Where nothing in the frames is beyond chance, they are as all the others.
    let lent = |members: &[usize]| {
        shared.filter(|s| {
            let scale = s.focal_length_px.ln();
            let contradicts =
                |v: &Vote| v.weight > 2.0 * CONFIDENT && agreeing(std::slice::from_ref(v), scale).is_none();
            let goes_with = |&k: &usize| {
                agreeing(&votes[k], scale).is_some() || is_pressed(k, scale) || !votes[k].iter().any(contradicts)
            };
            members.iter().all(goes_with)
        })
    };
    let mut scales = vec![first];
    let strays = |k: &usize| agreeing(&votes[*k], first).is_none() && !is_pressed(*k, first);
    let mut rest: Vec<usize> = all.iter().copied().filter(strays).collect();
    while scales.len() < MOST_ZOOMS {
        let Some(next) = commonest(votes, &rest, None).filter(|s| is_proved(sequence, seen, votes, &rest, (first, *s)))
        else {
            break;
        };
        rest.retain(|&k| agreeing(&votes[k], next).is_none());
        scales.push(next);
    }
    // Each frame to the scale that a disc of it speaks for most; one without to that of its nearest neighbour in time.
    let own = |k: usize| {
        let weight = |s: &f64| agreeing(&votes[k], *s).map(|v| v.weight);
        let best = (0..scales.len()).filter_map(|z| Some((z, weight(&scales[z])?))).max_by(|a, b| a.1.total_cmp(&b.1));
        best.map(|b| b.0)
    };
    // A phone before an eyepiece shows each frame at another size: a disc that is the Moon's beyond doubt, and of no size that
    // others have, is not to be told by theirs.
    let by_itself = scales.len();
    let is_sure_of = |k: usize, zoom: usize| agreeing(&votes[k], scales[zoom]).is_some_and(|v| v.weight > CONFIDENT);
    let is_by_itself = |k: usize| {
        let surest = votes[k].iter().max_by(|a, b| a.weight.total_cmp(&b.weight))?;
        // Without a site a smaller disc may be a low Moon that the air presses, which `measure` knows how to take.
        let may_be_pressed = |s: f64| match sequence.place(k) {
            Some(_) => is_pressed(k, s),
            None => (s - PRESSED_MOST..s).contains(&surest.scale),
        };
        let is_like = |s: &f64| is_at(surest, *s) || glares_from(surest, *s) || may_be_pressed(*s);
        let is_like_others = scales.iter().any(is_like);
        let look = seen[k].discs().iter().find(|l| l.fit.centre == surest.fit.centre)?;
        let is_whole = surest.weight > ALONE && surest.fit.arc_deg >= WHOLE_DEG;
        (is_whole && !is_like_others && shows_the_moon(look, sequence.place(k))).then_some(by_itself)
    };
    let owned: Vec<Option<usize>> = all
        .iter()
        .map(|&k| own(k).filter(|z| is_sure_of(k, *z)).or_else(|| is_by_itself(k)).or_else(|| own(k)))
        .collect();
    let beside = |k: usize| {
        all.iter()
            .filter(|&&i| owned[i].is_some_and(|z| z != by_itself))
            .min_by_key(|&&i| i.abs_diff(k))
            .and_then(|&i| owned[i])
            .unwrap_or(0)
    };
    (0..=scales.len())
        .map(|zoom| {
            let members: Vec<usize> =
                all.iter().copied().filter(|&k| owned[k].unwrap_or_else(|| beside(k)) == zoom).collect();
            // One frame by itself is no common size.
            let of_members = |first: &f64| agreed(members.iter().map(|&k| votes[k].as_slice()), *first);
            let scale = scales.get(zoom).and_then(of_members).filter(|s| s.frames >= 2);
            let scale = scale.or_else(|| lent(&members));
            Zoom { members, scale }
        })
        .filter(|z| !z.members.is_empty())
        .collect()
}

/// Width over height of a disc to which a circle fits within a percent and a half, whichever part of its limb shows: down to
/// seven degrees or so.
pub(super) const MOST_PRESSED: f64 = 1.015;

/// Width over height of a disc, within two degrees of the horizon, from which on a circle may be of any size between the two.
pub(super) const TELLS_NO_SIZE: f64 = 1.08;

/// By how much a circle along the sides of the lowest disc may be too small, in logarithms (a ninth was seen at two degrees).
const PRESSED_MOST: f64 = 0.15;

/// How sure a disc must be that is told by no other frame's size.
const ALONE: f64 = 0.75;
/// And of how much of its limb: half of one fits a circle that is smaller by a twentieth (a real frame's sliver and copper did).
const WHOLE_DEG: f64 = 270.0;

/// Frames in which a disc of one size is alone, so many that it is another zoom's Moon.
const ENOUGH_ALONE: usize = 3;

/// Whether a disc is not burnt, and so much surer than all others of its frame that in a picture by itself it would be the Moon. (A lamp
/// that is left when a cloud has hidden the Moon is burnt, and hardly ever the only one.)
fn is_lit_alone(look: &Look, seen: &Seen) -> bool {
    is_unburnt(&look.fit) && may_be_small(look, &seen.discs().iter().collect::<Vec<_>>())
}

/// Scales that differ by less, in logarithms, may be one as well as two.
const SLIGHT: f64 = 0.12;

/// Nobody turns a zoom more often in a night, and what disagrees more often is no zoom.
const MOST_ZOOMS: usize = 8;

/// Whether a further scale than the `first` is the Moon's, at another zoom: discs that agree on it show the Moon's face, or are three
/// in a row and each beyond doubt, or three that are alone in their frames. (What a cloud or a lamp makes of a frame agrees with no
/// other frame's, but by chance; lamps of one street do agree, in frames without a Moon here and there among those that show it: nobody zooms for one frame and back.)
fn is_proved(
    sequence: &Sequence<'_>,
    seen: &[Seen],
    votes: &[Vec<Vote>],
    rest: &[usize],
    (first, scale): (f64, f64),
) -> bool {
    // What the air presses tells no size.
    let by_air = scale - first;
    let is_round = |k: &&usize| match sequence.place(**k) {
        Some(place) => place.flattened(Angle::ZERO).ratio < TELLS_NO_SIZE || by_air.abs() > PRESSED_MOST,
        None => !(-PRESSED_MOST..0.0).contains(&by_air),
    };
    let near: Vec<(usize, &Vote)> = rest
        .iter()
        .filter(is_round)
        .filter_map(|&k| Some((k, agreeing(&votes[k], scale)?)))
        .filter(|(_, v)| v.weight > 0.5)
        .collect();
    let look_of = |k: usize, v: &Vote| seen[k].discs().iter().find(|l| l.fit.centre == v.fit.centre);
    let shows_a_face =
        |(k, v): &(usize, &Vote)| look_of(*k, v).is_some_and(|look| shows_the_moon(look, sequence.place(*k)));
    let is_alone =
        |(k, v): &&(usize, &Vote)| v.weight > ALONE && look_of(*k, v).is_some_and(|look| is_lit_alone(look, &seen[*k]));
    let are_alone = || near.iter().filter(is_alone).take(ENOUGH_ALONE).count() == ENOUGH_ALONE;
    let beyond_doubt: Vec<usize> =
        near.iter().filter(|(_, v)| v.weight > 0.75 && v.fit.arc_deg > 120.0).map(|(k, _)| *k).collect();
    let in_a_row = |some: &[usize]| (some[0]..some[some.len() - 1]).all(|k| rest.contains(&k));
    // A ring turned by a tenth and back again and again is none that was turned: defocus, glow and trails make discs so much larger.
    let members: Vec<usize> = near.iter().map(|(k, _)| *k).collect();
    let runs = 1 + members.windows(2).filter(|two| !in_a_row(two)).count();
    let is_to_and_fro = by_air.abs() < SLIGHT && runs > 1 && members.len() < 2 * runs;
    !is_to_and_fro && (near.iter().any(shows_a_face) || beyond_doubt.windows(3).any(in_a_row) || are_alone())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sky::Lens;

    #[test]
    fn a_moon_near_the_corner_tells_the_same_lens() {
        let semidiameter = Angle::from_arcsec(932.0);
        for (focal, (x, y)) in [(1473.0, (2541.0, 631.0)), (1473.0, (1500.0, 1000.0)), (54_000.0, (2900.0, 1900.0))] {
            let at = PixelPoint::new(x, y);
            let radius = Lens::rectilinear(3000, 2000, focal).disc_radius_px(at, semidiameter);
            let off = at.distance(PixelPoint::new(1500.0, 1000.0));
            let told = focal_length_px(radius, off, semidiameter.radians());
            assert!((told / focal - 1.0).abs() < 1e-3, "{told} for {focal}");
        }
        // However far off, it ends.
        assert!(focal_length_px(5.0, 3000.0, semidiameter.radians()).is_finite());
    }
}
