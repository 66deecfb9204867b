//! All discs of a frame: candidates from the largest to the smallest, a look at each on a reduced copy, and full
//! resolution along the limb of the few that remain.

use super::candidates::{Sifted, candidates};
use super::circle::RadiusPrior;
use super::frame::{CONFIDENT, DiscFit, Expectation, Measured, OnReducedCopy};
use super::look::{Look, first_look};
use super::trace::Care;
use crate::raster::PixelPoint;

/// How many discs are measured at full resolution; the rest keep what the reduced copy showed.
const AT_FULL_SIZE: usize = 2;
/// Of discs smaller than this, pixels, only the surest few are kept on a grid of their own.
const GRID_OF_ALL_PX: f64 = 18.0;
const SMALL_WITH_GRID: usize = 3;

/// A second disc may be the Moon behind a lamp from here on (`solve` asks those above 0.6).
const NEARLY_AS_SURE: f64 = 0.55;

/// Confidence above which a large disc is no chance: lamps of a town, strung on a circle, reached 0.62, and of the large
/// Moons of photographs and nights by another hand all but one in thirty lie above it.
const BEYOND_DOUBT: f64 = 2.0 / 3.0;

/// Discs of a frame, best first.
pub(crate) fn find_discs(frame: &Measured<'_>, expected: &Expectation<'_>, keep: usize) -> Vec<Look> {
    let mut found: Vec<Look> = Vec::new();
    let levels = candidates(frame.plane, expected.from_px, expected.to_px);
    for level in &levels {
        judge(frame, level, expected, &mut found);
        // Nothing smaller in the frame can be the Moon as well. (What is of a size that is looked for next may have its like there:
        // the lights of a street, out of focus.)
        let is_of_this_size = |l: &Look| l.fit.radius_px > 0.9 * level.from_px;
        if found.iter().any(|l| is_beyond_doubt(&l.fit) && is_of_this_size(l) && !may_be_a_window(l)) {
            break;
        }
    }
    found.retain(|look| !look.is_a_line_in(frame, expected));
    without_glows(&mut found);
    best_first(&mut found);
    found.truncate(2 * keep);
    for i in 0..found.len().min(AT_FULL_SIZE) {
        // Beside a disc beyond doubt nothing else needs to be placed to a tenth of a pixel, but for one that is nearly as sure: the
        // first may be a lamp.
        if i > 0 && is_beyond_doubt(&found[0].fit) && found[i].fit.confidence() < NEARLY_AS_SURE {
            break;
        }
        if let Some(look) = sharpest(frame, expected, &found[i], &levels) {
            found[i] = look;
        }
    }
    best_first(&mut found);
    found.truncate(keep);
    // What is out of focus is then another circle, and less sure.
    let closer = |look: Look| match look.pressed(frame, &levels, expected) {
        Some(oval) => oval,
        None => look.with_limb_in_light(frame, expected),
    };
    let mut found: Vec<Look> = found.into_iter().map(closer).collect();
    best_first(&mut found);
    let ready = |(order, look): (usize, Look)| {
        let look = look.with_surroundings(frame);
        // A hundred lamps need no grid each.
        if order < SMALL_WITH_GRID || look.fit.radius_px >= GRID_OF_ALL_PX { look.with_cutout(frame) } else { look }
    };
    found.into_iter().enumerate().map(ready).collect()
}

/// A disc that was seen on a reduced copy, looked at in the frame itself; if it drowns in noise there, in the least reduced copy that
/// shows it.
fn sharpest(frame: &Measured<'_>, expected: &Expectation<'_>, look: &Look, levels: &[Sifted<'_>]) -> Option<Look> {
    let on_a_copy = || {
        levels.iter().rev().filter(|level| level.factor > 1).find_map(|level| {
            let f = level.factor as f64;
            let shape = OnReducedCopy(expected.shape, f);
            let copy = frame.likewise(level.plane(), level.sky.clone());
            Some(look.closer(&copy, &on_copy(expected, &shape, f), f)?.enlarged(f))
        })
    };
    look.closer(frame, expected, 1.0).or_else(on_a_copy)
}

/// What is expected of a frame, in the pixels of a copy that is reduced by a factor; `shape` is the copy's.
fn on_copy<'a>(expected: &Expectation<'_>, shape: &'a OnReducedCopy<'a>, factor: f64) -> Expectation<'a> {
    Expectation {
        from_px: expected.from_px / factor,
        to_px: expected.to_px / factor,
        shape,
        radius: expected.radius.map(|p| RadiusPrior { radius: p.radius / factor, sigma: p.sigma / factor }),
        place_known: false,
    }
}

/// Whether a disc is so well seen that none of a fraction of its size need be looked for: large, dark wherever its limb
/// is not seen, and more convincing than anything of a few pixels can be.
pub(super) fn is_beyond_doubt(fit: &DiscFit) -> bool {
    fit.radius_px > 40.0 && fit.confidence() > BEYOND_DOUBT && fit.open_share < 0.1
}

/// Whether something may stand within a disc that outshines it: an eyepiece's field stop, a lit window.
fn may_be_a_window(look: &Look) -> bool {
    look.limb_step < OUTSHONE * look.fit.disc_level
}

/// A window's edge is at most this share as bright as that of the Moon in it: an eyepiece's field is the sky, and the sky's glow about
/// a Moon that is seen by it.
const OUTSHONE: f32 = 0.35;

/// How sure the disc in it must be, and of how much of its size at least: on real Moons craters reach 0.4, and 0.06 of the limb's.
const SEEN_IN_A_WINDOW: f64 = 0.55;
const LEAST_IN_A_WINDOW: f64 = 0.15;

/// Whether a circle is a window in which a disc is seen: the disc stands within it, whole, and its own edge is far brighter.
fn is_window_of(circle: &Look, disc: &Look) -> bool {
    disc.fit.confidence() > SEEN_IN_A_WINDOW
        && (LEAST_IN_A_WINDOW..0.7).contains(&(disc.fit.radius_px / circle.fit.radius_px))
        && disc.fit.centre.distance(circle.fit.centre) + 0.9 * disc.fit.radius_px < circle.fit.radius_px
        && disc.limb_step < f32::MAX
        && circle.limb_step < OUTSHONE * disc.limb_step
}

/// Lets go of rings in the light around a disc (steps of eight bits in the glow of a clipped Moon are as round as it is), and of
/// windows in which one is seen.
fn without_glows(found: &mut Vec<Look>) {
    let glows: Vec<bool> = found.iter().map(|l| found.iter().any(|d| is_glow_of(l, d) || is_window_of(l, d))).collect();
    let mut glows = glows.into_iter();
    found.retain(|_| glows.next() != Some(true));
}

/// Whether a circle lies around a disc that outshines its limb.
fn is_glow_of(circle: &Look, disc: &Look) -> bool {
    /// What a limb's step is of the light of something round within it, at least: the Moon's brightest craters reach twice its
    /// mean light, and lie as far above the sky as its limb does but in copper, where what is brighter is a sliver.
    const LEAST_STEP: f32 = 0.05;
    disc.fit.confidence() > CONFIDENT
        && disc.fit.radius_px < 0.6 * circle.fit.radius_px
        && disc.fit.centre.distance(circle.fit.centre) < 0.4 * circle.fit.radius_px
        && circle.limb_step < LEAST_STEP * disc.fit.mean_level
}

fn best_first(found: &mut [Look]) {
    found.sort_by(|a, b| b.fit.confidence().total_cmp(&a.fit.confidence()));
}

/// Looks at a copy's candidates and takes those in that are new, or better than what stands at their place.
fn judge(frame: &Measured<'_>, level: &Sifted<'_>, expected: &Expectation<'_>, found: &mut Vec<Look>) {
    let f = level.factor as f64;
    let shape = OnReducedCopy(expected.shape, f);
    let on_copy = on_copy(expected, &shape, f);
    let copy = frame.likewise(level.plane(), level.sky.clone());
    for place in &level.candidates {
        let at = PixelPoint::new(place.centre.x * f, place.centre.y * f);
        let radius = place.radius_px * f;
        let seen_already = |l: &Look| {
            l.fit.centre.distance(at) < 0.25 * l.fit.radius_px
                && (l.fit.radius_px / radius).ln().abs() < 0.15
                && l.fit.confidence() > 0.5
        };
        if found.iter().any(seen_already) {
            continue;
        }
        let stretch = expected.shape.metric(at).stretch();
        let start = on_copy.radius.map_or(place.radius_px / stretch, |p| p.radius);
        let care = if level.factor > 1 { Care::Rough } else { Care::Exact };
        let Some(look) = first_look(&copy, &on_copy, (place.centre, start), None, care) else { continue };
        let plausible = look.fit.radius_px > 0.7 * on_copy.from_px && look.fit.radius_px < 1.4 * on_copy.to_px;
        if !plausible {
            continue;
        }
        let look = if level.factor > 1 { look.enlarged(f) } else { look };
        let is_there = |l: &Look| {
            let near = l.fit.centre.distance(look.fit.centre) < 0.5 * l.fit.radius_px;
            near && !is_window_of(l, &look) && !is_window_of(&look, l)
        };
        let there = found.iter().position(is_there);
        match there {
            Some(i) if found[i].fit.confidence() < look.fit.confidence() => found[i] = look,
            Some(_) => {}
            None => found.push(look),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::any_disc;
    use super::*;
    use crate::raster::{CodedPlane, Plane};

    /// A number that looks random, about normal, of standard deviation one.
    fn noise(state: &mut u64) -> f32 {
        let mut one = || {
            *state ^= *state << 13;
            *state ^= *state >> 7;
            *state ^= *state << 17;
            (*state >> 40) as f32 / (1u64 << 24) as f32
        };
        (0..12).map(|_| one()).sum::<f32>() - 6.0
    }

    #[test]
    fn what_drowns_in_noise_is_measured_on_the_least_reduced_copy_that_shows_it() {
        let (width, height, radius) = (900, 700, 90.0);
        let mut state = 0x9e37_79b9_7f4a_7c15;
        let data = (0..width * height)
            .map(|i| {
                let (x, y) = ((i % width) as f64 + 0.5 - 431.3, (i / width) as f64 + 0.5 - 322.6);
                0.03 + 0.012 * noise(&mut state) + if x.hypot(y) < radius { 0.025 } else { 0.0 }
            })
            .collect();
        let plane = CodedPlane::from_light(Plane::from_data(width, height, data).unwrap());
        let found = find_discs(&Measured::new(&plane), &any_disc(width, height), 4);
        let disc = &found.first().expect("it is found").fit;
        let off = (disc.centre.x - 431.3).hypot(disc.centre.y - 322.6);
        println!("off by {off:.2}, radius {:.2}, edge {:.2}", disc.radius_px, disc.edge_width_px);
        assert!(off < 0.6 && (disc.radius_px - radius).abs() < 0.6, "{off} {}", disc.radius_px);
    }
}
