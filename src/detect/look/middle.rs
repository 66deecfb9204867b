//! A disc out of focus: its circle by the middle of its limb's slope.

use super::super::BELIEVED;
use super::super::circle::{PlacedOn, fit_circle};
use super::super::frame::{Expectation, Measured, View};
use super::super::limb::LimbPoint;
use super::super::out_of_focus::middle_of_slope;
use super::super::trace::Traced;
use super::Look;
use crate::raster::{PixelPoint, PixelRect};

impl Look {
    /// By the middle of its limb's slope, where that is wide.
    pub(super) fn out_of_focus(&self, frame: &Measured<'_>, expected: &Expectation<'_>) -> Option<Look> {
        if self.small.is_some() || self.fit.confidence() < BELIEVED {
            return None;
        }
        let (fit, metric) = (&self.fit, expected.shape.metric(self.from));
        let factor = self.reduced.max(1.0);
        let reach = 1.3 * fit.rectified_radius_px * metric.largest_stretch() + 4.0;
        let (plane, at) = frame.plane.window(PixelRect::around(self.from, reach));
        let plane = if factor > 1.0 { plane.reduced(factor as usize) } else { plane };
        let middle = PixelPoint::new((self.from.x - at.x0 as f64) / factor, (self.from.y - at.y0 as f64) / factor);
        let rectified = |p: &LimbPoint| {
            let (x, y) = metric.to_rectified(p.x, p.y);
            LimbPoint { x, y, ..*p }
        };
        let seen: Vec<LimbPoint> = self.limb.iter().map(rectified).collect();
        let (points, width) =
            middle_of_slope(&plane, (middle, fit.rectified_radius_px / factor, metric), &seen, factor > 1.0)?;
        let width = width * factor;
        let larger = |p: LimbPoint| LimbPoint { x: p.x * factor, y: p.y * factor, width_px: p.width_px * factor, ..p };
        let points: Vec<LimbPoint> = points.into_iter().map(larger).collect();
        let view = View { plane, at, noise: 0.0, on_codes: false, ignored: frame.plane.ignored().to_vec() };
        let points = view.shown(points, self.from, metric, 1.0);
        let circle = fit_circle(&points, fit.rectified_radius_px, expected.radius, PlacedOn::Light)?;
        let (dx, dy) = metric.to_pixels(circle.x, circle.y);
        let centre = PixelPoint::new(self.from.x + dx, self.from.y + dy);
        let limb = points.iter().map(|p| {
            let (x, y) = metric.to_pixels(p.x - circle.x, p.y - circle.y);
            LimbPoint { x, y, ..*p }
        });
        let points: Vec<LimbPoint> = limb.collect();
        let near = 2.5 * width;
        let is_same = centre.distance(fit.centre) < near && (circle.radius - fit.rectified_radius_px).abs() < near;
        // What a camera's own curve makes of half its light is not known.
        let traced = Traced { centre, radius: circle.radius, points, circle, metric, on_codes: frame.is_on_codes() };
        let fit = self.described(&traced);
        let is_disc = fit.holds() && fit.confidence() > BELIEVED && fit.arc_deg > 0.6 * self.fit.arc_deg;
        (is_same && is_disc).then(|| Look {
            fit,
            limb: traced.points,
            from: centre,
            on_codes: frame.is_on_codes(),
            at_middle: true,
            in_light: None,
            ..self.clone()
        })
    }
}
