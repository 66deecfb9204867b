//! A folder that fills while it is watched.
//!
//! It is asked what is new in it each time that somebody looks: that works on network shares and cards, where a system's own notices
//! do not reach. Nothing is written.

use super::arrivals::{FileState, has_its_end, new_files, state_of, stem};
use super::{FrameReport, Said, Vigil, Wishes};
use crate::diag::Warned;
use crate::ingest::{NightError, read_night};
use crate::units::Instant;
use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant as Moment};

/// A file that has not grown for so long is whole if its end is there.
const STANDS: Duration = Duration::from_millis(240);
/// A file that does not grow, and still lacks its end, is given up after this.
const PATIENCE: Duration = Duration::from_secs(10);

/// What is heard of a folder that is watched.
#[derive(Debug)]
#[non_exhaustive]
pub enum Heard {
    /// A frame was judged.
    Frame(Box<FrameReport>),
    /// No frame came, and there is something to say.
    Meanwhile(Said),
    /// A file is no frame, or the notes cannot be read.
    Trouble(NightError),
}

/// The state of a file when it was last asked, and since when it is so.
struct Growing {
    state: FileState,
    since: Moment,
}

impl Growing {
    /// Whether all of a file is there, or no more of it is to be expected.
    fn is_whole(&self, path: &Path) -> bool {
        let stood = self.since.elapsed();
        self.state.0 > 0 && (stood > PATIENCE || (stood >= STANDS && has_its_end(path)))
    }

    /// When it was written, by its own mark: of a rehearsal whose pace is another than the sky's it is the rehearsed night's time.
    fn was_written(&self) -> Option<Instant> {
        let at = jiff::Timestamp::try_from(self.state.1?).ok()?;
        Some(Instant::from_utc(at))
    }

    /// Since when it is as it is, by this machine's clock.
    fn arrived(&self) -> Instant {
        machine_now().plus_seconds(-self.since.elapsed().as_secs_f64())
    }
}

fn machine_now() -> Instant {
    Instant::from_utc(jiff::Timestamp::now())
}

/// A folder that is watched.
pub struct Watch {
    folder: PathBuf,
    vigil: Vigil,
    /// How many times faster than real the frames come.
    pace: f64,
    /// Names without their endings: of a raw file and its JPEG one is enough.
    taken: BTreeSet<String>,
    /// What could not be taken as it was: looked at again when it changes.
    refused: BTreeMap<PathBuf, FileState>,
    growing: BTreeMap<PathBuf, Growing>,
    /// As the notes were at the last look: with others what was refused may do.
    notes: Option<FileState>,
    /// The instant of the last frame.
    at: Option<Instant>,
    /// The last frame that came while the folder was watched, by its own clock and by this machine's.
    last: Option<(Instant, Moment)>,
}

impl Watch {
    /// Begins; `pace` is how many times faster than real the frames of a rehearsal come, 1 at night.
    pub fn new(folder: &Path, wishes: Wishes, pace: f64) -> Self {
        Watch {
            folder: folder.to_owned(),
            vigil: Vigil::new(wishes),
            pace,
            taken: BTreeSet::new(),
            refused: BTreeMap::new(),
            growing: BTreeMap::new(),
            notes: state_of(&folder.join("shoot.ron")),
            at: None,
            last: None,
        }
    }

    /// The night as it is judged.
    pub fn vigil(&self) -> &Vigil {
        &self.vigil
    }

    /// The present instant by the frames' own clock; before the first of them by this machine's. `None` where frames are there and
    /// none has come since: nobody knows whether their night is this one.
    pub fn now(&self) -> Option<Instant> {
        match self.last {
            Some((at, came)) => Some(at.plus_seconds(came.elapsed().as_secs_f64() * self.pace)),
            None => (self.taken.is_empty() && self.pace == 1.0).then(machine_now),
        }
    }

    /// The instant up to which the night is known: now, else the last frame's.
    pub fn reached(&self) -> Option<Instant> {
        self.now().or(self.at)
    }

    /// The frames that are there already, in the order of their times: to be taken one after another.
    ///
    /// # Errors
    /// [`NightError`], where the folder or its notes cannot be read; a folder without a frame is none.
    pub fn there(&self) -> Result<Warned<Vec<PathBuf>>, NightError> {
        match read_night(&self.folder) {
            Ok(Warned { value: night, diagnostics }) => {
                Ok(Warned { value: night.frames.iter().map(|f| f.path.clone()).collect(), diagnostics })
            }
            Err(NightError::Empty { .. }) => Ok(Warned { value: Vec::new(), diagnostics: Vec::new() }),
            Err(e) => Err(e),
        }
    }

    /// Judges a frame that was there before; nobody knows when it came.
    pub fn take(&mut self, path: &Path, hear: &mut dyn FnMut(Heard, &Vigil)) {
        self.at = self.judge(path, None, hear).or(self.at);
    }

    /// Looks into the folder once: judges the first of the new frames that are whole, and says what there is to say besides. Whether
    /// there was one: then there may be more.
    pub fn look(&mut self, hear: &mut dyn FnMut(Heard, &Vigil)) -> bool {
        let notes = state_of(&self.folder.join("shoot.ron"));
        if notes != self.notes {
            self.notes = notes;
            self.refused.clear();
            // By them the camera's clock may be another.
            self.last = None;
        }
        let first = self.next_whole();
        if let Some(path) = &first {
            let growing = self.growing.remove(path);
            let arrived = growing.and_then(|g| if self.pace == 1.0 { Some(g.arrived()) } else { g.was_written() });
            // A frame of before, from a second card, does not turn the clock back.
            if let Some(at) = self.judge(path, arrived, hear)
                && self.last.is_none_or(|(last, _)| at >= last)
            {
                (self.at, self.last) = (Some(at), Some((at, Moment::now())));
            }
        }
        if let Some(now) = self.now() {
            let said = self.vigil.wait(now);
            if !said.advice.is_empty() {
                hear(Heard::Meanwhile(said), &self.vigil);
            }
        }
        first.is_some()
    }

    /// The first that was written of the files that have come and are whole. Whether a file is whole is read from it: of no more of
    /// them than must be.
    fn next_whole(&mut self) -> Option<PathBuf> {
        let mut there = new_files(&self.folder, &self.taken);
        self.growing.retain(|path, _| there.iter().any(|(p, _)| p == path));
        there.retain(|(path, state)| self.refused.get(path) != Some(state));
        let mut standing = Vec::new();
        for (path, state) in there {
            if self.growing.get(&path).is_some_and(|growing| growing.state == state) {
                standing.push((state.1, path));
            } else {
                self.growing.insert(path, Growing { state, since: Moment::now() });
            }
        }
        standing.sort();
        let is_whole = |path: &PathBuf| self.growing.get(path).is_some_and(|growing| growing.is_whole(path));
        standing.into_iter().map(|(_, path)| path).find(is_whole)
    }

    /// The instant of a frame, where the file is one and records it.
    fn judge(&mut self, path: &Path, arrived: Option<Instant>, hear: &mut dyn FnMut(Heard, &Vigil)) -> Option<Instant> {
        if self.taken.contains(&stem(path)) {
            return None;
        }
        let before = state_of(path);
        match self.vigil.take(path, arrived) {
            Ok(report) => {
                self.taken.insert(stem(path));
                let at = report.utc.as_deref().and_then(|t| Instant::parse_utc(t).ok());
                hear(Heard::Frame(Box::new(report)), &self.vigil);
                return at;
            }
            // Nothing that this program composed, no notes and no text is a frame.
            Err(NightError::Empty { .. }) => {}
            Err(e) => hear(Heard::Trouble(e), &self.vigil),
        }
        self.refused.extend(before.map(|state| (path.to_owned(), state)));
        None
    }
}
