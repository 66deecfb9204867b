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
            ErrorKind::NotFound
            | ErrorKind::IsADirectory
            | ErrorKind::InvalidData
            | ErrorKind::InvalidInput
            | ErrorKind::NotADirectory => Exit::BadRequest,
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
            // A folder that is not there is a slip of the request's.
            WriteError::Io { path, source } if source.kind() == std::io::ErrorKind::NotFound => Failure::new(
                Exit::BadRequest,
                Diagnostic::error("cannot-write", format!("cannot write {}: its folder is not there", path.display()))
                    .with_help("make the folder, or correct the name"),
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
            ComposeError::TargetIsFrame { .. } | ComposeError::TargetIsPhotograph { .. } => Failure::new(
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
            ComposeError::MaskSize { .. } => Failure::new(
                Exit::BadRequest,
                Diagnostic::error("mask-size", e.to_string())
                    .with_help("a mask has its backplate's own size in pixels"),
            ),
            ComposeError::Rows { .. } => Failure::new(
                Exit::CouldNot,
                Diagnostic::error("rows-unusable", e.to_string())
                    .with_help("`compose LAYOUT FRAMES --rows A..B --out PART.tif` draws a part; layout, frames and program are to be the same for all"),
            ),
            ComposeError::Font(_) => Failure::new(
                Exit::BadRequest,
                Diagnostic::error("font-unreadable", e.to_string()).with_help(
                    "`font` names a TrueType or OpenType file beside the layout; leave it out for the embedded one",
                ),
            ),
            ComposeError::Decode(_) => Failure::new(
                Exit::CouldNot,
                Diagnostic::error("backplate-unreadable", e.to_string()).with_help(
                    "copy the file from the card again, or name a whole frame: `foreground: [\"…\"]` in shoot.ron, or \
                     `backplate: Frame(\"…\")` in the layout",
                ),
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
            say(&d.to_string());
        }
    }
    for (code, count) in by_code {
        if count > 3 {
            say(&format!("  and {} more [{code}]", count - 3));
        }
    }
    diagnostics.iter().filter(|d| d.severity >= Severity::Warning).count()
}

/// Under `--strict` warnings end the run with status 1.
pub fn strict(is_strict: bool, warnings: usize) -> Outcome {
    if is_strict && warnings > 0 {
        return Err(Failure::new(
            Exit::CouldNot,
            Diagnostic::error(
                "strict",
                format!("{warnings} warning{}, and --strict was given", if warnings == 1 { "" } else { "s" }),
            ),
        ));
    }
    Ok(())
}

/// Says something on stderr; a closed stderr is no fault.
pub fn say(words: &str) {
    let _ = writeln!(std::io::stderr(), "{}", legible(words));
}

/// Most characters of a line that is said, and most lines.
const LONGEST_LINE: usize = 1000;
const MOST_LINES: usize = 400;

/// Words as a terminal may show them: what would move its cursor or colour it is spelt out (names of files may hold
/// anything), and what nobody could read to its end is cut.
fn legible(words: &str) -> String {
    let mut out = String::with_capacity(words.len().min(1 << 16));
    for (number, line) in words.split('\n').enumerate() {
        if number > 0 {
            out.push('\n');
        }
        if number >= MOST_LINES {
            out.push_str("  …");
            break;
        }
        spell_out(line.chars().take(LONGEST_LINE), &mut out);
        if line.chars().nth(LONGEST_LINE).is_some() {
            out.push_str(" …");
        }
    }
    out
}

fn spell_out(characters: impl Iterator<Item = char>, out: &mut String) {
    for c in characters {
        // Marks that turn the direction of writing are as good as control characters.
        let turns = matches!(c, '\u{200e}' | '\u{200f}' | '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}');
        if (c.is_control() && c != '\n' && c != '\t') || turns {
            out.extend(c.escape_unicode());
        } else {
            out.push(c);
        }
    }
}

/// Writes what was asked for to stdout; a reader that has gone away is success.
pub fn print(text: &str) -> Outcome {
    let mut out = std::io::stdout().lock();
    let mut spelt = String::new();
    // Another program gets names as they are.
    let text = if out.is_terminal() {
        spell_out(text.chars(), &mut spelt);
        &spelt
    } else {
        text
    };
    match out.write_all(text.as_bytes()).and_then(|()| out.flush()) {
        Err(e) if e.kind() != std::io::ErrorKind::BrokenPipe => Err(Failure::new(
            Exit::Machine,
            Diagnostic::error("cannot-write", format!("cannot write to the standard output: {e}")),
        )),
        _ => Ok(()),
    }
}

/// Writes a document as JSON to stdout.
pub fn print_json(document: &impl serde::Serialize) -> Outcome {
    match serde_json::to_string_pretty(document) {
        Ok(json) => print(&(json + "\n")),
        Err(e) => Err(Failure::new(
            Exit::Machine,
            Diagnostic::error("no-json", format!("the result cannot be written as JSON: {e}")),
        )),
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
            let _ = write!(std::io::stderr(), "\r{} {n}: {}\x1b[K", self.doing, legible(what));
        }
    }
    /// How much is done of something that has no steps, 0 to 1.
    pub fn reach(&self, share: f64) {
        if self.on_terminal {
            let _ = write!(std::io::stderr(), "\r{} {:.0} %\x1b[K", self.doing, 100.0 * share);
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
            say(&failure.diagnostic.to_string());
            ExitCode::from(failure.exit as u8)
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_said_moves_no_cursor_and_comes_to_an_end() {
        assert_eq!(legible("a\x1b[2Jb\u{202e}c\td"), "a\\u{1b}[2Jb\\u{202e}c\td");
        assert!(legible(&"x".repeat(1_000_000)).chars().count() < 1100);
        assert!(legible(&"x\n".repeat(1_000_000)).lines().count() < 410);
    }
}
