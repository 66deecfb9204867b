//! Values that several subcommands read from their flags.

use super::outcome::{Exit, Failure};
use moonloom::diag::Diagnostic;
use moonloom::simulate::Scenario;
use moonloom::sky::Observer;
use std::io::Read;
use std::path::Path;

/// A flag's value that is wrong.
pub fn wrong(message: String, help: &str) -> Failure {
    Failure::new(Exit::BadRequest, Diagnostic::error("bad-value", message).with_help(help))
}

/// Makes a folder for files to come, where it is not there yet.
pub fn make_folder(folder: &Path) -> Result<(), Failure> {
    if folder.exists() && !folder.is_dir() {
        return Err(wrong(format!("{} is no folder", folder.display()), "name a folder"));
    }
    std::fs::create_dir_all(folder).map_err(|e| {
        let message = format!("cannot make {}: {e}", folder.display());
        let diagnostic =
            Diagnostic::error("cannot-write", message).with_help("check the name, and that you may write there");
        let is_slip = matches!(e.kind(), std::io::ErrorKind::NotADirectory | std::io::ErrorKind::AlreadyExists);
        Failure::new(if is_slip { Exit::BadRequest } else { Exit::Machine }, diagnostic)
    })
}

/// Refuses to replace a file that is not of the kind that is written: `is_ours` judges its first kilobyte.
pub fn may_be_replaced(path: &Path, what: &str, is_ours: impl Fn(&str) -> bool) -> Result<(), Failure> {
    may_be_replaced_bytes(path, what, |bytes| is_ours(&String::from_utf8_lossy(bytes)))
}

/// The same of a file that is no text.
pub fn may_be_replaced_bytes(path: &Path, what: &str, is_ours: impl Fn(&[u8]) -> bool) -> Result<(), Failure> {
    if !std::fs::metadata(path).is_ok_and(|m| m.is_file() && m.len() > 0) || is_ours(&beginning(path)) {
        return Ok(());
    }
    Err(wrong(format!("{} is there already, and is {what}", path.display()), "move it away, or give another name"))
}

/// The first kilobyte of a file; nothing of one that cannot be read.
fn beginning(path: &Path) -> Vec<u8> {
    let mut bytes = Vec::new();
    let read = std::fs::File::open(path).and_then(|file| file.take(1024).read_to_end(&mut bytes));
    read.map_or(Vec::new(), |_| bytes)
}

/// A site from `LAT,LON[,ELEV]`.
pub fn site(text: &str) -> Result<Observer, Failure> {
    let numbers: Option<Vec<f64>> = text.split(',').map(|n| n.trim().parse().ok()).collect();
    let help = "write --site LAT,LON or --site LAT,LON,ELEV, such as --site -31.9,115.75,6";
    let observer = match numbers.as_deref() {
        Some([lat, lon]) => Observer::new(*lat, *lon, 0.0),
        Some([lat, lon, elevation]) => Observer::new(*lat, *lon, *elevation),
        _ => return Err(wrong(format!("`{text}` is not a site"), help)),
    };
    observer.map_err(|e| wrong(e.to_string(), help))
}

/// Bytes from a size such as `2GB`, `1.5 GB` or `800MB`.
pub fn bytes(text: &str) -> Result<u64, String> {
    let upper = text.trim().to_ascii_uppercase();
    let (number, unit) = match upper.strip_suffix("GB") {
        Some(number) => (number, 1u64 << 30),
        None => (upper.strip_suffix("MB").ok_or("write it like 2GB or 800MB")?, 1 << 20),
    };
    let number: f64 = number.trim().parse().map_err(|_| "write it like 2GB or 800MB")?;
    let bytes = number * unit as f64;
    let least = moonloom::memory::LEAST;
    if (least as f64..=1e15).contains(&bytes) {
        Ok(bytes as u64)
    } else {
        Err(format!("give {} MB or more", least >> 20))
    }
}

/// A rehearsal file: a site, an eclipse, cameras.
pub fn scenario(path: &Path) -> Result<Scenario, Failure> {
    let text = moonloom::files::read_text(path).map_err(|e| Failure::reading(path, &e))?;
    Scenario::parse(path, &text).map_err(|d| Failure::new(Exit::BadRequest, d))
}
