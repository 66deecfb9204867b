//! `moonloom plan`: when, where, how long, how wide.

mod asked;
mod words;

use super::outcome::{Exit, Failure, Outcome, print, print_json, say};
use super::values::{may_be_replaced, scenario, site, wrong};
use asked::{bag, eclipse_of, horizon, rule, years, zone};
use clap::Args;
use moonloom::camera::Setup;
use moonloom::diag::Diagnostic;
use moonloom::plan::{
    CALENDAR_PRODUCT, EclipseSummary, PlanRequest, ShootingPlan, best_first, calendar, draw, plan, schedule,
    schedule_csv, summarize,
};
use moonloom::raster::{RgbSpace, TransferFunction};
use moonloom::simulate::RehearsedRig;
use moonloom::sky::{Observer, ShadowRule, eclipses_between_by};
use moonloom::units::Instant;
use moonloom::write::{BitDepth, Container, OutputSpec, write_picture, write_text};
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
    /// The site: latitude and longitude in degrees, south and west negative; elevation in metres (default: the rig file's)
    #[arg(long, value_name = "LAT,LON[,ELEV]", allow_hyphen_values = true)]
    site: Option<String>,
    /// Zone of the local clock, such as Australia/Perth or +08:00 (default: the rig file's offset at its site, else UTC)
    #[arg(long, value_name = "ZONE", allow_hyphen_values = true)]
    zone: Option<String>,
    /// The cameras: a rehearsal file, as `rehearse` takes it
    #[arg(long, value_name = "FILE.ron")]
    rig: Option<PathBuf>,
    /// The sensor, without a rig file: pixels across and down, and their spacing in micrometres, such as 6000x4000,5.9
    #[arg(long, value_name = "WxH,MICROMETRES", conflicts_with_all = ["rig", "list"], requires = "lens")]
    sensor: Option<String>,
    /// A lens in the bag, for that sensor: focal length in millimetres and focal ratio, such as 500,8; give one for each
    #[arg(long, value_name = "MM[,F]", requires = "sensor")]
    lens: Vec<String>,
    /// A mount that follows the sky carries those lenses (else a tripod, re-aimed by hand)
    #[arg(long, requires = "lens")]
    tracking: bool,
    /// Sensitivity that those lenses' exposures are reckoned for
    #[arg(long, value_name = "ISO", default_value_t = 400.0, value_parser = iso, requires = "lens")]
    iso: f64,
    /// How far a disc may trail during an exposure, pixels
    #[arg(long, value_name = "PIXELS", default_value_t = 2.0)]
    trail: f64,
    /// What stands on the horizon: a file of `azimuth,altitude` lines in degrees
    #[arg(long, value_name = "FILE.csv")]
    horizon: Option<PathBuf>,
    /// How the shadow's size is reckoned: danjon, chauvenet, herald-sinnott
    #[arg(long, value_name = "RULE", default_value = "danjon")]
    shadow: String,
    /// Every exposure of the night, one a row (of --rig or --lens): what to set, and how many stops that lacks on the rig's mount
    #[arg(long, value_name = "FILE.csv", conflicts_with = "list")]
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

impl PlanArgs {
    /// Whether something is asked that is of one night alone.
    fn asks_for_a_night(&self) -> bool {
        let files = [&self.schedule, &self.calendar, &self.drawing, &self.horizon];
        self.sensor.is_some() || files.into_iter().any(Option::is_some)
    }
}

fn iso(text: &str) -> Result<f64, String> {
    text.parse().ok().filter(|v| (1.0..=1e7).contains(v)).ok_or_else(|| "a number such as 400".to_owned())
}

pub fn run(args: &PlanArgs) -> Outcome {
    let rule = rule(&args.shadow)?;
    let scenario = args.rig.as_deref().map(scenario).transpose()?;
    let observer = match (&args.site, &scenario) {
        (Some(text), _) => Some(site(text)?),
        (None, Some(s)) => {
            Some(s.site.observer().map_err(|e| wrong(e.to_string(), "correct the site in the rig file"))?)
        }
        (None, None) => None,
    };
    if let Some(span) = &args.list {
        let (from, to) = years(span)?;
        let listed = eclipses_between_by(rule, from, to);
        return list(listed.iter().map(|e| summarize(e, observer.as_ref())).collect(), args.json);
    }
    let date = args.eclipse.clone().or_else(|| scenario.as_ref().map(|s| s.eclipse.clone()));
    let (date, observer) = match (date, observer) {
        (Some(date), Some(observer)) => (date, observer),
        (None, Some(_)) if args.asks_for_a_night() => {
            let help = "give --eclipse YYYY-MM-DD; a --site alone lists the best of the coming years";
            return Err(wrong("a plan needs an eclipse".into(), help));
        }
        (None, Some(observer)) => return list(coming(rule, &observer), args.json),
        (date, None) => {
            let lacks = if date.is_none() { "an eclipse and a site" } else { "a site" };
            let help = "give --eclipse YYYY-MM-DD and --site LAT,LON, or a --rig file that names them; a --site alone lists the best of the coming years";
            return Err(wrong(format!("a plan needs {lacks}"), help));
        }
    };
    let zone = zone(args, &observer, scenario.as_ref())?;
    let eclipse = eclipse_of(&date, rule, (&observer, &zone))?;
    let rehearsed = scenario.iter().flat_map(|s| &s.rigs).map(RehearsedRig::setup);
    let rigs: Vec<Setup> = rehearsed.chain(bag(args)?).collect();
    let request = PlanRequest {
        observer,
        zone,
        eclipse: &eclipse,
        rigs: &rigs,
        trail_px: args.trail.clamp(0.1, 1000.0),
        horizon: args.horizon.as_deref().map(horizon).transpose()?.unwrap_or_default(),
    };
    let night = plan(&request);
    warn_if_unseen(&night);
    write_lists(args, &request, &night)?;
    if let Some(path) = &args.drawing {
        write_drawing(path, &request, &night)?;
    }
    if args.json {
        return print_json(&night);
    }
    print(&words::words(&night))
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
        if request.rigs.is_empty() {
            return Err(wrong("a schedule needs a camera".into(), "give --rig FILE.ron, or --sensor and --lens"));
        }
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

/// Eclipses of the coming years, the best of this site first.
fn coming(rule: ShadowRule, observer: &Observer) -> Vec<EclipseSummary> {
    /// So many years are looked through: some eight eclipses that a site sees well.
    const YEARS: f64 = 12.0;
    let now = Instant::from_utc(jiff::Timestamp::now());
    let until = now.plus_seconds(YEARS * 365.25 * 86_400.0);
    best_first(eclipses_between_by(rule, now, until).iter().map(|e| summarize(e, Some(observer))).collect())
}

fn list(eclipses: Vec<EclipseSummary>, json: bool) -> Outcome {
    if json {
        return print_json(&serde_json::json!({ "schema": "moonloom-eclipses-1", "eclipses": eclipses }));
    }
    print(&words::list(&eclipses))
}

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
