//! The night's numbers over its time, as SVG for the page.

use super::Proof;
use super::contacts::ContactProof;
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
            least: None,
            turns: false,
        },
        Quantity {
            title: "Distance from the solved track",
            caption: "Where a mark stands high the frame was knocked, or something else was taken for the Moon.",
            unit: "px",
            value: &|f| f.off_track_px,
            sigma: &|f| f.centre_sigma_px,
            predicted: &NONE,
            least: Some((0.0, 1.0)),
            turns: false,
        },
        Quantity {
            title: "Light against the clear frames",
            caption: "1 is clear; well below is cloud, dew or an exposure that the camera did not record.",
            unit: "",
            value: &|f| f.light_ratio,
            sigma: &NONE,
            predicted: &|f| f.light_ratio.map(|_| 1.0),
            least: Some((0.0, 1.2)),
            turns: false,
        },
        Quantity {
            title: "Share of the disc that is clipped",
            caption: "What is clipped is lost: a shorter exposure beside it helps.",
            unit: "",
            value: &|f| f.saturated_share,
            sigma: &NONE,
            predicted: &NONE,
            least: Some((0.0, 0.1)),
            turns: false,
        },
        Quantity {
            title: "Exposure, in stops",
            caption: "Exposure time, aperture and sensitivity together; 0 is 1 s at f/1 and ISO 100.",
            unit: "stops",
            value: &stops,
            sigma: &NONE,
            predicted: &NONE,
            least: None,
            turns: false,
        },
        Quantity {
            title: "Width of the limb",
            caption: "Blur of focus, air and shake (one sigma). A slow rise is focus or dew, a jump a knock.",
            unit: "px",
            value: &|f| f.edge_width_px,
            sigma: &NONE,
            predicted: &NONE,
            least: Some((0.0, 1.0)),
            turns: false,
        },
        Quantity {
            title: "Celestial north, clockwise from up",
            caption: "How the frame is turned against the sky, with one standard deviation.",
            unit: "\u{b0}",
            value: &|f| f.north_deg,
            sigma: &|f| f.north_sigma_deg,
            predicted: &NONE,
            least: None,
            turns: true,
        },
    ];
    quantities.iter().filter_map(|quantity| drawn(proof, quantity)).collect()
}

fn stops(f: &FrameProof) -> Option<f64> {
    let (seconds, aperture, iso) = (f.exposure_s?, f.f_number.unwrap_or(1.0), f.iso.unwrap_or(100.0));
    Some((seconds / (aperture * aperture) * iso / 100.0).log2()).filter(|s| s.is_finite())
}

/// A value of a frame over hours from the first one.
struct Point {
    hours: f64,
    value: f64,
    sigma: f64,
    usable: bool,
}

fn drawn(proof: &Proof, quantity: &Quantity<'_>) -> Option<Plot> {
    let first =
        proof.frames.iter().filter_map(|f| f.instant).reduce(|a, b| if b.seconds_since(a) < 0.0 { b } else { a })?;
    let hours = |instant: Instant| instant.seconds_since(first) / 3600.0;
    let of = |value: &dyn Fn(&FrameProof) -> Option<f64>| -> Vec<Point> {
        let point = |f: &FrameProof| {
            let value = value(f).filter(|v| v.is_finite())?;
            let sigma = (quantity.sigma)(f).unwrap_or(0.0);
            Some(Point { hours: hours(f.instant?), value, sigma, usable: f.usable })
        };
        let mut points: Vec<Point> = proof.frames.iter().filter_map(point).collect();
        points.sort_by(|a, b| a.hours.total_cmp(&b.hours));
        if quantity.turns {
            for i in 1..points.len() {
                points[i].value += 360.0 * ((points[i - 1].value - points[i].value) / 360.0).round();
            }
        }
        points
    };
    let (points, line) = (of(quantity.value), of(quantity.predicted));
    // Nothing is told by fewer, nor by what is nil all night.
    if points.len() < 3 || points.iter().all(|p| p.value.abs() < 1e-3) {
        return None;
    }
    let begin = points[0].hours;
    let end = points.last().map_or(1.0, |p| p.hours).max(begin + 0.1);
    let values = || points.iter().chain(&line).map(|p| p.value);
    let (low, high) = quantity.least.unwrap_or((f64::INFINITY, f64::NEG_INFINITY));
    let (low, high) = (values().fold(low, f64::min), values().fold(high, f64::max));
    let room = 0.06 * (high - low).max(1e-3 * high.abs()).max(1e-6);
    let mut svg = String::new();
    let scale = (low - room)..(high + room);
    draw(&mut svg, (first, begin, end), scale, quantity.unit, &points, &line, &proof.contacts).ok()?;
    Some(Plot { title: quantity.title, caption: quantity.caption, svg })
}

fn draw(
    svg: &mut String,
    (first, begin, end): (Instant, f64, f64),
    scale: std::ops::Range<f64>,
    unit: &str,
    points: &[Point],
    line: &[Point],
    contacts: &[ContactProof],
) -> Result<(), Box<dyn std::error::Error>> {
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
        if high - low < 0.5 {
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
    if !line.is_empty() {
        chart.draw_series(LineSeries::new(line.iter().map(|p| (p.hours, p.value)), SECOND.stroke_width(2)))?;
    }
    let bars = points.iter().filter(|p| p.sigma > 0.0);
    let bar = |p: &Point| {
        let (from, to) = ((p.value - p.sigma).max(low), (p.value + p.sigma).min(high));
        PathElement::new([(p.hours, from), (p.hours, to)], INK.mix(0.6))
    };
    chart.draw_series(bars.map(bar))?;
    chart.draw_series(points.iter().filter(|p| p.usable).map(|p| Circle::new((p.hours, p.value), 3, INK.filled())))?;
    // Frames that pictures pass over: crosses, which no printer makes into dots.
    chart.draw_series(points.iter().filter(|p| !p.usable).map(|p| Cross::new((p.hours, p.value), 4, SECOND)))?;
    root.present()?;
    drop(chart);
    drop(root);
    Ok(())
}
