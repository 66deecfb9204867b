//! From single frames to one solution for the night, rig by rig.
//!
//! 1. every frame is searched by itself (in parallel, one decoded frame a thread); what is kept of
//!    it is small;
//! 2. the mount is solved (a fixed tripod's pointings, a tracking mount's drift), and with it, or with
//!    the discs' own sizes, one plate scale;
//! 3. every disc is fitted again with the radius known; only frames that gave nothing, or a doubtful
//!    disc, are decoded once more and searched where the solution expects the Moon;
//! 4. the mount is solved once more, and what could not be measured is inferred from it.

use super::aim::Aim;
use super::circle::RadiusPrior;
use super::cutout::Cutout;
use super::faint::find_faint;
use super::frame::{CONFIDENT, DiscFit, Expectation, Flattening, Look, Measured, find_discs, look_at};
use super::rejection::{Rejection, RejectionReason, is_ghost, stands_still};
use super::sky_place::SkyPlace;
use super::small_disc::{self, Shading};
use super::{FrameRegistration, RigSolution, Status};
use crate::diag::Diagnostic;
use crate::ingest::{Frame, Mount, Night, Rig, decode_brightness};
use crate::raster::{PixelPoint, PixelRect};
use crate::sky::{Lens, SATURATION_PER_LIGHT_GAIN};
use crate::units::Angle;
use rayon::prelude::*;

/// What the first search of a rig's frames looks for.
fn first_expectation(rig: &Rig) -> Expectation {
    let long = rig.width.max(rig.height) as f64;
    match rig.focal_length_px {
        Some(focal) => {
            // The Moon's semidiameter runs from 14.7' to 16.8'; a lens's marked focal length is
            // good to some 5 %, and a wide lens stretches discs towards its corners.
            let corner = (rig.width as f64).hypot(rig.height as f64) / 2.0 / focal;
            let stretch = (1.0 + corner * corner).powf(0.75).min(2.5);
            Expectation {
                from_px: (focal * 0.004_28 * 0.92).clamp(3.5, long),
                to_px: (focal * 0.004_88 * 1.08 * stretch).min(long),
                lens: Some(Lens::rectilinear(rig.width, rig.height, focal)),
                flattening: None,
                radius: None,
            }
        }
        None => bare_expectation(long),
    }
}

/// Nothing is known: any disc from a few pixels to half the frame.
pub(super) fn bare_expectation(long_side_px: f64) -> Expectation {
    Expectation {
        from_px: (long_side_px / 260.0).max(8.0),
        to_px: 0.5 * long_side_px,
        lens: None,
        flattening: None,
        radius: None,
    }
}

/// Why a frame has no Moon, when the clock says so.
pub(super) const BELOW_HORIZON: &str = "the Moon is below the horizon";

/// What a frame showed.
enum Looked {
    Discs(Vec<Look>),
    Unreadable(String),
}

impl Looked {
    fn discs(&self) -> &[Look] {
        match self {
            Looked::Discs(discs) => discs,
            Looked::Unreadable(_) => &[],
        }
    }
}

/// The Moon's disc in a frame.
pub(super) struct Moon {
    pub fit: DiscFit,
    /// The disc on its own grid, where it is large enough.
    pub cutout: Option<Cutout>,
    /// What it was fitted to, unless it was too faint for a limb.
    look: Option<Look>,
}

/// Result of one rig.
pub(super) struct RigResult {
    pub solution: RigSolution,
    pub frames: Vec<(usize, FrameRegistration)>,
    /// Where the sky says the Moon is in each of `frames`.
    pub places: Vec<Option<SkyPlace>>,
    /// The Moon in each of `frames` in which it was measured.
    pub moons: Vec<Option<Moon>>,
    pub aim: Aim,
    pub diagnostics: Vec<Diagnostic>,
}

/// One rig's part of a night.
struct Roll<'a> {
    night: &'a Night,
    rig: &'a Rig,
    members: Vec<&'a Frame>,
    places: Vec<Option<SkyPlace>>,
}

/// Registers the frames of one rig. `progress` is told of each frame looked at.
pub(super) fn register_rig(night: &Night, index: usize, progress: &(dyn Fn(&str) + Sync)) -> RigResult {
    let observer = night.observer();
    let indices: Vec<usize> = (0..night.frames.len()).filter(|&i| night.frames[i].rig == index).collect();
    let members: Vec<&Frame> = indices.iter().map(|&i| &night.frames[i]).collect();
    let places = members.par_iter().map(|f| SkyPlace::of(observer.as_ref(), f)).collect();
    let roll = Roll { night, rig: &night.rigs[index], members, places };
    let (looked, diagnostics) = roll.search(progress);
    let discs: Vec<Vec<DiscFit>> = looked.iter().map(|l| l.discs().iter().map(|d| d.fit).collect()).collect();
    let first_aim = Aim::solve(night.mount(), roll.rig, &roll.places, &discs);
    let choices = roll.choose(&looked, &discs, &first_aim);
    let mut moons: Vec<Option<Moon>> = (0..roll.members.len())
        .into_par_iter()
        .map(|k| roll.measure(k, &looked[k], choices[k].chosen, &first_aim))
        .collect();
    let measured: Vec<Vec<DiscFit>> = moons.iter().map(|m| m.iter().map(|m| m.fit).collect()).collect();
    let aim = first_aim.solve_again(&roll.places, &measured);
    for (moon, place) in moons.iter_mut().zip(&roll.places) {
        if let (Some(moon), Some(place)) = (moon, place) {
            weigh_with_aim(&mut moon.fit, place, &aim);
        }
    }
    let frames = roll.entries(&indices, &looked, &moons, choices, &aim);
    let solution = RigSolution {
        width: roll.rig.width,
        height: roll.rig.height,
        focal_length_px: aim.focal_length_px(),
        pointings: aim.pointings().to_vec(),
        tracking: aim.tracking().cloned(),
        mirrored: None,
        rotation: None,
        clock: None,
    };
    RigResult { solution, frames, places: roll.places, moons, aim, diagnostics }
}

impl RigResult {
    /// The disc of one of the frames on its own grid.
    pub fn cutout(&self, k: usize) -> Option<&Cutout> {
        self.moons[k].as_ref()?.cutout.as_ref()
    }

    /// Fits a disc once more with the air's flattening, now that the zenith's direction in it is known
    /// (clockwise from the image's up). Matters for crescents low in the sky.
    pub fn fit_flattened(&mut self, k: usize, zenith_turn: Angle) {
        let (Some(moon), Some(place)) = (&self.moons[k], &self.places[k]) else { return };
        let Some(focal) = self.aim.focal_length_px() else { return };
        let size = (self.solution.width, self.solution.height);
        let known = Known { focal, place, lens: Lens::rectilinear(size.0, size.1, focal) };
        let flattening = Some(place.flattened(zenith_turn));
        let expected = known.expectation(flattening, moon.fit.saturated_share);
        let Some(fit) = moon.look.as_ref().and_then(|look| look.again(&expected, None)) else { return };
        // The air never moves a disc by more than a few thousandths of its radius.
        if fit.centre.distance(moon.fit.centre) < 0.02 * fit.radius_px {
            let frame = &mut self.frames[k].1;
            frame.centre = Some(fit.centre);
            frame.radius_px = Some(fit.radius_px);
            frame.centre_sigma_px = Some(fit.centre_sigma_px);
            frame.fit = Some(fit);
        }
    }
}

/// What the sequence knows of a disc before it is fitted again.
struct Known<'a> {
    focal: f64,
    place: &'a SkyPlace,
    lens: Lens,
}

impl Known<'_> {
    fn expectation(&self, flattening: Option<Flattening>, saturated_share: f64) -> Expectation {
        let radius = self.focal * self.place.semidiameter.radians();
        // Burnt-out light spreads beyond the limb.
        let blooming = (3.0 * saturated_share).min(1.0);
        Expectation {
            from_px: 0.8 * radius,
            to_px: 2.6 * radius,
            lens: Some(self.lens),
            flattening,
            radius: Some(RadiusPrior { radius, sigma: 0.003 * radius + 0.05 + blooming * 1.2 }),
        }
    }
}

/// A small disc's centre is uncertain by the seas that its few pixels cannot resolve; the aim of a
/// tripod that many frames agree on knows better where it stands. Both are weighed; a disc that
/// contradicts the aim (a gust, a passer-by) keeps its own place.
fn weigh_with_aim(fit: &mut DiscFit, place: &SkyPlace, aim: &Aim) {
    const FEWEST_FRAMES: usize = 8;
    if fit.radius_px >= small_disc::LARGEST_PX || aim.agreeing_frames(place) < FEWEST_FRAMES {
        return;
    }
    let Some((expected, sigma)) = aim.expects(place).zip(aim.sigma_px(place)) else { return };
    let own = fit.centre_sigma_px.hypot(0.012 * fit.radius_px);
    // The lens may bend in ways the model does not follow.
    let aims = sigma.hypot(0.04);
    if fit.centre.distance(expected) > 3.5 * own.hypot(aims) {
        return;
    }
    let share = own * own / (own * own + aims * aims);
    fit.centre.x += share * (expected.x - fit.centre.x);
    fit.centre.y += share * (expected.y - fit.centre.y);
    fit.centre_sigma_px = own * aims / own.hypot(aims);
}

/// Which of a frame's discs is the Moon, and why the others are not.
#[derive(Default)]
struct Choice {
    chosen: Option<usize>,
    rejected: Vec<Rejection>,
}

impl Roll<'_> {
    /// Searches every frame for discs.
    fn search(&self, progress: &(dyn Fn(&str) + Sync)) -> (Vec<Looked>, Vec<Diagnostic>) {
        let mut diagnostics = Vec::new();
        let mut looked = self.look(&first_expectation(self.rig), progress);
        let found = |l: &[Looked]| {
            l.iter().filter(|l| l.discs().first().is_some_and(|d| d.fit.confidence() > CONFIDENT)).count()
        };
        let count = self.members.len();
        if self.rig.focal_length_px.is_some() && found(&looked) * 3 < count && count > 1 {
            let again = self.look(&bare_expectation(self.rig.width.max(self.rig.height) as f64), &|_| {});
            if found(&again) > found(&looked) {
                diagnostics.push(
                    Diagnostic::warning(
                        "focal-length-doubtful",
                        "the Moon's size contradicts the focal length and pixel pitch given; they are set aside",
                    )
                    .with_help("check `optics` in shoot.ron"),
                );
                looked = again;
            }
        }
        (looked, diagnostics)
    }

    fn look(&self, expected: &Expectation, progress: &(dyn Fn(&str) + Sync)) -> Vec<Looked> {
        self.members
            .par_iter()
            .map(|frame| {
                let looked = match decode_brightness(&frame.path, self.night.transfer()) {
                    Ok(plane) => {
                        let measured = match expected.lens {
                            Some(_) => Measured::new(&plane),
                            None => Measured::of_unknown_camera(&plane),
                        };
                        Looked::Discs(find_discs(&measured, expected, 4))
                    }
                    Err(why) => Looked::Unreadable(why.to_string()),
                };
                progress(&frame.name);
                looked
            })
            .collect()
    }

    fn size(&self) -> (usize, usize) {
        (self.rig.width, self.rig.height)
    }

    /// Says for each frame which disc is the Moon.
    fn choose(&self, looked: &[Looked], discs: &[Vec<DiscFit>], aim: &Aim) -> Vec<Choice> {
        (0..looked.len()).map(|k| self.choose_in(k, discs, aim)).collect()
    }

    fn choose_in(&self, k: usize, discs: &[Vec<DiscFit>], aim: &Aim) -> Choice {
        let mut choice = Choice::default();
        let mine = &discs[k];
        let expected = self.places[k].as_ref().and_then(|place| aim.expects(place));
        let radius = self.places[k].as_ref().zip(aim.focal_length_px()).map(|(p, f)| f * p.semidiameter.radians());
        let solved = aim.is_solved();
        let others = || discs.iter().enumerate().filter(|(i, _)| *i != k).map(|(_, d)| d.as_slice());
        let reason = |d: &DiscFit| -> Option<RejectionReason> {
            if is_ghost(d, mine.iter(), self.size()) {
                return Some(RejectionReason::LensGhost);
            }
            let still = || self.night.mount() == Mount::FixedTripod && stands_still(d, others(), 2);
            let off_size = |r: f64| (d.rectified_radius_px / r - 1.0).abs() > 0.12 + 2.0 / r;
            match (solved, expected, radius) {
                (true, Some(at), Some(r)) => {
                    let off = d.centre.distance(at) > 0.8 * r + 3.0;
                    off.then(|| if still() { RejectionReason::DoesNotMove } else { RejectionReason::OffTrack })
                }
                (true, None, _) if aim.covers(self.places[k].as_ref()) => {
                    Some(if still() { RejectionReason::DoesNotMove } else { RejectionReason::OffTrack })
                }
                (_, _, Some(r)) if off_size(r) => Some(RejectionReason::WrongSize),
                _ => still().then_some(RejectionReason::DoesNotMove),
            }
        };
        for (i, d) in mine.iter().enumerate() {
            match reason(d) {
                Some(reason) if d.confidence() > 0.5 * CONFIDENT => choice.rejected.push(Rejection::new(d, reason)),
                Some(_) => {}
                None => {
                    let least = if radius.is_some() { 0.6 * CONFIDENT } else { CONFIDENT };
                    let nearer =
                        |j: usize| expected.is_some_and(|at| d.centre.distance(at) < mine[j].centre.distance(at));
                    let convincing = solved && expected.is_some() || d.confidence() > least;
                    if convincing && choice.chosen.is_none_or(nearer) {
                        choice.chosen = Some(i);
                    }
                }
            }
        }
        choice
    }

    /// Fits a frame's disc with what the sequence has taught; looks again where that is in doubt.
    fn measure(&self, k: usize, looked: &Looked, chosen: Option<usize>, aim: &Aim) -> Option<Moon> {
        let look = chosen.and_then(|i| looked.discs().get(i));
        let as_found = || look.map(|l| Moon { fit: l.fit, cutout: l.cutout.clone(), look: Some(l.clone()) });
        if matches!(looked, Looked::Unreadable(_)) {
            return None;
        }
        let (Some(focal), Some(place)) = (aim.focal_length_px(), self.places[k].as_ref()) else { return as_found() };
        if place.is_below_horizon() {
            return None;
        }
        let (width, height) = self.size();
        let radius = focal * place.semidiameter.radians();
        let expected_at = aim.expects(place);
        if aim.covers(Some(place)) {
            // Where the aim is known, a Moon outside the frame is not looked for.
            let (w, h) = (width as f64 + 0.5 * radius, height as f64 + 0.5 * radius);
            let at = expected_at?;
            if at.x < -0.5 * radius || at.y < -0.5 * radius || at.x > w || at.y > h {
                return None;
            }
        }
        let pointing = aim.pointing(place);
        let lens = pointing.map_or_else(|| Lens::rectilinear(width, height, focal), |p| p.lens);
        let start = look.map(|l| l.fit.centre).or(expected_at);
        let near = start.unwrap_or(PixelPoint::new(width as f64 / 2.0, height as f64 / 2.0));
        let flattening = place.flattening(self.night.mount(), pointing, near);
        let saturated = look.map_or(0.0, |l| l.fit.saturated_share);
        let expected = Known { focal, place, lens }.expectation(flattening, saturated);
        let shading = pointing.map(|p| place.light_over(p, near));
        let shading = shading.as_ref().map(|s| s as Shading<'_>);
        // A limb must lie where the solution says the Moon is.
        let stray = |fit: &DiscFit| expected_at.is_some_and(|e| e.distance(fit.centre) > 0.5 * radius + 3.0);
        if let Some(look) = look
            && let Some(fit) = look.again(&expected, shading)
            && !stray(&fit)
            && is_settled(look, &fit, radius)
        {
            return Some(Moon { fit, cutout: look.cutout.clone(), look: Some(look.clone()) });
        }
        let plane = decode_brightness(&self.members[k].path, self.night.transfer()).ok()?;
        let measured = Measured::new(&plane);
        let again = start
            .and_then(|at| look_at(&measured, &expected, at, radius, shading))
            .filter(|l| !stray(&l.fit) && l.fit.confidence() > 0.25 * CONFIDENT);
        if let Some(look) = again {
            return Some(Moon { fit: look.fit, cutout: look.cutout.clone(), look: Some(look) });
        }
        let area = match expected_at {
            Some(at) => PixelRect::around(at, 0.6 * radius + 4.0),
            None if aim.covers(Some(place)) => return None,
            None => PixelRect::of_size(width, height),
        };
        let fit = find_faint(&measured, &expected, area, shading).filter(|fit| !stray(fit))?;
        Some(Moon { fit, look: None, cutout: Cutout::take(&plane, measured.sky.noise, fit.centre, fit.radius_px) })
    }

    fn entries(
        &self,
        indices: &[usize],
        looked: &[Looked],
        moons: &[Option<Moon>],
        choices: Vec<Choice>,
        aim: &Aim,
    ) -> Vec<(usize, FrameRegistration)> {
        let mut entries: Vec<(usize, FrameRegistration)> = choices
            .into_iter()
            .enumerate()
            .map(|(k, choice)| {
                let mut entry = self.entry(k, &looked[k], moons[k].as_ref(), aim);
                entry.rejected = choice.rejected;
                (indices[k], entry)
            })
            .collect();
        light_against_prediction(&mut entries);
        entries
    }

    fn entry(&self, k: usize, looked: &Looked, moon: Option<&Moon>, aim: &Aim) -> FrameRegistration {
        let (frame, place) = (self.members[k], self.places[k].as_ref());
        let mut out = FrameRegistration {
            file: frame.name.clone(),
            rig: frame.rig,
            status: Status::Absent,
            utc: frame.time.map(|t| t.middle.to_iso_utc()),
            centre: None,
            radius_px: None,
            centre_sigma_px: None,
            umbral_fraction: place.map(|p| p.shadow.umbral_fraction()),
            orientation: None,
            light_ratio: None,
            fit: None,
            rejected: Vec::new(),
            foreground: frame.foreground,
            exclude: false,
            reason: None,
        };
        if let Looked::Unreadable(why) = looked {
            out.reason = Some(why.clone());
            return out;
        }
        if let Some(Moon { fit, .. }) = moon {
            out.status = Status::Measured;
            out.centre = Some(fit.centre);
            out.radius_px = Some(fit.radius_px);
            out.centre_sigma_px = Some(fit.centre_sigma_px);
            out.fit = Some(*fit);
            out.light_ratio = self.light_ratio(k, fit);
            return out;
        }
        let Some(place) = place else {
            out.reason = Some("no disc was found".into());
            return out;
        };
        if place.is_below_horizon() {
            out.reason = Some(BELOW_HORIZON.into());
            return out;
        }
        match aim.infers(place) {
            Some((at, sigma_px, radius)) => {
                let (w, h) = (frame.metadata.width as f64, frame.metadata.height as f64);
                if at.x > -radius && at.y > -radius && at.x < w + radius && at.y < h + radius {
                    out.status = Status::Inferred;
                    out.centre = Some(at);
                    out.radius_px = Some(radius);
                    out.centre_sigma_px = Some(sigma_px);
                    out.reason = Some("no limb was found where the Moon stands".into());
                } else {
                    out.reason = Some("the Moon is outside the frame".into());
                }
            }
            None if aim.covers(Some(place)) => out.reason = Some("the Moon is outside the frame".into()),
            None => out.reason = Some("no disc of the Moon's size was found".into()),
        }
        out
    }

    /// Light of a disc over what the exposure and the ephemeris predict for a clear sky, on a scale of
    /// its own; `None` where it is saturated or nothing is predicted.
    fn light_ratio(&self, k: usize, fit: &DiscFit) -> Option<f64> {
        let exposure = self.members[k].metadata.exposure?;
        let place = self.places[k].as_ref()?;
        if fit.saturated_share > 0.02 {
            return None;
        }
        let shadow = &place.shadow;
        let grade = crate::sky::Danjon { scale: 2.0 };
        let light = crate::sky::ShadowLight::new(shadow.umbra_radius, shadow.penumbra_radius, grade);
        let mean = light.mean_over_disc(shadow.moon_semidiameter, shadow.separation()).iter().sum::<f64>() / 3.0;
        let air = crate::sky::Extinction::default().transmission(crate::sky::airmass(place.seen.altitude))[1];
        let predicted = mean * air * exposure.light_gain() * SATURATION_PER_LIGHT_GAIN;
        Some(f64::from(fit.mean_level) / predicted)
    }
}

/// Whether a first look was good enough to be fitted again without its frame.
fn is_settled(look: &Look, fit: &DiscFit, radius: f64) -> bool {
    let same_size = (look.fit.rectified_radius_px / radius - 1.0).abs() < 0.012 + 0.3 / radius;
    let unmoved = look.fit.centre.distance(fit.centre) < 0.02 * radius + 0.5;
    look.keeps_its_pixels() || (same_size && unmoved && fit.arc_deg >= 120.0)
}

/// Puts the light's ratios on a scale on which the clear frames are 1: the upper quartile of the partial
/// phases, and of totality apart (how dark the umbra is nobody knows before the night).
fn light_against_prediction(entries: &mut [(usize, FrameRegistration)]) {
    for total in [false, true] {
        let in_group = |f: &FrameRegistration| f.umbral_fraction.is_some_and(|u| (u > 0.95) == total);
        let mut ratios: Vec<f64> =
            entries.iter().filter(|(_, f)| in_group(f)).filter_map(|(_, f)| f.light_ratio).collect();
        ratios.sort_by(f64::total_cmp);
        let Some(clear) = ratios.get(ratios.len() * 3 / 4).copied().filter(|c| *c > 0.0) else { continue };
        for (_, f) in entries.iter_mut().filter(|(_, f)| in_group(f)) {
            f.light_ratio = f.light_ratio.map(|r| r / clear);
        }
    }
}
