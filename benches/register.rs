//! Registration of nights beside decoding their frames once with the `image` crate.
//!
//! `cargo bench --bench register`. Rehearsed first (two minutes): 24-megapixel JPEGs of a wide lens on a fixed tripod and
//! of a long lens re-aimed by hand, and the rigs of the tests' matrix with all that goes wrong there. Where
//! `MOONLOOM_CORPUS` names a folder, the nights and sequences in it follow.

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
    println!("{} threads", rayon::current_num_threads());
    let matrix = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data/rehearsals/matrix.ron");
    let matrix = std::fs::read_to_string(matrix).expect("the matrix is there");
    for nights in [NIGHTS, &matrix] {
        let scenario = Scenario::parse(Path::new("bench.ron"), nights).unwrap_or_else(|d| panic!("{d}"));
        rehearse(&scenario, &folder, &|_| {}).expect("the nights are rendered");
        scenario.rigs.iter().for_each(|rig| beside_decoding(&rig.name, &folder.join(&rig.name)));
        let _ = std::fs::remove_dir_all(&folder);
    }
    let Some(corpus) = std::env::var_os("MOONLOOM_CORPUS") else { return };
    for kind in ["nights", "sequences"] {
        let Ok(entries) = std::fs::read_dir(Path::new(&corpus).join(kind)) else { continue };
        let mut nights: Vec<_> = entries.filter_map(|e| e.ok().map(|e| e.path())).filter(|p| p.is_dir()).collect();
        nights.sort();
        nights
            .iter()
            .for_each(|night| beside_decoding(&night.file_name().unwrap_or_default().to_string_lossy(), night));
    }
}

fn beside_decoding(name: &str, folder: &Path) {
    let night = read_night(folder).expect("there are frames").value;
    let decode = best(|| {
        night.frames.par_iter().for_each(|f| drop(image::open(&f.path).expect("`image` reads it").into_rgb8()));
    });
    let mut measured = 0;
    let all = best(|| {
        measured = register(&night, Default::default(), &|_| {}).value.count(moonloom::registration::Status::Measured);
    });
    let pixels: usize = night.frames.iter().map(|f| night.rigs[f.rig].width * night.rigs[f.rig].height).sum();
    println!(
        "{name:<24} {:3} frames of {:4.1} MP, {measured:3} measured: decoding once {decode:6.2} s, registering {all:6.2} s, ratio {:5.2}",
        night.frames.len(),
        pixels as f64 / 1e6 / night.frames.len() as f64,
        all / decode
    );
}
