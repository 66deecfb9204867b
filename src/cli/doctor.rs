//! `moonloom doctor`: what this machine gives the program, and whether the program finds a Moon on it.

use super::cache::user_cache;
use super::outcome::{Exit, Failure, Outcome, print, print_json};
use clap::Args;
use moonloom::diag::Diagnostic;
use moonloom::ingest::read_night;
use moonloom::score::Score;
use moonloom::simulate::{Scenario, rehearse};
use moonloom::sky::SERIES_RANGE;
use moonloom::solve::{ClockSource, register};
use serde::Serialize;
use std::path::{Path, PathBuf};
use std::time::Instant;

/// Say what this machine gives the program, and check it on a rehearsed frame.
#[derive(Args)]
pub struct DoctorArgs {
    /// As one JSON document
    #[arg(long)]
    json: bool,
}

/// Kinds of files, with one more where this build has it.
fn with(kinds: &[&'static str], has_more: bool, more: &'static str) -> Vec<&'static str> {
    kinds.iter().copied().chain(has_more.then_some(more)).collect()
}

#[derive(Serialize)]
struct Report {
    version: &'static str,
    reads: Vec<&'static str>,
    writes: Vec<&'static str>,
    threads: usize,
    memory_mb: u64,
    cache: Option<PathBuf>,
    cache_can_be_written: bool,
    ephemeris_from_year: f64,
    ephemeris_to_year: f64,
    self_check: SelfCheck,
}

/// A frame that the program itself takes, and what it finds in it.
#[derive(Serialize)]
struct SelfCheck {
    passed: bool,
    seconds: f64,
    says: String,
}

/// One camera, some frames of a telephoto lens.
const NIGHT: &str = r#"(
    version: 1,
    title: "Check",
    site: (latitude_deg: -31.9, longitude_deg: 115.75),
    eclipse: "2028-12-31",
    utc_offset: "+08:00",
    seed: 1,
    rigs: [(
        name: "check",
        camera: (model: "Check", width_px: 480, height_px: 360, pixel_pitch_um: 20.0, focal_length_mm: 400.0),
        mount: ReaimedTripod(scatter_px: 30.0),
        frames: (every_minutes: 90.0),
        exposures: [
            (from_umbral_fraction: 0.0, seconds: 0.005, f_number: 8.0, iso: 200.0),
            (from_umbral_fraction: 0.9, seconds: 1.0, f_number: 5.6, iso: 800.0),
        ],
        format: Jpeg(quality: 92),
    )],
)"#;
/// Largest error of a centre, pixels: three times what rehearsed frames of such a lens show in their worst twentieth.
const MOST_PX: f64 = 0.5;

fn self_check() -> Result<String, String> {
    let folder = tempfile::tempdir().map_err(|e| format!("no temporary folder can be made: {e}"))?;
    let scenario = Scenario::parse(Path::new("check.ron"), NIGHT).map_err(|d| d.to_string())?;
    let truths = rehearse(&scenario, folder.path(), &|_| {}).map_err(|e| e.to_string())?;
    let truth = truths.first().ok_or("nothing was rehearsed")?;
    let night = read_night(&folder.path().join(&truth.rig)).map_err(|e| e.to_string())?.value;
    let found = register(&night, ClockSource::Frames, &|_| {}).value;
    let score = Score::of(&found, truth);
    let worst = score.discs.iter().map(|d| d.centre_px()).fold(0.0, f64::max);
    if score.missed.is_empty() && score.false_discs.is_empty() && !score.discs.is_empty() && worst < MOST_PX {
        Ok(format!("{} rehearsed Moons found, the worst {worst:.2} px off", score.discs.len()))
    } else {
        Err(format!(
            "of {} rehearsed Moons {} were missed, {} were none, the worst is {worst:.2} px off",
            score.shown,
            score.missed.len(),
            score.false_discs.len()
        ))
    }
}

/// Whether a folder, or the nearest above it that is there, takes files.
fn can_be_written(folder: &Path) -> bool {
    folder.ancestors().find(|f| f.is_dir()).is_some_and(|there| tempfile::tempfile_in(there).is_ok())
}

fn report() -> Report {
    let (start, checked) = (Instant::now(), self_check());
    let cache = user_cache();
    Report {
        version: env!("CARGO_PKG_VERSION"),
        reads: with(&["JPEG", "PNG", "TIFF", "FITS"], cfg!(feature = "raw"), "camera raw"),
        writes: with(
            &with(&["TIFF", "PNG", "JPEG"], cfg!(feature = "exr"), "OpenEXR"),
            cfg!(feature = "video"),
            "AV1 in MP4",
        ),
        threads: rayon::current_num_threads(),
        memory_mb: moonloom::memory::limit() >> 20,
        cache_can_be_written: cache.as_deref().is_some_and(can_be_written),
        cache,
        ephemeris_from_year: *SERIES_RANGE.start(),
        ephemeris_to_year: *SERIES_RANGE.end(),
        self_check: SelfCheck {
            passed: checked.is_ok(),
            seconds: start.elapsed().as_secs_f64(),
            says: checked.unwrap_or_else(|why| why),
        },
    }
}

pub fn run(args: &DoctorArgs) -> Outcome {
    let report = report();
    if args.json {
        print_json(&report)?;
    } else {
        let cache = report.cache.as_ref().map_or("none".into(), |c| c.display().to_string());
        let writable =
            if report.cache_can_be_written { "" } else { " (cannot be written: nothing is kept from run to run)" };
        print(&format!(
            "moonloom {}\nreads      {}\nwrites     {}\nthreads    {}\nmemory     {} MB at most\ncache      {cache}{writable}\nephemeris  {:.0} to {:.0}\nself-check {} ({:.1} s)\n",
            report.version,
            report.reads.join(", "),
            report.writes.join(", "),
            report.threads,
            report.memory_mb,
            report.ephemeris_from_year,
            report.ephemeris_to_year,
            report.self_check.says,
            report.self_check.seconds,
        ))?;
    }
    if !report.self_check.passed {
        let message = format!("the self-check failed: {}", report.self_check.says);
        let help = "the program or the machine is at fault: trust no place that it finds here, and tell its makers";
        return Err(Failure::new(Exit::Machine, Diagnostic::error("self-check", message).with_help(help)));
    }
    Ok(())
}
