//! `moonloom register`: find the Moon in every frame.

use super::looking::{Anew, look_anew, summary};
use super::outcome::{Exit, Failure, Outcome, Progress, print, say, strict, tell};
use super::values::{self, wrong};
use clap::{Args, ValueEnum};
use moonloom::compose::{protect_inputs, same_file};
use moonloom::diag::{Diagnostic, Warned};
use moonloom::ingest::{Night, NightError, read_frames, read_night};
use moonloom::registration::{Registration, RegistrationFile, read_registration, registration_csv, registration_text};
use moonloom::solve::{ClockSource, Looks};
use moonloom::write::{write_bytes, write_text};
use std::path::{Path, PathBuf};

/// Find the Moon in every frame.
#[derive(Args)]
pub struct RegisterArgs {
    /// A folder of frames, or the frames themselves
    #[arg(required = true, value_name = "FRAMES")]
    frames: Vec<PathBuf>,
    /// Where to keep the registration (RON that you may edit)
    #[arg(long, value_name = "FILE")]
    out: PathBuf,
    /// A table of what was found; `-` prints it
    #[arg(long, value_name = "FILE")]
    csv: Option<PathBuf>,
    /// Whose time to trust: what the frames and shoot notes say, or the Earth's shadow on the Moon
    #[arg(long, value_enum, default_value_t = ClockFrom::Frames, value_name = "SOURCE")]
    clock: ClockFrom,
    /// Look at every N-th frame only, from the K-th on, and write down what they showed: `merge` makes a registration of all
    /// parts, the same as one run would
    #[arg(long, value_name = "K/N", value_parser = part, conflicts_with_all = ["csv", "clock", "strict"])]
    part: Option<(usize, usize)>,
    /// Warnings end the run with status 1
    #[arg(long)]
    strict: bool,
}

/// Where times come from.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum ClockFrom {
    /// From the frames and the shoot notes
    Frames,
    /// From the shadow's edge on the disc; each camera's clock is put right by it
    FromShadow,
}

pub fn read(frames: &[PathBuf]) -> Result<Warned<Night>, NightError> {
    match frames {
        [folder] if folder.is_dir() => read_night(folder),
        files => read_frames(files.to_vec()),
    }
}

/// A folder as seen from the folder of a file, where that is possible without climbing.
fn folder_beside(folder: &Path, file: &Path) -> String {
    let absolute = folder.canonicalize().unwrap_or_else(|_| folder.to_owned());
    let base = file.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let relative = base.canonicalize().ok().and_then(|b| absolute.strip_prefix(b).ok().map(Path::to_path_buf));
    match relative {
        Some(r) if r.as_os_str().is_empty() => ".".into(),
        Some(r) => r.to_string_lossy().into_owned(),
        None => absolute.to_string_lossy().into_owned(),
    }
}

impl From<ClockFrom> for ClockSource {
    fn from(clock: ClockFrom) -> Self {
        match clock {
            ClockFrom::Frames => ClockSource::Frames,
            ClockFrom::FromShadow => ClockSource::Shadow,
        }
    }
}

/// Refuses to replace what is no registration, or one that a person edited and that cannot be read, and tables that are none.
fn may_be_replaced(out: &Path, csv: Option<&Path>) -> Outcome {
    let is_there = |path: &Path| std::fs::metadata(path).is_ok_and(|m| m.is_file() && m.len() > 0);
    if is_there(out)
        && let Err(fault) = moonloom::files::read_text(out)
            .map_err(|e| Diagnostic::error("no-registration", format!("{}: {e}", out.display())))
            .and_then(|text| read_registration(out, &text).map(|_| ()))
    {
        tell(&[fault]);
        let message = format!("{} is there already, and is no registration that can be read", out.display());
        return Err(wrong(message, "correct it, move it away, or give another name with --out"));
    }
    csv.map_or(Ok(()), |csv| {
        values::may_be_replaced(csv, "no table of a registration", |text| text.starts_with("file,status,"))
    })
}

/// Keeps what a person set in the registration that the new one replaces.
fn keep_what_was_set(registration: &mut Registration, night: &Night, out: &Path) -> Vec<Diagnostic> {
    let lost = |why: String| {
        Diagnostic::warning("settings-not-kept", format!("nothing set by hand in {} is kept: {why}", out.display()))
            .with_help("keep a copy of it before you register again")
    };
    let text = match moonloom::files::read_text(out) {
        Ok(text) => text,
        Err(e) if e.kind() == std::io::ErrorKind::NotFound => return Vec::new(),
        Err(e) => return vec![lost(e.to_string())],
    };
    let Ok(RegistrationFile { registration: earlier, frames_folder, .. }) = read_registration(out, &text) else {
        return vec![lost("it is no registration that can be read".into())];
    };
    let base = out.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let whole = |folder: &Path| folder.canonicalize().ok();
    if whole(&base.join(frames_folder)) != whole(&night.folder) {
        return vec![lost("it is of another folder's frames".into())];
    }
    let mut said = Vec::new();
    let kept = registration.keep_what_was_set(&earlier);
    if kept > 0 {
        let message = format!("what was set by hand for {kept} frames in {} is kept", out.display());
        said.push(Diagnostic::note("settings-kept", message));
    }
    let moved = registration.frames.iter().filter(|f| {
        let before = earlier.frame(&f.file).and_then(moonloom::registration::FrameRegistration::centre);
        before.zip(f.centre()).is_some_and(|(a, b)| a.distance(b) > 1.0)
    });
    let moved: Vec<&str> = moved.map(|f| f.file.as_str()).collect();
    if let Some(first) = moved.first() {
        let message = format!("{} Moons stand elsewhere than in the earlier file, {first} the first", moved.len());
        said.push(
            Diagnostic::note("centres-anew", message)
                .with_help("a `centre_px` that was moved by hand is to be moved again"),
        );
    }
    said
}

/// `2/5`: the second of five.
fn part(text: &str) -> Result<(usize, usize), String> {
    let read = || {
        let (part, of) = text.split_once('/')?;
        let (part, of): (usize, usize) = (part.trim().parse().ok()?, of.trim().parse().ok()?);
        (part >= 1 && part <= of && of <= 100_000).then_some((part, of))
    };
    read().ok_or_else(|| "write it like 2/5: the second of five".to_owned())
}

pub fn run(args: &RegisterArgs) -> Outcome {
    let read = read(&args.frames)?;
    let warnings = tell(&read.diagnostics);
    let night = read.value;
    if let Some(part) = args.part {
        if !matches!(args.frames.as_slice(), [folder] if folder.is_dir()) {
            return Err(wrong("a part is of a folder, not of single frames".into(), "name the folder of the frames"));
        }
        return look_at_part(&night, part, &args.out);
    }
    let target = Target { out: &args.out, csv: args.csv.as_deref(), strict: args.strict };
    target.check(&night)?;
    target.write(&night, look_anew(&night, args.clock.into(), &Looks::default()), warnings)
}

/// Looks at a part of the frames, and writes down what they showed.
fn look_at_part(night: &Night, part: (usize, usize), out: &Path) -> Outcome {
    protect_inputs(night, std::iter::once(out))?;
    values::may_be_replaced_bytes(out, "no part of a registration", Looks::is_begun_by)?;
    let progress = Progress::new("looking at frame");
    let mut looks = Looks::at_part(night, part, &|name| progress.step(name));
    progress.end();
    looks.folder = folder_beside(&night.folder, out);
    let bytes = looks.to_bytes().map_err(|why| {
        Failure::new(Exit::Machine, Diagnostic::error("cannot-keep", format!("what the frames showed: {why}")))
    })?;
    write_bytes(out, &bytes)?;
    say(&format!("looked at {} of {} frames (part {} of {})", looks.len(), night.frames.len(), part.0, part.1));
    Ok(())
}

/// Where a registration goes.
pub struct Target<'a> {
    pub out: &'a Path,
    pub csv: Option<&'a Path>,
    pub strict: bool,
}

impl Target<'_> {
    /// Whether it may be written, before any frame is looked at.
    pub fn check(&self, night: &Night) -> Outcome {
        let csv = self.csv.filter(|p| *p != Path::new("-"));
        protect_inputs(night, [Some(self.out), csv].into_iter().flatten())?;
        if csv.is_some_and(|csv| same_file(csv, self.out)) {
            return Err(wrong("`--out` and `--csv` name one file".into(), "give the table another name"));
        }
        may_be_replaced(self.out, csv)
    }

    /// Writes what was found.
    pub fn write(&self, night: &Night, anew: Anew, mut warnings: usize) -> Outcome {
        let Anew { mut found, digest, seconds } = anew;
        warnings += tell(&keep_what_was_set(&mut found.value, night, self.out));
        warnings += tell(&found.diagnostics);
        say(&summary(&found.value, seconds));
        let folder = folder_beside(&night.folder, self.out);
        let text = registration_text(&found.value, &folder, &digest).map_err(|d| Failure::new(Exit::CouldNot, d))?;
        write_text(self.out, &text)?;
        match self.csv {
            Some(path) if path == Path::new("-") => print(&registration_csv(&found.value))?,
            Some(path) => write_text(path, &registration_csv(&found.value))?,
            None => {}
        }
        say(&format!("wrote {}", self.out.display()));
        some_moon(&found.value, "see the reasons above; `moonloom proof` shows each frame")?;
        strict(self.strict, warnings)
    }
}

/// That the Moon was found in a frame at least: the files say so too, and a script hears it by the status.
pub fn some_moon(found: &Registration, help: &str) -> Outcome {
    if found.frames.iter().any(|f| f.disc().is_some()) {
        return Ok(());
    }
    let message = format!("the Moon was found in none of {} frames", found.frames.len());
    Err(Failure::new(Exit::CouldNot, Diagnostic::error("no-moon", message).with_help(help)))
}
