//! Which frames are shown.

use super::Layout;
use super::moments::moments;
use crate::diag::{Diagnostic, Warned};
use crate::ingest::Night;
use crate::register::{FrameRegistration, Registration, Status};
use crate::units::Instant;

/// One chosen frame with what is known of it.
#[derive(Clone, Debug)]
pub(super) struct Chosen<'a> {
    pub registered: &'a FrameRegistration,
    pub instant: Option<Instant>,
    /// Frames of the same moment, to be merged into it.
    pub also: Vec<&'a FrameRegistration>,
}

impl<'a> Chosen<'a> {
    pub(super) fn alone(registered: &'a FrameRegistration) -> Self {
        Chosen { registered, instant: instant(registered), also: Vec::new() }
    }
}

/// When a registered frame was taken, the clock put right.
pub(super) fn instant(frame: &FrameRegistration) -> Option<Instant> {
    frame.utc.as_deref().and_then(|t| Instant::parse_utc(t).ok())
}

/// Chooses by the layout's selection: measured discs of one rig, in the order of their times.
pub(super) fn select<'a>(
    layout: &Layout,
    night: &Night,
    registration: &'a Registration,
) -> Result<Warned<Vec<Chosen<'a>>>, Diagnostic> {
    let wanted = &layout.file.selection;
    let mut diagnostics = Vec::new();
    let mut chosen: Vec<Chosen<'a>> = match &wanted.files {
        Some(files) => by_name(layout, files, registration)?,
        None => registration
            .frames
            .iter()
            .filter(|f| f.rig == wanted.rig && f.status == Status::Measured && !f.exclude && !f.foreground)
            .map(Chosen::alone)
            .collect(),
    };
    if wanted.files.is_none() {
        let others = registration.frames.iter().filter(|f| f.rig != wanted.rig && f.status == Status::Measured).count();
        if others > 0 {
            diagnostics.push(
                Diagnostic::note(
                    "other-rigs-left-out",
                    format!(
                        "{others} frames of other rigs are left out; this layout shows those of rig {}",
                        wanted.rig
                    ),
                )
                .with_help("choose another with `selection: (rig: 1)`"),
            );
        }
    }
    if wanted.rig >= night.rigs.len() {
        return Err(layout.fault(
            &["selection", "rig"],
            format!("there is no rig {}; the night has {}", wanted.rig, night.rigs.len()),
            "rig 0 is the one with most frames",
        ));
    }
    for (bound, later) in [(&wanted.from_utc, true), (&wanted.to_utc, false)] {
        if let Some(bound) = bound.as_deref().and_then(|t| Instant::parse_utc(t).ok()) {
            chosen.retain(|c| c.instant.is_some_and(|i| if later { i >= bound } else { i <= bound }));
        }
    }
    if let Some(merging) = layout.file.light.merge {
        chosen = moments(chosen, night, merging);
    }
    if let Some(minutes) = wanted.minutes_apart {
        let mut last: Option<Instant> = None;
        chosen.retain(|c| {
            let keep = match (c.instant, last) {
                // Half a second of grace: timers drift.
                (Some(now), Some(before)) => now.seconds_since(before) >= minutes * 60.0 - 0.5,
                (now, _) => now.is_some(),
            };
            if keep {
                last = c.instant;
            }
            keep
        });
    }
    if let Some(count) = wanted.count
        && count < chosen.len()
    {
        chosen = spread(&chosen, count);
    }
    if chosen.is_empty() {
        return Err(Diagnostic::error("nothing-to-show", "no frame with a measured Moon is left to show")
            .with_help("look at `moonloom register … --csv FILE` and at the layout's `selection`"));
    }
    Ok(Warned { value: chosen, diagnostics })
}

/// `count` of them, evenly spread over time (by index where times are missing).
fn spread<'a>(chosen: &[Chosen<'a>], count: usize) -> Vec<Chosen<'a>> {
    if count == 1 {
        return vec![chosen[chosen.len() / 2].clone()];
    }
    let all_timed = chosen.iter().all(|c| c.instant.is_some());
    let key = |i: usize| chosen[i].instant.filter(|_| all_timed).map_or(i as f64, Instant::tt_seconds);
    let (first, last) = (key(0), key(chosen.len() - 1));
    let mut out: Vec<usize> = Vec::with_capacity(count);
    for k in 0..count {
        let want = first + (last - first) * k as f64 / (count - 1) as f64;
        let from = out.last().map_or(0, |i| i + 1);
        // Leave enough frames for those still to come.
        let to = chosen.len() - (count - 1 - k);
        if let Some(best) = (from..to).min_by(|&a, &b| (key(a) - want).abs().total_cmp(&(key(b) - want).abs())) {
            out.push(best);
        }
    }
    out.into_iter().map(|i| chosen[i].clone()).collect()
}

fn by_name<'a>(
    layout: &Layout,
    files: &[String],
    registration: &'a Registration,
) -> Result<Vec<Chosen<'a>>, Diagnostic> {
    files
        .iter()
        .map(|name| {
            let frame = registration.frame(name).ok_or_else(|| {
                layout.fault(
                    &["selection", "files"],
                    format!("`{name}` is not among the frames"),
                    "give file names without the folder",
                )
            })?;
            if frame.exclude {
                return Err(layout.fault(
                    &["selection", "files"],
                    format!("`{name}` is excluded in the registration"),
                    "set `exclude: false` there, or leave the file out here",
                ));
            }
            if frame.centre.is_none() {
                return Err(layout.fault(
                    &["selection", "files"],
                    format!("no Moon is known in `{name}`"),
                    "a gap stays a gap: choose a frame with a Moon",
                ));
            }
            Ok(Chosen::alone(frame))
        })
        .collect()
}
