//! A night and its registration, from a folder of frames or from a registration file.

use super::cache::user_cache;
use super::looking::summary;
use super::outcome::{Exit, Failure, Progress, say, tell};
use moonloom::compose::{frames_digest, registration_of};
use moonloom::diag::Diagnostic;
use moonloom::ingest::{Night, read_night};
use moonloom::registration::{Registration, RegistrationFile, read_registration};
use std::path::{Path, PathBuf};
use std::time::Instant;

/// A folder of frames that was read, or the one that a registration file speaks of.
pub struct Source {
    pub night: Night,
    /// What the file says, where it is one.
    pub registration: Option<Registration>,
    /// What was said of it so far.
    pub said: Vec<Diagnostic>,
}

impl Source {
    pub fn read(frames: &Path, warnings: &mut usize) -> Result<Self, Failure> {
        if frames.is_dir() {
            let read = read_night(frames)?;
            *warnings += tell(&read.diagnostics);
            return Ok(Source { night: read.value, registration: None, said: read.diagnostics });
        }
        let text = moonloom::files::read_text(frames).map_err(|e| Failure::reading(frames, &e))?;
        let RegistrationFile { mut registration, frames_folder, frames_digest: digest } =
            read_registration(frames, &text).map_err(|d| Failure::new(Exit::BadRequest, d))?;
        let base = frames.parent().unwrap_or(Path::new("."));
        let read = read_night(&base.join(frames_folder))?;
        let mut said = read.diagnostics;
        if let Some(((old, new), more)) = registration.renamed(&read.value).split_first() {
            let others = if more.is_empty() { String::new() } else { format!(" and {} more", more.len()) };
            said.push(Diagnostic::note(
                "frames-renamed",
                format!("{old} is called {new} now{others}; known by their pixels"),
            ));
        }
        let changed = registration.without_changed(&read.value);
        said.extend(moonloom::registration::remarks(&read.value, &registration));
        let same = || frames_digest(&read.value, |name| registration.frame(name).is_some()) == digest;
        if let Some(first) = changed.first() {
            let more = if changed.len() > 1 { format!(" and {} more", changed.len() - 1) } else { String::new() };
            said.push(
                Diagnostic::warning(
                    "frames-changed",
                    format!(
                        "{first}{more}: the file is no longer the one that was registered, and its disc is left out"
                    ),
                )
                .with_help("register the folder again into this file: what was set by hand is kept"),
            );
        } else if !same() {
            said.push(
                Diagnostic::warning(
                    "folder-changed",
                    "the folder is not as it was when it was registered (its notes, or which files lie there); the places in \
                     the registration are used",
                )
                .with_help("register it again if the change matters to where the Moon was"),
            );
        }
        *warnings += tell(&said);
        Ok(Source { night: read.value, registration: Some(registration), said })
    }

    fn registered(self, cache: Option<&Path>, warnings: &mut usize) -> (Night, Registration) {
        let night = self.night;
        if let Some(registration) = self.registration {
            return (night, registration);
        }
        let cache = cache.map(Path::to_owned).or_else(user_cache);
        let progress = Progress::new("looking at frame");
        let start = Instant::now();
        let kept = registration_of(&night, cache.as_deref(), &|name| progress.step(name));
        progress.end();
        *warnings += tell(&kept.diagnostics);
        if kept.reused {
            say("using the registration kept from an earlier run: the frames are unchanged");
        } else {
            say(&summary(&kept.registration, start.elapsed().as_secs_f64()));
        }
        (night, kept.registration)
    }
}

/// The night and where the Moon is in it, from a folder or from a registration file, with other cameras' folders of the
/// night joined to it.
///
/// `beforehand` is asked of the whole night before any frame is looked at.
pub fn joined(
    frames: &Path,
    also: &[PathBuf],
    cache: Option<&Path>,
    beforehand: &dyn Fn(&Night) -> Result<(), Failure>,
    warnings: &mut usize,
) -> Result<(Night, Registration), Failure> {
    let first = Source::read(frames, warnings)?;
    let others: Vec<Source> = also.iter().map(|path| Source::read(path, warnings)).collect::<Result<_, _>>()?;
    let mut whole = first.night.clone();
    others.iter().for_each(|other| drop(whole.join(other.night.clone())));
    beforehand(&whole)?;
    let (mut night, mut registration) = first.registered(cache, warnings);
    for other in others {
        let (n, r) = other.registered(cache, warnings);
        let names = night.join(n);
        registration.join(r, &names);
    }
    Ok((night, registration))
}
