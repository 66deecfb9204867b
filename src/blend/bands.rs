//! Bands of a smooth light that eight bits tell, dissolved.
//!
//! A camera that smooths its noise away leaves a penumbra of eight bits as a staircase: at the twentieth of 255 numbers a
//! step is a tenth of the light. A sample says "within a step of this" ([`OPEN`]); where its surroundings agree on a surface
//! that near, the surface is taken. Where they differ by more (a crater, a mare's edge, the limb) nothing moves, and where
//! noise is larger than a step there is no band, and nothing is done. What is neglected: smooth detail of less than a step,
//! which goes with the bands; that steps are counted in the working space, each of whose channels mixes the file's three; that
//! files not coded by sRGB have other steps than are supposed; and discs that are averaged in blocks.

use super::steps::OPEN;
use crate::raster::{LinearImage, PixelPoint, PixelRect, Plane, SMALLEST_STEP, Tabulated, TransferFunction};

/// Less than this number is none.
const LEAST: f32 = 0.5;
/// The number of 255 from which on a step is less than a sixtieth of the light and no eye sees it.
const SEEN_BELOW: f32 = 132.0;
/// Share of neighbouring pixels that differ by less than half a step where there are bands: noise of half a step leaves a
/// half of them, of one step a quarter.
const BANDED: f32 = 0.6;
/// Widths of the Gaussians that smooth, pixels, from the finest band to the widest.
const WIDTHS_PX: [f64; 3] = [2.0, 5.0, 12.0];
/// A wider mean than another is heeded fully where they agree within so many steps, and not at all where they are twice as
/// far apart: there the light bends.
const AGREE: f32 = 0.2;
/// So near the limb sky and disc run together, pixels.
const BESIDE_LIMB_PX: f64 = 3.0 * WIDTHS_PX[0];
/// Fewest pairs of neighbours that tell whether there are bands.
const FEWEST: u32 = 100;

/// Dissolves the bands on a disc. `step`: the light of the file's smallest step above black, zero where it has none that
/// matters; `block_px`: pixels of the frame a side that make one of the image.
pub(super) fn dissolve(image: &mut LinearImage, (centre, radius): (PixelPoint, f64), step: f32, block_px: usize) {
    let within = radius - BESIDE_LIMB_PX;
    if step <= 0.0 || within < 1.0 || block_px > 1 {
        return;
    }
    let (mut disc, at) = image.crop(PixelRect::around(centre, within));
    let (width, height) = (disc.width(), disc.height());
    if width < 3 || height < 3 {
        return;
    }
    let centre = PixelPoint::new(centre.x - at.x0 as f64, centre.y - at.y0 as f64);
    let on_disc: Vec<bool> = (0..width * height)
        .map(|i| {
            let (x, y) = ((i % width) as f64 + 0.5 - centre.x, (i / width) as f64 + 0.5 - centre.y);
            x * x + y * y < within * within
        })
        .collect();
    // All steps are alike on numbers.
    let scale = SMALLEST_STEP / step;
    let encode = Tabulated::new(move |light| 255.0 * TransferFunction::Srgb.encode(light * scale));
    for c in 0..3 {
        let numbers = disc.data().iter().skip(c).step_by(3).map(|light| encode.at(*light)).collect();
        let Some(told) = Plane::from_data(width, height, numbers) else { continue };
        if !is_banded(told.data(), width, &on_disc) {
            continue;
        }
        let smooth = smoothed(&told);
        let light = disc.data_mut().iter_mut().skip(c).step_by(3);
        for (((light, told), smooth), on_disc) in light.zip(told.data()).zip(smooth.data()).zip(&on_disc) {
            if *on_disc && (LEAST..SEEN_BELOW).contains(told) {
                *light = TransferFunction::Srgb.decode(smooth / 255.0) / scale;
            }
        }
    }
    let (whole, row) = (image.width(), 3 * width);
    for (y, from) in disc.data().chunks_exact(row).enumerate() {
        let start = 3 * ((at.y0 as usize + y) * whole + at.x0 as usize);
        image.data_mut()[start..start + row].copy_from_slice(from);
    }
}

/// What is near a surface goes over to it: wholly within half of a distance, not at all beyond it.
fn towards(told: f32, surface: f32, distance: f32) -> f32 {
    let by = surface - told;
    told + by * (2.0 - 2.0 * by.abs() / distance).clamp(0.0, 1.0)
}

/// The mean around each pixel over as wide a Gaussian as the surface is even for.
fn smoothed(told: &Plane) -> Plane {
    let (width, height) = (told.width(), told.height());
    let mut out = told.blurred(WIDTHS_PX[0]);
    out.data_mut().iter_mut().zip(told.data()).for_each(|(v, told)| *v = towards(*told, *v, 2.0 * OPEN));
    for sigma in &WIDTHS_PX[1..] {
        // A smooth surface is known from every few pixels.
        let factor = ((sigma / 3.0) as usize).clamp(1, width.min(height));
        let wider = told.reduced(factor).blurred(sigma / factor as f64);
        let place = |v: usize| (v as f64 + 0.5) / factor as f64;
        for (i, v) in out.data_mut().iter_mut().enumerate() {
            *v = towards(*v, wider.sample(place(i % width), place(i / width)), 2.0 * AGREE);
        }
    }
    out
}

/// Whether neighbours, to the right and below, have the same number more often than noise would leave them.
fn is_banded(told: &[f32], width: usize, on_disc: &[bool]) -> bool {
    let (mut alike, mut all) = (0u32, 0u32);
    for i in (0..told.len() - width).step_by(3).filter(|i| (i + 1) % width != 0) {
        if on_disc[i] && (LEAST..SEEN_BELOW).contains(&told[i]) {
            for next in [i + 1, i + width].into_iter().filter(|next| on_disc[*next]) {
                all += 1;
                alike += u32::from((told[next] - told[i]).abs() < 0.5);
            }
        }
    }
    all >= FEWEST && alike as f32 > BANDED * all as f32
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::random::normal;

    const SIDE: usize = 200;
    const DISC: (PixelPoint, f64) = (PixelPoint { x: 100.0, y: 100.0 }, 95.0);

    /// A penumbra that falls to a tenth over the disc, with noise of so many steps of eight bits, and what eight bits tell of it.
    fn penumbra(noise: f64) -> (LinearImage, LinearImage) {
        let code = |i: usize| {
            let light = 0.2 * (-2.3 * (i % SIDE) as f32 / SIDE as f32).exp();
            255.0 * TransferFunction::Srgb.encode(light) + (noise * normal(3, i as u64)) as f32
        };
        let image = |of: &dyn Fn(usize) -> f32| {
            let light = |i: usize| [TransferFunction::Srgb.decode(of(i) / 255.0); 3];
            LinearImage::from_data(SIDE, SIDE, (0..SIDE * SIDE).flat_map(light).collect()).unwrap()
        };
        (image(&code), image(&|i| code(i).round()))
    }

    fn number(light: f32) -> f32 {
        255.0 * TransferFunction::Srgb.encode(light)
    }

    fn away(i: usize, from: PixelPoint) -> f64 {
        PixelPoint::new((i % SIDE) as f64 + 0.5, (i / SIDE) as f64 + 0.5).distance(from)
    }

    #[test]
    fn a_staircase_becomes_the_slope_that_it_was() {
        let (truth, told) = penumbra(0.0);
        let mut smooth = told.clone();
        dissolve(&mut smooth, DISC, SMALLEST_STEP, 1);
        let off = |image: &LinearImage| {
            let row = (100 * SIDE + 30) * 3..(100 * SIDE + 170) * 3;
            let square = |(a, b): (&f32, &f32)| (a / b - 1.0).powi(2);
            let sum: f32 = image.data()[row.clone()].iter().zip(&truth.data()[row]).map(square).sum();
            (sum / 420.0).sqrt()
        };
        println!("a penumbra of eight bits: {:.2} % off, then {:.2} %", 100.0 * off(&told), 100.0 * off(&smooth));
        assert!(off(&smooth) < 0.75 * off(&told));
    }

    #[test]
    fn nothing_moves_by_more_than_the_file_leaves_open_nor_beside_the_disc() {
        let (_, told) = penumbra(0.2);
        let mut smooth = told.clone();
        dissolve(&mut smooth, DISC, SMALLEST_STEP, 1);
        assert_ne!(smooth, told);
        for (i, (a, b)) in smooth.data().iter().zip(told.data()).enumerate() {
            assert!((number(*a) - number(*b)).abs() < 2.0 * OPEN, "{a} {b}");
            assert!(away(i / 3, DISC.0) < DISC.1 || a == b);
        }
    }

    /// A crater of six numbers, and a limb with black sky beside it.
    #[test]
    fn craters_and_the_limb_stay_as_they_are() {
        let (_, even) = penumbra(0.0);
        let crater = PixelPoint::new(90.0, 90.0);
        let light = |number: f32| TransferFunction::Srgb.decode(number / 255.0);
        let pixel = |i: usize| {
            let told = number(even.data()[3 * i]) + if away(i, crater) < 2.5 { 6.0 } else { 0.0 };
            [if away(i, DISC.0) < DISC.1 { light(told) } else { 0.0 }; 3]
        };
        let told = LinearImage::from_data(SIDE, SIDE, (0..SIDE * SIDE).flat_map(pixel).collect()).unwrap();
        let mut smooth = told.clone();
        dissolve(&mut smooth, DISC, SMALLEST_STEP, 1);
        assert_ne!(smooth, told);
        for (i, (a, b)) in smooth.data().iter().zip(told.data()).enumerate().step_by(3) {
            let (of_crater, of_limb) = (away(i / 3, crater) < 2.0, away(i / 3, DISC.0) > DISC.1 - 5.0);
            assert!(
                !(of_crater || of_limb) || (number(*a) - number(*b)).abs() < 0.05,
                "{} and {}",
                number(*a),
                number(*b)
            );
        }
    }

    #[test]
    fn noise_that_hides_the_steps_is_left_alone() {
        let (_, told) = penumbra(1.5);
        let mut same = told.clone();
        dissolve(&mut same, DISC, SMALLEST_STEP, 1);
        assert_eq!(same, told);
    }
}
