//! A disc on a grid of its own: the same size for every rig, small enough to be kept for every frame.

use super::frame::DiscFit;
use crate::raster::{CodedPlane, PixelPoint, PixelRect, Plane};
use serde::{Deserialize, Serialize};
use std::sync::Arc;

/// Cells along a side.
pub(crate) const SIDE: usize = 144;
/// Radius of the disc on the grid, cells.
pub(crate) const RADIUS: f64 = 60.0;
/// Discs below this radius (pixels of the frame) show no features worth keeping.
const LEAST_RADIUS_PX: f64 = 12.0;

/// Samples along a side of a cell: it is a mean over its pixels, or detail finer than the grid would fold into it.
fn samples(cell_px: f64) -> usize {
    (cell_px.round() as usize).clamp(1, 3)
}

/// Linear light around a disc, and how its grid lies in the frame.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub(crate) struct Cutout {
    /// Shared: what several passes keep of a disc is one.
    pub light: Arc<Plane>,
    /// The frame's pixel at the middle of the grid.
    pub centre: PixelPoint,
    /// Pixels of the frame a cell spans.
    pub cell_px: f64,
    /// Noise of the frame's pixels.
    pub noise: f32,
    /// Which cells the frame shows: from the left and the top to the right and the bottom. Beyond them the frame's edge is repeated.
    pub shown: [f64; 4],
}

impl Cutout {
    /// Where on the grid a place of the fitted disc lies (to the right and down of its centre, in radii): the
    /// fit may have moved since the cut-out was taken.
    pub fn cell_of(&self, fit: &DiscFit, right: f64, down: f64) -> (f64, f64) {
        let cell = |fitted: f64, taken: f64, offset: f64| {
            SIDE as f64 / 2.0 + (fitted - taken + offset * fit.radius_px) / self.cell_px
        };
        (cell(fit.centre.x, self.centre.x, right), cell(fit.centre.y, self.centre.y, down))
    }

    /// Whether the frame shows a place on the grid, and the cells beside it.
    pub fn shows(&self, (column, row): (f64, f64)) -> bool {
        let [left, top, right, bottom] = self.shown;
        column > left + 1.0 && row > top + 1.0 && column < right - 1.0 && row < bottom - 1.0
    }

    /// Noise of a cell.
    pub fn cell_noise(&self) -> f32 {
        self.noise / samples(self.cell_px) as f32
    }

    /// Takes a disc out of a frame; `None` where it is too small.
    pub fn take(frame: &CodedPlane, noise: f32, centre: PixelPoint, radius_px: f64) -> Option<Self> {
        if radius_px < LEAST_RADIUS_PX {
            return None;
        }
        let cell_px = radius_px / RADIUS;
        let reach = SIDE as f64 / 2.0 * cell_px + 2.0;
        let (window, at) = frame.window(PixelRect::around(centre, reach));
        if window.width() < 2 || window.height() < 2 {
            return None;
        }
        let side = SIDE as f64;
        let cell = |pixel: i64, centre: f64| (side / 2.0 + (pixel as f64 - centre) / cell_px).clamp(0.0, side);
        let shown = [cell(at.x0, centre.x), cell(at.y0, centre.y), cell(at.x1, centre.x), cell(at.y1, centre.y)];
        let samples = samples(cell_px);
        let mut data = Vec::with_capacity(SIDE * SIDE);
        for row in 0..SIDE {
            for column in 0..SIDE {
                let mut sum = 0.0;
                for s in 0..samples * samples {
                    let part = |k: usize| (k as f64 + 0.5) / samples as f64;
                    let x = (column as f64 + part(s % samples) - SIDE as f64 / 2.0) * cell_px + centre.x;
                    let y = (row as f64 + part(s / samples) - SIDE as f64 / 2.0) * cell_px + centre.y;
                    sum += window.sample(x - at.x0 as f64, y - at.y0 as f64);
                }
                data.push(sum / (samples * samples) as f32);
            }
        }
        let light = Arc::new(Plane::from_data(SIDE, SIDE, data)?);
        Some(Cutout { light, centre, cell_px, noise, shown })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_lies_beyond_the_frame_is_not_shown() {
        let frame = CodedPlane::from_light(Plane::filled(200, 200, 0.1));
        let fit = DiscFit::well_seen(PixelPoint::new(10.0, 100.0), 60.0);
        let cutout = Cutout::take(&frame, 0.01, fit.centre, fit.radius_px).unwrap();
        let shows = |right: f64, down: f64| cutout.shows(cutout.cell_of(&fit, right, down));
        assert!(shows(0.0, 0.0) && shows(0.9, 0.0) && shows(-0.1, 0.5));
        assert!(!shows(-0.2, 0.0) && !shows(-0.9, 0.0));
    }
}
