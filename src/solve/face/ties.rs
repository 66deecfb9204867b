//! Centres and turns that agree from frame to frame.
//!
//! Neighbouring discs are aligned on their features: the limb anchors each centre, features tie it to
//! its neighbours, and least squares along the chain weighs the two.

use super::{Facing, all_features};
use crate::detect::DiscFit;
use crate::raster::PixelPoint;
use crate::registration::{Orientation, OrientationSource};
use crate::solve::lunar_face::{Features, Passage, Shift, align};
use crate::solve::moon::Moon;
use crate::solve::sequence::Sequence;
use crate::solve::sky_place::SkyPlace;
use crate::units::Angle;
use nalgebra::Complex;
use rayon::prelude::*;

/// A tie between two neighbouring frames.
struct Tie {
    first: usize,
    second: usize,
    shift: Shift,
    /// Clockwise turn from the first image to the second.
    turn: Angle,
}

/// Moons and turns once more: neighbours aligned on their features, and what that says spread over all centres and turns.
pub(in crate::solve) fn tied(
    sequence: &Sequence<'_>,
    mut moons: Vec<Option<Moon>>,
    facing: Facing,
) -> (Vec<Option<Moon>>, Facing) {
    // Centres have moved since the features were taken.
    // (Neighbours share the shadow's edge, which moves little from one to the next; taken out of each by itself it would not.)
    let features = all_features(&moons, Features::of_disc);
    let mut turns = facing.turns;
    let shown: Vec<usize> = (0..moons.len()).filter(|&k| features[k].is_some() && turns[k].is_some()).collect();
    let ties: Vec<Option<Tie>> =
        shown.par_windows(2).map(|pair| tie(sequence, &features, &turns, (pair[0], pair[1]))).collect();
    let ties: Vec<Tie> = ties.into_iter().flatten().collect();
    for chain in chains(&ties) {
        let nodes: Vec<usize> = std::iter::once(chain[0].first).chain(chain.iter().map(|t| t.second)).collect();
        let chained: Vec<&Moon> = nodes.iter().filter_map(|&k| moons[k].as_ref()).collect();
        for ((k, moved), turned) in nodes.iter().zip(centres(chain, &chained)).zip(turned(chain, &nodes, &turns)) {
            if let Some(moon) = &mut moons[*k] {
                moon.fit = moved_centre(moon.fit, moved);
            }
            turns[*k] = turns[*k].map(|o| moved_turn(o, turned));
        }
    }
    // What draws neighbours alike no tie tells.
    for (turn, features) in turns.iter_mut().zip(&facing.features) {
        if let (Some(o), Some(f)) = (turn.as_mut(), features)
            && o.source == OrientationSource::Features
        {
            o.sigma = Angle::from_degrees(o.sigma.degrees().hypot(f.drawn_deg()));
        }
    }
    (moons, Facing { turns, ..facing })
}

fn tie(
    sequence: &Sequence<'_>,
    features: &[Option<Features>],
    turns: &[Option<Orientation>],
    (first, second): (usize, usize),
) -> Option<Tie> {
    let (a, b) = (turns[first]?, turns[second]?);
    let (pa, pb) = (sequence.place(first)?, sequence.place(second)?);
    let north = |o: &Orientation, p: &SkyPlace| o.lunar_north(p.libration.axis_position_angle);
    let (na, nb) = (north(&a, pa), north(&b, pb));
    let passage = Passage::between((&pa.libration, na), (&pb.libration, nb), a.mirrored);
    let shift = align(features[first].as_ref()?, features[second].as_ref()?, &passage)?;
    Some(Tie { first, second, shift, turn: nb - na })
}

/// How far the centres of a chain move.
fn centres(chain: &[Tie], moons: &[&Moon]) -> Vec<Correction> {
    // Where faces anchor some, the others are drawn by their limbs.
    let is_anchored = moons.iter().any(|m| m.by_limb < 1.0);
    let drawn = |m: &Moon| if is_anchored { m.drawn_px() } else { 0.0 };
    // What a limb says of its centre, beyond its own statistics: seas at the limb, relief.
    let anchors: Vec<f64> =
        moons.iter().map(|m| m.fit.centre_sigma_px.hypot(0.04 + 3e-4 * m.fit.radius_px).hypot(drawn(m))).collect();
    let links: Vec<Link> = chain
        .iter()
        .zip(moons.iter().skip(1))
        .map(|(tie, moon)| Link {
            wanted: Complex::new(tie.shift.right, tie.shift.down) * moon.fit.radius_px,
            carry: Complex::from_polar(1.0, tie.turn.radians()),
            sigma: (1.5 * tie.shift.sigma * moon.fit.radius_px).hypot(0.03),
        })
        .collect();
    relax(&anchors, &links)
}

/// How far the turns of a chain change, degrees clockwise.
fn turned(chain: &[Tie], nodes: &[usize], turns: &[Option<Orientation>]) -> Vec<Correction> {
    let anchors: Vec<f64> = nodes.iter().map(|k| turns[*k].map_or(1.0, |o| o.sigma.degrees())).collect();
    let links: Vec<Link> = chain
        .iter()
        .map(|tie| Link {
            wanted: Complex::new(tie.shift.turn.degrees(), 0.0),
            carry: Complex::new(1.0, 0.0),
            sigma: (1.5 * tie.shift.turn_sigma.degrees()).hypot(0.02),
        })
        .collect();
    relax(&anchors, &links)
}

fn moved_centre(fit: DiscFit, by: Correction) -> DiscFit {
    // More than a limb's worst error is no alignment.
    if by.value.norm() > 0.02 * fit.radius_px + 1.0 {
        return fit;
    }
    let centre = PixelPoint::new(fit.centre.x + by.value.re, fit.centre.y + by.value.im);
    DiscFit { centre, centre_sigma_px: by.sigma, ..fit }
}

fn moved_turn(o: Orientation, by: Correction) -> Orientation {
    if o.source == OrientationSource::Pointing {
        return o;
    }
    let turn = Angle::from_degrees(by.value.re);
    let turn = if o.mirrored { -turn } else { turn };
    Orientation {
        up_position_angle: (o.up_position_angle + turn).normalized(),
        sigma: Angle::from_degrees(by.sigma.hypot(0.03)),
        ..o
    }
}

/// Runs of ties in which each begins where the one before ends.
fn chains(ties: &[Tie]) -> Vec<&[Tie]> {
    ties.chunk_by(|a, b| a.second == b.first).collect()
}

/// What neighbours say of each other: `second - carry * first = wanted`.
struct Link {
    wanted: Complex<f64>,
    carry: Complex<f64>,
    sigma: f64,
}

/// A correction and its standard deviation.
#[derive(Clone, Copy)]
struct Correction {
    value: Complex<f64>,
    sigma: f64,
}

/// The least-squares corrections of a chain whose members are anchored at zero with the standard
/// deviations `anchors` and tied by `links`: a tridiagonal system, eliminated forwards and backwards.
fn relax(anchors: &[f64], links: &[Link]) -> Vec<Correction> {
    let n = anchors.len();
    let weight = |sigma: f64| 1.0 / (sigma * sigma);
    // Forward: what each member knows from itself and all before it.
    let mut forward: Vec<(f64, Complex<f64>)> = Vec::with_capacity(n);
    for (k, anchor) in anchors.iter().enumerate() {
        let own = weight(*anchor);
        let (mut precision, mut sum) = (own, Complex::new(0.0, 0.0));
        if let Some((before, link)) = k.checked_sub(1).and_then(|i| Some((forward.get(i)?, links.get(i)?))) {
            let passed = 1.0 / (1.0 / before.0 + link.sigma * link.sigma);
            precision += passed;
            sum += (link.carry * before.1 / before.0 + link.wanted) * passed;
        }
        forward.push((precision, sum));
    }
    // Backward: what those after it say.
    let mut out = vec![Correction { value: Complex::new(0.0, 0.0), sigma: 0.0 }; n];
    let mut after: Option<(f64, Complex<f64>)> = None;
    for k in (0..n).rev() {
        let (mut precision, mut sum) = forward[k];
        let mut own = (weight(anchors[k]), Complex::new(0.0, 0.0));
        if let Some((later, link)) = after.zip(links.get(k)) {
            let passed = 1.0 / (1.0 / later.0 + link.sigma * link.sigma);
            let said = link.carry.conj() * (later.1 / later.0 - link.wanted) * passed;
            precision += passed;
            sum += said;
            own = (own.0 + passed, own.1 + said);
        }
        out[k] = Correction { value: sum / precision, sigma: (1.0 / precision).sqrt() };
        after = Some(own);
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_chain_spreads_what_its_links_say() {
        // Three anchors of equal weight; links that want the middle one moved by one.
        let link = |wanted: f64| Link { wanted: Complex::new(wanted, 0.0), carry: Complex::new(1.0, 0.0), sigma: 1e-3 };
        let moved = relax(&[1.0, 1.0, 1.0], &[link(1.0), link(-1.0)]);
        // All links hold, and the mean of the three stays zero: -1/3, 2/3, -1/3.
        for (m, expected) in moved.iter().zip([-1.0 / 3.0, 2.0 / 3.0, -1.0 / 3.0]) {
            assert!((m.value.re - expected).abs() < 1e-4, "{} {expected}", m.value.re);
        }
    }

    #[test]
    fn a_chain_without_news_stays() {
        let link = || Link { wanted: Complex::new(0.0, 0.0), carry: Complex::from_polar(1.0, 0.3), sigma: 0.1 };
        assert!(relax(&[0.2, 0.3, 0.4], &[link(), link()]).iter().all(|s| s.value.norm() < 1e-12 && s.sigma < 0.3));
    }
}
