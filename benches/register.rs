//! Registration of a night of 24-megapixel JPEGs beside decoding it once with the `image` crate.
//!
//! `cargo bench --bench register`. Two rigs are rehearsed first (a minute): a wide lens on a fixed tripod
//! and a long lens re-aimed by hand.

mod timing;

use moonloom::ingest::read_night;
use moonloom::simulate::{Scenario, rehearse};
use moonloom::solve::register;
use rayon::prelude::*;
use std::path::Path;
use timing::best;

const NIGHTS: &str = r#"(
    version: 1, title: "Bench", site: (latitude_deg: -31.9, longitude_deg: 115.75), eclipse: "2028-12-31",
    utc_offset: "+08:00", seed: 3,
    rigs: [
        (
            name: "wide",
            camera: (model: "W", width_px: 6000, height_px: 4000, pixel_pitch_um: 6.0, focal_length_mm: 18.0),
            mount: FixedTripod(azimuth_deg: 355.5, altitude_deg: 17.5),
            frames: (every_minutes: 24.0),
            exposures: [
                (from_umbral_fraction: 0.0, seconds: 0.005, f_number: 5.6, iso: 200.0),
                (from_umbral_fraction: 0.999, seconds: 1.3, f_number: 4.0, iso: 1600.0),
            ],
        ),
        (
            name: "long",
            camera: (model: "L", width_px: 6000, height_px: 4000, pixel_pitch_um: 6.0, focal_length_mm: 400.0),
            mount: ReaimedTripod(scatter_px: 500.0),
            frames: (every_minutes: 24.0),
            exposures: [
                (from_umbral_fraction: 0.0, seconds: 0.005, f_number: 8.0, iso: 200.0),
                (from_umbral_fraction: 0.999, seconds: 0.5, f_number: 5.6, iso: 1600.0),
            ],
        ),
    ],
)"#;

fn main() {
    let folder = std::env::temp_dir().join(format!("moonloom-bench-{}", std::process::id()));
    let scenario = Scenario::parse(Path::new("bench.ron"), NIGHTS).unwrap_or_else(|d| panic!("{d}"));
    rehearse(&scenario, &folder, &|_| {}).expect("the nights are rendered");
    println!("{} threads", rayon::current_num_threads());
    for rig in &scenario.rigs {
        let night = read_night(&folder.join(&rig.name)).expect("there are frames").value;
        let decode = best(|| {
            night.frames.par_iter().for_each(|f| drop(image::open(&f.path).expect("it decodes").into_rgb8()));
        });
        let mut measured = 0;
        let all = best(|| {
            measured =
                register(&night, Default::default(), &|_| {}).value.count(moonloom::registration::Status::Measured);
        });
        println!(
            "{}: {} frames of 24 MP, {measured} measured: decoding once {decode:.2} s, registering {all:.2} s, ratio {:.2}",
            rig.name,
            night.frames.len(),
            all / decode
        );
    }
    let _ = std::fs::remove_dir_all(&folder);
}
