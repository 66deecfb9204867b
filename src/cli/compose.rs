//! `moonloom compose`: make a picture from a layout and a folder of frames.

use super::cache::user_cache;
use super::frames::joined;
use super::outcome::{Exit, Failure, Outcome, Progress, print, print_json, say, strict, tell};
use clap::Args;
use moonloom::compose::{
    ComposeError, ComposeRequest, PictureRequest, check_targets, compose_from_rows, compose_planned, compose_rows,
    plan_picture, protect,
};
use moonloom::composition::{Composition, Gain};
use moonloom::ingest::Night;
use moonloom::layout::{Layout, forecheck};
use moonloom::registration::Registration;
use std::path::{Path, PathBuf};
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
    /// The picture: .tif, .png, .exr or .jpg
    #[arg(long, value_name = "FILE", required_unless_present = "dry_run")]
    out: Option<PathBuf>,
    /// Frames of the same night from another camera: their rigs come after (`selection: (rig: 1)`)
    #[arg(long, value_name = "FRAMES_DIR|REGISTRATION")]
    also: Vec<PathBuf>,
    /// A small JPEG of the picture besides
    #[arg(long, value_name = "FILE")]
    preview: Option<PathBuf>,
    /// No side of the picture gets more pixels than this
    #[arg(long, value_name = "PIXELS", value_parser = clap::value_parser!(u32).range(16..=60_000))]
    longest_side: Option<u32>,
    /// Draw these rows alone, the last one not counted, as a part: a TIFF that --from-rows takes. Other runs draw the rest
    #[arg(long, value_name = "A..B", value_parser = rows, conflicts_with_all = ["preview", "dry_run"])]
    rows: Option<(usize, usize)>,
    /// Put the picture together from parts that --rows drew of it, all of them: the same file as one run makes
    #[arg(long, value_name = "PART", conflicts_with_all = ["rows", "dry_run"])]
    from_rows: Vec<PathBuf>,
    /// Where registrations and developed discs are kept (default: the user's cache folder)
    #[arg(long, value_name = "DIR")]
    cache: Option<PathBuf>,
    /// Say what would be drawn, and draw nothing
    #[arg(long)]
    dry_run: bool,
    /// What was drawn (or with --dry-run would be) as JSON on the standard output: every disc, its quality and its lift
    #[arg(long)]
    json: bool,
    /// Warnings end the run with status 1
    #[arg(long)]
    strict: bool,
}

impl ComposeArgs {
    /// What `compose LAYOUT FRAMES --out OUT --preview PREVIEW` would be.
    pub fn for_folder(layout: PathBuf, frames: PathBuf, out: PathBuf, preview: PathBuf) -> Self {
        let (out, preview) = (Some(out), Some(preview));
        ComposeArgs {
            layout,
            frames,
            out,
            also: Vec::new(),
            preview,
            longest_side: None,
            rows: None,
            from_rows: Vec::new(),
            cache: None,
            dry_run: false,
            json: false,
            strict: false,
        }
    }
}

/// `0..2000`: as many rows from the top.
fn rows(text: &str) -> Result<(usize, usize), String> {
    let read = || {
        let (from, until) = text.split_once("..")?;
        let (from, until): (usize, usize) = (from.trim().parse().ok()?, until.trim().parse().ok()?);
        (from < until).then_some((from, until))
    };
    read().ok_or_else(|| "write them like 0..2000".to_owned())
}

fn longest_side(args: &ComposeArgs) -> Option<usize> {
    args.longest_side.map(|side| side as usize)
}

fn frames(args: &ComposeArgs, layout: &Layout, warnings: &mut usize) -> Result<(Night, Registration), Failure> {
    let beforehand = |night: &Night| {
        if let Some(out) = &args.out {
            check_targets(night, out, args.preview.as_deref())?;
            // A registration is a frame's place in words; where a folder is given, the frames themselves are safe already.
            let given = std::iter::once(&args.frames).chain(&args.also).map(PathBuf::as_path);
            protect(given, [Some(out.as_path()), args.preview.as_deref()].into_iter().flatten())?;
        }
        can_be_drawn(layout, night)
    };
    joined(&args.frames, &args.also, args.cache.as_deref(), &beforehand, warnings)
}

/// Whether the night's records allow what the layout asks.
pub fn can_be_drawn(layout: &Layout, night: &Night) -> Result<(), Failure> {
    forecheck(layout, night).map_err(|d| ComposeError::Layout(Box::new(d)).into())
}

pub fn run(args: &ComposeArgs) -> Outcome {
    let layout = read_layout(&args.layout)?;
    let mut warnings = 0;
    let (night, registration) = frames(args, &layout, &mut warnings)?;
    let Some(out) = args.out.as_ref().filter(|_| !args.dry_run) else {
        return dry_run(args, &layout, (&night, &registration), warnings);
    };
    let start = Instant::now();
    let cache = args.cache.clone().or_else(user_cache);
    let picture = PictureRequest {
        cache: cache.as_deref(),
        longest_side: longest_side(args),
        ..PictureRequest::new(&layout, &night, &registration)
    };
    let planned = plan_picture(&layout, &night, &registration, longest_side(args))?;
    // Before the wait, not after it.
    warnings += tell(&planned.diagnostics);
    let request = ComposeRequest { picture, out, preview: args.preview.as_deref() };
    if let Some((from, until)) = args.rows {
        warnings += tell(&compose_rows(&request.picture, planned.value, from..until, out)?);
        say(&format!("{}: the rows {from}..{until} in {:.1} s", out.display(), start.elapsed().as_secs_f64()));
        return strict(args.strict, warnings);
    }
    let composition = if args.from_rows.is_empty() {
        let drawing = Progress::new("drawing");
        let watching = |drawn: f64| {
            drawing.reach(drawn);
            true
        };
        let picture = PictureRequest { watching: Some(&watching), ..request.picture };
        let made = compose_planned(&ComposeRequest { picture, ..request }, planned.value);
        drawing.end();
        let (composition, diagnostics) = made?;
        warnings += tell(&diagnostics);
        composition
    } else {
        compose_from_rows(&request, &planned.value, &args.from_rows)?;
        planned.value
    };
    say(&format!(
        "{}: {} discs on {} x {} px in {:.1} s",
        out.display(),
        composition.placements.len(),
        composition.width,
        composition.height,
        start.elapsed().as_secs_f64()
    ));
    if args.json {
        print_json(&composition)?;
    }
    strict(args.strict, warnings)
}

/// Reads a layout; of its faults the first is the failure, the others are told before it.
pub fn read_layout(path: &Path) -> Result<Layout, Failure> {
    let text = moonloom::files::read_text(path).map_err(|e| Failure::reading(path, &e))?;
    let (layout, mut faults) = Layout::examine(path, &text);
    match (layout, faults.pop()) {
        (Some(layout), None) => Ok(layout),
        (_, Some(last)) => {
            tell(&faults);
            Err(Failure::new(Exit::BadRequest, last))
        }
        (None, None) => unreachable!("a layout is read or has a fault"),
    }
}

fn dry_run(
    args: &ComposeArgs,
    layout: &Layout,
    (night, registration): (&Night, &Registration),
    earlier_warnings: usize,
) -> Outcome {
    let planned = plan_picture(layout, night, registration, longest_side(args))?;
    let warnings = earlier_warnings + tell(&planned.diagnostics);
    if args.json {
        print_json(&planned.value)?;
    } else {
        print(&table(&planned.value))?;
    }
    strict(args.strict, warnings)
}

/// What would be drawn, a line a disc.
pub fn table(c: &Composition) -> String {
    let mut table = format!("{} x {} px, {} discs\n", c.width, c.height, c.placements.len());
    table.push_str(
        "frame              rig  utc                       x_px      y_px  radius_px  turn_deg       light  quality\n",
    );
    for p in &c.placements {
        table.push_str(&format!(
            "{:<18} {:>3}  {:<24} {:>8.1}  {:>8.1}  {:>9.2}  {:>8.2}  {:>10}  {:>7}{}{}\n",
            p.frame,
            p.rig.map_or("-".into(), |rig| rig.to_string()),
            p.utc,
            p.centre().x,
            p.centre().y,
            p.radius_px,
            (p.turn_rad.to_degrees() + 180.0).rem_euclid(360.0) - 180.0,
            match p.gain {
                Gain::Factor(factor) => format!("x {factor:.3}"),
                Gain::ToLevel(level) => format!("to {level:.2}"),
            },
            p.quality.map_or("-".into(), |q| format!("{q:.2}")),
            p.lacks.map_or(String::new(), |word| format!(" {word}")),
            if p.also.is_empty() { String::new() } else { format!("  with {} more", p.also.len()) }
        ));
    }
    table
}
