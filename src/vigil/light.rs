//! What is clipped, what lies too deep in the noise, and cloud.

use super::judged::{Judged, TINY_PX};
use super::memory::Verdict;
use super::{Advice, Context, Kind, Now, Urgency};
use crate::detect::DiscFit;
use crate::plan::{exposure_at, marked_shutter, marked_shutter_at_most, shutter_words};

/// Of the disc so much may be clipped before it is said.
const CLIPPED: f64 = 0.03;
/// The brighter part of the umbra should stand here, 1 is saturation,
const UMBRA_AT: f64 = 0.15;
/// and of the lit part here.
const LIT_AT: f64 = 0.3;
/// What lacks less than this, stops, is a matter of taste.
const LACKING_STOPS: f64 = 1.8;
/// A frame that was given so many stops less than the longest of the frames before it, each held against what its moment asks
/// for, was given them by a dial that was touched,
const DROPPED_STOPS: f64 = 1.5;
/// if it lacks this as well: who has exposed too long may expose less.
const DROPPED_AND_LACKING_STOPS: f64 = 0.5;
/// and stands so far below the plan's own exposure.
const BELOW_THE_PLAN_STOPS: f64 = 0.7;
/// In totality the copper's brighter part may still be where it should while its greater part is lost: where the plan as well
/// has the frame so many stops under, it need not lack more than this.
const DROPPED_IN_TOTALITY_STOPS: f64 = -0.25;
/// What was given more than so much beyond it was given for something else (the copper beside a last sliver), and is no measure.
const BEYOND_THE_PLAN_STOPS: f64 = 1.0;
/// As long as less than this share of the disc lies in the umbra what is lit tells of it.
const DROP_SEEN: f64 = 0.97;
/// So long before, minutes, is what a photographer may have changed his mind of.
const DROPPED_MINUTES: f64 = 30.0;
/// Longer ago, when as much of the disc lay in the umbra to this share, the same dial stood where this night's ladder puts it.
const SAME_STEP: f64 = 0.03;
/// in so many moments,
const SAME_STEP_MOMENTS: usize = 2;
/// which were given as little to this, stops.
const ALIKE_STOPS: f64 = 0.4;
/// Light that is below this share of the clear frames' is cloud,
const CLOUDED: f64 = 0.4;
/// in so many frames in a row.
const IN_A_ROW: usize = 2;
/// It has gone when the Moon was clear in so many frames in a row: what drifts past lets it through now and then.
const CLEAR_IN_A_ROW: usize = 4;
/// Frames so near each other may be one bracket, seconds,
const BRACKET_S: f64 = 25.0;
/// if they are so much nearer than brackets are to each other: frames that come evenly are none.
const NEARER: f64 = 0.4;
/// Frames by which that is told.
const TELLING: usize = 12;

/// How near frames of one moment are, seconds; zero of a camera that does not bracket.
fn moment_s(before: &[Judged]) -> f64 {
    let times: Vec<f64> = before.iter().rev().take(TELLING).filter_map(|j| Some(j.at?.tt_seconds())).collect();
    let gaps: Vec<f64> = times.windows(2).map(|w| (w[0] - w[1]).abs()).collect();
    let longest = gaps.iter().copied().fold(0.0, f64::max);
    let near = BRACKET_S.min(NEARER * longest);
    // One long gap among many is a pause.
    let is_bracketing = gaps.iter().filter(|g| **g > near).count() >= 2;
    if is_bracketing && gaps.iter().any(|g| *g <= near) { near } else { 0.0 }
}

/// Frames of this moment, this one among them: several where the camera brackets.
fn of_this_moment<'a>(before: &'a [Judged], judged: &'a Judged, near_s: f64) -> Vec<&'a Judged> {
    let mut out: Vec<&Judged> = before.iter().rev().take_while(|j| is_one_moment(j, judged, near_s)).collect();
    out.push(judged);
    out
}

/// Whether two frames are one moment.
fn is_one_moment(a: &Judged, b: &Judged, near_s: f64) -> bool {
    near_s > 0.0 && a.at.zip(b.at).is_some_and(|(a, b)| a.seconds_since(b).abs() <= near_s * 1.5)
}

/// How many frames a moment usually has.
fn usual_bracket(before: &[Judged], near_s: f64) -> usize {
    let times: Vec<f64> = before.iter().rev().take(TELLING).filter_map(|j| Some(j.at?.tt_seconds())).collect();
    let together = times.windows(2).filter(|w| (w[0] - w[1]).abs() <= near_s).count();
    if together == 0 { 1 } else { (times.len() as f64 / (times.len() - together) as f64).round() as usize }
}

/// What there is to say of light.
pub(super) fn judge(context: &Context<'_>, now: Now<'_>, judged: &Judged) -> Verdict {
    let mut out = Verdict::default();
    if let Some(cloud) = cloud(context, judged) {
        out.advice.push(cloud);
        out.untold = vec![Kind::Clipped, Kind::Dark];
        return out;
    }
    if judged.fit.is_none() {
        out.advice.extend(unseen(context, now, judged));
        out.untold = vec![Kind::Clipped, Kind::Dark, Kind::Cloud];
        return out;
    }
    let lately = context.before.iter().rev().filter(|j| j.light_ratio.is_some()).take(CLEAR_IN_A_ROW - 1);
    if judged.light_ratio.is_none() || lately.chain([judged]).any(is_clouded) {
        out.untold.push(Kind::Cloud);
    }
    let near_s = moment_s(context.before);
    let moment = of_this_moment(context.before, judged, near_s);
    if moment.len() < usual_bracket(context.before, near_s) {
        // The bracket goes on.
        out.untold.extend([Kind::Clipped, Kind::Dark]);
        return out;
    }
    let shown = |value: &dyn Fn(&DiscFit) -> f64| -> Option<(f64, Option<f64>)> {
        let of = moment.iter().filter_map(|j| Some((value(&j.fit?), j.exposure.map(|e| e.time.seconds))));
        of.min_by(|a, b| a.0.total_cmp(&b.0))
    };
    // Of a bracket the least clipped frame counts for the lit part, the brightest for what lies in the dark.
    let (Some((clipped, shortest)), Some((bright, longest))) =
        (shown(&|f| f.saturated_share), shown(&|f| -f64::from(f.disc_level)))
    else {
        return out;
    };
    let bright = -bright;
    let advised =
        context.plan_request().zip(context.setup(now)).zip(now.at).map(|((r, s), at)| exposure_at(&r, &s, at));
    let total = is_total(judged);
    // Beside a last sliver one exposes for the copper, and lets it clip.
    let is_sliver = judged.umbral_fraction.is_some_and(|u| u > 0.75) && !total;
    if clipped > CLIPPED && !is_sliver {
        // How far beyond white it is, the frame cannot tell: the plan can.
        // In totality no further than two stops: it is the rim that clips, and how bright the rest is nobody foretells.
        let of_umbra = |u: [f64; 3]| shortest.map_or(u[0], |now| u[0].max(now / 4.0));
        let to = advised.as_ref().and_then(|a| if total { a.umbra_s.map(of_umbra) } else { a.lit_s });
        let shorter = shortest.map(|now| to.filter(|to| *to < 0.75 * now).unwrap_or(now / 2.0));
        let change = shortest.zip(shorter).map_or("expose less".to_owned(), |(now, to)| {
            format!("shutter {} -> {}", shutter_words(now), shutter_words(marked_shutter(to)))
        });
        let text = format!("{change}: {:.0} % of the disc is clipped", 100.0 * clipped);
        out.advice.push(Advice::new(Kind::Clipped, Urgency::Soon, text));
    } else if clipped < 0.001 {
        let (target, what) = if total { (UMBRA_AT, "umbra") } else { (LIT_AT, "lit part") };
        let lacks = (target / bright.max(1e-4)).log2();
        // A last sliver is small: what shows of it says little; and of a disc of a few pixels a crescent is one, unless the
        // camera says as much.
        let is_tiny = judged.fit.is_some_and(|f| f.radius_px < TINY_PX);
        let drop = dial_drop(context, now, &moment, near_s);
        let dropped = drop.map(|d| d.stops);
        let has_dropped = dropped.is_some();
        let most = if has_dropped { DROP_SEEN } else { 0.8 - if is_tiny { 0.4 } else { 0.0 } };
        // What a few pixels of a crescent thin out, the camera's record knows better.
        let lacks = dropped.filter(|_| is_tiny).map_or(lacks, |dropped| lacks.min(dropped));
        let tells = total || judged.umbral_fraction.is_none_or(|u| u < most);
        // Where the exposure is not known, it may as well be cloud: then it takes more to be said.
        let (is_clear, lacking) = match judged.light_ratio {
            Some(ratio) => {
                let lacking = match drop {
                    Some(drop) if total && drop.below_the_plan > DROPPED_STOPS => DROPPED_IN_TOTALITY_STOPS,
                    Some(_) => DROPPED_AND_LACKING_STOPS,
                    None => LACKING_STOPS,
                };
                (ratio > 0.6, lacking)
            }
            None => (judged.exposure.is_none(), 2.0 * LACKING_STOPS),
        };
        let was_dark = context.before.iter().rev().find(|j| j.fit.is_some() && !is_one_moment(j, judged, near_s));
        let again = was_dark.is_some_and(|j| {
            is_total(j) == total && j.fit.is_some_and(|f| f64::from(f.disc_level) < target / lacking.exp2())
        });
        if lacks > lacking && tells && is_clear && again {
            // Where the brighter part alone is as it should be, the record says by how much the rest is under.
            let stops = if lacks < DROPPED_AND_LACKING_STOPS { dropped.unwrap_or(lacks) } else { lacks };
            let why = format!("the {what} is {} under", stops_in_words(stops.round()));
            out.advice.push(dark(longest, stops, &why, advised.and_then(|a| a.longest_s)));
        }
    }
    out
}

/// Whether all of the disc lies in the umbra.
fn is_total(j: &Judged) -> bool {
    j.umbral_fraction.is_some_and(|u| u > 0.999)
}

/// A Moon that is not seen any more since frames were given less: the record alone tells that.
fn unseen(context: &Context<'_>, now: Now<'_>, judged: &Judged) -> Option<Advice> {
    if judged.below_horizon || now.found.foreground {
        return None;
    }
    let near_s = moment_s(context.before);
    let moment = of_this_moment(context.before, judged, near_s);
    if moment.len() < usual_bracket(context.before, near_s) || moment.iter().any(|j| j.fit.is_some()) {
        return None;
    }
    let drop = dial_drop(context, now, &moment, near_s)?;
    // Two moments in a row show nothing, and were given less than the last that showed it.
    let mut before = context.before.iter().rev().filter(|j| !is_one_moment(j, judged, near_s));
    let last = before.next().filter(|j| j.fit.is_none())?;
    let seen = before.take(CLEAR_IN_A_ROW).find(|j| j.fit.is_some())?;
    let least = gathered(seen)? - DROPPED_STOPS;
    let longest = moment.iter().filter_map(|j| gathered(j)).max_by(f64::total_cmp)?;
    if longest > least || gathered(last)? > least {
        return None;
    }
    let advised =
        context.plan_request().zip(context.setup(now)).zip(now.at).map(|((r, s), at)| exposure_at(&r, &s, at));
    let why = format!("given {} less, the Moon is not seen", stops_in_words(drop.stops.round()));
    Some(dark(judged.exposure.map(|e| e.time.seconds), drop.stops, &why, advised.and_then(|a| a.longest_s)))
}

/// How many stops of light a frame was given, by what the camera records, on a scale of its own.
fn gathered(j: &Judged) -> Option<f64> {
    let exposure = j.exposure?;
    let stops = (exposure.time.seconds * exposure.sensitivity.iso).log2() - 2.0 * exposure.aperture.f_number.log2();
    Some(stops).filter(|stops| stops.is_finite())
}

/// Frames that were given less by a dial that was touched.
#[derive(Clone, Copy)]
struct DialDrop {
    /// How many stops less than those before.
    stops: f64,
    /// How many stops less than the plan asks for.
    below_the_plan: f64,
}

/// By how much less light the frames of a moment were given than those before it, by what the camera records, and by that against
/// what the plan asks for at each instant, the lesser of the two: towards totality the plan asks for more from frame to frame, after
/// it for less. The longest but one of those before counts, since one may be a trial; what was given far beyond the plan does not.
/// `None` where that is no drop, or the night gave frames as little when as much of the disc lay in the umbra: on the way out of
/// the shadow a ladder goes down the steps that it went up.
fn dial_drop(context: &Context<'_>, now: Now<'_>, moment: &[&Judged], near_s: f64) -> Option<DialDrop> {
    let (request, setup) = context.plan_request().zip(context.setup(now))?;
    let (here, total) = (moment.last()?.at?, is_total(moment.last()?));
    let given = |j: &Judged| {
        let advice = exposure_at(&request, &setup, j.at?);
        let wanted = if total { advice.umbra_s?[1] } else { advice.lit_s? };
        let stops = gathered(j)?;
        Some(Given { stops, beyond_plan: stops - ((wanted * setup.iso).log2() - 2.0 * setup.f_number.log2()) })
    };
    let is_of_late =
        |j: &&Judged| is_total(j) == total && j.at.is_some_and(|at| here.seconds_since(at) < 60.0 * DROPPED_MINUTES);
    let first = moment.iter().filter_map(|j| j.at).min_by(|a, b| a.tt_seconds().total_cmp(&b.tt_seconds()))?;
    let of_late = context.before.iter().rev().take_while(is_of_late).filter(|j| j.at.is_some_and(|at| at < first));
    let before: Vec<Given> = of_late.filter_map(given).collect();
    let now: Vec<Given> = moment.iter().filter_map(|j| given(j)).collect();
    let drop = fallen(&before, &now)?;
    let longest_now = now.iter().map(|g| g.stops).max_by(f64::total_cmp)?;
    let umbral = moment.last()?.umbral_fraction;
    let is_same_step = |j: &&Judged| {
        let is_earlier = j.at.is_some_and(|at| here.seconds_since(at) >= 60.0 * DROPPED_MINUTES);
        let alike = j.umbral_fraction.zip(umbral).is_some_and(|(a, b)| (a - b).abs() < SAME_STEP);
        is_earlier && alike && is_total(j) == total
    };
    // Of a bracket the longest counts.
    let longest = |j: &Judged| {
        let with_it = context.before.iter().filter(|o| std::ptr::eq(*o, j) || is_one_moment(o, j, near_s));
        with_it.filter_map(gathered).max_by(f64::total_cmp)
    };
    let alike =
        context.before.iter().filter(is_same_step).filter_map(longest).filter(|l| *l < longest_now + ALIKE_STOPS);
    (alike.count() < SAME_STEP_MOMENTS * moment.len()).then_some(drop)
}

/// What a frame was given: stops on the record's scale, and beyond what the plan asks for at its instant.
#[derive(Clone, Copy)]
struct Given {
    stops: f64,
    beyond_plan: f64,
}

/// The drop from some frames to those of a moment, if it is one.
fn fallen(before: &[Given], now: &[Given]) -> Option<DialDrop> {
    let by = |of: fn(&Given) -> f64| {
        let mut then: Vec<f64> = before.iter().filter(|g| g.beyond_plan <= BEYOND_THE_PLAN_STOPS).map(of).collect();
        then.sort_by(|a, b| b.total_cmp(a));
        Some((*then.get(1)?, now.iter().map(of).max_by(f64::total_cmp)?))
    };
    let ((then, gathered), (planned_then, planned)) = (by(|g| g.stops)?, by(|g| g.beyond_plan)?);
    let stops = (then - gathered).min(planned_then - planned);
    (stops > DROPPED_STOPS && planned < -BELOW_THE_PLAN_STOPS).then_some(DialDrop { stops, below_the_plan: -planned })
}

/// Whole stops in words.
fn stops_in_words(stops: f64) -> String {
    match stops as i64 {
        1 => "one stop".to_owned(),
        2 => "two stops".to_owned(),
        3 => "three stops".to_owned(),
        more => format!("{more} stops"),
    }
}

fn dark(seconds: Option<f64>, lacks: f64, why: &str, longest_s: Option<f64>) -> Advice {
    let stops = lacks.round().max(1.0);
    let change = match seconds {
        Some(now) => {
            let wanted = marked_shutter(now * stops.exp2());
            match longest_s.filter(|longest| wanted > *longest) {
                // What the mount does not bear, sensitivity has to give.
                Some(longest) if longest > 1.3 * now => format!(
                    "shutter {} -> {}, and raise the ISO",
                    shutter_words(now),
                    shutter_words(marked_shutter_at_most(longest))
                ),
                Some(_) => "raise the ISO or open the lens".to_owned(),
                None => format!("shutter {} -> {}", shutter_words(now), shutter_words(wanted)),
            }
        }
        None => "expose longer, if it is no cloud".to_owned(),
    };
    Advice::new(Kind::Dark, Urgency::Soon, format!("{change}: {why}"))
}

fn is_clouded(j: &Judged) -> bool {
    j.light_ratio.is_some_and(|r| r < CLOUDED)
}

/// Light that has gone in several frames.
fn cloud(context: &Context<'_>, judged: &Judged) -> Option<Advice> {
    if !is_clouded(judged) {
        return None;
    }
    let before: Vec<&Judged> =
        context.before.iter().rev().filter(|j| j.light_ratio.is_some()).take_while(|j| is_clouded(j)).collect();
    (before.len() + 1 >= IN_A_ROW).then(|| {
        let since =
            before.last().and_then(|j| j.at).map_or(String::new(), |at| format!(" since {}", context.clock(at)));
        let stops = -judged.light_ratio.unwrap_or(1.0).log2();
        let text = format!(
            "cloud: the Moon has lost {}{since}; go on, and expose longer while it stays",
            stops_in_words(stops.round())
        );
        Advice::new(Kind::Cloud, Urgency::Later, text)
    })
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;
    use crate::raster::PixelPoint;
    use crate::units::Instant;

    pub fn a_fit() -> DiscFit {
        DiscFit::well_seen(PixelPoint::new(100.0, 100.0), 40.0)
    }

    pub fn clear(at: Instant) -> Judged {
        Judged {
            at: Some(at),
            camera: String::new(),
            fit: Some(a_fit()),
            has_moon: true,
            is_cut: false,
            below_horizon: false,
            exposure: None,
            light_ratio: Some(1.0),
            umbral_fraction: Some(0.0),
            airmass: Some(1.0),
            leaves: None,
            smear: None,
            came_after_s: None,
            is_too_small: false,
            focal_px: None,
        }
    }

    #[test]
    fn a_bracket_is_told_by_its_times() {
        let at = |s: f64| Instant::from_tt_seconds(9e8 + s);
        let bracket = |times: &dyn Fn(u32) -> f64| {
            let frames: Vec<Judged> = (0..12).map(|i| clear(at(times(i)))).collect();
            usual_bracket(&frames, moment_s(&frames))
        };
        // Evenly, however quickly, is no bracket.
        for every in [3.0, 10.0, 20.0, 60.0] {
            assert_eq!(bracket(&|i| every * f64::from(i)), 1, "every {every} s");
        }
        assert_eq!(bracket(&|i| 20.0 * f64::from(i) + if i > 6 { 40.0 } else { 0.0 }), 1, "a pause is no bracket");
        assert_eq!(bracket(&|i| 120.0 * f64::from(i / 3) + 4.0 * f64::from(i % 3)), 3);
        assert_eq!(bracket(&|i| 40.0 * f64::from(i / 2) + 6.0 * f64::from(i % 2)), 2);
    }

    #[test]
    fn a_dial_that_was_touched_is_told_from_a_ladder_that_goes_down() {
        let given = |list: &[(f64, f64)]| -> Vec<Given> {
            list.iter().map(|&(stops, beyond_plan)| Given { stops, beyond_plan }).collect()
        };
        let steady = given(&[(-6.0, -0.7), (-6.0, -0.7), (-6.0, -0.7)]);
        let drop = fallen(&steady, &given(&[(-8.0, -2.7)])).expect("a drop");
        assert!((drop.stops - 2.0).abs() < 1e-9 && (drop.below_the_plan - 2.7).abs() < 1e-9);
        // Of a bracket the longest counts; and one frame before is a trial.
        assert!(fallen(&steady, &given(&[(-8.0, -2.7), (-6.0, -0.7)])).is_none());
        assert!(fallen(&given(&[(-8.0, -2.7), (-6.0, -0.7)]), &given(&[(-8.0, -2.7)])).is_none());
        // From the copper beside a last sliver back to what the sliver asks for: nearly five stops, and no drop.
        let copper = given(&[(2.7, 2.9), (2.7, 2.3), (2.7, 1.3), (2.7, -0.4)]);
        assert!(fallen(&copper, &given(&[(-2.0, -1.3)])).is_none());
        // Who comes back from too much to the plan has dropped as many stops, and rightly.
        assert!(fallen(&given(&[(-4.0, 0.9), (-4.0, 0.9)]), &given(&[(-5.6, -0.6)])).is_none());
    }

    #[test]
    fn what_lacks_is_said_within_what_the_mount_bears() {
        let text = |seconds, lacks: f64, longest| {
            let why = format!("the umbra is {} under", stops_in_words(lacks.round()));
            dark(Some(seconds), lacks, &why, longest).text
        };
        assert_eq!(text(1.0 / 30.0, 2.0, None), "shutter 1/30 s -> 1/8 s: the umbra is two stops under");
        assert_eq!(
            text(0.25, 3.0, Some(0.55)),
            "shutter 1/4 s -> 0.5 s, and raise the ISO: the umbra is three stops under"
        );
        assert_eq!(text(0.5, 2.1, Some(0.55)), "raise the ISO or open the lens: the umbra is two stops under");
    }
}
