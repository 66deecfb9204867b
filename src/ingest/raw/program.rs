//! Which program reads camera raw, and how it knows that it is asked to.

use super::READER;
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::sync::OnceLock;

/// The program that was named.
static NAMED: OnceLock<PathBuf> = OnceLock::new();
/// Whether this one answers.
static ANSWERS: OnceLock<()> = OnceLock::new();

/// Names the program that reads camera raw: one that calls [`answer_as_raw_reader`], such as `moonloom` itself. The first call holds.
pub fn set_raw_reader(program: &Path) {
    NAMED.get_or_init(|| program.to_owned());
}

/// To be called first thing in a program's `main` that reads camera raw: where the program was called as its own reader, the answer
/// is given and its exit status comes back; end with it. `None` otherwise, and then this program is its own reader from now on.
pub fn answer_as_raw_reader() -> Option<ExitCode> {
    let mut arguments = std::env::args_os().skip(1);
    if arguments.next().is_none_or(|first| first != READER) {
        ANSWERS.get_or_init(|| ());
        return None;
    }
    let (what, path) = (arguments.next()?, arguments.next()?);
    Some(match super::reader::serve(&what.to_string_lossy(), Path::new(&path)) {
        Ok(()) => ExitCode::SUCCESS,
        Err(why) => {
            use std::io::Write;
            let _ = writeln!(std::io::stderr(), "moonloom: {why}");
            ExitCode::from(1)
        }
    })
}

/// The program to call: the one that was named, this one where it answers, or `moonloom` beside this one (a test's or an example's).
pub(super) fn reader() -> Result<PathBuf, String> {
    if let Some(named) = NAMED.get() {
        return Ok(named.clone());
    }
    let own = std::env::current_exe().map_err(|e| e.to_string())?;
    if ANSWERS.get().is_some() {
        return Ok(own);
    }
    let name = format!("moonloom{}", std::env::consts::EXE_SUFFIX);
    let beside = own.ancestors().skip(1).take(2).map(|folder| folder.join(&name)).find(|p| p.is_file());
    beside.ok_or_else(|| {
        "it is camera raw, which a process of its own reads: call `moonloom::ingest::answer_as_raw_reader` first in `main`, or name \
         a program that does by `set_raw_reader`"
            .to_owned()
    })
}
