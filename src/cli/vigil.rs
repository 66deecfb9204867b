//! `moonloom vigil`: look at each frame as it is taken, and say what to change.

mod speaker;

use super::outcome::{Failure, Outcome, say, tell};
use super::values::{scenario, site, wrong};
use clap::Args;
use moonloom::diag::Warned;
use moonloom::sky::eclipse_within;
use moonloom::units::Instant;
use moonloom::vigil::{Heard, Said, Watch, Wishes};
use speaker::Speaker;
use std::path::{Path, PathBuf};
use std::time::Duration;

/// Look at each frame as it is taken, and say what to change.
///
/// The folder is the one that a tethered camera or a wireless card fills. Nothing is written into it, and no camera is
/// controlled. Ctrl-C ends it.
#[derive(Args)]
pub struct VigilArgs {
    /// The folder that fills with frames
    folder: PathBuf,
    /// The site, where no shoot.ron beside the frames says it: latitude and longitude in degrees
    #[arg(long, value_name = "LAT,LON[,ELEV]", allow_hyphen_values = true)]
    site: Option<String>,
    /// The plan's own file, as `plan` and `rehearse` take it: its site and its eclipse, where --site and --eclipse say no others
    #[arg(long, value_name = "FILE.ron")]
    rig: Option<PathBuf>,
    /// The eclipse of this UTC date (default: the one nearest to the frames)
    #[arg(long, value_name = "YYYY-MM-DD")]
    eclipse: Option<String>,
    /// How far a disc may trail during an exposure, pixels
    #[arg(long, value_name = "PIXELS", default_value_t = 2.0, value_parser = trail)]
    trail: f64,
    /// Judge the frames that are there, in the order of their times, and end
    #[arg(long)]
    once: bool,
    /// How many times faster than real a rehearsal's frames come (`rehearse --pace`)
    #[arg(long, value_name = "TIMES", default_value_t = 1.0, value_parser = pace)]
    pace: f64,
    /// One JSON document a line
    #[arg(long)]
    json: bool,
    /// Append every line to a file as well
    #[arg(long, value_name = "FILE")]
    log: Option<PathBuf>,
    /// Ring the terminal's bell with each urgent advice
    #[arg(long)]
    bell: bool,
}

fn trail(text: &str) -> Result<f64, String> {
    text.parse().ok().filter(|v| (0.1..=1000.0).contains(v)).ok_or_else(|| "0.1 to 1000".to_owned())
}

/// A pace, as many times real time.
pub fn pace(text: &str) -> Result<f64, String> {
    text.parse().ok().filter(|v| (0.1..=100_000.0).contains(v)).ok_or_else(|| "0.1 to 100000".to_owned())
}

/// Between two looks into the folder.
const PAUSE: Duration = Duration::from_millis(250);

pub fn run(args: &VigilArgs) -> Outcome {
    if !args.folder.is_dir() {
        return Err(wrong(format!("{} is no folder", args.folder.display()), "name the folder that fills with frames"));
    }
    let plan = args.rig.as_deref().map(scenario).transpose()?;
    let noted = match &plan {
        Some(plan) => Some(plan.site.observer().map_err(|e| wrong(e.to_string(), "correct the site in the rig file"))?),
        None => None,
    };
    let eclipse = args.eclipse.as_deref().or(plan.as_ref().map(|p| p.eclipse.as_str())).map(|date| {
        let noon = Instant::parse_utc(&format!("{date}T12:00:00Z")).ok();
        noon.and_then(|noon| eclipse_within(noon, 1.5)).ok_or_else(|| {
            wrong(format!("there is no lunar eclipse near {date}"), "`moonloom plan --list 2025..2035` lists them")
        })
    });
    let wishes = Wishes {
        observer: args.site.as_deref().map(site).transpose()?.or(noted),
        eclipse: eclipse.transpose()?,
        trail_px: Some(args.trail),
    };
    let mut speaker = Speaker::new(args, args.log.as_deref().map(open_log).transpose()?);
    let mut watch = Watch::new(&args.folder, wishes, args.pace);
    take_what_is_there(args, &mut watch, &mut speaker)?;
    if args.once {
        return Ok(());
    }
    say(&format!("watching {}; interrupt to end", args.folder.display()));
    loop {
        let had_one = watch.look(&mut |heard, vigil| speaker.hear(heard, vigil));
        speaker.show(&watch);
        if !had_one {
            std::thread::sleep(PAUSE);
        }
    }
}

/// The frames that are there already: their lines, and what holds after the last of them.
fn take_what_is_there(args: &VigilArgs, watch: &mut Watch, speaker: &mut Speaker<'_>) -> Outcome {
    match watch.there() {
        Ok(Warned { value: paths, diagnostics }) => {
            tell(&diagnostics);
            // What was to be said of frames that were taken before this began is past.
            speaker.catches_up = !args.once;
            for path in &paths {
                watch.take(path, &mut |heard, vigil| speaker.hear(heard, vigil));
                speaker.show(watch);
            }
        }
        Err(e) if args.once => return Err(e.into()),
        Err(e) => drop(tell(&[*Failure::from(e).diagnostic])),
    }
    speaker.catches_up = false;
    if !args.once {
        let standing = watch.vigil().standing().into_iter().cloned().collect();
        speaker.hear(Heard::Meanwhile(Said { advice: standing, settled: Vec::new() }), watch.vigil());
    }
    Ok(())
}

fn open_log(path: &Path) -> Result<std::fs::File, Failure> {
    let ending = path.extension().map(|e| e.to_string_lossy().to_lowercase()).unwrap_or_default();
    if !["log", "txt", "jsonl"].contains(&ending.as_str()) {
        return Err(wrong(format!("{} is no name of a log", path.display()), "end it in .log, .txt or .jsonl"));
    }
    std::fs::OpenOptions::new().append(true).create(true).open(path).map_err(|e| Failure::reading(path, &e))
}
