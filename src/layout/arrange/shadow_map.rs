//! Discs at their true offsets from the centre of the Earth's shadow.
//!
//! Offsets are the topocentric ones: what the camera's own sky showed. The umbra's radius changes by
//! a few arcseconds over the night as the Moon rises; the outline is drawn for greatest eclipse.

use super::{Context, IDENTITY, Spot};
use crate::diag::Diagnostic;
use crate::ingest::Night;
use crate::layout::Layout;
use crate::layout::composition::{Composition, Mark};
use crate::layout::notation::{ShadowMap, Upright};
use crate::layout::select::Chosen;
use crate::raster::PixelPoint;
use crate::register::Registration;
use crate::sky::{EarthShadow, apparent_moon, shadow_from};
use crate::units::Angle;

pub(in crate::layout) fn shadow_map(
    layout: &Layout,
    map: &ShadowMap,
    night: &Night,
    registration: &Registration,
    chosen: &[Chosen<'_>],
) -> Result<Composition, Diagnostic> {
    let context = Context { layout, night, registration };
    let Some(observer) = night.observer() else {
        return Err(Diagnostic::error(
            "no-site",
            "a shadow map needs the site: the shadow shifts by the Moon's parallax",
        )
        .with_help("write `site: (latitude_deg: …, longitude_deg: …)` into shoot.ron beside the frames"));
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
    // Moon's offset from the shadow: to the right (west) and down (south), north up; then tilted.
    let offset = |s: &EarthShadow| {
        let (right, down) = (s.xi.radians(), s.eta.radians());
        let (sin, cos) = tilt.radians().sin_cos();
        (right * cos - down * sin, right * sin + down * cos)
    };
    let canvas = &layout.file.canvas;
    let mut out = context.composition(canvas.width_px, canvas.height_px);
    let heading = context.heading(&mut out.texts, canvas.width_px);
    let label_room = layout.file.labels.as_ref().map_or(0.0, |l| 1.6 * l.size_px);
    let semidiameter = at_greatest.moon_semidiameter.radians();
    let mut bounds = [f64::INFINITY, f64::INFINITY, f64::NEG_INFINITY, f64::NEG_INFINITY];
    let mut include = |x: f64, y: f64, r: f64| {
        bounds = [bounds[0].min(x - r), bounds[1].min(y - r), bounds[2].max(x + r), bounds[3].max(y + r)];
    };
    discs.iter().for_each(|(_, s, _)| {
        let (x, y) = offset(s);
        include(x, y, semidiameter);
    });
    for (wanted, radius) in
        [(map.umbra_outline, at_greatest.umbra_radius), (map.penumbra_outline, at_greatest.penumbra_radius)]
    {
        if wanted {
            include(0.0, 0.0, radius.radians());
        }
    }
    let room = (
        canvas.width_px as f64 - 2.0 * canvas.margin_px,
        canvas.height_px as f64 - 2.0 * canvas.margin_px - heading - label_room,
    );
    if room.0 < 16.0 || room.1 < 16.0 {
        return Err(layout.fault(
            &["canvas"],
            "margins, title and labels leave no room for the map",
            "make the canvas larger, or them smaller",
        ));
    }
    let fitting = (room.0 / (bounds[2] - bounds[0])).min(room.1 / (bounds[3] - bounds[1]));
    let scale = map.disc_diameter_px.map_or(fitting, |d| d / 2.0 / semidiameter);
    let origin = PixelPoint::new(
        canvas.margin_px + room.0 / 2.0 - scale * (bounds[0] + bounds[2]) / 2.0,
        canvas.margin_px + heading + room.1 / 2.0 - scale * (bounds[1] + bounds[3]) / 2.0,
    );
    for (index, (c, shadow, _)) in discs.iter().enumerate() {
        let (x, y) = offset(shadow);
        let turn = context.turn(c, Upright::North).ok_or_else(|| {
            layout.fault(
                &["ShadowMap"],
                "which way is north is not known for these frames",
                "write `site`, `clock` and `mount` into shoot.ron; discs below 30 px show no features to turn them by",
            )
        })?;
        let spot = Spot {
            centre: PixelPoint::new(origin.x + scale * x, origin.y + scale * y),
            radius_px: scale * shadow.moon_semidiameter.radians(),
            turn: turn.and(tilt),
            stretch: IDENTITY,
        };
        context.lay(&mut out, c, index, &spot);
    }
    let line_px = (canvas.width_px as f64 / 1200.0).max(1.0);
    for (wanted, radius, opacity) in
        [(map.umbra_outline, at_greatest.umbra_radius, 0.55), (map.penumbra_outline, at_greatest.penumbra_radius, 0.28)]
    {
        if wanted {
            let radius_px = scale * radius.radians();
            out.marks.push(Mark::Circle {
                x_px: origin.x,
                y_px: origin.y,
                radius_px,
                line_px,
                ink: context.ink(),
                opacity,
            });
        }
    }
    Ok(out)
}
