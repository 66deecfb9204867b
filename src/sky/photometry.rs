//! How bright, and of what colour, a point of the eclipsed Moon is.
//!
//! Radiance is relative: 1.0 in each channel is the mean of the uneclipsed full Moon above the
//! atmosphere, as a camera white-balanced on it sees it.
//!
//! * Penumbra: the visible share of a limb-darkened Sun (linear law, coefficient 0.6 in the
//!   visual band, Cox, *Allen's Astrophysical Quantities*, 4th ed., ch. 14: from memory), the Earth
//!   an opaque disc. Exact but for the Earth's flattening.
//! * Umbra: light refracted and reddened by the Earth's air. No simple theory predicts it: after a
//!   great eruption it may vanish. The Danjon scale L 0..4 (Danjon 1921) grades it by eye; the
//!   depth in stops per grade is common practice of exposure tables, no source.
//! * The gradient: the outer umbra is a few stops brighter and yellower than the middle, its rim
//!   bluish from ozone; shape common practice, no source.

use crate::units::Angle;

/// How the full Moon exposes a sensor: file value (1 = saturated) = radiance x t x S / N^2 x this.
///
/// At f/11 and t = 1/S the mean of the full Moon then lies two stops below saturation, as the
/// "looney 11" rule of thumb wants it (common practice, no source).
pub const SATURATION_PER_LIGHT_GAIN: f64 = 30.0;

/// The full Moon's colour above the air, red, green and blue over a white surface in the same sunlight,
/// green 1.
///
/// # Source
/// B-V of the full Moon 0.92 (Allen's Astrophysical Quantities, 4th ed., table 12.14; from memory) less 0.65
/// of the Sun makes its blue 0.78 of its green; the spectrum of its reflectance rises almost evenly from
/// 440 to 640 nm, so red is as much above as the distance in wavelength tells. Within 5 %.
pub const MOON_COLOUR: [f64; 3] = [1.14, 1.0, 0.80];

/// The brightness of totality: 0 very dark, 4 very bright copper or orange.
#[derive(Clone, Copy, Debug, PartialEq, PartialOrd)]
pub struct Danjon {
    /// Danjon's L, 0..=4.
    pub scale: f64,
}

impl Danjon {
    /// How many stops the middle of a deep umbra lies below the full Moon.
    pub fn depth_stops(self) -> f64 {
        const GRADES: [f64; 5] = [18.0, 16.0, 14.0, 12.5, 11.0];
        let l = self.scale.clamp(0.0, 4.0);
        let below = (l.floor() as usize).min(3);
        GRADES[below] + (GRADES[below + 1] - GRADES[below]) * (l - below as f64)
    }
    fn edge_stops(self) -> f64 {
        self.depth_stops() - 4.0
    }
}

/// Light on the Moon as a function of the distance from the shadow's axis.
#[derive(Clone, Debug)]
pub struct ShadowLight {
    umbra: f64,
    penumbra: f64,
    danjon: Danjon,
    /// Visible share of the Sun at equal steps from the axis to the penumbra's edge.
    sunlight: Vec<f64>,
}

const STEPS: usize = 1024;
const LIMB_DARKENING: f64 = 0.6;

/// Share of a limb-darkened Sun of radius `sun` not hidden by a disc of radius `earth` whose
/// centre is `separation` away.
fn visible_sun(sun: f64, earth: f64, separation: f64) -> f64 {
    const RINGS: usize = 96;
    if separation <= earth - sun {
        return 0.0;
    }
    let (mut seen, mut all) = (0.0, 0.0);
    for ring in 0..RINGS {
        // Equal steps in area keep the sum smooth at the contacts.
        let x = ((ring as f64 + 0.5) / RINGS as f64).sqrt();
        let radius = x * sun;
        let light = 1.0 - LIMB_DARKENING * (1.0 - (1.0 - x * x).sqrt());
        let hidden_cos = (radius * radius + separation * separation - earth * earth) / (2.0 * radius * separation);
        let hidden = hidden_cos.clamp(-1.0, 1.0).acos() / std::f64::consts::PI;
        seen += light * (1.0 - hidden);
        all += light;
    }
    seen / all
}

impl ShadowLight {
    /// For a shadow of given radii and a Danjon grade.
    pub fn new(umbra_radius: Angle, penumbra_radius: Angle, danjon: Danjon) -> Self {
        let (umbra, penumbra) = (umbra_radius.radians(), penumbra_radius.radians());
        let (sun, earth) = ((penumbra - umbra) / 2.0, (penumbra + umbra) / 2.0);
        let sunlight =
            (0..=STEPS).map(|i| visible_sun(sun, earth, (i as f64 / STEPS as f64 * penumbra).max(1e-9))).collect();
        ShadowLight { umbra, penumbra, danjon, sunlight }
    }

    /// Visible share of the Sun at a distance from the axis, 0..1.
    pub fn sunlight(&self, from_axis: Angle) -> f64 {
        let at = from_axis.radians() / self.penumbra * STEPS as f64;
        if at >= STEPS as f64 {
            return 1.0;
        }
        let i = at as usize;
        let part = at - i as f64;
        self.sunlight[i] * (1.0 - part) + self.sunlight[i + 1] * part
    }

    /// Red, green and blue radiance at a distance from the axis, relative to the full Moon.
    pub fn radiance(&self, from_axis: Angle) -> [f64; 3] {
        let direct = self.sunlight(from_axis);
        let x = from_axis.radians() / self.umbra;
        if x >= 1.25 {
            return [direct; 3];
        }
        let stops = self.danjon.depth_stops() - (self.danjon.depth_stops() - self.danjon.edge_stops()) * x.powf(2.2);
        // The refracted light fades where direct sunlight begins; there it is lost in it anyway.
        let refracted = (-stops).exp2() * (1.0 - ((x - 1.0) / 0.25).clamp(0.0, 1.0));
        let middle = [2.35, 0.52, 0.13];
        let outer = [1.80, 0.80, 0.40];
        let rim = [0.92, 1.02, 1.10];
        let to_outer = (x / 0.85).clamp(0.0, 1.0).powi(2);
        let to_rim = ((x - 0.86) / 0.14).clamp(0.0, 1.0).powi(2);
        std::array::from_fn(|c| {
            let copper = middle[c] + (outer[c] - middle[c]) * to_outer;
            direct + refracted * (copper + (rim[c] - copper) * to_rim)
        })
    }

    /// Radiance of a disc's brighter part: the 98th percentile over it, red, green and blue.
    pub fn bright_part(&self, moon_semidiameter: Angle, separation: Angle) -> [f64; 3] {
        const GRID: i32 = 40;
        let mut values: [Vec<f64>; 3] = Default::default();
        let s = moon_semidiameter.radians() / f64::from(GRID);
        // The disc is symmetric about the line to the axis: half of it tells all.
        for iy in 0..=GRID {
            for ix in -GRID..=GRID {
                if ix * ix + iy * iy <= GRID * GRID {
                    let from_axis = (separation.radians() + f64::from(ix) * s).hypot(f64::from(iy) * s);
                    let light = self.radiance(Angle::from_radians(from_axis));
                    (0..3).for_each(|c| values[c].push(light[c]));
                }
            }
        }
        values.map(|mut v| {
            let at = (v.len() - 1) * 98 / 100;
            *v.select_nth_unstable_by(at, f64::total_cmp).1
        })
    }

    /// Mean radiance over a disc (green channel and the mean of three alike within the copper's
    /// tint), for exposure: the share of the disc lit is weighted in.
    pub fn mean_over_disc(&self, moon_semidiameter: Angle, separation: Angle) -> [f64; 3] {
        const GRID: i32 = 24;
        let (mut sum, mut count) = ([0.0; 3], 0.0);
        for iy in -GRID..=GRID {
            for ix in -GRID..=GRID {
                let (x, y) = (f64::from(ix) / f64::from(GRID), f64::from(iy) / f64::from(GRID));
                if x * x + y * y > 1.0 {
                    continue;
                }
                let s = moon_semidiameter.radians();
                let from_axis = (separation.radians() + x * s).hypot(y * s);
                let light = self.radiance(Angle::from_radians(from_axis));
                (0..3).for_each(|c| sum[c] += light[c]);
                count += 1.0;
            }
        }
        sum.map(|s| s / count)
    }

    /// How many stops a whole disc gives less light than the full Moon; never below 0.
    pub fn stops_below_full(&self, moon_semidiameter: Angle, separation: Angle) -> f64 {
        let [r, g, b] = self.mean_over_disc(moon_semidiameter, separation);
        // Luminance by the weights of ITU-R BT.709.
        (-(0.2126 * r + 0.7152 * g + 0.0722 * b).log2()).max(0.0)
    }
}

/// Relative airmass at an apparent altitude.
///
/// # Source
/// Kasten & Young 1989, Applied Optics 28, 4735; 38 at the horizon, within 0.5 % above.
pub fn airmass(apparent_altitude: Angle) -> f64 {
    let h = apparent_altitude.degrees().max(0.0);
    1.0 / (Angle::from_degrees(h).sin() + 0.505_72 * (h + 6.079_95).powf(-1.6364))
}

/// Extinction coefficients in magnitudes per airmass for a camera's red, green and blue.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Extinction {
    /// Magnitudes per airmass.
    pub magnitudes: [f64; 3],
}

impl Default for Extinction {
    /// A clear night at sea level (common practice, no source).
    fn default() -> Self {
        Extinction { magnitudes: [0.14, 0.20, 0.30] }
    }
}

impl Extinction {
    /// What share of the light arrives, per channel.
    pub fn transmission(&self, airmass: f64) -> [f64; 3] {
        self.magnitudes.map(|k| 10f64.powf(-0.4 * k * airmass))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn light(scale: f64) -> ShadowLight {
        ShadowLight::new(Angle::from_arcsec(2700.0), Angle::from_arcsec(4650.0), Danjon { scale })
    }

    #[test]
    fn sunlight_is_whole_outside_and_none_in_the_umbra() {
        let l = light(2.0);
        assert_eq!(l.sunlight(Angle::from_arcsec(4700.0)), 1.0);
        assert!(l.sunlight(Angle::from_arcsec(2690.0)) < 1e-6);
        let half = l.sunlight(Angle::from_arcsec(3675.0));
        assert!((0.45..0.55).contains(&half), "{half}");
    }

    #[test]
    fn the_umbra_is_more_than_ten_stops_down_and_copper() {
        for scale in [0.0, 1.0, 2.0, 3.0, 4.0] {
            let [r, g, b] = light(scale).radiance(Angle::from_arcsec(200.0));
            assert!(-g.log2() > 10.0, "Danjon {scale}");
            assert!(r > 2.0 * g && g > 2.0 * b);
        }
    }

    #[test]
    fn airmass_follows_kasten_and_young() {
        // Kasten & Young 1989, table II: 1.0 at the zenith, 1.994 at 30 degrees, 10.31 at 5, 37.92 at 0.
        for (altitude, expected) in [(90.0, 0.9997), (30.0, 1.994), (5.0, 10.31), (0.0, 37.92)] {
            let x = airmass(Angle::from_degrees(altitude));
            assert!((x / expected - 1.0).abs() < 0.002, "{altitude}: {x}");
        }
    }
}
