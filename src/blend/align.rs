//! Frames of one moment laid exactly on each other.
//!
//! Registration finds each disc by its limb, and a clipped limb lies a pixel further out than a fair one: good
//! enough for any picture, but on the umbra's edge a pixel is half of the light. So each frame is shifted
//! against the next shorter exposure, on the pixels that both can tell, by least squares on the gradient
//! (Lucas & Kanade 1981) with the ratio of light known.

use super::merge::{MomentFrame, PHOTON_NOISE, READ_NOISE, SHOULDER};
use crate::raster::{PixelPoint, Plane};

/// Registration is not further off than this, pixels; what says otherwise is not believed.
const FURTHEST: f64 = 2.5;
const ROUNDS: usize = 6;
/// Blur of what is compared, and how far a clipped place shines through it.
const BLUR_PX: f64 = 1.0;
const REACH: usize = 5;

/// Puts the centres of the frames right; the first frame's stays.
pub(super) fn align(frames: &mut [MomentFrame], radius: f64) {
    let mut order: Vec<usize> = (0..frames.len()).collect();
    order.sort_by(|a, b| frames[*a].ratio.total_cmp(&frames[*b].ratio));
    let fixed = frames[0].centre;
    // A little blur, the same for all: what bilinear sampling blurs between pixels is then nothing beside it.
    let planes: Vec<Plane> = frames.iter().map(|f| f.light.brightness().blurred(BLUR_PX)).collect();
    let clear: Vec<Vec<bool>> = frames.iter().map(clear_of_burning).collect();
    for pair in order.windows(2) {
        let view = |i: usize| Compared { frame: &frames[i], light: &planes[i], clear: &clear[i] };
        let shift = shift_between(&view(pair[1]), &view(pair[0]), radius);
        let centre = &mut frames[pair[1]].centre;
        *centre = PixelPoint::new(centre.x + shift.0, centre.y + shift.1);
    }
    // All of them moved together, if the first was not the shortest.
    let (dx, dy) = (fixed.x - frames[0].centre.x, fixed.y - frames[0].centre.y);
    for frame in frames {
        frame.centre = PixelPoint::new(frame.centre.x + dx, frame.centre.y + dy);
    }
}

/// A frame as another is compared with it.
struct Compared<'a> {
    frame: &'a MomentFrame,
    light: &'a Plane,
    clear: &'a [bool],
}

impl Compared<'_> {
    /// Whether a place is neither clipped nor close to it nor beyond the window's edge.
    fn tells(&self, x: f64, y: f64) -> bool {
        let (w, h) = (self.light.width(), self.light.height());
        x >= 2.0 && y >= 2.0 && x < w as f64 - 2.0 && y < h as f64 - 2.0 && self.clear[y as usize * w + x as usize]
    }
    fn variance(&self, light: f64) -> f64 {
        f64::from(self.frame.noise.max(READ_NOISE)).powi(2) + f64::from(PHOTON_NOISE) * light.max(0.0)
    }
}

/// By how much a frame's centre must move so that it lies on the other; nothing where the two do not tell.
fn shift_between(one: &Compared<'_>, other: &Compared<'_>, radius: f64) -> (f64, f64) {
    let (frame, light) = (one.frame, one.light);
    let (fixed, fixed_light) = (other.frame, other.light);
    let scale = f64::from(frame.ratio / fixed.ratio);
    let (mut sx, mut sy) = (0.0, 0.0);
    for _ in 0..ROUNDS {
        let (mut a, mut b, mut c, mut p, mut q) = (0.0, 0.0, 0.0, 0.0, 0.0);
        for y in 2..fixed_light.height().saturating_sub(2) {
            for x in 2..fixed_light.width().saturating_sub(2) {
                let (dx, dy) = (x as f64 + 0.5 - fixed.centre.x, y as f64 + 0.5 - fixed.centre.y);
                let at = (frame.centre.x + sx + dx, frame.centre.y + sy + dy);
                let clear = one.tells(at.0, at.1) && other.tells(x as f64 + 0.5, y as f64 + 0.5);
                if dx.hypot(dy) > 1.05 * radius || !clear {
                    continue;
                }
                let sample = |ox: f64, oy: f64| f64::from(light.sample(at.0 + ox, at.1 + oy)) / scale;
                let (seen, expected) = (sample(0.0, 0.0), f64::from(fixed_light.get(x, y)));
                let w = 1.0 / (other.variance(expected) + one.variance(seen * scale) / (scale * scale));
                let (gx, gy) = ((sample(0.5, 0.0) - sample(-0.5, 0.0)), (sample(0.0, 0.5) - sample(0.0, -0.5)));
                let off = expected - seen;
                a += w * gx * gx;
                b += w * gx * gy;
                c += w * gy * gy;
                p += w * gx * off;
                q += w * gy * off;
            }
        }
        let det = a * c - b * b;
        // A shift that noise alone could feign tells nothing: the weaker axis must be known to a fifth of a pixel.
        let weaker = (a + c) / 2.0 - (((a - c) / 2.0).powi(2) + b * b).sqrt();
        if weaker < 25.0 {
            return (0.0, 0.0);
        }
        let (ex, ey) = ((c * p - b * q) / det, (a * q - b * p) / det);
        sx += ex;
        sy += ey;
        if sx.hypot(sy) > FURTHEST {
            return (0.0, 0.0);
        }
        if ex.hypot(ey) < 0.003 {
            break;
        }
    }
    (sx, sy)
}

/// Which pixels of a frame have nothing clipped, or close to it, within the reach of the blur.
fn clear_of_burning(frame: &MomentFrame) -> Vec<bool> {
    let (w, h) = (frame.light.width(), frame.light.height());
    let clips: Vec<bool> = frame
        .light
        .data()
        .chunks_exact(3)
        .zip(&frame.saturated)
        .map(|(p, saturated)| *saturated || p[0].max(p[1]).max(p[2]) > SHOULDER)
        .collect();
    let spread = |marks: &[bool], step: usize, length: usize, position: fn(usize, usize) -> usize| -> Vec<bool> {
        (0..marks.len())
            .map(|i| {
                let at = position(i, w);
                let (from, to) = (at.saturating_sub(REACH), (at + REACH).min(length - 1));
                (from..=to).any(|k| marks[i + k * step - at * step])
            })
            .collect()
    };
    let across = spread(&clips, 1, w, |i, w| i % w);
    spread(&across, w, h, |i, w| i / w).into_iter().map(|b| !b).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::raster::LinearImage;

    /// A crescent with a dim umbra, its true centre at `at`, said to be a little elsewhere.
    fn frame(at: PixelPoint, said: (f64, f64), ratio: f32) -> MomentFrame {
        let mut plane = Plane::filled(90, 90, 0.0);
        for i in 0..8100 {
            let (x, y) = ((i % 90) as f64 + 0.5 - at.x, (i / 90) as f64 + 0.5 - at.y);
            let surface = 1.0 + 0.3 * (0.35 * x).sin() * (0.27 * y).cos();
            let lit = if x > 12.0 { 0.2 } else { 0.002 };
            plane.data_mut()[i] = if x.hypot(y) < 32.0 { (lit * surface) as f32 } else { 0.0 };
        }
        let light: Vec<f32> = plane.blurred(1.2).data().iter().flat_map(|v| [(v * ratio).min(1.0); 3]).collect();
        let saturated = light.chunks_exact(3).map(|p| p[0] >= 1.0).collect();
        MomentFrame {
            light: LinearImage::from_data(90, 90, light).unwrap(),
            saturated,
            centre: PixelPoint::new(at.x + said.0, at.y + said.1),
            ratio,
            noise: 0.0003,
        }
    }

    #[test]
    fn a_clipped_frame_is_laid_on_the_fair_one() {
        let mut frames = [
            frame(PixelPoint::new(45.0, 45.0), (0.0, 0.0), 1.0),
            frame(PixelPoint::new(43.7, 46.2), (0.9, -0.4), 8.0),
            frame(PixelPoint::new(45.4, 44.1), (-0.7, 0.6), 64.0),
        ];
        align(&mut frames, 32.0);
        for (f, truth) in frames.iter().zip([(45.0, 45.0), (43.7, 46.2), (45.4, 44.1)]) {
            let off = f.centre.distance(PixelPoint::new(truth.0, truth.1));
            assert!(off < 0.1, "{:?} is {off} px from {truth:?}", f.centre);
        }
    }
}
