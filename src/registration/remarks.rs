//! What has to be said of a registration, whether it is new or was kept.

use super::quality::LIMB_BROKEN;
use super::{ClockEstimate, FrameRegistration, PointingSolution, Quality, Registration, Status, Why, clock_words};
use crate::camera::Mount;
use crate::diag::Diagnostic;
use crate::ingest::Night;
use crate::sky::{Observer, apparent_moon, serves};
use crate::units::Angle;

fn is_unreadable(f: &FrameRegistration) -> bool {
    matches!(f.sighting.why(), Some(Why::Unreadable(_)))
}

/// Files that could not be decoded: the first few with the reason, all by name.
fn unreadable(registration: &Registration) -> Vec<Diagnostic> {
    const EXPLAINED: usize = 2;
    let warning = |message: String| {
        Diagnostic::warning("frame-unreadable", message).with_help("copy the file from the card again")
    };
    let files: Vec<&FrameRegistration> = registration.frames.iter().filter(|f| is_unreadable(f)).collect();
    let explained =
        files.iter().take(EXPLAINED).map(|f| warning(format!("{}: {}", f.file, f.reason().unwrap_or_default())));
    let others: Vec<&str> = files.iter().skip(EXPLAINED).map(|f| f.file.as_str()).collect();
    let rest = (!others.is_empty()).then(|| warning(format!("nor can these be read: {}", others.join(", "))));
    explained.chain(rest).collect()
}

/// Discs that lack nothing so much as a round limb, where the others of the same camera have it.
fn broken_limbs(registration: &Registration) -> Option<Diagnostic> {
    let qualities: Vec<Quality> = (0..registration.rigs.len()).map(|rig| Quality::of(registration, rig)).collect();
    let lacks = |f: &FrameRegistration| qualities.get(f.rig)?.rate(f, registration.size_of(f)).lacks;
    let broken = registration.frames.iter().filter(|f| lacks(f) == Some(LIMB_BROKEN));
    let names: Vec<&str> = broken.map(|f| f.file.as_str()).collect();
    (!names.is_empty()).then(|| {
        Diagnostic::warning("limb-broken", format!("{}: the limb is no circle, as the others' are", names.join(", ")))
            .with_help("the file may be damaged, or something stands before the Moon: look at it (`moonloom proof`)")
    })
}

/// What has to be said of a registration, whether it is new or was kept.
pub fn remarks(night: &Night, registration: &Registration) -> Vec<Diagnostic> {
    let mut out = Vec::new();
    let missing = |f: &&FrameRegistration| f.status() == Status::Absent && !f.foreground;
    out.extend(unreadable(registration));
    for f in registration.frames.iter().filter(missing).filter(|f| !is_unreadable(f)) {
        let why = f.reason().unwrap_or_else(|| Why::NoDisc.to_string());
        out.push(Diagnostic::warning("moon-absent", format!("{}: {why}", f.file)));
    }
    let torn: Vec<&str> = registration.frames.iter().filter(|f| f.told.is_some()).map(|f| f.file.as_str()).collect();
    if !torn.is_empty() {
        let message = format!("{}: the file breaks off; what is there of it is used", torn.join(", "));
        out.push(Diagnostic::warning("frame-breaks-off", message).with_help("copy the file from the card again"));
    }
    out.extend(broken_limbs(registration));
    out.extend(below_horizon(night, registration));
    let contradicted: Vec<&str> =
        registration.frames.iter().filter(|f| f.phase_contradicted).map(|f| f.file.as_str()).collect();
    if let Some(first) = contradicted.first() {
        let more = match contradicted.len() {
            1 => String::new(),
            n => format!(" and {} more", n - 1),
        };
        out.push(
            Diagnostic::warning(
                "phase-contradicts-time",
                format!(
                    "{first}{more}: the Moon shows another phase than it had at the time recorded; none is labelled"
                ),
            )
            .with_help("check the clock's `utc_offset` and date in shoot.ron, or the frame's time in frames.csv"),
        );
    }
    let fixed = night.mount() == Mount::FixedTripod && night.observer().is_some();
    for (index, rig) in registration.rigs.iter().enumerate() {
        let frames = registration.frames.iter().filter(|f| f.rig == index).count();
        if fixed && frames >= 4 && rig.pointings.is_empty() {
            out.push(
                Diagnostic::warning(
                    "pointing-unsolved",
                    "the Moons found do not lie on the Moon's track for this site, clock and tripod",
                )
                .with_help("check the site, the clock's `utc_offset` and `mount` in shoot.ron"),
            );
        }
        let glare_px = glare_px(registration, index);
        out.extend(rig.pointings.iter().filter(|p| is_doubtful(p, glare_px)).take(1).map(|p| {
            Diagnostic::warning(
                "aim-doubtful",
                format!(
                    "the solved aim (altitude {:.0}\u{b0}, roll {:.0}\u{b0}, residual {:.1} px over {} frames) hardly fits the site and clock",
                    p.pointing.altitude.degrees(),
                    p.pointing.roll.normalized_signed().degrees(),
                    p.rms_px,
                    p.frames
                ),
            )
            .with_help("check the site, the clock's `utc_offset` and `mount` in shoot.ron")
        }));
        for knock in rig.pointings.iter().filter_map(|p| p.from) {
            out.push(
                Diagnostic::note(
                    "tripod-touched",
                    format!("the tripod points elsewhere from {} on; both parts are solved", knock.to_iso_utc()),
                )
                .with_help("a picture on one backplate shows the other part's discs where the sky had them"),
            );
        }
        out.extend(rig.clock.as_ref().and_then(clock_remark));
    }
    out
}

/// What has to be said where the sky has the Moon below the horizon and the frames show it, or much of a night is lost.
fn below_horizon(night: &Night, registration: &Registration) -> Option<Diagnostic> {
    let observer = night.observer()?;
    let lost = |f: &&FrameRegistration| f.sighting.why() == Some(&Why::BelowHorizon);
    let shown_below = |f: &&FrameRegistration| {
        let Some(instant) = f.time.filter(|i| serves(*i)) else { return false };
        f.status() == Status::Measured && apparent_moon(&observer, instant).airless.altitude.degrees() < -1.5
    };
    let (lost, shown) =
        (registration.frames.iter().filter(lost).count(), registration.frames.iter().filter(shown_below).count());
    let message = match (shown, lost * 3 > registration.frames.len()) {
        (0, false) => return None,
        (0, true) => "by the site and the clock the Moon was below the horizon for much of the night".to_owned(),
        (n, _) => format!("by the site and the clock the Moon was below the horizon in {n} frames that show it"),
    };
    let check = "check `site` and the clock's `utc_offset` and date in shoot.ron";
    let other = (shown > 0).then(|| side_of_the_earth(&observer, registration)).flatten();
    let help = other.map_or(check.to_owned(), |what| {
        format!("with {what} it stood above it in all of them: if that is your site, write it; else {check}")
    });
    Some(Diagnostic::warning("moon-below-horizon", message).with_help(help))
}

/// The coordinate to write where west or south was noted without its minus: with the other sign of just one of the two the Moon
/// stands well above the horizon in every frame that shows it.
fn side_of_the_earth(observer: &Observer, registration: &Registration) -> Option<String> {
    /// Degrees: a Moon that only just rises would say so of many sites.
    const WELL_ABOVE: f64 = 3.0;
    // As they were written.
    let written = |angle: Angle| (angle.degrees() * 1e6).round() / 1e6;
    let (latitude, longitude) = (written(observer.latitude), written(observer.longitude));
    let shown = || {
        let measured = registration.frames.iter().filter(|f| f.status() == Status::Measured);
        measured.filter_map(|f| f.time.filter(|i| serves(*i)))
    };
    let fits = |latitude: f64, longitude: f64| {
        let there = Observer {
            latitude: Angle::from_degrees(latitude),
            longitude: Angle::from_degrees(longitude),
            ..*observer
        };
        shown().all(|instant| apparent_moon(&there, instant).airless.altitude.degrees() > WELL_ABOVE)
    };
    let (other_side, other_hemisphere) = (fits(latitude, -longitude), fits(-latitude, longitude));
    match (other_side, other_hemisphere) {
        (true, false) => Some(format!("`longitude_deg: {}`", -longitude)),
        (false, true) => Some(format!("`latitude_deg: {}`", -latitude)),
        _ => None,
    }
}

/// Whether an aim fits so badly, or stands so oddly, that the site or the clock must be wrong: another sky's
/// track bends otherwise, and only a camera on its head can follow it.
fn is_doubtful(solved: &PointingSolution, glare_px: f64) -> bool {
    /// A true aim leaves a tenth of a pixel (the matrix), a false one eight tenths (a zone an hour off).
    const MOST_PX: f64 = 0.8;
    /// Small discs that are seen by their glare are placed to a tenth of it (the rehearsed town: 1.3 px of 20), and no
    /// disc worse than by two pixels.
    const MOST_OF_GLARE: f64 = 0.1;
    const MOST_BY_GLARE_PX: f64 = 2.0;
    let upside_down = solved.pointing.roll.normalized_signed().degrees().abs() > 100.0;
    solved.is_loose()
        || (solved.rms_px > MOST_PX.max((MOST_OF_GLARE * glare_px).min(MOST_BY_GLARE_PX)) && solved.frames >= 8)
        || upside_down
}

/// Radius of a rig's usual disc, pixels, where it is clipped and so seen by its glare; zero elsewhere.
fn glare_px(registration: &Registration, rig: usize) -> f64 {
    /// Clipped is what is saturated over a third of its area.
    const CLIPPED: f64 = 0.3;
    let middle = |mut values: Vec<f64>| {
        values.sort_by(f64::total_cmp);
        values.get(values.len() / 2).copied().unwrap_or(0.0)
    };
    let fits = || registration.frames.iter().filter(|f| f.rig == rig).filter_map(FrameRegistration::fit);
    if middle(fits().map(|f| f.saturated_share).collect()) < CLIPPED {
        return 0.0;
    }
    middle(fits().map(|f| f.radius_px).collect())
}

/// What has to be said of a clock that is far off.
fn clock_remark(clock: &ClockEstimate) -> Option<Diagnostic> {
    if !clock.is_far_off() {
        return None;
    }
    let words = format!("by the Earth's shadow, the {}", clock_words(clock));
    let help = match clock.zone_slip_s() {
        Some(slip) => {
            let zone = format!(
                "it looks like a time zone or summer time {:+.2} h off: correct `clock: (utc_offset: …)` in shoot.ron",
                slip / 3600.0
            );
            // A zone, and a clock that was set by hand.
            let rest = clock.ahead_s - slip;
            let is_told = rest.abs() > 60.0 && rest.abs() > 1.5 * clock.sigma_s;
            if is_told {
                format!("{zone}, and with it `ahead_s: {rest:.0}`, by which the clock is off besides")
            } else {
                zone
            }
        }
        None => "register with `--clock from-shadow`, or write `clock: (ahead_s: …)` into shoot.ron".into(),
    };
    Some(Diagnostic::warning("clock-far-off", words).with_help(help))
}
