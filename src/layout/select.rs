//! Which frames are shown.

use super::Layout;
use super::chosen::Chosen;
use super::moments::moments;
use super::notation::{Arrangement, Missing, RigChoice, Selection, Unit};
use super::wanted;
use crate::diag::{Diagnostic, Warned};
use crate::ingest::Night;
use crate::registration::{FrameRegistration, Quality, Rating, Registration, Status, is_cut};
use crate::sky::{Contact, LunarEclipse, apparent_moon};
use crate::units::Instant;

/// How far from a moment a frame may lie unless the layout says, minutes.
const WITHIN_MINUTES: f64 = 5.0;

/// Chooses by a selection for an arrangement: measured discs in the order of their times (or as `at` and `files` name
/// them).
pub(super) fn select<'a>(
    layout: &Layout,
    (arrangement, wanted): (&Arrangement, &Selection),
    night: &Night,
    registration: &'a Registration,
) -> Result<Warned<Vec<Chosen<'a>>>, Diagnostic> {
    if let Some(RigChoice::One(rig)) = wanted.rig
        && rig >= registration.rigs.len()
    {
        return Err(layout.fault(
            &["selection", "rig"],
            format!("there is no rig {rig}; the night has {}", registration.rigs.len()),
            "rig 0 is the one with most frames; other cameras' frames come with --also; `All` shows every one",
        ));
    }
    let mut diagnostics = Vec::new();
    let qualities = (0..registration.rigs.len()).map(|rig| Quality::of(registration, rig)).collect();
    let rigs = rigs_of(arrangement, wanted, registration);
    let chooser = Chooser { layout, arrangement, wanted, night, registration, qualities, rigs };
    let mut chosen = match &wanted.files {
        Some(files) => chooser.by_name(files)?,
        None => chooser.measured(&mut diagnostics),
    };
    chooser.keep_between(&mut chosen)?;
    if let Some(merging) = layout.file.light.merge {
        let (moments, said) = moments(chosen, night, merging);
        chosen = moments;
        diagnostics.extend(said);
    }
    let mut chosen = match &wanted.at {
        Some(names) => chooser.at_moments(&chosen, names, &mut diagnostics)?,
        None => chooser.thinned(chosen, &mut diagnostics)?,
    };
    if wanted.at.is_none() {
        chosen.iter_mut().enumerate().for_each(|(i, c)| c.slot = i);
    }
    chosen.iter_mut().for_each(|c| c.rating = c.registered.map(|f| chooser.rating(f)));
    if wanted.files.is_none() {
        diagnostics.extend(chooser.cut(&chosen));
    }
    if chosen.is_empty() {
        return Err(Diagnostic::error("nothing-to-show", "no frame with a measured Moon is left to show")
            .with_help("look at `moonloom register … --csv FILE` and at the layout's `selection`"));
    }
    Ok(Warned { value: chosen, diagnostics })
}

/// A bound that the night's eclipse does not have.
pub(super) fn no_such_moment(layout: &Layout, field: &str, name: &str) -> Diagnostic {
    layout.fault(&["selection", field], format!("this eclipse has no `{name}`"), "choose a moment that it has")
}

/// Distances on the sky where nobody knows from where.
pub(super) fn no_distance(layout: &Layout) -> Diagnostic {
    let help = "write `site` into shoot.ron, or use `minutes_apart`";
    layout.fault(&["selection", "apart"], "distances on the sky need the site", help)
}

/// A Moon smaller than this share of the largest rig's is shown only where it is asked for: enlarged, it would be a blot
/// beside the others.
const LEAST_SHARE: f64 = 1.0 / 3.0;

/// A rig that is shown, and its Moons' radius as a share of the largest rig's shown.
#[derive(Clone, Copy)]
struct ShownRig {
    index: usize,
    share: f64,
}

/// Whether a frame has a disc that may be chosen by itself.
fn may_be_shown(f: &FrameRegistration) -> bool {
    f.status() == Status::Measured && !f.exclude && !f.foreground
}

/// The rigs whose frames an arrangement shows.
fn rigs_of(arrangement: &Arrangement, wanted: &Selection, registration: &Registration) -> Vec<ShownRig> {
    let radius = |rig: usize| {
        let of_rig = registration.frames.iter().filter(|f| f.rig == rig && may_be_shown(f));
        let mut radii: Vec<f64> = of_rig.filter_map(FrameRegistration::radius_px).collect();
        radii.sort_by(f64::total_cmp);
        radii.get(radii.len() / 2).copied().unwrap_or(0.0)
    };
    let all = || (0..registration.rigs.len()).map(|index| (index, radius(index)));
    let mut shown: Vec<(usize, f64)> = match (wanted.rig, arrangement) {
        (Some(RigChoice::One(rig)), _) => vec![(rig, radius(rig))],
        (None, Arrangement::SkyTrack(_)) => vec![(0, radius(0))],
        _ => all().collect(),
    };
    let largest = shown.iter().map(|r| r.1).fold(0.0, f64::max).max(1e-9);
    if wanted.rig.is_none() {
        shown.retain(|r| r.1 >= LEAST_SHARE * largest || matches!(arrangement, Arrangement::SkyTrack(_)));
    }
    // Who asks for all of them weighs them alike.
    let share = |radius: f64| if wanted.rig.is_some() { 1.0 } else { radius / largest };
    shown.into_iter().map(|(index, radius)| ShownRig { index, share: share(radius) }).collect()
}

struct Chooser<'a, 'b> {
    layout: &'b Layout,
    arrangement: &'b Arrangement,
    wanted: &'b Selection,
    night: &'b Night,
    registration: &'a Registration,
    /// Of each rig.
    qualities: Vec<Quality>,
    rigs: Vec<ShownRig>,
}

impl<'a> Chooser<'a, '_> {
    /// All that registration measured of the rigs shown, good enough and not excluded.
    fn measured(&self, diagnostics: &mut Vec<Diagnostic>) -> Vec<Chosen<'a>> {
        let is_shown = |f: &&FrameRegistration| self.rigs.iter().any(|r| r.index == f.rig);
        let others = self.registration.frames.iter().filter(|f| may_be_shown(f) && !is_shown(f)).count();
        // Whoever chose a rig knows of the others.
        if others > 0 && matches!(self.wanted.rig, None | Some(RigChoice::One(0))) {
            let shown: Vec<String> = self.rigs.iter().map(|r| r.index.to_string()).collect();
            let rigs = if shown.len() == 1 { "rig" } else { "rigs" };
            let small = self.wanted.rig.is_none() && !matches!(self.arrangement, Arrangement::SkyTrack(_));
            let why = if small { ", whose Moons are the largest" } else { "" };
            diagnostics.push(
                Diagnostic::note(
                    "other-rigs-left-out",
                    format!(
                        "{others} frames of other rigs are left out; this layout shows those of {rigs} {}{why}",
                        shown.join(", ")
                    ),
                )
                .with_help("`selection: (rig: All)` shows every rig's, `rig: 0`, `rig: 1` … one"),
            );
        }
        let least = self.wanted.least_quality;
        let frames = self.registration.frames.iter().filter(|f| may_be_shown(f) && is_shown(f));
        let mut chosen: Vec<Chosen<'a>> =
            frames.filter(|f| least <= 0.0 || self.rate(f) >= least).map(Chosen::alone).collect();
        // Of several rigs the frames come one rig after another; those without a time stay last.
        let time = |c: &Chosen<'_>| c.instant.map_or(f64::INFINITY, Instant::tt_seconds);
        chosen.sort_by(|a, b| time(a).total_cmp(&time(b)));
        chosen
    }

    fn rating(&self, f: &FrameRegistration) -> Rating {
        let none = Rating { quality: 0.0, lacks: None };
        self.qualities.get(f.rig).map_or(none, |q| q.rate(f, self.registration.size_of(f)))
    }

    /// How good a frame is for this picture: of two equal discs the one with more pixels.
    fn rate(&self, f: &FrameRegistration) -> f64 {
        let share = self.rigs.iter().find(|r| r.index == f.rig).map_or(1.0, |r| r.share);
        self.rating(f).quality * share.sqrt()
    }

    /// Discs that a frame's edge cuts, though nobody named them: said, for they are shown cut.
    fn cut(&self, chosen: &[Chosen<'a>]) -> Option<Diagnostic> {
        let is_cut = |c: &&Chosen<'_>| c.registered.is_some_and(|f| is_cut(f, self.registration.size_of(f)));
        let cut: Vec<String> = chosen.iter().filter(is_cut).map(Chosen::name).collect();
        let (some, count) = (cut.iter().take(6).cloned().collect::<Vec<_>>().join(", "), cut.len());
        let more = if count > 6 { ", …" } else { "" };
        (count > 0).then(|| {
            Diagnostic::note(
                "discs-cut",
                format!("{count} discs are cut by their frames' edges or broken files: {some}{more}"),
            )
            .with_help("what lies beyond a frame's edge stays empty; `least_quality: 0.35` leaves such discs out")
        })
    }

    fn by_name(&self, files: &[String]) -> Result<Vec<Chosen<'a>>, Diagnostic> {
        let fault = |message: String, help: &str| self.layout.fault(&["selection", "files"], message, help);
        files
            .iter()
            .map(|name| {
                let frame = self
                    .registration
                    .frame(name)
                    .ok_or_else(|| self.layout.no_frame(&["selection", "files"], name, self.night))?;
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
            let moment = wanted::named(self.layout, field, name)?;
            let bounds = wanted::instants(moment, self.night, eclipse.as_ref());
            let bound = if later { bounds.first() } else { bounds.last() }.copied();
            if bound.is_none() {
                return Err(no_such_moment(self.layout, field, name));
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
            let instants = wanted::instants(wanted::named(self.layout, "at", name)?, self.night, eclipse.as_ref());
            if instants.is_empty() {
                diagnostics.push(Diagnostic::warning("no-such-moment", format!("this eclipse has no `{name}`")));
            }
            for at in instants {
                match self.best_near(chosen, at) {
                    Some(best) => out.push(Chosen { slot, ..best }),
                    None if self.wanted.missing == Missing::Simulated && self.can_be_painted(at, eclipse.as_ref()) => {
                        out.push(Chosen { registered: None, instant: Some(at), also: Vec::new(), slot, rating: None });
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
            let need = (minutes * 60.0 - 0.5).max(30.0 * minutes);
            let places: Vec<Option<f64>> = chosen.iter().map(|c| c.instant.map(Instant::tt_seconds)).collect();
            chosen = self.spaced(chosen, &places, |a, b| (b - a) / need);
        }
        if let Some(length) = self.wanted.apart {
            let observer = self.night.observer().ok_or_else(|| no_distance(self.layout))?;
            if length.unit != Unit::Disc {
                let help = "write it like \"1.3disc\"";
                return Err(self.layout.fault(&["selection", "apart"], format!("`{length}` is not in discs"), help));
            }
            let place = |c: &Chosen<'_>| {
                let seen = apparent_moon(&observer, c.instant?);
                Some((seen.airless.direction(), 2.0 * seen.semidiameter.radians()))
            };
            let places: Vec<_> = chosen.iter().map(place).collect();
            chosen = self.spaced(chosen, &places, |a, b| a.0.angle(&b.0) / (length.value * b.1));
        }
        if let Some(count) = self.wanted.count {
            if count > chosen.len() {
                let message = format!("{count} discs are asked for, and {} can be shown", chosen.len());
                diagnostics.push(
                    Diagnostic::warning("fewer-than-asked", message).with_help("places without a disc stay empty"),
                );
            } else if count < chosen.len() {
                let poor = self.poor(&chosen, count, diagnostics);
                chosen = self.spread(&chosen, &poor, count);
            }
        }
        Ok(chosen)
    }

    /// Which discs nobody would show (cut, drowned in noise or cloud), where enough others are left: one a little farther from
    /// its place shows more than they do. Whoever says how far a frame may lie gets what is there.
    fn poor(&self, chosen: &[Chosen<'a>], count: usize, diagnostics: &mut Vec<Diagnostic>) -> Vec<bool> {
        let is_poor = |c: &Chosen<'_>| c.registered.is_some_and(|f| self.rating(f).quality < Quality::POOR);
        let poor: Vec<String> = chosen.iter().filter(|c| is_poor(c)).map(Chosen::name).collect();
        if poor.is_empty() || self.wanted.within_minutes.is_some() || chosen.len() - poor.len() < count {
            return vec![false; chosen.len()];
        }
        let (some, more) = (poor.iter().take(6).cloned().collect::<Vec<_>>().join(", "), poor.len() > 6);
        let message = format!("poor discs are passed over: {some}{}", if more { ", …" } else { "" });
        diagnostics.push(Diagnostic::note("poor-passed-over", message).with_help(
            "enough better ones are left; `within_minutes` takes the best near each place, however poor, `files` any",
        ));
        chosen.iter().map(is_poor).collect()
    }

    /// As many as stand far enough apart, the better ones where there is a choice; what cannot be judged is left out.
    ///
    /// Of all chains whose neighbours are one spacing or more apart the most worthy, by dynamic programming: a disc is
    /// worth one and its quality, half a disc more deep in a mapped shadow, and loses a little for each spacing that it leaves empty before it, so that among
    /// equals the even spread wins. `apart`: the distance of two places over the least that is asked.
    fn spaced<P>(
        &self,
        chosen: Vec<Chosen<'a>>,
        places: &[Option<P>],
        apart: impl Fn(&P, &P) -> f64,
    ) -> Vec<Chosen<'a>> {
        /// What a gap of one spacing too much costs, of a disc's worth.
        const UNEVEN: f64 = 0.2;
        /// What a disc deep in the shadow is worth besides, where the shadow is mapped: the dark and the dim of totality are rated
        /// lower than any lit disc, and a map without them has no middle.
        const DEEP: f64 = 0.5;
        let deep = self.deep(&chosen);
        // The best chain that ends at each frame, and the one before it.
        let mut best: Vec<(f64, Option<usize>)> = vec![(f64::NEG_INFINITY, None); chosen.len()];
        for i in 0..chosen.len() {
            let Some(here) = &places[i] else { continue };
            let depth = if deep[i] { DEEP } else { 0.0 };
            let worth = 1.0 + chosen[i].registered.map_or(0.0, |f| self.rate(f)) + depth;
            best[i] = (worth, None);
            for j in 0..i {
                let Some(there) = &places[j] else { continue };
                let gap = apart(there, here);
                let chain = best[j].0 + worth - UNEVEN * (gap - 1.0).clamp(0.0, 1.0);
                if gap >= 1.0 && chain > best[i].0 {
                    best[i] = (chain, Some(j));
                }
            }
        }
        let mut at = (0..chosen.len())
            .filter(|&i| best[i].0.is_finite())
            .max_by(|&a, &b| best[a].0.total_cmp(&best[b].0).then(b.cmp(&a)));
        let mut keep = vec![false; chosen.len()];
        while let Some(i) = at {
            keep[i] = true;
            at = best[i].1;
        }
        chosen.into_iter().zip(keep).filter_map(|(c, kept)| kept.then_some(c)).collect()
    }

    /// Which discs of a map of the shadow are total, or within ten minutes of the middle of a partial eclipse.
    fn deep(&self, chosen: &[Chosen<'a>]) -> Vec<bool> {
        const NEAR_S: f64 = 600.0;
        let mapped = matches!(self.arrangement, Arrangement::ShadowMap(_));
        let is_umbral = |e: &LunarEclipse| e.at(Contact::U1).is_some();
        let Some(eclipse) = wanted::eclipse_of(self.night).filter(|e| mapped && is_umbral(e)) else {
            return vec![false; chosen.len()];
        };
        let greatest = eclipse.greatest();
        let (from, until) = eclipse
            .at(Contact::U2)
            .zip(eclipse.at(Contact::U3))
            .unwrap_or_else(|| (greatest.plus_seconds(-NEAR_S), greatest.plus_seconds(NEAR_S)));
        let is_deep = |at: Instant| at.seconds_since(from) >= 0.0 && until.seconds_since(at) >= 0.0;
        chosen.iter().map(|c| c.instant.is_some_and(is_deep)).collect()
    }

    /// `count` of them, evenly spread over time (by index where times are missing), the better ones where there is a
    /// choice.
    ///
    /// Each is worth its quality, less half of the best quality for standing half a place (or `within_minutes`, where
    /// that is given) from its even place, and by the square of that distance. Of all choices in the order of time the
    /// most worthy, by dynamic programming: no frame is taken where a better one is in reach, and no two neighbours
    /// where an even spread can be had.
    fn spread(&self, chosen: &[Chosen<'a>], poor: &[bool], count: usize) -> Vec<Chosen<'a>> {
        const AT_REACH: f64 = 0.5;
        /// A poor disc is taken for no place.
        const NEVER: f64 = -1e6;
        let all_timed = chosen.iter().all(|c| c.instant.is_some());
        let key = |i: usize| chosen[i].instant.filter(|_| all_timed).map_or(i as f64, Instant::tt_seconds);
        let (first, last) = (key(0), key(chosen.len() - 1));
        // One alone stands in the middle, and may be chosen from the middle half.
        let (start, place) = match count {
            1 => (0.5 * (first + last), 0.5 * (last - first)),
            _ => (first, (last - first) / (count - 1) as f64),
        };
        let half = (0.5 * place.abs()).max(1e-9);
        let within = self.wanted.within_minutes.filter(|_| all_timed).map(|m| m * 60.0);
        let reach = within.map_or(half, |w| w.min(half));
        let rate = |c: &Chosen<'_>| c.registered.map_or(0.0, |f| self.rate(f));
        let quality: Vec<f64> = chosen.iter().zip(poor).map(|(c, poor)| if *poor { NEVER } else { rate(c) }).collect();
        let worth = |k: usize, i: usize| {
            let off = (key(i) - start - place * k as f64) / reach;
            quality[i] - AT_REACH * off * off
        };
        // Best sum of the first k places where the k-th is frame i, and the frame of the place before.
        let mut sums: Vec<f64> = (0..chosen.len()).map(|i| worth(0, i)).collect();
        let mut before: Vec<Vec<usize>> = Vec::with_capacity(count);
        for k in 1..count {
            let mut next = vec![f64::NEG_INFINITY; chosen.len()];
            let mut from = vec![0; chosen.len()];
            let mut best = 0;
            for i in 1..chosen.len() {
                if sums[i - 1] > sums[best] {
                    best = i - 1;
                }
                (next[i], from[i]) = (sums[best] + worth(k, i), best);
            }
            sums = next;
            before.push(from);
        }
        let mut at = (0..chosen.len()).max_by(|&a, &b| sums[a].total_cmp(&sums[b])).unwrap_or(0);
        let mut out = vec![at];
        for from in before.iter().rev() {
            at = from[at];
            out.push(at);
        }
        out.into_iter().rev().map(|i| chosen[i].clone()).collect()
    }
}
