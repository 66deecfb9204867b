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
/// Light that is below this share of the clear frames' is cloud,
const CLOUDED: f64 = 0.4;
/// in so many frames in a row.
const IN_A_ROW: usize = 2;
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
        out.untold = vec![Kind::Clipped, Kind::Dark, Kind::Cloud];
        return out;
    }
    let near_s = moment_s(context.before);
    let moment = of_this_moment(context.before, judged, near_s);
    if moment.len() < usual_bracket(context.before, near_s) {
        // The bracket goes on.
        out.untold = vec![Kind::Clipped, Kind::Dark];
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
    let total = judged.umbral_fraction.is_some_and(|u| u > 0.999);
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
        // A last sliver is small: what shows of it says little; and of a disc of a few pixels a crescent is one.
        let is_tiny = judged.fit.is_some_and(|f| f.radius_px < TINY_PX);
        let most = if is_tiny { 0.4 } else { 0.8 };
        let tells = total || judged.umbral_fraction.is_none_or(|u| u < most);
        // Where the exposure is not known, it may as well be cloud: then it takes more to be said.
        let (is_clear, lacking) = match judged.light_ratio {
            Some(ratio) => (ratio > 0.6, LACKING_STOPS),
            None => (judged.exposure.is_none(), 2.0 * LACKING_STOPS),
        };
        let was_dark = context.before.iter().rev().find(|j| j.fit.is_some() && !is_one_moment(j, judged, near_s));
        let again = was_dark.is_some_and(|j| {
            let same_phase = j.umbral_fraction.is_some_and(|u| u > 0.999) == total;
            same_phase && j.fit.is_some_and(|f| f64::from(f.disc_level) < target / lacking.exp2())
        });
        if lacks > lacking && tells && is_clear && again {
            out.advice.push(dark(longest, lacks, what, advised.and_then(|a| a.longest_s)));
        }
    }
    out
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

fn dark(seconds: Option<f64>, lacks: f64, what: &str, longest_s: Option<f64>) -> Advice {
    let stops = lacks.round();
    let number = stops_in_words(stops);
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
    Advice::new(Kind::Dark, Urgency::Soon, format!("{change}: the {what} is {number} under"))
}

/// Light that has gone in several frames.
fn cloud(context: &Context<'_>, judged: &Judged) -> Option<Advice> {
    let is_clouded = |j: &Judged| j.light_ratio.is_some_and(|r| r < CLOUDED);
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
        DiscFit {
            centre: PixelPoint::new(100.0, 100.0),
            radius_px: 40.0,
            rectified_radius_px: 40.0,
            centre_sigma_px: 0.1,
            radius_sigma_px: 0.1,
            arc_deg: 360.0,
            residual_px: 0.2,
            edge_width_px: 1.0,
            saturated_share: 0.0,
            disc_level: 0.5,
            mean_level: 0.3,
            sky_level: 0.0,
            contrast: 50.0,
            agreeing: 1.0,
            open_share: 0.0,
        }
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
    fn what_lacks_is_said_within_what_the_mount_bears() {
        let text = |seconds, lacks, longest| dark(Some(seconds), lacks, "umbra", longest).text;
        assert_eq!(text(1.0 / 30.0, 2.0, None), "shutter 1/30 s -> 1/8 s: the umbra is two stops under");
        assert_eq!(
            text(0.25, 3.0, Some(0.55)),
            "shutter 1/4 s -> 0.5 s, and raise the ISO: the umbra is three stops under"
        );
        assert_eq!(text(0.5, 2.1, Some(0.55)), "raise the ISO or open the lens: the umbra is two stops under");
    }
}
