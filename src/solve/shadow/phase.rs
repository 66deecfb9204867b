//! The phase that frames show against the one that their times would have: slips of whole hours, wrong dates, and frames
//! whose time must be wrong.

use super::clock::Comparison;
use super::edge::ShadowEdge;
use crate::registration::ClockEstimate;
use crate::sky::{LunarEclipse, Observer, eclipses_between, serves};
use crate::units::Instant;

/// What the frames' times are off by, where the phases they show leave no doubt.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(in crate::solve) enum Slip {
    /// Whole or half hours: a time zone, summer time. Seconds that the times are ahead.
    Zone(f64),
    /// Another day: seconds that the times are ahead, and greatest eclipse of the one that the frames show.
    Date(f64, Instant),
}

impl Slip {
    /// Seconds that the frames' times are ahead of the truth.
    pub fn ahead_s(self) -> f64 {
        match self {
            Slip::Zone(s) | Slip::Date(s, _) => s,
        }
    }
}

/// How far an edge may lie from where its time has it, radii, before its time is doubted: cameras' curves move it by some
/// tenths of a radius, the clock's own minutes by hundredths.
const CONTRADICTION: f64 = 0.4;
/// A camera's clock is off by so many minutes at most, if it was ever set (common practice, no source).
const MINUTES: i32 = 15;
/// Zones are up to fourteen hours apart.
const HOURS: i32 = 14;
/// How many years around the frames' own a wrong date is looked for.
const YEARS: f64 = 12.0;

/// Whether an edge contradicts the time that its frame carries.
pub(super) fn contradicts(comparison: &Comparison<'_>, edge: &ShadowEdge, clock: Option<&ClockEstimate>) -> bool {
    let minutes = clock.map_or(0.0, |c| c.ahead_s);
    // What a clock that is off by minutes explains is no contradiction.
    let known = if minutes.abs() < 60.0 * f64::from(MINUTES) { minutes } else { 0.0 };
    comparison.least_off(edge, known).is_none_or(|off| off.abs() > CONTRADICTION)
}

/// The slip that makes edges agree whose own times do not; `None` where they agree, or where nothing does.
pub(super) fn slip(observer: &Observer, edges: &[ShadowEdge], clock: Option<&ClockEstimate>) -> Option<Slip> {
    if edges.is_empty() {
        return None;
    }
    if let Some(zone) = clock.and_then(ClockEstimate::zone_slip_s) {
        return Some(Slip::Zone(zone));
    }
    let comparison = Comparison::new(observer, edges)?;
    // A roof, a cloud's edge or haze over the dark part moves some edges, a slip all.
    if edges.iter().filter(|e| contradicts(&comparison, e, None)).count() * 2 <= edges.len() {
        return None;
    }
    let agree = |ahead_s: f64| {
        let good =
            edges.iter().filter(|e| comparison.off(e, ahead_s).is_some_and(|off| off.abs() < 0.6 * CONTRADICTION));
        good.count() * 10 >= edges.len() * 8
    };
    // What a clock that is off by minutes explains is no slip: where the shadow has only begun to show, few edges tell, and half
    // an hour's zone from the other end of the eclipse may fit them as well.
    if (-MINUTES..=MINUTES).any(|m| agree(60.0 * f64::from(m))) || clock.is_some_and(|c| c.ahead_s.abs() < 3600.0) {
        return None;
    }
    // Few frames leave several hours open: one frame lies on either side of greatest eclipse.
    let hours: Vec<f64> = (-2 * HOURS..=2 * HOURS).map(|h| f64::from(h) * 1800.0).filter(|s| agree(*s)).collect();
    let whole: Vec<f64> = hours.iter().copied().filter(|s| s % 3600.0 == 0.0).collect();
    match (whole.as_slice(), hours.as_slice()) {
        ([one], _) | ([], [one]) => return Some(Slip::Zone(*one)),
        ([_, ..], _) | (_, [_, ..]) => return None,
        _ => {}
    }
    date(observer, edges)
}

/// The eclipse of the years around whose shadow fits the edges; the one that a slip of whole years reaches first.
fn date(observer: &Observer, edges: &[ShadowEdge]) -> Option<Slip> {
    if edges.len() < 3 {
        return None;
    }
    let middle = edges[edges.len() / 2].instant;
    let reach = YEARS * 365.25 * 86_400.0;
    let (from, to) = (middle.plus_seconds(-reach), middle.plus_seconds(reach));
    if !serves(from) || !serves(to) {
        return None;
    }
    let mut found: Vec<(f64, f64, Instant)> = eclipses_between(from, to)
        .iter()
        .filter(|e| e.umbral_magnitude > 0.05)
        .filter_map(|eclipse| {
            let (cost, ahead_s) = fit_to(observer, edges, middle, eclipse)?;
            Some((cost, ahead_s, eclipse.greatest()))
        })
        .collect();
    found.sort_by(|a, b| a.0.total_cmp(&b.0));
    let best = found.first()?.0;
    // Several eclipses pass much alike: of those, the one that a plain mistake of the year explains.
    let year_off = |ahead_s: f64| {
        let years = ahead_s / (365.2425 * 86_400.0);
        (years - years.round()).abs() * 365.0 + years.abs()
    };
    let alike = found.iter().filter(|f| f.0 < best + 12.0);
    let (_, ahead_s, greatest) = *alike.min_by(|a, b| year_off(a.1).total_cmp(&year_off(b.1)))?;
    // The eclipse of the frames' own date: some edges were a roof's or a cloud's, and the date is right.
    (ahead_s.abs() > 86_400.0).then_some(Slip::Date(ahead_s, greatest))
}

/// How well an eclipse fits the edges, and how far their times are ahead of it then.
fn fit_to(observer: &Observer, edges: &[ShadowEdge], middle: Instant, eclipse: &LunarEclipse) -> Option<(f64, f64)> {
    let days = middle.seconds_since(eclipse.greatest());
    // Whole days are a date; what is left may be a zone and where in the eclipse the frames lie.
    let moved: Vec<ShadowEdge> =
        edges.iter().map(|e| ShadowEdge { instant: e.instant.plus_seconds(-days), ..*e }).collect();
    let comparison = Comparison::within(observer, &moved, 4.0 * 3600.0)?;
    let (cost, rest) = comparison.best_within(4.0 * 3600.0)?;
    let good =
        moved.iter().filter(|e| comparison.off(e, rest).is_some_and(|off| off.abs() < 0.5 * CONTRADICTION)).count();
    (good * 10 >= moved.len() * 7).then_some((cost, days + rest))
}
