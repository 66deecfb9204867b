//! What is being worked on: a night, its registration, a layout; and what can be undone.

use super::PageRequest;
use super::job::Job;
use crate::diag::{Diagnostic, Warned};
use crate::ingest::{Night, NightError, read_night};
use crate::layout::{Layout, stock};
use crate::registration::{Registration, read_registration, registration_text};
use crate::solve::{ClockSource, Looks, register_with};
use crate::write::write_text;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, MutexGuard};

/// The registration's name beside the frames.
const REGISTRATION: &str = "registration.ron";
/// Where a layout is kept while it is worked on: nothing is lost when the browser closes.
const IN_WORK: &str = "layout-in-work.ron";
/// Steps that can be undone.
const MOST_STEPS: usize = 200;
/// Frames that are looked at before it is asked whether to stop.
const AT_ONCE: usize = 8;

/// What a person can set, as it was.
#[derive(Clone)]
struct Step {
    registration: Option<Arc<Registration>>,
    layout: String,
}

/// What is on the desk.
pub(super) struct Work {
    pub night: Option<Arc<Night>>,
    /// What was said of the night.
    pub said: Vec<Diagnostic>,
    /// Why there is no night.
    pub trouble: Option<String>,
    pub registration: Option<Arc<Registration>>,
    looks: Looks,
    pub layout: String,
    pub layout_name: String,
    undo: Vec<Step>,
    redo: Vec<Step>,
    /// Counts up with every change: what was drawn of an older one is drawn anew.
    pub version: u64,
}

/// The desk.
pub(super) struct Desk {
    pub folder: PathBuf,
    pub cache: Option<PathBuf>,
    work: Mutex<Work>,
    pub job: Job,
    /// One picture is drawn at a time.
    pub drawing: Mutex<()>,
}

impl Desk {
    pub fn open(request: &PageRequest) -> std::io::Result<Self> {
        let folder = request.folder.canonicalize()?;
        let (name, text) = first_layout(request, &folder)?;
        let work = Work {
            night: None,
            said: Vec::new(),
            trouble: None,
            registration: None,
            looks: Looks::default(),
            layout: text,
            layout_name: name,
            undo: Vec::new(),
            redo: Vec::new(),
            version: 0,
        };
        let desk = Desk {
            folder,
            cache: request.cache.clone(),
            work: Mutex::new(work),
            job: Job::default(),
            drawing: Mutex::new(()),
        };
        desk.read_night();
        Ok(desk)
    }

    pub fn work(&self) -> MutexGuard<'_, Work> {
        // Whoever panicked has left the work as it was before.
        self.work.lock().unwrap_or_else(std::sync::PoisonError::into_inner)
    }

    /// Reads the folder's frames and notes, and a registration that lies beside them.
    pub fn read_night(&self) {
        let read = read_night(&self.folder);
        let mut work = self.work();
        match read {
            Ok(Warned { value: night, diagnostics }) => {
                work.said = diagnostics;
                work.trouble = None;
                if work.registration.is_none() {
                    work.registration = kept_registration(&self.folder, &night).map(Arc::new);
                }
                work.night = Some(Arc::new(night));
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
    }

    /// Looks for the Moon in every frame, in a thread of its own.
    pub fn start_registering(self: &Arc<Self>) -> Result<(), String> {
        let night = self.work().night.clone().ok_or("there is no frame in this folder")?;
        if !self.job.begin("looking for the Moon", night.frames.len()) {
            return Err("something is being done already".into());
        }
        let desk = self.clone();
        std::thread::spawn(move || {
            let found = std::panic::catch_unwind(std::panic::AssertUnwindSafe(|| desk.register(&night)));
            desk.job.end(found.unwrap_or_else(|_| Err("it broke down; see the terminal".into())));
        });
        Ok(())
    }

    fn register(&self, night: &Night) -> Result<String, String> {
        let mut looks = self.work().looks.clone();
        for first in (0..night.frames.len()).step_by(AT_ONCE) {
            if self.job.is_stopped() {
                // What was seen so far is not looked at again.
                self.work().looks = looks;
                return Err("stopped; what was seen so far is kept".into());
            }
            looks.look(night, &|i| (first..first + AT_ONCE).contains(&i), &|_| self.job.step());
        }
        let found = register_with(night, ClockSource::Frames, &looks, &|_| {});
        let mut work = self.work();
        let mut registration = found.value;
        if let Some(before) = &work.registration {
            registration.keep_what_was_set(before);
        }
        let seen = registration.frames.iter().filter(|f| f.disc().is_some()).count();
        work.said.retain(|d| !found.diagnostics.contains(d));
        work.said.extend(found.diagnostics);
        work.looks = looks;
        work.registration = Some(Arc::new(registration));
        work.version += 1;
        drop(work);
        self.keep_registration()?;
        Ok(format!("the Moon is seen in {seen} of {} frames", night.frames.len()))
    }

    /// Writes the registration beside the frames.
    fn keep_registration(&self) -> Result<(), String> {
        let (night, registration) = {
            let work = self.work();
            let Some((night, registration)) = work.night.clone().zip(work.registration.clone()) else { return Ok(()) };
            (night, registration)
        };
        let digest = crate::compose::frames_digest(&night, |_| true);
        let text = registration_text(&registration, ".", &digest).map_err(|d| d.message)?;
        write_text(&self.folder.join(REGISTRATION), &text).map_err(|e| e.to_string())
    }

    /// Changes what a person can set; it can be undone.
    pub fn change(
        &self,
        change: impl FnOnce(&mut Option<Arc<Registration>>, &mut String) -> Result<(), String>,
    ) -> Result<(), String> {
        {
            let mut work = self.work();
            let before = Step { registration: work.registration.clone(), layout: work.layout.clone() };
            let Work { registration, layout, .. } = &mut *work;
            change(registration, layout)?;
            work.undo.push(before);
            let surplus = work.undo.len().saturating_sub(MOST_STEPS);
            work.undo.drain(..surplus);
            work.redo.clear();
            work.version += 1;
        }
        self.keep()
    }

    /// One step back, or forth again.
    pub fn step(&self, back: bool) -> Result<(), String> {
        {
            let mut work = self.work();
            let step = if back { work.undo.pop() } else { work.redo.pop() };
            let Some(step) = step else { return Err("there is nothing to take back".into()) };
            let now = Step { registration: work.registration.clone(), layout: work.layout.clone() };
            if back {
                work.redo.push(now)
            } else {
                work.undo.push(now)
            }
            (work.registration, work.layout) = (step.registration, step.layout);
            work.version += 1;
        }
        self.keep()
    }

    /// How many steps can be taken back, and forth again.
    pub fn steps(&self) -> (usize, usize) {
        let work = self.work();
        (work.undo.len(), work.redo.len())
    }

    fn keep(&self) -> Result<(), String> {
        let text = self.work().layout.clone();
        write_text(&self.folder.join(IN_WORK), &text).map_err(|e| e.to_string())?;
        self.keep_registration()
    }

    /// Takes another layout onto the desk.
    pub fn open_layout(&self, name: &str) -> Result<(), String> {
        let text = self.layout_text(name)?;
        self.change(|_, layout| {
            *layout = text;
            Ok(())
        })?;
        self.work().layout_name = name.to_owned();
        Ok(())
    }

    /// The text of a layout: one that the program brings along, or one beside the frames.
    pub fn layout_text(&self, name: &str) -> Result<String, String> {
        if let Some((_, text)) = stock().find(|(stock, _)| *stock == name) {
            return Ok(text.to_owned());
        }
        let path = self.beside(name, &["ron"])?;
        crate::files::read_text(&path).map_err(|e| format!("{name}: {e}"))
    }

    /// Layouts beside the frames.
    pub fn own_layouts(&self) -> Vec<String> {
        let entries = std::fs::read_dir(&self.folder).into_iter().flatten().flatten();
        let mut names: Vec<String> = entries
            .filter_map(|e| e.file_name().into_string().ok())
            .filter(|name| name.ends_with(".ron") && !matches!(name.as_str(), "shoot.ron" | REGISTRATION))
            .filter(|name| {
                let path = self.folder.join(name);
                crate::files::read_text(&path).is_ok_and(|text| Layout::examine(&path, &text).0.is_some())
            })
            .collect();
        names.sort();
        names
    }

    /// A file beside the frames: a plain name with one of some endings, and no way out of the folder.
    pub fn beside(&self, name: &str, endings: &[&str]) -> Result<PathBuf, String> {
        let plain = !name.is_empty()
            && name.len() <= 100
            && !name.starts_with('.')
            && name.chars().all(|c| c.is_alphanumeric() || matches!(c, ' ' | '-' | '_' | '.'));
        let path = Path::new(name);
        let ending = path.extension().and_then(|e| e.to_str()).unwrap_or("").to_ascii_lowercase();
        if !plain || path.components().count() != 1 {
            return Err("a name of letters, digits, spaces, dots and dashes".into());
        }
        if !endings.contains(&ending.as_str()) {
            return Err(format!("the name is to end in .{}", endings.join(", .")));
        }
        let path = self.folder.join(name);
        if path.symlink_metadata().is_ok_and(|m| m.is_symlink()) {
            return Err(format!("{name} is a link, and is not followed"));
        }
        Ok(path)
    }
}

/// The layout to begin with: the one asked for, the one that was being worked on, or a grid.
fn first_layout(request: &PageRequest, folder: &Path) -> std::io::Result<(String, String)> {
    if let Some(path) = &request.layout {
        let name = path.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
        return Ok((name, crate::files::read_text(path)?));
    }
    match crate::files::read_text(&folder.join(IN_WORK)) {
        Ok(text) => Ok((IN_WORK.into(), text)),
        Err(_) => {
            let grid = stock().find(|(name, _)| *name == "phase-grid.ron");
            let (name, text) = grid.ok_or_else(|| std::io::Error::other("the program brings no layout along"))?;
            Ok((name.into(), text.into()))
        }
    }
}

/// A registration beside the frames that still fits them.
fn kept_registration(folder: &Path, night: &Night) -> Option<Registration> {
    let path = folder.join(REGISTRATION);
    let text = crate::files::read_text(&path).ok()?;
    let (mut registration, of, _) = read_registration(&path, &text).ok()?;
    let same_folder = folder.join(of).canonicalize().ok()? == *folder;
    registration.without_changed(night);
    let known = registration.frames.iter().filter(|f| night.frame(&f.file).is_some()).count();
    (same_folder && known == night.frames.len() && known == registration.frames.len()).then_some(registration)
}
