//! `moonloom response`: recover a camera's own curve from bracketed frames.

use super::frames::joined;
use super::outcome::{Exit, Failure, Outcome, print, say, strict};
use clap::Args;
use moonloom::compose::protect_inputs;
use moonloom::diag::Diagnostic;
use moonloom::ingest::response_text;
use moonloom::raster::TransferFunction;
use moonloom::response::{Response, recover};
use moonloom::write::write_text;
use std::path::PathBuf;

/// Recover a camera's own curve from bracketed frames of the Moon.
///
/// A JPEG's values are not light: each camera has a curve of its own. Frames of one moment that differ in
/// exposure tell it. Write it beside the frames and name it in shoot.ron: `response: "response.csv"`.
#[derive(Args)]
pub struct ResponseArgs {
    /// A folder of frames, or a registration made by `register`
    #[arg(value_name = "FRAMES_DIR|REGISTRATION")]
    frames: PathBuf,
    /// Where to write the curve (CSV: value, red, green, blue)
    #[arg(long, value_name = "FILE")]
    out: Option<PathBuf>,
    /// Where registrations are kept (default: the user's cache folder)
    #[arg(long, value_name = "DIR")]
    cache: Option<PathBuf>,
    /// Warnings end the run with status 1
    #[arg(long)]
    strict: bool,
}

pub fn run(args: &ResponseArgs) -> Outcome {
    let mut warnings = 0;
    let targets = |night: &_| Ok(protect_inputs(night, args.out.as_deref().into_iter())?);
    let (night, registration) = joined(&args.frames, &[], args.cache.as_deref(), &targets, &mut warnings)?;
    let response = recover(&night, &registration).map_err(|e| {
        let help = "take the Moon at three or more shutter times within half a minute, from dark to clipped";
        Failure::new(Exit::CouldNot, Diagnostic::error("no-response", e.to_string()).with_help(help))
    })?;
    say(&format!(
        "a curve by {} moments; the frames contradict it by {:.2} stops",
        response.moments, response.residual_stops
    ));
    match &args.out {
        Some(path) => write_text(path, &response_text(&response.light))?,
        None => print(&table(&response))?,
    }
    strict(args.strict, warnings)
}

/// Light of some values, in stops against sRGB at its middle.
fn table(response: &Response) -> String {
    let mut out = String::from("value    red  green   blue   stops from sRGB (green)\n");
    let light = |c: usize, code: usize| f64::from(response.light[c][code]);
    let srgb = |code: usize| f64::from(TransferFunction::Srgb.decode(code as f32 / 255.0));
    let middle = light(1, 128) / srgb(128);
    for code in [13, 26, 51, 77, 102, 128, 153, 179, 204, 230, 250] {
        out.push_str(&format!(
            "{:>5.2}  {:>5.3}  {:>5.3}  {:>5.3}   {:>+5.2}\n",
            code as f64 / 255.0,
            light(0, code),
            light(1, code),
            light(2, code),
            (light(1, code) / srgb(code) / middle).log2()
        ));
    }
    out
}
