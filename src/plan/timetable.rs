//! The night by the clock.

use super::{PlanRequest, span};
use crate::sky::{Danjon, Refraction, ShadowLight, Twilight, apparent_moon, apparent_sun_altitude, shadow_from};
use crate::units::{Angle, Instant};
use jiff::tz::TimeZone;
use serde::Serialize;

/// One line of the timetable; angles in degrees.
#[derive(Clone, Debug, Serialize)]
pub struct TimetableRow {
    /// The contact that falls on this instant.
    pub contact: Option<String>,
    /// UTC.
    pub utc: String,
    /// Local date and time.
    pub local: String,
    /// Refracted altitude of the Moon.
    pub altitude_deg: f64,
    /// Azimuth of the Moon.
    pub azimuth_deg: f64,
    /// Airless altitude of the Sun.
    pub sun_altitude_deg: f64,
    /// How dark the sky is.
    pub twilight: &'static str,
    /// Share of the disc's area in the umbra.
    pub umbral_fraction: f64,
    /// Share of the disc's area in the penumbra or umbra.
    pub penumbral_fraction: f64,
    /// How many stops the disc's mean light lies below the full Moon, at Danjon 2.
    pub stops_below_full: f64,
    /// The same for Danjon 4 (bright) and 0 (dark).
    pub stops_spread: (f64, f64),
    /// Mean surface brightness, magnitudes per square arcsecond, above the atmosphere, at Danjon 2.
    pub surface_magnitude: f64,
}

/// Surface brightness of the full Moon: magnitude -12.74 over its disc (common practice, no source).
const FULL_MOON_SURFACE_MAGNITUDE: f64 = 3.4;
const STEP_MINUTES: f64 = 15.0;

/// Local time in a zone, to the second.
pub(super) fn local(zone: &TimeZone, instant: Instant) -> String {
    let whole = instant.plus_seconds(0.5).to_utc();
    zone.to_datetime(whole).strftime("%Y-%m-%d %H:%M:%S").to_string()
}

pub(super) fn timetable(request: &PlanRequest<'_>) -> Vec<TimetableRow> {
    let (first, last) = span(request.eclipse);
    let step = STEP_MINUTES * 60.0;
    let mut instants: Vec<(Option<String>, Instant)> =
        request.eclipse.contacts.iter().map(|(c, t)| (Some(c.to_string()), *t)).collect();
    // Whole quarters of an hour between the contacts, where none is near.
    let mut at = Instant::from_utc(
        jiff::Timestamp::from_second((first.to_utc().as_second() as f64 / step).ceil() as i64 * step as i64)
            .unwrap_or_default(),
    );
    while at <= last {
        if request.eclipse.contacts.iter().all(|(_, c)| c.seconds_since(at).abs() > 150.0) {
            instants.push((None, at));
        }
        at = at.plus_seconds(step);
    }
    instants.sort_by(|a, b| a.1.tt_seconds().total_cmp(&b.1.tt_seconds()));
    instants.into_iter().map(|(contact, at)| row(request, contact, at)).collect()
}

fn row(request: &PlanRequest<'_>, contact: Option<String>, at: Instant) -> TimetableRow {
    let moon = apparent_moon(&request.observer, at);
    let seen = moon.refracted(Refraction::default());
    let sun = apparent_sun_altitude(&request.observer, at);
    let shadow = shadow_from(&request.observer, at, &moon);
    let stops = |scale: f64| {
        let light = ShadowLight::new(shadow.umbra_radius, shadow.penumbra_radius, Danjon { scale });
        light.stops_below_full(moon.semidiameter, shadow.separation())
    };
    let middling = stops(2.0);
    TimetableRow {
        contact,
        utc: at.to_iso_utc(),
        local: local(&request.zone, at),
        altitude_deg: seen.altitude.degrees(),
        azimuth_deg: seen.azimuth.normalized().degrees(),
        sun_altitude_deg: sun.degrees(),
        twilight: Twilight::of(sun).words(),
        umbral_fraction: shadow.umbral_fraction(),
        penumbral_fraction: shadow.penumbral_fraction(),
        stops_below_full: middling,
        stops_spread: (stops(4.0), stops(0.0)),
        surface_magnitude: FULL_MOON_SURFACE_MAGNITUDE + middling * 2.5 * 2f64.log10(),
    }
}

/// Which way the umbra goes over the disc.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Umbra {
    Coming,
    Going,
}

/// The instant at which the umbra covers a given share of the disc, before or after greatest eclipse.
pub(super) fn at_fraction(request: &PlanRequest<'_>, wanted: f64, umbra: Umbra) -> Option<Instant> {
    use crate::sky::Contact;
    let outer = if umbra == Umbra::Coming { Contact::U1 } else { Contact::U4 };
    let (mut a, mut b) = (request.eclipse.at(outer)?, request.eclipse.greatest());
    let fraction = |at: Instant| {
        let moon = apparent_moon(&request.observer, at);
        shadow_from(&request.observer, at, &moon).umbral_fraction()
    };
    if fraction(b) < wanted {
        return None;
    }
    for _ in 0..24 {
        let middle = a.plus_seconds(b.seconds_since(a) / 2.0);
        if fraction(middle) < wanted { a = middle } else { b = middle }
    }
    Some(b)
}

/// The Moon's apparent motion against the horizon, radians a second.
pub(super) fn apparent_rate(request: &PlanRequest<'_>, at: Instant) -> f64 {
    let direction = |t: Instant| apparent_moon(&request.observer, t).refracted(Refraction::default()).direction();
    let (before, after) = (direction(at.plus_seconds(-15.0)), direction(at.plus_seconds(15.0)));
    Angle::from_radians(before.cross(&after).norm().atan2(before.dot(&after))).radians() / 30.0
}
