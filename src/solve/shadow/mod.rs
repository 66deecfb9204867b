//! The phase that each frame shows, and with it the camera's clock.
//!
//! `edge` traces the shadow's edge on a disc, `clock` compares all edges of a rig with the ephemeris, `phase` says
//! which frames show another phase than their time would have, and what slip of zone or date explains it.

mod clock;
mod edge;
mod phase;

pub(super) use edge::shadow_edge;
pub(super) use phase::Slip;

use super::light_ratio;
use super::moon::Moon;
use super::sequence::Sequence;
use super::sky_place::SkyPlace;
use crate::detect::DiscFit;
use crate::registration::{ClockEstimate, Orientation};
use clock::Comparison;
use edge::ShadowEdge;
use rayon::prelude::*;

/// What the phases say of a rig's times.
#[derive(Default)]
pub(super) struct Phases {
    /// How far the clock is off, where enough partial phases tell.
    pub clock: Option<ClockEstimate>,
    /// The slip of zone or date that the phases show.
    pub slip: Option<Slip>,
    /// Which frames show another phase than their time would have.
    pub contradicted: Vec<bool>,
}

impl Phases {
    /// Quarters of hours that the times are ahead, where the phases leave no doubt of it: a clock that is told poorly takes minutes for
    /// a zone.
    pub fn hours_s(&self) -> Option<f64> {
        /// A sixth of the quarter, seconds.
        const MOST_SIGMA_S: f64 = 150.0;
        let is_told = self.clock.is_none_or(|clock| clock.sigma_s < MOST_SIGMA_S);
        match self.slip {
            Some(Slip::Zone(ahead_s)) if is_told => Some(ahead_s),
            _ => None,
        }
    }
}

/// Of a disc less of which lies inside the frame neither its light nor an edge across it is the whole disc's.
const LEAST_INSIDE: f64 = 0.4;

/// Which share of a disc lies inside the frame.
fn share_inside(fit: &DiscFit, (width, height): (usize, usize)) -> f64 {
    const STEPS: i32 = 12;
    let cells = (-STEPS..=STEPS).flat_map(|y| (-STEPS..=STEPS).map(move |x| (x, y)));
    let of_disc = cells.map(|(x, y)| (f64::from(x) / f64::from(STEPS), f64::from(y) / f64::from(STEPS)));
    let (inside, all) = of_disc.filter(|(x, y)| x.hypot(*y) <= 1.0).fold((0u32, 0u32), |(inside, all), (x, y)| {
        let (x, y) = (fit.centre.x + x * fit.radius_px, fit.centre.y + y * fit.radius_px);
        let is_inside = (0.0..width as f64).contains(&x) && (0.0..height as f64).contains(&y);
        (inside + u32::from(is_inside), all + 1)
    });
    f64::from(inside) / f64::from(all.max(1))
}

/// Reads the phases of a rig's discs, oriented as found.
///
/// The shadow's size and the globe's turn depend a little on the time themselves: where the clock is off
/// they are taken again with the time put right.
pub(super) fn read(sequence: &Sequence<'_>, moons: &[Option<Moon>], turns: &[Option<Orientation>]) -> Phases {
    let none = Phases { contradicted: vec![false; moons.len()], ..Phases::default() };
    let Some(observer) = &sequence.observer() else { return none };
    let traced = |ahead_s: f64| -> Vec<Option<ShadowEdge>> {
        (0..moons.len())
            .into_par_iter()
            .map(|k| {
                let (moon, instant) = (moons[k].as_ref()?, sequence.place(k)?.instant);
                let place = SkyPlace::at(observer, instant.plus_seconds(-ahead_s));
                let found = shadow_edge(moon.cutout.as_ref()?, &moon.fit, &place, turns[k].as_ref())?;
                Some(ShadowEdge { instant, ..found })
            })
            .collect()
    };
    let first = traced(0.0);
    // Weeks from full, what crosses the disc is the night side's edge.
    let edges: Vec<ShadowEdge> = first
        .iter()
        .enumerate()
        .filter_map(|(k, e)| (*e).filter(|e| !sequence.place(k).is_some_and(|p| p.shows_terminator(e.place))))
        .collect();
    let estimate = clock::estimate(observer, &edges);
    let clock = match estimate {
        Some(c) if c.ahead_s.abs() > 60.0 => {
            let again: Vec<ShadowEdge> = traced(c.ahead_s).into_iter().flatten().collect();
            clock::estimate(observer, &again).or(Some(c))
        }
        other => other,
    };
    let slip = phase::slip(observer, &edges, clock.as_ref());
    let comparison = Comparison::new(observer, &edges);
    let contradicted = (0..moons.len())
        .map(|k| {
            let (Some(moon), Some(place)) = (&moons[k], sequence.place(k)) else { return false };
            let is_shown = share_inside(&moon.fit, sequence.size()) >= LEAST_INSIDE;
            let by_edge = match (&first[k], &comparison) {
                (Some(edge), Some(comparison)) if !place.shows_terminator(edge.place) => {
                    phase::contradicts(comparison, edge, clock.as_ref())
                }
                _ => false,
            };
            let by_slip = slip.is_some_and(|s| {
                let then = SkyPlace::at(observer, place.instant.plus_seconds(-s.ahead_s()));
                (then.shadow.umbral_fraction() - place.shadow.umbral_fraction()).abs() > 0.25
            });
            let by_light = || light_ratio::contradicts(sequence.frame(k), place, &moon.fit);
            by_slip || is_shown && (by_edge && (slip.is_some() || moons.len() < 5 || clock.is_none()) || by_light())
        })
        .collect();
    Phases { clock, slip, contradicted }
}
