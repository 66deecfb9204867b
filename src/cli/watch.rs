//! `moonloom watch`: render a preview again whenever a layout or what it uses changes.
//!
//! Files are asked for their time of change a few times a second: that works on network shares and in containers,
//! where a system's own notices do not reach.

use super::cache::user_cache;
use super::compose::read_layout;
use super::frames::joined;
use super::outcome::{Failure, Outcome, say, tell};
use clap::Args;
use moonloom::compose::{ComposeRequest, PictureRequest, check_targets, compose};
use moonloom::ingest::Night;
use moonloom::registration::Registration;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant, SystemTime};

/// Render a preview again whenever the layout, a file beside it, or the frames change; go on after errors.
#[derive(Args)]
pub struct WatchArgs {
    /// The layout file (RON)
    layout: PathBuf,
    /// A folder of frames, or a registration made by `register`
    #[arg(value_name = "FRAMES_DIR|REGISTRATION")]
    frames: PathBuf,
    /// Frames of the same night from another camera
    #[arg(long, value_name = "FRAMES_DIR|REGISTRATION")]
    also: Vec<PathBuf>,
    /// The picture that is made again and again: .jpg, .png or .tif
    #[arg(long, value_name = "FILE")]
    preview: PathBuf,
    /// No side of it gets more pixels than this
    #[arg(long, value_name = "PIXELS", default_value_t = 1600,
          value_parser = clap::value_parser!(u32).range(16..=60_000))]
    longest_side: u32,
    /// Where registrations and developed discs are kept (default: the user's cache folder)
    #[arg(long, value_name = "DIR")]
    cache: Option<PathBuf>,
}

const PAUSE: Duration = Duration::from_millis(200);

/// Names, lengths and times of change of files.
type Seen = Vec<(PathBuf, u64, Option<SystemTime>)>;

/// Endings of what a layout may use from beside it.
const BESIDE: [&str; 7] = ["ron", "png", "tif", "tiff", "jpg", "otf", "ttf"];

/// Files themselves, and those right inside folders.
fn scan(paths: &[&Path], but: &Path, is_used: &dyn Fn(&str) -> bool) -> Seen {
    let mut out = Seen::new();
    let mut add = |path: PathBuf| {
        if let Ok(m) = std::fs::metadata(&path)
            && m.is_file()
            && !is_same(&path, but)
            && path.extension().is_some_and(|e| is_used(&e.to_string_lossy().to_ascii_lowercase()))
            && !path.file_name().is_some_and(|n| n.to_string_lossy().starts_with('.'))
        {
            out.push((path, m.len(), m.modified().ok()));
        }
    };
    for path in paths {
        if path.is_dir() {
            std::fs::read_dir(path).into_iter().flatten().flatten().for_each(|e| add(e.path()));
        } else {
            add(path.to_path_buf());
        }
    }
    out.sort();
    out
}

/// Whether two names mean one file.
fn is_same(a: &Path, b: &Path) -> bool {
    a == b || matches!((a.canonicalize(), b.canonicalize()), (Ok(a), Ok(b)) if a == b)
}

pub fn run(args: &WatchArgs) -> Outcome {
    // Masks and fonts stand beside the layout.
    let beside = args.layout.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let layouts = || scan(&[&args.layout, beside], &args.preview, &|ending| BESIDE.contains(&ending));
    let mut sources: Vec<&Path> = vec![&args.frames];
    sources.extend(args.also.iter().map(PathBuf::as_path));
    let frames = || scan(&sources, &args.preview, &|_| true);
    let (mut drawn, mut read): (Option<Seen>, Option<Seen>) = (None, None);
    let mut night: Option<(Night, Registration)> = None;
    say(&format!("watching {}; interrupt to end", args.layout.display()));
    loop {
        let (now, there) = (layouts(), frames());
        if read.as_ref() != Some(&there) {
            let target = |n: &Night| Ok(check_targets(n, &args.preview, None)?);
            night = told(joined(&args.frames, &args.also, args.cache.as_deref(), &target, &mut 0));
            (read, drawn) = (Some(there), None);
        }
        if drawn.as_ref() != Some(&now) {
            if let Some((night, registration)) = &night {
                let _ = told(draw(args, night, registration));
            }
            drawn = Some(now);
        }
        std::thread::sleep(PAUSE);
    }
}

/// The value, or the failure told: the watch goes on.
fn told<T>(result: Result<T, Failure>) -> Option<T> {
    result.map_err(|f| tell(std::slice::from_ref(&f.diagnostic))).ok()
}

fn draw(args: &WatchArgs, night: &Night, registration: &Registration) -> Outcome {
    let start = Instant::now();
    let layout = read_layout(&args.layout)?;
    let cache = args.cache.clone().or_else(user_cache);
    let picture = PictureRequest {
        cache: cache.as_deref(),
        longest_side: Some(args.longest_side as usize),
        ..PictureRequest::new(&layout, night, registration)
    };
    let request = ComposeRequest { picture, out: &args.preview, preview: None };
    let (composition, diagnostics) = compose(&request)?;
    tell(&diagnostics);
    say(&format!(
        "{}: {} discs on {} x {} px in {:.2} s",
        args.preview.display(),
        composition.placements.len(),
        composition.width,
        composition.height,
        start.elapsed().as_secs_f64()
    ));
    Ok(())
}
