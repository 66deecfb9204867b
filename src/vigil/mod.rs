//! Somebody who looks at each frame as it is taken and says what to change.
//!
//! A [`Vigil`] is given frames as they come. Each is looked at once ([`crate::solve::Looks`]); the night so far, the last frames
//! and some spread over the earlier ones, is then solved as `register` solves a night, and what came of it is judged:
//!
//! * `place`: where the Moon is, when it leaves the frame, whether the tripod was moved;
//! * `sharpness`: focus that slips, a shaken frame, dew, a shutter under which the disc trails;
//! * `light`: what is clipped, what lies too deep in the noise, cloud;
//! * `hours`: the contacts that come, a clock that is off, frames that do not come.
//!
//! `report` is a frame in numbers, `contacts` the eclipse's contacts as the night stands; `memory` gives each advice once, again when
//! it has been ignored for long, and takes it back when it was heeded. A [`Watch`] brings the frames of a folder that fills
//! (`arrivals`). Nothing here controls a camera. Neglected: what only a person sees, such as a bough that will be in the way.

mod arrivals;
mod contacts;
mod hours;
mod judged;
mod light;
mod memory;
mod place;
mod report;
mod sharpness;
mod watch;

pub use contacts::ContactRow;
pub use memory::{Advice, Kind, Said, Urgency};
pub use report::FrameReport;
pub use watch::{Heard, Watch};

use crate::camera::{Camera, Mount, Setup};
use crate::detect::{DiscFit, Smear};
use crate::diag::{Severity, Warned};
use crate::ingest::{Frame, Night, NightError, read_frames};
use crate::plan::{HorizonProfile, PlanRequest};
use crate::registration::{FrameRegistration, Registration};
use crate::sky::{LunarEclipse, Observer, eclipse_within};
use crate::solve::{ClockSource, Looks, register_with};
use crate::units::Instant;
use jiff::tz::TimeZone;
use judged::Judged;
use memory::{Memory, Verdict};
use std::path::{Path, PathBuf};

/// The night is solved from the last frames,
const LAST: usize = 16;
/// and from some spread over the earlier ones: enough for a tripod's aim and the shadow's clock, few enough for a second.
const EARLIER: usize = 24;

/// From so many Moons on what frames deny of the records is worth a word.
const SURE_FROM: usize = 8;

/// What is known besides what the frames' notes say.
#[derive(Clone, Debug, Default)]
pub struct Wishes {
    /// The site, where the notes do not say it.
    pub observer: Option<Observer>,
    /// The eclipse, where it is not the one that the frames' times are nearest to.
    pub eclipse: Option<LunarEclipse>,
    /// How far a disc may trail during an exposure, pixels; 2 where nobody says.
    pub trail_px: Option<f64>,
}

/// A night that is watched. A clone of it goes on by itself.
#[derive(Clone)]
pub struct Vigil {
    wishes: Wishes,
    paths: Vec<PathBuf>,
    looks: Looks,
    /// What was judged of each frame, in the order in which they came.
    judged: Vec<Judged>,
    place: place::Aims,
    memory: Memory,
    warned: Vec<&'static str>,
    /// The site, once a frame or the notes have told it.
    observer: Option<Observer>,
    /// The last frame and what was found in it.
    newest: Option<(Frame, FrameRegistration)>,
    /// The local clock, by the notes; UTC where they do not say.
    zone: TimeZone,
    /// Whether the frames' times can be held against the sky's: of the last frame, by its own record or the notes.
    zone_is_known: bool,
}

/// The night so far, as a frame is judged in.
struct Context<'a> {
    night: &'a Night,
    registration: &'a Registration,
    observer: Option<Observer>,
    eclipse: Option<&'a LunarEclipse>,
    trail_px: f64,
    zone: TimeZone,
    /// What was judged before.
    before: &'a [Judged],
}

/// The frame that is judged.
#[derive(Clone, Copy)]
struct Now<'a> {
    frame: &'a Frame,
    found: &'a FrameRegistration,
    at: Option<Instant>,
    /// Whether the limb is wider in one direction.
    smear: Option<Smear>,
    /// When it came, where that is known.
    arrived: Option<Instant>,
    /// The disc that its pixels alone are surest of, whatever the night says.
    surest: Option<DiscFit>,
}

impl Vigil {
    /// Begins.
    pub fn new(wishes: Wishes) -> Self {
        Vigil {
            paths: Vec::new(),
            looks: Looks::default(),
            judged: Vec::new(),
            place: place::Aims::default(),
            memory: Memory::default(),
            warned: Vec::new(),
            observer: wishes.observer,
            wishes,
            newest: None,
            zone: TimeZone::UTC,
            zone_is_known: true,
        }
    }

    /// Takes a frame that has come, and is whole; `arrived` is when it came, by a clock that is believed: the camera's own is held
    /// against it. Of frames that were there before nobody knows.
    ///
    /// # Errors
    /// [`NightError`], where it is no frame, or the notes beside it cannot be read.
    pub fn take(&mut self, path: &Path, arrived: Option<Instant>) -> Result<FrameReport, NightError> {
        // A frame that was taken away again is none.
        self.paths.retain(|p| p.is_file());
        self.paths.push(path.to_owned());
        let read = match read_frames(self.some_paths()) {
            Ok(Warned { value, .. }) if value.frames.iter().any(|f| f.path == path) => value,
            Ok(_) => {
                self.paths.pop();
                return Err(NightError::Empty { path: path.to_owned() });
            }
            Err(e) => {
                self.paths.pop();
                return Err(e);
            }
        };
        self.looks.look(&read, &|_| true, &|_| {});
        let found = register_with(&read, ClockSource::Frames, &self.looks, &|_| {});
        Ok(self.judge((path, arrived), &read, &found))
    }

    /// The last frames, and some spread over the earlier ones.
    fn some_paths(&self) -> Vec<PathBuf> {
        let (earlier, last) = self.paths.split_at(self.paths.len().saturating_sub(LAST));
        let step = earlier.len().div_ceil(EARLIER).max(1);
        earlier.iter().step_by(step).chain(last).cloned().collect()
    }

    fn judge(
        &mut self,
        (path, arrived): (&Path, Option<Instant>),
        night: &Night,
        found: &Warned<Registration>,
    ) -> FrameReport {
        self.zone = night.notes.as_ref().and_then(|n| n.label_zone()).unwrap_or(TimeZone::UTC);
        // The frame was among those that were read.
        let index = night.frames.iter().position(|f| f.path == path).unwrap_or(0);
        let frame = &night.frames[index];
        let at = frame.time.map(|t| t.middle);
        self.zone_is_known = frame.time.is_some_and(|t| t.zone_known);
        if self.wishes.eclipse.is_none() {
            self.wishes.eclipse = at.and_then(|at| eclipse_within(at, 0.5));
        }
        self.observer = self.wishes.observer.or(night.observer());
        let found_here = &found.value.frames[index];
        let smear = found_here.fit().and_then(|fit| self.looks.smear_of(frame, fit.centre));
        let surest = self.looks.surest_of(frame);
        let now = Now { frame, found: found_here, at, smear, arrived, surest };
        let mut context = Context {
            night,
            registration: &found.value,
            observer: self.observer,
            eclipse: self.wishes.eclipse.as_ref(),
            trail_px: self.wishes.trail_px.unwrap_or(2.0),
            zone: self.zone.clone(),
            before: &[],
        };
        // Frames of another camera, or at another zoom, tell nothing of this one's.
        let camera = judged::camera_of(&context, now);
        let before: Vec<Judged> = self.judged.iter().filter(|j| j.camera == camera).cloned().collect();
        context.before = &before;
        let mut judged = Judged::of(&context, now);
        judged.leaves = place::leaving(&context, now).filter(|_| !judged.is_too_small).map(|l| (l.minutes, l.edge));
        let mut advice = place::judge(&context, now, &judged, &mut self.place);
        let mut untold = place::untold(now, &judged);
        let verdicts = [
            sharpness::judge(&context, now, &judged),
            light::judge(&context, now, &judged),
            hours::judge(&context, now, &judged),
        ];
        for verdict in verdicts {
            advice.extend(verdict.advice);
            untold.extend(verdict.untold);
        }
        if judged.is_too_small {
            advice.retain(|a| matches!(a.kind, Kind::Contact(..)));
            let text = "the Moon is too small in these frames to be judged: a longer lens, or larger frames";
            advice.push(Advice::new(Kind::TooSmall, Urgency::Later, text));
        }
        // What the notes and the camera claim, and the frames deny: said once.
        let sure = context.before.iter().filter(|j| j.fit.is_some()).count() >= SURE_FROM;
        for d in found.diagnostics.iter().filter(|d| sure && d.severity == Severity::Warning && is_of_claims(d.code)) {
            if !self.warned.contains(&d.code) {
                self.warned.push(d.code);
                advice.push(Advice::new(Kind::Claim(d.code), Urgency::Soon, d.message.clone()));
            }
        }
        let said = self.memory.say(Verdict { advice, untold }, &judged.camera, at);
        let report = report::report(&context, now, &judged, said);
        self.judged.push(judged);
        self.newest = Some((frame.clone(), found_here.clone()));
        report
    }

    /// What there is to say while no frame comes; `now` by the frames' own clock.
    pub fn wait(&mut self, now: Instant) -> Said {
        if self.wishes.eclipse.is_none() && self.judged.is_empty() {
            self.wishes.eclipse = eclipse_within(now, 0.5);
        }
        let mut advice: Vec<Advice> = hours::while_waiting(&self.judged, now).into_iter().collect();
        if let Some(eclipse) = self.wishes.eclipse.as_ref().filter(|_| self.zone_is_known) {
            advice.extend(hours::contacts(eclipse, self.observer.as_ref(), now));
            advice.extend(hours::end(eclipse, now));
            if hours::end(eclipse, now).is_some() {
                advice.retain(|a| a.kind != Kind::Silence);
            }
        }
        self.memory.say_more(advice, now)
    }

    /// The site, where it is known.
    pub fn observer(&self) -> Option<&Observer> {
        self.observer.as_ref()
    }

    /// What holds still, the most urgent first.
    pub fn standing(&self) -> Vec<&Advice> {
        self.memory.standing()
    }

    /// The last frame, and what was found in it.
    pub fn newest(&self) -> Option<(&Frame, &FrameRegistration)> {
        self.newest.as_ref().map(|(frame, found)| (frame, found))
    }

    /// The eclipse that is watched, where one is near.
    pub fn eclipse(&self) -> Option<&LunarEclipse> {
        self.wishes.eclipse.as_ref()
    }
}

/// Warnings of what camera and notes claim, and the frames deny.
fn is_of_claims(code: &str) -> bool {
    matches!(
        code,
        "clock-far-off"
            | "clock-zone-doubtful"
            | "date-doubtful"
            | "focal-length-doubtful"
            | "mount-doubtful"
            | "site-doubtful"
    )
}

impl Context<'_> {
    /// The camera as a plan knows it, with what this frame was set to.
    fn setup(&self, now: Now<'_>) -> Option<Setup> {
        let rig = self.registration.rigs.get(now.found.rig)?;
        let focal_px = rig.focal_length_px?;
        let exposure = now.frame.metadata.exposure?;
        Some(Setup {
            name: String::new(),
            camera: Camera {
                width_px: rig.width,
                height_px: rig.height,
                pixel_pitch_um: 1.0,
                focal_length_mm: focal_px / 1000.0,
                k1: 0.0,
            },
            mount: self.mount(),
            aim: None,
            f_number: exposure.aperture.f_number,
            iso: exposure.sensitivity.iso,
            exposures: Vec::new(),
            firing: None,
            foreground: Vec::new(),
        })
    }

    /// What holds the camera, by the notes, else by the frames.
    fn mount(&self) -> Mount {
        let tracked = self.registration.rigs.iter().any(|r| r.tracking.is_some());
        match self.night.mount() {
            Mount::Unknown if tracked => Mount::Tracking,
            Mount::Unknown if self.registration.rigs.iter().any(|r| !r.pointings.is_empty()) => Mount::FixedTripod,
            noted => noted,
        }
    }

    fn plan_request(&self) -> Option<PlanRequest<'_>> {
        Some(PlanRequest {
            observer: self.observer?,
            zone: self.zone.clone(),
            eclipse: self.eclipse?,
            rigs: &[],
            trail_px: self.trail_px,
            horizon: HorizonProfile::default(),
        })
    }

    /// Hours and minutes by the local clock.
    fn clock(&self, at: Instant) -> String {
        hours_and_minutes(&self.zone, at)
    }
}

fn hours_and_minutes(zone: &TimeZone, at: Instant) -> String {
    zone.to_datetime(at.to_utc()).strftime("%H:%M").to_string()
}
