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

/// Whoever exposes for a landscape burns the partial phases by five stops: what is white then lies on the lit side, by half a radius
/// and more. Its shape tells where the disc stands, and the aim of the tripod is right.
#[test]
fn burnt_crescents_of_a_small_moon_are_placed_where_its_centre_is() {
    let folder = TempDir::new().unwrap();
    let text = r#"(version: 1, title: "Burnt afar", site: (latitude_deg: -31.9, longitude_deg: 115.8),
        eclipse: "2028-12-31", utc_offset: "+08:00", seed: 11, rigs: [(
            name: "rig",
            camera: (model: "Test camera", width_px: 1300, height_px: 800, pixel_pitch_um: 11.0, focal_length_mm: 13.0, k1: -0.01),
            mount: FixedTripod(azimuth_deg: 355.0, altitude_deg: 27.0),
            frames: (every_minutes: 8.0, lead_minutes: -40.0, tail_minutes: -56.0),
            exposures: [
                (from_umbral_fraction: 0.00, seconds: 0.1, f_number: 5.6, iso: 400.0),
                (from_umbral_fraction: 0.98, seconds: 0.8, f_number: 2.8, iso: 400.0),
            ],
            format: Jpeg(quality: 92),
        )])"#;
    let scenario = Scenario::parse(Path::new("burnt.ron"), text).unwrap_or_else(|d| panic!("{d}"));
    let truth = rehearse(&scenario, folder.path(), &|_| {}).unwrap().remove(0);
    let night = read_night(&folder.path().join("rig")).unwrap().value;
    let found = register(&night, Default::default(), &|_| {}).value;
    let (mut worst, mut ratios, mut burnt) = (0.0f64, Vec::new(), 0);
    for (frame, t) in found.frames.iter().zip(&truth.frames) {
        assert_eq!(frame.status(), Status::Measured, "{}: {:?}", t.file, frame.reason());
        let (centre, sigma) = (frame.centre().unwrap(), frame.centre_sigma_px().unwrap());
        let off = (centre.x - t.x_px.unwrap()).hypot(centre.y - t.y_px.unwrap());
        worst = worst.max(off);
        ratios.push(off / sigma);
        burnt += usize::from((0.1..0.9).contains(&t.umbral_fraction));
        assert!(off < 0.12 * t.radius_px.unwrap(), "{}: {off:.2} px off, umbra {:.2}", t.file, t.umbral_fraction);
    }
    ratios.sort_by(f64::total_cmp);
    let (middle, high) = (ratios[ratios.len() / 2], ratios[ratios.len() * 9 / 10]);
    println!(
        "burnt afar: {} frames, {burnt} crescents, {worst:.2} px off at most, error over sigma {middle:.2}, {high:.2}",
        ratios.len()
    );
    assert!(burnt >= 10 && high < 2.8, "{burnt} {high}");
    assert_eq!(found.rigs.len(), 1, "glares of one Moon are no zooms");
    let aim = found.rigs[0].pointings[0].pointing;
    let wrapped = |a: f64| (a + 540.0).rem_euclid(360.0) - 180.0;
    assert!(
        wrapped(aim.azimuth.degrees() - 355.0).abs() < 0.03 && (aim.altitude.degrees() - 27.0).abs() < 0.03,
        "{aim:?}"
    );
}
