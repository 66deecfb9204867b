//! Marks that explain the sky: the Moon's way, hours along it, the horizon, a scale, a compass.

use super::Context;
use super::sky_canvas::SkyCanvas;
use crate::composition::{Composition, Mark, TextAnchor, TextRequest};
use crate::raster::PixelPoint;
use crate::sky::{Horizontal, Refraction, apparent_moon};
use crate::units::{Angle, Instant};

/// Sky with the times of its discs.
pub(super) struct SkyMarks<'a> {
    pub canvas: &'a SkyCanvas,
    pub times: &'a [Instant],
    /// Largest disc on it: ticks stand clear of it.
    pub radius_px: f64,
}

impl Context<'_> {
    /// A thin line.
    fn thin(&self, points: impl IntoIterator<Item = PixelPoint>, opacity: f32) -> Mark {
        Mark::Line {
            points_px: points.into_iter().map(|p| (p.x, p.y)).collect(),
            line_px: self.line_px(),
            ink: self.ink(),
            opacity,
        }
    }

    fn small_words(&self, text: String, at: PixelPoint, anchor: TextAnchor) -> TextRequest {
        let size_px = (0.012 * self.area.width.min(1.6 * self.area.height)).max(10.0);
        TextRequest { text, x_px: at.x, y_px: at.y, anchor, size_px, ink: self.ink(), opacity: 0.7, beside: None }
    }

    /// The marks of a sky track.
    pub(super) fn sky_marks(&self, sky: &SkyMarks<'_>, out: &mut Composition) {
        let Some(observer) = self.night.observer() else { return };
        let place = |i: Instant| sky.canvas.to_canvas(apparent_moon(&observer, i).refracted(Refraction::default()));
        if self.marks.track {
            self.track_mark(sky.times, &place, out);
        }
        if self.marks.hour_ticks {
            self.hour_ticks(sky, &place, out);
        }
        if self.marks.contacts
            && let Some(eclipse) = self.eclipse
        {
            for (contact, instant) in &eclipse.contacts {
                if let Some(p) = place(*instant) {
                    // Above the way, clear of the discs; the hours stand below.
                    let at = PixelPoint::new(p.x, p.y - sky.radius_px - 8.0 * self.line_px());
                    let tick = PixelPoint::new(p.x, p.y - sky.radius_px - 2.0 * self.line_px());
                    out.marks.push(self.thin([at, tick], 0.6));
                    out.texts.push(self.small_words(contact.to_string(), at, TextAnchor::AboveCentre));
                }
            }
        }
        if self.marks.horizon {
            self.horizon(sky.canvas, out);
        }
        let middle = sky.times.get(sky.times.len() / 2).map(|i| apparent_moon(&observer, *i));
        let Some(seen) = middle else { return };
        let at = seen.refracted(Refraction::default());
        if self.marks.scale_bar
            && let Some(k) = sky.canvas.pixels_per_radian(at)
        {
            self.scale_bar(k, out);
        }
        if self.marks.compass
            && let Some(zenith) = sky.canvas.zenith_turn(at)
        {
            // The zenith's position angle is the parallactic one, and those run anticlockwise.
            self.compass(zenith + seen.parallactic_angle, out);
        }
    }

    /// The Moon's way between the first and the last of some instants.
    pub(super) fn track_mark(
        &self,
        times: &[Instant],
        place: &dyn Fn(Instant) -> Option<PixelPoint>,
        out: &mut Composition,
    ) {
        let ordered = |f: fn(f64, f64) -> f64, from: f64| times.iter().map(|t| t.tt_seconds()).fold(from, f);
        let (first, last) = (ordered(f64::min, f64::INFINITY), ordered(f64::max, f64::NEG_INFINITY));
        if last <= first {
            return;
        }
        let steps = ((last - first) / 30.0).ceil() as usize;
        // The way is broken where discs lie: through a dark one it would shine.
        let discs: Vec<(PixelPoint, f64)> =
            out.placements.iter().map(|p| (p.centre(), p.radius_px + 2.0 * self.line_px())).collect();
        let mut run: Vec<PixelPoint> = Vec::new();
        for i in 0..=steps {
            let at = Instant::from_tt_seconds(first + (last - first) * i as f64 / steps as f64);
            let free = place(at).filter(|p| !discs.iter().any(|(c, r)| c.distance(*p) < *r));
            run.extend(free);
            if free.is_none() || i == steps {
                let piece = std::mem::take(&mut run);
                if piece.len() > 1 {
                    out.marks.push(self.thin(piece, 0.35));
                }
            }
        }
    }

    /// A tick across the way at each full hour of local time, with the hour.
    fn hour_ticks(&self, sky: &SkyMarks<'_>, place: &dyn Fn(Instant) -> Option<PixelPoint>, out: &mut Composition) {
        let times = sky.times;
        let offset = self.night.label_offset_s();
        let unix = |i: &Instant| i.to_utc().as_second();
        let (Some(first), Some(last)) = (times.iter().map(unix).min(), times.iter().map(unix).max()) else { return };
        let first_hour = (first + offset).div_euclid(3600) + 1;
        for hour in first_hour..=(last + offset).div_euclid(3600) {
            let Ok(utc) = jiff::Timestamp::from_second(hour * 3600 - offset) else { continue };
            let at = Instant::from_utc(utc);
            let (Some(p), Some(before), Some(after)) =
                (place(at), place(at.plus_seconds(-60.0)), place(at.plus_seconds(60.0)))
            else {
                continue;
            };
            let (dx, dy) = (after.x - before.x, after.y - before.y);
            let length = dx.hypot(dy).max(1e-9);
            // To the lower side of the way.
            let side = if dx >= 0.0 { 1.0 } else { -1.0 };
            let (nx, ny) = (-dy / length * side, dx / length * side);
            let size = 0.012 * self.area.width.min(1.6 * self.area.height);
            let near = sky.radius_px + if self.labels.is_some() { 1.8 * self.label_size_px() } else { 0.4 * size };
            let far = near + 0.8 * size;
            let point = |d: f64| PixelPoint::new(p.x + nx * d, p.y + ny * d);
            out.marks.push(self.thin([point(near), point(far)], 0.6));
            out.texts.push(self.small_words(
                format!("{:02}h", hour.rem_euclid(24)),
                point(far + 0.4 * size),
                TextAnchor::BelowCentre,
            ));
        }
    }

    /// Altitude nought all round, where the canvas shows it.
    fn horizon(&self, canvas: &SkyCanvas, out: &mut Composition) {
        let mut run: Vec<PixelPoint> = Vec::new();
        let mut runs = Vec::new();
        let inside = |p: &PixelPoint| {
            let a = &self.area;
            p.x >= a.x0 && p.y >= a.y0 && p.x <= a.x0 + a.width && p.y <= a.y0 + a.height
        };
        for step in 0..=1440 {
            let azimuth = Angle::from_degrees(f64::from(step) * 0.25);
            let p = canvas.to_canvas(Horizontal { azimuth, altitude: Angle::ZERO }).filter(inside);
            match p {
                Some(p) if run.last().is_none_or(|l| l.distance(p) < self.area.width / 4.0) => run.push(p),
                _ => runs.push(std::mem::take(&mut run)),
            }
        }
        runs.push(run);
        out.marks.extend(runs.into_iter().filter(|r| r.len() > 1).map(|r| self.thin(r, 0.5)));
    }

    /// A bar of a round number of arcminutes in the lower left corner.
    pub(super) fn scale_bar(&self, pixels_per_radian: f64, out: &mut Composition) {
        let area = &self.area;
        let minute_px = pixels_per_radian / 60.0 * std::f64::consts::PI / 180.0;
        let room = 0.2 * area.width / minute_px;
        let Some(minutes) = [600.0, 300.0, 120.0, 60.0, 30.0, 10.0, 5.0, 1.0].into_iter().find(|m| *m <= room) else {
            return;
        };
        let (x, y) = (area.x0 + area.margin, area.y0 + area.height - area.margin);
        let end = x + minutes * minute_px;
        let tick = 4.0 * self.line_px();
        let p = PixelPoint::new;
        out.marks.push(self.thin([p(x, y - tick), p(x, y), p(end, y), p(end, y - tick)], 0.7));
        let words = if minutes >= 60.0 { format!("{}\u{b0}", minutes / 60.0) } else { format!("{minutes}\u{2032}") };
        let text = self.small_words(words, p(x, y), TextAnchor::BelowLeft);
        out.texts.push(TextRequest { y_px: y - tick - 1.3 * text.size_px, ..text });
    }

    /// Celestial north and east in the upper left corner; `north` clockwise from up. On the sky east is to the left
    /// of north.
    pub(super) fn compass(&self, north: Angle, out: &mut Composition) {
        let area = &self.area;
        let reach = 0.03 * area.width.min(area.height);
        let middle = PixelPoint::new(area.x0 + area.margin + 1.6 * reach, area.y0 + area.margin + 1.8 * reach);
        for (turn, letter) in [(north, "N"), (north - Angle::from_degrees(90.0), "E")] {
            let (sin, cos) = turn.radians().sin_cos();
            let point = |d: f64| PixelPoint::new(middle.x + sin * d, middle.y - cos * d);
            out.marks.push(self.thin([middle, point(reach)], 0.8));
            let text = self.small_words(letter.into(), point(1.45 * reach), TextAnchor::BelowCentre);
            out.texts.push(TextRequest { y_px: text.y_px - 0.5 * text.size_px, ..text });
        }
    }
}
