//! Frames turned upright by their orientation flag (Exif 2.32, Orientation): whole pictures by the `image` crate,
//! windows of a sensor here, so that only the window is turned.

use crate::raster::{LinearImage, PixelRect};
use image::DynamicImage;
use image::metadata::Orientation;

/// Whether width and height change places.
pub(super) fn is_sideways(o: Orientation) -> bool {
    use Orientation::{Rotate90, Rotate90FlipH, Rotate270, Rotate270FlipH};
    matches!(o, Rotate90 | Rotate270 | Rotate90FlipH | Rotate270FlipH)
}

/// Where a rectangle of the upright frame lies on the sensor.
pub(super) fn on_sensor(r: PixelRect, o: Orientation, (w, h): (usize, usize)) -> PixelRect {
    let (w, h) = (w as i64, h as i64);
    let flip_x = |r: PixelRect| PixelRect { x0: w - r.x1, x1: w - r.x0, ..r };
    let flip_y = |r: PixelRect| PixelRect { y0: h - r.y1, y1: h - r.y0, ..r };
    let swap = |r: PixelRect| PixelRect { x0: r.y0, y0: r.x0, x1: r.y1, y1: r.x1 };
    match o {
        Orientation::NoTransforms => r,
        Orientation::FlipHorizontal => flip_x(r),
        Orientation::FlipVertical => flip_y(r),
        Orientation::Rotate180 => flip_x(flip_y(r)),
        // Turned clockwise: the sensor's left column became the top row, read from below.
        Orientation::Rotate90 => flip_y(swap(r)),
        Orientation::Rotate270 => flip_x(swap(r)),
        Orientation::Rotate90FlipH => swap(r),
        Orientation::Rotate270FlipH => flip_x(flip_y(swap(r))),
    }
}

/// A window of the sensor turned upright.
pub(super) fn turned(light: LinearImage, saturated: Vec<bool>, o: Orientation) -> (LinearImage, Vec<bool>) {
    if o == Orientation::NoTransforms {
        return (light, saturated);
    }
    let (w, h) = (light.width(), light.height());
    let (ow, oh) = if is_sideways(o) { (h, w) } else { (w, h) };
    let mut out = LinearImage::new(ow, oh);
    let mut marks = vec![false; ow * oh];
    for y in 0..oh {
        for x in 0..ow {
            let at = PixelRect { x0: x as i64, y0: y as i64, x1: x as i64 + 1, y1: y as i64 + 1 };
            let from = on_sensor(at, o, (w, h));
            let (sx, sy) = (from.x0 as usize, from.y0 as usize);
            out.set_pixel(x, y, light.pixel(sx, sy));
            marks[y * ow + x] = saturated[sy * w + sx];
        }
    }
    (out, marks)
}

/// The orientation of an EXIF flag's number.
#[cfg(feature = "raw")]
pub(super) fn orientation_of(flag: u8) -> Orientation {
    Orientation::from_exif(flag).unwrap_or(Orientation::NoTransforms)
}

/// Turns a decoded picture upright.
pub(super) fn upright(mut picture: DynamicImage, orientation: Orientation) -> DynamicImage {
    picture.apply_orientation(orientation);
    picture
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn windows_are_turned_as_whole_pictures_are() {
        let light = LinearImage::from_data(3, 2, (0..18).map(|v| v as f32).collect()).unwrap();
        let codes = image::GrayImage::from_raw(3, 2, (0..6).collect()).unwrap();
        for flag in 1..=8 {
            let o = orientation_of(flag);
            let whole = upright(DynamicImage::ImageLuma8(codes.clone()), o).into_luma8();
            let (w, h) = if is_sideways(o) { (2, 3) } else { (3, 2) };
            let (turned, _) = turned(light.clone(), vec![false; 6], o);
            assert_eq!((turned.width(), turned.height()), (w, h));
            for y in 0..h {
                for x in 0..w {
                    let code = whole.get_pixel(x as u32, y as u32).0[0];
                    assert_eq!(turned.pixel(x, y)[0], f32::from(code) * 3.0, "flag {flag} at {x},{y}");
                }
            }
        }
    }
}
