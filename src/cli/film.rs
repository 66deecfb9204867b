//! `moonloom film`: the night as pictures that follow each other.

mod pace;
mod target;
mod writing;

use super::cache::user_cache;
use super::compose::read_layout;
use super::frames::joined;
use super::outcome::{Exit, Failure, Outcome, Progress, print_json, say, strict, tell};
use super::values::{make_folder, wrong};
use clap::Args;
use moonloom::compose::{Film, PictureRequest, output_spec, plan_film, protect, protect_inputs};
#[cfg(feature = "video")]
use moonloom::layout::{ColourSpace, Output};
use moonloom::layout::{Gaps, Layout};
use moonloom::write::OutputSpec;
#[cfg(feature = "video")]
use moonloom::write::video_can_say;
use pace::{Pace, Shown, shown};
use std::path::{Path, PathBuf};
use std::time::Instant;
use target::Target;
use writing::write;

/// Make a steady film: one disc after another on the same place, evened together; or a picture that fills, disc by disc.
///
/// Every disc is a photograph; none is made up between two, unless the layout asks for cross-fades in the night's gaps:
/// `film: (gaps: CrossFaded)`.
#[derive(Args)]
pub struct FilmArgs {
    /// A folder of frames, or a registration made by `register`
    #[arg(value_name = "FRAMES_DIR|REGISTRATION")]
    frames: PathBuf,
    /// A video (film.mp4: AV1, ten bits), an animated PNG (film.png), or numbered pictures (film/####.png, .tif): each # is a digit
    #[arg(long, value_name = "FILE")]
    out: PathBuf,
    /// A layout. Of one cell, `PhaseGrid(columns: 1, rows: 1)`, it shows one disc after another (default: 1080 x 1080, north
    /// up, the time below); any other fills with them: the drift trail grows over its landscape
    #[arg(long, value_name = "FILE.ron")]
    layout: Option<PathBuf>,
    /// How long the film lasts, seconds
    #[arg(long, value_name = "SECONDS", default_value_t = 20.0)]
    seconds: f64,
    /// What goes evenly: the night's time, gaps and all, or the photographs
    #[arg(long, value_enum, default_value_t = Pace::Time, value_name = "PACE")]
    pace: Pace,
    /// Pictures a second, of a video or numbered ones; a photograph is written as often as it is seen. Without this each is
    /// written once, and a video shows it as long as it stands; a cross-fade has 25 a second
    #[arg(long, value_name = "PICTURES")]
    rate: Option<f64>,
    /// Frames of the same night from another camera
    #[arg(long, value_name = "FRAMES_DIR|REGISTRATION")]
    also: Vec<PathBuf>,
    /// No side of a picture gets more pixels than this
    #[arg(long, value_name = "PIXELS", value_parser = clap::value_parser!(u32).range(16..=60_000))]
    longest_side: Option<u32>,
    /// Where registrations and developed discs are kept (default: the user's cache folder)
    #[arg(long, value_name = "DIR")]
    cache: Option<PathBuf>,
    /// What each picture shows, as JSON on the standard output
    #[arg(long)]
    json: bool,
    /// Warnings end the run with status 1
    #[arg(long)]
    strict: bool,
}

/// What is taken without a layout.
const LAYOUT: &str = r##"(
    version: 2,
    canvas: (width: 1080, height: 1080, margin: 40, background: "black"),
    arrangement: PhaseGrid(columns: 1, rows: 1, up: North),
    labels: (text: "{utc:%H:%M}", size: 34),
)"##;

/// What cannot be made whatever the night: said before a frame is looked at.
fn check(args: &FilmArgs) -> Result<(), Failure> {
    if !(0.1..=36_000.0).contains(&args.seconds) || args.rate.is_some_and(|r| !(0.1..=240.0).contains(&r)) {
        return Err(wrong(
            "a film lasts 0.1 to 36,000 seconds, with 0.1 to 240 pictures a second".into(),
            "correct --seconds or --rate",
        ));
    }
    if args.rate.is_some_and(|rate| rate * args.seconds < 0.5) {
        return Err(wrong("such a film would have no picture".into(), "raise --rate or --seconds"));
    }
    Ok(())
}

/// How pictures are written, all but how the film was made; a video's codes are those of a picture of sixteen bits before they are its
/// own. A colour space that video has no number for lies within Rec. 2020, which it has one for.
fn spec_of(target: &Target, layout: &Layout) -> Result<OutputSpec, Failure> {
    #[cfg(feature = "video")]
    if let Target::Video(_) = target {
        let wanted = layout.file.output;
        let spec = output_spec(Path::new("film.png"), wanted)?;
        if video_can_say(&spec.space) {
            return Ok(spec);
        }
        say(&format!("a video cannot say {:?}: it is written in Rec2020", wanted.colour_space));
        return Ok(output_spec(Path::new("film.png"), Output { colour_space: ColourSpace::Rec2020, ..wanted })?);
    }
    Ok(output_spec(&target.numbered(1), layout.file.output)?)
}

pub fn run(args: &FilmArgs) -> Outcome {
    check(args)?;
    let target = Target::of(&args.out)?;
    let layout = match &args.layout {
        Some(path) => read_layout(path)?,
        None => Layout::parse(Path::new("film.ron"), LAYOUT).map_err(|d| Failure::new(Exit::BadRequest, d))?,
    };
    if matches!(target, Target::Numbered { .. }) && args.rate.is_none() && layout.file.film.gaps == Gaps::CrossFaded {
        let what = "numbered pictures of a film that cross-fades need to be so many a second";
        return Err(wrong(what.into(), "give --rate 25, or let the layout say `film: (gaps: Held)`"));
    }
    let spec = spec_of(&target, &layout)?;
    // Pictures that are numbered get a folder of their own.
    if matches!(target, Target::Numbered { .. })
        && let Some(folder) = target.numbered(1).parent().filter(|f| !f.as_os_str().is_empty())
    {
        make_folder(folder)?;
    }
    let mut warnings = 0;
    let beforehand = |night: &moonloom::ingest::Night| {
        protect_inputs(night, std::iter::once(target.numbered(1).as_path()))?;
        let given = std::iter::once(&args.frames).chain(&args.also).map(PathBuf::as_path);
        Ok(protect(given, std::iter::once(target.numbered(1).as_path()))?)
    };
    let (night, registration) = joined(&args.frames, &args.also, args.cache.as_deref(), &beforehand, &mut warnings)?;
    let start = Instant::now();
    let cache = args.cache.clone().or_else(user_cache);
    let request = PictureRequest {
        cache: cache.as_deref(),
        longest_side: args.longest_side.map(|side| side as usize),
        ..PictureRequest::new(&layout, &night, &registration)
    };
    let planned = plan_film(&request)?;
    warnings += tell(&planned.diagnostics);
    let mut film = planned.value;
    let shown = shown(&film, args.pace, layout.file.film.gaps, (args.seconds, args.rate));
    film.record.cross_faded = cross_faded(&film, &shown);
    match &film.record.cross_faded {
        Some(what) => say(&format!("cross-faded, which shows no moment that was seen: {what}")),
        None if layout.file.film.gaps == Gaps::CrossFaded => say(&pace::no_gap(&film, args.pace)),
        None => {}
    }
    let spec = OutputSpec { record: Some(film.record.clone()), ..spec };
    let progress = Progress::new("drawing picture");
    let (said, pictures) = write(&mut film, &request, (&target, &spec), (&shown, args.rate), &progress)?;
    let written: usize = pictures.iter().map(|(_, count)| count).sum();
    progress.end();
    warnings += tell(&said);
    say(&format!(
        "{}: {written} pictures of {} x {} px from {} photographs, {:.1} s of film, in {:.1} s",
        args.out.display(),
        film.width,
        film.height,
        film.pictures.len(),
        args.seconds,
        start.elapsed().as_secs_f64()
    ));
    if args.json {
        print_json(&serde_json::json!({
            "schema": "moonloom-film-1",
            "seconds": seconds_of(&shown, film.pictures.len()),
            "cross_faded": film.record.cross_faded,
            "cross_faded_between": faded_between(&film, &shown),
            "written": numbers(&pictures),
            "pictures": film.pictures,
        }))?;
    }
    strict(args.strict, warnings)
}

/// Between which photographs a film is cross-faded, by their names.
fn faded_between<'a>(film: &'a Film, shown: &[Shown]) -> Vec<[&'a str; 2]> {
    let mut gaps: Vec<usize> = shown.iter().filter(|s| s.is_faded()).map(|s| s.picture).collect();
    gaps.dedup();
    let name = |k: usize| film.pictures.get(k).map_or("", |p| p.frame.as_str());
    gaps.iter().map(|k| [name(*k), name(k + 1)]).collect()
}

/// The same in words, for its record.
fn cross_faded(film: &Film, shown: &[Shown]) -> Option<String> {
    let words: Vec<String> = faded_between(film, shown).iter().map(|[from, to]| format!("{from} to {to}")).collect();
    (!words.is_empty()).then(|| words.join(", "))
}

/// What each written picture shows: the first of those alike, how many they are, the photograph, counted from nought, and what share
/// of it is the next one.
fn numbers(pictures: &[(Shown, usize)]) -> Vec<serde_json::Value> {
    let mut first = 1;
    let told = pictures.iter().filter(|(_, count)| *count > 0).map(|(shown, count)| {
        let from = first;
        first += count;
        let (photograph, next_share) = (shown.picture, shown.next_share);
        serde_json::json!({ "first": from, "count": count, "photograph": photograph, "next_share": next_share })
    });
    told.collect()
}

/// How long each photograph is seen, what it dissolves into counted to it.
fn seconds_of(shown: &[Shown], count: usize) -> Vec<f64> {
    let mut out = vec![0.0; count];
    shown.iter().for_each(|s| out[s.picture] += s.seconds);
    out
}
