//! `moonloom compose`: make a picture from a layout and a folder of frames.

use super::frames::registered;
use super::outcome::{Exit, Failure, Outcome, print, say, strict, tell};
use clap::Args;
use moonloom::compose::{ComposeRequest, check_targets, compose};
use moonloom::ingest::Night;
use moonloom::layout::{Gain, Layout, resolve};
use moonloom::register::Registration;
use std::path::PathBuf;
use std::time::Instant;

/// Make a picture from a layout and a folder of frames.
///
/// Frames are registered when needed; the registration is kept and used again while the frames are
/// unchanged, so that another layout renders at once.
#[derive(Args)]
pub struct ComposeArgs {
    /// The layout file (RON)
    layout: PathBuf,
    /// A folder of frames, or a registration made by `register`
    #[arg(value_name = "FRAMES_DIR|REGISTRATION")]
    frames: PathBuf,
    /// The picture: .tif, .png or .jpg
    #[arg(long, value_name = "FILE", required_unless_present = "dry_run")]
    out: Option<PathBuf>,
    /// A small JPEG of the picture besides
    #[arg(long, value_name = "FILE")]
    preview: Option<PathBuf>,
    /// Where registrations are kept (default: the user's cache folder)
    #[arg(long, value_name = "DIR")]
    cache: Option<PathBuf>,
    /// Say what would be drawn, and draw nothing
    #[arg(long)]
    dry_run: bool,
    /// With --dry-run: as JSON
    #[arg(long, requires = "dry_run")]
    json: bool,
    /// Warnings end the run with status 1
    #[arg(long)]
    strict: bool,
}

impl ComposeArgs {
    /// What `compose LAYOUT FRAMES --out OUT --preview PREVIEW` would be.
    pub fn for_folder(layout: PathBuf, frames: PathBuf, out: PathBuf, preview: PathBuf) -> Self {
        let (out, preview) = (Some(out), Some(preview));
        ComposeArgs { layout, frames, out, preview, cache: None, dry_run: false, json: false, strict: false }
    }
}

fn frames(args: &ComposeArgs, warnings: &mut usize) -> Result<(Night, Registration), Failure> {
    let targets = |night: &Night| match &args.out {
        Some(out) => check_targets(night, out, args.preview.as_deref()),
        None => Ok(()),
    };
    registered(&args.frames, args.cache.as_deref(), &targets, warnings)
}

pub fn run(args: &ComposeArgs) -> Outcome {
    let text = std::fs::read_to_string(&args.layout).map_err(|e| Failure::reading(&args.layout, &e))?;
    let layout = Layout::parse(&args.layout, &text).map_err(|d| Failure::new(Exit::BadRequest, d))?;
    let mut warnings = 0;
    let (night, registration) = frames(args, &mut warnings)?;
    let Some(out) = args.out.as_ref().filter(|_| !args.dry_run) else {
        return dry_run(args, &layout, (&night, &registration), warnings);
    };
    let start = Instant::now();
    let request = ComposeRequest {
        layout: &layout,
        night: &night,
        registration: &registration,
        out,
        preview: args.preview.as_deref(),
    };
    let (composition, diagnostics) = compose(&request)?;
    warnings += tell(&diagnostics);
    say(&format!(
        "{}: {} discs on {} x {} px in {:.1} s",
        out.display(),
        composition.placements.len(),
        composition.width,
        composition.height,
        start.elapsed().as_secs_f64()
    ));
    strict(args.strict, warnings)
}

fn dry_run(
    args: &ComposeArgs,
    layout: &Layout,
    (night, registration): (&Night, &Registration),
    earlier_warnings: usize,
) -> Outcome {
    let resolved =
        resolve(layout, night, registration).map_err(|d| moonloom::compose::ComposeError::Layout(Box::new(d)))?;
    let warnings = earlier_warnings + tell(&resolved.diagnostics);
    let c = resolved.value;
    if args.json {
        let json = serde_json::to_string_pretty(&c).unwrap_or_default();
        print(&(json + "\n"))?;
    } else {
        let mut table = format!("{} x {} px, {} discs\n", c.width, c.height, c.placements.len());
        table
            .push_str("frame              utc                       x_px      y_px  radius_px  turn_deg       light\n");
        for p in &c.placements {
            table.push_str(&format!(
                "{:<18} {:<24} {:>8.1}  {:>8.1}  {:>9.2}  {:>8.2}  {:>10}\n",
                p.frame,
                p.utc,
                p.centre().x,
                p.centre().y,
                p.radius_px,
                p.turn_rad.to_degrees(),
                match p.gain {
                    Gain::Factor(factor) => format!("x {factor:.3}"),
                    Gain::ToLevel(level) => format!("to {level:.2}"),
                }
            ));
        }
        print(&table)?;
    }
    strict(args.strict, warnings)
}
