//! The Moon's features on a disc.
//!
//! A disc is divided by its own smooth light (in logarithms, so that exposure drops out), which removes what of the shadow is smooth and
//! leaves seas and rays (`shade` takes out its edge). Against the map of known features that tells the turn of the disc (`turn`); against
//! the disc of the next frame, turn and shift to a fraction of a pixel (`align`). Where the shadow's edge crosses, the smooth light is
//! steep and what it leaves counts for little.

use super::shade;
use crate::detect::{Cutout, DiscFit, RADIUS, SIDE};
use crate::raster::Plane;
use crate::sky::{Libration, SurfaceDetail, lunar_albedo};

/// Smaller discs do not show which way they are turned, pixels.
const LEAST_RADIUS_PX: f64 = 30.0;
/// How fine the features are that are looked at, cells of the grid.
#[derive(Clone, Copy)]
pub(super) struct Band {
    /// Detail finer than a Gaussian of this is noise.
    pub fine: f64,
    /// Smooth light is the mean over a Gaussian of this.
    smooth: f64,
}

/// Seas, bays and rays.
pub(super) const SHARP: Band = Band { fine: 1.2, smooth: 8.0 };
/// Seas alone, as a disc out of focus, in noise or in few colours shows them.
const SOFT: Band = Band { fine: 4.0, smooth: 14.0 };
/// The limb's own blur and darkening lie outside this share of the radius.
const RIM: f64 = 0.93;

/// Features of a disc: logarithms of light over smooth light, and how much each cell is worth, on a
/// grid in which the disc's radius is [`RADIUS`] cells.
#[derive(Clone, Debug)]
pub(in crate::solve) struct Features {
    pub(super) detail: Plane,
    pub(super) worth: Plane,
    drawn_deg: f64,
}

/// Standard deviation by which a shadow that was taken out still draws a turn, degrees, of a disc of so many pixels or more: with it
/// partial phases of ten nights by four other hands are off by 0.3 to 1.5 of their sigmas in the median, discs of 93 pixels in twilight
/// haze, which the air pressed to ovals, by 3.5 (0.07 to 0.16 degrees from 95 pixels on, 0.3 to 0.6 below).
const DRAWN_DEG: f64 = 0.12;
const DRAWN_OF_PX: f64 = 100.0;

impl Features {
    /// Features that tell how a disc is turned and where it lies: those of each pixel that stands clear of the noise, without the
    /// Earth's shadow, whose edge would draw both; `None` where too little of it shows any.
    pub fn without_shadow(cutout: &Cutout, fit: &DiscFit) -> Option<Self> {
        if fit.radius_px < LEAST_RADIUS_PX {
            return None;
        }
        let (light, known) = Self::logarithms(cutout.noise, cutout, fit, SHARP)?;
        let Some(even) = shade::removed(&light, &known) else { return Self::from_logarithms(light, known, SHARP) };
        // Along the edge what is left counts for as little as before.
        let features = Self::weighed_by(even, Some(light), known, SHARP)?;
        Some(Features { drawn_deg: DRAWN_DEG * (DRAWN_OF_PX / fit.radius_px).max(1.0), ..features })
    }

    /// How far what is left of the Earth's shadow may draw their turn, degrees, and that of neighbouring frames alike.
    pub fn drawn_deg(&self) -> f64 {
        self.drawn_deg
    }

    /// Features of a measured disc where each pixel stands clear of the noise; `None` where too little of it shows any.
    pub fn of_disc(cutout: &Cutout, fit: &DiscFit) -> Option<Self> {
        Self::of_any_disc(cutout, fit).filter(|_| fit.radius_px >= LEAST_RADIUS_PX)
    }

    /// Those of a smaller disc, too: they place it where its turn is known, and tell a Moon from a lamp, but the turn not surely.
    pub fn of_any_disc(cutout: &Cutout, fit: &DiscFit) -> Option<Self> {
        Self::above(cutout.noise, cutout, fit, SHARP)
    }

    /// Where the mean over a cell does: enough to tell that a dark disc is a face, and too noisy to place it by.
    pub fn of_dark_disc(cutout: &Cutout, fit: &DiscFit) -> Option<Self> {
        Self::above(cutout.cell_noise(), cutout, fit, SHARP).filter(|_| fit.radius_px >= LEAST_RADIUS_PX)
    }

    /// Its seas alone, where the mean over some cells stands clear of the noise: of a disc that is blurred or noisy.
    pub fn of_soft_disc(cutout: &Cutout, fit: &DiscFit) -> Option<Self> {
        Self::above(cutout.cell_noise() / SOFT.fine as f32, cutout, fit, SOFT)
            .filter(|_| fit.radius_px >= LEAST_RADIUS_PX)
    }

    fn above(noise: f32, cutout: &Cutout, fit: &DiscFit, band: Band) -> Option<Self> {
        let (light, known) = Self::logarithms(noise, cutout, fit, band)?;
        Self::from_logarithms(light, known, band)
    }

    /// Logarithms of a disc's light where it stands clear of a noise, and where that is.
    fn logarithms(noise: f32, cutout: &Cutout, fit: &DiscFit, band: Band) -> Option<(Vec<f32>, Vec<f32>)> {
        let half = SIDE as f64 / 2.0;
        let least = fit.sky_level + (6.0 * noise).max(0.02 * fit.disc_level);
        let mut light = vec![0.0f32; SIDE * SIDE];
        let mut known = vec![0.0f32; SIDE * SIDE];
        // A soft disc's cells are judged by means, too, lest the brighter half of noise pass for light.
        let blurred = (band.fine > SHARP.fine).then(|| cutout.light.blurred(0.5 * band.fine));
        let lit = blurred.as_ref().unwrap_or(&cutout.light);
        // Beside clipped light the rest is bent, too.
        let clipped = cutout.light.data().iter().map(|v| f32::from(u8::from(*v > 0.95))).collect();
        let clipped = Plane::from_data(SIDE, SIDE, clipped)?.blurred(1.5);
        for (i, (l, k)) in light.iter_mut().zip(&mut known).enumerate() {
            let (x, y) = ((i % SIDE) as f64 + 0.5 - half, (i / SIDE) as f64 + 0.5 - half);
            let at = cutout.cell_of(fit, x / RADIUS, y / RADIUS);
            let value = lit.sample(at.0, at.1);
            if x.hypot(y) < RIM * RADIUS && value > least && cutout.shows(at) && clipped.sample(at.0, at.1) < 0.05 {
                (*l, *k) = ((value - fit.sky_level).ln(), 1.0);
            }
        }
        Some((light, known))
    }

    /// What the map of known features shows of a globe turned like this, its north up.
    pub fn of_map(libration: &Libration) -> Option<Self> {
        Self::of_map_in(libration, SHARP)
    }

    /// The seas alone.
    pub fn of_soft_map(libration: &Libration) -> Option<Self> {
        Self::of_map_in(libration, SOFT)
    }

    fn of_map_in(libration: &Libration, band: Band) -> Option<Self> {
        let half = SIDE as f64 / 2.0;
        let globe = libration.globe();
        let mut light = vec![0.0f32; SIDE * SIDE];
        let mut known = vec![0.0f32; SIDE * SIDE];
        for (i, (l, k)) in light.iter_mut().zip(&mut known).enumerate() {
            let (x, y) = (((i % SIDE) as f64 + 0.5 - half) / RADIUS, (half - (i / SIDE) as f64 - 0.5) / RADIUS);
            if x.hypot(y) < RIM {
                (*l, *k) = (lunar_albedo(SurfaceDetail::Coarse, &globe.place(x, y)).ln() as f32, 1.0);
            }
        }
        Self::from_logarithms(light, known, band)
    }

    fn from_logarithms(light: Vec<f32>, known: Vec<f32>, band: Band) -> Option<Self> {
        Self::weighed_by(light, None, known, band)
    }

    /// Detail of a light, worth the less the steeper it is, smoothed, or another where one is given.
    fn weighed_by(light: Vec<f32>, steep: Option<Vec<f32>>, known: Vec<f32>, band: Band) -> Option<Self> {
        let count = known.iter().filter(|k| **k > 0.0).count();
        if (count as f64) < 0.12 * std::f64::consts::PI * RADIUS * RADIUS {
            return None;
        }
        let known = Plane::from_data(SIDE, SIDE, known)?;
        let light = Plane::from_data(SIDE, SIDE, light)?;
        // A mean over what is known only, however ragged its edge (normalised convolution).
        let averaged = |light: &Plane, sigma: f64| {
            let (sum, weight) = (light.blurred(sigma), known.blurred(sigma));
            let data = sum.data().iter().zip(weight.data()).map(|(s, w)| if *w > 0.02 { s / w } else { 0.0 });
            Plane::from_data(SIDE, SIDE, data.collect())
        };
        let (fine, smooth) = (averaged(&light, band.fine)?, averaged(&light, band.smooth)?);
        let steep = steep.map(|steep| averaged(&Plane::from_data(SIDE, SIDE, steep)?, band.smooth));
        let steep = steep.unwrap_or_else(|| Some(smooth.clone()))?;
        let mut detail = Plane::filled(SIDE, SIDE, 0.0);
        let mut worth = Plane::filled(SIDE, SIDE, 0.0);
        for y in 1..SIDE - 1 {
            for x in 1..SIDE - 1 {
                if known.get(x, y) == 0.0 {
                    continue;
                }
                let slope =
                    (steep.get(x + 1, y) - steep.get(x - 1, y)).hypot(steep.get(x, y + 1) - steep.get(x, y - 1)) / 2.0;
                let i = y * SIDE + x;
                detail.data_mut()[i] = (fine.get(x, y) - smooth.get(x, y)).clamp(-0.35, 0.35);
                worth.data_mut()[i] = 1.0 / (1.0 + (slope / 0.025).powi(2));
            }
        }
        Some(Features { detail, worth, drawn_deg: 0.0 })
    }

    /// Root mean square of the detail where it counts: how far a face is from an even ball.
    pub fn roughness(&self) -> f64 {
        let (mut sum, mut weight) = (0.0, 1e-9);
        for (d, w) in self.detail.data().iter().zip(self.worth.data()) {
            sum += f64::from(w * d * d);
            weight += f64::from(*w);
        }
        (sum / weight).sqrt()
    }
}

#[cfg(test)]
pub(super) mod tests {
    use super::super::align::globe_to_image;
    use super::super::globes::globe;
    use super::super::turn::{apart, turn_against};
    use super::*;
    use crate::raster::PixelPoint;
    use crate::units::Angle;
    use nalgebra::Vector3;
    use std::sync::Arc;

    /// A disc that fills its grid.
    fn cut_out(light: Plane, noise: f32) -> (Cutout, DiscFit) {
        let side = SIDE as f64;
        let centre = PixelPoint::new(side / 2.0, side / 2.0);
        let cutout = Cutout { light: Arc::new(light), centre, cell_px: 1.0, noise, shown: [0.0, 0.0, side, side] };
        (cutout, DiscFit::well_seen(centre, RADIUS))
    }

    /// The map's light drawn as a camera would see it.
    pub fn drawn(libration: &Libration, north: Angle, mirrored: bool, shift: (f64, f64)) -> Features {
        let image = globe_to_image(libration, north, mirrored);
        let half = SIDE as f64 / 2.0;
        let (mut light, mut known) = (vec![0.0; SIDE * SIDE], vec![0.0; SIDE * SIDE]);
        for i in 0..SIDE * SIDE {
            let x = ((i % SIDE) as f64 + 0.5 - half) / RADIUS - shift.0;
            let y = ((i / SIDE) as f64 + 0.5 - half) / RADIUS - shift.1;
            if x.hypot(y) < RIM {
                let p = image.transpose() * Vector3::new(x, y, (1.0 - x * x - y * y).sqrt());
                light[i] = lunar_albedo(SurfaceDetail::Coarse, &p).ln() as f32;
                known[i] = 1.0;
            }
        }
        Features::from_logarithms(light, known, SHARP).unwrap()
    }

    /// The umbra's edge across the globe: what it leaves of itself draws the turn, unless it is taken out by its shape.
    #[test]
    fn the_umbras_edge_hardly_draws_a_turn() {
        let (libration, half) = (globe(3.0, -1.0), SIDE as f64 / 2.0);
        let (mut with, mut without) = (0.0f64, 0.0f64);
        for (north, towards) in [(20.0f64, 0.3f64), (200.0, 2.0), (90.0, 4.0), (310.0, 5.2)] {
            let image = globe_to_image(&libration, Angle::from_degrees(north), false);
            let (axis_x, axis_y) = (2.7 * towards.cos(), 2.7 * towards.sin());
            let light = |i: usize| {
                let (x, y) = (((i % SIDE) as f64 + 0.5 - half) / RADIUS, ((i / SIDE) as f64 + 0.5 - half) / RADIUS);
                if x.hypot(y) >= 1.0 {
                    return 0.0;
                }
                let p = image.transpose() * Vector3::new(x, y, (1.0 - x * x - y * y).sqrt());
                // From copper of a two hundredth to full light within the penumbra, steepest at the umbra's edge.
                let from_edge = (x - axis_x).hypot(y - axis_y) - 2.65;
                let shadow = 0.005 + (from_edge / 1.2).clamp(0.0, 1.0).powf(1.5);
                (0.4 * shadow * lunar_albedo(SurfaceDetail::Coarse, &p)) as f32
            };
            let plane = Plane::from_data(SIDE, SIDE, (0..SIDE * SIDE).map(light).collect()).unwrap();
            let (cutout, fit) = cut_out(plane.blurred(1.0), 1e-5);
            let map = Features::of_map(&libration).unwrap();
            let off =
                |disc: Option<Features>| apart(turn_against(&disc.unwrap(), &map).unwrap().north.degrees(), north);
            with = with.max(off(Features::of_disc(&cutout, &fit)));
            without = without.max(off(Features::without_shadow(&cutout, &fit)));
        }
        println!("turns across the umbra's edge: {with:.2} degrees off, {without:.2} with the shadow taken out");
        assert!(without < 0.3 && without < 0.5 * with, "{without:.2} {with:.2}");
    }

    /// A disc of 60 pixels out of focus by a seventh of its radius: its rays are gone and its seas are not.
    #[test]
    fn the_seas_of_a_disc_out_of_focus_are_told() {
        let (libration, half) = (globe(3.0, -4.0), SIDE as f64 / 2.0);
        let image = globe_to_image(&libration, Angle::from_degrees(37.0), false);
        let mut light = Plane::filled(SIDE, SIDE, 0.0);
        for (i, value) in light.data_mut().iter_mut().enumerate() {
            let (x, y) = (((i % SIDE) as f64 + 0.5 - half) / RADIUS, ((i / SIDE) as f64 + 0.5 - half) / RADIUS);
            if x.hypot(y) < 1.0 {
                let p = image.transpose() * Vector3::new(x, y, (1.0 - x * x - y * y).sqrt());
                *value = 0.4 * lunar_albedo(SurfaceDetail::Coarse, &p) as f32;
            }
        }
        let (cutout, fit) = cut_out(light.blurred(9.0), 0.004);
        let turned =
            |disc: Option<Features>, map: Option<Features>| turn_against(&disc.unwrap(), &map.unwrap()).unwrap();
        let sharp = turned(Features::of_disc(&cutout, &fit), Features::of_map(&libration));
        let soft = turned(Features::of_soft_disc(&cutout, &fit), Features::of_soft_map(&libration));
        assert!(
            soft.correlation > 2.0 * sharp.correlation && soft.correlation > 2.2 * soft.runner_up,
            "{sharp:?} {soft:?}"
        );
        assert!(apart(soft.north.degrees(), 37.0) < 3.0 && soft.sigma.degrees() < 1.0, "{soft:?}");
    }
}
