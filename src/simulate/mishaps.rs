//! What goes wrong on a night: every switch is off unless the rehearsal file sets it.
//!
//! Lights that are not the Moon are laid into the field of radiance like the Moon itself, so that
//! optics, sensor and file treat them alike.

use super::painting::Painting;
use crate::random::{hash, uniform};
use crate::raster::{LinearImage, PixelPoint};
use crate::sky::Horizontal;
use crate::units::Angle;
use serde::{Deserialize, Serialize};

/// What can go wrong on the night. Shares are of the frames, 0..1.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Mishaps {
    /// Seconds by which the camera's clock is ahead.
    pub clock_ahead_s: f64,
    /// Share of frames behind thin cloud: dimmed, with a halo.
    pub cloud: f64,
    /// Share of the Moon's light that the lens reflects into a ghost opposite it.
    pub ghost: f64,
    /// Street lamps and lit windows that stand in the landscape, of about the Moon's size.
    pub lamps: u32,
    /// Share of frames in which a roof or a bough covers part of the disc.
    pub covered: f64,
    /// Share of frames of a re-aimed tripod in which the frame's edge cuts the disc.
    pub cut: f64,
    /// A planet beside the Moon.
    pub planet: bool,
    /// Pixels of the sensor that are always full.
    pub hot_pixels: u32,
    /// Blue light over the whole sky, on the scale on which the full Moon is 1.
    pub daylight: f64,
    /// Share of frames shaken while the shutter was open.
    pub shaken: f64,
    /// How far the image moves evenly while the shutter is open, pixels to the right and down, in every frame alike: a mount whose
    /// drive stands, wind that leans on a long lens.
    pub dragged_px: (f64, f64),
    /// Blur of a lens out of focus, pixels (Gaussian sigma).
    pub defocus_px: f64,
    /// Dew that settles on the lens: the Moon loses so much of its light more each hour, half of it into a wide halo, and blurs.
    /// (Stars and landscape are left as they are.)
    pub dew_per_hour: f64,
    /// Stops by which the exposure is off what the ladder says; two under is -2.
    pub exposed_stops: f64,
    /// Minutes after the rig's first frame before which there is neither cloud nor dew, nothing is covered, cut, shaken, dragged,
    /// out of focus or wrongly exposed.
    pub from_minutes: f64,
    /// When a fixed tripod is touched, and how it then points.
    pub knocks: Vec<Knock>,
}

/// A tripod touched.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Knock {
    /// Minutes after the rig's first frame.
    pub after_minutes: f64,
    /// Change of its azimuth, altitude and roll, degrees.
    pub by_deg: (f64, f64, f64),
}

/// What goes wrong with one frame.
pub(super) struct Befallen {
    pub mishaps: Mishaps,
    /// Share of the light that dew scatters by then.
    pub dew: f64,
}

impl std::ops::Deref for Befallen {
    type Target = Mishaps;

    fn deref(&self) -> &Mishaps {
        &self.mishaps
    }
}

/// Dew scatters no more of the light: then there are drops, and they run.
const MOST_DEW: f64 = 0.85;
/// Blur of the image behind dew that scatters all of the light, pixels (Gaussian sigma); common practice, no source.
const DEW_BLUR_PX: f64 = 4.0;

impl Befallen {
    /// The same for a frame whose exposure is its own.
    pub fn without_exposure(mut self) -> Self {
        self.mishaps.exposed_stops = 0.0;
        self
    }

    /// What of it befell one frame, in words.
    pub fn words(&self, seed: u64) -> Vec<String> {
        let mut out = self.mishaps.words(seed);
        if self.dew > 0.0 {
            out.push(format!("dew scatters {:.0} %", 100.0 * self.dew));
        }
        out
    }

    /// What thin cloud and dew leave of the light, 1 on a clear frame.
    pub fn veil(&self, seed: u64) -> f64 {
        self.mishaps.veil(seed) * (1.0 - self.dew)
    }

    /// Share of the light that they scatter into a halo.
    pub fn halo(&self, seed: u64) -> f64 {
        self.mishaps.halo(seed) + 0.5 * self.dew
    }

    /// Blur of a lens that is out of focus, or wet, pixels (Gaussian sigma).
    pub fn blur_px(&self) -> f64 {
        self.defocus_px.hypot(DEW_BLUR_PX * self.dew)
    }
}

impl Mishaps {
    /// What goes wrong with a frame so many minutes after the first.
    pub(super) fn at(&self, minutes: f64) -> Befallen {
        let mut mishaps = self.clone();
        if minutes < self.from_minutes {
            let none = Mishaps::default();
            (mishaps.cloud, mishaps.covered, mishaps.cut) = (none.cloud, none.covered, none.cut);
            (mishaps.shaken, mishaps.dragged_px) = (none.shaken, none.dragged_px);
            (mishaps.defocus_px, mishaps.exposed_stops) = (none.defocus_px, none.exposed_stops);
        }
        let hours = (minutes - self.from_minutes).max(0.0) / 60.0;
        Befallen { mishaps, dew: (self.dew_per_hour * hours).min(MOST_DEW) }
    }

    /// What of it befell one frame, in words.
    fn words(&self, seed: u64) -> Vec<String> {
        let mut out = Vec::new();
        let veil = self.veil(seed);
        if veil < 1.0 {
            out.push(format!("cloud lets {:.0} % through", veil * 100.0));
        }
        if self.exposed_stops != 0.0 {
            out.push(format!("exposed {:+} stops off", self.exposed_stops));
        }
        if self.dragged_px != (0.0, 0.0) {
            out.push(format!("moved by {:.1} px while exposed", self.dragged_px.0.hypot(self.dragged_px.1)));
        }
        for (befell, words) in [
            (self.is_covered(seed), "partly covered by a bough"),
            (self.is_cut(seed), "cut by the frame's edge"),
            (self.shake_px(seed) > 0.0, "shaken"),
        ] {
            if befell {
                out.push(words.into());
            }
        }
        if self.clock_ahead_s != 0.0 {
            out.push(format!("clock {} s ahead", self.clock_ahead_s));
        }
        out
    }

    /// What thin cloud leaves of the light, 1 on a clear frame.
    fn veil(&self, seed: u64) -> f64 {
        if uniform(seed, 300) < self.cloud { 0.08 + 0.5 * uniform(seed, 301) } else { 1.0 }
    }

    /// Share of the light that a veil scatters into a halo.
    fn halo(&self, seed: u64) -> f64 {
        0.15 * (1.0 - self.veil(seed))
    }

    pub(super) fn is_cut(&self, seed: u64) -> bool {
        uniform(seed, 310) < self.cut
    }

    pub(super) fn is_covered(&self, seed: u64) -> bool {
        uniform(seed, 311) < self.covered
    }

    /// How far the camera was shaken, pixels.
    pub(super) fn shake_px(&self, seed: u64) -> f64 {
        if uniform(seed, 312) < self.shaken { 1.5 + 2.5 * uniform(seed, 313) } else { 0.0 }
    }

    /// The change of a fixed tripod's aim after a time, degrees.
    pub(super) fn knocked_by(&self, minutes: f64) -> (f64, f64, f64) {
        let passed = self.knocks.iter().filter(|k| k.after_minutes <= minutes);
        passed.fold((0.0, 0.0, 0.0), |sum, k| (sum.0 + k.by_deg.0, sum.1 + k.by_deg.1, sum.2 + k.by_deg.2))
    }

    /// Lamps and windows: fixed directions low in the landscape around an azimuth, lit all night.
    pub(super) fn lay_lamps(&self, field: &mut Painting<'_>, around: Angle, moon_radius: Angle, seed: u64) {
        for i in 0..u64::from(self.lamps) {
            let own = hash(seed, 400 + i);
            let seen = Horizontal {
                azimuth: around + Angle::from_degrees(60.0 * (uniform(own, 1) - 0.5)),
                altitude: Angle::from_degrees(0.5 + 7.0 * uniform(own, 2)),
            };
            let Some(at) = field.pointing.to_pixel(seen) else { continue };
            let radius = field.pointing.lens.disc_radius_px(at, moon_radius) * (0.75 + 0.5 * uniform(own, 3));
            let light = 0.05 + 0.4 * uniform(own, 4);
            let colour = [1.5 * light, light, 0.45 * light];
            let window = uniform(own, 5) < 0.4;
            let inside = move |x: f64, y: f64| {
                if window { (1.4 * x.abs()).max(y.abs()) < radius } else { x.hypot(y) < radius }
            };
            lay(field, at, radius * 1.2, &inside, colour);
        }
    }

    /// A planet some Moon's diameters away: a disc far below a pixel in a wide lens.
    pub(super) fn lay_planet(&self, field: &mut Painting<'_>, moon_at: PixelPoint, moon_radius_px: f64) {
        if self.planet {
            let at = PixelPoint::new(moon_at.x + 3.1 * moon_radius_px, moon_at.y - 1.7 * moon_radius_px);
            let radius = (0.012 * moon_radius_px).max(0.7);
            lay(field, at, radius + 1.0, &move |x, y| x.hypot(y) < radius, [0.9, 0.85, 0.7]);
        }
    }

    /// The Moon's light again, mirrored through the middle of the frame, dimmed and a little blurred.
    pub(super) fn lay_ghost(&self, field: &mut Painting<'_>, moon_at: PixelPoint, reach_px: f64, moon: &[[f32; 3]]) {
        if self.ghost <= 0.0 {
            return;
        }
        let (w, h) = (field.width as i64, field.height as i64);
        let reach = reach_px.ceil() as i64;
        let (cx, cy) = (moon_at.x.floor() as i64, moon_at.y.floor() as i64);
        for y in cy - reach..=cy + reach {
            for x in cx - reach..=cx + reach {
                let (mx, my) = (w - 1 - x, h - 1 - y);
                let inside = |x: i64, y: i64| x >= 0 && y >= 0 && x < w && y < h;
                if inside(x, y) && inside(mx, my) {
                    let light = moon[(y * w + x) as usize];
                    let tint = [0.6, 1.0, 0.8];
                    let target = &mut field.radiance[(my * w + mx) as usize];
                    (0..3).for_each(|c| target[c] += light[c] * (self.ghost * tint[c]) as f32);
                }
            }
        }
    }

    /// How deep a place lies behind a bough or a roof's edge, pixels; above zero is covered.
    fn cover_depth(&self, moon_at: PixelPoint, moon_radius_px: f64, at: PixelPoint, seed: u64) -> f64 {
        // From below, more or less; the disc's centre and some more stays free.
        let (s, c) = ((uniform(seed, 320) - 0.5) * 1.6).sin_cos();
        let away = moon_radius_px * (0.15 + 0.6 * uniform(seed, 321));
        let (dx, dy) = (at.x - moon_at.x, at.y - moon_at.y);
        let ragged = 0.03 * moon_radius_px * (dx * 9.0 / moon_radius_px).sin();
        dx * s + dy * c - away + ragged
    }

    /// Whether a place lies behind a bough.
    pub(super) fn covers(&self, moon_at: PixelPoint, moon_radius_px: f64, at: PixelPoint, seed: u64) -> bool {
        self.is_covered(seed) && self.cover_depth(moon_at, moon_radius_px, at, seed) > 0.0
    }

    /// A bough or a roof's edge: darkness on one side of a line across the disc.
    pub(super) fn lay_cover(&self, field: &mut Painting<'_>, moon_at: PixelPoint, moon_radius_px: f64, seed: u64) {
        if !self.is_covered(seed) {
            return;
        }
        for i in 0..field.radiance.len() {
            let at = PixelPoint::new((i % field.width) as f64 + 0.5, (i / field.width) as f64 + 0.5);
            let depth = self.cover_depth(moon_at, moon_radius_px, at, seed).clamp(0.0, 1.0) as f32;
            field.radiance[i].iter_mut().for_each(|v| *v = *v * (1.0 - depth) + 2e-7 * depth);
        }
    }

    /// Blue sky in front of everything.
    pub(super) fn lay_daylight(&self, field: &mut Painting<'_>) {
        if self.daylight > 0.0 {
            let light = [0.35, 0.65, 1.4].map(|c| (c * self.daylight) as f32);
            field.radiance.iter_mut().for_each(|p| (0..3).for_each(|c| p[c] += light[c]));
        }
    }

    /// Pixels that are always full, the same in every frame of a rig.
    pub(super) fn fill_hot_pixels(&self, image: &mut LinearImage, seed: u64) {
        let (w, h) = (image.width(), image.height());
        for i in 0..u64::from(self.hot_pixels) {
            let x = (uniform(seed, 500 + 2 * i) * w as f64) as usize;
            let y = (uniform(seed, 501 + 2 * i) * h as f64) as usize;
            image.set_pixel(x.min(w - 1), y.min(h - 1), [1.0, 0.6, 1.0]);
        }
    }
}

/// Adds light where a shape is, with soft edges from four samples a pixel.
fn lay(field: &mut Painting<'_>, at: PixelPoint, reach_px: f64, inside: &dyn Fn(f64, f64) -> bool, light: [f64; 3]) {
    let limit = |v: f64, to: usize| v.clamp(0.0, to as f64) as usize;
    for y in limit(at.y - reach_px, field.height)..limit(at.y + reach_px + 1.0, field.height) {
        for x in limit(at.x - reach_px, field.width)..limit(at.x + reach_px + 1.0, field.width) {
            let hits = [(0.25, 0.25), (0.75, 0.25), (0.25, 0.75), (0.75, 0.75)]
                .iter()
                .filter(|(sx, sy)| inside(x as f64 + sx - at.x, y as f64 + sy - at.y))
                .count();
            let pixel = &mut field.radiance[y * field.width + x];
            (0..3).for_each(|c| pixel[c] += (light[c] * hits as f64 / 4.0) as f32);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_quiet_night_has_no_mishap() {
        let quiet = Mishaps::default();
        assert!(quiet.at(0.0).words(7).is_empty() && quiet.knocked_by(1e6) == (0.0, 0.0, 0.0));
    }

    #[test]
    fn what_goes_wrong_later_leaves_the_frames_before_alone() {
        let later =
            Mishaps { defocus_px: 3.0, exposed_stops: -2.0, dew_per_hour: 0.4, from_minutes: 60.0, ..<_>::default() };
        let before = later.at(59.0);
        assert!(
            before.words(7).is_empty() && before.blur_px() == 0.0 && before.veil(7) == 1.0,
            "{:?}",
            before.words(7)
        );
        let after = later.at(90.0);
        assert_eq!((after.dew, after.words(7).len()), (0.2, 2));
        assert!((after.blur_px() - 3.0f64.hypot(0.8)).abs() < 1e-12 && after.veil(7) == 0.8);
        assert_eq!(later.at(6000.0).dew, MOST_DEW);
    }

    #[test]
    fn knocks_add_up() {
        let knock = |after_minutes, by: f64| Knock { after_minutes, by_deg: (by, 0.0, 0.0) };
        let mishaps = Mishaps { knocks: vec![knock(10.0, 0.5), knock(20.0, -0.2)], ..Mishaps::default() };
        assert_eq!(mishaps.knocked_by(15.0).0, 0.5);
        assert!((mishaps.knocked_by(25.0).0 - 0.3).abs() < 1e-12);
    }
}
