//! The Moon's face: albedo as a function of selenographic place.
//!
//! Features come from `data/lunar_features.csv` at their true places and sizes; outlines and the
//! texture between are fractal noise. It is a drawing of the Moon, exact where features are
//! concerned and invented below some 50 km: good enough to tell which way a disc is turned, and to
//! divide out the seas when the shadow's edge is measured.

use super::Vector3;
use crate::random::{fractal, uniform};
use crate::units::Angle;
use rayon::prelude::*;
use std::sync::OnceLock;

const MOON_RADIUS_KM: f64 = 1737.4;

/// What kind of feature.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum FeatureKind {
    /// A dark plain, or a lobe of one.
    Mare,
    /// A crater with a dark floor.
    Floor,
    /// A bright crater with rays.
    Rays,
    /// A bright crater without.
    Spot,
}

/// A feature of the near side.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Feature {
    /// What it is.
    kind: FeatureKind,
    /// Its middle: x to latitude and longitude 0, z to the Moon's north.
    place: Vector3,
    /// Angular radius seen from the Moon's centre, radians.
    radius: f64,
    /// Albedo relative to the mean highland (mare, floor), or how much brighter the halo is.
    tone: f64,
    /// Length of the longest rays, radians.
    ray: f64,
    /// Cosine of the distance beyond which it does not show.
    reach_cosine: f64,
    /// Seed of its rays.
    seed: u64,
}

/// Unit vector of a selenographic place.
fn direction(latitude_deg: f64, longitude_deg: f64) -> Vector3 {
    let (sb, cb) = latitude_deg.to_radians().sin_cos();
    let (sl, cl) = longitude_deg.to_radians().sin_cos();
    Vector3::new(cb * cl, cb * sl, sb)
}

/// All features, in the order of `data/lunar_features.csv`, which names its source.
fn features() -> &'static [Feature] {
    static FEATURES: OnceLock<Vec<Feature>> = OnceLock::new();
    FEATURES.get_or_init(|| include_str!("data/lunar_features.csv").lines().enumerate().filter_map(feature).collect())
}

fn feature((row, line): (usize, &str)) -> Option<Feature> {
    let fields: Vec<&str> = line.split(',').collect();
    let [_, kind, latitude, longitude, diameter, tone, ray] = fields[..] else { return None };
    let kind = match kind {
        "mare" => FeatureKind::Mare,
        "floor" => FeatureKind::Floor,
        "rays" => FeatureKind::Rays,
        "spot" => FeatureKind::Spot,
        _ => return None,
    };
    let number = |t: &str| t.parse::<f64>().unwrap_or(0.0);
    let (radius, ray) = (number(diameter) / 2.0 / MOON_RADIUS_KM, number(ray) / MOON_RADIUS_KM);
    let reach = if kind == FeatureKind::Mare { radius * 2.4 } else { ray.max(radius * 4.0) };
    Some(Feature {
        kind,
        place: direction(number(latitude), number(longitude)),
        radius,
        tone: number(tone),
        ray,
        reach_cosine: reach.min(3.0).cos(),
        seed: row as u64,
    })
}

fn smoothstep(from: f64, to: f64, x: f64) -> f64 {
    let t = ((x - from) / (to - from)).clamp(0.0, 1.0);
    t * t * (3.0 - 2.0 * t)
}

/// Brightness of a crater's rays at a distance and bearing from it.
fn rays(feature: &Feature, p: &Vector3, distance: f64) -> f64 {
    if distance > feature.ray || distance < feature.radius {
        return 0.0;
    }
    let east = Vector3::new(-feature.place.y, feature.place.x, 0.0).normalize();
    let north = feature.place.cross(&east);
    let bearing = p.dot(&east).atan2(p.dot(&north));
    let count = if feature.ray > 0.6 { 17 } else { 9 };
    let mut sum: f64 = 0.0;
    for k in 0..count {
        let u = |n: u64| uniform(feature.seed * 977 + n, k);
        let towards = u(1) * std::f64::consts::TAU;
        let length = feature.ray * (0.3 + 0.7 * u(2) * u(2));
        let width = feature.radius * (0.25 + 0.35 * u(3));
        let off = Angle::from_radians(bearing - towards).normalized_signed().radians();
        if off.abs() > 0.6 || distance > length {
            continue;
        }
        let across = off * distance.sin() / (width * (1.0 + 0.8 * distance / feature.ray));
        let fade = (1.0 - distance / length).powf(0.7);
        sum = sum.max((-across * across).exp() * fade * (0.5 + 0.5 * u(4)));
    }
    sum
}

fn albedo_at(features: &[Feature], p: &Vector3) -> f64 {
    let at = |scale: f64| [p.x * scale + 10.0, p.y * scale + 10.0, p.z * scale + 10.0];
    let warp = 0.9 * fractal(11, at(6.0), 5) + 0.3 * fractal(12, at(30.0), 3);
    let rough = fractal(13, at(16.0), 6);
    let fine = fractal(14, at(60.0), 4);
    let mut albedo = 1.05 + 0.13 * rough + 0.09 * fine + 0.06 * fractal(17, at(4.0), 3);
    // Lobes of one plain flow together: their soft heights add, and the shore is where the sum
    // passes a level, so neighbours join by necks instead of touching like coins.
    let (mut height, mut tone_sum, mut tone_weight) = (0.0f64, 0.0, 1e-9);
    for f in features.iter().filter(|f| f.kind == FeatureKind::Mare) {
        let cosine = p.dot(&f.place);
        if cosine < f.reach_cosine {
            continue;
        }
        let d = cosine.clamp(-1.0, 1.0).acos() / f.radius;
        let lobe = (-d * d * 1.35).exp();
        height += lobe;
        tone_sum += lobe * lobe * f.tone;
        tone_weight += lobe * lobe;
    }
    let shore = height * (1.0 + 0.55 * warp) + 0.16 * warp + 0.035 * fine;
    let cover = smoothstep(0.235, 0.345, shore);
    if cover > 0.0 {
        let depth = smoothstep(0.3, 0.9, height);
        let plain =
            (tone_sum / tone_weight) * (1.05 - 0.09 * depth) * (1.0 + 0.20 * fractal(15, at(5.0), 5) + 0.05 * fine);
        albedo += (plain - albedo) * cover;
    }
    for f in features.iter().filter(|f| f.kind != FeatureKind::Mare) {
        let cosine = p.dot(&f.place);
        if cosine < f.reach_cosine {
            continue;
        }
        let distance = cosine.clamp(-1.0, 1.0).acos();
        let d = distance / f.radius;
        match f.kind {
            FeatureKind::Floor => {
                let inside = 1.0 - smoothstep(0.7, 1.0, d + 0.08 * warp);
                albedo += (f.tone - albedo) * inside;
                albedo += 0.10 * (-((d - 1.05) / 0.12).powi(2)).exp();
            }
            _ => {
                let halo = ((-(d / 1.5).powi(2)).exp() + 0.35 * (-d / 2.6).exp()) * (0.85 + 0.3 * rough.abs());
                albedo += f.tone * halo * (1.35 - 0.35 * albedo);
                if f.kind == FeatureKind::Rays {
                    let patchy = 0.65 + 0.5 * fractal(16 + f.seed, at(40.0), 3);
                    albedo += 0.85 * f.tone.max(0.3) * rays(f, p, distance) * patchy.clamp(0.15, 1.3);
                }
                // A rim just darker and a floor just lighter make a crater of a spot.
                albedo -= 0.06 * (-((d - 0.8) / 0.18).powi(2)).exp();
            }
        }
    }
    albedo.clamp(0.25, 1.9)
}

/// The near side's albedo on a grid, one at its mean over the disc.
struct AlbedoMap {
    step_deg: f64,
    columns: usize,
    rows: usize,
    values: Vec<f32>,
}

impl AlbedoMap {
    /// Longitudes -100..100 and all latitudes at a step.
    fn new(step_deg: f64) -> Self {
        let (columns, rows) = ((200.0 / step_deg) as usize + 1, (180.0 / step_deg) as usize + 1);
        let features = features();
        let mut values = vec![0.0f32; columns * rows];
        values.par_chunks_mut(columns).enumerate().for_each(|(row, out)| {
            let latitude = row as f64 * step_deg - 90.0;
            for (column, value) in out.iter_mut().enumerate() {
                let longitude = column as f64 * step_deg - 100.0;
                *value = albedo_at(features, &direction(latitude, longitude)) as f32;
            }
        });
        let mut map = AlbedoMap { step_deg, columns, rows, values };
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
                    sum += self.albedo(y.asin(), x.atan2(z));
                    count += 1.0;
                }
            }
        }
        sum / count
    }

    /// Bilinear between the grid's points.
    fn albedo(&self, latitude: f64, longitude: f64) -> f64 {
        let fx = ((longitude.to_degrees() + 100.0) / self.step_deg).clamp(0.0, (self.columns - 2) as f64);
        let fy = ((latitude.to_degrees() + 90.0) / self.step_deg).clamp(0.0, (self.rows - 2) as f64);
        let (x, y) = (fx as usize, fy as usize);
        let (ax, ay) = (fx - x as f64, fy - y as f64);
        let at = |x: usize, y: usize| f64::from(self.values[y * self.columns + x]);
        let top = at(x, y) * (1.0 - ax) + at(x + 1, y) * ax;
        let bottom = at(x, y + 1) * (1.0 - ax) + at(x + 1, y + 1) * ax;
        top * (1.0 - ay) + bottom * ay
    }
}

/// How finely the Moon's face is wanted.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum SurfaceDetail {
    /// Half a degree (15 km): seas and rays, for measuring.
    Coarse,
    /// An eighth of a degree (4 km), for drawing; made in some seconds, once a process.
    Fine,
}

/// Albedo at a selenographic latitude and longitude (radians), one at its mean over the disc.
///
/// # Accuracy
/// Places of features are good to about half a degree; outlines of the plains are drawn.
pub fn lunar_albedo(detail: SurfaceDetail, latitude: f64, longitude: f64) -> f64 {
    static COARSE: OnceLock<AlbedoMap> = OnceLock::new();
    static FINE: OnceLock<AlbedoMap> = OnceLock::new();
    let map = match detail {
        SurfaceDetail::Coarse => COARSE.get_or_init(|| AlbedoMap::new(0.5)),
        SurfaceDetail::Fine => FINE.get_or_init(|| AlbedoMap::new(0.125)),
    };
    map.albedo(latitude, longitude)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn seas_are_darker_than_highlands_and_tycho_is_bright() {
        let at = |lat: f64, lon: f64| lunar_albedo(SurfaceDetail::Coarse, lat.to_radians(), lon.to_radians());
        let (crisium, highland, tycho) = (at(17.0, 59.0), at(-30.0, 10.0), at(-43.3, -11.2));
        assert!(crisium < 0.75 * highland && tycho > 1.15 * highland, "{crisium} {highland} {tycho}");
    }
}
