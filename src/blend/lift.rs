//! The shadow lifted towards the sunlit part, so that sliver and copper are both readable.
//!
//! The Earth's shadow is known: where its axis and its edge lie on the disc and how much light each distance
//! from the axis gets. The light is divided by a power of that, which is smooth by nature: unlike a local
//! contrast filter it knows no neighbours and can draw no halo. How dark an eclipse is differs by stops from one to the next
//! (Danjon 1921), and how large its umbra by a percent or two: the disc itself tells both. The model is taken whose light
//! goes along with the disc's own, distance by distance from the axis, and its edge is softened by an eightieth of the umbra.

use crate::composition::ShadowOnDisc;
use crate::raster::{LinearImage, PixelPoint};

/// What the pixels of a disc tell.
pub(super) struct Told<'a> {
    /// Light of the disc's bright part.
    pub level: f32,
    /// The least light that the frames tell, over `level`.
    pub least: f32,
    /// What the sky's model leaves of it, over `level`: darker light may be the sky's own.
    pub sky_left: f32,
    /// Which pixels are saturated in every frame.
    pub saturated: &'a [bool],
}

/// What lifting did to a disc.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Lifted {
    /// The largest factor by which anything of it was raised.
    pub by: f32,
    /// Share of it that is shown by less than half, because it may be the sky's light.
    pub unshown_share: f32,
}

/// Divides a disc by the shadow's light to the power of `lift`. What the frames cannot tell stays dark, and what may be the sky's own
/// light is not shown.
pub(super) fn lift(
    image: &mut LinearImage,
    centre: PixelPoint,
    shadow: &ShadowOnDisc,
    lift: f32,
    told: &Told<'_>,
) -> Lifted {
    let mut lifted = Lifted { by: 1.0, unshown_share: 0.0 };
    if shadow.grades.is_empty() || shadow.grades.iter().any(|g| g.len() < 2) {
        return lifted;
    }
    let Eclipse { light, brightest } = light_of_this_eclipse(image, centre, shadow, told);
    let factors = factors(&light, lift, told.least.max(1e-6) * brightest);
    let shown = shown(image, centre, shadow, told);
    let width = image.width();
    let axis = (centre.x + shadow.axis_px.0, centre.y + shadow.axis_px.1);
    let (mut all, mut unshown) = (0usize, 0usize);
    for (i, pixel) in image.data_mut().chunks_exact_mut(3).enumerate() {
        let (x, y) = ((i % width) as f64 + 0.5 - axis.0, (i / width) as f64 + 0.5 - axis.1);
        let away = x.hypot(y) / shadow.penumbra_px;
        let (factor, shown) = (at_distance(&factors, away), at_distance(&shown, away));
        let (right, down) = (x + shadow.axis_px.0, y + shadow.axis_px.1);
        if right * right + down * down < shadow.radius_px * shadow.radius_px {
            lifted.by = lifted.by.max(factor * shown);
            all += 1;
            unshown += usize::from(shown < 0.5);
        }
        pixel.iter_mut().for_each(|v| *v *= factor * shown);
    }
    lifted.unshown_share = unshown as f32 / all.max(1) as f32;
    lifted
}

/// A value between those at even steps from the axis, at a distance over the penumbra's radius.
fn at_distance(steps: &[f32], away: f64) -> f32 {
    let last = steps.len() - 1;
    let at = (away * last as f64).min(last as f64) as f32;
    let step = (at as usize).min(last - 1);
    steps[step] + (steps[step + 1] - steps[step]) * (at - step as f32)
}

/// How much of the light is shown at each step from the axis: none where all that a disc sends at a distance is less than what the sky's
/// model leaves elsewhere, for then it may be the sky's, and lifted it would be a cloud that nobody photographed on a Moon. Red tells it:
/// copper is brightest there, and a twilit sky darkest.
fn shown(image: &LinearImage, centre: PixelPoint, shadow: &ShadowOnDisc, told: &Told<'_>) -> Vec<f32> {
    /// In what the sky's model leaves: nothing is shown below, all above.
    const NOTHING: f32 = 1.2;
    const ALL: f32 = 3.0;
    /// Over so many steps on either side it fades, without a ring.
    const SOFT: usize = 3;
    let mut shown = vec![f32::NAN; BINS];
    for (bin, red) in median_by_distance(image, centre, shadow, told, |pixel| pixel[0]) {
        let t = ((red / told.sky_left.max(1e-9) - NOTHING) / (ALL - NOTHING)).clamp(0.0, 1.0);
        shown[bin] = t * t * (3.0 - 2.0 * t);
    }
    // What too few pixels tell is shown as what lies beside it.
    let known: Vec<usize> = (0..BINS).filter(|i| !shown[*i].is_nan()).collect();
    let nearest = |i: usize| known.iter().min_by_key(|k| k.abs_diff(i)).map_or(1.0, |k| shown[*k]);
    let filled: Vec<f32> = (0..BINS).map(nearest).collect();
    let mean = |i: usize| {
        let around = &filled[i.saturating_sub(SOFT)..(i + SOFT + 1).min(BINS)];
        around.iter().sum::<f32>() / around.len() as f32
    };
    (0..BINS).map(mean).collect()
}

/// How many steps from the axis to the penumbra's edge the disc's light is read at: some fifty lie on a disc.
const BINS: usize = 128;
/// Light, over the uneclipsed Moon's, that only what the Sun itself still lights exceeds: the brightest copper is a hundred
/// times darker.
const DIM: f32 = 0.03;
/// How many steps of either part tell its light.
const FEWEST_STEPS: usize = 4;
/// How far out the disc is read, radii: the limb's own blur lies outside.
const RIM: f64 = 0.93;
/// How finely grades are tried, and how the shadow's sizes: as the published enlargements differ, and as much again.
const GRADE_STEP: f32 = 0.25;
const SIZES: std::ops::RangeInclusive<i32> = -8..=8;
const SIZE_STEP: f32 = 0.004;
/// Fewest pixels whose median tells a step's light, whatever seas lie there.
const FEWEST: usize = 24;

/// The shadow's light as a disc shows it.
struct Eclipse {
    /// At even steps from the axis to the penumbra's edge, over the uneclipsed Moon's.
    light: Vec<f32>,
    /// That of the disc's bright part: in totality a thousandth.
    brightest: f32,
}

/// The light of the grade, between two where it lies there, that the disc shows.
fn light_of_this_eclipse(image: &LinearImage, centre: PixelPoint, shadow: &ShadowOnDisc, told: &Told<'_>) -> Eclipse {
    let read = stops_by_distance(image, centre, shadow, told);
    let count = shadow.grades.len();
    // Sunlit and copper parts of one disc tell by how much the one is darker; copper alone does not.
    let usual = &shadow.grades[count / 2];
    let shown =
        |lit: bool| read.iter().filter(|(bin, _)| lit == (usual[bin * (usual.len() - 1) / (BINS - 1)] > DIM)).count();
    let between = |grade: f32| -> Vec<f32> {
        let below = (grade as usize).min(count.saturating_sub(2));
        let share = grade - below as f32;
        let (a, b) = (&shadow.grades[below], &shadow.grades[(below + 1).min(count - 1)]);
        a.iter().zip(b).map(|(a, b)| a.max(1e-9).powf(1.0 - share) * b.max(1e-9).powf(share)).collect()
    };
    // How far the disc lies above a light, distance by distance, and the middle of that: exposure and albedo.
    let offset = |light: &[f32]| {
        let at = |bin: usize| light[bin * (light.len() - 1) / (BINS - 1)].clamp(1e-9, 1.0).log2();
        let mut off: Vec<f32> = read.iter().map(|(bin, stops)| stops - at(*bin)).collect();
        off.sort_by(f32::total_cmp);
        let middle = off.get(off.len() / 2).copied().unwrap_or(0.0);
        (middle, off)
    };
    let misfit = |light: &[f32]| {
        let (middle, off) = offset(light);
        off.iter().map(|o| (o - middle).abs()).sum::<f32>()
    };
    let as_read = |light: Vec<f32>| Eclipse { brightest: (-offset(&light).0).exp2().min(1.0), light };
    if shown(true) < FEWEST_STEPS || shown(false) < FEWEST_STEPS {
        return as_read(usual.clone());
    }
    let grades = ((count - 1) as f32 / GRADE_STEP) as usize;
    let trials = (0..=grades)
        .map(|k| between(GRADE_STEP * k as f32))
        .flat_map(|light| SIZES.map(move |k| enlarged(&light, 1.0 + SIZE_STEP * k as f32)));
    let best = trials.map(|light| (misfit(&light), light)).min_by(|a, b| a.0.total_cmp(&b.0));
    as_read(best.map_or_else(|| usual.clone(), |(_, light)| light))
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
    shadow: &ShadowOnDisc,
    told: &Told<'_>,
) -> Vec<(usize, f32)> {
    // Of what lies near the least that is told, half is not.
    let is_told = |light: &f32| *light > 2.0 * told.least;
    let mean = |pixel: &[f32; 3]| pixel.iter().sum::<f32>() / 3.0;
    let read = median_by_distance(image, centre, shadow, told, mean).into_iter();
    read.filter(|(_, light)| is_told(light)).map(|(bin, light)| (bin, light.log2())).collect()
}

/// Median of what the disc's pixels send at each distance from the axis, over `told.level`, where there are enough.
fn median_by_distance(
    image: &LinearImage,
    centre: PixelPoint,
    shadow: &ShadowOnDisc,
    told: &Told<'_>,
    light: impl Fn(&[f32; 3]) -> f32,
) -> Vec<(usize, f32)> {
    let mut bins: Vec<Vec<f32>> = vec![Vec::new(); BINS];
    for (i, pixel) in image.data().as_chunks::<3>().0.iter().enumerate() {
        let (x, y) = ((i % image.width()) as f64 + 0.5 - centre.x, (i / image.width()) as f64 + 0.5 - centre.y);
        if x.hypot(y) < RIM * shadow.radius_px && !told.saturated.get(i).copied().unwrap_or(false) {
            let away = (x - shadow.axis_px.0).hypot(y - shadow.axis_px.1) / shadow.penumbra_px;
            let bin = (away * (BINS - 1) as f64) as usize;
            if bin < BINS {
                bins[bin].push(light(pixel) / told.level);
            }
        }
    }
    let median = |(bin, mut values): (usize, Vec<f32>)| {
        let middle = values.len() / 2;
        (values.len() >= FEWEST).then(|| (bin, *values.select_nth_unstable_by(middle, f32::total_cmp).1))
    };
    bins.into_iter().enumerate().filter_map(median).collect()
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

    fn told(least: f32) -> Told<'static> {
        Told { level: 1.0, least, sky_left: 0.0, saturated: &[] }
    }

    fn shadow() -> ShadowOnDisc {
        // Dark within half of the penumbra, then rising to full light.
        let light = (0..256).map(|i| if i < 128 { 1e-4 } else { (i as f32 - 127.0) / 128.0 }).collect();
        ShadowOnDisc { axis_px: (-100.0, 0.0), penumbra_px: 200.0, radius_px: 100.0, grades: vec![light] }
    }

    #[test]
    fn full_light_stays_and_the_umbra_rises_without_a_ring() {
        let mut image = LinearImage::from_data(220, 1, vec![1.0; 660]).unwrap();
        lift(&mut image, PixelPoint::new(100.0, 0.5), &shadow(), 0.5, &told(1e-6));
        let row: Vec<f32> = image.data().iter().step_by(3).copied().collect();
        assert!((row[210] - 1.0).abs() < 0.02, "outside the penumbra nothing changes");
        assert!((row[5] - 100.0).abs() < 1.0, "1e-4 to the power of a half comes off");
        assert!(row.windows(2).all(|p| p[1] <= p[0] + 1e-3), "it falls all the way: no ring");
    }

    #[test]
    fn the_disc_tells_how_dark_its_eclipse_is() {
        let grade = |dark: f32| (0..256).map(|i| if i < 128 { dark } else { (i as f32 - 127.0) / 128.0 }).collect();
        let shadow = ShadowOnDisc {
            axis_px: (-100.0, 0.0),
            penumbra_px: 200.0,
            radius_px: 100.0,
            grades: [1e-5, 1e-4, 1e-3].map(grade).to_vec(),
        };
        // Half way between the last two.
        let light = |x: usize| if x < 100 { 3.16e-4 } else { ((x - 99) as f32 / 100.0).min(1.0) };
        let data = (0..200 * 30).flat_map(|i| [light(i % 200); 3]).collect();
        let image = LinearImage::from_data(200, 30, data).unwrap();
        let centre = PixelPoint::new(100.0, 15.0);
        let found = light_of_this_eclipse(&image, centre, &shadow, &told(1e-6)).light;
        assert!((found[20].log10() + 3.5).abs() < 0.05, "{}", found[20]);
        // Copper alone tells no grade: the middle one, and that the bright part is copper.
        let copper = LinearImage::from_data(200, 30, vec![1.0; 200 * 30 * 3]).unwrap();
        let inside = ShadowOnDisc { axis_px: (0.0, 0.0), penumbra_px: 400.0, ..shadow };
        let found = light_of_this_eclipse(&copper, centre, &inside, &told(1e-6));
        assert_eq!(found.light, inside.grades[1]);
        assert!((found.brightest.log10() + 4.0).abs() < 0.01, "{}", found.brightest);
    }

    #[test]
    fn what_may_be_the_skys_own_is_not_shown_and_copper_is() {
        // The dark half sends a fiftieth of the bright one.
        let dark_and_bright = |sky_left: f32| {
            let data = (0..200 * 30).flat_map(|i| [if i % 200 < 90 { 0.02 } else { 1.0f32 }; 3]).collect();
            let mut image = LinearImage::from_data(200, 30, data).unwrap();
            let told = Told { sky_left, ..told(0.002) };
            let lifted = lift(&mut image, PixelPoint::new(100.0, 15.0), &shadow(), 0.3, &told);
            (image.pixel(40, 15)[0], image.pixel(180, 15)[0], lifted.unshown_share)
        };
        let (copper, sunlit, unshown) = dark_and_bright(0.002);
        assert!(copper > 0.019 && sunlit > 0.5 && unshown == 0.0, "{copper} {sunlit} {unshown}");
        let (haze, sunlit, unshown) = dark_and_bright(0.03);
        assert!(haze < 1e-6 && sunlit > 0.5 && (0.3..0.6).contains(&unshown), "{haze} {sunlit} {unshown}");
    }

    #[test]
    fn noise_is_not_lifted() {
        let mut image = LinearImage::from_data(4, 1, vec![1.0; 12]).unwrap();
        lift(&mut image, PixelPoint::new(100.0, 0.5), &shadow(), 0.5, &told(0.04));
        assert!((image.pixel(0, 0)[0] - 1.0).abs() < 0.01);
    }
}
