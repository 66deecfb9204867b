//! Focus that slips, a shaken frame, dew, a shutter under which the disc trails. Of discs below 15 px dew is told by light alone.

use super::judged::{Judged, TINY_PX};
use super::memory::Verdict;
use super::{Advice, Context, Kind, Now, Urgency};
use crate::camera::Mount;
use crate::detect::Smear;
use crate::plan::{exposure_at, marked_shutter_at_most, shutter_words};

/// Frames from which on it is known how sharp this lens can be.
const KNOWN_FROM: usize = 5;
/// A limb so many times as wide as the night's best is not sharp.
const SLIPPED: f64 = 1.6;
/// And by so many pixels at least: what a sharp limb varies by.
const SLIPPED_PX: f64 = 0.5;
/// A limb as wide in one frame alone is a shaken one.
const SHAKEN: f64 = 2.2;

/// How wide a frame's limb would be at the zenith: seeing grows as the 0.6th power of the air (Roddier 1981, from memory).
fn at_zenith(j: &Judged) -> Option<f64> {
    let width = j.fit?.edge_width_px;
    (width > 0.0 && !j.is_cut).then(|| width / j.airmass.unwrap_or(1.0).clamp(1.0, 6.0).powf(0.3))
}

/// The sharpest limbs of the night so far, pixels: the sharper fifth.
pub(super) fn best_width<'a>(frames: impl Iterator<Item = &'a Judged>) -> Option<f64> {
    let mut widths: Vec<f64> = frames.filter_map(at_zenith).collect();
    widths.sort_by(f64::total_cmp);
    widths.get(widths.len() / 5).copied()
}

/// Whether a disc is seen clearly enough for its limb to tell of the lens: neither through cloud nor in its own glare.
fn is_telling(j: &Judged) -> bool {
    j.light_ratio.is_none_or(|r| r > 0.5) && j.fit.is_some_and(|f| f.saturated_share < 0.3 && f.contrast > 8.0)
}

/// What there is to say of sharpness.
pub(super) fn judge(context: &Context<'_>, now: Now<'_>, judged: &Judged) -> Verdict {
    let trails = trailing(context, now).or_else(|| seen_to_trail(context, now, judged));
    let is_trailing = trails.is_some();
    let mut out = Verdict { advice: trails.into_iter().collect(), untold: Vec::new() };
    // It holds no longer where a limb is seen to be as wide all round, and not where none tells.
    if judged.smear.is_none_or(|s| s.length_px() > SMEARED_PX) {
        out.untold.push(Kind::Trailing);
    }
    if smeared(judged).is_some() || is_trailing {
        out.untold.extend([Kind::Focus, Kind::Dew]);
    }
    if !is_telling(judged) || at_zenith(judged).is_none() || is_long(context, judged) {
        out.untold.extend([Kind::Focus, Kind::Dew]);
    }
    let of_rig: Vec<&Judged> = context.before.iter().collect();
    if of_rig.len() < KNOWN_FROM {
        return out;
    }
    if let Some(dew) = dew(judged, &of_rig) {
        out.advice.push(dew);
        out.untold.push(Kind::Focus);
        return out;
    }
    let Some(best) = best_width(of_rig.iter().copied()) else { return out };
    // What the exposure itself smears is no fault of the focus.
    let is_wide = |j: &Judged| {
        is_telling(j)
            && at_zenith(j).is_some_and(|w| w > SLIPPED * best && w > best + SLIPPED_PX)
            && !is_long(context, j)
    };
    // What the mount lets trail is no shake, and goes the same way in each frame.
    let trails = is_long(context, judged) || goes_on(context, judged).is_some();
    let is_shaken = smeared(judged).is_some() && !trails;
    let before = of_rig.iter().rev().filter(|j| at_zenith(j).is_some() && is_telling(j));
    // A frame before it may look smeared by chance; of this one nothing says so.
    let is_blurred = is_wide(judged) && smeared(judged).is_none() && !is_trailing;
    let wide_since = before.take_while(|j| is_wide(j)).last().filter(|_| is_blurred);
    if is_shaken || (wide_since.is_none() && is_blurred && at_zenith(judged).is_some_and(|w| w > SHAKEN * best)) {
        let text = match is_shaken {
            true => "that frame is shaken: stand still while it exposes",
            false => "that frame is blurred all round: was it touched, or has the focus slipped? Look at the next",
        };
        out.advice.push(Advice::new(Kind::Shaken, Urgency::Later, text));
    } else if let Some(first) = wide_since {
        let since = first.at.map_or(String::new(), |at| format!(" since {}", context.clock(at)));
        let text = format!("focus has slipped{since}: focus on the limb anew");
        out.advice.push(Advice::new(Kind::Focus, Urgency::Soon, text));
    }
    out
}

/// A limb that moved by so many times its width across the way was moved (the edge of the shadow, out of focus by 2.5 px, makes
/// 3.1 of a still one, the same way in each frame);
const SMEARED_WIDTHS: f64 = 4.0;
/// by so many pixels at least: what the shadow's edge and noise make of a still one stayed below 3.3 (a real
/// night, two by another hand, and one of our own), but for frames out of focus, which are wide all round,
const SMEARED_PX: f64 = 3.5;
/// and so many standard deviations from none in a single frame,
const SMEARED_FOR_SURE: f64 = 5.0;
/// or so many in each of two that agree on the way (of a disc of 44 px that moves by 6 it is 4 to 6.5).
const SMEARED_AGAIN: f64 = 3.0;
/// What trails goes the same way in each frame, degrees.
const SAME_WAY_DEG: f64 = 20.0;

/// Of a smear that the sky makes it makes so much at least: lengths are measured to a quarter, and the sky is slower far from its
/// equator.
const SKYS_SHARE: f64 = 0.5;

/// The smear of a frame that moved while it was exposed.
pub(super) fn smeared(j: &Judged) -> Option<Smear> {
    j.smear.filter(|s| is_moved(s, SMEARED_FOR_SURE))
}

fn is_moved(smear: &Smear, significance: f64) -> bool {
    let least = (SMEARED_WIDTHS * smear.across_px).max(SMEARED_PX);
    smear.significance > significance && smear.length_px() > least
}

/// The smear of a frame that moved the same way as the one before it.
fn goes_on(context: &Context<'_>, judged: &Judged) -> Option<Smear> {
    let again = |s: &Smear| is_moved(s, SMEARED_AGAIN);
    let here = judged.smear.filter(again)?;
    let last = context.before.iter().rev().find_map(|j| j.smear).filter(again)?;
    let apart = (here.direction() - last.direction()).degrees().rem_euclid(180.0);
    (apart.min(180.0 - apart) <= SAME_WAY_DEG).then_some(here)
}

/// How far the sky moves at most while a frame is exposed, pixels: by 15 arcseconds a second.
fn sky_moves_px(j: &Judged) -> Option<f64> {
    Some(j.exposure?.time.seconds * j.focal_px? * 15.0 / 206_265.0)
}

/// A disc that is seen to trail the same way in two frames: the exposure is too long for a mount that stands, or the mount does
/// not follow, or something moves the camera.
fn seen_to_trail(context: &Context<'_>, now: Now<'_>, judged: &Judged) -> Option<Advice> {
    let here = goes_on(context, judged).filter(|s| s.length_px() > TRAILS_TOO_FAR * context.trail_px)?;
    let length = here.length_px();
    let change = match now.frame.metadata.exposure.map(|e| e.time.seconds) {
        _ if context.mount() == Mount::Tracking => "look at the mount's drive and rate".to_owned(),
        // The sky alone goes nowhere near as far.
        Some(_) if sky_moves_px(judged).is_some_and(|sky| sky < SKYS_SHARE * length) => {
            "wind, or a head that gives way? Shelter the tripod, tighten it".to_owned()
        }
        Some(now) => {
            let shorter = now * context.trail_px / length;
            format!("shutter {} -> {}", shutter_words(now), shutter_words(marked_shutter_at_most(shorter)))
        }
        None => "expose shorter".to_owned(),
    };
    let text = format!("{change}: the disc trails {length:.0} px");
    Some(Advice::new(Kind::Trailing, Urgency::Soon, text))
}

/// Whether an exposure was long enough for the sky to smear the limb by more than half of its width.
fn is_long(context: &Context<'_>, j: &Judged) -> bool {
    let follows = context.mount() == Mount::Tracking;
    let trail = sky_moves_px(j).unwrap_or(0.0);
    !follows && j.fit.is_some_and(|f| trail > f.edge_width_px)
}

/// Light that falls evenly over so many frames,
const FADES_OVER: usize = 12;
/// to this share of what it was,
const FADED: f64 = 0.7;
/// within so many minutes,
const FADES_WITHIN_MINUTES: f64 = 60.0;
/// and through air that hardly changes meanwhile, airmasses,
const MOST_AIR: f64 = 0.5;
/// and never by chance: what the frames scatter about its fall is at most this share of it.
const FADES_EVENLY: f64 = 0.15;

/// Light alone that falls evenly from frame to frame: of a disc of a few pixels its limb tells nothing of dew, and cloud comes and goes.
fn fades(judged: &Judged, before: &[&Judged]) -> Option<Advice> {
    let is_shown = |j: &&Judged| j.light_ratio.is_some() && j.fit.is_some() && !j.is_cut;
    let mut shown: Vec<&Judged> = before.iter().copied().filter(is_shown).collect();
    shown.extend(Some(judged).filter(is_shown)?.light_ratio.map(|_| judged));
    let shown = &shown[shown.len().checked_sub(FADES_OVER)?..];
    // How bright totality is, is not known beforehand; and haze takes more of a Moon that sets.
    let is_deep = |j: &&Judged| j.umbral_fraction.is_some_and(|u| u > 0.9);
    let air = |j: &Judged| j.airmass.unwrap_or(1.0);
    let (first, last) = (shown.first()?, shown.last()?);
    let lasts_minutes = first.at.zip(last.at).map_or(0.0, |(a, b)| b.seconds_since(a) / 60.0);
    if shown.iter().any(is_deep) || (air(last) - air(first)).abs() > MOST_AIR || lasts_minutes > FADES_WITHIN_MINUTES {
        return None;
    }
    let logs: Vec<f64> = shown.iter().filter_map(|j| Some(j.light_ratio?.max(1e-3).ln())).collect();
    // A line by least squares: time goes evenly enough from frame to frame.
    let n = logs.len() as f64;
    let (middle, mean) = ((n - 1.0) / 2.0, logs.iter().sum::<f64>() / n);
    let from_middle = |i: usize| i as f64 - middle;
    let square: f64 = (0..logs.len()).map(|i| from_middle(i).powi(2)).sum();
    let slope = logs.iter().enumerate().map(|(i, l)| from_middle(i) * l).sum::<f64>() / square;
    let off = |(i, l): (usize, &f64)| (l - mean - slope * from_middle(i)).powi(2);
    let scatter = (logs.iter().enumerate().map(off).sum::<f64>() / n).sqrt();
    let fall = -slope * (n - 1.0);
    (fall > -FADED.ln() && scatter < FADES_EVENLY * fall).then(|| {
        let minutes = shown
            .first()
            .and_then(|j| j.at)
            .zip(judged.at)
            .map_or(String::new(), |(first, last)| format!(" over {:.0} min", last.seconds_since(first) / 60.0));
        let lost = 100.0 * (1.0 - (-fall).exp());
        let text =
            format!("the light has faded evenly{minutes}, by {lost:.0} %: dew? Look at the lens, wipe it, warm it");
        Advice::new(Kind::Dew, Urgency::Soon, text)
    })
}

/// Sharpness and light that fall together over many frames: dew on the lens.
fn dew(judged: &Judged, before: &[&Judged]) -> Option<Advice> {
    /// Frames on either side of the comparison, and between them.
    const OF: usize = 3;
    const BETWEEN: usize = 4;
    let mut telling: Vec<&Judged> =
        before.iter().copied().filter(|j| at_zenith(j).is_some() && j.light_ratio.is_some() && !j.is_cut).collect();
    // Of a disc of a few pixels any blur thins the light.
    if judged.fit.is_some_and(|f| f.radius_px < TINY_PX) {
        return fades(judged, before);
    }
    if at_zenith(judged).is_none() || judged.light_ratio.is_none() {
        return None;
    }
    telling.push(judged);
    let end = telling.len();
    let then = end.checked_sub(2 * OF + BETWEEN)?;
    let median = |of: &[&Judged], value: &dyn Fn(&Judged) -> Option<f64>| -> Option<f64> {
        let mut values: Vec<f64> = of.iter().filter_map(|j| value(j)).collect();
        values.sort_by(f64::total_cmp);
        values.get(values.len() / 2).copied()
    };
    let (early, late) = (&telling[then..then + OF], &telling[end - OF..]);
    // One phase against itself: how bright totality is, is not known beforehand.
    let is_total = |j: &&Judged| j.umbral_fraction.is_some_and(|u| u > 0.9);
    if early.iter().chain(late).any(&is_total) != early.iter().chain(late).all(&is_total) {
        return None;
    }
    let wider = median(late, &at_zenith)? / median(early, &at_zenith)?;
    let darker = median(late, &|j| j.light_ratio)? / median(early, &|j| j.light_ratio)?;
    let (monotonous, middle) = (&telling[then..], median(&telling[then + OF..end - OF], &at_zenith)?);
    let grows = middle > median(early, &at_zenith)? && middle < median(late, &at_zenith)?;
    (wider > 1.35 && darker < 0.85 && grows).then(|| {
        let over = monotonous
            .first()
            .and_then(|j| j.at)
            .zip(judged.at)
            .map_or(String::new(), |(first, last)| format!(" over {:.0} min", last.seconds_since(first) / 60.0));
        let text = format!("dew: sharpness and light have fallen together{over}; wipe the lens, warm it");
        Advice::new(Kind::Dew, Urgency::Soon, text)
    })
}

/// An exposure under which the disc trails far further than may be: who exposes a little longer knows why.
const TRAILS_TOO_FAR: f64 = 2.0;

/// An exposure under which the disc trails further than may be.
fn trailing(context: &Context<'_>, now: Now<'_>) -> Option<Advice> {
    let (request, setup, at) = (context.plan_request()?, context.setup(now)?, now.at?);
    let exposure = now.frame.metadata.exposure?;
    let longest: f64 = exposure_at(&request, &setup, at).longest_s?;
    let seconds = exposure.time.seconds;
    (now.found.disc().is_some() && seconds > TRAILS_TOO_FAR * longest).then(|| {
        let text = format!(
            "shutter {} -> {}: the disc trails {:.0} px; raise the ISO or open the lens for what is missing",
            shutter_words(seconds),
            shutter_words(marked_shutter_at_most(longest)),
            request.trail_px * seconds / longest
        );
        Advice::new(Kind::Trailing, Urgency::Soon, text)
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::Instant;

    #[test]
    fn light_that_fades_evenly_is_told_of_a_small_disc_and_nothing_else() {
        let told = |light: &dyn Fn(f64) -> f64, airmass: &dyn Fn(f64) -> f64, umbral: f64| {
            let frames: Vec<Judged> = (0..14)
                .map(f64::from)
                .map(|i| Judged {
                    light_ratio: Some(light(i)),
                    airmass: Some(airmass(i)),
                    umbral_fraction: Some(umbral),
                    ..crate::vigil::light::tests::clear(Instant::from_tt_seconds(9e8 + 60.0 * i))
                })
                .collect();
            let (last, before) = frames.split_last().unwrap();
            fades(last, &before.iter().collect::<Vec<_>>()).map(|advice| advice.text)
        };
        let (even, steady) = (|i: f64| (-0.045 * i).exp(), |_: f64| 1.2);
        assert!(told(&even, &steady, 0.2).unwrap().contains("over 11 min"));
        assert_eq!(told(&|i| (-0.01 * i).exp(), &steady, 0.2), None, "by a tenth");
        assert_eq!(told(&|i| even(i) * if i as i32 % 2 == 0 { 1.25 } else { 0.8 }, &steady, 0.2), None, "cloud");
        assert_eq!(told(&even, &steady, 0.97), None, "how dark totality is, nobody knows");
        assert_eq!(told(&even, &|i| 2.0 + 0.2 * i, 0.2), None, "haze before a Moon that sets");
    }

    #[test]
    fn the_best_limbs_are_those_of_the_sharper_fifth() {
        let fit = |width: f64| crate::detect::DiscFit { edge_width_px: width, ..crate::vigil::light::tests::a_fit() };
        let judged: Vec<Judged> = (0..10)
            .map(|i| Judged {
                fit: Some(fit(1.0 + 0.1 * f64::from(i))),
                ..crate::vigil::light::tests::clear(Instant::from_tt_seconds(0.0))
            })
            .collect();
        assert!((best_width(judged.iter()).unwrap() - 1.2).abs() < 1e-9);
        assert_eq!(best_width([].iter()), None);
    }
}
