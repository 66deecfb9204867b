//! What lies on either side of a circle: whether a disc ends there, runs on beyond it, or is none but a line.

use super::frame::Measured;
use super::limb::{LimbPoint, rays_around};
use super::metric::Metric;
use super::sectors::{self, Sectors};
use crate::raster::PixelPoint;

/// What lies on either side of a circle, sector by sector.
pub(super) struct Rim {
    sectors: Vec<Sector>,
}

struct Sector {
    /// Whether an edge of the disc was found on the circle.
    closed: bool,
    /// Light (linear, 1 = saturated) just inside the circle, at the darkest place further in, at the brightest near the circle, and
    /// outside; `None` where the frame does not show all of it.
    inside: Option<f32>,
    within: Option<f32>,
    brightest: f32,
    outside: Option<f32>,
    /// At the brightest well outside.
    beyond: f32,
}

impl Rim {
    /// An even number: each sector has one opposite.
    const SECTORS: usize = sectors::COUNT;

    /// Around a circle (pixels; the radius rectified), of whose limb some points were seen (offsets from the centre, pixels).
    pub fn of(frame: &Measured<'_>, (centre, radius): (PixelPoint, f64), metric: Metric, limb: &[LimbPoint]) -> Rim {
        let mut seen = Sectors::none();
        let near = (0.03 * radius).max(1.5);
        for p in limb {
            let at = metric.to_rectified(p.x, p.y);
            if (at.0.hypot(at.1) - radius).abs() < near {
                seen.mark(at.0, at.1);
            }
        }
        let closed = seen.closed(rays_around(radius));
        let (width, height) = (frame.plane.width() as f64, frame.plane.height() as f64);
        let sector = |(i, &closed): (usize, &bool)| {
            let angle = (i as f64 + 0.5) / Rim::SECTORS as f64 * std::f64::consts::TAU;
            let at = |share: f64| {
                let rho = radius * share;
                let (dx, dy) = metric.to_pixels(rho * angle.cos(), rho * angle.sin());
                let (x, y) = (centre.x + dx, centre.y + dy);
                (x >= 0.0 && y >= 0.0 && x < width && y < height).then(|| frame.plane.get(x as usize, y as usize))
            };
            let mean = |shares: [f64; 3]| -> Option<f32> {
                let light = shares.map(at);
                Some((light[0]? + light[1]? + light[2]?) / 3.0)
            };
            // The line of a letter leaves a few pixels dark within it, at one place or another.
            let darkest = (0..11).filter_map(|i| at(0.5 + 0.04 * f64::from(i))).reduce(f32::min);
            let brightest = [0.8, 0.86, 0.92, 0.96, 0.99].into_iter().filter_map(at).fold(0.0, f32::max);
            Sector {
                closed,
                inside: mean([0.8, 0.86, 0.92]),
                within: darkest,
                brightest,
                outside: mean([1.2, 1.26, 1.32]),
                beyond: [1.4, 1.6, 1.8, 2.0].into_iter().filter_map(at).fold(0.0, f32::max),
            }
        };
        Rim { sectors: closed.iter().enumerate().map(sector).collect() }
    }

    /// Share of the circle where the disc is bright right up to it and no edge of it was found; `sky` and `high` are the light
    /// around the disc and of its brighter part.
    pub fn open_share(&self, sky: f32, high: f32) -> f64 {
        // A shadowed or unlit part of the Moon is no brighter than a quarter of its bright part.
        let bright = sky + 0.25 * (high - sky);
        let shown: Vec<bool> = self.sectors.iter().filter_map(|s| Some(!s.closed && s.inside? > bright)).collect();
        if shown.is_empty() { 1.0 } else { shown.iter().filter(|open| **open).count() as f64 / shown.len() as f64 }
    }

    /// By how much light falls over the circle, where an edge was found on it.
    pub fn step(&self) -> f32 {
        let steps: Vec<f32> =
            self.sectors.iter().filter(|s| s.closed).filter_map(|s| Some(s.inside? - s.outside?)).collect();
        if steps.is_empty() { f32::MAX } else { steps.iter().sum::<f32>() / steps.len() as f32 }
    }

    /// Whether it is a line, bright or dark, and no disc. `contrast`: the limb's step over the noise.
    pub fn is_a_line(&self, contrast: f64) -> bool {
        // Single pixels tell lines from discs only where they stand clear of the noise.
        const CLEAR: f64 = 20.0;
        contrast > CLEAR && (self.is_a_ring() || self.is_framed())
    }

    /// Whether it is a line around nothing: a letter, a sign, a reflection in a lens. Light that falls on a ball from one side
    /// leaves a crescent of half a circle at most, so that nowhere two opposite limbs are bright with the sky within both.
    fn is_a_ring(&self) -> bool {
        let over = |s: &Sector| Some(s.brightest - s.outside?);
        let most = self.sectors.iter().filter_map(over).fold(0.0, f32::max);
        // `None` where no light is on the circle.
        let hollow = |s: &Sector| {
            let over = over(s).filter(|over| *over > 0.3 * most)?;
            Some(s.within? - s.outside? < Rim::HOLLOW * over)
        };
        let hollows: Vec<Option<bool>> = self.sectors.iter().map(hollow).collect();
        let count = |wanted: bool| hollows.iter().filter(|h| **h == Some(wanted)).count();
        let (one, other) = hollows.split_at(Rim::SECTORS / 2);
        let around = one.iter().zip(other).filter(|(a, b)| **a == Some(true) && **b == Some(true)).count();
        around >= Rim::AROUND && count(true) > 4 * count(false)
    }

    /// Sectors that tell enough.
    const ENOUGH: usize = 12;

    /// Opposite pairs that make a ring: the tips of a crescent make two or three.
    const AROUND: usize = 8;

    /// Whether a dark line runs around it and what lies beyond is as bright as itself: a letter's eye, a pane.
    fn is_framed(&self) -> bool {
        let framed: Vec<bool> = self
            .sectors
            .iter()
            .filter(|s| s.closed)
            .filter_map(|s| {
                let (inside, outside) = (s.inside?, s.outside?);
                Some(s.beyond - outside > 0.8 * (inside - outside))
            })
            .collect();
        framed.len() >= Rim::ENOUGH && 5 * framed.iter().filter(|f| **f).count() > 3 * framed.len()
    }

    /// Light within a ring, as a share of its own, at most: noise, and what a blur carries inwards.
    const HOLLOW: f32 = 0.04;
}

#[cfg(test)]
mod tests {
    use super::super::{CONFIDENT, find_in_picture};
    use crate::raster::CodedPlane;

    /// The radius of the disc believed in a picture of 200 x 160 pixels whose brightness (0..1) at each distance from (80, 70) is given.
    fn found(at: impl Fn(f64) -> f64) -> Option<f64> {
        let mut noise = 5u32;
        let codes = (0..200 * 160)
            .map(|i| {
                let (x, y) = (f64::from(i % 200) + 0.5 - 80.0, f64::from(i / 200) + 0.5 - 70.0);
                noise = noise.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                // Four by four samples a pixel, and noise of a code.
                let parts = (0..16).map(|k| (f64::from(k % 4) / 4.0 - 0.375, f64::from(k / 4) / 4.0 - 0.375));
                let light = parts.map(|(dx, dy)| at((x + dx).hypot(y + dy))).sum::<f64>() / 16.0;
                (8.0 + 240.0 * light) as u8 + (noise >> 31) as u8
            })
            .collect();
        let light = std::array::from_fn(|code| (code as f32 / 255.0).powf(2.2));
        let picture = CodedPlane::from_codes(200, 160, codes, light).unwrap();
        find_in_picture(&picture).first().filter(|d| d.confidence() > CONFIDENT).map(|d| d.radius_px)
    }

    #[test]
    fn a_disc_is_one_and_a_ring_and_a_letters_eye_are_none() {
        let within = |r: f64, from: f64, to: f64| f64::from(u8::from(r >= from && r < to));
        let disc = found(|r| within(r, 0.0, 14.0)).expect("a disc");
        assert!((disc - 14.0).abs() < 0.5, "{disc}");
        let ring = found(|r| within(r, 11.5, 14.0));
        let sign = found(|r| within(r, 11.5, 14.0) + within(r, 5.0, 7.0));
        let eye = found(|r| 1.0 - within(r, 8.0, 13.0));
        assert!([ring, sign, eye].iter().all(Option::is_none), "{ring:?} {sign:?} {eye:?}");
    }
}
