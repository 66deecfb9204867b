//! What is written down of each frame, and of the rig.

use super::choice::Choice;
use super::claims::Claims;
use super::face::Facing;
use super::moon::Moon;
use super::mount::Aim;
use super::sequence::{Seen, Sequence};
use super::shadow::Phases;
use super::{Solved, light_ratio};
use crate::camera::Mount;
use crate::registration::{Disc, FrameRegistration, RigSolution, Sighting, Why};

/// All that the passes have found.
pub(super) struct Findings<'a, 'n> {
    pub sequence: &'a Sequence<'n>,
    pub seen: &'a [&'a Seen],
    pub choices: Vec<Choice>,
    pub moons: Vec<Option<Moon>>,
    pub aim: Aim,
    pub facing: Facing,
    pub phases: Phases,
    pub claims: &'a Claims,
    /// Hours that the times are ahead, where the shadow on these frames tells it.
    pub hours_s: Option<f64>,
}

/// One entry a frame, with its index in the night, and the rig's own.
pub(super) fn write(found: Findings<'_, '_>) -> Solved {
    let (sequence, aim) = (found.sequence, &found.aim);
    let mut frames: Vec<(usize, FrameRegistration)> =
        (0..sequence.len()).map(|k| (sequence.indices[k], entry(&found, k))).collect();
    light_ratio::scale(&mut frames);
    let rig = RigSolution {
        width: sequence.rig.width,
        height: sequence.rig.height,
        focal_length_px: aim.focal_length_px().filter(|_| sequence.places.iter().any(Option::is_some)),
        pointings: aim.pointings().to_vec(),
        tracking: aim.tracking().cloned(),
        mirrored: found.facing.mirrored(),
        rotation: found.facing.rotation(sequence).filter(|_| aim.mount() == Mount::Tracking),
        clock: found.phases.clock,
    };
    let moons: Vec<Option<&Moon>> = found.moons.iter().map(Option::as_ref).collect();
    let diagnostics = found.claims.overruled(sequence, aim, &moons, &found.phases, &found.facing);
    Solved { rig, frames, diagnostics, is_lens_right: found.claims.is_lens_right(aim), hours_s: found.hours_s }
}

fn entry(found: &Findings<'_, '_>, k: usize) -> FrameRegistration {
    let (frame, place) = (found.sequence.frame(k), found.sequence.place(k));
    let moon = found.moons[k].as_ref();
    let sighting = sighting(found, k);
    let contradicted = found.phases.contradicted[k];
    let told = if let Seen::Found { told, .. } = found.seen[k] { *told } else { None };
    FrameRegistration {
        file: frame.name.clone(),
        rig: frame.rig,
        time: frame.time.map(|t| t.middle.plus_seconds(-found.sequence.put_right_s)),
        umbral_fraction: place.filter(|_| !contradicted).map(|p| p.shadow.umbral_fraction()),
        phase_contradicted: contradicted,
        told,
        orientation: found.facing.turns()[k].filter(|_| sighting.disc().is_some()),
        // The light of a piece is none of the whole disc's.
        light_ratio: moon.filter(|_| told.is_none()).and_then(|m| light_ratio::of(frame, place, &m.fit)),
        rejected: found.choices[k].rejected.clone(),
        foreground: frame.foreground,
        fingerprint: None,
        exclude: false,
        nudge: Default::default(),
        sighting,
    }
}

fn sighting(found: &Findings<'_, '_>, k: usize) -> Sighting {
    let (sequence, aim) = (found.sequence, &found.aim);
    if let Seen::Unreadable(why) = found.seen[k] {
        return Sighting::Absent(Why::Unreadable(why.clone()));
    }
    if let Some(moon) = &found.moons[k] {
        let true_radius_px = sequence.place(k).and_then(|place| aim.true_radius_px(place, &moon.fit));
        return Sighting::Measured(Disc { true_radius_px, ..moon.fit.into() });
    }
    let Some(place) = sequence.place(k) else { return Sighting::Absent(Why::NoDisc) };
    if place.is_below_horizon() {
        return Sighting::Absent(Why::BelowHorizon);
    }
    match aim.infers(place) {
        Some((centre, centre_sigma_px, radius_px)) if sequence.is_in_frame(centre, radius_px) => {
            let disc = Disc { centre, radius_px, true_radius_px: None, centre_sigma_px, fit: None };
            Sighting::Inferred(disc, Why::NoLimb)
        }
        Some(_) => Sighting::Absent(Why::OutsideFrame),
        None if aim.is_pointed() => Sighting::Absent(Why::OutsideFrame),
        None => Sighting::Absent(Why::NoDiscOfItsSize),
    }
}
