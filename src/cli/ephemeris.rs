//! `moonloom ephemeris`: where the Moon and the Earth's shadow are.

use super::outcome::{Failure, Outcome, print, print_json};
use super::values::{site, wrong};
use clap::Args;
use moonloom::sky::{Observer, Refraction, SERIES_RANGE, apparent_moon, libration, serves, shadow_from};
use moonloom::units::Instant;
use moonloom::write::write_text;
use std::fmt::Write as _;
use std::path::PathBuf;

/// Print where the Moon and the Earth's shadow are, as seen from a site.
#[derive(Args)]
pub struct EphemerisArgs {
    /// The site: latitude and longitude in degrees (north and east positive), elevation in metres
    #[arg(long, value_name = "LAT,LON[,ELEV]", allow_hyphen_values = true)]
    site: String,
    /// First instant, UTC
    #[arg(long, value_name = "UTC", requires = "to")]
    from: Option<String>,
    /// Last instant, UTC
    #[arg(long, value_name = "UTC", requires = "from")]
    to: Option<String>,
    /// Step between instants, such as 10m, 90s, 1h
    #[arg(long, value_name = "DURATION", default_value = "10m")]
    step: String,
    /// One instant, UTC; may be repeated
    #[arg(long, value_name = "UTC", conflicts_with_all = ["from", "to"])]
    at: Vec<String>,
    /// A file with one instant a line
    #[arg(long, value_name = "FILE")]
    at_file: Option<PathBuf>,
    /// UT1-UTC in seconds, as the IERS publishes it
    #[arg(long, value_name = "SECONDS", default_value_t = 0.0, allow_hyphen_values = true)]
    dut1: f64,
    /// Write the table to a file instead of printing it
    #[arg(long, value_name = "FILE")]
    csv: Option<PathBuf>,
    /// Print one JSON document instead
    #[arg(long, conflicts_with = "csv")]
    json: bool,
}

const COLUMNS: [&str; 17] = [
    "utc",
    "altitude_deg",
    "azimuth_deg",
    "refracted_altitude_deg",
    "ra_deg",
    "dec_deg",
    "distance_km",
    "semidiameter_arcsec",
    "parallactic_angle_deg",
    "axis_position_angle_deg",
    "libration_lon_deg",
    "libration_lat_deg",
    "shadow_xi_arcsec",
    "shadow_eta_arcsec",
    "umbra_radius_arcsec",
    "penumbra_radius_arcsec",
    "umbral_fraction",
];

fn instant(text: &str) -> Result<Instant, Failure> {
    let at = Instant::parse_utc(text).map_err(|e| wrong(e.to_string(), "write UTC like 2028-12-31T16:52:00Z"))?;
    if serves(at) {
        return Ok(at);
    }
    let (from, to) = (SERIES_RANGE.start(), SERIES_RANGE.end());
    Err(wrong(
        format!("{text} lies outside the years {from} to {to} that the series serve"),
        "choose an instant within them",
    ))
}

/// Seconds of `90`, `90s`, `10m`, `1.5h`.
fn duration(text: &str) -> Result<f64, Failure> {
    let (number, unit) = match text.trim().split_at_checked(text.trim().len().saturating_sub(1)) {
        Some((n, "s")) => (n, 1.0),
        Some((n, "m")) => (n, 60.0),
        Some((n, "h")) => (n, 3600.0),
        Some((n, "d")) => (n, 86_400.0),
        _ => (text.trim(), 1.0),
    };
    let seconds = number.parse::<f64>().ok().map(|n| n * unit).filter(|s| *s > 0.0 && s.is_finite());
    seconds.ok_or_else(|| wrong(format!("`{text}` is not a duration"), "write 90s, 10m or 1h"))
}

fn instants(args: &EphemerisArgs) -> Result<Vec<Instant>, Failure> {
    let mut out = args.at.iter().map(|t| instant(t)).collect::<Result<Vec<_>, _>>()?;
    if let Some(path) = &args.at_file {
        let text = moonloom::files::read_text(path).map_err(|e| Failure::reading(path, &e))?;
        for line in text.lines().filter(|l| !l.trim().is_empty() && !l.starts_with('#')) {
            out.push(instant(line)?);
        }
    }
    if let (Some(from), Some(to)) = (&args.from, &args.to) {
        let (from, to, step) = (instant(from)?, instant(to)?, duration(&args.step)?);
        let count = (to.seconds_since(from) / step + 1e-9).floor();
        if !(0.0..=5e6).contains(&count) {
            return Err(wrong(
                "--to lies before --from, or the steps are too many".into(),
                "give a later --to or a longer --step",
            ));
        }
        out.extend((0..=count as u64).map(|i| from.plus_seconds(i as f64 * step)));
    }
    if out.is_empty() {
        return Err(wrong("no instant was given".into(), "give --at UTC, --at-file FILE, or --from UTC --to UTC"));
    }
    Ok(out)
}

fn row(observer: &Observer, at: Instant) -> Vec<String> {
    let seen = apparent_moon(observer, at);
    let turn = libration(observer, at, &seen);
    let shadow = shadow_from(observer, at, &seen);
    let number = |v: f64, digits: usize| format!("{v:.digits$}");
    vec![
        at.to_iso_utc(),
        number(seen.airless.altitude.degrees(), 6),
        number(seen.airless.azimuth.normalized().degrees(), 6),
        number(seen.refracted(Refraction::default()).altitude.degrees(), 6),
        number(seen.right_ascension.degrees(), 7),
        number(seen.declination.degrees(), 7),
        number(seen.distance_km, 3),
        number(seen.semidiameter.arcsec(), 4),
        number(seen.parallactic_angle.degrees(), 5),
        number(turn.axis_position_angle.degrees(), 4),
        number(turn.longitude.degrees(), 4),
        number(turn.latitude.degrees(), 4),
        number(shadow.xi.arcsec(), 3),
        number(shadow.eta.arcsec(), 3),
        number(shadow.umbra_radius.arcsec(), 4),
        number(shadow.penumbra_radius.arcsec(), 4),
        number(shadow.umbral_fraction(), 6),
    ]
}

pub fn run(args: &EphemerisArgs) -> Outcome {
    if !args.dut1.is_finite() || args.dut1.abs() > 100.0 {
        return Err(wrong(
            format!("UT1-UTC of {} s cannot be", args.dut1),
            "it is within 0.9 s while leap seconds last, and a few tens of seconds in far predictions",
        ));
    }
    let mut observer = site(&args.site)?;
    observer.ut1_minus_utc_s = args.dut1;
    let rows: Vec<Vec<String>> = instants(args)?.into_iter().map(|at| row(&observer, at)).collect();
    if args.json {
        let entries: Vec<serde_json::Value> = rows
            .iter()
            .map(|r| {
                let fields = COLUMNS.iter().zip(r).map(|(name, value)| {
                    let value =
                        value.parse::<f64>().map_or_else(|_| serde_json::json!(value), |n| serde_json::json!(n));
                    ((*name).to_owned(), value)
                });
                serde_json::Value::Object(fields.collect())
            })
            .collect();
        let document = serde_json::json!({ "schema": "moonloom-ephemeris-1", "instants": entries });
        return print_json(&document);
    }
    let mut table = COLUMNS.join(",") + "\n";
    for r in &rows {
        // Writing to a string cannot fail.
        let _ = writeln!(table, "{}", r.join(","));
    }
    match args.csv.as_ref().filter(|p| p.as_os_str() != "-") {
        Some(path) => Ok(write_text(path, &table)?),
        None => print(&table),
    }
}
