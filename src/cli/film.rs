//! `moonloom film`: the night as pictures that follow each other.

mod pace;

use super::cache::user_cache;
use super::compose::read_layout;
use super::frames::joined;
use super::outcome::{Exit, Failure, Outcome, Progress, print_json, say, strict, tell};
use super::values::{make_folder, wrong};
use clap::Args;
use moonloom::compose::{
    ComposeError, Film, PictureRequest, check_targets, output_spec, plan_film, protect, protect_inputs,
};
use moonloom::diag::Diagnostic;
#[cfg(feature = "video")]
use moonloom::layout::{ColourSpace, Output};
use moonloom::layout::{Gaps, Layout};
use moonloom::write::{Container, Delay, OutputSpec, PictureRecord, WriteError, write_animation, write_picture};
#[cfg(feature = "video")]
use moonloom::write::{video_can_say, write_video};
#[cfg(feature = "video")]
use pace::at_rate;
use pace::{Pace, Pictures, Shown, delays, once, repeats, shown};
use std::path::{Path, PathBuf};
use std::time::Instant;

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

/// No side of a video has fewer pixels: its encoder takes none.
#[cfg(feature = "video")]
const LEAST_SIDE: usize = 16;

/// What is taken without a layout.
const LAYOUT: &str = r##"(
    version: 2,
    canvas: (width: 1080, height: 1080, margin: 40, background: "black"),
    arrangement: PhaseGrid(columns: 1, rows: 1, up: North),
    labels: (text: "{utc:%H:%M}", size: 34),
)"##;

/// Where pictures go.
enum Target {
    Animation(PathBuf),
    #[cfg(feature = "video")]
    Video(PathBuf),
    /// Before and after the digits, and how many there are.
    Numbered {
        before: String,
        after: String,
        digits: usize,
    },
}

impl Target {
    fn of(out: &Path) -> Result<Self, Failure> {
        let name = out.to_string_lossy();
        let digits = name.matches('#').count();
        if digits == 0 {
            #[cfg(feature = "video")]
            if out.extension().is_some_and(|e| e.eq_ignore_ascii_case("mp4")) {
                return Ok(Target::Video(out.to_owned()));
            }
            return match Container::for_path(out) {
                Ok(Container::Png) => Ok(Target::Animation(out.to_owned())),
                _ => Err(wrong(
                    format!("{name} cannot hold a film"),
                    if cfg!(feature = "video") {
                        "end it in .mp4 or .png, or write numbered pictures: --out 'film/####.tif'"
                    } else {
                        "end it in .png, or write numbered pictures: --out 'film/####.tif'"
                    },
                )),
            };
        }
        let (before, after) = name.split_once(&"#".repeat(digits)).ok_or_else(|| {
            wrong(format!("the digits of {name} do not stand together"), "write them like film/####.png")
        })?;
        Container::for_path(Path::new(&format!("0{after}")))?;
        Ok(Target::Numbered { before: before.to_owned(), after: after.to_owned(), digits })
    }

    fn numbered(&self, number: usize) -> PathBuf {
        match self {
            Target::Animation(path) => path.clone(),
            #[cfg(feature = "video")]
            Target::Video(path) => path.clone(),
            Target::Numbered { before, after, digits } => format!("{before}{number:0digits$}{after}").into(),
        }
    }
}

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
    if let Some(what) = &film.record.cross_faded {
        say(&format!("cross-faded, which shows no moment that was seen: {what}"));
    }
    let spec = OutputSpec { record: Some(film.record.clone()), ..spec };
    let progress = Progress::new("drawing picture");
    let (said, written) = write(&mut film, &request, (&target, &spec), (&shown, args.rate), &progress)?;
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
            "pictures": film.pictures,
        }))?;
    }
    strict(args.strict, warnings)
}

/// Between which photographs a film is cross-faded, in words for its record.
fn cross_faded(film: &Film, shown: &[Shown]) -> Option<String> {
    let mut gaps: Vec<usize> = shown.iter().filter(|s| s.is_faded()).map(|s| s.picture).collect();
    gaps.dedup();
    let name = |k: usize| film.pictures.get(k).map_or("", |p| p.frame.as_str());
    let words: Vec<String> = gaps.iter().map(|k| format!("{} to {}", name(*k), name(k + 1))).collect();
    (!words.is_empty()).then(|| words.join(", "))
}

/// How long each photograph is seen, what it dissolves into counted to it.
fn seconds_of(shown: &[Shown], count: usize) -> Vec<f64> {
    let mut out = vec![0.0; count];
    shown.iter().for_each(|s| out[s.picture] += s.seconds);
    out
}

/// Draws the pictures and writes them as the target wants them.
fn write(
    film: &mut Film,
    request: &PictureRequest<'_>,
    (target, spec): (&Target, &OutputSpec),
    (shown, rate): (&[Shown], Option<f64>),
    progress: &Progress,
) -> Drawn {
    let size = (film.width, film.height);
    let durations: Vec<f64> = shown.iter().map(|s| s.seconds).collect();
    match target {
        Target::Animation(path) => {
            let to = |delays: &[Delay], lights: &mut Lights<'_>| write_animation(path, spec, size, delays, lights);
            animate(film, request, &once(shown, &delays(&durations)), &to, progress)
        }
        #[cfg(feature = "video")]
        Target::Video(path) => {
            if size.0.min(size.1) < LEAST_SIDE {
                return Err(wrong(
                    format!("a video of {} x {} pixels is too small", size.0, size.1),
                    "no side may have less than 16 pixels: see --longest-side and the layout's canvas",
                ));
            }
            let to = |delays: &[Delay], lights: &mut Lights<'_>| write_video(path, spec, size, delays, lights);
            let pictures = match rate {
                Some(rate) => at_rate(shown, &repeats(&durations, rate), rate),
                None => once(shown, &delays(&durations)),
            };
            animate(film, request, &pictures, &to, progress)
        }
        Target::Numbered { .. } => {
            let counts = rate.map_or_else(|| vec![1; shown.len()], |rate| repeats(&durations, rate));
            let pictures: Vec<(Shown, usize)> = shown.iter().copied().zip(counts).collect();
            number(film, request, (target, spec), &pictures, progress)
        }
    }
}

type Drawn = Result<(Vec<Diagnostic>, usize), Failure>;

/// Hands out the light of a film's pictures, one after another.
type Lights<'a> = dyn FnMut(usize) -> Option<Vec<f32>> + 'a;

/// Writes pictures that stand so long as one file.
type Writing<'a> = dyn Fn(&[Delay], &mut Lights<'_>) -> Result<(), WriteError> + Sync + 'a;

/// All pictures into one file. The encoder pulls, and so does the film: the pictures go through a channel of one.
fn animate(
    film: &mut Film,
    request: &PictureRequest<'_>,
    pictures: &Pictures,
    write: &Writing<'_>,
    progress: &Progress,
) -> Drawn {
    let delays: Vec<Delay> = pictures.iter().map(|(_, delay)| *delay).collect();
    let (send, receive) = std::sync::mpsc::sync_channel::<(usize, Vec<f32>)>(1);
    let (drawn, written) = std::thread::scope(|scope| {
        let delays = &delays;
        let writer = scope.spawn(move || {
            let mut held = Held::default();
            let written = write(delays, &mut |k| {
                let wanted = pictures[k].0;
                while !held.has(&wanted) {
                    held.take(receive.recv().ok()?);
                }
                held.light_of(&wanted)
            });
            // Those that are passed over at the end: nobody who still sends shall take that for a failure.
            written.inspect(|()| receive.iter().for_each(drop))
        });
        let drawn = film.draw(request, |k, light| -> Result<(), ComposeError> {
            progress.step(&(k + 1).to_string());
            // A writer that has given up says why itself, and no more is drawn for it.
            let ended = WriteError::Encode { path: request.night.folder.clone(), message: "the writer ended".into() };
            send.send((k, light)).map_err(|_| ComposeError::Write(ended))
        });
        drop(send);
        (drawn, writer.join())
    });
    match written {
        Ok(written) => written?,
        Err(panic) => std::panic::resume_unwind(panic),
    }
    Ok((drawn?, pictures.len()))
}

/// The last two photographs of a film: what is between them is made of both.
#[derive(Default)]
struct Held {
    before: Option<(usize, Vec<f32>)>,
    last: Option<(usize, Vec<f32>)>,
}

impl Held {
    fn take(&mut self, next: (usize, Vec<f32>)) {
        self.before = self.last.replace(next);
    }

    /// Whether what is shown can be made of them. Photographs that are seen for less than a picture are passed over.
    fn has(&self, shown: &Shown) -> bool {
        self.last.as_ref().is_some_and(|(at, _)| *at >= shown.picture + usize::from(shown.is_faded()))
    }

    fn light_of(&self, shown: &Shown) -> Option<Vec<f32>> {
        let (_, last) = self.last.as_ref()?;
        if !shown.is_faded() {
            return Some(last.clone());
        }
        let (_, before) = self.before.as_ref()?;
        let share = shown.next_share;
        Some(before.iter().zip(last).map(|(a, b)| a + (b - a) * share).collect())
    }
}

/// A file a picture, as often as it is seen.
fn number(
    film: &mut Film,
    request: &PictureRequest<'_>,
    (target, spec): (&Target, &OutputSpec),
    pictures: &[(Shown, usize)],
    progress: &Progress,
) -> Drawn {
    let (size, mut number) = ((film.width, film.height), 0);
    let mut held = Held::default();
    let mut left = pictures.iter().peekable();
    let as_seen =
        OutputSpec { record: spec.record.clone().map(|r| PictureRecord { cross_faded: None, ..r }), ..spec.clone() };
    let width = 3 * film.width;
    let mut said = film.draw(request, |k, light| -> Result<(), ComposeError> {
        progress.step(&(k + 1).to_string());
        held.take((k, light));
        while let Some((shown, count)) = left.next_if(|(shown, _)| held.has(shown)) {
            // Of a file's own picture it is said whether it was seen.
            let spec = if shown.is_faded() { spec } else { &as_seen };
            let light = held.light_of(shown).filter(|_| *count > 0).unwrap_or_default();
            for _ in 0..*count {
                number += 1;
                let path = target.numbered(number);
                check_targets(request.night, &path, None)?;
                write_picture(&path, spec, size, &mut |rows| light[rows.start * width..rows.end * width].to_vec())?;
            }
        }
        Ok(())
    })?;
    let next = target.numbered(number + 1);
    if next.exists() {
        let message = format!("{} and what follows it is of an earlier, longer film", next.display());
        said.push(
            Diagnostic::warning("earlier-pictures", message)
                .with_help("remove them, or write into an empty folder: a video program would show them as well"),
        );
    }
    Ok((said, number))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn digits_stand_where_the_name_has_them() {
        let of = |name: &str| Target::of(Path::new(name)).map_err(|f| f.diagnostic.message.clone());
        assert_eq!(of("film/f####.tif").unwrap().numbered(7), Path::new("film/f0007.tif"));
        assert!(of("film.tif").is_err_and(|m| m.contains("cannot hold a film")));
        assert!(of("a##b##.png").is_err());
        assert!(of("film.png").is_ok());
    }
}
