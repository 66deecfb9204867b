//! What the vigil has said of this folder, for the page to show.

use crate::ingest::NightError;
use crate::proof::Window;
use crate::units::Instant;
use crate::vigil::{Advice, ContactRow, FrameReport, Heard, Vigil};
use std::collections::VecDeque;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Mutex, MutexGuard};

/// Frames that the sheet lists.
const LISTED: usize = 60;

/// What the vigil has said, for whoever asks.
#[derive(Default)]
pub(super) struct Overheard {
    /// Frames that were judged.
    pub frames: usize,
    /// Frames that were there before, and are judged first.
    pub before: usize,
    pub reports: VecDeque<FrameReport>,
    pub standing: Vec<Advice>,
    pub timetable: Vec<ContactRow>,
    pub site_is_known: bool,
    /// Files that are no frames, and notes that cannot be read.
    pub trouble: Option<String>,
    /// The last frame's.
    pub window: Option<Window>,
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
                if let Some(at) = report.utc.as_deref().and_then(|t| Instant::parse_utc(t).ok()) {
                    self.timetable = vigil.timetable(at);
                }
                self.reports.push_front(*report);
                self.reports.truncate(LISTED);
                self.trouble = None;
            }
            Heard::Trouble(e) => self.trouble = Some(words(&e)),
            Heard::Meanwhile(_) => {}
        }
        self.standing = vigil.standing().into_iter().cloned().collect();
        self.site_is_known = vigil.observer().is_some();
    }
}

/// Why a file was not taken, or the folder not read.
pub(super) fn words(e: &NightError) -> String {
    match e {
        NightError::Notes(d) => d.to_string(),
        other => other.to_string(),
    }
}
