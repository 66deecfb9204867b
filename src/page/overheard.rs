//! What the vigil has said of this folder, for the page to show.

use crate::ingest::{Frame, NightError};
use crate::registration::FrameRegistration;
use crate::units::Instant;
use crate::vigil::{Advice, ContactRow, FrameReport, Heard, Said, Vigil};
use std::collections::VecDeque;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Mutex, MutexGuard};
use std::time::{Duration, Instant as Moment};

/// Frames that the sheet lists.
const LISTED: usize = 60;
/// What passes is shown for so long.
const SHOWN: Duration = Duration::from_secs(60);

/// What the vigil has said, for whoever asks.
#[derive(Default)]
pub(super) struct Overheard {
    /// Frames that were judged.
    pub frames: usize,
    /// Frames that were there before, and are judged first.
    pub before: usize,
    pub reports: VecDeque<FrameReport>,
    standing: Vec<Advice>,
    pub timetable: Vec<ContactRow>,
    pub site_is_known: bool,
    /// Files that are no frames, and notes that cannot be read.
    pub trouble: Option<String>,
    /// The last frame, and what was found in it.
    pub newest: Option<(Frame, FrameRegistration)>,
    /// What was said of one moment, and when: it is over with the next frame, and is shown a while longer.
    passing: Vec<(Moment, Advice)>,
    /// Whether the frames that were there before are still judged.
    pub catches_up: bool,
}

/// Whether this folder is watched, and what came of it.
#[derive(Default)]
pub(super) struct Vigils {
    overheard: Mutex<Overheard>,
    pub runs: AtomicBool,
    pub stops: AtomicBool,
}

impl Vigils {
    pub fn overheard(&self) -> MutexGuard<'_, Overheard> {
        // Whoever panicked has left what was heard before.
        self.overheard.lock().unwrap_or_else(std::sync::PoisonError::into_inner)
    }

    pub fn is_stopped(&self) -> bool {
        self.stops.load(Ordering::Acquire)
    }
}

impl Overheard {
    pub fn hear(&mut self, heard: Heard, vigil: &Vigil) {
        match heard {
            Heard::Frame(report) => {
                self.frames += 1;
                if let Some(at) =
                    report.utc.as_deref().and_then(|t| Instant::parse_utc(t).ok()).filter(|_| self.catches_up)
                {
                    self.timetable = vigil.timetable(at);
                }
                self.passes(&report.said);
                self.reports.push_front(*report);
                self.reports.truncate(LISTED);
                self.newest = vigil.newest().map(|(frame, found)| (frame.clone(), found.clone()));
                self.trouble = None;
            }
            Heard::Trouble(e) => self.trouble = Some(words(&e)),
            Heard::Meanwhile(said) => self.passes(&said),
        }
        self.standing = vigil.standing().into_iter().cloned().collect();
        self.site_is_known = vigil.observer().is_some();
    }

    fn passes(&mut self, said: &Said) {
        // What was to be said of frames that were taken before this began is past.
        let new = said.advice.iter().filter(|a| !self.catches_up && a.kind.passes()).cloned();
        self.passing.extend(new.map(|a| (Moment::now(), a)));
        self.passing.retain(|(since, _)| since.elapsed() < SHOWN);
    }

    /// What holds, and what was said within the last minute and is over, the most urgent first.
    pub fn advice(&self) -> Vec<&Advice> {
        let recent = self.passing.iter().filter(|(since, _)| since.elapsed() < SHOWN).map(|(_, advice)| advice);
        let mut out: Vec<&Advice> = self.standing.iter().collect();
        for advice in recent {
            if !out.iter().any(|a| a.text == advice.text) {
                out.push(advice);
            }
        }
        out.sort_by_key(|a| a.urgency);
        out
    }
}

/// Why a file was not taken, or the folder not read.
pub(super) fn words(e: &NightError) -> String {
    match e {
        NightError::Notes(d) => d.to_string(),
        other => other.to_string(),
    }
}
