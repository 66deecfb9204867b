//! The shadow lifted towards the sunlit part, so that sliver and copper are both readable.
//!
//! The Earth's shadow is known: where its axis and its edge lie on the disc and how much light each distance
//! from the axis gets. The light is divided by a power of that, which is smooth by nature: unlike a local
//! contrast filter it knows no neighbours and can draw no halo. The model's own edge is softened by a
//! thirtieth of the umbra, so that a true umbra a little larger than computed (Danjon's rule and others
//! differ by a percent) leaves no ring.

use crate::layout::ShadowOnDisc;
use crate::raster::{LinearImage, PixelPoint};

/// Divides a disc by the shadow's light to the power of `lift`. What the frames cannot tell stays dark: `least_told`
/// is the least light that they can, over the disc's bright part.
pub(super) fn lift(image: &mut LinearImage, centre: PixelPoint, shadow: &ShadowOnDisc, lift: f32, least_told: f32) {
    let factors = factors(&shadow.light, lift, least_told.max(1e-6));
    let width = image.width();
    let axis = (centre.x + shadow.axis_px.0, centre.y + shadow.axis_px.1);
    let last = factors.len() - 1;
    for (i, pixel) in image.data_mut().chunks_exact_mut(3).enumerate() {
        let (x, y) = ((i % width) as f64 + 0.5 - axis.0, (i / width) as f64 + 0.5 - axis.1);
        let at = (x.hypot(y) / shadow.penumbra_px * last as f64).min(last as f64) as f32;
        let step = (at as usize).min(last - 1);
        let factor = factors[step] + (factors[step + 1] - factors[step]) * (at - step as f32);
        pixel.iter_mut().for_each(|v| *v *= factor);
    }
}

/// Factors at even steps from the axis to the penumbra's edge.
fn factors(light: &[f32], lift: f32, floor: f32) -> Vec<f32> {
    let floor = floor.min(1.0).log2();
    let stops = |l: &f32| {
        let stops = l.clamp(1e-9, 1.0).log2();
        // Below what the frames can tell there are only their steps and blocks: the lift ebbs away again.
        if stops >= floor { stops } else { (2.0 * floor - stops).min(0.0) }
    };
    let stops: Vec<f32> = light.iter().map(stops).collect();
    let reach = (stops.len() / 45).max(1) as i64;
    let last = stops.len() as i64 - 1;
    let soft = |i: i64| {
        let (mut sum, mut weight) = (0.0, 0.0);
        for d in -2 * reach..=2 * reach {
            let w = (-0.5 * (d as f32 / reach as f32).powi(2)).exp();
            sum += w * stops[(i + d).clamp(0, last) as usize];
            weight += w;
        }
        sum / weight
    };
    (0..=last).map(|i| (-lift * soft(i)).exp2()).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn shadow() -> ShadowOnDisc {
        // Dark within half of the penumbra, then rising to full light.
        let light = (0..256).map(|i| if i < 128 { 1e-4 } else { (i as f32 - 127.0) / 128.0 }).collect();
        ShadowOnDisc { axis_px: (-100.0, 0.0), penumbra_px: 200.0, light }
    }

    #[test]
    fn full_light_stays_and_the_umbra_rises_without_a_ring() {
        let mut image = LinearImage::from_data(220, 1, vec![1.0; 660]).unwrap();
        lift(&mut image, PixelPoint::new(100.0, 0.5), &shadow(), 0.5, 1e-6);
        let row: Vec<f32> = image.data().iter().step_by(3).copied().collect();
        assert!((row[210] - 1.0).abs() < 0.02, "outside the penumbra nothing changes");
        assert!((row[5] - 100.0).abs() < 1.0, "1e-4 to the power of a half comes off");
        assert!(row.windows(2).all(|p| p[1] <= p[0] + 1e-3), "it falls all the way: no ring");
    }

    #[test]
    fn noise_is_not_lifted() {
        let mut image = LinearImage::from_data(4, 1, vec![1.0; 12]).unwrap();
        lift(&mut image, PixelPoint::new(100.0, 0.5), &shadow(), 0.5, 0.04);
        assert!((image.pixel(0, 0)[0] - 1.0).abs() < 0.01);
    }
}
