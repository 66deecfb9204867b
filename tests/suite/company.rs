//! The Moon in bad company: in an eyepiece's field, behind lamps that are surer discs than itself, among frames of another size.
//!
//! The Moons are the sample frames', as the camera wrote them; what stands around them is drawn here.

use crate::nights::sample;
use image::{Rgb, RgbImage, imageops};
use moonloom::ingest::read_frames;
use moonloom::registration::{Registration, Status};
use moonloom::solve::register;
use std::path::{Path, PathBuf};
use tempfile::TempDir;

/// A sample frame's Moon, its centre in the middle, and its radius in pixels.
fn moon(file: &str, radius: f64) -> RgbImage {
    let folder = sample("tele");
    let truth: serde_json::Value =
        serde_json::from_str(&std::fs::read_to_string(folder.join("truth.json")).unwrap()).unwrap();
    let of = truth["frames"].as_array().unwrap().iter().find(|f| f["file"] == file).unwrap().clone();
    let number = |name: &str| of[name].as_f64().unwrap();
    let (x, y, r) = (number("x_px"), number("y_px"), number("radius_px"));
    let frame = image::open(folder.join(file)).unwrap().into_rgb8();
    let half = (1.2 * r) as i64;
    let cut = imageops::crop_imm(
        &frame,
        (x as i64 - half) as u32,
        (y as i64 - half) as u32,
        2 * half as u32,
        2 * half as u32,
    );
    let side = (2.0 * half as f64 * radius / r).round() as u32;
    imageops::resize(&cut.to_image(), side, side, imageops::FilterType::Triangle)
}

/// Lays what is brighter over a picture, its middle at a place.
fn lay(picture: &mut RgbImage, what: &RgbImage, (x, y): (i32, i32)) {
    for (dx, dy, pixel) in what.enumerate_pixels() {
        let (half_width, half_height) = (what.width() as i32 / 2, what.height() as i32 / 2);
        let at = (x - half_width + dx as i32, y - half_height + dy as i32);
        if let (Ok(px), Ok(py)) = (u32::try_from(at.0), u32::try_from(at.1))
            && let Some(there) = picture.get_pixel_mut_checked(px, py)
        {
            (0..3).for_each(|c| there[c] = there[c].max(pixel[c]));
        }
    }
}

/// A disc of one brightness with an edge some pixels wide.
fn globe(radius: f64, colour: [u8; 3], blur: f64) -> RgbImage {
    let side = (2.0 * radius + 8.0 * blur) as u32;
    let middle = f64::from(side) / 2.0;
    RgbImage::from_fn(side, side, |x, y| {
        let off = (f64::from(x) + 0.5 - middle).hypot(f64::from(y) + 0.5 - middle) - radius;
        let cover = (0.5 - off / (2.0 * blur)).clamp(0.0, 1.0);
        Rgb(colour.map(|c| (f64::from(c) * cover) as u8))
    })
}

/// A dark picture with a camera's noise.
fn night_sky(width: u32, height: u32) -> RgbImage {
    let mut state = 20_281_231u64;
    RgbImage::from_fn(width, height, |_, _| {
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        Rgb([3 + (state >> 62) as u8; 3])
    })
}

fn registered(pictures: &[(&str, &RgbImage)], folder: &Path) -> Registration {
    let paths: Vec<PathBuf> = pictures
        .iter()
        .map(|(name, picture)| {
            let path = folder.join(name);
            picture.save(&path).unwrap();
            path
        })
        .collect();
    register(&read_frames(paths).unwrap().value, Default::default(), &|_| {}).value
}

/// Where a frame's Moon was measured, and its radius.
fn found(registration: &Registration, file: &str) -> Option<(f64, f64, f64)> {
    let frame = registration.frames.iter().find(|f| f.file == file).unwrap();
    println!("{file}: {:?} {:?}", frame.status(), frame.disc().map(|d| (d.centre, d.radius_px)));
    frame.disc().filter(|_| frame.status() == Status::Measured).map(|d| (d.centre.x, d.centre.y, d.radius_px))
}

/// Within two percent of the radius, as well as a circle can be laid by eye.
fn is_at(found: Option<(f64, f64, f64)>, (x, y, r): (f64, f64, f64)) -> bool {
    found.is_some_and(|f| (f.0 - x).hypot(f.1 - y) < 0.02 * r + 0.7 && (f.2 - r).abs() < 0.02 * r + 0.7)
}

#[test]
fn an_eyepieces_field_is_not_the_moon_in_it() {
    let folder = TempDir::new().unwrap();
    for (i, (file, radius, stop, at)) in [
        ("t0001.jpg", 100.0, 290.0, (430, 400)),
        ("t0009.jpg", 110.0, 330.0, (540, 330)),
        ("t0013.jpg", 80.0, 250.0, (500, 420)),
    ]
    .into_iter()
    .enumerate()
    {
        let mut picture = night_sky(1000, 760);
        lay(&mut picture, &globe(stop, [34, 33, 38], 3.0), (480, 380));
        lay(&mut picture, &moon(file, radius), at);
        let name = format!("eyepiece-{i}.png");
        let registration = registered(&[(&name, &picture)], folder.path());
        let (x, y) = (f64::from(at.0), f64::from(at.1));
        assert!(is_at(found(&registration, &name), (x, y, radius)), "{file} in a field of {stop} px");
        // The field alone is none, however its glow fades.
        let mut empty = night_sky(1000, 760);
        lay(&mut empty, &globe(stop, [34, 33, 38], 3.0), (480, 380));
        lay(&mut empty, &globe(0.3 * stop, [52, 50, 56], 0.25 * stop), at);
        let name = format!("empty-{i}.png");
        assert_eq!(found(&registered(&[(&name, &empty)], folder.path()), &name), None);
    }
}

#[test]
fn a_moon_behind_surer_lamps_is_found() {
    let folder = TempDir::new().unwrap();
    let mut picture = night_sky(1600, 1000);
    for (x, y) in [(250, 800), (700, 760), (1150, 810)] {
        lay(&mut picture, &globe(70.0, [255, 236, 190], 1.0), (x, y));
    }
    lay(&mut picture, &moon("t0009.jpg", 60.0), (1200, 250));
    let registration = registered(&[("street.png", &picture)], folder.path());
    assert!(is_at(found(&registration, "street.png"), (1200.0, 250.0, 60.0)));
}

#[test]
fn a_disc_of_a_size_of_its_own_stands_by_itself() {
    let folder = TempDir::new().unwrap();
    let with = |file: &str, radius: f64, at: (i32, i32)| {
        let mut picture = night_sky(1000, 760);
        lay(&mut picture, &moon(file, radius), at);
        picture
    };
    // Four of one size, two of another, and one as large as none of them, full and clear.
    let frames = [
        ("a.png", "t0005.jpg", 110.0, (400, 300)),
        ("b.png", "t0006.jpg", 110.0, (520, 350)),
        ("c.png", "t0007.jpg", 110.0, (430, 420)),
        ("d.png", "t0008.jpg", 110.0, (460, 380)),
        ("e.png", "t0001.jpg", 205.0, (510, 390)),
        ("f.png", "t0002.jpg", 82.0, (600, 300)),
        ("g.png", "t0003.jpg", 82.0, (380, 400)),
    ];
    let pictures: Vec<(&str, RgbImage)> =
        frames.iter().map(|(name, file, r, at)| (*name, with(file, *r, *at))).collect();
    let borrowed: Vec<(&str, &RgbImage)> = pictures.iter().map(|(name, picture)| (*name, picture)).collect();
    let registration = registered(&borrowed, folder.path());
    for (name, _, radius, (x, y)) in frames {
        let (x, y) = (f64::from(x), f64::from(y));
        assert!(is_at(found(&registration, name), (x, y, radius)), "{name}");
    }
}
