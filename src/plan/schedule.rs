//! The exposures of a night, one a row: for a timer remote, a script, or a sheet of paper beside the camera.
//!
//! Shutters are those of [`super::ExposureAdvice`] at each frame's own instant, never longer than the mount allows: what they lack
//! then is said in stops. Before the Moon rises, behind the horizon profile and after it sets there is nothing to take.

use super::PlanRequest;
use super::exposure::{self, ExposureAdvice};
use super::timetable::local;
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
        let focal_px = rig.camera.focal_length_mm * 1000.0 / rig.camera.pixel_pitch_um;
        for at in rig.instants(request.eclipse) {
            let moon = apparent_moon(&request.observer, at);
            let seen = moon.refracted(Refraction::default());
            if seen.altitude.degrees() < request.horizon.altitude_deg(seen.azimuth.degrees()).max(0.0) {
                continue;
            }
            let umbral_fraction = shadow_from(&request.observer, at, &moon).umbral_fraction();
            let phase = phase(request, at);
            let advice = exposure::one(request, rig, focal_px, phase.to_owned(), at);
            let (shutter_s, lacking_stops) = shutters(&advice);
            let frame = ScheduledFrame {
                rig: rig.name.clone(),
                utc: at.to_iso_utc(),
                local: local(&request.zone, at),
                phase,
                umbral_fraction,
                shutter_s,
                f_number: advice.f_number,
                iso: advice.iso,
                lacking_stops,
                altitude_deg: seen.altitude.degrees(),
            };
            out.push((at, frame));
        }
    }
    out.sort_by(|a, b| a.0.tt_seconds().total_cmp(&b.0.tt_seconds()));
    out.into_iter().map(|(_, frame)| frame).collect()
}

/// What to set: the bracket, or the one exposure that the phase asks for, as long as the mount allows; and what that lacks, stops.
pub(super) fn shutters(advice: &ExposureAdvice) -> (Vec<f64>, f64) {
    let middling = advice.umbra_s.map(|umbra| umbra[1]);
    let one = advice.lit_s.or(middling).unwrap_or(advice.in_file_s);
    let wanted = if advice.bracket_s.is_empty() { one } else { middling.unwrap_or(one) };
    let Some(longest) = advice.longest_s.map(exposure::marked_at_most) else {
        return (if advice.bracket_s.is_empty() { vec![one] } else { advice.bracket_s.clone() }, 0.0);
    };
    let kept = if advice.bracket_s.is_empty() { vec![one.min(longest)] } else { advice.bracket_s.clone() };
    (kept, (wanted / longest).log2().max(0.0))
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
        "utc,local,camera,phase,umbra_percent,shutter_s,bracket_s,f_number,iso,lacking_stops,altitude_deg\r\n",
    );
    let seconds = |s: f64| format!("{}", (s * 1e6).round() / 1e6);
    for f in frames {
        let first = f.shutter_s.first().copied().map(seconds).unwrap_or_default();
        let bracket: Vec<String> = f.shutter_s.iter().copied().map(seconds).collect();
        let row = [
            f.utc.clone(),
            f.local.clone(),
            quoted(&f.rig),
            quoted(f.phase),
            format!("{:.1}", 100.0 * f.umbral_fraction),
            first,
            if bracket.len() > 1 { bracket.join(" ") } else { String::new() },
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

    fn advice(
        lit_s: Option<f64>,
        umbra_s: Option<[f64; 3]>,
        bracket_s: Vec<f64>,
        longest_s: Option<f64>,
    ) -> ExposureAdvice {
        ExposureAdvice {
            phase: String::new(),
            utc: String::new(),
            f_number: 8.0,
            iso: 100.0,
            in_file_s: 0.01,
            lit_s,
            umbra_s,
            bracket_s,
            longest_s,
            conflict: None,
        }
    }

    #[test]
    fn no_shutter_is_longer_than_the_mount_allows() {
        let follows = advice(None, Some([1.0, 4.0, 16.0]), Vec::new(), None);
        assert_eq!(shutters(&follows), (vec![4.0], 0.0));
        let (kept, lacking) = shutters(&advice(None, Some([1.0, 4.0, 16.0]), Vec::new(), Some(0.55)));
        assert_eq!((kept, lacking), (vec![0.5], 3.0));
        let bracket = vec![0.004, 0.016, 0.06, 0.2];
        let (kept, lacking) = shutters(&advice(Some(0.004), Some([0.5, 1.0, 4.0]), bracket.clone(), Some(0.2)));
        assert_eq!(kept, bracket);
        assert!((lacking - 5f64.log2()).abs() < 1e-9);
    }

    #[test]
    fn names_that_hold_commas_stay_one_field() {
        assert_eq!(quoted("long"), "long");
        assert_eq!(quoted("long, \"left\""), "\"long, \"\"left\"\"\"");
    }
}
