//! The registration as a file: readable RON that a person may edit, and CSV for machines.
//!
//! A person may set `exclude: true` on a frame, nudge its disc (`gain_stops`, `white`, `turn_deg`) or move `centre_px`; all
//! of it counts when the file is given to `compose`, and all but a moved centre outlives a new `register` into it.

mod check;
mod frame_forms;
mod rig_forms;
mod table;

pub use table::registration_csv;

use super::{FrameRegistration, Registration, RigSolution};
use crate::diag::{Diagnostic, Span, read_ron};
use crate::units::Angle;
use frame_forms::FrameForm;
use rig_forms::RigForm;
use serde::{Deserialize, Serialize};
use std::path::Path;

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct FileForm {
    version: u32,
    /// Folder of the frames, relative to the file.
    frames_folder: String,
    /// Digest of the frames' names, sizes and times, and of the notes.
    frames_digest: String,
    rigs: Vec<RigForm>,
    frames: Vec<FrameForm>,
}

/// Rounded so that the file reads well; far below what was measured.
fn rounded(value: f64) -> f64 {
    (value * 1e4).round() / 1e4
}

/// Degrees of which an angle, read back and written again, gives the same.
fn degrees(angle: Angle) -> f64 {
    (angle.degrees() * 1e10).round() / 1e10
}

/// The registration as RON; `frames_folder` is written as given, `frames_digest` identifies the frames.
///
/// # Errors
/// A [`Diagnostic`] when the text cannot be made.
pub fn registration_text(
    registration: &Registration,
    frames_folder: &str,
    frames_digest: &str,
) -> Result<String, Diagnostic> {
    let form = FileForm {
        version: 3,
        frames_folder: frames_folder.to_owned(),
        frames_digest: frames_digest.to_owned(),
        rigs: registration.rigs.iter().map(RigForm::from).collect(),
        frames: registration.frames.iter().map(FrameForm::from).collect(),
    };
    let body = crate::diag::write_ron(&form)?;
    Ok(format!(
        "// Where the Moon was found. You may set `exclude: true` on a frame, move its `centre_px`, or nudge its disc:\n\
         // `gain_stops: 0.3`, `white: (1.05, 0.95)` (red, blue), `turn_deg: 2` (clockwise). `moonloom compose LAYOUT THIS_FILE` heeds\n\
         // it; `moonloom register … --out THIS_FILE` keeps all but a moved centre.\n{body}\n"
    ))
}

/// A registration as its file gives it back: rounded far below what was measured, so that a picture is the same whether
/// the registration went through a file or not.
pub fn as_written(registration: &Registration) -> Registration {
    Registration {
        rigs: registration.rigs.iter().map(|r| RigSolution::from(&RigForm::from(r))).collect(),
        frames: registration.frames.iter().map(|f| FrameRegistration::from(FrameForm::from(f))).collect(),
    }
}

/// What stands in a registration file.
#[derive(Clone, Debug, PartialEq)]
pub struct RegistrationFile {
    /// The registration.
    pub registration: Registration,
    /// The folder of its frames, as written: relative to the file.
    pub frames_folder: String,
    /// What tells those frames from others (`compose::frames_digest`).
    pub frames_digest: String,
}

/// A registration read back. Nothing is lost on the way: what registering returned is what comes back, but
/// for the covariance of a tripod's aim, which serves its own registering alone.
///
/// # Errors
/// A [`Diagnostic`] that points at the fault.
pub fn read_registration(path: &Path, text: &str) -> Result<RegistrationFile, Diagnostic> {
    let form: FileForm = read_ron(path, text)?;
    if form.version != 3 {
        let mut d = Diagnostic::error(
            "registration-version",
            format!("version {} of a registration is not known", form.version),
        )
        .with_help("register the frames again with this program");
        d.span = Span::of_field(path, text, &["version"]);
        return Err(d);
    }
    let rigs: Vec<RigSolution> = form.rigs.iter().map(RigSolution::from).collect();
    if let Some(f) = form.frames.iter().find(|f| f.rig >= rigs.len()) {
        return Err(Diagnostic::error(
            "registration-rig",
            format!("{} belongs to rig {}, which is not listed", f.file, f.rig),
        )
        .with_help("register the frames again"));
    }
    check::check(path, text, &form)?;
    let frames = form.frames.into_iter().map(FrameRegistration::from).collect();
    Ok(RegistrationFile {
        registration: Registration { rigs, frames },
        frames_folder: form.frames_folder,
        frames_digest: form.frames_digest,
    })
}
