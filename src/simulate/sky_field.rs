//! What of the sky falls into a frame: its light, the stars, the Moon moving through the exposure.

use super::moon_disc::MoonDisc;
use super::night_sky::{NightSky, stars};
use super::painting::Painting;
use super::scenario::RehearsedMount;
use super::shot::{RehearsedNight, Shot};
use crate::raster::{PixelPoint, PixelRect};
use crate::units::Instant;
use rayon::prelude::*;

impl RehearsedNight<'_> {
    pub(super) fn lay_stars(&self, field: &mut Painting<'_>, instant: Instant) {
        let pixel_arcsec = 206_264.8 / self.lens.focal_length_px;
        for star in stars(&self.observer, self.air, instant) {
            let Some(p) = field.pointing.to_pixel(star.seen) else { continue };
            let (x, y) = (p.x.floor(), p.y.floor());
            if x < 1.0 || y < 1.0 || x >= field.width as f64 - 1.0 || y >= field.height as f64 - 1.0 {
                continue;
            }
            let (ax, ay) = (p.x - 0.5 - (p.x - 0.5).floor(), p.y - 0.5 - (p.y - 0.5).floor());
            let (x0, y0) = ((p.x - 0.5).floor() as usize, (p.y - 0.5).floor() as usize);
            // A star behind the landscape is hidden by what is darker than the sky; the horizon
            // test in `stars` keeps them out of the water.
            for (dx, dy, share) in
                [(0, 0, (1.0 - ax) * (1.0 - ay)), (1, 0, ax * (1.0 - ay)), (0, 1, (1.0 - ax) * ay), (1, 1, ax * ay)]
            {
                let pixel = &mut field.radiance[(y0 + dy) * field.width + x0 + dx];
                for (value, light) in pixel.iter_mut().zip(star.light) {
                    *value += (light / (pixel_arcsec * pixel_arcsec) * share) as f32;
                }
            }
        }
    }

    /// Adds the Moon, moving through the exposure; returns how far it moved, pixels.
    pub(super) fn lay_moon(&self, field: &mut Painting<'_>, shot: &Shot, veil: f64) -> f64 {
        let seconds = shot.exposure.time.seconds;
        let tracked = matches!(self.rig.mount, RehearsedMount::Tracking { .. });
        let first = self.moon(shot.opens);
        let last = self.moon(shot.opens.plus_seconds(seconds));
        let place = |m: &MoonDisc| field.pointing.to_pixel(m.seen);
        let (Some(a), Some(b)) = (place(&first), place(&last)) else { return 0.0 };
        let moved = if tracked { 0.0 } else { a.distance(b) };
        let steps = (moved / 0.4).ceil().clamp(1.0, 48.0) as usize;
        let middle = PixelPoint::new((a.x + b.x) / 2.0, (a.y + b.y) / 2.0);
        let radius = self.lens.disc_radius_px(middle, first.semidiameter);
        // A wide lens stretches the disc along the radius of the frame by more than its mean.
        let reach = radius * if radius < 60.0 { 1.5 } else { 1.06 } + moved + 2.0;
        let rect = PixelRect::around(middle, reach).intersection(PixelRect::of_size(field.width, field.height));
        if rect.is_empty() || first.seen.altitude.degrees() < -0.6 {
            return moved;
        }
        let moons: Vec<MoonDisc> = (0..steps)
            .map(|i| {
                let part = if tracked { 0.5 } else { (i as f64 + 0.5) / steps as f64 };
                self.moon(shot.opens.plus_seconds(seconds * part))
            })
            .collect();
        let samples = (200.0 / radius).ceil().clamp(2.0, 8.0) as usize;
        let [right, up, forward] = field.pointing.axes();
        let (lens, width) = (self.lens, field.width);
        // Well inside a large disc nothing changes across a pixel but the invented texture: its middle stands for it. The
        // air flattens a disc by a sixth at most.
        let well_inside = if samples == 2 { 0.8 * radius - moved } else { 0.0 };
        field.radiance.par_chunks_mut(width).enumerate().for_each(|(y, row)| {
            if (y as i64) < rect.y0 || (y as i64) >= rect.y1 {
                return;
            }
            for x in rect.x0..rect.x1 {
                let far = (x as f64 + 0.5 - middle.x).hypot(y as f64 + 0.5 - middle.y);
                if far > reach {
                    continue;
                }
                // Across one pixel the direction changes evenly, to a thousandth of the pixel.
                let towards = |x: f64, y: f64| {
                    let d = lens.to_direction(PixelPoint::new(x, y));
                    right * d.x + up * d.y + forward * d.z
                };
                let (px, py) = (x as f64, y as f64);
                let corner = towards(px, py);
                let (across, down) = (towards(px + 1.0, py) - corner, towards(px, py + 1.0) - corner);
                let pixel = &mut row[x as usize];
                let samples = if far < well_inside { 1 } else { samples };
                let share = veil / (samples * samples * steps) as f64;
                for s in 0..samples * samples {
                    let (sx, sy) = ((s % samples) as f64 + 0.5, (s / samples) as f64 + 0.5);
                    let towards = corner + across * (sx / samples as f64) + down * (sy / samples as f64);
                    for moon in &moons {
                        if let Some(light) = moon.radiance(&towards) {
                            (0..3).for_each(|c| pixel[c] += (light[c] * share) as f32);
                        }
                    }
                }
            }
        });
        moved
    }
}

/// Spacing of the grid on which an open sky's light is worked out, pixels: it changes slowly.
pub(super) const SKY_GRID: usize = 8;

pub(super) fn open_sky(field: &mut Painting<'_>, sky: &NightSky) {
    let (pointing, width) = (field.pointing, field.width);
    let (columns, rows) = (width / SKY_GRID + 2, field.height / SKY_GRID + 2);
    let knots: Vec<[f64; 3]> = (0..columns * rows)
        .into_par_iter()
        .map(|i| {
            let (x, y) = ((i % columns * SKY_GRID) as f64, (i / columns * SKY_GRID) as f64);
            sky.radiance(&pointing.to_sky(PixelPoint::new(x, y)))
        })
        .collect();
    field.radiance.par_chunks_mut(width).enumerate().for_each(|(y, row)| {
        for (x, out) in row.iter_mut().enumerate() {
            let (fx, fy) = ((x as f64 + 0.5) / SKY_GRID as f64, (y as f64 + 0.5) / SKY_GRID as f64);
            let (cx, cy) = (fx as usize, fy as usize);
            let (ax, ay) = (fx - cx as f64, fy - cy as f64);
            let at = |dx: usize, dy: usize| &knots[(cy + dy) * columns + cx + dx];
            *out = std::array::from_fn(|c| {
                let top = at(0, 0)[c] * (1.0 - ax) + at(1, 0)[c] * ax;
                let bottom = at(0, 1)[c] * (1.0 - ax) + at(1, 1)[c] * ax;
                (top * (1.0 - ay) + bottom * ay) as f32
            });
        }
    });
}
