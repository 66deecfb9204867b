//! A film's pictures drawn, and written as they are shown.

#[cfg(feature = "video")]
use super::pace::at_rate;
use super::pace::{Pictures, Shown, delays, once, repeats};
use super::target::Target;
use crate::cli::outcome::{Failure, Progress};
#[cfg(feature = "video")]
use crate::cli::values::wrong;
use moonloom::compose::{ComposeError, Film, PictureRequest, check_targets};
use moonloom::diag::Diagnostic;
#[cfg(feature = "video")]
use moonloom::write::write_video;
use moonloom::write::{Delay, OutputSpec, PictureRecord, WriteError, write_animation, write_picture};

/// No side of a video has fewer pixels: its encoder takes none.
#[cfg(feature = "video")]
const LEAST_SIDE: usize = 16;

/// Draws the pictures and writes them as the target wants them.
pub fn write(
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

/// What is to be said, and what was written how often, one after another.
type Drawn = Result<(Vec<Diagnostic>, Vec<(Shown, usize)>), Failure>;

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
    // Those that follow each other alike are one entry.
    let alike = pictures.chunk_by(|(a, _), (b, _)| (a.picture, a.next_share) == (b.picture, b.next_share));
    Ok((drawn?, alike.map(|same| (same[0].0, same.len())).collect()))
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
    Ok((said, pictures.to_vec()))
}
