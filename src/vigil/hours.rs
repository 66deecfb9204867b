//! The contacts that come, a clock that is off, frames that do not come.

use super::judged::Judged;
use super::memory::Verdict;
use super::place::usual_interval_s;
use super::{Advice, Context, Kind, Now, Urgency};
use crate::registration::ClockEstimate;
use crate::sky::{Contact, LunarEclipse, Observer, Refraction, apparent_moon};
use crate::units::Instant;

/// Contacts are announced so long before, minutes.
const ANNOUNCED_MINUTES: f64 = 10.0;
/// and sliver and copper once more.
const AT_ONCE_MINUTES: f64 = 3.0;
/// A clock that is off by less, seconds, spoils no picture.
const CLOCK_S: f64 = 20.0;
/// What a camera's own tone curve leaves uncertain of it, seconds (on a real night whose minutes are known: 72).
const CURVE_S: f64 = 40.0;
/// No frame for so many usual intervals and seconds: something is wrong.
const SILENCE: f64 = 3.0;
const SILENCE_S: f64 = 20.0;

/// What there is to say of the hour after a frame.
pub(super) fn judge(context: &Context<'_>, now: Now<'_>, judged: &Judged) -> Verdict {
    let mut out = Verdict::default();
    if !now.frame.time.is_some_and(|t| t.zone_known) {
        let text = match now.at {
            Some(_) => {
                "the zone of the camera's clock is not known, so that no contact is told: write `utc_offset` into shoot.ron"
            }
            None => {
                "the frames record no time, so that neither place nor contact is told: `utc` in frames.csv supplies it"
            }
        };
        out.advice.push(Advice::new(Kind::Clock, Urgency::Soon, text));
        return out;
    }
    if let Some((eclipse, at)) = context.eclipse.zip(now.at) {
        out.advice.extend(contacts(eclipse, context.observer.as_ref(), at));
    }
    let clock = context.registration.rigs.get(now.found.rig).and_then(|r| r.clock);
    // A curve that nobody knows moves the shadow's edge that is seen.
    let by_curve = if now.frame.reading.response.is_some() || is_light(now) { 0.0 } else { CURVE_S };
    let is_off = |c: &ClockEstimate| c.is_sure() && c.ahead_s.abs() > CLOCK_S.max(3.0 * c.sigma_s.hypot(by_curve));
    if let Some(clock) = clock.filter(is_off) {
        let side = if clock.ahead_s < 0.0 { "behind" } else { "ahead" };
        let text = format!("the clock is {:.0} s {side}: write it down, or set it", clock.ahead_s.abs());
        out.advice.push(Advice::new(Kind::Clock, Urgency::Later, text));
        return out;
    }
    match by_arrival(context.before, judged) {
        Arrivals::Off(advice) => out.advice.push(advice),
        Arrivals::Untold => out.untold.push(Kind::Clock),
        Arrivals::Right => {}
    }
    out
}

/// What arrivals say of a camera's clock.
#[derive(Debug, PartialEq)]
enum Arrivals {
    Off(Advice),
    Right,
    /// Too few frames, or they took differently long.
    Untold,
}

/// A camera's clock against the one by which its frames arrive. No frame comes before it was taken; and one that comes late by as much
/// as those before it was brought slowly, or has a clock that is behind: from minutes on it is the clock.
fn by_arrival(before: &[Judged], judged: &Judged) -> Arrivals {
    /// Frames that are compared,
    const OF: usize = 3;
    /// and what they may differ by, seconds, for their delay to be a clock's.
    const ALIKE_S: f64 = 6.0;
    /// Frames of one moment that a card brings together are late alike: they count as one.
    const APART_S: f64 = 10.0;
    /// No card and no air is as slow as this, frame after frame.
    const SLOW_S: f64 = 150.0;
    /// Zones differ by a quarter of an hour at least.
    const ZONE_S: f64 = 850.0;
    let told = |j: &Judged| Some((j.came_after_s?, j.at?.tt_seconds()));
    let Some((late, at)) = told(judged) else { return Arrivals::Untold };
    let mut after = vec![late];
    let mut earliest = at;
    for (late, at) in before.iter().rev().map_while(told) {
        if earliest - at >= APART_S && after.len() < OF {
            after.push(late);
            earliest = at;
        }
    }
    let least = after.iter().copied().fold(f64::INFINITY, f64::min);
    let most = after.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    if (0.0..=CLOCK_S).contains(&least) {
        return Arrivals::Right;
    }
    let is_told = least < -CLOCK_S || (after.len() == OF && most - least < ALIKE_S && least > CLOCK_S);
    if !is_told {
        return Arrivals::Untold;
    }
    let side = if least < 0.0 { "ahead of" } else { "behind" };
    let seconds = least.abs();
    let text = if seconds > ZONE_S {
        let minutes = (seconds / 60.0).round() as i64;
        let (hours, minutes) = (minutes / 60, minutes % 60);
        format!("the frames' times are {hours} h {minutes:02} min {side} this computer's clock: is `utc_offset` right?")
    } else if (0.0..SLOW_S).contains(&least) {
        format!(
            "the frames come {seconds:.0} s after the times they carry: the clock is behind, or they are brought slowly"
        )
    } else {
        format!("the camera's clock is {seconds:.0} s {side} this computer's: set it, or write it down")
    };
    let urgency = if (0.0..SLOW_S).contains(&least) { Urgency::Later } else { Urgency::Soon };
    Arrivals::Off(Advice::new(Kind::Clock, urgency, text))
}

/// Whether a frame's numbers are light.
fn is_light(now: Now<'_>) -> bool {
    let ending = now.frame.path.extension().map(|e| e.to_string_lossy().to_ascii_lowercase()).unwrap_or_default();
    !matches!(ending.as_str(), "jpg" | "jpeg" | "png")
}

/// The contact that comes within minutes.
pub(super) fn contacts(eclipse: &LunarEclipse, observer: Option<&Observer>, now: Instant) -> Vec<Advice> {
    let is_up = |at: Instant| {
        observer.is_none_or(|o| apparent_moon(o, at).refracted(Refraction::default()).altitude.degrees() > 0.0)
    };
    let deepest = match (eclipse.at(Contact::U2), eclipse.at(Contact::U1)) {
        (Some(_), _) => "the deepest copper: expose for it",
        (None, Some(_)) => "the umbra covers as much as it will",
        (None, None) => "the penumbra is deepest",
    };
    let what = |contact: Contact| match contact {
        Contact::P1 => ("P1", "the penumbra comes: a frame of the full Moon first"),
        Contact::U1 => ("U1", "the umbra touches the limb"),
        Contact::U2 => ("U2", "bracket: last sliver and first copper"),
        Contact::Greatest => ("greatest eclipse", deepest),
        Contact::U3 => ("U3", "bracket: last copper and first sliver"),
        Contact::U4 => ("U4", "the umbra leaves the limb"),
        Contact::P4 => ("P4", "the last penumbra: a frame of the full Moon after it"),
    };
    let coming = eclipse.contacts.iter().filter_map(|(contact, at)| {
        let minutes = at.seconds_since(now) / 60.0;
        let (name, words) = what(*contact);
        let at_once = minutes <= AT_ONCE_MINUTES;
        let brackets = matches!(contact, Contact::U2 | Contact::U3);
        let urgency = if brackets && at_once { Urgency::Now } else { Urgency::Later };
        let is_near = minutes > 0.0 && minutes <= ANNOUNCED_MINUTES;
        // Sliver and copper are worth a second word.
        let kind = Kind::Contact(name, brackets && at_once);
        (is_near && is_up(*at))
            .then(|| Advice::new(kind, urgency, format!("{name} in {:.0} min: {words}", minutes.ceil())))
    });
    coming.collect()
}

/// After the last contact, and some minutes for a frame of the full Moon.
pub(super) fn end(eclipse: &LunarEclipse, now: Instant) -> Option<Advice> {
    const AFTER_MINUTES: f64 = 10.0;
    let last = eclipse.contacts.last()?.1;
    let is_over = now.seconds_since(last) > 60.0 * AFTER_MINUTES;
    is_over.then(|| Advice::new(Kind::Contact("end", false), Urgency::Later, "the eclipse is over"))
}

/// Frames that do not come.
pub(super) fn while_waiting(judged: &[Judged], now: Instant) -> Option<Advice> {
    let last = judged.iter().rev().find_map(|j| j.at)?;
    let usual = usual_interval_s(judged)?;
    let silent = now.seconds_since(last);
    (silent > SILENCE * usual + SILENCE_S).then(|| {
        let text = format!("no frame for {:.0} min: card, battery, timer, cable?", (silent / 60.0).floor().max(1.0));
        Advice::new(Kind::Silence, Urgency::Now, text)
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::vigil::light::tests::clear;

    #[test]
    fn a_clock_is_held_against_the_one_by_which_frames_arrive() {
        let came_every = |every_s: f64, after: &[f64]| {
            let frames: Vec<Judged> = after
                .iter()
                .enumerate()
                .map(|(i, s)| Judged {
                    came_after_s: Some(*s),
                    ..clear(Instant::from_tt_seconds(9e8 + every_s * i as f64))
                })
                .collect();
            let (last, before) = frames.split_last().unwrap();
            match by_arrival(before, last) {
                Arrivals::Off(advice) => Some(advice.text),
                Arrivals::Right | Arrivals::Untold => None,
            }
        };
        let came = |after: &[f64]| came_every(60.0, after);
        // What the air takes to bring a frame is no clock's.
        for after in [&[4.0][..], &[2.0, 40.0, 31.0], &[300.0, 301.0], &[25.0, 90.0, 160.0]] {
            assert_eq!(came(after), None, "{after:?}");
        }
        assert!(came(&[-43.0]).unwrap().contains("43 s ahead of"), "no frame comes before it was taken");
        assert!(came(&[303.0, 301.0, 302.5]).unwrap().contains("301 s behind"));
        assert_eq!(came_every(2.0, &[7203.0, 7201.0, 7199.0]), None, "a bracket that a card brings");
        assert!(came_every(0.0, &[303.0; 3]).is_none() && came_every(12.0, &[303.0; 3]).is_some());
        assert!(came(&[40.0, 41.0, 39.5]).unwrap().contains("brought slowly"), "as late by a slow card");
        let zone = came(&[-28_797.0]).unwrap();
        assert!(zone.contains("8 h 00 min ahead") && zone.contains("utc_offset"), "{zone}");
    }
}
