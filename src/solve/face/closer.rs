//! Turns of discs that showed too few features by themselves.

use super::wrapped;
use crate::registration::{ClockEstimate, Orientation, OrientationSource};
use crate::solve::lunar_face::{Features, turn_near};
use crate::solve::moon::Moon;
use crate::solve::sequence::Sequence;
use crate::solve::shadow::shadow_edge;
use crate::solve::sky_place::SkyPlace;
use crate::units::Angle;
use rayon::prelude::*;

/// Once a frame's turn is known to a few degrees, fainter features tell it better; where even those are
/// wanting, the direction in which the shadow lies does.
pub(super) fn looked_at(
    sequence: &Sequence<'_>,
    moons: &[Option<Moon>],
    features: &[Option<Features>],
    found: &[Option<Orientation>],
    clock: Option<&ClockEstimate>,
) -> Vec<Option<Orientation>> {
    let observer = sequence.observer();
    let ahead_s = clock.map_or(0.0, ClockEstimate::still_ahead_s);
    let closer = |k: usize, orientation: &Option<Orientation>| {
        let rough = orientation.filter(|o| o.source == OrientationSource::Sequence)?;
        let place = &SkyPlace::at(observer.as_ref()?, sequence.place(k)?.instant.plus_seconds(-ahead_s));
        let axis = place.libration.axis_position_angle;
        let map = Features::of_map(&place.libration);
        if let (Some(disc), Some(map)) = (&features[k], &map)
            && let Some(t) = turn_near(disc, map, rough.lunar_north(axis), rough.mirrored)
        {
            return Some(Orientation::of_lunar_north(t.north, rough.mirrored, axis, t.sigma));
        }
        let moon = moons[k].as_ref()?;
        let shadow = shadow_edge(moon.cutout.as_ref()?, &moon.fit, place, Some(&rough))?;
        let there = place.shadow.position_angle();
        let up = if rough.mirrored { there - shadow.towards } else { there + shadow.towards };
        // The umbra's edge is no circle to better than this.
        let sigma = Angle::from_degrees(shadow.towards_sigma.degrees().hypot(0.3));
        (sigma.degrees() < 0.9 && wrapped(up - rough.up_position_angle).abs() < 6.0).then(|| Orientation {
            up_position_angle: up.normalized(),
            sigma,
            source: OrientationSource::Shadow,
            ..rough
        })
    };
    found.par_iter().enumerate().map(|(k, orientation)| closer(k, orientation).or(*orientation)).collect()
}
