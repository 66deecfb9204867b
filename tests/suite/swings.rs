//! What drives and hands do to a telescope that follows the sky: it hunts, it is nudged, it swings over the pole and shows the second
//! half of the night upside down. Each disc stands where it was photographed, whatever path the others would have it on.

use moonloom::ingest::read_night;
use moonloom::registration::Status;
use moonloom::simulate::{FrameTruth, Scenario, rehearse};
use moonloom::solve::register;
use std::fmt::Write as _;
use std::path::Path;
use tempfile::TempDir;

/// A night of a mount that hunts by so many pixels, an hour and a half to and fro, its frames' second half turned by 180 degrees;
/// with the truth of each frame as it then is.
fn night(folder: &Path, hunts_px: f64) -> Vec<FrameTruth> {
    let text = format!(
        r#"(version: 1, title: "Swings", site: (latitude_deg: -31.9, longitude_deg: 115.8), eclipse: "2028-12-31",
        utc_offset: "+08:00", seed: 5, rigs: [(
            name: "rig",
            camera: (model: "Test camera", width_px: 420, height_px: 360, pixel_pitch_um: 24.0, focal_length_mm: 400.0),
            mount: Tracking(up_position_angle_deg: 20.0, drift_px_per_hour: (6.0, -4.0), wobble_px: {hunts_px}, wobble_period_s: 5400.0),
            frames: (every_minutes: 14.0),
            exposures: [
                (from_umbral_fraction: 0.0, seconds: 0.004, f_number: 8.0, iso: 200.0),
                (from_umbral_fraction: 0.6, seconds: 0.01, f_number: 8.0, iso: 200.0),
                (from_umbral_fraction: 0.99, seconds: 2.0, f_number: 8.0, iso: 800.0),
            ],
            format: Jpeg(quality: 92),
        )])"#
    );
    let scenario = Scenario::parse(Path::new("swings.ron"), &text).unwrap_or_else(|d| panic!("{d}"));
    let rehearsed = TempDir::new().unwrap();
    let mut truth = rehearse(&scenario, rehearsed.path(), &|_| {}).unwrap().remove(0).frames;
    let half = truth.len() / 2;
    let mut table = String::from("file,utc\n");
    for (k, t) in truth.iter_mut().enumerate() {
        let picture = image::open(rehearsed.path().join("rig").join(&t.file)).unwrap();
        let picture = if k < half { picture } else { picture.rotate180() };
        t.file = t.file.replace(".jpg", ".png");
        picture.save(folder.join(&t.file)).unwrap();
        let _ = writeln!(table, "{},{}", t.file, t.utc);
        if k >= half {
            (t.x_px, t.y_px) = (t.x_px.map(|x| 420.0 - x), t.y_px.map(|y| 360.0 - y));
            t.up_position_angle_deg = (t.up_position_angle_deg + 180.0) % 360.0;
        }
    }
    std::fs::write(folder.join("frames.csv"), table).unwrap();
    let notes = "(version: 1, site: (latitude_deg: -31.9, longitude_deg: 115.8), mount: Tracking)";
    std::fs::write(folder.join("shoot.ron"), notes).unwrap();
    truth
}

#[test]
fn no_path_of_a_mount_takes_a_disc_from_where_it_was_photographed() {
    for hunts_px in [0.0, 25.0] {
        let folder = TempDir::new().unwrap();
        let truth = night(folder.path(), hunts_px);
        let night = read_night(folder.path()).unwrap().value;
        let found = register(&night, Default::default(), &|_| {});
        assert!(found.diagnostics.iter().all(|d| d.code != "mount-doubtful"), "{:?}", found.diagnostics);
        let found = found.value;
        let (mut off_most, mut turned_most) = (0.0f64, 0.0f64);
        for (frame, t) in found.frames.iter().zip(&truth) {
            assert_eq!(frame.file, t.file);
            assert_eq!(frame.status(), Status::Measured, "{}: {:?}", t.file, frame.reason());
            let centre = frame.centre().unwrap();
            let off = (centre.x - t.x_px.unwrap()).hypot(centre.y - t.y_px.unwrap()) / t.radius_px.unwrap();
            let up = frame.orientation.unwrap_or_else(|| panic!("{} has no turn", t.file)).up_position_angle.degrees();
            let turned = (up - t.up_position_angle_deg + 540.0).rem_euclid(360.0) - 180.0;
            off_most = off_most.max(off);
            turned_most = turned_most.max(turned.abs());
            assert!(off < 0.02 && turned.abs() < 3.0, "{}: {off:.3} radii and {turned:.1} degrees off", t.file);
        }
        println!(
            "a mount that hunts by {hunts_px} px and swings over the pole: {} frames, {off_most:.4} radii, {turned_most:.2} degrees off",
            truth.len()
        );
        assert!(truth.len() >= 20);
    }
}
