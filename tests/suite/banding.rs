//! Eight bits, raised: a smooth umbra of single JPEGs must not fall into bands.
//!
//! The discs here have no face and no noise, only the shadow's light: whatever steps show in the picture are the file's.

use image::{ImageBuffer, Rgb, RgbImage, codecs::jpeg::JpegEncoder};
use moonloom::compose::{ComposeRequest, PictureRequest, compose};
use moonloom::composition::{Composition, Placement};
use moonloom::ingest::{Reading, decode, read_night};
use moonloom::layout::Layout;
use moonloom::raster::{LinearImage, PixelPoint};
use moonloom::sky::{Danjon, ShadowLight};
use moonloom::solve::register;
use moonloom::units::Angle;
use std::path::Path;
use tempfile::TempDir;

const SIDE: u32 = 360;
const RADIUS: f64 = 140.0;

type Curve = fn(f64) -> f64;

/// Tone curves of cameras, on top of sRGB's: as it is, an S, a shoulder, a toe.
const CURVES: [(&str, Curve); 4] = [
    ("plain", |code| code),
    ("contrast", |c| c + 0.35 * (c * c * (3.0 - 2.0 * c) - c)),
    ("shoulder", |c| 1.5 * c / (1.0 + 0.5 * c)),
    ("toe", |c| c.powf(1.25)),
];

/// Writes a disc, a share of which is in the umbra, as a camera of a tone curve exposes it by a gain: as a JPEG of eight bits,
/// and the same in sixteen.
fn write_frame(folders: [&Path; 2], name: &str, (covered, gain): (f64, f64), curve: Curve) {
    // Mean radii of umbra, penumbra and Moon, degrees.
    let (umbra, penumbra, moon) = (0.72, 1.26, 0.26);
    let light = ShadowLight::new(Angle::from_degrees(umbra), Angle::from_degrees(penumbra), Danjon { scale: 2.4 });
    let axis = (umbra - moon - 2.0 * moon * (covered - 1.0)) / moon * RADIUS;
    let srgb = |v: f64| if v < 0.003_130_8 { 12.92 * v } else { 1.055 * v.powf(1.0 / 2.4) - 0.055 };
    let middle = f64::from(SIDE) / 2.0;
    let codes = |x: u32, y: u32| {
        let (dx, dy) = (f64::from(x) + 0.5 - middle, f64::from(y) + 0.5 - middle);
        // The limb is as wide as a good lens makes it.
        let inside = (0.5 - (dx.hypot(dy) - RADIUS) / 3.0).clamp(0.0, 1.0);
        let from_axis = Angle::from_degrees((dx + axis).hypot(dy) / RADIUS * moon);
        light.radiance(from_axis).map(|v| curve(srgb((gain * v * inside).min(1.0))))
    };
    let eight = RgbImage::from_fn(SIDE, SIDE, |x, y| Rgb(codes(x, y).map(|c| (255.0 * c).round() as u8)));
    let mut file = std::fs::File::create(folders[0].join(format!("{name}.jpg"))).unwrap();
    JpegEncoder::new_with_quality(&mut file, 95).encode_image(&eight).unwrap();
    let sixteen = ImageBuffer::from_fn(SIDE, SIDE, |x, y| Rgb(codes(x, y).map(|c| (65_535.0 * c).round() as u16)));
    sixteen.save(folders[1].join(format!("{name}.png"))).unwrap();
}

struct Sheet {
    picture: LinearImage,
    composition: Composition,
    /// Discs that were held, by the message that names them.
    held: String,
}

fn sheet(folder: &Path) -> Sheet {
    let night = read_night(folder).unwrap().value;
    let registration = register(&night, Default::default(), &|_| {}).value;
    let layout = "(version: 2, canvas: (width: 1300, height: 700, background: \"black\"), \
        arrangement: PhaseGrid(columns: 4, rows: 2, up: AsShot, disc_diameter: 280), \
        light: (even_level: 0.55, blend: Normal), output: (colour_space: LinearRec2020, depth: Float))";
    let layout = Layout::parse(Path::new("bands.ron"), layout).unwrap_or_else(|d| panic!("{d}"));
    let out = folder.join("picture.tif");
    let request = PictureRequest::new(&layout, &night, &registration);
    let (composition, diagnostics) = compose(&ComposeRequest { picture: request, out: &out, preview: None }).unwrap();
    let held = diagnostics.iter().filter(|d| d.code == "lift-held").map(|d| d.message.clone()).collect();
    Sheet { picture: decode(&out, &Reading::default()).unwrap(), composition, held }
}

/// Steps between neighbouring samples of a disc that the same in sixteen bits does not show, as shares of the local level,
/// in order.
fn steps(eight: (&LinearImage, &Placement), sixteen: (&LinearImage, &Placement)) -> Vec<f32> {
    let light = |picture: &LinearImage, x: i64, y: i64| picture.pixel(x as usize, y as usize).iter().sum::<f32>();
    let (a, b) = (eight.1.centre(), sixteen.1.centre());
    let reach = (0.9 * eight.1.radius_px) as i64;
    let mut out = Vec::new();
    for (dx, dy) in (-reach..reach).flat_map(|dy| (-reach..reach).map(move |dx| (dx, dy))) {
        if dx * dx + dy * dy > reach * reach {
            continue;
        }
        // Darker than a print's black, some hundredth of its white (common practice, no source), nothing is seen.
        let ratio = |by: i64| {
            let at = |c: PixelPoint| (c.x as i64 + dx + by, c.y as i64 + dy);
            let ((ax, ay), (bx, by)) = (at(a), at(b));
            (light(eight.0, ax, ay) + 0.03) / (light(sixteen.0, bx, by) + 0.03)
        };
        out.push((ratio(1) / ratio(0) - 1.0).abs());
    }
    out
}

#[test]
fn no_band_shows_in_an_umbra_that_eight_bits_tell_or_the_disc_is_held() {
    println!("steps over the local level: median, nine in ten, 95 and 99 in 100");
    for (name, curve) in CURVES {
        let (eight, sixteen) = (TempDir::new().unwrap(), TempDir::new().unwrap());
        for (i, covered) in [0.9, 1.02].into_iter().enumerate() {
            for (k, gain) in [0.7, 6.0, 48.0, 380.0].into_iter().enumerate() {
                write_frame([eight.path(), sixteen.path()], &format!("f{i}{k}"), (covered, gain), curve);
            }
        }
        let (eight, sixteen) = (sheet(eight.path()), sheet(sixteen.path()));
        let (mut all, mut held) = (Vec::new(), 0);
        for p in &eight.composition.placements {
            if eight.held.contains(&p.frame) {
                held += 1;
                continue;
            }
            let of_sixteen = |q: &&Placement| q.frame.split('.').next() == p.frame.split('.').next();
            let Some(q) = sixteen.composition.placements.iter().find(of_sixteen) else { continue };
            all.extend(steps((&eight.picture, p), (&sixteen.picture, q)));
        }
        all.sort_by(f32::total_cmp);
        let at = |share: f64| all[((all.len() - 1) as f64 * share) as usize];
        println!("  {name}: {:.4} {:.4} {:.4} {:.4}; {held} discs held", at(0.5), at(0.9), at(0.95), at(0.99));
        assert!(held > 0 && all.len() > 100_000, "{name}: {held} held, {} samples", all.len());
        // Left: where one channel clips, and the compression's own noise, which is larger than a step.
        assert!(at(0.5) < 1.0 / 500.0 && at(0.9) < 1.0 / 100.0 && at(0.95) < 1.0 / 60.0, "{name}");
    }
}
