//! `moonloom plan`: when, where, how long, how wide.

use super::outcome::{Exit, Failure, Outcome, print, print_json, say, tell};
use super::values::{may_be_replaced, site, wrong};
use clap::Args;
use jiff::tz::TimeZone;
use moonloom::diag::Diagnostic;
use moonloom::plan::{
    CALENDAR_PRODUCT, EclipseSummary, HorizonProfile, PlanRequest, ShootingPlan, calendar, draw, plan, schedule,
    schedule_csv, summarize,
};
use moonloom::raster::{RgbSpace, TransferFunction};
use moonloom::simulate::Scenario;
use moonloom::sky::{LunarEclipse, Observer, SERIES_RANGE, ShadowRule, eclipses_between_by};
use moonloom::units::Instant;
use moonloom::write::{BitDepth, Container, OutputSpec, write_picture, write_text};
use std::fmt::Write as _;
use std::path::{Path, PathBuf};

/// List eclipses, or plan the night of one.
#[derive(Args)]
pub struct PlanArgs {
    /// List the eclipses of these years, such as 2025..2035
    #[arg(long, value_name = "YEAR..YEAR", conflicts_with = "eclipse")]
    list: Option<String>,
    /// Plan the night of the eclipse of this UTC date
    #[arg(long, value_name = "YYYY-MM-DD")]
    eclipse: Option<String>,
    /// The site: latitude and longitude in degrees, elevation in metres (default: the rig file's)
    #[arg(long, value_name = "LAT,LON[,ELEV]", allow_hyphen_values = true)]
    site: Option<String>,
    /// Zone of the local clock, such as Australia/Perth or +08:00 (default: the rig file's offset at its site, else UTC)
    #[arg(long, value_name = "ZONE", allow_hyphen_values = true)]
    zone: Option<String>,
    /// The cameras: a rehearsal file, as `rehearse` takes it
    #[arg(long, value_name = "FILE.ron")]
    rig: Option<PathBuf>,
    /// How far a disc may trail during an exposure, pixels
    #[arg(long, value_name = "PIXELS", default_value_t = 2.0)]
    trail: f64,
    /// What stands on the horizon: a file of `azimuth,altitude` lines in degrees
    #[arg(long, value_name = "FILE.csv")]
    horizon: Option<PathBuf>,
    /// How the shadow's size is reckoned: danjon, chauvenet, herald-sinnott
    #[arg(long, value_name = "RULE", default_value = "danjon")]
    shadow: String,
    /// Every exposure of the night, one a row (needs --rig): what to set, and how many stops that lacks on the rig's mount
    #[arg(long, value_name = "FILE.csv", requires = "rig", conflicts_with = "list")]
    schedule: Option<PathBuf>,
    /// A calendar for a phone (iCalendar): contacts, rise and set, reminders; with --rig what to set then
    #[arg(long, value_name = "FILE.ics", conflicts_with = "list")]
    calendar: Option<PathBuf>,
    /// A drawing of the plan: .svg or .png
    #[arg(long, value_name = "FILE")]
    drawing: Option<PathBuf>,
    /// One JSON document instead of tables
    #[arg(long)]
    json: bool,
}

fn rule(name: &str) -> Result<ShadowRule, Failure> {
    match name.to_ascii_lowercase().as_str() {
        "danjon" => Ok(ShadowRule::Danjon),
        "chauvenet" => Ok(ShadowRule::Chauvenet),
        "herald-sinnott" => Ok(ShadowRule::HeraldSinnott),
        _ => Err(wrong(format!("`{name}` is not a rule for the shadow"), "valid: danjon, chauvenet, herald-sinnott")),
    }
}

fn years(text: &str) -> Result<(Instant, Instant), Failure> {
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

fn eclipse_of(date: &str, rule: ShadowRule) -> Result<LunarEclipse, Failure> {
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
    eclipses_between_by(rule, noon.plus_seconds(-1.5 * day), noon.plus_seconds(1.5 * day))
        .into_iter()
        .next()
        .ok_or_else(|| {
            wrong(format!("there is no lunar eclipse near {date}"), "`moonloom plan --list 2025..2035` lists them")
        })
}

fn zone_of(name: &str) -> Result<TimeZone, Failure> {
    let offset = || {
        let (sign, rest) = (if name.starts_with('-') { -1 } else { 1 }, name.strip_prefix(['+', '-'])?);
        let (hours, minutes) = rest.split_once(':')?;
        let (hours, minutes): (i32, i32) = (hours.parse().ok()?, minutes.parse().ok()?);
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
fn zone(args: &PlanArgs, observer: &Observer, scenario: Option<&Scenario>) -> Result<TimeZone, Failure> {
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

fn horizon(path: &Path) -> Result<HorizonProfile, Failure> {
    let text = moonloom::files::read_text(path).map_err(|e| Failure::reading(path, &e))?;
    let mut points = Vec::new();
    for (number, line) in text.lines().enumerate().filter(|(_, l)| !l.trim().is_empty() && !l.starts_with('#')) {
        let pair: Option<Vec<f64>> = line.split(',').map(|v| v.trim().parse().ok()).collect();
        match pair.as_deref() {
            Some([azimuth, altitude]) if altitude.abs() <= 90.0 && azimuth.abs() <= 720.0 => {
                points.push((azimuth.rem_euclid(360.0), *altitude));
            }
            // A first line of words names the columns.
            _ if number == 0 && !line.contains(|c: char| c.is_ascii_digit()) => {}
            _ => {
                return Err(wrong(
                    format!("{}:{}: `{line}` is not `azimuth,altitude`", path.display(), number + 1),
                    "two numbers in degrees a line",
                ));
            }
        }
    }
    points.sort_by(|a, b| a.0.total_cmp(&b.0));
    Ok(HorizonProfile { points })
}

pub fn run(args: &PlanArgs) -> Outcome {
    let rule = rule(&args.shadow)?;
    let scenario = match &args.rig {
        Some(path) => {
            let text = moonloom::files::read_text(path).map_err(|e| Failure::reading(path, &e))?;
            Some(Scenario::parse(path, &text).map_err(|d| Failure::new(Exit::BadRequest, d))?)
        }
        None => None,
    };
    let observer = match (&args.site, &scenario) {
        (Some(text), _) => Some(site(text)?),
        (None, Some(s)) => Some(s.site.observer().map_err(|e| wrong(e.to_string(), "mend the site in the rig file"))?),
        (None, None) => None,
    };
    if let Some(span) = &args.list {
        let (from, to) = years(span)?;
        return list(&eclipses_between_by(rule, from, to), observer.as_ref(), args.json);
    }
    let date = args.eclipse.clone().or_else(|| scenario.as_ref().map(|s| s.eclipse.clone()));
    let Some(date) = date else {
        return Err(wrong("neither --list nor --eclipse was given".into(), "try `moonloom plan --list 2025..2035`"));
    };
    let Some(observer) = observer else {
        return Err(wrong("a plan needs a site".into(), "give --site LAT,LON, or a --rig file that names one"));
    };
    let zone = zone(args, &observer, scenario.as_ref())?;
    let eclipse = eclipse_of(&date, rule)?;
    let request = PlanRequest {
        observer,
        zone,
        eclipse: &eclipse,
        rigs: scenario.as_ref().map_or(&[], |s| &s.rigs),
        trail_px: args.trail.clamp(0.1, 1000.0),
        horizon: args.horizon.as_deref().map(horizon).transpose()?.unwrap_or_default(),
    };
    let night = plan(&request);
    warn_if_unseen(&night);
    if let Some(path) = &args.drawing {
        write_drawing(path, &request, &night)?;
    }
    write_lists(args, &request, &night)?;
    if args.json {
        return print_json(&night);
    }
    print(&words(&night))
}

/// The schedule and the calendar: both names are looked at before either is written.
fn write_lists(args: &PlanArgs, request: &PlanRequest<'_>, night: &ShootingPlan) -> Outcome {
    let wanted = [(&args.schedule, "csv", SCHEDULE_HEAD), (&args.calendar, "ics", CALENDAR_PRODUCT)];
    for (path, ending, mark) in wanted.iter().filter_map(|(path, ending, mark)| Some((path.as_ref()?, ending, mark))) {
        if path.extension().is_none_or(|e| !e.eq_ignore_ascii_case(ending)) {
            return Err(wrong(format!("{} does not end in .{ending}", path.display()), "give it that ending"));
        }
        // It says so in its first lines.
        let is_ours = |text: &str| text.lines().take(4).any(|line| line.starts_with(*mark));
        may_be_replaced(path, "written by no plan", is_ours)?;
    }
    if let Some(path) = &args.schedule {
        let frames = schedule(request);
        if frames.is_empty() {
            return Err(unseen(path));
        }
        write_text(path, &schedule_csv(&frames))?;
    }
    if let Some(path) = &args.calendar {
        let text = calendar(request, night, Instant::from_utc(jiff::Timestamp::now())).ok_or_else(|| unseen(path))?;
        write_text(path, &text)?;
    }
    Ok(())
}

/// How a schedule begins.
const SCHEDULE_HEAD: &str = "utc,local,camera,";

fn unseen(path: &Path) -> Failure {
    let message = format!("{} is not written: the site sees nothing of this eclipse", path.display());
    let help = "`moonloom plan --list 2025..2035 --site …` shows which it sees";
    Failure::new(Exit::CouldNot, Diagnostic::error("eclipse-unseen", message).with_help(help))
}

fn warn_if_unseen(night: &ShootingPlan) {
    let Some(v) = &night.eclipse.visibility else { return };
    if v.penumbral == 0.0 {
        let d = Diagnostic::warning(
            "eclipse-unseen",
            format!(
                "nothing of this eclipse is seen from the site: at greatest eclipse the Moon stands {:.0}\u{b0} below the horizon, at azimuth {:.0}\u{b0}",
                -v.altitude_at_greatest_deg, v.azimuth_at_greatest_deg
            ),
        )
        .with_help("`moonloom plan --list 2025..2035 --site …` shows which are");
        say(&d.to_string());
    }
}

fn write_drawing(path: &Path, request: &PlanRequest<'_>, night: &ShootingPlan) -> Outcome {
    let drawing = draw(request, night);
    match path.extension().and_then(|e| e.to_str()).map(str::to_ascii_lowercase).as_deref() {
        Some("svg") => Ok(write_text(path, &drawing.to_svg())?),
        Some("png") => {
            let (width, height, codes) = drawing.to_pixels();
            let spec = OutputSpec {
                light: RgbSpace::LINEAR_SRGB,
                dots_per_inch: 96.0,
                ..OutputSpec::new(Container::for_path(path)?, BitDepth::Eight)
            };
            Ok(write_picture(path, &spec, (width, height), &mut |rows| {
                let codes = &codes[rows.start * width * 3..rows.end * width * 3];
                codes.iter().map(|c| TransferFunction::Srgb.decode(f32::from(*c) / 255.0)).collect()
            })?)
        }
        _ => Err(wrong(
            format!("cannot tell from its ending what kind of drawing {} should be", path.display()),
            "end the name in .svg or .png",
        )),
    }
}

fn list(eclipses: &[LunarEclipse], observer: Option<&Observer>, json: bool) -> Outcome {
    let summaries: Vec<EclipseSummary> = eclipses.iter().map(|e| summarize(e, observer)).collect();
    if json {
        let document = serde_json::json!({ "schema": "moonloom-eclipses-1", "eclipses": summaries });
        return print_json(&document);
    }
    let mut out = String::from("greatest eclipse (UTC)  type       umbral  penumbral  saros");
    out.push_str(if observer.is_some() { "  seen: penumbral  partial  total  altitude\n" } else { "\n" });
    for s in &summaries {
        let greatest = s.contacts.greatest.as_deref().unwrap_or("").replace('T', " ");
        let _ = write!(
            out,
            "{:<22}  {:<9} {:>7.3}  {:>9.3}  {:>5}",
            &greatest[..19.min(greatest.len())],
            s.kind,
            s.umbral_magnitude,
            s.penumbral_magnitude,
            s.saros
        );
        if let Some(v) = &s.visibility {
            let share = |v: Option<f64>| v.map_or("-".to_owned(), |v| format!("{:.0} %", v * 100.0));
            let _ = write!(
                out,
                "  {:>15}  {:>7}  {:>5}  {:>7.0}\u{b0}",
                share(Some(v.penumbral)),
                share(v.partial),
                share(v.total),
                v.altitude_at_greatest_deg
            );
        }
        out.push('\n');
    }
    print(&out)
}

/// A time as people say it.
fn seconds(s: f64) -> String {
    match s {
        s if s < 0.3 => format!("1/{:.0} s", 1.0 / s),
        s if s < 10.0 => format!("{s:.1} s"),
        s if s < 600.0 => format!("{s:.0} s"),
        s => format!("{:.0} min", s / 60.0),
    }
}

fn words(night: &ShootingPlan) -> String {
    let mut out = String::new();
    let e = &night.eclipse;
    let greatest = e.contacts.greatest.as_deref().unwrap_or("");
    let _ = writeln!(
        out,
        "{} lunar eclipse, greatest {greatest}, umbral magnitude {:.3}, Saros {}\n",
        capital(&e.kind),
        e.umbral_magnitude,
        e.saros
    );
    timetable_words(&mut out, night);
    night.rigs.iter().for_each(|rig| rig_words(&mut out, rig));
    out.push_str("\nHave ready\n");
    night.checklist.iter().for_each(|line| bullet(&mut out, line));
    out.push_str("\nBeware\n");
    night.cautions.iter().for_each(|line| bullet(&mut out, line));
    out
}

/// The night by the clock; local dates stand on lines of their own.
fn timetable_words(out: &mut String, night: &ShootingPlan) {
    let _ = writeln!(out, "local times are of the zone {}", night.zone);
    out.push_str("          local     UTC       altitude  azimuth   Sun  umbra  stops below full  mag/arcsec\u{b2}\n");
    let mut date = "";
    for r in &night.timetable {
        if date != &r.local[..10] {
            date = &r.local[..10];
            let _ = writeln!(out, "{date}");
        }
        let spread = if r.stops_spread.1 - r.stops_spread.0 < 0.15 {
            format!("{:.1}", r.stops_below_full)
        } else {
            format!("{:.1} ({:.0}..{:.0})", r.stops_below_full, r.stops_spread.0, r.stops_spread.1)
        };
        let sky = if r.twilight == "night" { "" } else { r.twilight };
        let _ = writeln!(
            out,
            "{:<9} {}  {}  {:>7.1}\u{b0}  {:>6.1}\u{b0}  {:>3.0}\u{b0}  {:>3.0} %  {:>16}  {:>6.1}  {sky}",
            r.contact.as_deref().unwrap_or(""),
            &r.local[11..],
            &r.utc[11..19],
            r.altitude_deg,
            r.azimuth_deg,
            r.sun_altitude_deg,
            r.umbral_fraction * 100.0,
            spread,
            r.surface_magnitude
        );
    }
    out.push_str("stops: at Danjon 2, and in brackets from a bright eclipse (4) to a dark one (0)\n");
}

fn capital(word: &str) -> String {
    let mut letters = word.chars();
    letters.next().map_or(String::new(), |c| c.to_uppercase().collect::<String>() + letters.as_str())
}

/// A point, wrapped at the terminal's width (100 columns where there is none).
fn bullet(out: &mut String, line: &str) {
    let width = std::env::var("COLUMNS").ok().and_then(|c| c.parse::<usize>().ok()).unwrap_or(100).clamp(40, 160);
    let mut column = 0;
    for word in line.split(' ') {
        if column == 0 {
            out.push_str("  - ");
            column = 4;
        } else if column + word.chars().count() + 1 > width {
            out.push_str("\n    ");
            column = 4;
        } else if column > 4 {
            out.push(' ');
            column += 1;
        }
        out.push_str(word);
        column += word.chars().count();
    }
    out.push('\n');
}

fn rig_words(out: &mut String, rig: &moonloom::plan::RigPlan) {
    let _ = writeln!(
        out,
        "\n{}: field {:.1} x {:.1}\u{b0}, {:.2}\" per pixel, Moon {:.0} px ({:.0} % of the short side)",
        rig.name,
        rig.field_deg.0,
        rig.field_deg.1,
        rig.plate_scale_arcsec,
        rig.moon_diameter_px,
        rig.moon_share_of_short_side * 100.0
    );
    let f = &rig.framing;
    let (az, alt, roll) = f.aim_deg;
    let fits = if f.track_fits {
        format!("the whole track fits, {:.0} px to spare", f.room_px)
    } else {
        "the track does not fit one aim".into()
    };
    let _ = writeln!(out, "  aim: azimuth {az:.1}\u{b0}, altitude {alt:.1}\u{b0}, roll {roll:.0}\u{b0}: {fits}");
    if let Some(room) = f.room_in_file_px {
        let _ = writeln!(
            out,
            "  as aimed in the file: {}",
            if room >= 0.0 {
                format!("fits, {room:.0} px to spare")
            } else {
                format!("the Moon comes {:.0} px over the edge", -room)
            }
        );
    }
    if let Some(minutes) = f.reaim_minutes.filter(|_| !f.track_fits) {
        let _ = writeln!(out, "  re-aim every {minutes:.1} min (middle to edge)");
    }
    for (label, value) in
        [("leaves the frame", &f.leaves_frame), ("hidden from", &f.hidden_from), ("hidden until", &f.hidden_until)]
    {
        if let Some(value) = value {
            let _ = writeln!(out, "  {label}: {value}");
        }
    }
    let i = &rig.interval;
    let _ = writeln!(
        out,
        "  interval: discs touch at {}, stand evenly a diameter apart at {}; the file's {} makes {}, {:.1} GB, {:.1} h of battery",
        seconds(i.touching_s),
        seconds(i.even_s),
        seconds(i.in_file_s),
        if i.frames == 1 { "1 frame".to_owned() } else { format!("{} frames", i.frames) },
        i.card_gb,
        i.battery_hours
    );
    let _ = writeln!(
        out,
        "  phase                       f/     ISO   in file    lit part   umbra (Danjon 4 / 2 / 0)      longest  bracket"
    );
    for a in &rig.exposures {
        let umbra = a.umbra_s.map_or("-".into(), |u| u.map(seconds).join(" / "));
        let bracket: Vec<String> = a.bracket_s.iter().map(|s| seconds(*s)).collect();
        let _ = writeln!(
            out,
            "  {:<26} {:>4.1} {:>6.0}  {:>9}  {:>9}   {:<28}  {:>8}  {}",
            a.phase,
            a.f_number,
            a.iso,
            seconds(a.in_file_s),
            a.lit_s.map_or("-".into(), seconds),
            umbra,
            a.longest_s.map_or("-".into(), seconds),
            bracket.join(", ")
        );
        if let Some(conflict) = &a.conflict {
            let _ = writeln!(out, "      ! {conflict}");
        }
    }
}
