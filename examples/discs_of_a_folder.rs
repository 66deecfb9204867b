//! The Moon in every frame of a folder, with its standard deviations.
//!
//! `cargo run --release --example discs_of_a_folder -- sample-frames/tele`

use moonloom::ingest::read_night;
use moonloom::solve::{ClockSource, register};
use std::path::PathBuf;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let folder = std::env::args().nth(1).map_or_else(|| PathBuf::from("sample-frames/tele"), PathBuf::from);
    let night = read_night(&folder)?;
    let found = register(&night.value, ClockSource::Frames, &|_| {});
    for message in night.diagnostics.iter().chain(&found.diagnostics) {
        eprintln!("{message}");
    }
    for frame in &found.value.frames {
        match (frame.disc(), frame.reason()) {
            (Some(disc), _) => println!(
                "{:<16} {:?} at ({:.2}, {:.2}) ± {:.2} px, radius {:.2} px",
                frame.file,
                frame.status(),
                disc.centre.x,
                disc.centre.y,
                disc.centre_sigma_px,
                disc.radius_px
            ),
            (None, why) => println!("{:<16} {}", frame.file, why.unwrap_or_default()),
        }
    }
    Ok(())
}
