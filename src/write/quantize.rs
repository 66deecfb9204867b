//! From linear light to the integers of a file.

use crate::raster::TransferFunction;
use rayon::prelude::*;

const BLOCK: usize = 1 << 14;

/// Sixteen-bit codes; light outside 0..1 is clipped.
pub(super) fn sixteen(light: &[f32], transfer: TransferFunction) -> Vec<u16> {
    let mut out = vec![0; light.len()];
    out.par_chunks_mut(BLOCK).zip(light.par_chunks(BLOCK)).for_each(|(out, light)| {
        for (o, l) in out.iter_mut().zip(light) {
            *o = (transfer.encode(l.clamp(0.0, 1.0)) * 65_535.0 + 0.5) as u16;
        }
    });
    out
}

/// Eight-bit codes; light outside 0..1 is clipped.
pub(super) fn eight(light: &[f32], transfer: TransferFunction) -> Vec<u8> {
    let mut out = vec![0; light.len()];
    out.par_chunks_mut(BLOCK).zip(light.par_chunks(BLOCK)).for_each(|(out, light)| {
        for (o, l) in out.iter_mut().zip(light) {
            *o = (transfer.encode(l.clamp(0.0, 1.0)) * 255.0 + 0.5) as u8;
        }
    });
    out
}
