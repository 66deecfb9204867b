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
use super::frame::{CONFIDENT, DiscFit, Expectation, Flattening, Measured};
use super::look::{Look, look_at};
use super::orientation::orient;
use super::search::find_discs;
use super::sky_place::SkyPlace;
use super::small_disc::{self, Shading};
use super::{ClockEstimate, ClockSource, FrameRegistration, RigSolution};
use crate::diag::Diagnostic;
use crate::ingest::{Frame, Night, Rig, decode_brightness};
use crate::raster::{PixelPoint, PixelRect};
use crate::sky::Lens;
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

/// What a frame showed.
pub(super) enum Looked {
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
pub(super) struct Roll<'a> {
    pub night: &'a Night,
    pub rig: &'a Rig,
    /// Its frames: indices into those of the night.
    pub indices: Vec<usize>,
    /// Where the sky says the Moon is in each.
    pub places: Vec<Option<SkyPlace>>,
    /// Seconds that were taken off the clock, by the shadow.
    pub put_right_s: f64,
}

/// Registers the frames of one rig. `progress` is told of each frame looked at.
///
/// A clock put right by the shadow changes where the sky says the Moon is, and no pixel: what was seen is
/// solved once more.
pub(super) fn register_rig(
    night: &Night,
    index: usize,
    clock: ClockSource,
    progress: &(dyn Fn(&str) + Sync),
) -> RigResult {
    let mut roll = Roll::of(night, index);
    let (looked, mut diagnostics) = roll.search(progress);
    let mut result = roll.solve(&looked);
    if let Some(read) = result.solution.clock.filter(|_| clock == ClockSource::Shadow) {
        roll.put_right(read.ahead_s);
        result = roll.solve(&looked);
        result.solution.clock = Some(ClockEstimate { put_right: true, ..read });
    }
    diagnostics.append(&mut result.diagnostics);
    RigResult { diagnostics, ..result }
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

impl<'a> Roll<'a> {
    fn of(night: &'a Night, rig: usize) -> Self {
        let indices: Vec<usize> = (0..night.frames.len()).filter(|&i| night.frames[i].rig == rig).collect();
        let observer = night.observer();
        let places = indices.par_iter().map(|&i| SkyPlace::of(observer.as_ref(), &night.frames[i])).collect();
        Roll { night, rig: &night.rigs[rig], indices, places, put_right_s: 0.0 }
    }

    /// One of its frames.
    pub fn frame(&self, k: usize) -> &'a Frame {
        &self.night.frames[self.indices[k]]
    }

    /// Takes seconds off the clock.
    fn put_right(&mut self, ahead_s: f64) {
        let Some(observer) = self.night.observer() else { return };
        self.put_right_s = ahead_s;
        self.places.par_iter_mut().flatten().for_each(|place| {
            *place = SkyPlace::at(&observer, place.instant.plus_seconds(-ahead_s));
        });
    }

    /// From what the frames showed to one solution.
    fn solve(&self, looked: &[Looked]) -> RigResult {
        let discs: Vec<Vec<DiscFit>> = looked.iter().map(|l| l.discs().iter().map(|d| d.fit).collect()).collect();
        let first_aim = Aim::solve(self.night.mount(), self.rig, &self.places, &discs);
        let choices = self.choose(&discs, &first_aim);
        let mut moons: Vec<Option<Moon>> = (0..self.indices.len())
            .into_par_iter()
            .map(|k| self.measure(k, &looked[k], choices[k].chosen, &first_aim))
            .collect();
        let measured: Vec<Vec<DiscFit>> = moons.iter().map(|m| m.iter().map(|m| m.fit).collect()).collect();
        let aim = first_aim.solve_again(&self.places, &measured);
        for (moon, place) in moons.iter_mut().zip(&self.places) {
            if let (Some(moon), Some(place)) = (moon, place) {
                weigh_with_aim(&mut moon.fit, place, &aim);
            }
        }
        let frames = self.entries(looked, &moons, choices, &aim);
        let solution = RigSolution {
            width: self.rig.width,
            height: self.rig.height,
            focal_length_px: aim.focal_length_px(),
            pointings: aim.pointings().to_vec(),
            tracking: aim.tracking().cloned(),
            mirrored: None,
            rotation: None,
            clock: None,
        };
        let places = self.places.clone();
        let mut result = RigResult { solution, frames, places, moons, aim, diagnostics: Vec::new() };
        orient(&mut result, self.night.observer().as_ref());
        result
    }

    /// Searches every frame for discs.
    fn search(&self, progress: &(dyn Fn(&str) + Sync)) -> (Vec<Looked>, Vec<Diagnostic>) {
        let mut diagnostics = Vec::new();
        let mut looked = self.look(&first_expectation(self.rig), progress);
        let found = |l: &[Looked]| {
            l.iter().filter(|l| l.discs().first().is_some_and(|d| d.fit.confidence() > CONFIDENT)).count()
        };
        let count = self.indices.len();
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
        (0..self.indices.len())
            .into_par_iter()
            .map(|k| {
                let frame = self.frame(k);
                let looked = match decode_brightness(&frame.path, &frame.reading) {
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

    /// Whether a place lies inside the frame or at most `beyond_px` outside.
    pub fn is_in_frame(&self, at: PixelPoint, beyond_px: f64) -> bool {
        let (w, h) = (self.rig.width as f64, self.rig.height as f64);
        at.x > -beyond_px && at.y > -beyond_px && at.x < w + beyond_px && at.y < h + beyond_px
    }

    pub fn size(&self) -> (usize, usize) {
        (self.rig.width, self.rig.height)
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
        // Where the aim is known, a Moon outside the frame is not looked for.
        if aim.is_pointed() && !self.is_in_frame(expected_at?, 0.5 * radius) {
            return None;
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
        let plane = decode_brightness(&self.frame(k).path, &self.frame(k).reading).ok()?;
        let measured = Measured::new(&plane);
        let again = start
            .and_then(|at| look_at(&measured, &expected, at, radius, shading))
            .filter(|l| !stray(&l.fit) && l.fit.confidence() > 0.25 * CONFIDENT);
        if let Some(look) = again {
            return Some(Moon { fit: look.fit, cutout: look.cutout.clone(), look: Some(look) });
        }
        let everywhere = PixelRect::of_size(width, height);
        let area = expected_at.map_or(everywhere, |at| PixelRect::around(at, 0.6 * radius + 4.0));
        let fit = find_faint(&measured, &expected, area, shading).filter(|fit| !stray(fit))?;
        Some(Moon {
            fit,
            look: None,
            cutout: Cutout::take(&plane, measured.sky.noise_at(fit.centre.x, fit.centre.y), fit.centre, fit.radius_px),
        })
    }
}

/// Whether a first look was good enough to be fitted again without its frame.
fn is_settled(look: &Look, fit: &DiscFit, radius: f64) -> bool {
    let same_size = (look.fit.rectified_radius_px / radius - 1.0).abs() < 0.012 + 0.3 / radius;
    let unmoved = look.fit.centre.distance(fit.centre) < 0.02 * radius + 0.5;
    look.keeps_its_pixels() || (same_size && unmoved && fit.arc_deg >= 120.0)
}
