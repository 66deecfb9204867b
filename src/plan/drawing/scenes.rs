//! What the drawing shows.

use super::{Colour, Drawing, Shape};
use crate::camera::{Aim, Setup};
use crate::plan::framing::track;
use crate::plan::interval::instants;
use crate::plan::timetable::local;
use crate::plan::{PlanRequest, ShootingPlan, span};
use crate::raster::PixelPoint;
use crate::sky::{
    CameraPointing, Danjon, Horizontal, Refraction, ShadowLight, apparent_moon, apparent_sun_altitude, shadow_from,
};
use crate::units::{Angle, Instant};

const GROUND: Colour = [13, 16, 24];
const PANEL: Colour = [22, 27, 40];
const INK: Colour = [222, 214, 198];
const FAINT: Colour = [120, 122, 128];
const RULE: Colour = [44, 50, 66];
const COPPER: Colour = [201, 104, 58];
const BRIGHT: Colour = [236, 232, 220];
const SUN: Colour = [214, 170, 92];
const WIDTH: f64 = 1200.0;
const MARGIN: f64 = 48.0;

/// Colour of a Moon of which the umbra covers a share.
fn moon_colour(umbral: f64) -> Colour {
    std::array::from_fn(|c| (f64::from(BRIGHT[c]) + (f64::from(COPPER[c]) - f64::from(BRIGHT[c])) * umbral) as u8)
}

fn words(x: f64, y: f64, size: f64, anchor: f64, text: impl Into<String>, colour: Colour) -> Shape {
    Shape::Words { x, y, size, anchor, text: text.into(), colour }
}

/// Draws a plan: one frame a fixed-tripod rig (or the bare sky), then the timeline.
pub fn draw(request: &PlanRequest<'_>, plan: &ShootingPlan) -> Drawing {
    let mut shapes = Vec::new();
    let title = format!(
        "Lunar eclipse of {}, {}",
        &plan.eclipse.contacts.greatest.as_deref().unwrap_or("?")[..10],
        plan.eclipse.kind
    );
    shapes.push(words(MARGIN, 56.0, 28.0, 0.0, title, INK));
    let mut y = 84.0;
    for (index, rig) in request.rigs.iter().enumerate() {
        y = frame_panel(&mut shapes, request, plan, rig, index, y) + 34.0;
    }
    y = timeline_panel(&mut shapes, request, y) + MARGIN;
    Drawing { width: WIDTH as usize, height: y as usize, ground: GROUND, shapes }
}

fn frame_panel(
    shapes: &mut Vec<Shape>,
    request: &PlanRequest<'_>,
    plan: &ShootingPlan,
    rig: &Setup,
    index: usize,
    top: f64,
) -> f64 {
    let advice = &plan.rigs[index];
    // Where no aim is settled, the one that the plan proposes, if it holds more than a moment.
    let proposed = advice.framing.one_aim.as_ref().filter(|one| one.minutes > SHOWN_MINUTES).map(|one| Aim {
        azimuth: Angle::from_degrees(one.aim_deg.0),
        altitude: Angle::from_degrees(one.aim_deg.1),
        roll: Angle::from_degrees(one.aim_deg.2),
    });
    let fixed = rig.aim.or(proposed).map(|aim| aim.through(rig.camera.lens()));
    let (fw, fh) = (rig.camera.width_px as f64, rig.camera.height_px as f64);
    let width = WIDTH - 2.0 * MARGIN;
    // A long lens's frame is drawn smaller: it holds one Moon.
    let width = if fixed.is_some() { width } else { width * 0.5 };
    let scale = width / fw;
    let height = fh * scale;
    shapes.push(words(MARGIN, top + 18.0, 16.0, 0.0, caption(rig, advice), INK));
    let top = top + 32.0;
    shapes.push(Shape::Rect { x: MARGIN, y: top, width, height, fill: PANEL });
    let inside = |p: PixelPoint| p.x >= 0.0 && p.y >= 0.0 && p.x <= fw && p.y <= fh;
    let at = |p: PixelPoint| (MARGIN + p.x * scale, top + p.y * scale);
    if let Some(pointing) = fixed {
        horizon_line(shapes, request, &pointing, (fw, fh), &at);
        let points: Vec<(f64, f64)> = track(request)
            .iter()
            .filter_map(|(_, seen, _)| pointing.to_pixel(*seen))
            .filter(|p| inside(*p))
            .map(at)
            .collect();
        shapes.push(Shape::Line { points, colour: RULE, width: 2.0 });
        for instant in instants(request, rig) {
            moon_in_frame(shapes, request, &pointing, instant, scale, &inside, &at);
        }
        azimuths(shapes, request, &pointing, (fw, fh), &at);
        contact_labels(shapes, request, &pointing, (fw, fh), scale, &at);
    } else {
        let radius = advice.moon_diameter_px / 2.0 * scale;
        let middle = (MARGIN + width / 2.0, top + height / 2.0);
        shapes.push(Shape::Disc { x: middle.0, y: middle.1, radius, fill: moon_colour(0.7) });
        if let Some(minutes) = advice.framing.reaim_minutes {
            let text = format!("drifts from the middle to the edge in {minutes:.1} min");
            shapes.push(words(middle.0, top + height - 12.0, 13.0, 0.5, text, FAINT));
        }
    }
    top + height
}

/// An aim that holds less than this, minutes, is a moment's: there is no way to be drawn.
const SHOWN_MINUTES: f64 = 20.0;

/// Azimuths along the horizon, or along the frame's lower edge where that lies higher.
fn azimuths(
    shapes: &mut Vec<Shape>,
    request: &PlanRequest<'_>,
    pointing: &CameraPointing,
    (fw, fh): (f64, f64),
    at: &dyn Fn(PixelPoint) -> (f64, f64),
) {
    let lowest = pointing.to_sky(PixelPoint::new(fw / 2.0, fh - 1.0)).altitude;
    let across = 2.0 * (fw / 2.0 / pointing.lens.focal_length_px).atan().to_degrees();
    let step = [1.0, 2.0, 5.0, 10.0, 15.0, 30.0].into_iter().find(|s| across / s < 9.0).unwrap_or(45.0);
    let first = (pointing.azimuth.degrees() - 90.0) / step;
    for i in 0..=(180.0 / step) as i64 {
        let azimuth = Angle::from_degrees((first.ceil() + i as f64) * step);
        let ground = Angle::from_degrees(request.horizon.altitude_deg(azimuth.degrees()));
        let altitude = if ground.radians() > lowest.radians() { ground } else { lowest };
        let Some(foot) = pointing.to_pixel(Horizontal { altitude, azimuth }) else { continue };
        if foot.x < 0.03 * fw || foot.x > 0.97 * fw || foot.y < 0.0 {
            continue;
        }
        let (x, y) = at(PixelPoint::new(foot.x, foot.y.min(fh)));
        shapes.push(Shape::Line { points: vec![(x, y), (x, y - 7.0)], colour: FAINT, width: 1.0 });
        let name = match azimuth.normalized().degrees().round() as i64 {
            0 | 360 => "N".to_owned(),
            90 => "E".to_owned(),
            180 => "S".to_owned(),
            270 => "W".to_owned(),
            degrees => format!("{degrees}\u{b0}"),
        };
        shapes.push(words(x, y - 11.0, 12.0, 0.5, name, FAINT));
    }
}

/// The contacts' names and times, beside the Moon's way: square to it, on its upper side.
fn contact_labels(
    shapes: &mut Vec<Shape>,
    request: &PlanRequest<'_>,
    pointing: &CameraPointing,
    (fw, fh): (f64, f64),
    scale: f64,
    at: &dyn Fn(PixelPoint) -> (f64, f64),
) {
    const CLEAR_PX: f64 = 14.0;
    let pixel = |instant: Instant| {
        pointing.to_pixel(apparent_moon(&request.observer, instant).refracted(Refraction::default()))
    };
    for (contact, instant) in &request.eclipse.contacts {
        let ahead = pixel(*instant).zip(pixel(instant.plus_seconds(300.0)));
        let Some((p, next)) = ahead.filter(|(p, _)| p.x >= 0.0 && p.y >= 0.0 && p.x <= fw && p.y <= fh) else {
            continue;
        };
        let (dx, dy) = (next.x - p.x, next.y - p.y);
        let length = dx.hypot(dy).max(1e-9);
        let side = if dx > 0.0 { 1.0 } else { -1.0 };
        let (nx, ny) = (side * dy / length, -side * dx / length);
        let moon = apparent_moon(&request.observer, *instant);
        let away = pointing.lens.disc_radius_px(p, moon.semidiameter) * scale + CLEAR_PX;
        let (x, y) = at(p);
        let anchor = if nx.abs() < 0.4 {
            0.5
        } else if nx > 0.0 {
            0.0
        } else {
            1.0
        };
        let text = format!("{contact} {}", &local(&request.zone, *instant)[11..16]);
        shapes.push(words(x + away * nx, y + away * ny + 4.0, 13.0, anchor, text, INK));
    }
}

fn caption(rig: &Setup, advice: &crate::plan::RigPlan) -> String {
    format!(
        "{}: {:.0} mm, field {:.1} x {:.1} degrees, Moon {:.0} px",
        rig.name, rig.camera.focal_length_mm, advice.field_deg.0, advice.field_deg.1, advice.moon_diameter_px
    )
}

/// The horizon (or its profile) across a frame.
fn horizon_line(
    shapes: &mut Vec<Shape>,
    request: &PlanRequest<'_>,
    pointing: &CameraPointing,
    (fw, fh): (f64, f64),
    at: &dyn Fn(PixelPoint) -> (f64, f64),
) {
    let points: Vec<(f64, f64)> = (-80..=80)
        .filter_map(|step| {
            let azimuth = pointing.azimuth + Angle::from_degrees(f64::from(step));
            let altitude = request.horizon.altitude_deg(azimuth.degrees());
            pointing.to_pixel(Horizontal { altitude: Angle::from_degrees(altitude), azimuth })
        })
        .filter(|p| p.x >= 0.0 && p.y >= 0.0 && p.x <= fw && p.y <= fh)
        .map(at)
        .collect();
    shapes.push(Shape::Line { points, colour: FAINT, width: 1.5 });
}

fn moon_in_frame(
    shapes: &mut Vec<Shape>,
    request: &PlanRequest<'_>,
    pointing: &CameraPointing,
    instant: Instant,
    scale: f64,
    inside: &dyn Fn(PixelPoint) -> bool,
    at: &dyn Fn(PixelPoint) -> (f64, f64),
) {
    let moon = apparent_moon(&request.observer, instant);
    let seen = moon.refracted(Refraction::default());
    let Some(p) = pointing.to_pixel(seen).filter(|p| inside(*p)) else { return };
    let umbral = shadow_from(&request.observer, instant, &moon).umbral_fraction();
    let radius = (pointing.lens.disc_radius_px(p, moon.semidiameter) * scale).max(1.5);
    let (x, y) = at(p);
    shapes.push(Shape::Disc { x, y, radius, fill: moon_colour(umbral) });
}

/// Altitudes of Moon and Sun, and the Moon's brightness, over the night.
fn timeline_panel(shapes: &mut Vec<Shape>, request: &PlanRequest<'_>, top: f64) -> f64 {
    let (first, last) = span(request.eclipse);
    let (start, end) = (first.plus_seconds(-2400.0), last.plus_seconds(2400.0));
    let (left, width, height) = (MARGIN + 40.0, WIDTH - 2.0 * MARGIN - 100.0, 260.0);
    shapes.push(words(
        MARGIN,
        top + 18.0,
        16.0,
        0.0,
        "altitude of the Moon (pale) and Sun (gold), degrees; light of the Moon (copper), stops below full",
        INK,
    ));
    let top = top + 34.0;
    shapes.push(Shape::Rect { x: left, y: top, width, height, fill: PANEL });
    let x = |at: Instant| left + width * at.seconds_since(start) / end.seconds_since(start);
    let altitude_y = |h: f64| top + height * (90.0 - h.clamp(-20.0, 90.0)) / 110.0;
    let stops_y = |s: f64| top + height * s.clamp(0.0, 16.0) / 17.0 + 6.0;
    for h in [0.0, 30.0, 60.0] {
        shapes.push(Shape::Line {
            points: vec![(left, altitude_y(h)), (left + width, altitude_y(h))],
            colour: RULE,
            width: 1.0,
        });
        shapes.push(words(left - 8.0, altitude_y(h) + 5.0, 13.0, 1.0, format!("{h:.0}"), FAINT));
    }
    for s in [0.0, 4.0, 8.0, 12.0, 16.0] {
        shapes.push(words(
            left + width + 8.0,
            stops_y(s) + 5.0,
            13.0,
            0.0,
            if s > 0.0 { format!("-{s:.0}") } else { "0".to_owned() },
            FAINT,
        ));
    }
    for (contact, at) in &request.eclipse.contacts {
        shapes.push(Shape::Line { points: vec![(x(*at), top), (x(*at), top + height)], colour: RULE, width: 1.0 });
        shapes.push(words(x(*at), top + height + 20.0, 13.0, 0.5, contact.to_string(), INK));
        shapes.push(words(x(*at), top + height + 37.0, 12.0, 0.5, &local(&request.zone, *at)[11..16], FAINT));
    }
    let curve = |f: &dyn Fn(Instant) -> Option<f64>| -> Vec<(f64, f64)> {
        (0..=160)
            .filter_map(|i| {
                let at = start.plus_seconds(end.seconds_since(start) * f64::from(i) / 160.0);
                f(at).map(|y| (x(at), y))
            })
            .collect()
    };
    let sun = curve(&|at| {
        let h = apparent_sun_altitude(&request.observer, at).degrees();
        (h > -19.0).then(|| altitude_y(h))
    });
    shapes.push(Shape::Line { points: sun, colour: SUN, width: 2.0 });
    let light = curve(&|at| {
        let moon = apparent_moon(&request.observer, at);
        let shadow = shadow_from(&request.observer, at, &moon);
        let light = ShadowLight::new(shadow.umbra_radius, shadow.penumbra_radius, Danjon { scale: 2.0 });
        Some(stops_y(-light.mean_over_disc(moon.semidiameter, shadow.separation())[1].log2()))
    });
    shapes.push(Shape::Line { points: light, colour: COPPER, width: 2.5 });
    let moon = curve(&|at| {
        let h = apparent_moon(&request.observer, at).refracted(Refraction::default()).altitude.degrees();
        (h > -19.0).then(|| altitude_y(h))
    });
    shapes.push(Shape::Line { points: moon, colour: BRIGHT, width: 2.5 });
    top + height + 40.0
}
