//! About how long a picture will take, before any of it is made.
//!
//! By rates measured on two cores (`benches/README.md`), for discs that are not kept from an earlier run. Neglected: slow disks, the
//! kind of the frames' files, what else the machine does. It is good to a factor of three, and says no more than whether
//! somebody should wait, come back later, or look at the layout again.

use crate::composition::Composition;
use crate::diag::Diagnostic;
use crate::ingest::Night;
use std::collections::BTreeSet;

/// Pixels a second and core: of the sheet and of the discs on it, drawn and written; of windows of frames, developed; of frames,
/// opened.
const DRAWN: f64 = 4e6;
const DEVELOPED: f64 = 10e6;
const OPENED: f64 = 25e6;

/// From so many seconds on it is said.
const LONG_S: f64 = 300.0;
/// And from so many on it is not begun: whatever was meant, it was not this. Three days by an estimate that may be three times
/// too high are a day.
const ABSURD_S: f64 = 72.0 * 3600.0;

/// What a picture is made of.
struct Work {
    sheet_px: f64,
    discs_px: f64,
    windows_px: f64,
    frames_px: f64,
}

impl Work {
    fn of(composition: &Composition, night: &Night) -> Work {
        let sheet_px = composition.width as f64 * composition.height as f64;
        let mut work = Work { sheet_px, discs_px: 0.0, windows_px: 0.0, frames_px: 0.0 };
        let mut opened = BTreeSet::new();
        for p in &composition.placements {
            let square = |radius: f64| (2.0 * radius).powi(2);
            work.discs_px += square(p.radius_px).min(sheet_px);
            work.windows_px += square(1.5 * p.source_radius_px) * (1 + p.also.len()) as f64;
            for name in std::iter::once(&p.frame).chain(p.also.iter().map(|c| &c.frame)) {
                if let Some(frame) = night.frame(name).filter(|_| opened.insert(name)) {
                    let rig = &night.rigs[frame.rig];
                    work.frames_px += (rig.width * rig.height) as f64;
                }
            }
        }
        work
    }

    fn seconds(&self, cores: usize) -> f64 {
        let core_s = (self.sheet_px + self.discs_px) / DRAWN + self.windows_px / DEVELOPED + self.frames_px / OPENED;
        core_s / cores.max(1) as f64
    }
}

fn in_words(seconds: f64) -> String {
    match seconds {
        s if s < 5400.0 => format!("{:.0} minutes", s / 60.0),
        s if s < 2.0 * 86_400.0 => format!("{:.0} hours", s / 3600.0),
        s => format!("{:.0} days", s / 86_400.0),
    }
}

/// Says so where a picture takes long.
///
/// # Errors
/// A [`Diagnostic`] where it would take absurdly long.
pub(super) fn foresee(composition: &Composition, night: &Night) -> Result<Option<Diagnostic>, Diagnostic> {
    judge(&Work::of(composition, night), composition.placements.len(), rayon::current_num_threads())
}

fn judge(work: &Work, discs: usize, cores: usize) -> Result<Option<Diagnostic>, Diagnostic> {
    let seconds = work.seconds(cores);
    if seconds < LONG_S {
        return Ok(None);
    }
    let megapixels = |px: f64| px / 1e6;
    let message = format!(
        "this picture takes about {}: {:.0} megapixels of sheet, {discs} discs of {:.0} megapixels together",
        in_words(seconds),
        megapixels(work.sheet_px),
        megapixels(work.discs_px)
    );
    if seconds > ABSURD_S {
        let help = "draw fewer discs, smaller ones, or a smaller sheet; `--longest-side` tries it small";
        return Err(Diagnostic::error("too-much-work", message).with_help(help));
    }
    Ok(Some(Diagnostic::note("long-work", message).with_help("`--longest-side 1600` shows it sooner")))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The bench's pictures: 70 megapixels with 40 discs take 6 s, a gigapixel from eight frames of 90 megapixels two minutes.
    #[test]
    fn pictures_of_the_bench_are_foreseen_within_a_factor_of_three() {
        let poster = Work { sheet_px: 70e6, discs_px: 35e6, windows_px: 40.0 * 4e5, frames_px: 40.0 * 1.4e6 };
        let giant = Work { sheet_px: 1e9, discs_px: 4e8, windows_px: 8.0 * 36e6, frames_px: 8.0 * 90e6 };
        for (work, measured) in [(poster, 6.1), (giant, 113.0)] {
            let ratio = work.seconds(2) / measured;
            assert!((1.0 / 3.0..3.0).contains(&ratio), "{ratio:.2} of {measured} s");
        }
    }

    #[test]
    fn long_work_is_said_and_absurd_work_refused() {
        let work = |discs_px: f64| Work { sheet_px: 1e9, discs_px, windows_px: 0.0, frames_px: 0.0 };
        assert_eq!(judge(&work(4e8), 8, 2), Ok(None));
        let said = judge(&work(2e10), 50, 2).unwrap().unwrap();
        assert!(said.message.contains("44 minutes") && said.message.contains("50 discs"), "{said}");
        let refused = judge(&work(4e12), 5000, 2).unwrap_err();
        assert!(refused.message.contains("6 days"), "{refused}");
    }
}
