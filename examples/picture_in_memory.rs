//! A picture of a night in memory: its light, and where each disc lies in it.
//!
//! `cargo run --release --example picture_in_memory -- sample-frames/tele phases.png`

use moonloom::compose::{PictureRequest, render};
use moonloom::ingest::read_night;
use moonloom::layout::Layout;
use moonloom::solve::{ClockSource, register};
use moonloom::write::srgb_codes;
use std::path::{Path, PathBuf};

const LAYOUT: &str = r##"(
    version: 2,
    canvas: (width: 1200, height: 800, margin: 40, background: "#0c0d10"),
    selection: (count: 6),
    arrangement: PhaseGrid(columns: 3, rows: 2),
)"##;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let folder = std::env::args().nth(1).map_or_else(|| PathBuf::from("sample-frames/tele"), PathBuf::from);
    let night = read_night(&folder)?.value;
    let registration = register(&night, ClockSource::Frames, &|_| {}).value;
    let layout = Layout::parse(Path::new("layout.ron"), LAYOUT)?;

    let picture = render(&PictureRequest::new(&layout, &night, &registration))?;
    for p in &picture.composition.placements {
        println!("{} at ({:.0}, {:.0}), radius {:.0} px", p.frame, p.centre().x, p.centre().y, p.radius_px);
    }
    // Linear Rec. 2020 until here; a file wants codes.
    let (width, height) = (picture.light.width() as u32, picture.light.height() as u32);
    let codes = image::RgbImage::from_raw(width, height, srgb_codes(picture.light.data())).ok_or("no picture")?;
    match std::env::args().nth(2) {
        Some(out) => codes.save(out)?,
        None => println!("{width} x {height} px, the brightest code {}", codes.iter().max().unwrap_or(&0)),
    }
    Ok(())
}
