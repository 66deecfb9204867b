//! A disc too faint for its limb to be seen ray by ray.
//!
//! In a dark totality, or behind haze, no single ray shows an edge, yet the whole disc stands out of
//! the noise. Where its radius is known, the mean over a disc against the mean over the ring
//! around it is the best detector in white noise (the matched filter; North 1943, reprinted in Proc.
//! IEEE 51, 1016); the forward model of small discs, on a reduced copy, then places it.

use super::frame::{DiscFit, Expectation, Measured};
use super::sky_level::difference_noise;
use super::small_disc::{self, Shading};
use crate::raster::{PixelPoint, PixelRect, Plane};

/// Radius of the disc on the copy that the filter runs over, pixels.
const FILTER_RADIUS: f64 = 8.0;
/// Radius on the copy that the model is fitted to.
const MODEL_RADIUS: f64 = 16.0;
/// How far seas and copper, which the model has as even light, pull a disc along, pixels of that copy: discs of 60 px that
/// were blurred beyond a limb lay 0.35 and 0.5 px off by another hand's truth, at a stated 0.1.
const UNEVEN: f64 = 0.1;
/// Light more uneven than this (see [`unevenness`]) is no faint disc but a part of a bright one, which pulls the model along: a
/// half-lit disc out of focus came 0.22 radii off; copper of 0.45 within 0.01.
const MOST_UNEVEN: f64 = 0.6;
/// How many standard deviations of the filter's own noise make a disc.
const LEAST_SIGNIFICANCE: f64 = 8.0;

/// Sums along rows, so that the mean of a disc costs one subtraction a row.
struct RowSums {
    width: usize,
    height: usize,
    sums: Vec<f64>,
}

impl RowSums {
    fn of(plane: &Plane) -> Self {
        let (width, height) = (plane.width(), plane.height());
        let mut sums = Vec::with_capacity((width + 1) * height);
        for row in plane.data().chunks(width.max(1)) {
            let mut sum = 0.0;
            sums.push(sum);
            for v in row {
                sum += f64::from(*v);
                sums.push(sum);
            }
        }
        RowSums { width, height, sums }
    }

    /// Sum and number of pixels of a disc around a pixel, clipped by the plane.
    fn disc(&self, x: usize, y: usize, radius: f64) -> (f64, f64) {
        let reach = radius.floor() as i64;
        let (mut sum, mut count) = (0.0, 0.0);
        for dy in -reach..=reach {
            let row = y as i64 + dy;
            if row < 0 || row >= self.height as i64 {
                continue;
            }
            let half = (radius * radius - (dy * dy) as f64).sqrt().floor() as i64;
            let from = (x as i64 - half).clamp(0, self.width as i64) as usize;
            let to = (x as i64 + half + 1).clamp(0, self.width as i64) as usize;
            let start = row as usize * (self.width + 1);
            sum += self.sums[start + to] - self.sums[start + from];
            count += (to - from) as f64;
        }
        (sum, count)
    }
}

/// The place of a disc of known radius where the filter answers most, in pixels of the frame.
fn strongest(frame: &Measured<'_>, radius_px: f64, area: PixelRect) -> Option<PixelPoint> {
    let factor = (radius_px / FILTER_RADIUS).floor().max(1.0) as usize;
    let reduced = frame.plane.reduced(factor);
    let (w, h) = (reduced.width(), reduced.height());
    let noise = difference_noise((w, h), |x, y| reduced.get(x, y)).max(frame.sky.noise / factor as f32);
    let mut flat = reduced;
    for (i, v) in flat.data_mut().iter_mut().enumerate() {
        let (x, y) = ((i % w) as f64 + 0.5, (i / w) as f64 + 0.5);
        // Stars and lamps shall not outshine a disc: nothing counts beyond some noises.
        *v = (*v - frame.sky.at(x * factor as f64, y * factor as f64)).clamp(-4.0 * noise, 8.0 * noise);
    }
    let sums = RowSums::of(&flat);
    let r = radius_px / factor as f64;
    let cell = |v: i64, limit: usize| (v / factor as i64).clamp(0, limit as i64) as usize;
    let mut answers: Vec<(f64, usize, usize)> = Vec::new();
    for y in cell(area.y0, h)..cell(area.y1, h) {
        for x in cell(area.x0, w)..cell(area.x1, w) {
            let (disc, n) = sums.disc(x, y, 0.92 * r);
            let (inner, n_inner) = sums.disc(x, y, 1.25 * r);
            let (outer, n_outer) = sums.disc(x, y, 1.9 * r);
            let ring = n_outer - n_inner;
            // Most of the disc and half of the ring must be in the frame.
            if n < 0.6 * std::f64::consts::PI * (0.92 * r).powi(2) || ring < 3.0 * r * r {
                continue;
            }
            let step = disc / n - (outer - inner) / ring;
            let spread = f64::from(noise) * (1.0 / n + 1.0 / ring).sqrt();
            answers.push((step / spread, x, y));
        }
    }
    answers.sort_by(|a, b| b.0.total_cmp(&a.0).then((a.1, a.2).cmp(&(b.1, b.2))));
    let (best, bx, by) = *answers.first()?;
    let apart = |x: usize, y: usize| (x as f64 - bx as f64).hypot(y as f64 - by as f64) > 2.0 * r;
    let next = answers.iter().find(|(_, x, y)| apart(*x, *y)).map_or(0.0, |a| a.0);
    let clear = best > LEAST_SIGNIFICANCE && next < 0.6 * best && is_all_round(&flat, (bx, by), r);
    let middle = |v: usize| (v as f64 + 0.5) * factor as f64;
    (clear && is_step(&flat, (bx, by), r)).then(|| PixelPoint::new(middle(bx), middle(by)))
}

/// Whether the disc stands out of its ring on all sides but one at most: a roof's edge or a cloud does not.
fn is_all_round(flat: &Plane, (bx, by): (usize, usize), r: f64) -> bool {
    const SIDES: usize = 6;
    let mut sums = [[(0.0f64, 0.0f64); 2]; SIDES];
    let reach = (1.9 * r).ceil() as i64;
    for dy in -reach..=reach {
        for dx in -reach..=reach {
            let (x, y) = (bx as i64 + dx, by as i64 + dy);
            if x < 0 || y < 0 || x >= flat.width() as i64 || y >= flat.height() as i64 {
                continue;
            }
            let rho = (dx as f64).hypot(dy as f64);
            let part = if rho < 0.92 * r && rho > 0.4 * r {
                0
            } else if rho > 1.25 * r && rho < 1.9 * r {
                1
            } else {
                continue;
            };
            let turn = (dy as f64).atan2(dx as f64) / std::f64::consts::TAU + 0.5;
            let cell = &mut sums[((turn * SIDES as f64) as usize).min(SIDES - 1)][part];
            *cell = (cell.0 + f64::from(flat.get(x as usize, y as usize)), cell.1 + 1.0);
        }
    }
    let mean = |(sum, n): (f64, f64)| if n > 0.0 { sum / n } else { f64::NAN };
    let steps: Vec<f64> = sums.iter().map(|[disc, ring]| mean(*disc) - mean(*ring)).filter(|s| s.is_finite()).collect();
    let whole = steps.iter().sum::<f64>() / steps.len().max(1) as f64;
    steps.len() >= 4 && steps.iter().filter(|s| **s < 0.2 * whole).count() <= 1
}

/// Whether the light falls at the limb itself: by more than half of what it falls from the middle to well outside. A cloud
/// of a disc's size falls all the way.
fn is_step(flat: &Plane, (bx, by): (usize, usize), r: f64) -> bool {
    let mut rings = [(0.0f64, 0.0f64); 4];
    let reach = (1.9 * r).ceil() as i64;
    for dy in -reach..=reach {
        for dx in -reach..=reach {
            let (x, y) = (bx as i64 + dx, by as i64 + dy);
            if x < 0 || y < 0 || x >= flat.width() as i64 || y >= flat.height() as i64 {
                continue;
            }
            let rho = (dx as f64).hypot(dy as f64) / r;
            let ring = match rho {
                _ if rho < 0.6 => 0,
                _ if (0.7..0.9).contains(&rho) => 1,
                _ if (1.1..1.3).contains(&rho) => 2,
                _ if (1.5..1.9).contains(&rho) => 3,
                _ => continue,
            };
            rings[ring].0 += f64::from(flat.get(x as usize, y as usize));
            rings[ring].1 += 1.0;
        }
    }
    let [middle, inside, outside, far] = rings.map(|(sum, n)| sum / f64::max(n, 1.0));
    inside - outside > 0.5 * (middle - far)
}

/// Looks for a disc of the expected radius within `area`; the model begins where the filter answers most and, where the shadow's
/// light is known, at `expected_at` as well: what is left of a partly eclipsed disc lies beside its centre. (Each of the two sees a
/// window of its own; they overlap in most of their pixels, and that the sky in them differs is neglected.)
pub(crate) fn find_faint(
    frame: &Measured<'_>,
    expected: &Expectation<'_>,
    (area, expected_at): (PixelRect, Option<PixelPoint>),
    shading: Option<Shading<'_>>,
) -> Option<DiscFit> {
    let radius = expected.radius?.radius;
    let middle = PixelPoint::new((area.x0 + area.x1) as f64 / 2.0, (area.y0 + area.y1) as f64 / 2.0);
    let found = strongest(frame, radius * expected.shape.metric(middle).stretch(), area)?;
    let metric = expected.shape.metric(found);
    let stretch = metric.stretch();
    let factor = (radius * stretch / MODEL_RADIUS).floor().max(1.0);
    let reach = 1.6 * radius * metric.largest_stretch() + 8.0 * factor;
    let (window, at) = frame.plane.window(PixelRect::around(found, reach));
    let copy = window.reduced(factor as usize);
    let noise = difference_noise((copy.width(), copy.height()), |x, y| copy.get(x, y));
    let from = |start: PixelPoint| {
        let start = PixelPoint::new((start.x - at.x0 as f64) / factor, (start.y - at.y0 as f64) / factor);
        small_disc::fit_model(&copy, start, metric, radius / factor, (noise.max(1e-7), frame.is_on_codes()), shading)
    };
    let starts = [Some(found), expected_at.filter(|_| shading.is_some())];
    let is_placed = |model: &small_disc::ModelFit| model.sigma_px * factor <= 0.12 * radius;
    let models = starts.into_iter().flatten().filter_map(from).filter(is_placed);
    let model = models.min_by(|a, b| a.misfit.total_cmp(&b.misfit))?;
    let sigma_px = model.sigma_px * factor;
    let centre = PixelPoint::new(model.centre.x * factor + at.x0 as f64, model.centre.y * factor + at.y0 as f64);
    let (disc, n) = RowSums::of(&copy).disc(model.centre.x as usize, model.centre.y as usize, 0.9 * radius / factor);
    let sky = frame.sky.at(centre.x, centre.y);
    let level = ((disc / n.max(1.0)) as f32 - sky).max(0.0);
    // Where the shadow's place is known, the model has its light.
    if shading.is_none() && unevenness(&copy, model.centre, 0.9 * radius / factor, sky) > MOST_UNEVEN {
        return None;
    }
    Some(DiscFit {
        centre,
        radius_px: radius * stretch,
        rectified_radius_px: radius,
        centre_sigma_px: sigma_px.hypot(UNEVEN * factor),
        radius_sigma_px: expected.radius.map_or(0.0, |p| p.sigma) * stretch,
        arc_deg: 0.0,
        residual_px: sigma_px,
        edge_width_px: model.blur_px * factor,
        saturated_share: 0.0,
        disc_level: level,
        mean_level: level,
        sky_level: sky,
        contrast: f64::from(level / frame.sky.noise),
        agreeing: 0.0,
        open_share: 0.0,
    })
}

/// How unevenly a disc's light lies around its centre: the standard deviation of six sectors' means, a share of their mean over
/// the sky.
fn unevenness(copy: &Plane, centre: PixelPoint, radius: f64, sky: f32) -> f64 {
    const SECTORS: usize = 6;
    let mut sums = [(0.0f64, 0.0f64); SECTORS];
    for y in 0..copy.height() {
        for x in 0..copy.width() {
            let (dx, dy) = (x as f64 + 0.5 - centre.x, y as f64 + 0.5 - centre.y);
            if dx.hypot(dy) < radius {
                let turn = dy.atan2(dx) / std::f64::consts::TAU + 0.5;
                let sum = &mut sums[((turn * SECTORS as f64) as usize).min(SECTORS - 1)];
                *sum = (sum.0 + f64::from(copy.get(x, y) - sky), sum.1 + 1.0);
            }
        }
    }
    let means = sums.map(|(sum, n)| sum / n.max(1.0));
    let mean = means.iter().sum::<f64>() / SECTORS as f64;
    let square = means.iter().map(|m| (m - mean).powi(2)).sum::<f64>() / SECTORS as f64;
    square.sqrt() / mean.max(1e-9)
}

#[cfg(test)]
mod tests {
    use super::super::circle::RadiusPrior;
    use super::*;
    use crate::raster::CodedPlane;

    /// White noise by a fixed rule, with a disc of radius 30 px whose light is half the noise.
    fn frame(level: f32) -> CodedPlane {
        let mut state = 0x9e37_79b9_7f4a_7c15u64;
        let mut noise = || {
            (0..12)
                .map(|_| {
                    state ^= state << 13;
                    state ^= state >> 7;
                    state ^= state << 17;
                    (state >> 40) as f32 / (1u64 << 24) as f32
                })
                .sum::<f32>()
                - 6.0
        };
        let data = (0..400 * 300)
            .map(|i| {
                let (x, y) = ((i % 400) as f64 + 0.5, (i / 400) as f64 + 0.5);
                let inside = (x - 251.3).hypot(y - 118.6) < 30.0;
                0.02 + 0.004 * noise() + if inside { level } else { 0.0 }
            })
            .collect();
        CodedPlane::from_light(Plane::from_data(400, 300, data).unwrap())
    }

    fn look(level: f32) -> Option<DiscFit> {
        let plane = frame(level);
        let measured = Measured::new(&plane);
        let radius = Some(RadiusPrior { radius: 30.0, sigma: 0.1 });
        let expected =
            Expectation { from_px: 28.0, to_px: 32.0, shape: &super::super::frame::Round, radius, place_known: false };
        find_faint(&measured, &expected, (PixelRect::of_size(400, 300), None), None)
    }

    #[test]
    fn a_disc_of_half_the_noise_is_placed_within_a_twentieth_of_its_radius() {
        let disc = look(0.002).expect("it is found");
        let off = (disc.centre.x - 251.3).hypot(disc.centre.y - 118.6);
        assert!(off < 1.5 && off < 4.0 * disc.centre_sigma_px + 0.3, "{off} of {}", disc.centre_sigma_px);
    }

    #[test]
    fn noise_alone_is_no_disc() {
        assert!(look(0.0).is_none());
    }
}
