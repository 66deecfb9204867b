//! Which frames are shown: one of each bracket and burst (`bursts`), near moments (`near`), or evenly spread (`spread`).

mod bursts;
mod near;
mod spread;

use super::Layout;
use super::chosen::Chosen;
use super::moments::moments;
use super::notation::{Arrangement, RigChoice, Selection, Unit};
use super::wanted;
use crate::diag::{Diagnostic, Warned};
use crate::ingest::Night;
use crate::registration::{FrameRegistration, Quality, Rating, Registration, Status, is_cut};
use crate::sky::apparent_moon;
use crate::units::Instant;

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
    } else if wanted.files.is_none() {
        let (moments, said) = chooser.one_of_each_burst(chosen);
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
        diagnostics.extend(burnt(&chosen));
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
pub fn may_be_shown(f: &FrameRegistration) -> bool {
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

/// Of what the umbra covers so much may be white before the phase is lost: bloom widens a well exposed crescent by less.
const BURNT_OVER: f64 = 0.25;
/// Less in the umbra is no bite that anybody misses.
const LEAST_BITE: f64 = 0.05;

/// Discs that are white where the Sun did not light them, in their own bloom: they show another phase than the Moon had, and look
/// whole.
fn burnt(chosen: &[Chosen<'_>]) -> Option<Diagnostic> {
    let of_frame = |f: &FrameRegistration| Some((f.fit()?.saturated_share, f.umbral_fraction?));
    let is_burnt = |c: &&Chosen<'_>| c.registered.and_then(of_frame).is_some_and(hides_its_phase);
    let burnt: Vec<String> = chosen.iter().filter(is_burnt).map(Chosen::name).collect();
    let (some, count) = (the_first(&burnt), burnt.len());
    (count > 0).then(|| {
        let message = format!(
            "{count} discs are so burnt that they hide their phase: they are white where the Sun did not light them ({some})"
        );
        Diagnostic::warning("phase-burnt-out", message)
            .with_help("shorter exposures would show the bite; `selection: (files: …)` names the frames to show instead")
    })
}

/// Whether the white of a disc covers what lies in the umbra: shares of the disc.
fn hides_its_phase((white, umbral): (f64, f64)) -> bool {
    umbral > LEAST_BITE && white - (1.0 - umbral) > BURNT_OVER * umbral
}

/// The first of some names.
fn the_first(names: &[String]) -> String {
    const SHOWN: usize = 6;
    let more = if names.len() > SHOWN { ", …" } else { "" };
    names.iter().take(SHOWN).cloned().collect::<Vec<_>>().join(", ") + more
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
        let (some, count) = (the_first(&cut), cut.len());
        (count > 0).then(|| {
            Diagnostic::note(
                "discs-cut",
                format!("{count} discs are cut by their frames' edges or broken files: {some}"),
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
                diagnostics.push(Diagnostic::warning("fewer-than-asked", message).with_help(
                    "a grid is drawn with fewer cells, unless `disc_diameter` is given; other places stay empty",
                ));
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
        let poor: Vec<String> = chosen.iter().filter(|c| self.is_poor(c)).map(Chosen::name).collect();
        if poor.is_empty() || self.wanted.within_minutes.is_some() || chosen.len() - poor.len() < count {
            return vec![false; chosen.len()];
        }
        let message = format!("poor discs are passed over: {}", the_first(&poor));
        diagnostics.push(Diagnostic::note("poor-passed-over", message).with_help(
            "enough better ones are left; `within_minutes` takes the best near each place, however poor, `files` any",
        ));
        chosen.iter().map(|c| self.is_poor(c)).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::hides_its_phase;

    #[test]
    fn a_disc_that_is_white_where_it_lay_in_the_shadow_hides_its_phase() {
        // All white though a tenth, a half and nine tenths lay in the umbra.
        assert!([0.1, 0.5, 0.9].iter().all(|umbral| hides_its_phase((1.0, *umbral))));
        // Crescents that are burnt, with a little bloom; a full Moon; copper with a burnt rim.
        assert!(![(0.5, 0.5), (0.2, 0.9), (0.91, 0.1), (1.0, 0.0), (0.1, 1.0)].into_iter().any(hides_its_phase));
    }
}
