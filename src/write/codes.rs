//! From linear light to the numbers of a file: colour space, gamut, curve, quantising.

use super::OutputSpec;
use crate::raster::{ColourMatrix, Tabulated, TransferFunction};
use rayon::prelude::*;

/// Pixels that one task codes.
const BLOCK: usize = 1 << 14;

/// A table of the transfer function; linear light needs none.
fn curve(transfer: TransferFunction) -> Option<Tabulated> {
    (transfer != TransferFunction::Linear).then(|| Tabulated::new(move |light| transfer.encode(light)))
}

/// Codes the light of one picture.
pub(super) struct Coder {
    matrix: ColourMatrix,
    weights: [f32; 3],
    /// The transfer function, within a thirtieth of a sixteen-bit step.
    curve: Option<Tabulated>,
}

impl Coder {
    pub(super) fn new(spec: &OutputSpec) -> Self {
        let space = spec.file_space();
        Coder {
            matrix: ColourMatrix::new(spec.light.to(&space)),
            weights: space.luminance_weights(),
            curve: curve(space.transfer),
        }
    }

    /// The file's space, not clipped: for numbers that can hold any light.
    fn converted(&self, p: [f32; 3]) -> [f32; 3] {
        if self.matrix.is_identity() { p } else { self.matrix.apply(p) }
    }

    /// Light within 0..1 of the file's space. A colour beyond is drawn towards the grey of its own
    /// luminance until it fits: it keeps its brightness and its hue, and loses saturation, where cutting
    /// each channel by itself would turn a bright copper yellow.
    fn fitted(&self, p: [f32; 3]) -> [f32; 3] {
        // What is left of a channel by the rounding of the others is nothing; a pure power would make it a step.
        let p = self.converted(p);
        let rounding = 4e-7 * p[0].abs().max(p[1].abs()).max(p[2].abs());
        let p = p.map(|v| if v.abs() < rounding { 0.0 } else { v });
        let least = p[0].min(p[1]).min(p[2]);
        let most = p[0].max(p[1]).max(p[2]);
        if least >= 0.0 && most <= 1.0 + 1e-6 {
            return p.map(|v| v.min(1.0));
        }
        let grey = (self.weights[0] * p[0] + self.weights[1] * p[1] + self.weights[2] * p[2]).clamp(0.0, 1.0);
        let mut keep = 1.0f32;
        if least < 0.0 {
            keep = keep.min(grey / (grey - least));
        }
        if most > 1.0 {
            keep = keep.min((1.0 - grey) / (most - grey));
        }
        p.map(|v| (grey + (v - grey) * keep).clamp(0.0, 1.0))
    }

    fn code(&self, light: f32) -> f32 {
        self.curve.as_ref().map_or(light, |curve| curve.at(light))
    }

    fn coded<T: Copy + Default + Send>(&self, light: &[f32], code: impl Fn([f32; 3]) -> [T; 3] + Sync) -> Vec<T> {
        let mut out = vec![T::default(); light.len()];
        out.par_chunks_mut(3 * BLOCK).zip(light.par_chunks(3 * BLOCK)).for_each(|(out, light)| {
            for (o, l) in out.as_chunks_mut::<3>().0.iter_mut().zip(light.as_chunks::<3>().0) {
                *o = code(*l);
            }
        });
        out
    }

    /// Sixteen-bit codes.
    pub(super) fn sixteen(&self, light: &[f32]) -> Vec<u16> {
        self.coded(light, |p| self.fitted(p).map(|v| (self.code(v) * 65_535.0 + 0.5) as u16))
    }

    /// Eight-bit codes.
    pub(super) fn eight(&self, light: &[f32]) -> Vec<u8> {
        self.coded(light, |p| self.fitted(p).map(|v| (self.code(v) * 255.0 + 0.5) as u8))
    }

    /// Single-precision light, whatever its range.
    pub(super) fn float(&self, light: &[f32]) -> Vec<f32> {
        self.coded(light, |p| self.converted(p))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::raster::RgbSpace;
    use crate::write::{BitDepth, Container};

    fn coder(space: RgbSpace) -> Coder {
        let spec = OutputSpec { space, ..OutputSpec::new(Container::Tiff, BitDepth::Sixteen) };
        Coder::new(&spec)
    }

    #[test]
    fn the_table_is_within_a_tenth_of_a_step_of_the_curve() {
        for transfer in [TransferFunction::Srgb, TransferFunction::OpRgb, TransferFunction::Bt2020] {
            let curve = curve(transfer).unwrap();
            for i in 0..200_000 {
                let light = i as f32 / 200_000.0;
                let off = (curve.at(light) - transfer.encode(light)).abs() * 65_535.0;
                assert!(off < 0.1, "{transfer:?} {light} is off by {off} steps");
            }
        }
    }

    #[test]
    fn what_a_file_holds_comes_back_within_a_step() {
        for space in [RgbSpace::SRGB, RgbSpace::DISPLAY_P3, RgbSpace::OP_RGB, RgbSpace::REC_2020] {
            let back = ColourMatrix::new(space.to(&RgbSpace::WORKING));
            for codes in [[65_535u16, 0, 0], [150, 40_000, 300], [1, 2, 3], [0, 65_535, 65_535], [30_000; 3]] {
                let light = back.apply(codes.map(|c| space.transfer.decode(f32::from(c) / 65_535.0)));
                let again = coder(space).sixteen(&light);
                for (a, b) in again.iter().zip(codes) {
                    assert!(a.abs_diff(b) <= 1, "{space:?}: {codes:?} came back as {again:?}");
                }
            }
        }
    }

    #[test]
    fn a_copper_beyond_srgb_keeps_its_brightness_and_its_hue() {
        // A red on the rim of Rec. 2020 is no colour of sRGB.
        let coder = coder(RgbSpace::LINEAR_SRGB);
        let light = [0.4, 0.06, 0.01];
        let raw = coder.converted(light);
        assert!(raw[2] < 0.0, "{raw:?}");
        let fitted = coder.fitted(light);
        let luminance = |p: [f32; 3]| (0..3).map(|c| coder.weights[c] * p[c]).sum::<f32>();
        assert!((luminance(fitted) - luminance(raw)).abs() < 1e-5);
        assert!(fitted[0] > fitted[1] && fitted[1] > fitted[2] && fitted[2] >= 0.0, "{fitted:?}");
    }
}
