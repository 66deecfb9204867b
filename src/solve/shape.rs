//! In which offsets the Moon's disc is a circle: what lens and air make of it.

use crate::detect::{Metric, Shape};
use crate::raster::PixelPoint;
use crate::sky::Lens;

/// Refraction lifts the lower limb more than the upper one: at 20 degrees of altitude the disc is
/// flattened by a quarter of a percent, which would shift a crescent of known radius by as much.
#[derive(Clone, Copy, Debug)]
pub(super) struct Flattening {
    /// The zenith, clockwise from the image's up, radians.
    pub zenith_turn: f64,
    /// Airless over apparent height, a little over 1.
    pub ratio: f64,
}

/// A lens, and the air before it.
#[derive(Clone, Copy, Debug)]
pub(super) struct SkyShape {
    pub lens: Lens,
    pub flattening: Option<Flattening>,
}

impl Shape for SkyShape {
    fn metric(&self, at: PixelPoint) -> Metric {
        let lens = self.lens.local_metric(at);
        let Some(f) = self.flattening else { return Metric::new(lens) };
        // Stretch along the zenith's direction: I + (ratio - 1) n n^T, n = (right, down).
        let (s, c) = f.zenith_turn.sin_cos();
        let (n, k) = ([s, -c], f.ratio - 1.0);
        let stretch = |r: usize, q: usize| f64::from(u8::from(r == q)) + k * n[r] * n[q];
        let cell = |r: usize, q: usize| stretch(r, 0) * lens[0][q] + stretch(r, 1) * lens[1][q];
        Metric::new([[cell(0, 0), cell(0, 1)], [cell(1, 0), cell(1, 1)]])
    }
}
