//! What a mount keeps steady from frame to frame: turns of discs whose features do not tell.

use super::{median, wrapped};
use crate::camera::Mount;
use crate::raster::PixelPoint;
use crate::registration::{MountRotation, Orientation, OrientationSource};
use crate::sky::{CameraPointing, Lens};
use crate::solve::moon::Moon;
use crate::solve::mount::Aim;
use crate::solve::sequence::Sequence;
use crate::solve::sky_place::SkyPlace;
use crate::units::Angle;

/// The position angle of the image's up direction at each Moon, if the camera stood level: away from the middle of a frame that
/// looks up steeply the zenith lies to one side of up, by degrees.
pub(super) fn level_ups(sequence: &Sequence<'_>, moons: &[Option<Moon>], aim: &Aim) -> Vec<Option<Angle>> {
    let (width, height) = sequence.size();
    let lens = aim.focal_length_px().map(|focal| Lens::rectilinear(width, height, focal));
    let aside = |moon: &Moon, place: &SkyPlace| {
        let pointing = level_camera(lens?, moon.fit.centre, place.seen.altitude)?;
        Some(pointing.zenith_turn(moon.fit.centre))
    };
    let up = |(moon, place): (&Option<Moon>, &Option<SkyPlace>)| {
        let place = place.as_ref()?;
        let aside = moon.as_ref().and_then(|moon| aside(moon, place)).unwrap_or(Angle::ZERO);
        Some(place.parallactic_angle + aside)
    };
    moons.iter().zip(&sequence.places).map(up).collect()
}

/// A level camera that shows a place of the sky's altitude at a pixel, whatever its azimuth.
fn level_camera(lens: Lens, pixel: PixelPoint, altitude: Angle) -> Option<CameraPointing> {
    // Upwards, the pixel's direction has `up cos t + sin t` of its length, t the altitude of the axis.
    let up = (lens.centre.y - pixel.y) / lens.focal_length_px;
    let across = (pixel.x - lens.centre.x) / lens.focal_length_px;
    let share = altitude.sin() * (1.0 + up * up + across * across).sqrt() / (1.0 + up * up).sqrt();
    let axis = Angle::from_radians((-1.0..=1.0).contains(&share).then(|| share.asin())? - up.atan());
    Some(CameraPointing { lens, azimuth: Angle::ZERO, altitude: axis, roll: Angle::ZERO })
}

/// Turns of neighbours that differ by less are one, degrees: hands level a tripod to a degree or two, and a face that is misread lies
/// anywhere.
const ALIKE_DEG: f64 = 6.0;

/// What a mount keeps steady: on one that follows the sky the position angle itself, on a level tripod
/// its difference from that of a level camera.
fn steady_part(level: bool, level_up: Angle, orientation: &Orientation) -> Angle {
    if level { orientation.up_position_angle - level_up } else { orientation.up_position_angle }
}

/// Whether the camera stayed level, or turned with the sky: by what is known of its mount, else, or where that is contradicted, by
/// the frames whose features tell, where most of those agree on one of the two. `None` where nothing says so.
fn stays_level(aim: &Aim, level_ups: &[Option<Angle>], found: &[Option<Orientation>]) -> Option<bool> {
    /// So many frames that agree so well are no chance, degrees.
    const FEWEST: usize = 5;
    const WELL_DEG: f64 = 3.0;
    const MOST: f64 = 0.8;
    let noted = (aim.mount() != Mount::Unknown).then(|| aim.keeps_level());
    let agreeing = |level: bool| {
        let pairs = found.iter().zip(level_ups);
        let parts: Vec<Angle> = pairs.filter_map(|(o, up)| Some(steady_part(level, (*up)?, o.as_ref()?))).collect();
        // A telescope that swings over the pole shows the rest of the night upside down.
        let alike = |a: &Angle| parts.iter().filter(|b| half_wrapped((**b - *a).degrees()).abs() < WELL_DEG).count();
        let most = parts.iter().map(alike).max().unwrap_or(0);
        (most >= FEWEST && most as f64 >= MOST * parts.len() as f64).then_some(most)
    };
    match (noted, agreeing(true), agreeing(false)) {
        // What was noted stands, unless the frames agree on the other alone.
        (Some(true), Some(_), _) | (Some(true), _, None) => Some(true),
        (Some(false), _, Some(_)) | (Some(false), None, _) => Some(false),
        // Of equals the tripod: most cameras stand on one.
        (_, Some(level), with_sky) => Some(with_sky.is_none_or(|n| level >= n)),
        (_, None, Some(_)) => Some(false),
        (None, None, None) => None,
    }
}

/// A frame whose features say something else than those of its neighbours has been misread; but from where a telescope swung over the
/// pole on, all before stand upside down to all after, and a frame near there agrees with those of one side alone.
pub(super) fn without_strays(
    aim: &Aim,
    level_ups: &[Option<Angle>],
    found: Vec<Option<Orientation>>,
) -> Vec<Option<Orientation>> {
    match stays_level(aim, level_ups, &found) {
        Some(level) => without_strays_where(level, level_ups, found),
        None => found,
    }
}

fn without_strays_where(
    level: bool,
    level_ups: &[Option<Angle>],
    mut found: Vec<Option<Orientation>>,
) -> Vec<Option<Orientation>> {
    /// So many nearest ones speak for a side of the pole.
    const ON_A_SIDE: usize = 3;
    let steady: Vec<Option<Angle>> =
        found.iter().zip(level_ups).map(|(o, up)| Some(steady_part(level, (*up)?, o.as_ref()?))).collect();
    for k in 0..found.len() {
        let Some(mine) = steady[k] else { continue };
        let around = steady.iter().enumerate().filter(|(i, s)| *i != k && s.is_some()).map(|(i, _)| i);
        let mut nearest: Vec<usize> = around.collect();
        nearest.sort_by_key(|i| i.abs_diff(k));
        nearest.truncate(6);
        let offsets = |side: &[usize]| -> Vec<f64> {
            side.iter().filter_map(|i| steady[*i]).map(|s| wrapped(s - mine)).collect()
        };
        let agreeing = |offsets: &[f64]| offsets.iter().filter(|o| o.abs() < ALIKE_DEG).count();
        let most_agree = |offsets: &[f64]| !offsets.is_empty() && agreeing(offsets) * 2 >= offsets.len();
        let all = offsets(&nearest);
        let (before, after): (Vec<usize>, Vec<usize>) = nearest.iter().partition(|i| **i < k);
        let has_swung = all.iter().all(|o| half_wrapped(*o).abs() < ALIKE_DEG)
            && agreeing(&all) >= 2
            && [before, after].iter().any(|side| most_agree(&offsets(&side[..side.len().min(ON_A_SIDE)])));
        if all.len() >= 3 && !most_agree(&all) && !has_swung {
            found[k] = None;
        }
    }
    found
}

/// Frames whose features do not tell are oriented as their neighbours were.
pub(super) fn filled(
    sequence: &Sequence<'_>,
    aim: &Aim,
    level_ups: &[Option<Angle>],
    mut found: Vec<Option<Orientation>>,
) -> Vec<Option<Orientation>> {
    let Some(level) = stays_level(aim, level_ups, &found) else { return found };
    let known: Vec<(f64, Angle, bool)> = found
        .iter()
        .zip(sequence.places.iter().zip(level_ups))
        .filter_map(|(o, (p, up))| {
            let (o, p) = (o.as_ref()?, p.as_ref()?);
            Some((p.instant.tt_seconds() / 3600.0, steady_part(level, (*up)?, o), o.mirrored))
        })
        .collect();
    // What hands turn anew for each frame, or a sky that is not the site's, makes neighbours tell less.
    let unsteady_deg = unsteady_deg(&known);
    if known.is_empty() {
        if level {
            for (o, up) in found.iter_mut().zip(level_ups) {
                *o = up.map(|up| Orientation {
                    up_position_angle: up.normalized(),
                    mirrored: false,
                    sigma: Angle::from_degrees(2.0),
                    source: OrientationSource::Sequence,
                });
            }
        }
        return found;
    }
    for (o, (place, up)) in found.iter_mut().zip(sequence.places.iter().zip(level_ups)) {
        let Some((place, up)) = place.as_ref().zip(*up).filter(|_| o.is_none()) else { continue };
        let hours = place.instant.tt_seconds() / 3600.0;
        let mut near: Vec<&(f64, Angle, bool)> = known.iter().collect();
        near.sort_by(|a, b| (a.0 - hours).abs().total_cmp(&(b.0 - hours).abs()));
        near.truncate(5);
        let Some(first) = near.first() else { continue };
        let all: Vec<f64> = near.iter().map(|n| wrapped(n.1 - first.1)).collect();
        // Beyond the pole all stand upside down, and where a camera was turned by hand askew: those say nothing of this side.
        let on_this_side: Vec<f64> = all.iter().copied().filter(|offset| offset.abs() < ALIKE_DEG).collect();
        // Between the last frame of one side and the first of the other nobody knows when the telescope swung.
        let ends = near.iter().find(|n| n.0 < hours).zip(near.iter().find(|n| n.0 >= hours));
        if ends.is_some_and(|(a, b)| wrapped(a.1 - b.1).abs() > 180.0 - ALIKE_DEG) {
            continue;
        }
        let offsets = if on_this_side.len() >= 2 { on_this_side } else { all };
        let Some(middle) = median(offsets.clone()) else { continue };
        let spread = median(offsets.iter().map(|o| (o - middle).abs()).collect()).unwrap_or(0.0);
        let base = if level { up } else { Angle::ZERO };
        *o = Some(Orientation {
            up_position_angle: (base + first.1 + Angle::from_degrees(middle)).normalized(),
            mirrored: first.2,
            // Hands level a tripod to most of a degree.
            sigma: Angle::from_degrees((1.5 * spread).max(if level { 0.7 } else { 0.4 }).max(unsteady_deg)),
            source: OrientationSource::Sequence,
        });
    }
    found
}

/// How far off a frame between others may stand, degrees, by how far successive ones differ (hours, steady part, mirrored): a standard
/// deviation. A telescope's swing over the pole and a camera turned once are single steps, and say nothing here.
fn unsteady_deg(known: &[(f64, Angle, bool)]) -> f64 {
    /// Of independent normal values differences of two have a median of 0.954 deviations, and the median of five misses a further one
    /// by 1.13.
    const OF_DIFFERENCES: f64 = 1.2;
    /// A median of fewer says nothing.
    const FEWEST: usize = 4;
    /// Frames of one bracket or burst, hours: no hand turns the camera between them.
    const BURST_H: f64 = 1.0 / 60.0;
    let mut apart: Vec<(f64, Angle)> = Vec::new();
    for &(hours, angle, _) in known {
        if apart.last().is_none_or(|last| hours - last.0 > BURST_H) {
            apart.push((hours, angle));
        }
    }
    let steps: Vec<f64> = apart.windows(2).map(|two| half_wrapped((two[1].1 - two[0].1).degrees())).collect();
    // What goes on evenly, neighbours on both sides tell.
    let Some(even) = median(steps.clone()).filter(|_| steps.len() >= FEWEST) else { return 0.0 };
    OF_DIFFERENCES * median(steps.iter().map(|s| (s - even).abs()).collect()).unwrap_or(0.0)
}

/// Turns on a mount that follows the sky, weighed with the straight line that they lie along: its polar axis turns the
/// camera slowly and evenly, and a line through many frames is known better than any one of them. A frame that stands
/// off the line (a camera turned by hand) keeps its own.
pub(super) fn along_the_line(
    sequence: &Sequence<'_>,
    aim: &Aim,
    found: Vec<Option<Orientation>>,
) -> Vec<Option<Orientation>> {
    /// A turn is hardly even to less, degrees.
    const UNEVEN_DEG: f64 = 0.1;
    const FEWEST: usize = 6;
    let told = found.iter().flatten().filter(|o| o.source == OrientationSource::Features).count();
    let line = rotation(sequence, &found).filter(|_| aim.mount() == Mount::Tracking && told >= FEWEST);
    let first = found
        .iter()
        .zip(&sequence.places)
        .find(|(o, _)| o.is_some_and(|o| o.source == OrientationSource::Features))
        .and_then(|(_, p)| Some(p.as_ref()?.instant));
    let (Some(line), Some(first)) = (line, first) else { return found };
    let expected = |place: &SkyPlace| {
        let hours = place.instant.seconds_since(first) / 3600.0;
        line.up_position_angle + Angle::from_degrees(line.degrees_per_hour * hours)
    };
    let off = |o: &Orientation, place: &SkyPlace| half_wrapped((expected(place) - o.up_position_angle).degrees());
    let pairs = || found.iter().zip(&sequence.places).filter_map(|(o, p)| Some((o.as_ref()?, p.as_ref()?)));
    let Some(scatter) = median(pairs().map(|(o, p)| off(o, p).abs()).collect()).map(|m| 1.4826 * m) else {
        return found;
    };
    let sigma = UNEVEN_DEG.hypot(1.25 * scatter / (told as f64).sqrt());
    let weighed = |o: &Orientation, place: &SkyPlace| {
        let (own, off) = (o.sigma.degrees().max(0.02), off(o, place));
        if off.abs() > 4.0 * own.hypot(scatter) {
            return *o;
        }
        let share = own * own / (own * own + sigma * sigma);
        Orientation {
            up_position_angle: (o.up_position_angle + Angle::from_degrees(share * off)).normalized(),
            sigma: Angle::from_degrees(own * sigma / own.hypot(sigma)),
            ..*o
        }
    };
    found
        .iter()
        .zip(&sequence.places)
        .map(|(o, p)| match (o, p) {
            (Some(o), Some(p)) => Some(weighed(o, p)),
            _ => *o,
        })
        .collect()
}

/// An angle without half turns, -90 to 90 degrees.
fn half_wrapped(degrees: f64) -> f64 {
    wrapped(Angle::from_degrees(2.0 * degrees)) / 2.0
}

/// A straight line through the position angles of a mount that follows the sky.
pub(super) fn rotation(sequence: &Sequence<'_>, found: &[Option<Orientation>]) -> Option<MountRotation> {
    let points: Vec<(f64, f64)> = found
        .iter()
        .zip(&sequence.places)
        .filter_map(|(o, p)| Some((p.as_ref()?.instant.tt_seconds() / 3600.0, o.as_ref()?)))
        .filter(|(_, o)| o.source == OrientationSource::Features)
        .map(|(t, o)| (t, o.up_position_angle.degrees()))
        .collect();
    let (t0, a0) = *points.first()?;
    if points.len() < 4 {
        return None;
    }
    // The median of all slopes (Theil 1950, Sen 1968) does not mind a few wrong frames. A mount that swings over the pole turns
    // the picture upside down, and its line goes on: half turns are none here.
    let (mut before, mut turned) = (a0, 0.0);
    let unwrapped: Vec<(f64, f64)> = points
        .iter()
        .map(|(t, a)| {
            turned += half_wrapped(a - before);
            before = *a;
            (t - t0, turned)
        })
        .collect();
    let line = line_through(&unwrapped).filter(|line| line.lies_along(&unwrapped));
    let line = line.or_else(|| line_through(&without_steps(&unwrapped)?))?;
    Some(MountRotation {
        up_position_angle: Angle::from_degrees(a0 + line.start).normalized(),
        degrees_per_hour: line.degrees_per_hour,
    })
}

/// A straight line through angles (hours, degrees).
struct Line {
    start: f64,
    degrees_per_hour: f64,
}

impl Line {
    /// Whether most angles lie along it: those of a camera that was turned by hand in the middle of a night do not.
    fn lies_along(&self, angles: &[(f64, f64)]) -> bool {
        /// The Moon's face tells turns to less, degrees; and no polar axis bends so far in a night.
        const MOST_DEG: f64 = 1.5;
        let off = |(t, a): &(f64, f64)| half_wrapped(a - self.start - self.degrees_per_hour * t).abs();
        median(angles.iter().map(off).collect()).is_some_and(|off| off < MOST_DEG)
    }
}

fn line_through(angles: &[(f64, f64)]) -> Option<Line> {
    let far = angles.last().map_or(0.0, |p| p.0) / 4.0;
    let slopes: Vec<f64> = (0..angles.len())
        .flat_map(|i| (i + 1..angles.len()).map(move |j| (i, j)))
        .filter(|&(i, j)| angles[j].0 - angles[i].0 > far.max(1e-3))
        .map(|(i, j)| (angles[j].1 - angles[i].1) / (angles[j].0 - angles[i].0))
        .collect();
    let degrees_per_hour = median(slopes)?;
    let start = median(angles.iter().map(|(t, a)| half_wrapped(a - degrees_per_hour * t)).collect())?;
    Some(Line { start, degrees_per_hour })
}

/// Angles (hours, degrees) without the steps by which a camera was turned by hand, all as most of them stand; `None` where they tell no
/// rate.
fn without_steps(angles: &[(f64, f64)]) -> Option<Vec<(f64, f64)>> {
    /// From here on it is a step, degrees: a hand turns a camera by more, and a face that is misread lies anywhere.
    const STEP_DEG: f64 = 5.0;
    /// What lies nearer together in time tells no rate, hours.
    const APART_H: f64 = 1.0 / 30.0;
    let later = |i: usize| (i + 1..angles.len()).find(|j| angles[*j].0 - angles[i].0 > APART_H);
    let rates: Vec<f64> = (0..angles.len())
        .filter_map(|i| {
            let (a, b) = (angles[i], angles[later(i)?]);
            Some((b.1 - a.1) / (b.0 - a.0))
        })
        .collect();
    let rate = median(rates.clone())?;
    // Over a long gap the rate itself makes a step.
    let scatter = 1.4826 * median(rates.iter().map(|r| (r - rate).abs()).collect())?;
    let rate_sigma = 1.25 * scatter / (rates.len() as f64).sqrt();
    let (mut stepped, mut before) = (0.0, *angles.first()?);
    let steps: Vec<f64> = angles
        .iter()
        .map(|(t, a)| {
            let hours = t - before.0;
            let step = a - before.1 - rate * hours;
            stepped += if step.abs() > STEP_DEG + 3.0 * rate_sigma * hours { step } else { 0.0 };
            before = (*t, *a);
            stepped
        })
        .collect();
    let usual = median(steps.clone())?;
    Some(angles.iter().zip(steps).map(|((t, a), step)| (*t, a - step + usual)).collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_camera_turned_by_hand_once_does_not_turn_all_night() {
        let night = |step: f64, from: usize| -> Vec<(f64, f64)> {
            let angle = |i: usize| (i as f64 / 10.0, 1.2 * i as f64 / 10.0 + if i < from { 0.0 } else { step });
            (0..25).map(angle).collect()
        };
        // Where most of the frames stand, the line is theirs: a first frame that was misread draws none.
        for (step, from, start) in [(0.0, 12, 0.0), (41.0, 15, 0.0), (-70.0, 14, 0.0), (41.0, 3, 41.0), (30.0, 1, 30.0)]
        {
            let line = line_through(&without_steps(&night(step, from)).unwrap()).unwrap();
            assert!((line.degrees_per_hour - 1.2).abs() < 0.05, "{step}: {}", line.degrees_per_hour);
            assert!((line.start - start).abs() < 0.2, "{step}: {}", line.start);
        }
        assert!(!line_through(&night(41.0, 12)).unwrap().lies_along(&night(41.0, 12)));
        assert!(line_through(&night(0.0, 12)).unwrap().lies_along(&night(0.0, 12)));
        let mut misread = night(0.0, 12);
        misread[7].1 += 30.0;
        assert!(line_through(&misread).unwrap().lies_along(&misread));
        let even = without_steps(&misread).unwrap();
        assert!((even[20].1 - 2.4).abs() < 0.2, "{even:?}");
    }

    #[test]
    fn turns_after_a_swing_over_the_pole_are_no_strays_and_one_that_was_misread_is() {
        let turned = |degrees: f64| {
            Some(Orientation {
                up_position_angle: Angle::from_degrees(degrees),
                mirrored: false,
                sigma: Angle::from_degrees(0.1),
                source: OrientationSource::Features,
            })
        };
        let ups = vec![Some(Angle::ZERO); 14];
        // Ten before the swing, and of those after it three that tell.
        let mut found: Vec<Option<Orientation>> = (0..10).map(|_| turned(12.0)).collect();
        found.extend([turned(192.1), turned(191.9), turned(192.0), None]);
        assert_eq!(without_strays_where(false, &ups, found.clone()).iter().flatten().count(), 13);
        found[12] = turned(77.0);
        found[4] = turned(192.0);
        let kept = without_strays_where(false, &ups, found);
        assert!(kept[4].is_none() && kept[12].is_none());
    }

    #[test]
    fn neighbours_that_differ_tell_as_much_less_and_a_single_step_does_not() {
        let night = |angle: &dyn Fn(usize) -> f64| -> Vec<(f64, Angle, bool)> {
            (0..40).map(|i| (i as f64 / 20.0, Angle::from_degrees(angle(i)), false)).collect()
        };
        // A head of three degrees' deviation by hand, and what a tripod holds, turned once.
        let by_hand = unsteady_deg(&night(&|i| 3.0 * crate::random::normal(7, i as u64)));
        assert!((2.0..5.0).contains(&by_hand), "{by_hand}");
        let steady = unsteady_deg(&night(&|i| if i < 15 { 4.0 } else { 45.0 } + 0.01 * i as f64));
        assert!(steady < 0.02, "{steady}");
        assert_eq!(unsteady_deg(&night(&|i| 30.0 * i as f64)[..4]), 0.0);
        // Brackets of three, re-aimed every three minutes.
        let bracket = |i: usize| {
            let hours = ((i / 3) as f64 * 180.0 + (i % 3) as f64) / 3600.0;
            (hours, Angle::from_degrees(3.0 * crate::random::normal(7, (i / 3) as u64)), false)
        };
        let in_brackets = unsteady_deg(&(0..60).map(bracket).collect::<Vec<_>>());
        assert!(in_brackets > 2.0, "{in_brackets}");
    }

    #[test]
    fn a_level_camera_has_the_moon_where_it_is_seen() {
        let lens = Lens::rectilinear(6000, 4000, 10_000.0);
        for (x, y, altitude) in [(120.0, 3000.0, 62.0), (5800.0, 200.0, 40.0), (3000.0, 2000.0, 12.0)] {
            let (pixel, altitude) = (PixelPoint::new(x, y), Angle::from_degrees(altitude));
            let pointing = level_camera(lens, pixel, altitude).unwrap();
            assert!((pointing.to_sky(pixel).altitude - altitude).degrees().abs() < 1e-9);
        }
        // The zenith's image lies the cotangent of the axis's altitude above the middle, in focal lengths (gnomonic projection).
        let left = PixelPoint::new(120.0, 2000.0);
        let pointing = level_camera(lens, left, Angle::from_degrees(62.0)).unwrap();
        let expected = (0.288 * pointing.altitude.radians().tan()).atan().to_degrees();
        assert!((wrapped(pointing.zenith_turn(left)) - expected).abs() < 0.05, "{expected}");
    }
}
