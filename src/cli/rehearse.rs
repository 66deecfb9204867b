//! `moonloom rehearse`: the frames that given cameras would take.

use super::outcome::{Exit, Failure, Outcome, Progress, say};
use clap::Args;
use moonloom::diag::Diagnostic;
use moonloom::simulate::{RehearseError, Scenario, rehearse};
use std::path::{Path, PathBuf};

/// Render the frames that given cameras would take of an eclipse.
///
/// Every rig of the rehearsal file gets a folder with its frames (EXIF included), `shoot.ron` and
/// `truth.json`. Nothing here makes it safe to point optics at the Sun; know your site by daylight.
#[derive(Args)]
pub struct RehearseArgs {
    /// The rehearsal file (RON): site, eclipse, cameras
    rehearsal: PathBuf,
    /// Folder that gets one folder a rig
    #[arg(long, value_name = "DIR")]
    out: PathBuf,
    /// Compose the frames of the first rig by this layout, too: the picture before the night
    #[arg(long, value_name = "LAYOUT")]
    picture: Option<PathBuf>,
}

pub fn run(args: &RehearseArgs) -> Outcome {
    let text = std::fs::read_to_string(&args.rehearsal).map_err(|e| Failure::reading(&args.rehearsal, &e))?;
    let scenario = Scenario::parse(&args.rehearsal, &text).map_err(|d| Failure::new(Exit::BadRequest, d))?;
    let progress = Progress::new("rendering frame");
    let truths = rehearse(&scenario, &args.out, &|path| {
        progress.step(&path.file_name().map(|n| n.to_string_lossy()).unwrap_or_default());
    })
    .map_err(|e| match e {
        RehearseError::Write(w) => w.into(),
        other => Failure::new(Exit::Machine, Diagnostic::error("rehearsal-failed", other.to_string())),
    })?;
    progress.end();
    for truth in &truths {
        say(&format!("{}: {} frames in {}", truth.rig, truth.frames.len(), args.out.join(&truth.rig).display()));
    }
    match (&args.picture, truths.first()) {
        (Some(layout), Some(first)) => picture(layout, &args.out.join(&first.rig), &args.out),
        _ => Ok(()),
    }
}

/// The finished picture of a rehearsed folder, beside it, with a preview.
fn picture(layout: &Path, frames: &Path, out: &Path) -> Outcome {
    let stem = layout.file_stem().map(|s| s.to_string_lossy().into_owned()).unwrap_or_else(|| "picture".into());
    super::compose::run(&super::compose::ComposeArgs::for_folder(
        layout.to_owned(),
        frames.to_owned(),
        out.join(format!("{stem}.tif")),
        out.join(format!("{stem}.jpg")),
    ))
}
