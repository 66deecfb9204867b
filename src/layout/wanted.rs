//! Moments of an eclipse by their names: contacts, shares of the disc in the umbra, UTC instants.

use super::Layout;
use crate::diag::Diagnostic;
use crate::ingest::Night;
use crate::sky::{
    Contact, LunarEclipse, apparent_moon, disc_fraction_covered, eclipse_within, geocentric_shadow, shadow_from,
};
use crate::units::Instant;

/// A moment as a layout names it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Moment {
    At(Instant),
    Contact(Contact),
    /// Share of the disc's area in the umbra; growing, shrinking, or both.
    Share(f64, Option<bool>),
}

/// Words that name a moment.
pub(super) const VALID: &str = "valid: P1, U1, U2, greatest, U3, U4, P4, a share such as \"25%\", \"25% in\", \"25% out\", or UTC like \"2028-12-31T16:52:00Z\"";

/// The moment that a field of the selection names.
pub(super) fn named(layout: &Layout, field: &str, name: &str) -> Result<Moment, Diagnostic> {
    parse(name).ok_or_else(|| layout.fault(&["selection", field], what_is_wrong(name), VALID))
}

/// Why a text names no moment.
pub(super) fn what_is_wrong(text: &str) -> String {
    if text.contains('%') {
        return format!("`{text}` is no share between 0% and 100%, with `in`, `out` or nothing behind it");
    }
    if text.trim().starts_with(|c: char| c.is_ascii_digit()) {
        return format!("`{text}` is no UTC instant");
    }
    format!("`{text}` names no moment")
}

const CONTACTS: [Contact; 7] =
    [Contact::P1, Contact::U1, Contact::U2, Contact::Greatest, Contact::U3, Contact::U4, Contact::P4];

/// Reads a moment's name.
pub(super) fn parse(text: &str) -> Option<Moment> {
    let text = text.trim();
    if let Some(c) = CONTACTS.into_iter().find(|c| c.to_string().eq_ignore_ascii_case(text)) {
        return Some(Moment::Contact(c));
    }
    if let Some((share, way)) = text.split_once('%') {
        let share: f64 = share.trim().parse().ok().filter(|s| (0.0..100.0).contains(s) && *s > 0.0)?;
        let way = match way.trim() {
            "" => None,
            "in" => Some(true),
            "out" => Some(false),
            _ => return None,
        };
        return Some(Moment::Share(share / 100.0, way));
    }
    Instant::parse_utc(text).ok().map(Moment::At)
}

/// The eclipse that a night's frames show, by their times.
pub(super) fn eclipse_of(night: &Night) -> Option<LunarEclipse> {
    let taken = night.frames.iter().find_map(|f| f.time)?.middle;
    eclipse_within(taken, 1.0)
}

/// When a moment was, in the order of time; empty when the eclipse does not have it.
pub(super) fn instants(moment: Moment, night: &Night, eclipse: Option<&LunarEclipse>) -> Vec<Instant> {
    match moment {
        Moment::At(instant) => vec![instant],
        Moment::Contact(contact) => eclipse.and_then(|e| e.at(contact)).into_iter().collect(),
        Moment::Share(share, way) => {
            let Some(eclipse) = eclipse else { return Vec::new() };
            let (Some(u1), Some(u4)) = (eclipse.at(Contact::U1), eclipse.at(Contact::U4)) else { return Vec::new() };
            let middle = eclipse.greatest();
            let mut out = Vec::new();
            if way != Some(false) {
                out.extend(crossing(night, share, u1, middle));
            }
            if way != Some(true) {
                out.extend(crossing(night, share, u4, middle));
            }
            out
        }
    }
}

/// Share of the disc's area in the umbra for the night's observer, or for the Earth's centre.
fn share_at(night: &Night, instant: Instant) -> f64 {
    match night.observer() {
        Some(observer) => shadow_from(&observer, instant, &apparent_moon(&observer, instant)).umbral_fraction(),
        None => {
            let s = geocentric_shadow(instant);
            let radians = [s.moon_semidiameter, s.umbra_radius, s.separation].map(crate::units::Angle::radians);
            disc_fraction_covered(radians[0], radians[1], radians[2])
        }
    }
}

/// When the share is reached between an instant of none and the deepest one, to a tenth of a second.
fn crossing(night: &Night, share: f64, none: Instant, deepest: Instant) -> Option<Instant> {
    // The geocentric contact is a minute or two from the observer's own.
    let toward = deepest.seconds_since(none).signum();
    let mut low = none.plus_seconds(-300.0 * toward);
    let mut high = deepest;
    if share_at(night, high) < share {
        return None;
    }
    while high.seconds_since(low).abs() > 0.1 {
        let middle = low.plus_seconds(high.seconds_since(low) / 2.0);
        if share_at(night, middle) < share { low = middle } else { high = middle }
    }
    Some(high)
}

/// The contact that an instant is, within a minute and a half.
pub(super) fn contact_at(eclipse: &LunarEclipse, instant: Instant) -> Option<Contact> {
    let off = |c: &Contact| eclipse.at(*c).map(|t| t.seconds_since(instant).abs());
    CONTACTS
        .into_iter()
        .filter_map(|c| Some((off(&c)?, c)))
        .min_by(|a, b| a.0.total_cmp(&b.0))
        .filter(|(s, _)| *s < 90.0)
        .map(|(_, c)| c)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn moments_are_read_by_their_names() {
        assert_eq!(parse("u2"), Some(Moment::Contact(Contact::U2)));
        assert_eq!(parse("Greatest"), Some(Moment::Contact(Contact::Greatest)));
        assert_eq!(parse("25% in"), Some(Moment::Share(0.25, Some(true))));
        assert_eq!(parse("110%"), None);
        assert_eq!(parse("midnight"), None);
    }
}
