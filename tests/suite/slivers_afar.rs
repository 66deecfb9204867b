//! What is left of a small Moon: through a wide lens a partial eclipse ends as a sliver of two or three pixels beside the disc's
//! centre. A fixed tripod's aim knows where that centre is, and no sliver may be taken for a disc.

use moonloom::ingest::read_night;
use moonloom::registration::Status;
use moonloom::simulate::{Scenario, rehearse};
use moonloom::solve::register;
use std::path::Path;
use tempfile::TempDir;

#[test]
fn slivers_of_a_small_moon_are_placed_where_its_centre_is() {
    let folder = TempDir::new().unwrap();
    // 2026-08-28: nine tenths of the diameter in the umbra; 28 frames over an hour and a half, a disc of 4.1 px.
    let text = r#"(version: 1, title: "Slivers afar", site: (latitude_deg: 12.0, longitude_deg: -66.0),
        eclipse: "2026-08-28", utc_offset: "-04:00", seed: 37, rigs: [(
            name: "rig",
            camera: (model: "Test camera", width_px: 760, height_px: 620, pixel_pitch_um: 18.0, focal_length_mm: 16.0),
            mount: FixedTripod(azimuth_deg: 190.0, altitude_deg: 68.0),
            frames: (every_minutes: 3.2, lead_minutes: -108.0, tail_minutes: -140.0),
            exposures: [
                (from_umbral_fraction: 0.00, seconds: 0.005, f_number: 5.6, iso: 200.0),
                (from_umbral_fraction: 0.40, seconds: 0.01, f_number: 5.6, iso: 200.0),
                (from_umbral_fraction: 0.85, seconds: 0.02, f_number: 5.6, iso: 200.0),
            ],
            format: Jpeg(quality: 92),
        )])"#;
    let scenario = Scenario::parse(Path::new("afar.ron"), text).unwrap_or_else(|d| panic!("{d}"));
    let truth = rehearse(&scenario, folder.path(), &|_| {}).unwrap().remove(0);
    let night = read_night(&folder.path().join("rig")).unwrap().value;
    let found = register(&night, Default::default(), &|_| {}).value;
    let (mut slivers, mut worst) = (0, 0.0f64);
    for (frame, t) in found.frames.iter().zip(&truth.frames) {
        let centre = frame.centre().unwrap_or_else(|| panic!("{}: {:?}", t.file, frame.reason()));
        let off = (centre.x - t.x_px.unwrap()).hypot(centre.y - t.y_px.unwrap());
        worst = worst.max(off / t.radius_px.unwrap());
        assert!(
            off < 0.2 * t.radius_px.unwrap(),
            "{}: {off:.2} px off with {:.0} % in the umbra",
            t.file,
            100.0 * t.umbral_fraction
        );
        slivers += usize::from(t.umbral_fraction > 0.85 && frame.status() == Status::Measured);
    }
    println!("slivers afar: {} frames, {slivers} slivers measured, the worst {worst:.2} radii off", found.frames.len());
    assert!(slivers >= 6, "{slivers} slivers were measured");
}
