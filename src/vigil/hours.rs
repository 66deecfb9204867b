//! The contacts that come, a clock that is off, frames that do not come.

use super::judged::Judged;
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
pub(super) fn judge(context: &Context<'_>, now: Now<'_>) -> Vec<Advice> {
    let mut out = Vec::new();
    if let Some((eclipse, at)) = context.eclipse.zip(now.at) {
        out.extend(contacts(eclipse, context.observer.as_ref(), at));
    }
    let clock = context.registration.rigs.get(now.found.rig).and_then(|r| r.clock);
    // A curve that nobody knows moves the shadow's edge that is seen.
    let by_curve = if now.frame.reading.response.is_some() || is_light(now) { 0.0 } else { CURVE_S };
    let is_off = |c: &ClockEstimate| c.is_sure() && c.ahead_s.abs() > CLOCK_S.max(3.0 * c.sigma_s.hypot(by_curve));
    if let Some(clock) = clock.filter(is_off) {
        let side = if clock.ahead_s < 0.0 { "behind" } else { "ahead" };
        let text = format!("the clock is {:.0} s {side}: write it down, or set it", clock.ahead_s.abs());
        out.push(Advice::new(Kind::Clock, Urgency::Later, text));
    }
    out
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
