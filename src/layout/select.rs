//! Which frames are shown.

use super::Layout;
use super::moments::moments;
use super::notation::{Missing, Selection, Unit};
use super::quality::{Quality, is_cut};
use super::wanted::{self, Moment};
use crate::diag::{Diagnostic, Warned};
use crate::ingest::Night;
use crate::registration::{FrameRegistration, Registration, Status};
use crate::sky::{LunarEclipse, apparent_moon};
use crate::units::Instant;

/// One place to be filled, with what is known of it.
#[derive(Clone, Debug)]
pub(super) struct Chosen<'a> {
    /// The frame; `None` for a disc that is to be simulated.
    pub registered: Option<&'a FrameRegistration>,
    pub instant: Option<Instant>,
    /// Frames of the same moment, to be merged into it.
    pub also: Vec<&'a FrameRegistration>,
    /// Which of the places it fills: gaps count.
    pub slot: usize,
}

impl<'a> Chosen<'a> {
    pub(super) fn alone(registered: &'a FrameRegistration) -> Self {
        Chosen { registered: Some(registered), instant: instant(registered), also: Vec::new(), slot: 0 }
    }

    /// The frame's name; of a simulated disc its instant.
    pub(super) fn name(&self) -> String {
        match (self.registered, self.instant) {
            (Some(f), _) => f.file.clone(),
            (None, Some(instant)) => format!("simulated {}", instant.to_iso_utc()),
            (None, None) => "simulated".into(),
        }
    }
}

/// When a registered frame was taken, the clock put right.
pub(super) fn instant(frame: &FrameRegistration) -> Option<Instant> {
    frame.time
}

/// How far from a moment a frame may lie unless the layout says, minutes.
const WITHIN_MINUTES: f64 = 5.0;

/// Chooses by a selection: measured discs of one rig, in the order of their times (or as `at` and `files` name
/// them).
pub(super) fn select<'a>(
    layout: &Layout,
    wanted: &Selection,
    night: &Night,
    registration: &'a Registration,
) -> Result<Warned<Vec<Chosen<'a>>>, Diagnostic> {
    if wanted.rig >= registration.rigs.len() {
        return Err(layout.fault(
            &["selection", "rig"],
            format!("there is no rig {}; the night has {}", wanted.rig, registration.rigs.len()),
            "rig 0 is the one with most frames; other cameras' frames come with --also",
        ));
    }
    let mut diagnostics = Vec::new();
    let chooser = Chooser { layout, wanted, night, registration };
    let mut chosen = match &wanted.files {
        Some(files) => chooser.by_name(files)?,
        None => chooser.measured(&mut diagnostics),
    };
    chooser.keep_between(&mut chosen)?;
    if let Some(merging) = layout.file.light.merge {
        chosen = moments(chosen, night, merging);
    }
    let mut chosen = match &wanted.at {
        Some(names) => chooser.at_moments(&chosen, names, &mut diagnostics)?,
        None => chooser.thinned(chosen, &mut diagnostics)?,
    };
    if wanted.at.is_none() {
        chosen.iter_mut().enumerate().for_each(|(i, c)| c.slot = i);
    }
    if chosen.is_empty() {
        return Err(Diagnostic::error("nothing-to-show", "no frame with a measured Moon is left to show")
            .with_help("look at `moonloom register … --csv FILE` and at the layout's `selection`"));
    }
    Ok(Warned { value: chosen, diagnostics })
}

struct Chooser<'a, 'b> {
    layout: &'b Layout,
    wanted: &'b Selection,
    night: &'b Night,
    registration: &'a Registration,
}

impl<'a> Chooser<'a, '_> {
    /// All that registration measured of the rig, good enough and not excluded.
    fn measured(&self, diagnostics: &mut Vec<Diagnostic>) -> Vec<Chosen<'a>> {
        let rig = self.wanted.rig;
        let shows = |f: &&FrameRegistration| f.status() == Status::Measured && !f.exclude && !f.foreground;
        let others = self.registration.frames.iter().filter(|f| f.rig != rig && shows(f)).count();
        // Whoever chose a rig knows of the others.
        if others > 0 && rig == 0 {
            diagnostics.push(
                Diagnostic::note(
                    "other-rigs-left-out",
                    format!("{others} frames of other rigs are left out; this layout shows those of rig {rig}"),
                )
                .with_help("choose another with `selection: (rig: 1)`"),
            );
        }
        let least = self.wanted.least_quality;
        let frames = self.registration.frames.iter().filter(|f| f.rig == rig && shows(f));
        frames.filter(|f| least <= 0.0 || self.rate(f) >= least).map(Chosen::alone).collect()
    }

    fn rate(&self, f: &FrameRegistration) -> f64 {
        Quality::of(self.registration, f.rig).rate(f, self.size_of(f))
    }

    fn size_of(&self, f: &FrameRegistration) -> (usize, usize) {
        self.registration.rigs.get(f.rig).map_or((0, 0), |r| (r.width, r.height))
    }

    fn by_name(&self, files: &[String]) -> Result<Vec<Chosen<'a>>, Diagnostic> {
        let fault = |message: String, help: &str| self.layout.fault(&["selection", "files"], message, help);
        files
            .iter()
            .map(|name| {
                let frame = self.registration.frame(name).ok_or_else(|| {
                    fault(format!("`{name}` is not among the frames"), "give file names without the folder")
                })?;
                if frame.exclude {
                    let help = "set `exclude: false` there, or leave the file out here";
                    return Err(fault(format!("`{name}` is excluded in the registration"), help));
                }
                if frame.centre().is_none() {
                    let help = "a gap stays a gap: choose a frame with a Moon";
                    return Err(fault(format!("no Moon is known in `{name}`"), help));
                }
                Ok(Chosen::alone(frame))
            })
            .collect()
    }

    fn moment(&self, field: &str, name: &str) -> Result<Moment, Diagnostic> {
        wanted::parse(name)
            .ok_or_else(|| self.layout.fault(&["selection", field], wanted::what_is_wrong(name), wanted::VALID))
    }

    fn keep_between(&self, chosen: &mut Vec<Chosen<'a>>) -> Result<(), Diagnostic> {
        let eclipse = wanted::eclipse_of(self.night);
        let bounds = [
            ("from", &self.wanted.from, true),
            ("from_utc", &self.wanted.from_utc, true),
            ("to", &self.wanted.to, false),
            ("to_utc", &self.wanted.to_utc, false),
        ];
        let mut first: Option<Instant> = None;
        for (field, name, later) in bounds {
            let Some(name) = name else { continue };
            let moment = self.moment(field, name)?;
            let bounds = wanted::instants(moment, self.night, eclipse.as_ref());
            let bound = if later { bounds.first() } else { bounds.last() }.copied();
            if bound.is_none() {
                let help = "choose a moment that it has";
                return Err(self.layout.fault(&["selection", field], format!("this eclipse has no `{name}`"), help));
            }
            if !later && bound.zip(first).is_some_and(|(to, from)| to < from) {
                let help = "exchange the two";
                return Err(self.layout.fault(&["selection", field], format!("`{name}` is before `from`"), help));
            }
            first = if later { bound.or(first) } else { first };
            if let Some(bound) = bound {
                chosen.retain(|c| c.instant.is_some_and(|i| if later { i >= bound } else { i <= bound }));
            }
        }
        Ok(())
    }

    /// The best frame near each wanted moment; a moment that has none stays a gap, or is simulated.
    fn at_moments(
        &self,
        chosen: &[Chosen<'a>],
        names: &[String],
        diagnostics: &mut Vec<Diagnostic>,
    ) -> Result<Vec<Chosen<'a>>, Diagnostic> {
        let eclipse = wanted::eclipse_of(self.night);
        let mut out = Vec::new();
        let mut slot = 0;
        for name in names {
            let instants = wanted::instants(self.moment("at", name)?, self.night, eclipse.as_ref());
            if instants.is_empty() {
                diagnostics.push(Diagnostic::warning("no-such-moment", format!("this eclipse has no `{name}`")));
            }
            for at in instants {
                match self.best_near(chosen, at) {
                    Some(best) => out.push(Chosen { slot, ..best }),
                    None if self.wanted.missing == Missing::Simulated && self.can_be_painted(at, eclipse.as_ref()) => {
                        out.push(Chosen { registered: None, instant: Some(at), also: Vec::new(), slot });
                    }
                    None => diagnostics.push(
                        Diagnostic::warning(
                            "moment-missed",
                            format!(
                                "no frame was taken within {} minutes of `{name}`; its place stays empty",
                                self.within()
                            ),
                        )
                        .with_help(self.remedy(at)),
                    ),
                }
                slot += 1;
            }
        }
        Ok(out)
    }

    /// Whether the Moon stood over the horizon of this eclipse's night: nothing else is painted.
    fn can_be_painted(&self, at: Instant, eclipse: Option<&LunarEclipse>) -> bool {
        let Some((observer, eclipse)) = self.night.observer().zip(eclipse) else { return false };
        let is_that_night = eclipse.greatest().seconds_since(at).abs() < 43_200.0;
        is_that_night && apparent_moon(&observer, at).airless.altitude.degrees() > -0.6
    }

    /// What to do about a moment without a frame.
    fn remedy(&self, at: Instant) -> String {
        let times = || self.night.frames.iter().filter_map(|f| f.time).map(|t| t.middle);
        let apart = times().map(|t| t.seconds_since(at).abs()).fold(f64::INFINITY, f64::min);
        match (times().next(), times().next_back()) {
            (Some(first), Some(last)) if apart > 3600.0 => {
                format!("the night's frames lie between {} and {}", first.to_iso_utc(), last.to_iso_utc())
            }
            _ => "widen `within_minutes`, or say `missing: Simulated` if the Moon stood over the horizon".into(),
        }
    }

    fn within(&self) -> f64 {
        self.wanted.within_minutes.unwrap_or(WITHIN_MINUTES)
    }

    /// The best frame near an instant: quality counts most, nearness decides among equals.
    fn best_near(&self, chosen: &[Chosen<'a>], at: Instant) -> Option<Chosen<'a>> {
        let reach = self.within() * 60.0;
        let near = chosen.iter().filter_map(|c| {
            let off = c.instant?.seconds_since(at).abs();
            let quality = c.registered.map_or(0.0, |f| self.rate(f));
            (off <= reach + 0.5).then(|| (quality - 0.5 * off / reach.max(1.0), c))
        });
        near.max_by(|a, b| a.0.total_cmp(&b.0)).map(|(_, c)| c.clone())
    }

    /// Fewer, by time, by distance and by number.
    fn thinned(
        &self,
        mut chosen: Vec<Chosen<'a>>,
        diagnostics: &mut Vec<Diagnostic>,
    ) -> Result<Vec<Chosen<'a>>, Diagnostic> {
        if let Some(minutes) = self.wanted.minutes_apart {
            // Half a second of grace: timers drift.
            let apart =
                |a: &Chosen<'_>, b: &Chosen<'_>| Some(b.instant?.seconds_since(a.instant?) >= minutes * 60.0 - 0.5);
            chosen = spaced(chosen, apart);
        }
        if let Some(length) = self.wanted.apart {
            let Some(observer) = self.night.observer() else {
                let help = "write `site` into shoot.ron, or use `minutes_apart`";
                return Err(self.layout.fault(&["selection", "apart"], "distances on the sky need the site", help));
            };
            if length.unit != Unit::Disc {
                let help = "write it like \"1.3disc\"";
                return Err(self.layout.fault(&["selection", "apart"], format!("`{length}` is not in discs"), help));
            }
            let apart = |a: &Chosen<'_>, b: &Chosen<'_>| {
                let (from, to) = (apparent_moon(&observer, a.instant?), apparent_moon(&observer, b.instant?));
                let angle = from.airless.direction().angle(&to.airless.direction());
                Some(angle >= length.value * 2.0 * to.semidiameter.radians())
            };
            chosen = spaced(chosen, apart);
        }
        if let Some(count) = self.wanted.count {
            if count > chosen.len() {
                let message = format!("{count} discs are asked for, and {} can be shown", chosen.len());
                diagnostics.push(
                    Diagnostic::warning("fewer-than-asked", message).with_help("places without a disc stay empty"),
                );
            } else if count < chosen.len() {
                chosen = self.spread(&chosen, count);
            }
        }
        Ok(chosen)
    }

    /// `count` of them, evenly spread over time (by index where times are missing); the best near each place where
    /// the layout gives it room.
    fn spread(&self, chosen: &[Chosen<'a>], count: usize) -> Vec<Chosen<'a>> {
        if count == 1 {
            return vec![chosen[chosen.len() / 2].clone()];
        }
        let all_timed = chosen.iter().all(|c| c.instant.is_some());
        let key = |i: usize| chosen[i].instant.filter(|_| all_timed).map_or(i as f64, Instant::tt_seconds);
        let (first, last) = (key(0), key(chosen.len() - 1));
        let reach = self.wanted.within_minutes.filter(|_| all_timed).map(|m| m * 60.0);
        // A disc that the frame's edge cuts counts as one place further off: it is taken only where no whole one is near.
        let place = (last - first) / (count - 1) as f64;
        let cut_by =
            |i: usize| chosen[i].registered.map_or(0.0, |f| if is_cut(f, self.size_of(f)) { place } else { 0.0 });
        let mut out: Vec<usize> = Vec::with_capacity(count);
        for k in 0..count {
            let want = first + (last - first) * k as f64 / (count - 1) as f64;
            let from = out.last().map_or(0, |i| i + 1);
            // Leave enough frames for those still to come.
            let to = chosen.len() - (count - 1 - k);
            let worth = |i: usize| {
                let off = (key(i) - want).abs();
                match reach {
                    Some(reach) if off <= reach => {
                        chosen[i].registered.map_or(0.0, |f| self.rate(f)) - 0.5 * off / reach
                    }
                    _ => -off - cut_by(i),
                }
            };
            out.extend((from..to).max_by(|&a, &b| worth(a).total_cmp(&worth(b))));
        }
        out.into_iter().map(|i| chosen[i].clone()).collect()
    }
}

/// The first, and each next that is far enough from the one before; what cannot be judged is left out.
fn spaced<'a>(chosen: Vec<Chosen<'a>>, apart: impl Fn(&Chosen<'_>, &Chosen<'_>) -> Option<bool>) -> Vec<Chosen<'a>> {
    let mut out: Vec<Chosen<'a>> = Vec::new();
    for c in chosen {
        let keep = match out.last() {
            Some(last) => apart(last, &c) == Some(true),
            None => c.instant.is_some(),
        };
        if keep {
            out.push(c);
        }
    }
    out
}
