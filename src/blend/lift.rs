//! The shadow lifted towards the sunlit part, so that sliver and copper are both readable.
//!
//! The Earth's shadow is known: where its axis and its edge lie on the disc and how much light each distance
//! from the axis gets. The light is divided by a power of that, which is smooth by nature: unlike a local
//! contrast filter it knows no neighbours and can draw no halo. How dark an eclipse is differs by stops from one to the next
//! (Danjon 1921), and how large its umbra by a percent or two: the disc itself tells both. The model is taken whose light
//! goes along with the disc's own, distance by distance from the axis, and its edge is softened by an eightieth of the umbra.

use crate::layout::ShadowOnDisc;
use crate::raster::{LinearImage, PixelPoint};

/// Divides a disc by the shadow's light to the power of `lift`. What the frames cannot tell stays dark: `least_told`
/// is the least light that they can, over `level`, the disc's bright part.
pub(super) fn lift(
    image: &mut LinearImage,
    (centre, radius): (PixelPoint, f64),
    shadow: &ShadowOnDisc,
    lift: f32,
    (level, least_told): (f32, f32),
) {
    let light = light_of_this_eclipse(image, centre, (shadow, radius), level, least_told);
    let factors = factors(&light, lift, least_told.max(1e-6));
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

/// How many steps from the axis to the penumbra's edge the disc's light is read at: some thirty lie on a disc.
const BINS: usize = 128;
/// Fewest pixels whose median tells a step's light, whatever seas lie there.
const FEWEST: usize = 24;

/// The light of the grade, between two where it lies there, that the disc shows.
fn light_of_this_eclipse(
    image: &LinearImage,
    centre: PixelPoint,
    (shadow, radius): (&ShadowOnDisc, f64),
    level: f32,
    least_told: f32,
) -> Vec<f32> {
    let read = stops_by_distance(image, centre, (shadow, radius), level, least_told);
    let count = shadow.grades.len();
    let between = |grade: f32| -> Vec<f32> {
        let below = (grade as usize).min(count.saturating_sub(2));
        let share = grade - below as f32;
        let (a, b) = (&shadow.grades[below], &shadow.grades[(below + 1).min(count - 1)]);
        a.iter().zip(b).map(|(a, b)| a.max(1e-9).powf(1.0 - share) * b.max(1e-9).powf(share)).collect()
    };
    // Mean distance from the common offset, which stands for exposure and albedo.
    let misfit = |light: &[f32]| {
        let at = |bin: usize| light[bin * (light.len() - 1) / (BINS - 1)].clamp(1e-9, 1.0).log2();
        let mut off: Vec<f32> = read.iter().map(|(bin, stops)| stops - at(*bin)).collect();
        off.sort_by(f32::total_cmp);
        let middle = off.get(off.len() / 2).copied().unwrap_or(0.0);
        off.iter().map(|o| (o - middle).abs()).sum::<f32>()
    };
    let quarters = 4 * count.saturating_sub(1);
    // As the published enlargements of the shadow differ, and as much again.
    let sizes = (-8..=8).map(|k| 1.0 + 0.004 * k as f32);
    let trials = (0..=quarters)
        .map(|q| between(q as f32 / 4.0))
        .flat_map(|light| sizes.clone().map(move |size| enlarged(&light, size)));
    let best = trials.map(|light| (misfit(&light), light)).min_by(|a, b| a.0.total_cmp(&b.0));
    best.map(|(_, light)| light).unwrap_or_default()
}

/// The light of a shadow so many times as large, at the same distances.
fn enlarged(light: &[f32], size: f32) -> Vec<f32> {
    let last = light.len() - 1;
    let at = |i: usize| {
        let from = (i as f32 / size).min(last as f32);
        let step = (from as usize).min(last.saturating_sub(1));
        light[step] + (light[(step + 1).min(last)] - light[step]) * (from - step as f32)
    };
    (0..=last).map(at).collect()
}

/// Median light of the disc's pixels at each distance from the axis, in stops, where frames and pixels tell it.
fn stops_by_distance(
    image: &LinearImage,
    centre: PixelPoint,
    (shadow, radius): (&ShadowOnDisc, f64),
    level: f32,
    least_told: f32,
) -> Vec<(usize, f32)> {
    let mut bins: Vec<Vec<f32>> = vec![Vec::new(); BINS];
    for (i, pixel) in image.data().as_chunks::<3>().0.iter().enumerate() {
        let (x, y) = ((i % image.width()) as f64 + 0.5 - centre.x, (i / image.width()) as f64 + 0.5 - centre.y);
        if x.hypot(y) < 0.93 * radius {
            let away = (x - shadow.axis_px.0).hypot(y - shadow.axis_px.1) / shadow.penumbra_px;
            let bin = (away * (BINS - 1) as f64) as usize;
            if bin < BINS {
                bins[bin].push(pixel.iter().sum::<f32>() / 3.0 / level);
            }
        }
    }
    let told = |(bin, mut values): (usize, Vec<f32>)| {
        let middle = values.len() / 2;
        (values.len() >= FEWEST).then_some(())?;
        let median = *values.select_nth_unstable_by(middle, f32::total_cmp).1;
        (median > 2.0 * least_told).then(|| (bin, median.log2()))
    };
    bins.into_iter().enumerate().filter_map(told).collect()
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
    let reach = (stops.len() / 128).max(1) as i64;
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
        ShadowOnDisc { axis_px: (-100.0, 0.0), penumbra_px: 200.0, grades: vec![light] }
    }

    #[test]
    fn full_light_stays_and_the_umbra_rises_without_a_ring() {
        let mut image = LinearImage::from_data(220, 1, vec![1.0; 660]).unwrap();
        lift(&mut image, (PixelPoint::new(100.0, 0.5), 100.0), &shadow(), 0.5, (1.0, 1e-6));
        let row: Vec<f32> = image.data().iter().step_by(3).copied().collect();
        assert!((row[210] - 1.0).abs() < 0.02, "outside the penumbra nothing changes");
        assert!((row[5] - 100.0).abs() < 1.0, "1e-4 to the power of a half comes off");
        assert!(row.windows(2).all(|p| p[1] <= p[0] + 1e-3), "it falls all the way: no ring");
    }

    #[test]
    fn the_disc_tells_how_dark_its_eclipse_is() {
        let grade = |dark: f32| (0..256).map(|i| if i < 128 { dark } else { (i as f32 - 127.0) / 128.0 }).collect();
        let shadow =
            ShadowOnDisc { axis_px: (-100.0, 0.0), penumbra_px: 200.0, grades: [1e-5, 1e-4, 1e-3].map(grade).to_vec() };
        // Half way between the last two.
        let light = |x: usize| if x < 100 { 3.16e-4 } else { ((x - 99) as f32 / 100.0).min(1.0) };
        let data = (0..200 * 30).flat_map(|i| [light(i % 200); 3]).collect();
        let image = LinearImage::from_data(200, 30, data).unwrap();
        let found = light_of_this_eclipse(&image, PixelPoint::new(100.0, 15.0), (&shadow, 100.0), 1.0, 1e-6);
        assert!((found[20].log10() + 3.5).abs() < 0.05, "{}", found[20]);
    }

    #[test]
    fn noise_is_not_lifted() {
        let mut image = LinearImage::from_data(4, 1, vec![1.0; 12]).unwrap();
        lift(&mut image, (PixelPoint::new(100.0, 0.5), 100.0), &shadow(), 0.5, (1.0, 0.04));
        assert!((image.pixel(0, 0)[0] - 1.0).abs() < 0.01);
    }
}
