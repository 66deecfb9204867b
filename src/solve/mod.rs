//! What the night was: from the discs that frames show, the sky, and the claims of the records.
//!
//! [`register`] is the list of passes, rig by rig. Each borrows what it needs and returns a new value:
//!
//! 1. `sequence`: each frame is decoded once and `detect` looks at it, by its pixels alone (`looks` keeps what it showed);
//!    `still` sets aside what does not move while the camera stands;
//! 2. `scale`: which discs are one Moon: the plate scale, or several where the lens was zoomed; `tone`: what the camera's own
//!    curve makes of bright and of faint limbs;
//! 3. `mount`: what the mount did: a fixed tripod's aim from knock to knock, a mount that follows the sky, a hand;
//! 4. `choice`: which disc of each frame is the Moon, and what the others are; `track`: which lies along
//!    the way of most others, where the camera stood still and no sky is known;
//! 5. `measure`: each Moon once more with the radius, lens and air known (`limbs`: where the camera puts them, by its
//!    curve and, beyond white, by its lens's glow, `bloom`; `burnt`: small discs that are white); `mount` again from those;
//! 6. `face`: which way up, by the Moon's own features (`lunar_face`), where a limb that is bright on one side has drawn a disc,
//!    and ties from frame to frame;
//! 7. `shadow`: the phase that each frame shows, and with it the camera's clock; where it says that the times are another zone's, 5 to
//!    7 once more under the sky of that;
//! 8. `overruled`: what the records claim (`claims`) that the frames overrule;
//! 9. `entries`: all that written down as a [`Registration`].
//!
//! `suggestion` is what frames without shoot notes suggest for them.
//!
//! Claims (focal length, mount, site, clock, zone, date) are weighed against what the frames say together. Where they
//! lose, the discs stand as photographed and one warning names claim, evidence and remedy.

mod bloom;
mod burnt;
mod choice;
mod claims;
mod entries;
mod face;
mod light_ratio;
mod limbs;
mod looks;
mod lunar_face;
mod measure;
mod moon;
mod mount;
mod overruled;
mod scale;
mod sequence;
mod shadow;
mod shape;
mod sky_place;
mod still;
mod suggestion;
mod tone;
mod track;
mod upright;

pub use looks::{Looks, LooksError};
pub(crate) use mount::aim_sigma_px;
pub use suggestion::{LEAST_PITCH_UM, Suggestion, suggest};

use crate::diag::{Diagnostic, Warned};
use crate::ingest::{Frame, Night, Rig};
use crate::registration::{ClockEstimate, FrameRegistration, Registration, RigSolution, as_written, remarks};
use claims::Claims;
use entries::Findings;
use face::Facing;
use limbs::Limbs;
use moon::Moon;
use mount::Aim;
use overruled::SaidOfZoom;
use rayon::prelude::*;
use sequence::{Seen, Sequence};
use tone::{Limb, Tone};

/// Whose time is trusted.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum ClockSource {
    /// The frames' and the shoot notes'.
    #[default]
    Frames,
    /// The Earth's shadow's, for each rig that shows enough of it.
    Shadow,
}

/// Finds the Moon in every frame of a night. `progress` is told of each frame looked at.
///
/// Frames of different rigs are solved apart. A frame that cannot be read is absent with its
/// reason, and a warning; the night goes on. Each frame is decoded once, some twice; what is kept of
/// one is a few dozen kilobytes.
///
/// # Accuracy
/// On rehearsed frames (`tests/suite/matrix.rs` prints the table): centres within 0.1 px or 0.3 % of the
/// radius in the median, radius within 1 %, orientation within 0.5 degrees from 150 px on, the clock
/// within 15 s from a whole sequence of partial phases.
pub fn register(night: &Night, clock: ClockSource, progress: &(dyn Fn(&str) + Sync)) -> Warned<Registration> {
    register_with(night, clock, &Looks::default(), progress)
}

/// As [`register`], where some frames were looked at before: they are not looked at again.
pub fn register_with(
    night: &Night,
    clock: ClockSource,
    known: &Looks,
    progress: &(dyn Fn(&str) + Sync),
) -> Warned<Registration> {
    // Before any is looked at: a file that changes meanwhile is then another.
    let prints: Vec<Option<String>> = night.frames.par_iter().map(Frame::fingerprint).collect();
    let looked_at: Vec<LookedAt<'_>> =
        (0..night.rigs.len()).into_par_iter().map(|rig| look_at_rig(night, rig, known, progress)).collect();
    let shared = scales_of_crops(night, &looked_at);
    let zooms: Vec<Vec<scale::Zoom>> = looked_at
        .par_iter()
        .zip(&shared)
        .map(|(rig, shared)| scale::zooms(&rig.sequence, &rig.seen, &rig.votes, *shared))
        .collect();
    let tones = tones(night, &looked_at, &zooms);
    let rigs: Vec<Known<'_>> = looked_at.iter().zip(&zooms).zip(&tones).collect();
    let solved: Vec<Vec<Solved>> =
        rigs.par_iter().map(|((rig, zooms), tone)| solve_rig(rig, zooms, tone.as_ref(), clock)).collect();
    let mut solved = match clock {
        ClockSource::Frames => with_hours_of_the_camera(night, &rigs, solved),
        ClockSource::Shadow => solved,
    };
    for zooms in &mut solved {
        overruled::say_once_of_focal_lengths(zooms.iter_mut().map(Solved::said).collect());
    }
    let mut diagnostics = Vec::new();
    let mut slots: Vec<Option<FrameRegistration>> = vec![None; night.frames.len()];
    // A rig's first zoom keeps the rig's own number; further zooms come after all rigs.
    let mut rigs: Vec<Option<RigSolution>> = vec![None; night.rigs.len()];
    for (rig, zooms) in solved.into_iter().enumerate() {
        for (zoom, result) in zooms.into_iter().enumerate() {
            let number = if zoom == 0 { rig } else { rigs.len() };
            for (i, mut frame) in result.frames {
                frame.rig = number;
                frame.fingerprint = prints[i].clone();
                slots[i] = Some(frame);
            }
            diagnostics.extend(result.diagnostics);
            if zoom == 0 { rigs[rig] = Some(result.rig) } else { rigs.push(Some(result.rig)) }
        }
    }
    let registration =
        Registration { rigs: rigs.into_iter().flatten().collect(), frames: slots.into_iter().flatten().collect() };
    if clock == ClockSource::Shadow && registration.rigs.iter().all(|r| r.clock.is_none()) {
        diagnostics.push(
            Diagnostic::warning("clock-unread", "the Earth's shadow tells no time in these frames; their own is kept")
                .with_help("it takes a site and at least five partial phases of 30 px radius or more"),
        );
    }
    diagnostics.extend(remarks(night, &registration));
    // As whoever reads it from a file will have it.
    Warned { value: as_written(&registration), diagnostics }
}

/// The middle one of some values.
fn median(mut values: Vec<f64>) -> Option<f64> {
    values.sort_by(f64::total_cmp);
    values.get(values.len() / 2).copied()
}

/// What was solved of the frames of one rig at one zoom.
struct Solved {
    rig: RigSolution,
    frames: Vec<(usize, FrameRegistration)>,
    diagnostics: Vec<Diagnostic>,
    /// Whether they show the focal length that was recorded.
    is_lens_right: Option<bool>,
    /// Hours that the times are ahead, where the shadow on these frames tells it.
    hours_s: Option<f64>,
}

impl Solved {
    fn said(&mut self) -> SaidOfZoom<'_> {
        let measured = self.frames.iter().filter(|(_, frame)| frame.fit().is_some());
        let files = measured.map(|(_, frame)| frame.file.as_str()).collect();
        SaidOfZoom { files, is_lens_right: self.is_lens_right, said: &mut self.diagnostics }
    }
}

/// A rig's frames, what each shows, and what that says of the scale.
struct LookedAt<'a> {
    sequence: Sequence<'a>,
    seen: Vec<Seen>,
    votes: scale::Votes,
}

impl<'a> LookedAt<'a> {
    /// The frames of one zoom, what each shows, and what is said of them.
    fn at(&self, zoom: &scale::Zoom) -> (Sequence<'a>, Vec<&Seen>, Claims) {
        let sequence = self.sequence.part(&zoom.members);
        let claims = Claims::of(&sequence);
        (sequence, zoom.members.iter().map(|&k| &self.seen[k]).collect(), claims)
    }
}

fn look_at_rig<'a>(night: &'a Night, rig: usize, known: &Looks, progress: &(dyn Fn(&str) + Sync)) -> LookedAt<'a> {
    let sequence = Sequence::of(night, rig);
    let seen: Vec<Seen> = sequence.look(&|frame| known.of(frame), &|_| true, progress).into_iter().flatten().collect();
    let still = still::lights(&sequence, &seen);
    let seen: Vec<Seen> = seen.into_iter().zip(&still).map(|(seen, still)| seen.without(still)).collect();
    let votes = scale::votes(&sequence, &seen);
    LookedAt { sequence, seen, votes }
}

/// Rigs by what makes them one camera's.
fn grouped(night: &Night, is_one: impl Fn(&Rig, &Rig) -> bool) -> Vec<Vec<usize>> {
    let mut cameras: Vec<Vec<usize>> = Vec::new();
    for (i, rig) in night.rigs.iter().enumerate() {
        match cameras.iter_mut().find(|rigs| is_one(rig, &night.rigs[rigs[0]])) {
            Some(rigs) => rigs.push(i),
            None => cameras.push(vec![i]),
        }
    }
    cameras
}

/// Whether two rigs' frames are one camera's. (Of files without a model's name nobody knows whose they are.)
fn is_same_camera(a: &Rig, b: &Rig) -> bool {
    a.camera_model.is_some() && a.camera_model == b.camera_model
}

/// For each rig the scale that it has in common with those whose frames differ from its own in size alone.
fn scales_of_crops(night: &Night, looked_at: &[LookedAt<'_>]) -> Vec<Option<scale::Scale>> {
    let mut out = vec![None; night.rigs.len()];
    for rigs in grouped(night, Rig::is_one_camera_with).into_iter().filter(|rigs| rigs.len() > 1) {
        let votes: Vec<&scale::Votes> = rigs.iter().map(|&i| &looked_at[i].votes).collect();
        let shared = scale::in_common(&votes);
        rigs.into_iter().for_each(|i| out[i] = shared);
    }
    out
}

/// For each rig what its camera's curve makes of limbs: by the frames of all rigs and zooms of a camera together, since a curve is
/// the camera's.
fn tones(night: &Night, looked_at: &[LookedAt<'_>], zooms: &[Vec<scale::Zoom>]) -> Vec<Option<Tone>> {
    let limbs: Vec<Vec<Vec<Limb>>> = looked_at
        .iter()
        .zip(zooms)
        .map(|(rig, zooms)| zooms.iter().map(|zoom| tone::limbs(&rig.sequence, &rig.seen, zoom)).collect())
        .collect();
    let told = |rigs: &[usize]| -> Option<Tone> {
        Tone::of(&rigs.iter().flat_map(|&i| &limbs[i]).map(Vec::as_slice).collect::<Vec<&[Limb]>>())
    };
    let mut out = vec![None; night.rigs.len()];
    for rigs in grouped(night, is_same_camera) {
        let tone = told(&rigs);
        rigs.into_iter().for_each(|i| out[i] = tone);
    }
    out
}

/// Solves a rig's frames, zoom by zoom.
fn solve_rig(looked_at: &LookedAt<'_>, zooms: &[scale::Zoom], tone: Option<&Tone>, clock: ClockSource) -> Vec<Solved> {
    zooms
        .par_iter()
        .map(|zoom| {
            let (sequence, seen, claims) = looked_at.at(zoom);
            let solved = solve_zoom(&sequence, &seen, (zoom.scale, tone), &claims, (None, None));
            match solved.rig.clock.filter(|_| clock == ClockSource::Shadow) {
                // A clock put right changes where the sky says the Moon is, and no pixel.
                Some(read) => {
                    let sequence = sequence.put_right(read.ahead_s);
                    let put_right = Some(ClockEstimate { put_right: true, ..read });
                    solve_zoom(&sequence, &seen, (zoom.scale, tone), &claims, (put_right, None))
                }
                None => solved,
            }
        })
        .collect()
}

/// A rig's frames, its zooms, and its camera's curve.
type Known<'a> = ((&'a LookedAt<'a>, &'a Vec<scale::Zoom>), &'a Option<Tone>);

/// The rigs once more whose camera shows, by the shadow on others of its frames, that its clock is whole hours off: a camera has one
/// clock at all its zooms, and few of them may tell it. Neglected: two bodies of one model, and frames whose times were written by hand.
fn with_hours_of_the_camera(night: &Night, rigs: &[Known<'_>], mut solved: Vec<Vec<Solved>>) -> Vec<Vec<Solved>> {
    for group in grouped(night, is_same_camera) {
        let told: Vec<f64> = group.iter().flat_map(|&i| solved[i].iter().filter_map(|s| s.hours_s)).collect();
        let Some(&hours_s) = told.first().filter(|first| told.iter().all(|h| h == *first)) else { continue };
        for i in group {
            let ((looked_at, zooms), tone) = rigs[i];
            let may_be_off =
                |s: &Solved| s.hours_s.is_none() && s.rig.clock.as_ref().is_none_or(|clock| clock.allows(hours_s));
            solved[i].par_iter_mut().zip(zooms.par_iter()).filter(|(s, _)| may_be_off(s)).for_each(|(solved, zoom)| {
                let (sequence, seen, claims) = looked_at.at(zoom);
                *solved = solve_zoom(&sequence, &seen, (zoom.scale, tone.as_ref()), &claims, (None, Some(hours_s)));
            });
        }
    }
    solved
}

/// The Moon of each frame as measured, and the aim that goes with it.
struct Measures {
    choices: Vec<choice::Choice>,
    moons: Vec<Option<Moon>>,
    aim: Aim,
}

impl Measures {
    /// Aim, choice and measure, and both weighed with each other.
    fn take(
        sequence: &Sequence<'_>,
        seen: &[&Seen],
        (scale, tone): (Option<scale::Scale>, Option<&Tone>),
        claims: &Claims,
    ) -> Self {
        let first_aim = Aim::solve(sequence, seen, scale, claims);
        let choices = choice::choose(sequence, seen, &first_aim);
        let choices = if first_aim.is_pointed() { choices } else { track::along_the_way(sequence, seen, choices) };
        let limbs = tone.map(|tone| Limbs::of(sequence, seen, &choices, (&first_aim, tone)));
        let moons = measure::measure(sequence, seen, &choices, (&first_aim, limbs.as_ref()));
        let aim = first_aim.solve_again(sequence, &moons);
        let moons = measure::weighed_with_aim(sequence, moons, &aim);
        Measures { choices, moons, aim }
    }
}

/// The passes, over frames of one camera at one zoom; `put_right`: by what the clock was put right, `told_s`: hours that the times are
/// ahead by what the camera's other zooms show.
fn solve_zoom(
    sequence: &Sequence<'_>,
    seen: &[&Seen],
    of_camera: (Option<scale::Scale>, Option<&Tone>),
    claims: &Claims,
    (put_right, told_s): (Option<ClockEstimate>, Option<f64>),
) -> Solved {
    let own = Measures::take(sequence, seen, of_camera, claims);
    let all: Vec<Option<&Moon>> = own.moons.iter().map(Option::as_ref).collect();
    // Times that are whole hours off bend a tripod's aim, and that would draw its discs along; under another sky the air flattens
    // others: they are measured under the sky that the frames show, by their track or by the shadow on them. The times stay the
    // frames', and so does the aim that goes with them.
    let under_sky_of = |ahead_s: f64, aim: &Aim| {
        // By the times of the frames the sizes were foretold from which the camera's curve was told.
        let there = Measures::take(&sequence.put_right(ahead_s), seen, (of_camera.0, None), claims);
        Measures { aim: aim.solve_again(sequence, &there.moons), ..there }
    };
    let read = |measures: &Measures| {
        let facing = Facing::read(sequence, &measures.moons, &measures.aim);
        let phases = shadow::read(sequence, &measures.moons, facing.turns());
        (facing, phases)
    };
    let by_track_s = overruled::whole_hours(sequence, &own.aim, &all);
    let measures = match by_track_s {
        Some(ahead_s) => under_sky_of(ahead_s, &own.aim),
        None => own,
    };
    let (facing, phases) = read(&measures);
    let own_hours_s = phases.hours_s();
    let by_shadow_s = own_hours_s.or(told_s).filter(|_| by_track_s.is_none());
    let (measures, (facing, mut phases)) = match by_shadow_s {
        Some(ahead_s) => {
            let measures = under_sky_of(ahead_s, &measures.aim);
            let (facing, again) = read(&measures);
            // What it was measured under is said.
            (measures, (facing, shadow::Phases { slip: phases.slip, ..again }))
        }
        None => (measures, (facing, phases)),
    };
    if own_hours_s.is_none() && by_shadow_s.is_some() {
        // Where others tell the hours, no phase of these is what its time says.
        phases.contradicted.fill(true);
    }
    let hours_s = by_track_s.or(by_shadow_s);
    let Measures { choices, moons, aim } = measures;
    phases.clock = put_right.or(phases.clock);
    let there = hours_s.map(|ahead_s| sequence.put_right(ahead_s));
    // A level camera turns with the sky of the true hour; its aim, where it is solved, goes with the frames' times.
    let facing = match &there {
        Some(there) if aim.pointings().is_empty() => {
            let hours = hours_s.unwrap_or(0.0);
            let besides = phases.clock.map(|clock| ClockEstimate { ahead_s: clock.ahead_s - hours, ..clock });
            Facing::read(there, &moons, &aim).closer(there, &moons, &aim, besides.as_ref())
        }
        _ => facing.closer(sequence, &moons, &aim, phases.clock.as_ref()),
    };
    let moons = measure::flattened(there.as_ref().unwrap_or(sequence), moons, &aim, facing.turns());
    // A clock tells the minutes besides the hours, too.
    let by_clock_s = phases.clock.map(|clock| clock.still_ahead_s());
    let ahead_s = by_track_s.or(by_clock_s).or(by_shadow_s).unwrap_or(0.0);
    let moons = face::anchored(sequence, moons, facing.turns(), ahead_s);
    let (moons, facing) = face::tied(sequence, moons, facing);
    let moons = measure::with_what_is_shared(sequence, moons);
    entries::write(Findings { sequence, seen, choices, moons, aim, facing, phases, claims, hours_s: own_hours_s })
}
