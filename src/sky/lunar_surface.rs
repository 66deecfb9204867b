//! The Moon's face: albedo as a function of selenographic place.
//!
//! `data/lunar_albedo.png`: 1024 x 512, 8 bits, equirectangular in the mean-Earth/polar-axis system, longitude 0 in the
//! middle, east to the right, north up; 0.35 degrees (11 km) a pixel. Reduced by area averaging from
//! `example/moon-landing-sites/lunar_surface.jpg` of the npm package `globe.gl` 2.46.2 (MIT). The package names no
//! source; its look, its record and its fill beyond 70 degrees of latitude are those of the colour map of NASA's CGI Moon
//! Kit (Scientific Visualization Studio, 2019), made from the mosaic of the Lunar Reconnaissance Orbiter's wide-angle
//! camera (NASA/GSFC/Arizona State University; NASA imagery, free to use with credit): that is inferred, not said.
//!
//! Brightness is coded as that kit's makers describe theirs: a power of 2.8 of the range 0.16 to 0.4. Decoded so,
//! highlands are 1.9 to 2.3 times as bright as the plains; handbooks give 11-18 % against 7-10 % (Lunar Sourcebook,
//! from memory). Neglected: physical librations (0.02 degrees), the map's parallax of heights (below 0.1 degrees).

use super::Vector3;
use crate::random::fractal;
use std::sync::OnceLock;

/// The near side's albedo on the map's grid, one at its mean over the disc.
struct AlbedoMap {
    columns: usize,
    rows: usize,
    values: Vec<f32>,
}

impl AlbedoMap {
    /// Decodes the map; even grey where the build carries a damaged one (a test decodes it).
    fn decode() -> Self {
        let bytes = include_bytes!("data/lunar_albedo.png");
        let Ok(picture) = image::load_from_memory_with_format(bytes, image::ImageFormat::Png) else {
            return AlbedoMap { columns: 2, rows: 2, values: vec![1.0; 4] };
        };
        let grey = picture.into_luma8();
        let (columns, rows) = (grey.width() as usize, grey.height() as usize);
        let reflectance = |code: &u8| (0.16 + 0.24 * f32::from(*code) / 255.0).powf(2.8);
        let mut map = AlbedoMap { columns, rows, values: grey.as_raw().iter().map(reflectance).collect() };
        let mean = map.mean_over_disc() as f32;
        map.values.iter_mut().for_each(|v| *v /= mean);
        map
    }

    fn mean_over_disc(&self) -> f64 {
        let (mut sum, mut count) = (0.0, 0.0);
        for iy in -100..=100 {
            for ix in -100..=100 {
                let (x, y) = (f64::from(ix) / 100.0, f64::from(iy) / 100.0);
                if x * x + y * y < 1.0 {
                    let z = (1.0 - x * x - y * y).sqrt();
                    sum += self.albedo(&Vector3::new(z, x, y));
                    count += 1.0;
                }
            }
        }
        sum / count
    }

    /// Bilinear between the pixels' centres; longitudes go round.
    fn albedo(&self, place: &Vector3) -> f64 {
        let (latitude, longitude) = (place.z.clamp(-1.0, 1.0).asin(), place.y.atan2(place.x));
        let fx = (longitude / std::f64::consts::TAU + 0.5) * self.columns as f64 - 0.5;
        let fy = ((0.5 - latitude / std::f64::consts::PI) * self.rows as f64 - 0.5).clamp(0.0, (self.rows - 1) as f64);
        let (x, ax) = (fx.floor(), fx - fx.floor());
        let column = |x: f64| x.rem_euclid(self.columns as f64) as usize % self.columns;
        let (x0, x1) = (column(x), column(x + 1.0));
        let (y0, ay) = (fy as usize, fy - fy.floor());
        let y1 = (y0 + 1).min(self.rows - 1);
        let at = |x: usize, y: usize| f64::from(self.values[y * self.columns + x]);
        let top = at(x0, y0) * (1.0 - ax) + at(x1, y0) * ax;
        let bottom = at(x0, y1) * (1.0 - ax) + at(x1, y1) * ax;
        top * (1.0 - ay) + bottom * ay
    }
}

/// How finely the Moon's face is wanted.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum SurfaceDetail {
    /// What the map shows: seas, rays and large craters, for measuring.
    Coarse,
    /// With an invented texture below the map's 11 km, for drawing discs of many hundred pixels.
    Fine,
}

/// Albedo at a place, a unit vector of the selenographic frame ([`Globe::place`](super::Globe::place)); one at its mean over
/// the disc.
///
/// # Accuracy
/// Places are good to a pixel of the map, a third of a degree; on a disc seen from the Earth that is a third of a percent
/// of its radius. Beyond 70 degrees of latitude the map is filled.
///
/// # Source
/// See the module.
pub fn lunar_albedo(detail: SurfaceDetail, place: &Vector3) -> f64 {
    static MAP: OnceLock<AlbedoMap> = OnceLock::new();
    let albedo = MAP.get_or_init(AlbedoMap::decode).albedo(place);
    match detail {
        SurfaceDetail::Coarse => albedo,
        SurfaceDetail::Fine => albedo * (1.0 + 0.06 * texture(place)),
    }
}

/// Noise of the size of craters that the map does not show, about zero.
fn texture(place: &Vector3) -> f64 {
    /// Cells to a radius of the globe: 8 km and halves of it.
    const CELLS: f64 = 220.0;
    fractal(14, [place.x, place.y, place.z].map(|v| (v + 2.0) * CELLS), 2)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(lat: f64, lon: f64) -> f64 {
        let ((sb, cb), (sl, cl)) = (lat.to_radians().sin_cos(), lon.to_radians().sin_cos());
        lunar_albedo(SurfaceDetail::Coarse, &Vector3::new(cb * cl, cb * sl, sb))
    }

    #[test]
    fn seas_are_darker_than_highlands_and_tycho_is_bright() {
        let (crisium, highland, tycho) = (at(17.0, 59.0), at(-30.0, 10.0), at(-43.3, -11.2));
        assert!(crisium < 0.6 * highland && tycho > 1.15 * highland, "{crisium} {highland} {tycho}");
    }

    /// Places of the Gazetteer of Planetary Nomenclature (IAU/USGS), from memory to a tenth of a degree: dark floors that
    /// end within a few degrees, so a map laid wrong by half a degree would move them off.
    #[test]
    fn dark_floors_lie_where_the_gazetteer_has_them() {
        for (name, latitude, longitude) in [("Plato", 51.6, -9.4), ("Grimaldi", -5.4, -68.4), ("Billy", -13.8, -50.1)] {
            let (mut best, mut weight, mut sums) = (f64::MAX, 0.0, (0.0, 0.0));
            // The middle of what is darker than the surroundings.
            let around: f64 = (0..12)
                .map(|k| {
                    let (s, c) = (f64::from(k) * 30f64.to_radians()).sin_cos();
                    at(latitude + 3.5 * s, longitude + 3.5 * c / latitude.to_radians().cos())
                })
                .sum::<f64>()
                / 12.0;
            for i in -15..=15 {
                for j in -15..=15 {
                    let (dy, dx) = (f64::from(i) / 10.0, f64::from(j) / 10.0);
                    let v = at(latitude + dy, longitude + dx / latitude.to_radians().cos());
                    let w = (around - v).max(0.0);
                    (weight, sums) = (weight + w, (sums.0 + w * dx, sums.1 + w * dy));
                    best = best.min(v);
                }
            }
            let off = (sums.0 / weight).hypot(sums.1 / weight);
            assert!(best < 0.8 * around && off < 0.7, "{name}: {off:.2} degrees off, {best:.2} against {around:.2}");
        }
    }
}
