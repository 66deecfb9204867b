//! What is being worked on: a night, its registration, a layout (`changes`: how a person changes them; `steps`: what can be taken back).

use super::PageRequest;
use super::job::Job;
use super::others::Others;
use super::overheard::Vigils;
use super::steps::{Step, Steps};
use super::thumbnails::Thumbnails;
use crate::compose::frames_digest;
use crate::diag::{Diagnostic, Warned};
use crate::ingest::{Night, NightError, read_night};
use crate::layout::stock;
use crate::registration::{Registration, RegistrationFile, read_registration, registration_text};
use crate::solve::{ClockSource, Looks, register_with};
use crate::write::write_text;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, MutexGuard};

/// The registration's name beside the frames.
pub(super) const REGISTRATION: &str = "registration.ron";
/// Where a layout is kept while it is worked on: nothing is lost when the browser closes.
const IN_WORK: &str = "layout-in-work.ron";
/// Frames that are looked at before it is asked whether to stop.
const AT_ONCE: usize = 8;

/// What was found, and of which frames and notes.
#[derive(Clone)]
pub(super) struct Found {
    pub registration: Arc<Registration>,
    digest: String,
}

/// What is on the desk.
pub(super) struct Work {
    pub night: Option<Arc<Night>>,
    /// Of the night's frames and notes as they are.
    digest: String,
    /// What was said of the night.
    pub said: Vec<Diagnostic>,
    /// Why there is no night.
    pub trouble: Option<String>,
    pub found: Option<Found>,
    /// What an earlier registration says of these frames, where some of them have changed since.
    earlier: Option<Registration>,
    /// Whether the registration beside the frames was asked for: that takes a night to compare it with.
    kept_is_read: bool,
    /// Why the registration beside the frames is not to be replaced.
    pub locked: Option<String>,
    looks: Looks,
    pub layout: String,
    pub layout_name: String,
    pub steps: Steps,
    /// Counts up with every change.
    pub version: u64,
}

impl Work {
    pub fn registration(&self) -> Option<Arc<Registration>> {
        self.found.as_ref().map(|f| f.registration.clone())
    }

    /// Whether frames or notes have changed since they were looked at.
    pub fn is_stale(&self) -> bool {
        self.found.as_ref().is_some_and(|f| f.digest != self.digest)
    }
}

/// The desk.
pub(super) struct Desk {
    pub folder: PathBuf,
    pub cache: Option<PathBuf>,
    pub others: Others,
    work: Mutex<Work>,
    pub job: Job,
    pub vigils: Vigils,
    pub thumbnails: Thumbnails,
    /// One picture is drawn at a time.
    pub drawing: Mutex<()>,
    /// One file is written at a time: what is kept is what was changed last.
    keeping: Mutex<()>,
    /// One change is made, or taken back, at a time.
    changing: Mutex<()>,
    /// The night is read by one at a time: what was read last is what there is.
    reading: Mutex<()>,
}

impl Desk {
    pub fn open(request: &PageRequest) -> std::io::Result<Self> {
        let folder = request.folder.canonicalize()?;
        let (name, text, undo) = first_layout(request, &folder)?;
        let work = Work {
            night: None,
            digest: String::new(),
            said: Vec::new(),
            trouble: None,
            found: None,
            earlier: None,
            kept_is_read: false,
            locked: None,
            looks: Looks::default(),
            layout: text,
            layout_name: name,
            steps: Steps { undo, redo: Vec::new() },
            version: 0,
        };
        let others = Others::open(&folder, &request.also, REGISTRATION)?;
        let desk = Desk {
            folder,
            cache: request.cache.clone(),
            others,
            work: Mutex::new(work),
            job: Job::default(),
            vigils: Vigils::default(),
            thumbnails: Thumbnails::default(),
            drawing: Mutex::new(()),
            keeping: Mutex::new(()),
            changing: Mutex::new(()),
            reading: Mutex::new(()),
        };
        desk.read_night();
        Ok(desk)
    }

    pub fn work(&self) -> MutexGuard<'_, Work> {
        // Whoever panicked has left the work as it was before.
        self.work.lock().unwrap_or_else(std::sync::PoisonError::into_inner)
    }

    /// Held while something is changed, or taken back.
    pub fn one_change(&self) -> MutexGuard<'_, ()> {
        self.changing.lock().unwrap_or_else(std::sync::PoisonError::into_inner)
    }

    /// Reads the folder's frames and notes.
    pub fn read_night(&self) {
        let _one_at_a_time = self.reading.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
        let read = read_night(&self.folder);
        let digest = read.as_ref().map_or(String::new(), |night| frames_digest(&night.value, |_| true));
        self.others.forget();
        let mut work = self.work();
        let is_the_same = work.night.is_some() && work.digest == digest;
        work.digest = digest;
        match read {
            Ok(Warned { value: night, diagnostics }) => {
                work.said = diagnostics;
                work.said.extend(self.others.remark());
                work.trouble = None;
                // Who works with it goes on working with it.
                if !is_the_same {
                    work.night = Some(Arc::new(night));
                }
            }
            Err(e) => {
                work.trouble = Some(match e {
                    NightError::Notes(d) => d.to_string(),
                    other => other.to_string(),
                });
                work.night = None;
            }
        }
        work.version += 1;
        let is_unread = work.night.is_some() && !work.kept_is_read;
        work.kept_is_read |= is_unread;
        drop(work);
        if is_unread {
            self.read_kept();
        }
    }

    /// Reads the registration that lies beside the frames: as what was found, where it is of these very frames, else for what a
    /// person has set in it.
    fn read_kept(&self) {
        let path = self.folder.join(REGISTRATION);
        let mut work = self.work();
        let Some(night) = work.night.clone() else { return };
        let text = match crate::files::read_text(&path) {
            Ok(text) => text,
            Err(e) if e.kind() == std::io::ErrorKind::NotFound => return,
            Err(e) => {
                work.locked = Some(format!("{REGISTRATION} cannot be read: {e}"));
                return;
            }
        };
        let RegistrationFile { mut registration, frames_folder, frames_digest } = match read_registration(&path, &text)
        {
            Ok(read) => read,
            Err(d) => {
                work.locked = Some(format!("{REGISTRATION} cannot be read: {}; move it away", d.message));
                return;
            }
        };
        if self.folder.join(frames_folder).canonicalize().ok().as_deref() != Some(&self.folder) {
            work.locked = Some(format!("{REGISTRATION} is of another folder's frames; move it away"));
            return;
        }
        if registration.without_changed(&night).is_empty() && registration.names_just(&night) {
            work.found = Some(Found { registration: Arc::new(registration), digest: frames_digest });
        } else {
            work.earlier = Some(registration);
        }
    }

    /// Looks for the Moon in every frame, in a thread of its own.
    pub fn start_registering(self: &Arc<Self>) -> Result<(), String> {
        if self.work().locked.take().is_some() {
            // It may have been moved away since.
            self.read_kept();
        }
        let (night, digest) = {
            let work = self.work();
            if let Some(why) = &work.locked {
                return Err(why.clone());
            }
            (work.night.clone().ok_or("there is no frame in this folder")?, work.digest.clone())
        };
        if !self.job.begin("looking for the Moon", night.frames.len(), true) {
            return Err("something is being done already".into());
        }
        let desk = self.clone();
        std::thread::spawn(move || {
            let found = std::panic::catch_unwind(std::panic::AssertUnwindSafe(|| desk.register(&night, digest)));
            desk.job.end(found.unwrap_or_else(|_| Err("it broke down; see the terminal".into())));
        });
        Ok(())
    }

    fn register(&self, night: &Arc<Night>, digest: String) -> Result<String, String> {
        let mut looks = self.work().looks.clone();
        for first in (0..night.frames.len()).step_by(AT_ONCE) {
            if self.job.is_stopped() {
                // What was seen so far is not looked at again.
                self.work().looks = looks;
                return Err("stopped; what was seen so far is kept".into());
            }
            looks.look(night, &|i| (first..first + AT_ONCE).contains(&i), &|_| self.job.step());
        }
        let mut found = register_with(night, ClockSource::Frames, &looks, &|_| {});
        // Here there is a bar for it; a picture that waits shows none.
        let of_others = self.others.look(self.cache.as_deref())?;
        let mut work = self.work();
        work.looks = looks;
        if !work.night.as_ref().is_some_and(|now| Arc::ptr_eq(now, night)) {
            return Err("frames or notes have changed meanwhile: look again".into());
        }
        let before = work.registration().map(|r| (*r).clone()).or_else(|| work.earlier.take());
        let kept = before.map_or(0, |before| {
            found.value.keep_what_was_set(&before);
            found.value.keep_circles_set_by_hand(&before)
        });
        let seen = found.value.frames.iter().filter(|f| f.disc().is_some()).count();
        work.said.retain(|d| !found.diagnostics.contains(d));
        work.said.extend(found.diagnostics);
        work.said.retain(|d| !of_others.contains(d));
        work.said.extend(of_others);
        work.found = Some(Found { registration: Arc::new(found.value), digest });
        work.steps.forget_frames();
        work.version += 1;
        drop(work);
        self.keep_registration()?;
        let circles = if kept > 0 { format!("; {kept} circles set by hand are kept") } else { String::new() };
        Ok(format!("the Moon is seen in {seen} of {} frames{circles}", night.frames.len()))
    }

    /// Writes the registration beside the frames.
    pub fn keep_registration(&self) -> Result<(), String> {
        let _one_at_a_time = self.keeping.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
        let Some(Found { registration, digest }) = self.work().found.clone() else { return Ok(()) };
        let text = registration_text(&registration, ".", &digest).map_err(|d| d.message)?;
        write_text(&self.own_file(REGISTRATION)?, &text).map_err(|e| e.to_string())
    }

    /// Writes the layout that is worked on beside the frames.
    pub fn keep_layout(&self) -> Result<(), String> {
        let _one_at_a_time = self.keeping.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
        let text = self.work().layout.clone();
        write_text(&self.own_file(IN_WORK)?, &text).map_err(|e| e.to_string())
    }

    /// Takes another layout onto the desk.
    pub fn open_layout(&self, name: &str) -> Result<(), String> {
        let opened = self.layout_text(name)?;
        self.change_layout(|named, text| {
            (*named, *text) = (name.to_owned(), opened);
            Ok(())
        })
    }
}

/// The layout to begin with, by name and text: the one asked for, the one that was being worked on, or a grid; and what can be
/// taken back of it.
fn first_layout(request: &PageRequest, folder: &Path) -> std::io::Result<(String, String, Vec<Step>)> {
    let path = folder.join(IN_WORK);
    let is_link = path.symlink_metadata().is_ok_and(|m| m.is_symlink());
    let in_work = (!is_link).then(|| crate::files::read_text(&path).ok()).flatten();
    if let Some(path) = &request.layout {
        let name = path.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
        let text = crate::files::read_text(path)?;
        // What was not saved is a step away.
        let before = in_work.filter(|other| *other != text).map(|other| Step::Layout(IN_WORK.into(), other));
        return Ok((name, text, before.into_iter().collect()));
    }
    if let Some(text) = in_work {
        return Ok((IN_WORK.into(), text, Vec::new()));
    }
    let grid = stock().find(|(name, _)| *name == "phase-grid.ron");
    let (name, text) = grid.ok_or_else(|| std::io::Error::other("the program brings no layout along"))?;
    Ok((name.into(), text.into(), Vec::new()))
}
