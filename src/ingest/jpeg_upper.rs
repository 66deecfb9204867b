//! The upper part of a JPEG that breaks off: what was copied before the card was drawn.
//!
//! No decoder is trusted with the torn end: the file is told to be as high as what is there of it, and the rest of the
//! picture is left black, known to show nothing.

use super::jpeg_scan::{UpperRows, written};
use crate::raster::PixelRect;
use image::metadata::Orientation;
use image::{DynamicImage, ImageBuffer, Pixel};

/// The same file with the rows that are told alone, and an end.
pub(super) fn upper_part(bytes: &[u8], upper: UpperRows) -> Vec<u8> {
    let mut out = written(bytes).to_vec();
    // What was cut may have been half a marker.
    if out.last() == Some(&0xff) {
        out.pop();
    }
    let rows = u16::try_from(upper.rows).unwrap_or(u16::MAX).to_be_bytes();
    if let Some(height) = out.get_mut(upper.height_at..upper.height_at + 2) {
        height.copy_from_slice(&rows);
    }
    out.extend([0xff, 0xd9]);
    out
}

/// A picture made as high as its frame is.
pub(super) fn padded(picture: DynamicImage, height: u32) -> DynamicImage {
    fn taller<P: Pixel<Subpixel = u8>>(picture: ImageBuffer<P, Vec<u8>>, height: u32) -> ImageBuffer<P, Vec<u8>> {
        let width = picture.width();
        let mut codes = picture.into_raw();
        codes.resize(width as usize * height as usize * usize::from(P::CHANNEL_COUNT), 0);
        ImageBuffer::from_raw(width, height, codes).unwrap_or_else(|| ImageBuffer::new(width, height))
    }
    match picture {
        DynamicImage::ImageLuma8(grey) => DynamicImage::ImageLuma8(taller(grey, height)),
        other => DynamicImage::ImageRgb8(taller(other.into_rgb8(), height)),
    }
}

/// Where the upper rows of a file's picture lie once it is turned upright; `size`: of the file's picture, whole.
pub(super) fn upright_rows(rows: usize, (width, height): (usize, usize), orientation: Orientation) -> PixelRect {
    let (w, h, n) = (width as i64, height as i64, rows as i64);
    let upright = if super::upright::is_sideways(orientation) { (h, w) } else { (w, h) };
    let whole = PixelRect { x0: 0, y0: 0, x1: upright.0, y1: upright.1 };
    use Orientation::*;
    match orientation {
        NoTransforms | FlipHorizontal => PixelRect { y1: n, ..whole },
        Rotate180 | FlipVertical => PixelRect { y0: h - n, ..whole },
        // The file's top becomes the right side, or the left one.
        Rotate90 | Rotate270FlipH => PixelRect { x0: h - n, ..whole },
        Rotate270 | Rotate90FlipH => PixelRect { x1: n, ..whole },
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::ingest::upright::upright;

    #[test]
    fn what_was_told_is_where_it_stands_upright() {
        let (width, height, rows) = (5u32, 7u32, 3u32);
        let upper = image::GrayImage::from_pixel(width, rows, image::Luma([9]));
        for flag in 1..=8 {
            let orientation = Orientation::from_exif(flag).unwrap();
            let shown = upright(padded(DynamicImage::ImageLuma8(upper.clone()), height), orientation).into_luma8();
            let rect = upright_rows(rows as usize, (width as usize, height as usize), orientation);
            for (x, y, p) in shown.enumerate_pixels() {
                let (x, y) = (i64::from(x), i64::from(y));
                let inside = (rect.x0..rect.x1).contains(&x) && (rect.y0..rect.y1).contains(&y);
                assert_eq!(p.0[0] == 9, inside, "flag {flag} at {x},{y}");
            }
        }
    }
}
