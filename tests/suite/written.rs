//! Pictures as other programs read them: values, profile and resolution by general-purpose libraries.
//!
//! `tests/data/frames/pictures-by-others.csv` was made by `read_pictures.py` from the files that
//! `write_the_pictures_of_the_table` writes: tifffile, Pillow and OpenCV (and OpenEXR) agree in it.

use crate::nights::root;
use moonloom::raster::{ColourMatrix, RgbSpace, TransferFunction};
use moonloom::write::{BitDepth, Container, OutputSpec, PictureRecord, write_picture};
use std::path::Path;

const WIDTH: usize = 60;
const HEIGHT: usize = 44;

/// Light of a pixel: ramps over the whole scale, with colours on the rim of sRGB.
fn light(x: usize, y: usize) -> [f32; 3] {
    let (u, v) = (x as f32 / (WIDTH - 1) as f32, y as f32 / (HEIGHT - 1) as f32);
    let inside = [u * u * (1.0 - 0.6 * v), u * v * 0.8, v * v * 0.9 + 0.001];
    ColourMatrix::new(RgbSpace::SRGB.to(&RgbSpace::WORKING)).apply(inside)
}

const PICTURES: [(&str, RgbSpace, BitDepth); 7] = [
    ("srgb-16.tif", RgbSpace::SRGB, BitDepth::Sixteen),
    ("adobe-compatible-16.tif", RgbSpace::OP_RGB, BitDepth::Sixteen),
    ("linear-float.tif", RgbSpace::WORKING, BitDepth::Float),
    ("p3-16.png", RgbSpace::DISPLAY_P3, BitDepth::Sixteen),
    ("half.exr", RgbSpace::WORKING, BitDepth::Half),
    ("float.exr", RgbSpace::SRGB, BitDepth::Float),
    ("preview.jpg", RgbSpace::SRGB, BitDepth::Eight),
];

fn write_all(folder: &Path) {
    for (name, space, depth) in PICTURES {
        let path = folder.join(name);
        let record = PictureRecord {
            title: Some("A tide of light: ção".into()),
            description: "written to be read".into(),
            layout: "none.ron".into(),
            ..PictureRecord::default()
        };
        let spec = OutputSpec {
            space,
            dots_per_inch: 240.0,
            record: Some(record),
            ..OutputSpec::new(Container::for_path(&path).unwrap(), depth)
        };
        let rows = &mut |rows: std::ops::Range<usize>| {
            rows.flat_map(|y| (0..WIDTH).flat_map(move |x| light(x, y))).collect::<Vec<f32>>()
        };
        write_picture(&path, &spec, (WIDTH, HEIGHT), rows).unwrap();
    }
}

#[test]
#[ignore = "writes the files that the independent table is read from"]
fn write_the_pictures_of_the_table() {
    let folder = std::env::temp_dir().join("moonloom-pictures");
    std::fs::create_dir_all(&folder).unwrap();
    write_all(&folder);
    println!("{}", folder.display());
}

#[derive(serde::Deserialize)]
struct Row {
    file: String,
    reader: String,
    #[serde(default)]
    x: Option<usize>,
    #[serde(default)]
    y: Option<usize>,
    red: String,
    green: String,
    blue: String,
}

/// What the file's numbers should be, by the standards' formulas.
fn expected(name: &str, space: RgbSpace, depth: BitDepth, x: usize, y: usize) -> [f64; 3] {
    let there = ColourMatrix::new(RgbSpace::WORKING.to(&space)).apply(light(x, y));
    let is_light = depth == BitDepth::Float || depth == BitDepth::Half;
    let curve = if is_light { TransferFunction::Linear } else { space.transfer };
    let scale = match depth {
        BitDepth::Sixteen => 65_535.0,
        BitDepth::Eight => 255.0,
        _ => 1.0,
    };
    assert!(!name.is_empty());
    there.map(|v| if is_light { f64::from(v) } else { f64::from(curve.encode(v.clamp(0.0, 1.0))) * scale })
}

#[test]
fn other_readers_find_the_values_that_were_written() {
    let text = std::fs::read_to_string(root().join("tests/data/frames/pictures-by-others.csv")).unwrap();
    let mut reader = csv::ReaderBuilder::new().comment(Some(b'#')).flexible(true).from_reader(text.as_bytes());
    let mut compared = std::collections::BTreeMap::<String, (usize, f64)>::new();
    for row in reader.deserialize::<Row>() {
        let row = row.unwrap();
        let (Some(x), Some(y)) = (row.x, row.y) else { continue };
        let Some((name, space, depth)) = PICTURES.into_iter().find(|p| p.0 == row.file) else { continue };
        let read = [&row.red, &row.green, &row.blue].map(|v| v.parse::<f64>().unwrap());
        // One step of the integers; a half's eleven bits; a JPEG's quantisation of a smooth ramp.
        for (found, due) in read.iter().zip(expected(name, space, depth, x, y)) {
            let allowed = match depth {
                // A pure power makes many steps of what single precision leaves of nothing beside full light.
                BitDepth::Sixteen if space == RgbSpace::OP_RGB && due < 64.0 => 64.0,
                BitDepth::Sixteen => 1.0,
                BitDepth::Eight => 6.0,
                BitDepth::Half => due.abs() / 1024.0 + 1e-6,
                BitDepth::Float => 2e-6,
            };
            let entry = compared.entry(format!("{name} by {}", row.reader)).or_default();
            entry.0 += 1;
            entry.1 = entry.1.max((found - due).abs());
            assert!((found - due).abs() <= allowed, "{name} by {} at {x},{y}: {found} is not {due}", row.reader);
        }
    }
    println!("largest difference from the standards' formulas, in the file's own steps");
    compared.iter().for_each(|(what, (n, off))| println!("  {what:<40} {n:>4} values {off:.6}"));
    assert!(compared.len() >= 10, "{} pairs of file and reader", compared.len());
}
