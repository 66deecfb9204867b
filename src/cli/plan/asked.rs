//! What the flags of `plan` ask for.

use super::super::outcome::{Failure, tell};
use super::super::values::wrong;
use super::PlanArgs;
use jiff::tz::TimeZone;
use moonloom::camera::{Camera, Mount, Setup};
use moonloom::diag::Diagnostic;
use moonloom::plan::HorizonProfile;
use moonloom::simulate::Scenario;
use moonloom::sky::{LunarEclipse, Observer, SERIES_RANGE, ShadowRule, eclipses_between_by};
use moonloom::units::Instant;
use std::path::Path;

pub fn rule(name: &str) -> Result<ShadowRule, Failure> {
    match name.to_ascii_lowercase().as_str() {
        "danjon" => Ok(ShadowRule::Danjon),
        "chauvenet" => Ok(ShadowRule::Chauvenet),
        "herald-sinnott" => Ok(ShadowRule::HeraldSinnott),
        _ => Err(wrong(format!("`{name}` is not a rule for the shadow"), "valid: danjon, chauvenet, herald-sinnott")),
    }
}

pub fn years(text: &str) -> Result<(Instant, Instant), Failure> {
    let help = "write --list 2025..2035";
    let parts: Vec<Option<i64>> = text.split("..").map(|y| y.trim().parse().ok()).collect();
    let (from, to) = match parts[..] {
        [Some(year)] => (year, year),
        [Some(from), Some(to)] if from <= to => (from, to),
        _ => return Err(wrong(format!("`{text}` is not a span of years"), help)),
    };
    let (low, high) = (*SERIES_RANGE.start() as i64, *SERIES_RANGE.end() as i64 - 1);
    if from < low || to > high {
        return Err(wrong(format!("the series serve the years {low} to {high}"), help));
    }
    let start = Instant::parse_utc(&format!("{from:04}-01-01T00:00:00Z"));
    let end = Instant::parse_utc(&format!("{:04}-01-01T00:00:00Z", to + 1));
    start.ok().zip(end.ok()).ok_or_else(|| wrong(format!("`{text}` is not a span of years"), help))
}

/// The eclipse of a date, or the one a night before or after: that is said where it has the date neither in UTC nor by the local clock
/// or the site's own Sun.
pub fn eclipse_of(
    date: &str,
    rule: ShadowRule,
    (observer, zone): (&Observer, &TimeZone),
) -> Result<LunarEclipse, Failure> {
    let noon = Instant::parse_utc(&format!("{date}T12:00:00Z"))
        .map_err(|_| wrong(format!("`{date}` is not a date"), "write --eclipse 2028-12-31"))?;
    if !moonloom::sky::serves(noon) {
        return Err(wrong(
            format!(
                "{date} lies outside the years {} to {} that the series serve",
                SERIES_RANGE.start(),
                SERIES_RANGE.end()
            ),
            "choose a date within them",
        ));
    }
    let day = 86_400.0;
    let near = eclipses_between_by(rule, noon.plus_seconds(-1.5 * day), noon.plus_seconds(1.5 * day));
    let eclipse = near.into_iter().next().ok_or_else(|| {
        wrong(format!("there is no lunar eclipse near {date}"), "`moonloom plan --list 2025..2035` lists them")
    })?;
    // Who gives no zone may mean the site's own evening.
    let by_the_sun = jiff::tz::Offset::from_seconds((observer.longitude.degrees() * 240.0) as i32);
    let clocks = [TimeZone::UTC, zone.clone(), by_the_sun.map_or(TimeZone::UTC, TimeZone::fixed)];
    let asked = TimeZone::UTC.to_datetime(noon.to_utc()).date();
    let has_date = |at: Instant| clocks.iter().any(|clock| clock.to_datetime(at.to_utc()).date() == asked);
    if !eclipse.contacts.iter().any(|(_, at)| has_date(*at)) {
        let greatest = eclipse.greatest().to_iso_utc();
        let message =
            format!("on {date} there is no lunar eclipse: this is the one nearest to it, greatest {greatest}");
        let help = format!("write --eclipse {}", &greatest[..10]);
        tell(&[Diagnostic::warning("other-date", message).with_help(help)]);
    }
    Ok(eclipse)
}

fn zone_of(name: &str) -> Result<TimeZone, Failure> {
    let offset = || {
        let (sign, rest) = (if name.starts_with('-') { -1 } else { 1 }, name.strip_prefix(['+', '-'])?);
        let (hours, minutes) = rest.split_once(':')?;
        let (hours, minutes): (i32, i32) =
            (hours.parse().ok().filter(|h| (0..=25).contains(h))?, minutes.parse().ok()?);
        let seconds = (0..60).contains(&minutes).then_some(sign * (3600 * hours + 60 * minutes))?;
        jiff::tz::Offset::from_seconds(seconds).ok().map(TimeZone::fixed)
    };
    offset().or_else(|| TimeZone::get(name).ok()).ok_or_else(|| {
        wrong(
            format!("`{name}` is not a time zone"),
            "write a name like Australia/Perth or UTC, or an offset like +08:00",
        )
    })
}

/// The local clock: as asked, or the rig file's at its own site; a rig file from elsewhere says nothing of this site's clocks.
pub fn zone(args: &PlanArgs, observer: &Observer, scenario: Option<&Scenario>) -> Result<TimeZone, Failure> {
    /// Within so many kilometres clocks are mostly the same.
    const NEAR_KM: f64 = 100.0;
    if let Some(name) = &args.zone {
        return zone_of(name);
    }
    let Some(scenario) = scenario else { return Ok(TimeZone::UTC) };
    if scenario.site.observer().is_ok_and(|own| own.kilometres_from(observer) > NEAR_KM) {
        let message = "the rig file is of another site: local times are given in UTC";
        tell(&[Diagnostic::warning("zone-unknown", message).with_help("name the site's zone: --zone Europe/Lisbon")]);
        return Ok(TimeZone::UTC);
    }
    Ok(scenario.zone())
}

/// What stands on the horizon, from a file.
pub fn horizon(path: &Path) -> Result<HorizonProfile, Failure> {
    let text = moonloom::files::read_text(path).map_err(|e| Failure::reading(path, &e))?;
    HorizonProfile::parse(&text).map_err(|fault| {
        let message = format!("{}:{}: `{}` is not `azimuth,altitude`", path.display(), fault.line, fault.text);
        wrong(message, "two numbers in degrees a line")
    })
}

/// A sensor of `6000x4000,5.9`: pixels across and down, and their spacing in micrometres.
fn sensor(text: &str) -> Result<(usize, usize, f64), Failure> {
    let read = || {
        let (size, pitch) = text.split_once(',')?;
        let (across, down) = size.split_once(['x', 'X', '\u{d7}'])?;
        let (across, down): (usize, usize) = (across.trim().parse().ok()?, down.trim().parse().ok()?);
        let pitch: f64 = pitch.trim().parse().ok()?;
        // Fewer are millimetres.
        let is_one = (100..=100_000).contains(&across.min(down)) && across.max(down) <= 100_000;
        (is_one && (0.3..=100.0).contains(&pitch)).then_some((across, down, pitch))
    };
    read().ok_or_else(|| {
        let help =
            "write pixels (not millimetres) across and down and their spacing in micrometres: --sensor 6000x4000,5.9";
        wrong(format!("`{text}` is not a sensor"), help)
    })
}

/// A lens of `500` or `500,8`: focal length in millimetres and focal ratio.
fn lens(text: &str) -> Result<(f64, Option<f64>), Failure> {
    let (focal, ratio) = text.split_once(',').map_or((text, None), |(f, n)| (f, Some(n)));
    let focal: Option<f64> = focal.trim().parse().ok().filter(|f| (1.0..=100_000.0).contains(f));
    let ratio: Option<Option<f64>> =
        ratio.map(|n| n.trim().parse().ok().filter(|n| (0.5..=128.0).contains(n))).map_or(Some(None), |n| n.map(Some));
    focal
        .zip(ratio)
        .ok_or_else(|| wrong(format!("`{text}` is not a lens"), "write its focal length and focal ratio: --lens 500,8"))
}

/// The lenses of a bag on one sensor, each on what the flags say holds it.
pub fn bag(args: &PlanArgs) -> Result<Vec<Setup>, Failure> {
    let Some(text) = &args.sensor else { return Ok(Vec::new()) };
    let (width_px, height_px, pixel_pitch_um) = sensor(text)?;
    let mount = if args.tracking { Mount::Tracking } else { Mount::ReaimedTripod };
    let lenses: Result<Vec<(f64, Option<f64>)>, Failure> = args.lens.iter().map(|l| lens(l)).collect();
    let setup = |(focal_length_mm, ratio): (f64, Option<f64>)| {
        let camera = Camera { width_px, height_px, pixel_pitch_um, focal_length_mm, k1: 0.0 };
        Setup::of_lens(camera, ratio, mount, args.iso)
    };
    Ok(lenses?.into_iter().map(setup).collect())
}
