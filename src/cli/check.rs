//! `moonloom check`: name every fault of a layout, and say what it would draw.

use super::compose::{can_be_drawn, read_layout, table};
use super::frames::joined;
use super::outcome::{Exit, Failure, Outcome, print, say, strict, tell};
use clap::Args;
use moonloom::compose::plan_picture;
use std::path::PathBuf;

/// Name every fault of a layout with its place and its remedy; with frames, say what would be drawn.
#[derive(Args)]
pub struct CheckArgs {
    /// The layout file (RON)
    layout: PathBuf,
    /// A folder of frames, or a registration made by `register`
    #[arg(value_name = "FRAMES_DIR|REGISTRATION")]
    frames: Option<PathBuf>,
    /// Frames of the same night from another camera
    #[arg(long, value_name = "FRAMES_DIR|REGISTRATION", requires = "frames")]
    also: Vec<PathBuf>,
    /// Where registrations are kept (default: the user's cache folder)
    #[arg(long, value_name = "DIR")]
    cache: Option<PathBuf>,
    /// Warnings end the run with status 1
    #[arg(long)]
    strict: bool,
}

pub fn run(args: &CheckArgs) -> Outcome {
    let layout = read_layout(&args.layout)?;
    moonloom::layout::beside(&layout).map_err(|d| Failure::new(Exit::BadRequest, d))?;
    let Some(frames) = &args.frames else {
        say(&format!("{} has no fault; give a folder of frames to see what it would draw", args.layout.display()));
        return Ok(());
    };
    let mut warnings = 0;
    let (night, registration) =
        joined(frames, &args.also, args.cache.as_deref(), &|night| can_be_drawn(&layout, night), &mut warnings)?;
    let planned = plan_picture(&layout, &night, &registration, None)?;
    warnings += tell(&planned.diagnostics);
    print(&table(&planned.value))?;
    strict(args.strict, warnings)
}
