//! A backplate's pixels, and what of it stands before the Moon.

use super::ComposeError;
use crate::composition::{BackplatePlacement, ForegroundPlacement, OwnMoon};
use crate::ingest::{Night, OpenFrame, Reading, open_frame};
use crate::raster::{LinearImage, PixelPoint, PixelRect, Plane, TransferFunction};

/// A backplate, opened.
pub(super) struct Backdrop {
    frame: OpenFrame,
    front: Front,
    patch: Option<Patch>,
}

/// Sky of another frame of the same aim, in place of a backplate's own Moon.
struct Patch {
    frame: OpenFrame,
    centre: PixelPoint,
    reach: f64,
    /// The backplate's sky over the other frame's, around the place.
    ratio: [f32; 3],
}

impl Patch {
    fn open(own: &OwnMoon, frame: &OpenFrame, night: &Night) -> Result<Option<Self>, ComposeError> {
        let Some(other) = night.frame(&own.from) else { return Ok(None) };
        let other = other.open()?.whole_or_none(&other.path)?;
        if other.size() != frame.size() {
            return Ok(None);
        }
        let (centre, reach) = (PixelPoint::new(own.centre_px.0, own.centre_px.1), own.reach_px);
        let around = |frame: &OpenFrame| -> [f32; 3] {
            let window = frame.light(PixelRect::around(centre, 1.3 * reach));
            std::array::from_fn(|c| {
                let mut values: Vec<f32> = ring(&window.light, window.rect, centre, reach).map(|p| p[c]).collect();
                let middle = values.len() / 2;
                if values.is_empty() { 0.0 } else { *values.select_nth_unstable_by(middle, f32::total_cmp).1 }
            })
        };
        let (here, there) = (around(frame), around(&other));
        let ratio = std::array::from_fn(|c| if there[c] > 1e-6 { (here[c] / there[c]).clamp(0.1, 10.0) } else { 1.0 });
        Ok(Some(Patch { frame: other, centre, reach, ratio }))
    }

    /// Lays the other frame's sky over a window of the backplate, softly at its rim.
    fn lay(&self, light: &mut LinearImage, rect: PixelRect) {
        let part = PixelRect::around(self.centre, self.reach + 1.0).intersection(rect);
        if part.is_empty() {
            return;
        }
        let sky = self.frame.light(part);
        for y in sky.rect.y0..sky.rect.y1 {
            for x in sky.rect.x0..sky.rect.x1 {
                let away = (x as f64 + 0.5 - self.centre.x).hypot(y as f64 + 0.5 - self.centre.y) / self.reach;
                // Whole within two thirds of the reach, nought at its end.
                let t = ((1.0 - away) / 0.35).clamp(0.0, 1.0) as f32;
                let share = t * t * (3.0 - 2.0 * t);
                let there = sky.light.pixel((x - sky.rect.x0) as usize, (y - sky.rect.y0) as usize);
                let at = ((x - rect.x0) as usize, (y - rect.y0) as usize);
                let here = light.pixel(at.0, at.1);
                light.set_pixel(
                    at.0,
                    at.1,
                    std::array::from_fn(|c| here[c] + (there[c] * self.ratio[c] - here[c]) * share),
                );
            }
        }
    }
}

/// Pixels of a window between a reach and a little more of it.
fn ring(light: &LinearImage, rect: PixelRect, centre: PixelPoint, reach: f64) -> impl Iterator<Item = [f32; 3]> + '_ {
    let width = light.width().max(1);
    light.data().as_chunks::<3>().0.iter().enumerate().filter_map(move |(i, p)| {
        let x = (rect.x0 + (i % width) as i64) as f64 + 0.5 - centre.x;
        let y = (rect.y0 + (i / width) as i64) as f64 + 0.5 - centre.y;
        (0.9 * reach..1.3 * reach).contains(&x.hypot(y)).then_some(*p)
    })
}

/// What stands before the Moon.
enum Front {
    Nothing,
    /// White where the Moon may show.
    Mask(Box<OpenFrame>),
    /// What is darker than a share of the sky around it; the sky's level on a reduced grid.
    DarkerThanSky {
        share: f32,
        sky: Plane,
    },
}

/// Pixels of the frame to one of the sky's grid.
const GRID: usize = 16;
/// Over this share of the frame's width the sky is looked for.
const AROUND: f64 = 0.04;

impl Backdrop {
    /// Opens a backplate's frame and its mask.
    pub(super) fn open(plate: &BackplatePlacement, night: &Night) -> Result<Option<Self>, ComposeError> {
        let Some(frame) = night.frame(&plate.frame) else { return Ok(None) };
        let open = frame.open()?.whole_or_none(&frame.path)?;
        let front = match &plate.foreground {
            ForegroundPlacement::Nothing => Front::Nothing,
            ForegroundPlacement::DarkerThanSky(share) => {
                Front::DarkerThanSky { share: *share, sky: sky_around(&open.brightness()) }
            }
            ForegroundPlacement::Mask(path) => {
                // A mask's values are shares, not light.
                let mask = open_frame(path, &Reading { is_drawing: true, ..TransferFunction::Linear.into() })?;
                if mask.size() != open.size() {
                    return Err(ComposeError::MaskSize { path: path.clone(), mask: mask.size(), frame: open.size() });
                }
                Front::Mask(Box::new(mask))
            }
        };
        let patch = match &plate.own_moon {
            Some(own) => Patch::open(own, &open, night)?,
            None => None,
        };
        Ok(Some(Backdrop { frame: open, front, patch }))
    }

    /// Light of the part of `rect` that lies inside the frame, and that part.
    pub(super) fn light(&self, rect: PixelRect) -> (LinearImage, PixelRect) {
        let mut window = self.frame.light(rect);
        if let Some(patch) = &self.patch {
            patch.lay(&mut window.light, window.rect);
        }
        (window.light, window.rect)
    }

    /// The most light that the sky has within a circle of the frame, red, green and blue; `None` where more than stars
    /// depart from it: a roof, a lamp, a cloud's edge.
    pub(super) fn even_sky(&self, centre: PixelPoint, reach: f64) -> Option<[f32; 3]> {
        let window = self.light(PixelRect::around(centre, reach)).0;
        let count = window.width() * window.height();
        if count < 9 {
            return None;
        }
        let brightness = window.brightness();
        let mut sorted = brightness.data().to_vec();
        sorted.sort_by(f32::total_cmp);
        let median = sorted[count / 2].max(1e-6);
        let even = sorted.iter().filter(|v| (0.6..1.5).contains(&(**v / median))).count();
        (even * 100 >= count * 92).then(|| {
            std::array::from_fn(|c| {
                let mut channel: Vec<f32> = window.data().iter().skip(c).step_by(3).copied().collect();
                channel.sort_by(f32::total_cmp);
                1.25 * channel[count / 2]
            })
        })
    }

    /// How much of the Moon may show over a part of the frame, 0..1; `None` where nothing stands before it.
    pub(super) fn shows(&self, rect: PixelRect) -> Option<(Plane, PixelRect)> {
        match &self.front {
            Front::Nothing => None,
            Front::Mask(mask) => {
                let window = mask.light(rect);
                Some((window.light.brightness(), window.rect))
            }
            Front::DarkerThanSky { share, sky } => {
                let window = self.frame.light(rect);
                let mut plane = window.light.brightness();
                let width = plane.width();
                for (i, v) in plane.data_mut().iter_mut().enumerate() {
                    let x = (window.rect.x0 + (i % width) as i64) as f64 + 0.5;
                    let y = (window.rect.y0 + (i / width) as i64) as f64 + 0.5;
                    let level = sky.sample(x / GRID as f64, y / GRID as f64).max(1e-6);
                    // Soft over a fifth of the sky's light, so that edges stay smooth.
                    let t = ((*v / level - share) / 0.2 + 0.5).clamp(0.0, 1.0);
                    *v = t * t * (3.0 - 2.0 * t);
                }
                Some((plane, window.rect))
            }
        }
    }
}

/// The sky's level all over a frame: the brighter part of what lies around, smoothed.
fn sky_around(light: &Plane) -> Plane {
    let reduced = light.reduced(GRID);
    let (w, h) = (reduced.width(), reduced.height());
    if w == 0 || h == 0 {
        return Plane::filled(1, 1, 0.0);
    }
    let reach = ((AROUND * w as f64) as usize).max(1);
    let mut out = Plane::filled(w, h, 0.0);
    let mut around = Vec::new();
    for y in 0..h {
        for x in 0..w {
            around.clear();
            for ny in y.saturating_sub(reach)..(y + reach + 1).min(h) {
                for nx in x.saturating_sub(reach)..(x + reach + 1).min(w) {
                    around.push(reduced.get(nx, ny));
                }
            }
            let at = (around.len() - 1) * 7 / 10;
            out.data_mut()[y * w + x] = *around.select_nth_unstable_by(at, f32::total_cmp).1;
        }
    }
    out.blurred(reach as f64 / 2.0)
}
