//! `moonloom rehearse`: the frames that given cameras would take.

use super::outcome::{Exit, Failure, Outcome, Progress, print, say};
use super::values::{make_folder, scenario};
use clap::Args;
use moonloom::diag::Diagnostic;
use moonloom::registration::read_registration;
use moonloom::score::{Score, ScoreTable};
use moonloom::simulate::{RehearseError, Scenario, Truth, refuse_a_photographers_folder, rehearse};
use moonloom::units::Instant;
use std::path::{Path, PathBuf};
use std::time::Duration;

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
    /// Let the frames appear one after another, so many times faster than real: a rehearsal for `vigil`
    #[arg(long, value_name = "TIMES", value_parser = super::vigil::pace, conflicts_with_all = ["score", "picture"])]
    pace: Option<f64>,
    /// Render smaller frames: 0.25 has a quarter of the pixels a side
    #[arg(long, value_name = "FACTOR", value_parser = scale, conflicts_with = "score")]
    scale: Option<f64>,
    /// Compose the frames of the first rig by this layout, too: the picture before the night
    #[arg(long, value_name = "LAYOUT")]
    picture: Option<PathBuf>,
}

pub fn run(args: &RehearseArgs) -> Outcome {
    match (&args.rehearsal, &args.out, &args.score) {
        (_, _, Some(registration)) => score(registration),
        (Some(rehearsal), Some(out), None) => {
            let scenario = scenario(rehearsal)?.scaled(args.scale.unwrap_or(1.0));
            match args.pace {
                Some(times) => render_paced(&scenario, out, times),
                None => render(&scenario, out, args.picture.as_deref()),
            }
        }
        // The command line has asked for one of the two already.
        _ => Ok(()),
    }
}

/// Prints how a registration compares with the truth beside its frames.
fn score(path: &Path) -> Outcome {
    let text = moonloom::files::read_text(path).map_err(|e| Failure::reading(path, &e))?;
    let kept = read_registration(path, &text).map_err(|d| Failure::new(Exit::BadRequest, d))?;
    let folder = path.parent().unwrap_or(Path::new(".")).join(kept.frames_folder);
    let truth = folder.join("truth.json");
    let text = moonloom::files::read_text(&truth).map_err(|e| Failure::reading(&truth, &e))?;
    let truth: Truth = serde_json::from_str(&text).map_err(|e| {
        let words = format!("{} is no rehearsal's truth: {e}", truth.display());
        Failure::new(Exit::CouldNot, Diagnostic::error("truth-unreadable", words).with_help("rehearse the night again"))
    })?;
    let score = Score::of(&kept.registration, &truth);
    for (files, words) in [(&score.missed, "missed"), (&score.false_discs, "no Moon, but a disc was measured")] {
        files.iter().for_each(|file| say(&format!("{file}: {words}")));
    }
    print(&ScoreTable(&[score]).to_string())
}

fn scale(text: &str) -> Result<f64, String> {
    text.parse().ok().filter(|v| (0.02..=1.0).contains(v)).ok_or_else(|| "0.02 to 1".to_owned())
}

/// Renders all frames, and says before how long that takes.
fn rendered(scenario: &Scenario, out: &Path) -> Result<Vec<Truth>, Failure> {
    /// A megapixel takes a core so long (`benches/README.md`: 241 in 33 s on two), seconds.
    const SECONDS_A_MEGAPIXEL: f64 = 0.28;
    let (frames, megapixels) = scenario.work();
    let seconds =
        megapixels * SECONDS_A_MEGAPIXEL / std::thread::available_parallelism().map_or(1.0, |n| n.get() as f64);
    if seconds > 20.0 {
        say(&format!("{frames} frames, {megapixels:.0} megapixels: about {:.0} min", (seconds / 60.0).max(1.0)));
    }
    let progress = Progress::new("rendering frame");
    let truths = rehearse(scenario, out, &|path| {
        progress.step(&path.file_name().map(|n| n.to_string_lossy()).unwrap_or_default());
    })
    .map_err(rehearsal_failed)?;
    progress.end();
    Ok(truths)
}

fn rehearsal_failed(e: RehearseError) -> Failure {
    match e {
        RehearseError::Write(w) => w.into(),
        other => Failure::new(Exit::Machine, Diagnostic::error("rehearsal-failed", other.to_string())),
    }
}

/// A camera writes a file so long after its exposure, seconds; common practice, no source.
const WRITING_S: f64 = 2.0;

/// How the folder begins in which paced frames wait.
const ASIDE: &str = ".moonloom-rehearsal-";

/// Takes away what a paced rehearsal that was interrupted has left behind, once it is a week old.
fn clear_left_behind(out: &Path) {
    const A_WEEK: Duration = Duration::from_secs(7 * 86_400);
    for entry in std::fs::read_dir(out).into_iter().flatten().flatten() {
        let age = entry.metadata().ok().and_then(|m| m.modified().ok()?.elapsed().ok());
        if entry.file_name().to_string_lossy().starts_with(ASIDE) && age.is_some_and(|age| age > A_WEEK) {
            let _ = std::fs::remove_dir_all(entry.path());
        }
    }
}

/// Renders the frames aside, and lets them appear by their times.
fn render_paced(scenario: &Scenario, out: &Path, times: f64) -> Outcome {
    make_folder(out)?;
    clear_left_behind(out);
    for rig in &scenario.rigs {
        refuse_a_photographers_folder(&out.join(&rig.name)).map_err(rehearsal_failed)?;
    }
    let failed = |e: std::io::Error| {
        let message = format!("cannot write in {}: {e}", out.display());
        Failure::new(Exit::Machine, Diagnostic::error("cannot-write", message))
    };
    let aside = tempfile::Builder::new().prefix(ASIDE).tempdir_in(out).map_err(failed)?;
    let truths = rendered(scenario, aside.path())?;
    let mut shown: Vec<(Instant, PathBuf, PathBuf)> = Vec::new();
    for truth in &truths {
        let (from, to) = (aside.path().join(&truth.rig), out.join(&truth.rig));
        make_folder(&to)?;
        for beside in ["shoot.ron", "truth.json"] {
            std::fs::rename(from.join(beside), to.join(beside)).map_err(failed)?;
        }
        let frames = truth.frames.iter().filter_map(|f| Some((Instant::parse_utc(&f.utc).ok()?, &f.file)));
        shown.extend(frames.map(|(at, file)| (at, from.join(file), to.join(file))));
    }
    shown.sort_by(|a, b| a.0.tt_seconds().total_cmp(&b.0.tt_seconds()));
    let Some(first) = shown.first().map(|s| s.0) else { return Ok(()) };
    let start = std::time::Instant::now();
    for (at, from, to) in shown {
        let due = Duration::from_secs_f64((at.seconds_since(first) / times).max(0.0));
        std::thread::sleep(due.saturating_sub(start.elapsed()));
        // By its mark it was written on the rehearsed night: at this pace nothing else tells `vigil` how far the camera's clock is off.
        let written = at.plus_seconds(WRITING_S).to_utc().as_duration();
        let written = std::time::SystemTime::UNIX_EPOCH + Duration::try_from(written).unwrap_or_default();
        let marked = std::fs::File::options().write(true).open(&from).and_then(|f| f.set_modified(written));
        marked.and_then(|()| std::fs::rename(&from, &to)).map_err(failed)?;
        say(&format!("{}", to.display()));
    }
    Ok(())
}

fn render(scenario: &Scenario, out: &Path, layout: Option<&Path>) -> Outcome {
    let truths = rendered(scenario, out)?;
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
