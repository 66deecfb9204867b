//! The night's numbers over its time, as SVG for the page.

use super::Proof;
use super::contacts::{ContactProof, NEAR_HOURS};
use super::frames::FrameProof;
use crate::units::Instant;
use plotters::prelude::*;

/// One plot: what it shows in words, and the drawing.
pub(super) struct Plot {
    pub title: &'static str,
    /// What to look for.
    pub caption: &'static str,
    pub svg: String,
}

/// Sides of a drawing, in its own units: two stand beside each other on a page.
const SIZE: (u32, u32) = (640, 300);
/// Dark ink, and one that is told from it in black and white by the marks' shapes.
const INK: RGBColor = RGBColor(30, 34, 44);
const SECOND: RGBColor = RGBColor(150, 74, 0);
const FAINT: RGBColor = RGBColor(120, 126, 138);

/// A quantity of each frame.
struct Quantity<'a> {
    title: &'static str,
    caption: &'static str,
    unit: &'static str,
    value: &'a dyn Fn(&FrameProof) -> Option<f64>,
    sigma: &'a dyn Fn(&FrameProof) -> Option<f64>,
    /// What the sky or the solution predicts, drawn as a line; it says how to read the values.
    predicted: &'a dyn Fn(&FrameProof) -> Option<f64>,
    /// Values between which the scale reaches at least.
    least: Option<(f64, f64)>,
    /// Whether it is a direction, which goes on beyond a whole turn.
    turns: bool,
}

const NONE: fn(&FrameProof) -> Option<f64> = |_| None;

/// Marks alone, on a scale of their own.
const MARKS: Quantity<'static> = Quantity {
    title: "",
    caption: "",
    unit: "",
    value: &NONE,
    sigma: &NONE,
    predicted: &NONE,
    least: None,
    turns: false,
};

/// The plots that the frames have numbers for.
pub(super) fn all(proof: &Proof) -> Vec<Plot> {
    let measured = |f: &FrameProof| f.status == "measured";
    let quantities = [
        Quantity {
            title: "The Moon's radius",
            caption: "Marks: as fitted, with one standard deviation. Line: by plate scale, distance and air.",
            unit: "px",
            value: &|f| f.limb.filter(|_| measured(f)).map(|l| l.r),
            sigma: &|f| f.radius_sigma_px,
            predicted: &|f| f.predicted_radius_px,
            ..MARKS
        },
        Quantity {
            title: "Distance from the solved track",
            caption: "Where a mark stands high the frame was knocked, or something else was taken for the Moon.",
            unit: "px",
            value: &|f| f.off_track_px,
            sigma: &|f| f.centre_sigma_px,
            least: Some((0.0, 1.0)),
            ..MARKS
        },
        Quantity {
            title: "Light against the clear frames",
            caption: "Near 1 is clear, well below cloud or dew; deep in the umbra also how dark this eclipse was.",
            value: &|f| f.light_ratio,
            predicted: &|f| f.light_ratio.map(|_| 1.0),
            least: Some((0.0, 1.2)),
            ..MARKS
        },
        Quantity {
            title: "Share of the disc that is clipped",
            caption: "What is clipped is lost: a shorter exposure beside it helps.",
            value: &|f| f.saturated_share,
            least: Some((0.0, 0.1)),
            ..MARKS
        },
        Quantity {
            title: "Exposure, in stops",
            caption: "Exposure time, aperture and sensitivity together; 0 is 1 s at f/1 and ISO 100.",
            unit: "stops",
            value: &stops,
            ..MARKS
        },
        Quantity {
            title: "Width of the limb",
            caption: "Blur of focus, air and shake (one sigma). A slow rise is focus or dew, a jump a knock.",
            unit: "px",
            value: &|f| f.edge_width_px,
            least: Some((0.0, 1.0)),
            ..MARKS
        },
        Quantity {
            title: "Celestial north, clockwise from up",
            caption: "How the frame is turned against the sky, with one standard deviation.",
            unit: "\u{b0}",
            value: &|f| f.north_deg,
            sigma: &|f| f.north_sigma_deg,
            turns: true,
            ..MARKS
        },
    ];
    quantities.iter().filter_map(|quantity| drawn(proof, quantity)).collect()
}

fn stops(f: &FrameProof) -> Option<f64> {
    let (seconds, aperture, iso) = (f.exposure_s?, f.f_number?, f.iso?);
    Some((seconds / (aperture * aperture) * iso / 100.0).log2()).filter(|s| s.is_finite())
}

/// A value of a frame over hours from the first one.
struct Point {
    hours: f64,
    value: f64,
    sigma: f64,
    usable: bool,
    rig: usize,
}

fn drawn(proof: &Proof, quantity: &Quantity<'_>) -> Option<Plot> {
    // Frames of other nights would leave nothing to be seen of this one.
    let greatest = proof.contacts.get(proof.contacts.len() / 2).map(|c| c.instant);
    let of_night = |f: &FrameProof| {
        f.instant
            .filter(|_| !f.foreground)
            .filter(|t| greatest.is_none_or(|g| t.seconds_since(g).abs() < 3600.0 * NEAR_HOURS))
    };
    let earlier = |a: Instant, b: Instant| if b.seconds_since(a) < 0.0 { b } else { a };
    let first = proof.frames.iter().filter_map(of_night).reduce(earlier)?;
    // Labels stand at whole hours.
    let first = first.plus_seconds(-((first.to_utc().as_millisecond().rem_euclid(3_600_000)) as f64 / 1000.0));
    let hours = |instant: Instant| instant.seconds_since(first) / 3600.0;
    let of = |value: &dyn Fn(&FrameProof) -> Option<f64>| -> Vec<Point> {
        let point = |f: &FrameProof| {
            let value = value(f).filter(|v| v.is_finite())?;
            let sigma = (quantity.sigma)(f).unwrap_or(0.0);
            Some(Point { hours: hours(of_night(f)?), value, sigma, usable: f.usable, rig: f.rig })
        };
        let mut points: Vec<Point> = proof.frames.iter().filter_map(point).collect();
        points.sort_by(|a, b| a.rig.cmp(&b.rig).then(a.hours.total_cmp(&b.hours)));
        if quantity.turns {
            for i in 1..points.len() {
                if points[i].rig != points[i - 1].rig {
                    continue;
                }
                points[i].value += 360.0 * ((points[i - 1].value - points[i].value) / 360.0).round();
            }
        }
        points
    };
    let (points, line) = (of(quantity.value), of(quantity.predicted));
    // Nothing is told by fewer, nor by what is zero all night.
    if points.len() < 3 || points.iter().all(|p| p.value.abs() < 1e-3) {
        return None;
    }
    let times = || points.iter().chain(&line).map(|p| p.hours);
    let begin = times().fold(f64::INFINITY, f64::min);
    let end = times().fold(begin + 0.1, f64::max);
    let values = || points.iter().chain(&line).map(|p| p.value);
    let (low, high) = quantity.least.unwrap_or((f64::INFINITY, f64::NEG_INFINITY));
    let (low, high) = (values().fold(low, f64::min), values().fold(high, f64::max));
    let room = 0.06 * (high - low).max(1e-3 * high.abs()).max(1e-6);
    let mut svg = String::new();
    let drawing =
        Drawn { first, begin, end, scale: (low - room)..(high + room), quantity, points: &points, line: &line };
    drawing.onto(&mut svg, &proof.contacts).ok()?;
    Some(Plot { title: quantity.title, caption: quantity.caption, svg })
}

/// A plot's numbers: hours from `first`, values within `scale`.
struct Drawn<'a> {
    first: Instant,
    begin: f64,
    end: f64,
    scale: std::ops::Range<f64>,
    quantity: &'a Quantity<'a>,
    points: &'a [Point],
    line: &'a [Point],
}

impl Drawn<'_> {
    fn onto(self, svg: &mut String, contacts: &[ContactProof]) -> Result<(), Box<dyn std::error::Error>> {
        let Drawn { first, begin, end, scale, quantity, points, line } = self;
        let unit = quantity.unit;
        let root = SVGBackend::with_string(svg, SIZE).into_drawing_area();
        let margin = 0.02 * (end - begin);
        let (low, high) = (scale.start, scale.end);
        let mut chart = ChartBuilder::on(&root)
            .margin(8)
            .x_label_area_size(28)
            .y_label_area_size(58)
            .build_cartesian_2d(begin - margin..end + margin, scale)?;
        let clock = |hours: &f64| first.plus_seconds(hours * 3600.0).to_iso_utc().get(11..16).unwrap_or("").to_owned();
        let number = |v: &f64| {
            if quantity.turns {
                format!("{:.1} {unit}", (v + 180.0).rem_euclid(360.0) - 180.0)
            } else if high - low < 0.5 {
                format!("{v:.2} {unit}")
            } else if high - low < 20.0 {
                format!("{v:.1} {unit}")
            } else {
                format!("{v:.0} {unit}")
            }
        };
        chart
            .configure_mesh()
            .x_labels(7)
            .y_labels(5)
            .x_label_formatter(&clock)
            .y_label_formatter(&number)
            .label_style(("sans-serif", 13).into_font().color(&INK))
            .axis_style(FAINT)
            .bold_line_style(FAINT.mix(0.25))
            .light_line_style(TRANSPARENT)
            .draw()?;
        for contact in contacts {
            let at = contact.instant.seconds_since(first) / 3600.0;
            if at > begin - margin && at < end + margin {
                chart.draw_series(LineSeries::new([(at, low), (at, high)], FAINT.mix(0.6)))?;
                let name = Text::new(contact.name.clone(), (at, high), ("sans-serif", 12).into_font().color(&FAINT));
                chart.draw_series([name])?;
            }
        }
        for rig in 0..=line.iter().map(|p| p.rig).max().unwrap_or(0) {
            let of_rig = line.iter().filter(|p| p.rig == rig).map(|p| (p.hours, p.value));
            chart.draw_series(LineSeries::new(of_rig, SECOND.stroke_width(2)))?;
        }
        let bars = points.iter().filter(|p| p.sigma > 0.0);
        let bar = |p: &Point| {
            let (from, to) = ((p.value - p.sigma).max(low), (p.value + p.sigma).min(high));
            PathElement::new([(p.hours, from), (p.hours, to)], INK.mix(0.6))
        };
        chart.draw_series(bars.map(bar))?;
        chart.draw_series(
            points.iter().filter(|p| p.usable).map(|p| Circle::new((p.hours, p.value), 3, INK.filled())),
        )?;
        // Frames that pictures pass over: crosses, which no printer makes into dots.
        chart.draw_series(points.iter().filter(|p| !p.usable).map(|p| Cross::new((p.hours, p.value), 4, SECOND)))?;
        root.present()?;
        drop(chart);
        drop(root);
        Ok(())
    }
}
