//! `moonloom rehearse`: the frames that given cameras would take.

use super::outcome::{Exit, Failure, Outcome, Progress, print, say};
use clap::Args;
use moonloom::diag::Diagnostic;
use moonloom::registration::read_registration;
use moonloom::score::{Score, ScoreTable};
use moonloom::simulate::{RehearseError, Scenario, Truth, rehearse};
use std::path::{Path, PathBuf};

/// Render the frames that given cameras would take of an eclipse.
///
/// Every rig of the rehearsal file gets a folder with its frames (EXIF included), `shoot.ron` and
/// `truth.json`. Nothing here makes it safe to point optics at the Sun; know your site by daylight.
#[derive(Args)]
pub struct RehearseArgs {
    /// The rehearsal file (RON): site, eclipse, cameras
    #[arg(required_unless_present = "score")]
    rehearsal: Option<PathBuf>,
    /// Folder that gets one folder a rig
    #[arg(long, value_name = "DIR", required_unless_present = "score")]
    out: Option<PathBuf>,
    /// Render nothing: compare a registration of rehearsed frames with their truth and print the table
    #[arg(long, value_name = "REGISTRATION", conflicts_with_all = ["rehearsal", "out", "picture"])]
    score: Option<PathBuf>,
    /// Compose the frames of the first rig by this layout, too: the picture before the night
    #[arg(long, value_name = "LAYOUT")]
    picture: Option<PathBuf>,
}

pub fn run(args: &RehearseArgs) -> Outcome {
    match (&args.rehearsal, &args.out, &args.score) {
        (_, _, Some(registration)) => score(registration),
        (Some(rehearsal), Some(out), None) => render(rehearsal, out, args.picture.as_deref()),
        // The command line has asked for one of the two already.
        _ => Ok(()),
    }
}

/// Prints how a registration compares with the truth beside its frames.
fn score(path: &Path) -> Outcome {
    let text = moonloom::files::read_text(path).map_err(|e| Failure::reading(path, &e))?;
    let (registration, frames, _) = read_registration(path, &text).map_err(|d| Failure::new(Exit::BadRequest, d))?;
    let folder = path.parent().unwrap_or(Path::new(".")).join(frames);
    let truth = folder.join("truth.json");
    let text = moonloom::files::read_text(&truth).map_err(|e| Failure::reading(&truth, &e))?;
    let truth: Truth = serde_json::from_str(&text).map_err(|e| {
        let words = format!("{} is no rehearsal's truth: {e}", truth.display());
        Failure::new(Exit::CouldNot, Diagnostic::error("truth-unreadable", words).with_help("rehearse the night again"))
    })?;
    let score = Score::of(&registration, &truth);
    for (files, words) in [(&score.missed, "missed"), (&score.false_discs, "no Moon, but a disc was measured")] {
        files.iter().for_each(|file| say(&format!("{file}: {words}")));
    }
    print(&ScoreTable(&[score]).to_string())
}

fn render(rehearsal: &Path, out: &Path, layout: Option<&Path>) -> Outcome {
    let text = moonloom::files::read_text(rehearsal).map_err(|e| Failure::reading(rehearsal, &e))?;
    let scenario = Scenario::parse(rehearsal, &text).map_err(|d| Failure::new(Exit::BadRequest, d))?;
    let progress = Progress::new("rendering frame");
    let truths = rehearse(&scenario, out, &|path| {
        progress.step(&path.file_name().map(|n| n.to_string_lossy()).unwrap_or_default());
    })
    .map_err(|e| match e {
        RehearseError::Write(w) => w.into(),
        other => Failure::new(Exit::Machine, Diagnostic::error("rehearsal-failed", other.to_string())),
    })?;
    progress.end();
    for truth in &truths {
        say(&format!("{}: {} frames in {}", truth.rig, truth.frames.len(), out.join(&truth.rig).display()));
    }
    match (layout, truths.first()) {
        (Some(layout), Some(first)) => picture(layout, &out.join(&first.rig), out),
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
