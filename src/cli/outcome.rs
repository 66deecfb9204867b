//! How a run ends, and how messages reach people.

use moonloom::compose::ComposeError;
use moonloom::diag::{Diagnostic, Severity};
use moonloom::ingest::NightError;
use moonloom::write::WriteError;
use std::collections::BTreeMap;
use std::io::{IsTerminal, Write};
use std::process::ExitCode;

/// A run that did not do what was asked.
pub struct Failure {
    pub diagnostic: Box<Diagnostic>,
    pub exit: Exit,
}

/// Exit status, as the README lists it.
#[derive(Clone, Copy, PartialEq, Eq)]
pub enum Exit {
    /// Understood, but it could not be done.
    CouldNot = 1,
    /// The request is wrong: flags, layout or notes.
    BadRequest = 2,
    /// The machine failed: reading, writing.
    Machine = 3,
}

pub type Outcome = Result<(), Failure>;

impl Failure {
    pub fn new(exit: Exit, diagnostic: Diagnostic) -> Self {
        Failure { diagnostic: Box::new(diagnostic), exit }
    }
    pub fn reading(path: &std::path::Path, error: &std::io::Error) -> Self {
        let diagnostic = Diagnostic::error("cannot-read", format!("cannot read {}: {error}", path.display()));
        use std::io::ErrorKind;
        // A path that names nothing, a folder, or no text is the request's fault, not the machine's.
        let exit = match error.kind() {
            ErrorKind::NotFound | ErrorKind::IsADirectory | ErrorKind::InvalidData | ErrorKind::NotADirectory => {
                Exit::BadRequest
            }
            _ => Exit::Machine,
        };
        Failure::new(exit, diagnostic.with_help("check the path and that you may read it"))
    }
}

impl From<NightError> for Failure {
    fn from(e: NightError) -> Self {
        match e {
            NightError::Io { path, source } => Failure::reading(&path, &source),
            NightError::Notes(d) => Failure::new(Exit::BadRequest, *d),
            NightError::SeveralFolders { .. } => Failure::new(
                Exit::BadRequest,
                Diagnostic::error("several-folders", e.to_string()).with_help("register each folder by itself"),
            ),
            other => Failure::new(
                Exit::CouldNot,
                Diagnostic::error("no-frames", other.to_string())
                    .with_help("give a folder that holds JPEG, PNG or TIFF frames"),
            ),
        }
    }
}

impl From<WriteError> for Failure {
    fn from(e: WriteError) -> Self {
        match e {
            WriteError::UnknownEnding { .. } => Failure::new(
                Exit::BadRequest,
                Diagnostic::error("unknown-ending", e.to_string())
                    .with_help("end the name in .tif, .png, .exr or .jpg"),
            ),
            other => Failure::new(
                Exit::Machine,
                Diagnostic::error("cannot-write", other.to_string())
                    .with_help("check that the folder exists, that you may write there, and that the disk has room"),
            ),
        }
    }
}

impl From<ComposeError> for Failure {
    fn from(e: ComposeError) -> Self {
        match e {
            ComposeError::Layout(d) => {
                // A fault with a place in the layout is the request's; without one, the night's.
                let exit = if d.span.is_some() { Exit::BadRequest } else { Exit::CouldNot };
                Failure::new(exit, *d)
            }
            ComposeError::TargetIsFrame { .. } => Failure::new(
                Exit::BadRequest,
                Diagnostic::error("target-is-frame", e.to_string()).with_help("choose another name for --out"),
            ),
            ComposeError::PreviewName { .. } => Failure::new(
                Exit::BadRequest,
                Diagnostic::error("preview-name", e.to_string()).with_help("a preview is a .jpg beside the picture"),
            ),
            ComposeError::NoDisc => Failure::new(
                Exit::CouldNot,
                Diagnostic::error("no-disc", e.to_string()).with_help("see the warnings above; copy the frames again"),
            ),
            ComposeError::Write(w) => w.into(),
            other => Failure::new(Exit::Machine, Diagnostic::error("compose-failed", other.to_string())),
        }
    }
}

/// Prints messages to stderr; many of one kind become one line. Returns how many were warnings.
pub fn tell(diagnostics: &[Diagnostic]) -> usize {
    let mut by_code: BTreeMap<&str, usize> = BTreeMap::new();
    for (i, d) in diagnostics.iter().enumerate() {
        // Two zooms of a camera may say the same.
        if diagnostics[..i].contains(d) {
            continue;
        }
        let seen = by_code.entry(d.code).or_insert(0);
        *seen += 1;
        if *seen <= 3 {
            let _ = writeln!(std::io::stderr(), "{d}");
        }
    }
    for (code, count) in by_code {
        if count > 3 {
            let _ = writeln!(std::io::stderr(), "  and {} more [{code}]", count - 3);
        }
    }
    diagnostics.iter().filter(|d| d.severity >= Severity::Warning).count()
}

/// Under `--strict` warnings end the run with status 1.
pub fn strict(is_strict: bool, warnings: usize) -> Outcome {
    if is_strict && warnings > 0 {
        return Err(Failure::new(
            Exit::CouldNot,
            Diagnostic::error("strict", format!("{warnings} warnings, and --strict was given")),
        ));
    }
    Ok(())
}

/// Says something on stderr; a closed stderr is no fault.
pub fn say(words: &str) {
    let _ = writeln!(std::io::stderr(), "{words}");
}

/// Writes what was asked for to stdout; a reader that has gone away is success.
pub fn print(text: &str) -> Outcome {
    let mut out = std::io::stdout().lock();
    match out.write_all(text.as_bytes()).and_then(|()| out.flush()) {
        Err(e) if e.kind() != std::io::ErrorKind::BrokenPipe => Err(Failure::new(
            Exit::Machine,
            Diagnostic::error("cannot-write", format!("cannot write to the standard output: {e}")),
        )),
        _ => Ok(()),
    }
}

/// Counts frames on a terminal; silent elsewhere.
pub struct Progress {
    doing: &'static str,
    done: std::sync::atomic::AtomicUsize,
    on_terminal: bool,
}

impl Progress {
    pub fn new(doing: &'static str) -> Self {
        Progress { doing, done: 0.into(), on_terminal: std::io::stderr().is_terminal() }
    }
    pub fn step(&self, what: &str) {
        let n = self.done.fetch_add(1, std::sync::atomic::Ordering::Relaxed) + 1;
        if self.on_terminal {
            let _ = write!(std::io::stderr(), "\r{} {n}: {what}\x1b[K", self.doing);
        }
    }
    pub fn end(&self) {
        if self.on_terminal {
            let _ = write!(std::io::stderr(), "\r\x1b[K");
        }
    }
}

/// Turns an outcome into words and an exit status.
pub fn report(outcome: Outcome) -> ExitCode {
    match outcome {
        Ok(()) => ExitCode::SUCCESS,
        Err(failure) => {
            let _ = writeln!(std::io::stderr(), "{}", failure.diagnostic);
            ExitCode::from(failure.exit as u8)
        }
    }
}
