//! The part of each frame that a person wants to see: the Moon and a little around it, or the whole frame where none was found.

use crate::ingest::{Frame, Night, OPEN_BYTES_A_PIXEL, OpenFrame};
use crate::memory;
use crate::raster::{LinearImage, PixelPoint, PixelRect, TransferFunction};
use crate::registration::{FrameRegistration, Registration};
use image::codecs::jpeg::JpegEncoder;
use image::{ExtendedColorType, ImageEncoder};
use rayon::prelude::*;

/// A part of a frame as a small JPEG.
#[derive(Clone, Debug)]
pub struct Window {
    /// JPEG (sRGB).
    pub jpeg: Vec<u8>,
    /// Which part of the frame it shows, pixels: left, top, width, height.
    pub shows: (f64, f64, f64, f64),
    /// The part that was wanted: a disc at the frame's edge reaches beyond what there is.
    pub wanted: (f64, f64, f64, f64),
    /// By how many stops it is shown brighter than it was taken.
    pub lifted_stops: f64,
}

/// Longest side of a window, pixels of its own.
const SIDE: f64 = 420.0;
/// Half a window's side, in radii.
const REACH: f64 = 1.35;
/// Least half of a window's side, pixels of the frame: what a disc of a few pixels lies in is worth seeing.
const LEAST_REACH_PX: f64 = 24.0;
/// Where the brightest hundredth of a window is brought, linear: dark frames are shown brighter, so that the limb can be seen.
const BRIGHT: f32 = 0.6;
/// No further: noise is all that comes then, stops.
const MOST_STOPS: f32 = 4.0;
const QUALITY: u8 = 82;

/// The window of one frame; `None` where it cannot be opened.
pub fn window_of(night: &Night, f: &FrameRegistration) -> Option<Window> {
    window_of_frame(night.frame(&f.file)?, f)
}

/// The window of a frame in which something was found; `None` where it cannot be opened.
pub fn window_of_frame(frame: &Frame, f: &FrameRegistration) -> Option<Window> {
    window(&frame.open().ok()?, f)
}

/// A whole frame, no side of it longer than so many pixels.
pub fn whole_of(night: &Night, f: &FrameRegistration, longest_side: usize) -> Option<Window> {
    let frame = night.frame(&f.file)?;
    let open = frame.open().ok()?;
    let (width, height) = open.size();
    shown(&open, PixelRect::of_size(width, height), longest_side.max(16) as f64, f.foreground)
}

/// The windows of a registration's frames, in their order; `None` where a frame cannot be opened. `progress` is told of each.
pub fn windows(night: &Night, registration: &Registration, progress: &(dyn Fn(&str) + Sync)) -> Vec<Option<Window>> {
    let largest = night.rigs.iter().map(|r| (r.width * r.height) as u64).max().unwrap_or(0);
    let at_once = memory::at_once(largest * OPEN_BYTES_A_PIXEL);
    let mut out = Vec::with_capacity(registration.frames.len());
    for some in registration.frames.chunks(at_once) {
        out.par_extend(some.par_iter().map(|f| {
            let frame = night.frame(&f.file)?;
            let open = frame.open().ok();
            progress(&f.file);
            window(&open?, f)
        }));
    }
    out
}

fn window(frame: &OpenFrame, f: &FrameRegistration) -> Option<Window> {
    let (width, height) = frame.size();
    let wanted = match f.centre().zip(f.radius_px()) {
        Some((centre, radius)) => PixelRect::around(centre, (REACH * radius).max(LEAST_REACH_PX)),
        None => PixelRect::of_size(width, height),
    };
    shown(frame, wanted, SIDE, f.foreground)
}

/// A part of a frame, no side of it longer than so many pixels.
fn shown(frame: &OpenFrame, wanted: PixelRect, side: f64, as_taken: bool) -> Option<Window> {
    let block = (wanted.width().max(wanted.height()) as f64 / side).ceil().max(1.0) as usize;
    let cut = frame.light_in_blocks(wanted, block);
    let shown = cut.rect.enlarged(block);
    let gain = if as_taken { 1.0 } else { gain_of(&cut.light)? };
    let bytes: Vec<u8> = cut
        .light
        .data()
        .iter()
        .map(|v| (255.0 * TransferFunction::Srgb.encode((v * gain).clamp(0.0, 1.0))).round() as u8)
        .collect();
    let (w, h) = (cut.light.width() as u32, cut.light.height() as u32);
    let mut jpeg = Vec::new();
    JpegEncoder::new_with_quality(&mut jpeg, QUALITY).write_image(&bytes, w, h, ExtendedColorType::Rgb8).ok()?;
    Some(Window { jpeg, shows: rectangle(shown), wanted: rectangle(wanted), lifted_stops: f64::from(gain.log2()) })
}

fn rectangle(rect: PixelRect) -> (f64, f64, f64, f64) {
    let PixelPoint { x, y } = PixelPoint::new(rect.x0 as f64, rect.y0 as f64);
    (x, y, rect.width() as f64, rect.height() as f64)
}

/// Factor that makes the brightest hundredth of a window well seen; one where it is. `None` where there is no pixel.
fn gain_of(light: &LinearImage) -> Option<f32> {
    let mut brightness: Vec<f32> = light.data().chunks_exact(3).map(|p| p[0].max(p[1]).max(p[2])).collect();
    if brightness.is_empty() {
        return None;
    }
    let at = (brightness.len() - 1) * 99 / 100;
    let bright = *brightness.select_nth_unstable_by(at, f32::total_cmp).1;
    Some((BRIGHT / bright.max(1e-6)).clamp(1.0, MOST_STOPS.exp2()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn dark_windows_are_lifted_and_bright_ones_are_not() {
        let of = |v: f32| gain_of(&LinearImage::from_data(10, 10, vec![v; 300]).unwrap()).unwrap();
        assert!((of(0.0375) - 16.0).abs() < 0.01 && of(0.9) == 1.0 && of(0.0) == 16.0);
        assert!(gain_of(&LinearImage::new(0, 0)).is_none());
    }
}
