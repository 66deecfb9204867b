//! The directions around a centre in which something was seen.

use std::f64::consts::TAU;

/// How many there are, of five degrees each.
pub(super) const COUNT: usize = 72;

/// Sectors around a centre, marked or not.
pub(super) struct Sectors([bool; COUNT]);

impl Sectors {
    pub fn none() -> Self {
        Sectors([false; COUNT])
    }

    /// The one in which an offset lies.
    fn of(x: f64, y: f64) -> usize {
        (((y.atan2(x) / TAU).rem_euclid(1.0) * COUNT as f64) as usize).min(COUNT - 1)
    }

    pub fn mark(&mut self, x: f64, y: f64) {
        self.0[Self::of(x, y)] = true;
    }

    /// How much of the circle was marked, degrees, by so many rays around it: fewer than there are sectors reach no more of them.
    pub fn degrees(&self, rays: usize) -> f64 {
        let marked = self.0.iter().filter(|marked| **marked).count();
        (marked as f64 * 360.0 / rays.min(COUNT) as f64).min(360.0)
    }

    /// With those that lie between two marked ones, where rays are fewer than sectors.
    pub fn closed(self, rays: usize) -> [bool; COUNT] {
        let is_between = |i: usize| rays < COUNT && self.0[(i + COUNT - 1) % COUNT] && self.0[(i + 1) % COUNT];
        std::array::from_fn(|i| self.0[i] || is_between(i))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Sectors marked by every ray of so many up to a share of the circle.
    fn marked(rays: usize, share: f64) -> Sectors {
        let mut sectors = Sectors::none();
        for ray in 0..(rays as f64 * share) as usize {
            let (y, x) = (ray as f64 / rays as f64 * TAU).sin_cos();
            sectors.mark(x, y);
        }
        sectors
    }

    #[test]
    fn few_rays_see_as_much_of_a_circle_as_many() {
        for rays in [48, 60, 80, 540] {
            assert!((marked(rays, 1.0).degrees(rays) - 360.0).abs() < 1.0, "{rays}");
            assert!((marked(rays, 0.5).degrees(rays) - 180.0).abs() < 10.0, "{rays}");
            let closed = |share: f64| marked(rays, share).closed(rays).iter().filter(|c| **c).count();
            assert!(closed(1.0) == COUNT && closed(0.5).abs_diff(COUNT / 2) <= 2, "{rays}: {}", closed(0.5));
        }
    }
}
