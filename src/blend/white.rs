//! Where a frame is white: burnt in all its channels, at the top of its scale or on a plateau below it (`raster::plateau`).
//!
//! White stays white when the sky before it is taken away: nobody knows by how much brighter it was in each channel, and an orange sky
//! would leave it blue.

use crate::raster::{LinearImage, PixelPoint, plateau};

/// Light from which on all channels are at the top of the scale: codes from 251 of 255, by sRGB.
const TOP: f32 = 0.965;
/// Which pixels of a disc's window are white.
pub(super) fn white(image: &LinearImage, (centre, radius): (PixelPoint, f64)) -> Vec<bool> {
    let least = |p: &[f32; 3]| p[0].min(p[1]).min(p[2]);
    let pixels = image.data().as_chunks::<3>().0;
    let within = |i: usize| {
        let (x, y) = ((i % image.width()) as f64 + 0.5 - centre.x, (i / image.width()) as f64 + 0.5 - centre.y);
        x.hypot(y) < 0.97 * radius
    };
    // Some twenty thousand of a large disc's pixels tell enough.
    let stride = (pixels.len() / 20_000).max(1) | 1;
    let some = (0..pixels.len()).step_by(stride).filter(|i| within(*i));
    let on_disc: Vec<f32> = some.map(|i| least(&pixels[i])).collect();
    let from = plateau(on_disc).unwrap_or(TOP);
    pixels.iter().map(|p| least(p) >= from).collect()
}

/// Makes what was white before the sky was taken away as bright in every channel as in its brightest.
pub(super) fn keep(image: &mut LinearImage, white: &[bool]) {
    for (pixel, _) in image.data_mut().as_chunks_mut::<3>().0.iter_mut().zip(white).filter(|(_, white)| **white) {
        *pixel = [pixel[0].max(pixel[1]).max(pixel[2]); 3];
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const CENTRE: PixelPoint = PixelPoint { x: 30.0, y: 30.0 };

    fn disc(light: impl Fn(usize) -> f32) -> LinearImage {
        LinearImage::from_data(60, 60, (0..3600).flat_map(|i| [light(i); 3]).collect()).unwrap()
    }

    #[test]
    fn a_plateau_below_the_top_is_white_and_a_lit_moon_is_none() {
        // A burnt half at code 236 beside a dark one, and seas and highlands that are not burnt.
        let burnt = disc(|i| if i % 60 < 30 { 0.84 + 0.01 * (i % 3) as f32 } else { 0.1 });
        let found = white(&burnt, (CENTRE, 25.0));
        assert!(found[30 * 60 + 12] && !found[30 * 60 + 40]);
        let lit = disc(|i| 0.45 + 0.4 * (i * 7919 % 101) as f32 / 101.0);
        assert!(white(&lit, (CENTRE, 25.0)).iter().all(|white| !white));
        // At the top of the scale a single pixel is.
        let spot = disc(|i| if i == 30 * 60 + 30 { 1.0 } else { 0.3 });
        assert_eq!(white(&spot, (CENTRE, 25.0)).iter().filter(|white| **white).count(), 1);
    }

    #[test]
    fn an_orange_sky_leaves_white_white() {
        let mut image = disc(|_| 1.0);
        image.data_mut().as_chunks_mut::<3>().0.iter_mut().for_each(|p| *p = [p[0] - 0.8, p[1] - 0.5, p[2] - 0.2]);
        keep(&mut image, &vec![true; 3600]);
        assert_eq!(image.pixel(30, 30), [0.8; 3]);
    }
}
