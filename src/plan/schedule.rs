//! The exposures of a night, one a row: for a timer remote, a script, or a sheet of paper beside the camera.
//!
//! Shutters are those of [`super::ExposureAdvice`] at each frame's own instant, never longer than the mount allows: what they lack
//! then is said in stops. Before the Moon rises, behind the horizon profile and after it sets there is nothing to take. Landscapes, and how bright the
//! sky is by the Sun, are left to the photographer's eye.

use super::PlanRequest;
use super::exposure;
use super::interval;
use crate::camera::ForegroundFrame;
use crate::sky::{Contact, Refraction, apparent_moon, shadow_from};
use crate::units::Instant;
use serde::Serialize;

/// One moment of one camera.
#[derive(Clone, Debug, Serialize)]
pub struct ScheduledFrame {
    /// The camera's name.
    pub rig: String,
    /// When the shutter opens, UTC.
    pub utc: String,
    /// The same by the local clock.
    pub local: String,
    /// The phase in words.
    pub phase: &'static str,
    /// Share of the disc's area in the umbra.
    pub umbral_fraction: f64,
    /// Shutter times, seconds: one, or a bracket from the shortest on.
    pub shutter_s: Vec<f64>,
    /// Focal ratio.
    pub f_number: f64,
    /// ISO speed.
    pub iso: f64,
    /// How many stops the longest of them lacks because the disc would trail; 0 where nothing lacks.
    pub lacking_stops: f64,
    /// How far above the horizon the Moon stands, degrees, refracted.
    pub altitude_deg: f64,
}

/// The frames of all cameras, in the order of time.
pub fn schedule(request: &PlanRequest<'_>) -> Vec<ScheduledFrame> {
    let mut out: Vec<(Instant, ScheduledFrame)> = Vec::new();
    for rig in request.rigs {
        for at in interval::instants(request, rig).into_iter().filter(|at| request.sees(*at)) {
            let moon = apparent_moon(&request.observer, at);
            let seen = moon.refracted(Refraction::default());
            let phase = phase(request, at);
            let advice = exposure::one(request, rig, phase.to_owned(), at);
            let (shutter_s, lacking_stops) = exposure::shutters(&advice, rig.bracket_stops());
            let frame = ScheduledFrame {
                rig: rig.name.clone(),
                utc: at.to_iso_utc(),
                local: with_offset(request, at),
                phase,
                umbral_fraction: shadow_from(&request.observer, at, &moon).umbral_fraction(),
                shutter_s,
                f_number: advice.f_number,
                iso: advice.iso,
                lacking_stops,
                altitude_deg: seen.altitude.degrees(),
            };
            out.push((at, frame));
        }
        out.extend(rig.foreground.iter().filter_map(|f| landscape(request, &rig.name, f)));
    }
    out.sort_by(|a, b| a.0.tt_seconds().total_cmp(&b.0.tt_seconds()));
    out.into_iter().map(|(_, frame)| frame).collect()
}

/// A frame of the landscape, as the rig's file has it.
fn landscape(request: &PlanRequest<'_>, rig: &str, frame: &ForegroundFrame) -> Option<(Instant, ScheduledFrame)> {
    let at = Instant::parse_utc(&frame.utc).ok()?;
    let moon = apparent_moon(&request.observer, at);
    let row = ScheduledFrame {
        rig: rig.to_owned(),
        utc: at.to_iso_utc(),
        local: with_offset(request, at),
        phase: "landscape",
        umbral_fraction: shadow_from(&request.observer, at, &moon).umbral_fraction(),
        shutter_s: vec![frame.seconds],
        f_number: frame.f_number,
        iso: frame.iso,
        lacking_stops: 0.0,
        altitude_deg: moon.refracted(Refraction::default()).altitude.degrees(),
    };
    // A file that was made for another eclipse brings its landscapes along.
    let (first, last) = super::span(request.eclipse);
    let near = at.seconds_since(first) > -86_400.0 && last.seconds_since(at) > -86_400.0;
    near.then_some((at, row))
}

/// By the local clock, with its offset from UTC (ISO 8601).
fn with_offset(request: &PlanRequest<'_>, at: Instant) -> String {
    request.zone.to_datetime(at.plus_seconds(0.5).to_utc()).strftime("%Y-%m-%dT%H:%M:%S").to_string()
        + &request.zone.to_offset(at.to_utc()).to_string()
}

fn phase(request: &PlanRequest<'_>, at: Instant) -> &'static str {
    let is_past = |contact: Contact| request.eclipse.at(contact).is_some_and(|then| at.seconds_since(then) >= 0.0);
    if is_past(Contact::P4) {
        "after P4"
    } else if is_past(Contact::U4) {
        "penumbral, leaving"
    } else if is_past(Contact::U3) {
        "partial, leaving"
    } else if is_past(Contact::U2) {
        "total"
    } else if is_past(Contact::U1) {
        if is_past(Contact::Greatest) { "partial, leaving" } else { "partial, entering" }
    } else if is_past(Contact::P1) {
        if is_past(Contact::Greatest) { "penumbral, leaving" } else { "penumbral, entering" }
    } else {
        "before P1"
    }
}

/// The schedule as a table: RFC 4180, a heading, a row a moment.
pub fn schedule_csv(frames: &[ScheduledFrame]) -> String {
    let mut out = String::from(
        "utc,local,camera,phase,umbra_percent,shutter,shutter_s,f_number,iso,lacking_stops,altitude_deg\r\n",
    );
    let seconds = |s: &f64| format!("{}", (s * 1e6).round() / 1e6);
    for f in frames {
        let words: Vec<String> = f.shutter_s.iter().map(|s| exposure::shutter_words(*s)).collect();
        let row = [
            f.utc.clone(),
            f.local.clone(),
            quoted(&f.rig),
            quoted(f.phase),
            format!("{:.1}", 100.0 * f.umbral_fraction),
            words.join("; "),
            f.shutter_s.iter().map(seconds).collect::<Vec<_>>().join(" "),
            format!("{:.1}", f.f_number),
            format!("{:.0}", f.iso),
            format!("{:.1}", f.lacking_stops),
            format!("{:.1}", f.altitude_deg),
        ];
        out.push_str(&row.join(","));
        out.push_str("\r\n");
    }
    out
}

/// A field in quotes where it holds what a table is made of.
fn quoted(text: &str) -> String {
    if text.contains([',', '"', '\r', '\n']) { format!("\"{}\"", text.replace('"', "\"\"")) } else { text.to_owned() }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_that_hold_commas_stay_one_field() {
        assert_eq!(quoted("long"), "long");
        assert_eq!(quoted("long, \"left\""), "\"long, \"\"left\"\"\"");
    }
}
