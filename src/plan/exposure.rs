//! What exposure each phase needs, and what the mount allows.
//!
//! From the same light that `rehearse` renders. The lit part is brought to half of saturation where it
//! is brightest, the umbra's middle to an eighth; the umbra is given as a range over the Danjon scale,
//! because no one can know it before.

use super::PlanRequest;
use super::timetable::{Umbra, apparent_rate, at_fraction};
use crate::camera::{Mount, Setup};
use crate::sky::{
    Contact, Danjon, EarthShadow, Extinction, Refraction, SATURATION_PER_LIGHT_GAIN, ShadowLight, airmass,
    apparent_moon, apparent_sun_altitude, shadow_from,
};
use crate::units::{Angle, Instant};
use serde::Serialize;

/// Advice for one phase.
#[derive(Clone, Debug, Serialize)]
pub struct ExposureAdvice {
    /// The phase in words.
    pub phase: String,
    /// When, UTC.
    pub utc: String,
    /// Focal ratio: of the rig's ladder at this phase, or of the lens.
    pub f_number: f64,
    /// ISO speed, likewise.
    pub iso: f64,
    /// What the rig's file would use, seconds; null where none says.
    pub in_file_s: Option<f64>,
    /// For the lit part, seconds; null when the whole disc is in the umbra.
    pub lit_s: Option<f64>,
    /// For the umbra at Danjon 4 (bright), 2 and 0 (dark), seconds; null before it bites.
    pub umbra_s: Option<[f64; 3]>,
    /// Exposures two stops apart that hold both parts, as far as the mount allows, seconds; empty where one is enough.
    pub bracket_s: Vec<f64>,
    /// Longest exposure before the disc trails by the allowed pixels; null on a mount that follows.
    pub longest_s: Option<f64>,
    /// What conflicts, in words.
    pub conflict: Option<String>,
}

/// Brightest light of the lit part and middle light of the umbra (green channel).
fn lights(shadow: &EarthShadow, scale: f64) -> (Option<f64>, Option<f64>) {
    let light = ShadowLight::new(shadow.umbra_radius, shadow.penumbra_radius, Danjon { scale });
    let (mut lit, mut dark): (f64, Vec<f64>) = (0.0, Vec::new());
    let s = shadow.moon_semidiameter.radians();
    for iy in -12..=12 {
        for ix in -12..=12 {
            let (x, y) = (f64::from(ix) / 12.0, f64::from(iy) / 12.0);
            if x * x + y * y > 0.95 {
                continue;
            }
            let from_axis = Angle::from_radians((shadow.separation().radians() + x * s).hypot(y * s));
            let [r, g, b] = light.radiance(from_axis);
            let value = (r + g + b) / 3.0;
            if from_axis > shadow.umbra_radius { lit = lit.max(value) } else { dark.push(value) }
        }
    }
    // A sliver is thinner than that grid.
    for degree in (0..360).step_by(5) {
        let (sin, cos) = f64::from(degree).to_radians().sin_cos();
        let from_axis = Angle::from_radians((shadow.separation().radians() + 0.97 * s * cos).hypot(0.97 * s * sin));
        if from_axis > shadow.umbra_radius {
            let [r, g, b] = light.radiance(from_axis);
            lit = lit.max((r + g + b) / 3.0);
        }
    }
    dark.sort_by(f64::total_cmp);
    let middle = (dark.len() > 8).then(|| dark[dark.len() / 2]);
    ((lit > 0.0).then_some(lit), middle)
}

/// Times marked on shutters, in thirds of a stop (ISO 516's series as makers round it): one over these,
const FRACTIONS: [f64; 32] = [
    8000.0, 6400.0, 5000.0, 4000.0, 3200.0, 2500.0, 2000.0, 1600.0, 1250.0, 1000.0, 800.0, 640.0, 500.0, 400.0, 320.0,
    250.0, 200.0, 160.0, 125.0, 100.0, 80.0, 60.0, 50.0, 40.0, 30.0, 25.0, 20.0, 15.0, 13.0, 10.0, 8.0, 6.0,
];
/// and these.
const LONG: [f64; 23] = [
    0.2, 0.25, 0.3, 0.4, 0.5, 0.6, 0.8, 1.0, 1.3, 1.6, 2.0, 2.5, 3.2, 4.0, 5.0, 6.0, 8.0, 10.0, 13.0, 15.0, 20.0, 25.0,
    30.0,
];

/// Times marked on shutters, from the shortest on, seconds.
fn marks() -> impl Iterator<Item = f64> {
    FRACTIONS.iter().map(|n| 1.0 / n).chain(LONG)
}

/// The nearest marked time, up to half a minute; longer times to the nearest third of a stop.
pub fn marked_shutter(seconds: f64) -> f64 {
    if seconds > 35.0 {
        return ((seconds.log2() * 3.0).round() / 3.0).exp2().round();
    }
    let off = |t: f64| (t / seconds).ln().abs();
    marks().min_by(|a, b| off(*a).total_cmp(&off(*b))).unwrap_or(seconds)
}

/// The longest marked time that is no longer.
pub fn marked_shutter_at_most(seconds: f64) -> f64 {
    if seconds > 35.0 {
        return ((seconds.log2() * 3.0 + 0.01).floor() / 3.0).exp2().round();
    }
    marks().filter(|t| *t <= seconds * 1.001).last().unwrap_or(seconds)
}

/// A shutter time as cameras show it.
pub fn shutter_words(seconds: f64) -> String {
    if seconds < 0.3 { format!("1/{:.0} s", 1.0 / seconds) } else { format!("{} s", (seconds * 10.0).round() / 10.0) }
}

/// Above this height of the Sun, degrees, the sky is brighter than a dark umbra (the middle of nautical twilight; common practice, no source).
const TWILIGHT_DEG: f64 = -9.0;

/// Sensitivities marked on cameras, hundreds (ISO 12232's thirds of a stop as makers round them).
const MARKED_HUNDREDS: [f64; 31] = [
    1.0, 1.25, 1.6, 2.0, 2.5, 3.2, 4.0, 5.0, 6.4, 8.0, 10.0, 12.5, 16.0, 20.0, 25.0, 32.0, 40.0, 50.0, 64.0, 80.0,
    100.0, 128.0, 160.0, 200.0, 256.0, 320.0, 400.0, 512.0, 640.0, 800.0, 1024.0,
];

/// The least sensitivity marked that is enough; where no camera has one, that is said.
fn iso_words(iso: f64) -> String {
    let marked = MARKED_HUNDREDS.into_iter().map(|h| 100.0 * h).find(|marked| *marked >= 0.99 * iso);
    marked.map_or("more than any ISO there is".to_owned(), |marked| format!("ISO {marked:.0}"))
}

/// The phases of a night, both halves: the air that a Moon shines through, and what the sky's turning allows, are seldom alike in them.
fn phases(request: &PlanRequest<'_>) -> Vec<(String, Instant)> {
    const SHARES: [f64; 4] = [0.25, 0.5, 0.75, 0.95];
    /// Of totality its first and last minutes are the brightest.
    const INSIDE_S: f64 = 180.0;
    let eclipse = request.eclipse;
    let totality = eclipse.at(Contact::U2).zip(eclipse.at(Contact::U3)).map_or(0.0, |(u2, u3)| u3.seconds_since(u2));
    let inside_s = INSIDE_S.min(totality / 4.0);
    let contact = |contact: Contact, later_s: f64, words: &str| {
        eclipse.at(contact).map(|at| (words.to_owned(), at.plus_seconds(later_s)))
    };
    let over = |umbra: Umbra| {
        let way = if umbra == Umbra::Coming { "coming" } else { "going" };
        move |share: f64| {
            at_fraction(request, share, umbra).map(|at| (format!("umbra over {:.0} %, {way}", share * 100.0), at))
        }
    };
    let mut out: Vec<(String, Instant)> = Vec::new();
    out.extend(contact(Contact::P1, 0.0, "penumbral, beginning"));
    out.extend(contact(Contact::U1, 0.0, "umbra about to bite (U1)"));
    out.extend(SHARES.into_iter().filter_map(over(Umbra::Coming)));
    out.extend(contact(Contact::U2, inside_s, "totality, just begun"));
    out.push(("greatest eclipse".to_owned(), eclipse.greatest()));
    out.extend(contact(Contact::U3, -inside_s, "totality, about to end"));
    out.extend(SHARES.into_iter().rev().filter_map(over(Umbra::Going)));
    out.extend(contact(Contact::U4, 0.0, "umbra just gone (U4)"));
    out.extend(contact(Contact::P4, 0.0, "penumbral, ending"));
    // Of what stands below the horizon nothing is to be exposed.
    out.retain(|(_, at)| request.sees(*at));
    out
}

pub(super) fn advise(request: &PlanRequest<'_>, rig: &Setup) -> Vec<ExposureAdvice> {
    phases(request).into_iter().map(|(phase, at)| one(request, rig, phase, at)).collect()
}

/// Advice for one instant, whatever its phase is called.
pub fn exposure_at(request: &PlanRequest<'_>, rig: &Setup, at: Instant) -> ExposureAdvice {
    one(request, rig, String::new(), at)
}

/// Advice for one instant.
pub(super) fn one(request: &PlanRequest<'_>, rig: &Setup, phase: String, at: Instant) -> ExposureAdvice {
    let moon = apparent_moon(&request.observer, at);
    let shadow = shadow_from(&request.observer, at, &moon);
    let in_file = rig.exposure(shadow.umbral_fraction());
    let (f_number, iso) = in_file.map_or((rig.f_number, rig.iso), |e| (e.aperture.f_number, e.sensitivity.iso));
    let air = Extinction::default().transmission(airmass(moon.refracted(Refraction::default()).altitude))[1];
    let seconds = |light: f64, target: f64| {
        marked_shutter(target * f_number * f_number / (iso * SATURATION_PER_LIGHT_GAIN * light * air))
    };
    let (lit, umbra) = lights(&shadow, 2.0);
    let lit_s = lit.map(|l| seconds(l, 0.5));
    let umbra_s = umbra.map(|_| [4.0, 2.0, 0.0].map(|scale| seconds(lights(&shadow, scale).1.unwrap_or(1.0), 0.125)));
    let follows = matches!(rig.mount, Mount::Tracking);
    let longest_s = (!follows).then(|| request.trail_px / (apparent_rate(request, at) * rig.camera.focal_px()));
    let mut bracket_s: Vec<f64> = match (lit_s, umbra_s) {
        (Some(lit), Some([_, middle, _])) if middle / lit > 8.0 => {
            let count = ((middle / lit).log2() / 2.0).ceil() as i32;
            (0..=count).map(|i| marked_shutter(lit * f64::from(2 * i).exp2())).collect()
        }
        _ => Vec::new(),
    };
    // What would trail is not advised; the conflict says what is missing.
    if let Some(longest) = longest_s.map(marked_shutter_at_most) {
        bracket_s.iter_mut().for_each(|s| *s = s.min(longest));
        bracket_s.dedup();
    }
    let wanted = umbra_s.map(|u| u[1]).or(lit_s).unwrap_or(0.0);
    let conflict = longest_s.filter(|longest| wanted > *longest).map(|longest| {
        let what = if umbra_s.is_some() { "umbra" } else { "lit part" };
        format!(
            "the {what} wants {wanted:.1} s, but after {longest:.2} s the disc trails {} px: take {}, open the lens, or follow the sky",
            request.trail_px,
            iso_words(iso * wanted / longest)
        )
    });
    let sun = apparent_sun_altitude(&request.observer, at).degrees();
    let conflict = if sun > TWILIGHT_DEG {
        let words =
            format!("the Sun stands at {sun:.0}\u{b0}: the bright sky limits the exposure, look at the histogram");
        Some(conflict.map_or(words.clone(), |other| format!("{words}; {other}")))
    } else {
        conflict
    };
    ExposureAdvice {
        phase,
        utc: at.to_iso_utc(),
        f_number,
        iso,
        in_file_s: in_file.map(|e| e.time.seconds),
        lit_s,
        umbra_s,
        bracket_s,
        longest_s,
        conflict,
    }
}

/// What to set: the bracket, or the one exposure that the phase asks for, as long as the mount allows; and what the longest
/// lacks, stops. A camera that brackets by itself does so from the exposure of the lit part on.
pub(super) fn shutters(advice: &ExposureAdvice, own_stops: &[f64]) -> (Vec<f64>, f64) {
    let middling = advice.umbra_s.map(|umbra| umbra[1]);
    let one = advice.lit_s.or(middling).or(advice.in_file_s).unwrap_or(1.0);
    let longest = advice.longest_s.map_or(f64::INFINITY, marked_shutter_at_most);
    let wanted = match (&advice.bracket_s[..], middling) {
        _ if !own_stops.is_empty() => own_stops.iter().map(|s| marked_shutter(one * s.exp2())).collect(),
        // The lit part and the umbra, however close: one of them would burn or drown.
        ([], Some(umbra)) if umbra > 1.5 * one => vec![one, umbra],
        ([], _) => vec![one],
        (bracket, _) => bracket.to_vec(),
    };
    let most = wanted.iter().copied().chain(middling).fold(0.0, f64::max);
    let mut kept: Vec<f64> = wanted.into_iter().map(|s: f64| s.min(longest)).collect();
    kept.dedup();
    (kept, if longest.is_finite() { (most / longest).log2().max(0.0) } else { 0.0 })
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
            in_file_s: Some(0.01),
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
        assert_eq!(shutters(&follows, &[]), (vec![4.0], 0.0));
        let (kept, lacking) = shutters(&advice(None, Some([1.0, 4.0, 16.0]), Vec::new(), Some(0.55)), &[]);
        assert_eq!((kept, lacking), (vec![0.5], 3.0));
        let bracket = vec![0.004, 0.016, 0.06, 0.2];
        let (kept, lacking) = shutters(&advice(Some(0.004), Some([0.5, 1.0, 4.0]), bracket.clone(), Some(0.2)), &[]);
        assert_eq!(kept, bracket);
        assert!((lacking - 5f64.log2()).abs() < 1e-9);
        // The sliver and the copper beside it are two exposures, and a camera's own bracket is its own.
        assert_eq!(shutters(&advice(Some(0.1), Some([0.1, 0.4, 1.0]), Vec::new(), None), &[]).0, [0.1, 0.4]);
        let own = shutters(&advice(Some(0.008), None, Vec::new(), Some(0.3)), &[0.0, 3.0, 6.0]).0;
        assert_eq!(own.len(), 3);
        assert!((own[2] - 0.3).abs() < 1e-9 && (own[1] - 1.0 / 15.0).abs() < 1e-9, "{own:?}");
    }
}
