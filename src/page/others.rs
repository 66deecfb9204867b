//! Other cameras' folders of the same night: their discs stand in the pictures; their frames are mended on a page of their own.

use crate::compose::registration_of;
use crate::diag::Diagnostic;
use crate::ingest::{Night, NightError, read_night};
use crate::registration::{Registration, read_registration};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};

/// What a folder holds, and where the Moon is in it.
type Seen = (Night, Registration);

/// The folders that were named beside the desk's own.
pub(super) struct Others {
    folders: Vec<PathBuf>,
    /// A registration's name beside its frames.
    kept_name: &'static str,
    seen: Mutex<Option<Arc<Vec<Seen>>>>,
}

impl Others {
    /// The folders must be there.
    pub fn open(folders: &[PathBuf], kept_name: &'static str) -> std::io::Result<Self> {
        let folders = folders.iter().map(|f| f.canonicalize()).collect::<Result<_, _>>()?;
        Ok(Others { folders, kept_name, seen: Mutex::new(None) })
    }

    /// A night and its registration with the others' joined to them, and what has to be said of those. The frames of a folder
    /// are looked at when they are asked for the first time, unless its own registration is of these very frames.
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
        for (other, found) in others.iter() {
            let names = night.join(other.clone());
            registration.join(found.clone(), &names);
        }
        Ok((Arc::new(night), Arc::new(registration)))
    }

    fn seen(&self, cache: Option<&Path>) -> Result<Arc<Vec<Seen>>, String> {
        // Whoever panicked has left it as it was before.
        let mut seen = self.seen.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(seen) = &*seen {
            return Ok(seen.clone());
        }
        let all: Result<Vec<Seen>, String> =
            self.folders.iter().map(|folder| look(folder, self.kept_name, cache)).collect();
        Ok(seen.insert(Arc::new(all?)).clone())
    }

    /// Has their frames looked at anew when they are next asked for.
    pub fn forget(&self) {
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

/// A folder's night and registration: the one that lies beside the frames and is of them, else what is found.
fn look(folder: &Path, kept_name: &str, cache: Option<&Path>) -> Result<Seen, String> {
    let night = read_night(folder).map_err(|e| match e {
        NightError::Notes(d) => d.to_string(),
        other => format!("{}: {other}", folder.display()),
    })?;
    let night = night.value;
    let path = folder.join(kept_name);
    let kept = crate::files::read_text(&path).ok().and_then(|text| read_registration(&path, &text).ok());
    let of_these = kept.map(|file| file.registration).filter(|registration| {
        let all = night.frames.iter().all(|f| registration.frame(&f.name).is_some());
        all && registration.frames.iter().all(|f| night.frame(&f.file).is_some())
            && registration.clone().without_changed(&night).is_empty()
    });
    let registration = of_these.unwrap_or_else(|| registration_of(&night, cache, &|_| {}).registration);
    Ok((night, registration))
}
