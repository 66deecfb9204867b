//! The phase that each frame shows, and with it the camera's clock.
//!
//! `edge` traces the shadow's edge on a disc, `clock` compares all edges of a rig with the ephemeris.

mod clock;
mod edge;

pub(super) use edge::shadow_edge;

use super::measure::Moon;
use super::sequence::Sequence;
use super::sky_place::SkyPlace;
use crate::registration::{ClockEstimate, Orientation};
use edge::ShadowEdge;
use rayon::prelude::*;

/// What the shadow says of a rig's clock, its discs oriented as found.
///
/// The shadow's size and the globe's turn depend a little on the time themselves: where the clock is off
/// they are taken again with the time put right.
pub(super) fn read(
    sequence: &Sequence<'_>,
    moons: &[Option<Moon>],
    turns: &[Option<Orientation>],
) -> Option<ClockEstimate> {
    let observer = &sequence.observer()?;
    let measure = |ahead_s: f64| {
        let edges: Vec<ShadowEdge> = (0..moons.len())
            .into_par_iter()
            .filter_map(|k| {
                let (moon, instant) = (moons[k].as_ref()?, sequence.place(k)?.instant);
                let place = SkyPlace::at(observer, instant.plus_seconds(-ahead_s));
                let found = shadow_edge(moon.cutout.as_ref()?, &moon.fit, &place, turns[k].as_ref())?;
                Some(ShadowEdge { instant, ..found })
            })
            .collect();
        clock::estimate(observer, &edges)
    };
    let first = measure(0.0)?;
    if first.ahead_s.abs() < 60.0 { Some(first) } else { measure(first.ahead_s).or(Some(first)) }
}
