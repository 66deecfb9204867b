//! What stands still in a frame that does not move is no Moon: street lamps, windows, towers.
//!
//! Records are hardly asked. A camera that stood still shows several lights at the same places in frame after frame while the
//! sky moves; on a mount that follows the sky it is the Moon alone that stays (and the ghost that it throws). Of few frames the
//! notes' word for a fixed tripod makes a shorter way of the Moon believed, never one that no frame shows.

use super::sequence::{Seen, Sequence};
use crate::camera::Mount;
use crate::detect::{CONFIDENT, DiscFit};
use crate::raster::PixelPoint;
use std::f64::consts::PI;

/// The sky's motion in radii of the Moon a second: 15 arcseconds over 932.
const RADII_PER_SECOND: f64 = 0.0161;

/// Which discs of each frame stand still while the camera does; none where the camera moved.
pub(super) fn lights(sequence: &Sequence<'_>, seen: &[Seen]) -> Vec<Vec<bool>> {
    let frames: Vec<Vec<&DiscFit>> = seen.iter().map(|s| s.fits().collect()).collect();
    // A light in a quarter of the frames, three at least, is a fixture; chance puts two at one place now and then. (In two
    // frames of a tripod there are no three.)
    let least = if frames.len() == 2 && claims_a_tripod(sequence) { 2 } else { 3 };
    let stays = returning(sequence, &frames, (frames.len() / 4).max(least) - 1, 1);
    // One light that stays may be the Moon on a mount that follows it, unless another moves as the sky does; two cannot.
    match fixtures(sequence, &frames, &stays).len() {
        0 => return set_aside_by_either(sequence, &frames),
        1 if !moves_as_the_sky(sequence, &frames, &stays) => return set_aside_by_either(sequence, &frames),
        _ if frames.len() == 2 => return stays,
        _ => {}
    }
    // The camera stood still: what returns twice is a fixture as well, though the glare hides it in most frames. (Where
    // no time is known, not within a burst, in which the Moon hardly moves.)
    returning(sequence, &frames, 2, (frames.len() / 6).max(3))
}

/// What stands still where no light does all night: in the landscape, or between two aims.
fn set_aside_by_either(sequence: &Sequence<'_>, frames: &[Vec<&DiscFit>]) -> Vec<Vec<bool>> {
    let mut aside = in_the_landscape(sequence, frames);
    for (one, other) in aside.iter_mut().flatten().zip(between_aims(sequence, frames).into_iter().flatten()) {
        *one |= other;
    }
    aside
}

/// Lights that stand still from one aim of a hand to the next while another goes the sky's way past them: a tower's clock, as large as
/// the Moon.
fn between_aims(sequence: &Sequence<'_>, frames: &[Vec<&DiscFit>]) -> Vec<Vec<bool>> {
    let stands_on = |k: usize| frames[k].iter().any(|disc| frames[k + 1].iter().any(|next| is_same_place(disc, next)));
    let mut out: Vec<Vec<bool>> = frames.iter().map(|discs| vec![false; discs.len()]).collect();
    // A mount that follows the sky shows a lamp go by and the Moon stay.
    if sequence.night.mount() == Mount::Tracking {
        return out;
    }
    let mut begin = 0;
    while begin < frames.len() {
        let end = (begin..frames.len() - 1).find(|k| !stands_on(*k)).unwrap_or(frames.len() - 1);
        let within = |k: usize| (begin..=end).contains(&k);
        let part: Vec<Vec<&DiscFit>> =
            frames.iter().enumerate().map(|(k, discs)| if within(k) { discs.clone() } else { Vec::new() }).collect();
        let stays = returning(sequence, &part, 2, 1);
        // What was touched in between stays nowhere, nor does it go on its way.
        if stays.iter().flatten().any(|s| *s) && moves_as_the_sky(sequence, &part, &stays) {
            for (out, stays) in out[begin..=end].iter_mut().zip(&stays[begin..=end]) {
                out.clone_from(stays);
            }
        }
        begin = end + 1;
    }
    out
}

/// Lights that stand where a frame of the landscape alone shows one, by the notes' word that it is one and that nobody touched the
/// tripod: of few frames nothing else tells a lamp from a Moon. Only beside another disc that is as well seen: were the notes wrong,
/// no frame would lose its only one.
fn in_the_landscape(sequence: &Sequence<'_>, frames: &[Vec<&DiscFit>]) -> Vec<Vec<bool>> {
    let is_landscape = |k: &usize| claims_a_tripod(sequence) && sequence.frame(*k).foreground;
    let landscapes: Vec<usize> = (0..frames.len()).filter(is_landscape).collect();
    let stands = |k: usize, disc: &DiscFit| {
        let timed = |l: &&usize| sequence.frame(k).time.is_some() && sequence.frame(**l).time.is_some();
        let others = landscapes.iter().filter(timed).filter(|l| moves_between(sequence, (k, **l), disc, 1));
        others.flat_map(|l| &frames[*l]).any(|light| is_same_place(light, disc))
    };
    let aside = |k: usize| -> Vec<bool> {
        let stands: Vec<bool> = frames[k].iter().map(|disc| stands(k, disc)).collect();
        let left = frames[k].iter().zip(&stands).filter(|(_, stands)| !**stands).map(|(disc, _)| disc.confidence());
        let seen = frames[k].iter().map(|disc| disc.confidence()).fold(0.0, f64::max);
        // In a frame of the landscape itself no Moon is missed.
        let may = landscapes.contains(&k) || left.fold(0.0, f64::max) > CONFIDENT.min(0.6 * seen);
        stands.into_iter().map(|stands| stands && may).collect()
    };
    (0..frames.len()).map(aside).collect()
}

/// Whether the notes say that nobody touched the tripod.
fn claims_a_tripod(sequence: &Sequence<'_>) -> bool {
    sequence.night.mount() == Mount::FixedTripod
}

/// Which way a level camera's frames show the Moon go from one frame to another, where the sky is known; radians from the
/// right, clockwise.
fn way_of_the_sky(sequence: &Sequence<'_>, (from, to): (usize, usize)) -> Option<f64> {
    let (from, to) = (sequence.place(from)?.seen, sequence.place(to)?.seen);
    let along = (to.azimuth - from.azimuth).normalized_signed().radians() * from.altitude.radians().cos();
    Some((from.altitude - to.altitude).radians().atan2(along))
}

/// Whether a disc crosses the frames as the sky crosses those of a camera that stands: at the sky's pace, which in radii of
/// the disc is the same for every lens, in one direction, of one size.
fn moves_as_the_sky(sequence: &Sequence<'_>, frames: &[Vec<&DiscFit>], stays: &[Vec<bool>]) -> bool {
    /// So many frames in a row make it no chance: of lights anywhere, one in some fifty continues a step.
    const LINKS: usize = 5;
    /// Where the notes speak of a tripod besides, so many do; or two, of which the second lies where the sky would have it.
    const CLAIMED_LINKS: usize = 3;
    /// How far that is from a level camera's at most, radians: a roll that nobody would call level, and what a wide lens bends.
    const OFF_LEVEL: f64 = 0.4;
    /// Least and most pace over the equator's: the Moon's declination takes an eighth off, the projection of a wide lens
    /// and the Moon's own motion give and take as much, its radius is uncertain by a tenth.
    const PACE: (f64, f64) = (0.72, 1.25);
    /// How sharply its way may bend from one step to the next, radians.
    const BEND: f64 = 0.3;
    /// How far the sizes of neighbours may differ, as a logarithm.
    const SIZE: f64 = 0.2;
    /// Clouds and roofs may hide so many frames between two that show it; in quick succession, what five minutes hold.
    const HIDDEN: usize = 3;
    const HIDDEN_S: f64 = 300.0;
    struct Link<'a> {
        frame: usize,
        disc: &'a DiscFit,
        /// Longest chain that ends here, and the direction in which it arrived.
        length: usize,
        heading: Option<f64>,
        /// Whether it has gone the sky's way over a level camera from some frame.
        is_on_its_way: bool,
    }
    let turn = |from: f64, to: f64| ((to - from + 9.0 * PI).rem_euclid(2.0 * PI) - PI).abs();
    let mut links: Vec<Link<'_>> = Vec::new();
    for (k, (discs, stays)) in frames.iter().zip(stays).enumerate() {
        let before = links.len();
        for (disc, _) in discs.iter().zip(stays).filter(|(_, stays)| !**stays) {
            let (mut best, mut is_on_its_way) = ((1, None), false);
            for link in links[..before].iter().rev() {
                let times = sequence.frame(k).time.zip(sequence.frame(link.frame).time);
                let Some(seconds) = times.map(|(now, then)| now.middle.seconds_since(then.middle)) else { continue };
                if k - link.frame > HIDDEN + 1 && seconds > HIDDEN_S {
                    break;
                }
                let step = disc.centre.distance(link.disc.centre) / (0.5 * (disc.radius_px + link.disc.radius_px));
                let pace = step / (seconds * RADII_PER_SECOND);
                let heading = (disc.centre.y - link.disc.centre.y).atan2(disc.centre.x - link.disc.centre.x);
                let bend = link.heading.map_or(0.0, |from| turn(from, heading));
                let is_same = (disc.radius_px / link.disc.radius_px).ln().abs() < SIZE;
                if step <= 1.0 || pace <= PACE.0 || pace >= PACE.1 || !is_same {
                    continue;
                }
                // Whatever came before: a lamp may have lain where the Moon could have come from.
                let way = way_of_the_sky(sequence, (link.frame, k));
                is_on_its_way |= way.is_some_and(|way| turn(way, heading) < OFF_LEVEL);
                if bend < BEND && link.length + 1 > best.0 {
                    best = (link.length + 1, Some(heading));
                }
            }
            links.push(Link { frame: k, disc, length: best.0, heading: best.1, is_on_its_way });
        }
    }
    let is_claimed = claims_a_tripod(sequence);
    links.iter().any(|l| l.length >= LINKS || (is_claimed && (l.length >= CLAIMED_LINKS || l.is_on_its_way)))
}

/// Which discs of each frame stand at one place in at least `fewest` other frames between which the sky has moved;
/// frames without a time count where they are `apart` in their order.
fn returning(sequence: &Sequence<'_>, frames: &[Vec<&DiscFit>], fewest: usize, apart: usize) -> Vec<Vec<bool>> {
    (0..frames.len())
        .map(|k| {
            let returns = |disc: &&DiscFit| {
                let others = (0..frames.len()).filter(|i| moves_between(sequence, (k, *i), disc, apart));
                others.filter(|i| frames[*i].iter().any(|d| is_same_place(d, disc))).take(fewest).count() >= fewest
            };
            frames[k].iter().map(returns).collect()
        })
        .collect()
}

/// Whether the sky has moved on between two frames by more than a disc's place is uncertain, were it the Moon.
fn moves_between(sequence: &Sequence<'_>, (a, b): (usize, usize), disc: &DiscFit, apart: usize) -> bool {
    match (sequence.frame(a).time, sequence.frame(b).time) {
        (Some(a), Some(b)) => {
            let radii = a.middle.seconds_since(b.middle).abs() * RADII_PER_SECOND;
            radii * disc.radius_px > 0.3 * disc.radius_px + 3.0
        }
        _ => a.abs_diff(b) >= apart,
    }
}

fn is_same_place(a: &DiscFit, b: &DiscFit) -> bool {
    a.centre.distance(b.centre) < (0.1 * b.radius_px).max(1.5) && (a.radius_px / b.radius_px).ln().abs() < 0.4
}

/// Different places at which lights stay; a ghost of one, opposite through the middle of the frame, is not another.
fn fixtures(sequence: &Sequence<'_>, frames: &[Vec<&DiscFit>], stays: &[Vec<bool>]) -> Vec<PixelPoint> {
    let (width, height) = sequence.size();
    let reach = 0.02 * (width as f64).hypot(height as f64);
    let mut found: Vec<(PixelPoint, f64)> = Vec::new();
    for (discs, stays) in frames.iter().zip(stays) {
        for (disc, _) in discs.iter().zip(stays).filter(|(_, s)| **s) {
            let mirrored = PixelPoint::new(width as f64 - disc.centre.x, height as f64 - disc.centre.y);
            let known = |(place, radius): &(PixelPoint, f64)| {
                place.distance(disc.centre) < 2.0 * radius.max(disc.radius_px) || place.distance(mirrored) < reach
            };
            if !found.iter().any(known) {
                found.push((disc.centre, disc.radius_px));
            }
        }
    }
    found.into_iter().map(|(place, _)| place).collect()
}
