//! A night and its registration, from a folder of frames or from a registration file.

use super::outcome::{Exit, Failure, Progress, say, tell};
use super::register::summary;
use moonloom::compose::{ComposeError, frames_digest, registration_of};
use moonloom::diag::Diagnostic;
use moonloom::ingest::{Night, read_night};
use moonloom::registration::{Registration, read_registration};
use std::path::{Path, PathBuf};
use std::time::Instant;

/// The user's cache folder, by the custom of the system.
pub fn user_cache() -> Option<PathBuf> {
    let variable = |name| std::env::var_os(name).filter(|v| !v.is_empty()).map(PathBuf::from);
    let base = if cfg!(windows) {
        variable("LOCALAPPDATA")
    } else if cfg!(target_os = "macos") {
        variable("HOME").map(|h| h.join("Library/Caches"))
    } else {
        variable("XDG_CACHE_HOME").or_else(|| variable("HOME").map(|h| h.join(".cache")))
    };
    base.map(|b| b.join("moonloom"))
}

/// The night and where the Moon is in it, from a folder or from a registration file.
///
/// `targets` is asked before any work is done.
pub fn registered(
    frames: &Path,
    cache: Option<&Path>,
    targets: &dyn Fn(&Night) -> Result<(), ComposeError>,
    warnings: &mut usize,
) -> Result<(Night, Registration), Failure> {
    if frames.is_dir() {
        let read = read_night(frames)?;
        *warnings += tell(&read.diagnostics);
        let night = read.value;
        targets(&night)?;
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
        return Ok((night, kept.registration));
    }
    let text = std::fs::read_to_string(frames).map_err(|e| Failure::reading(frames, &e))?;
    let (registration, folder, digest) =
        read_registration(frames, &text).map_err(|d| Failure::new(Exit::BadRequest, d))?;
    let base = frames.parent().unwrap_or(Path::new("."));
    let read = read_night(&base.join(folder))?;
    *warnings += tell(&read.diagnostics);
    *warnings += tell(&moonloom::registration::remarks(&read.value, &registration));
    if frames_digest(&read.value, |name| registration.frame(name).is_some()) != digest {
        *warnings += tell(&[Diagnostic::warning(
            "frames-changed",
            "the frames or their notes have changed since they were registered; the places in the file are used",
        )
        .with_help("register them again if they were replaced or cropped")]);
    }
    targets(&read.value)?;
    Ok((read.value, registration))
}

/// The same with other cameras' folders of the night joined to it.
pub fn joined(
    frames: &Path,
    also: &[PathBuf],
    cache: Option<&Path>,
    targets: &dyn Fn(&Night) -> Result<(), ComposeError>,
    warnings: &mut usize,
) -> Result<(Night, Registration), Failure> {
    let (mut night, mut registration) = registered(frames, cache, targets, warnings)?;
    for other in also {
        let (n, r) = registered(other, cache, targets, warnings)?;
        let names = night.join(n);
        registration.join(r, &names);
    }
    Ok((night, registration))
}
