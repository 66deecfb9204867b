//! Other cameras' folders of the same night: their discs stand in the pictures; their frames are mended on a page of their own.

use crate::compose::registration_of;
use crate::diag::Diagnostic;
use crate::ingest::{Night, NightError, read_night};
use crate::registration::{Registration, read_registration};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, PoisonError};

/// What a folder holds, where the Moon is in it, and what has to be said of that.
struct Seen {
    night: Night,
    registration: Registration,
    said: Vec<Diagnostic>,
}

/// The folders that were named beside the desk's own.
pub(super) struct Others {
    folders: Vec<PathBuf>,
    /// A registration's name beside its frames.
    kept_name: &'static str,
    seen: Mutex<Option<Arc<Vec<Seen>>>>,
    /// Held while frames are looked at, which takes long: nobody else waits for it.
    looking: Mutex<()>,
    /// How often what was seen was forgotten.
    forgotten: AtomicU64,
}

impl Others {
    /// The folders must be there, and none be the desk's own.
    pub fn open(own: &Path, folders: &[PathBuf], kept_name: &'static str) -> std::io::Result<Self> {
        let folders: Vec<PathBuf> = folders.iter().map(|f| f.canonicalize()).collect::<Result<_, _>>()?;
        if folders.iter().any(|folder| folder == own) {
            return Err(std::io::Error::other("another camera's folder is the folder itself"));
        }
        let (seen, looking, forgotten) = (Mutex::new(None), Mutex::new(()), AtomicU64::new(0));
        Ok(Others { folders, kept_name, seen, looking, forgotten })
    }

    /// A night and its registration with the others' joined to them. The frames of a folder are looked at when they are asked for
    /// the first time, unless its own registration is of these very frames.
    pub fn joined(
        &self,
        (night, registration): (&Arc<Night>, &Arc<Registration>),
        cache: Option<&Path>,
    ) -> Result<(Arc<Night>, Arc<Registration>), String> {
        if self.folders.is_empty() {
            return Ok((night.clone(), registration.clone()));
        }
        let others = self.seen(cache)?;
        let (mut night, mut registration) = (Night::clone(night), Registration::clone(registration));
        for other in others.iter() {
            let names = night.join(other.night.clone());
            registration.join(other.registration.clone(), &names);
        }
        Ok((Arc::new(night), Arc::new(registration)))
    }

    /// Has their frames looked at, and says what has to be said of them.
    pub fn look(&self, cache: Option<&Path>) -> Result<Vec<Diagnostic>, String> {
        Ok(self.seen(cache)?.iter().flat_map(|seen| seen.said.clone()).collect())
    }

    fn seen(&self, cache: Option<&Path>) -> Result<Arc<Vec<Seen>>, String> {
        // Whoever panicked has left it as it was before.
        let _one_at_a_time = self.looking.lock().unwrap_or_else(PoisonError::into_inner);
        let known = || self.seen.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(seen) = known().clone() {
            return Ok(seen);
        }
        let before = self.forgotten.load(Ordering::Acquire);
        let all: Result<Vec<Seen>, String> =
            self.folders.iter().map(|folder| look(folder, self.kept_name, cache)).collect();
        let all = Arc::new(all?);
        if self.forgotten.load(Ordering::Acquire) == before {
            *known() = Some(all.clone());
        }
        Ok(all)
    }

    /// Has their frames looked at anew when they are next asked for.
    pub fn forget(&self) {
        self.forgotten.fetch_add(1, Ordering::AcqRel);
        *self.seen.lock().unwrap_or_else(PoisonError::into_inner) = None;
    }

    /// Which folders stand in the pictures besides.
    pub fn remark(&self) -> Option<Diagnostic> {
        let name = |f: &PathBuf| f.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
        let names: Vec<String> = self.folders.iter().map(name).collect();
        (!names.is_empty()).then(|| {
            let message = format!("the pictures show the frames of {} as well", names.join(", "));
            Diagnostic::note("other-cameras", message)
                .with_help("their circles and times are mended on a page of their own folder")
        })
    }
}

/// A folder's night and registration: the one that lies beside the frames and is of them, else what is found, with what a person
/// has set.
fn look(folder: &Path, kept_name: &str, cache: Option<&Path>) -> Result<Seen, String> {
    let read = read_night(folder).map_err(|e| match e {
        NightError::Notes(d) => d.to_string(),
        other => format!("{}: {other}", folder.display()),
    })?;
    let (night, mut said) = (read.value, read.diagnostics);
    let path = folder.join(kept_name);
    let earlier = crate::files::read_text(&path).ok().and_then(|text| read_registration(&path, &text).ok());
    let mut earlier = earlier.map(|file| file.registration);
    let is_of_these = earlier
        .as_mut()
        .is_some_and(|earlier| earlier.without_changed(&night).is_empty() && earlier.names_just(&night));
    let registration = match earlier {
        Some(earlier) if is_of_these => earlier,
        earlier => {
            let found = registration_of(&night, cache, &|_| {});
            said.extend(found.diagnostics);
            let mut registration = found.registration;
            if let Some(earlier) = &earlier {
                registration.keep_what_was_set(earlier);
                registration.keep_circles_set_by_hand(earlier);
            }
            registration
        }
    };
    Ok(Seen { night, registration, said })
}
