//! A small picture beside the large one.

use crate::write::{BitDepth, Container, OutputSpec, WriteError, write_picture};
use std::path::Path;

/// Longest side of a preview, pixels.
const PREVIEW_SIDE: usize = 1600;

/// A reduced copy gathered from the bands as they pass: means of square blocks.
pub(super) struct Preview {
    factor: usize,
    width: usize,
    height: usize,
    full_width: usize,
    sums: Vec<f32>,
    row: usize,
}

impl Preview {
    pub(super) fn new((width, height): (usize, usize)) -> Self {
        let factor = width.max(height).div_ceil(PREVIEW_SIDE).max(1);
        let (w, h) = ((width / factor).max(1), (height / factor).max(1));
        Preview { factor, width: w, height: h, full_width: width, sums: vec![0.0; w * h * 3], row: 0 }
    }

    pub(super) fn take(&mut self, light: &[f32]) {
        for row in light.chunks_exact(self.full_width * 3) {
            let y = self.row / self.factor;
            self.row += 1;
            if y >= self.height {
                continue;
            }
            let out = &mut self.sums[y * self.width * 3..(y + 1) * self.width * 3];
            for (x, pixel) in row.chunks_exact(3).take(self.width * self.factor).enumerate() {
                let at = x / self.factor * 3;
                // Light beyond white is white in the picture too.
                (0..3).for_each(|c| out[at + c] += pixel[c].clamp(0.0, 1.0));
            }
        }
    }

    /// A preview is always a JPEG, whatever its name's ending.
    pub(super) fn write(self, path: &Path) -> Result<(), WriteError> {
        let norm = 1.0 / (self.factor * self.factor) as f32;
        let light: Vec<f32> = self.sums.iter().map(|v| v * norm).collect();
        let spec =
            OutputSpec { dots_per_inch: 72.0, ..OutputSpec::new(Container::Jpeg { quality: 90 }, BitDepth::Eight) };
        let width = self.width;
        write_picture(path, &spec, (self.width, self.height), &mut |rows| {
            light[rows.start * width * 3..rows.end * width * 3].to_vec()
        })
    }
}
