//! Discs at their true offsets from the centre of the Earth's shadow.
//!
//! Offsets are the topocentric ones: what the camera's own sky showed. The umbra's radius changes by
//! a few arcseconds over the night as the Moon rises; the outline is drawn for the deepest disc shown.

use super::{Context, IDENTITY, Righting, Spot};
use crate::composition::{Composition, Mark, TextAnchor, TextRequest};
use crate::diag::Diagnostic;
use crate::layout::chosen::Chosen;
use crate::layout::notation::{ShadowMap, Upright};
use crate::raster::PixelPoint;
use crate::sky::{EarthShadow, apparent_moon, shadow_from};
use crate::units::{Angle, Instant};

/// The map's scale and turn.
struct Chart {
    origin: PixelPoint,
    pixels_per_radian: f64,
    tilt: Angle,
}

impl Chart {
    /// The Moon's offset from the shadow in radians: to the right (west) and down (south), north up; then tilted.
    fn offset(tilt: Angle, s: &EarthShadow) -> (f64, f64) {
        let (right, down) = (s.xi.radians(), s.eta.radians());
        let (sin, cos) = tilt.radians().sin_cos();
        (right * cos - down * sin, right * sin + down * cos)
    }

    fn at(&self, s: &EarthShadow) -> PixelPoint {
        let (x, y) = Chart::offset(self.tilt, s);
        PixelPoint::new(self.origin.x + self.pixels_per_radian * x, self.origin.y + self.pixels_per_radian * y)
    }
}

pub(super) fn shadow_map(
    context: &Context<'_>,
    map: &ShadowMap,
    chosen: &[Chosen<'_>],
    out: &mut Composition,
) -> Result<(), Diagnostic> {
    let layout = context.layout;
    let Some(observer) = context.night.observer() else {
        return Err(super::no_site("a shadow map"));
    };
    if map.up == Upright::AsShot {
        return Err(layout.fault(
            &["ShadowMap", "up"],
            "a shadow map must have a direction up",
            "give North or Zenith",
        ));
    }
    let discs: Vec<(&Chosen<'_>, EarthShadow, Angle)> = chosen
        .iter()
        .filter_map(|c| {
            let instant = c.instant?;
            let seen = apparent_moon(&observer, instant);
            Some((c, shadow_from(&observer, instant, &seen), seen.parallactic_angle))
        })
        .collect();
    let deepest = discs.iter().min_by(|a, b| a.1.separation().radians().total_cmp(&b.1.separation().radians()));
    let Some((_, at_greatest, parallactic)) = deepest.copied() else {
        return Err(Diagnostic::error("nothing-to-show", "no frame with a time is left to show"));
    };
    // With the zenith up the whole map turns by the parallactic angle at the deepest frame.
    let tilt = if map.up == Upright::Zenith { parallactic } else { Angle::ZERO };
    let heading = context.heading(&mut out.texts);
    let footing = context.footing(&mut out.texts);
    let (area, label_room) = (&context.area, context.label_room());
    let semidiameter = at_greatest.moon_semidiameter.radians();
    let mut bounds = [f64::INFINITY, f64::INFINITY, f64::NEG_INFINITY, f64::NEG_INFINITY];
    let mut include = |x: f64, y: f64, r: f64| {
        bounds = [bounds[0].min(x - r), bounds[1].min(y - r), bounds[2].max(x + r), bounds[3].max(y + r)];
    };
    discs.iter().for_each(|(_, s, _)| {
        let (x, y) = Chart::offset(tilt, s);
        include(x, y, semidiameter);
    });
    let outlines = [
        (map.umbra_outline, at_greatest.umbra_radius, 0.55),
        (map.penumbra_outline, at_greatest.penumbra_radius, 0.28),
    ];
    outlines.iter().filter(|o| o.0).for_each(|(_, radius, _)| include(0.0, 0.0, radius.radians()));
    let room = (area.width - 2.0 * area.margin, area.height - 2.0 * area.margin - heading - footing - label_room);
    if room.0 < 16.0 || room.1 < 16.0 {
        return Err(layout.fault(
            &["canvas"],
            "margins, title and labels leave no room for the map",
            "make the canvas larger, or them smaller",
        ));
    }
    let fitting = (room.0 / (bounds[2] - bounds[0])).min(room.1 / (bounds[3] - bounds[1]));
    let scale = match map.disc_diameter {
        Some(length) => context.px(length, &context.measure(), "disc_diameter")? / 2.0 / semidiameter,
        None => fitting,
    };
    let origin = PixelPoint::new(
        area.x0 + area.margin + room.0 / 2.0 - scale * (bounds[0] + bounds[2]) / 2.0,
        area.y0 + area.margin + heading + room.1 / 2.0 - scale * (bounds[1] + bounds[3]) / 2.0,
    );
    let chart = Chart { origin, pixels_per_radian: scale, tilt };
    for (c, shadow, _) in &discs {
        let north_up: Righting = context.turn(c, Upright::North).ok_or_else(|| context.unturned())?;
        let spot = Spot {
            centre: chart.at(shadow),
            radius_px: scale * shadow.moon_semidiameter.radians(),
            turn: north_up.and(tilt),
            stretch: IDENTITY,
        };
        context.lay(out, c, c.slot, &spot);
    }
    for (_, radius, opacity) in outlines.into_iter().filter(|o| o.0) {
        out.marks.push(Mark::Circle {
            x_px: origin.x,
            y_px: origin.y,
            radius_px: scale * radius.radians(),
            line_px: 0.6 * context.line_px(),
            ink: context.ink(),
            opacity,
        });
    }
    let shadow_at = |instant: Instant| chart.at(&shadow_from(&observer, instant, &apparent_moon(&observer, instant)));
    if context.marks.contacts {
        context.contact_marks(&shadow_at, out);
    }
    if context.marks.track {
        let times: Vec<Instant> = discs.iter().filter_map(|d| d.0.instant).collect();
        context.track_mark(&times, &|i| Some(shadow_at(i)), out);
    }
    if context.marks.scale_bar {
        context.scale_bar(scale, out);
    }
    if context.marks.compass {
        context.compass(tilt, out);
    }
    Ok(())
}

impl Context<'_> {
    /// Small circles where the Moon's centre was at the contacts, with their names.
    fn contact_marks(&self, at: &dyn Fn(Instant) -> PixelPoint, out: &mut Composition) {
        let Some(eclipse) = self.eclipse else { return };
        let radius_px = 4.0 * self.line_px();
        for (contact, instant) in &eclipse.contacts {
            let p = at(*instant);
            out.marks.push(Mark::Circle {
                x_px: p.x,
                y_px: p.y,
                radius_px,
                line_px: self.line_px(),
                ink: self.ink(),
                opacity: 0.9,
            });
            let size_px = 0.8 * self.label_size_px();
            out.texts.push(TextRequest {
                text: contact.to_string(),
                x_px: p.x,
                y_px: p.y + 1.6 * radius_px,
                anchor: TextAnchor::BelowCentre,
                size_px,
                ink: self.ink(),
                opacity: 0.8,
                beside: None,
            });
        }
    }
}
