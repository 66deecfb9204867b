//! Frames of one moment become one disc: brackets to a high dynamic range, runs to less noise.
//!
//! Every frame tells each pixel's radiance with its own noise: variance (read^2 + k v) / ratio^2 in the light
//! of the leading frame, with the noise of its own sky for `read` (at least that of a good sensor) and the photon noise of a sensor of some
//! thirty thousand electrons (common practice, no source). A saturated pixel tells nothing, and one close
//! to it little. With four frames and more, what lies beyond three standard deviations of the median is
//! left out: a bird, a passing aircraft, a gust.

use crate::raster::{Kernel, LinearImage, LinearMap, PixelPoint, PixelRect, resample};

/// A window of a frame ready to be merged: sky subtracted.
pub struct MomentFrame {
    /// Linear light.
    pub light: LinearImage,
    /// Which pixels only say "at least this much".
    pub saturated: Vec<bool>,
    /// Centre of the disc in the window.
    pub centre: PixelPoint,
    /// Its light over the leading frame's for the same radiance.
    pub ratio: f32,
    /// Noise of its sky.
    pub noise: f32,
}

/// Photon noise: variance per light.
pub(super) const PHOTON_NOISE: f32 = 1.0 / 30_000.0;
/// No frame's dark is known better than this: a fourteen-bit step with its read noise. (A dark that was cut off at
/// nothing shows hardly any noise, and is too bright for it.)
pub(super) const READ_NOISE: f32 = 2e-4;
/// Light from here to saturation counts less and less: the shoulder of a curve, a neighbour's overflow.
pub(super) const SHOULDER: f32 = 0.80;

/// Merges frames into the window of the first, in its light (which may now go beyond 1); also says which
/// pixels were saturated in all of them.
pub fn merge(frames: &[MomentFrame]) -> (LinearImage, Vec<bool>) {
    let lead = &frames[0];
    let (w, h) = (lead.light.width(), lead.light.height());
    let rect = PixelRect::of_size(w, h);
    let laid: Vec<(Vec<f32>, Vec<f32>)> =
        frames.iter().map(|f| (onto(f, lead.centre, rect), trust(f, lead.centre, rect))).collect();
    let mut out = lead.light.clone();
    let mut saturated = lead.saturated.clone();
    // Where every frame clips, the shortest exposure knows most.
    let shortest = frames.iter().enumerate().min_by(|a, b| a.1.ratio.total_cmp(&b.1.ratio)).map_or(0, |(i, _)| i);
    let mut told: Vec<(f32, f32)> = Vec::with_capacity(frames.len());
    for i in 0..w * h {
        saturated[i] = laid.iter().all(|(_, trust)| trust[i] <= 0.0);
        for c in 0..3 {
            told.clear();
            for (frame, (light, trust)) in frames.iter().zip(&laid) {
                if trust[i] > 0.0 {
                    let value = light[i * 3 + c];
                    let variance = frame.noise.max(READ_NOISE).powi(2) + PHOTON_NOISE * value.max(0.0);
                    told.push((value / frame.ratio, trust[i] * frame.ratio * frame.ratio / variance));
                }
            }
            out.data_mut()[i * 3 + c] = if told.is_empty() {
                laid[shortest].0[i * 3 + c] / frames[shortest].ratio
            } else {
                clipped_mean(&mut told)
            };
        }
    }
    (out, saturated)
}

/// A frame's light on the leading window's pixels.
fn onto(frame: &MomentFrame, centre: PixelPoint, rect: PixelRect) -> Vec<f32> {
    if frame.centre == centre && (frame.light.width(), frame.light.height()) == (rect.width(), rect.height()) {
        return frame.light.data().to_vec();
    }
    let map = LinearMap { source_centre: frame.centre, target_centre: centre, to_source: [[1.0, 0.0], [0.0, 1.0]] };
    resample(&frame.light, &map, rect, Kernel::Lanczos)
}

/// How far each pixel can be believed, 0..1: nothing at and beside saturation or outside the frame.
fn trust(frame: &MomentFrame, centre: PixelPoint, rect: PixelRect) -> Vec<f32> {
    let (w, h) = (frame.light.width() as i64, frame.light.height() as i64);
    let (dx, dy) = (frame.centre.x - centre.x, frame.centre.y - centre.y);
    let mut out = Vec::with_capacity(rect.width() * rect.height());
    for y in 0..rect.height() {
        for x in 0..rect.width() {
            let (sx, sy) = ((x as f64 + dx).round() as i64, (y as f64 + dy).round() as i64);
            if sx < 0 || sy < 0 || sx >= w || sy >= h {
                out.push(0.0);
                continue;
            }
            let clips = (-1..=1).any(|oy| {
                (-1..=1).any(|ox| {
                    let (px, py) = ((sx + ox).clamp(0, w - 1), (sy + oy).clamp(0, h - 1));
                    frame.saturated[(py * w + px) as usize]
                })
            });
            let p = frame.light.pixel(sx as usize, sy as usize);
            let most = p[0].max(p[1]).max(p[2]);
            let shoulder = ((1.0 - most) / (1.0 - SHOULDER)).clamp(0.02, 1.0);
            out.push(if clips { 0.0 } else { shoulder });
        }
    }
    out
}

/// Weighted mean of what frames tell, without what the others contradict.
fn clipped_mean(told: &mut [(f32, f32)]) -> f32 {
    let mean = |told: &[(f32, f32)]| {
        let weight: f32 = told.iter().map(|t| t.1).sum();
        told.iter().map(|t| t.0 * t.1).sum::<f32>() / weight
    };
    if told.len() < 4 {
        return mean(told);
    }
    told.sort_by(|a, b| a.0.total_cmp(&b.0));
    let half: f32 = told.iter().map(|t| t.1).sum::<f32>() / 2.0;
    let mut reached = 0.0;
    let median = told.iter().find(|t| {
        reached += t.1;
        reached >= half
    });
    let median = median.map_or(0.0, |t| t.0);
    let (mut sum, mut weight) = (0.0, 0.0);
    for &(value, w) in told.iter() {
        // A weight is the inverse of a variance.
        if (value - median).abs() <= 3.0 / w.sqrt() + 1e-6 {
            sum += value * w;
            weight += w;
        }
    }
    if weight > 0.0 { sum / weight } else { median }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn frame(value: f32, ratio: f32, saturated: bool) -> MomentFrame {
        MomentFrame {
            light: LinearImage::from_data(9, 9, vec![value; 243]).unwrap(),
            saturated: vec![saturated; 81],
            centre: PixelPoint::new(4.5, 4.5),
            ratio,
            noise: 0.001,
        }
    }

    #[test]
    fn a_clipped_frame_says_nothing_and_a_short_one_says_all() {
        let (out, saturated) = merge(&[frame(1.0, 1.0, true), frame(0.4, 0.125, false)]);
        assert!((out.pixel(4, 4)[0] - 3.2).abs() < 1e-4 && !saturated[40]);
    }

    #[test]
    fn the_longer_exposure_weighs_more_in_the_dark() {
        let (out, _) = merge(&[frame(0.0010, 1.0, false), frame(0.0640, 32.0, false)]);
        assert!((out.pixel(4, 4)[0] - 0.0020).abs() < 2e-5);
    }

    #[test]
    fn a_passing_aircraft_is_left_out() {
        let mut frames: Vec<MomentFrame> = (0..6).map(|i| frame(0.300 + 0.0002 * i as f32, 1.0, false)).collect();
        frames[3].light.set_pixel(4, 4, [0.9; 3]);
        let (out, _) = merge(&frames);
        assert!((out.pixel(4, 4)[0] - 0.3004).abs() < 4e-4, "{:?}", out.pixel(4, 4));
    }

    #[test]
    fn what_burns_everywhere_is_marked() {
        let (out, saturated) = merge(&[frame(1.0, 1.0, true), frame(1.0, 0.25, true)]);
        assert!(saturated[40] && (out.pixel(4, 4)[0] - 4.0).abs() < 1e-5);
    }
}
