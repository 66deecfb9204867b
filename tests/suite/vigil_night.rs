//! Whole nights under the vigil's eye, a frame a minute: three hundred good frames, and hardly a word.

use crate::vigil::{frames, said, watch};
use moonloom::simulate::{Scenario, rehearse};
use moonloom::vigil::{FrameReport, Kind};
use std::path::{Path, PathBuf};
use tempfile::TempDir;

/// A night at a frame a minute.
struct Watched {
    name: &'static str,
    /// Site, eclipse, offset of the local clock, seed.
    night: &'static str,
    camera: &'static str,
    mount: &'static str,
    exposures: &'static str,
}

const LONG: &str = "[
    (from_umbral_fraction: 0.00, seconds: 0.005, f_number: 8.0, iso: 200.0),
    (from_umbral_fraction: 0.20, seconds: 0.01, f_number: 8.0, iso: 200.0),
    (from_umbral_fraction: 0.60, seconds: 0.02, f_number: 8.0, iso: 200.0),
    (from_umbral_fraction: 0.80, seconds: 0.04, f_number: 8.0, iso: 400.0),
    (from_umbral_fraction: 0.95, seconds: 0.125, f_number: 5.6, iso: 1600.0),
    (from_umbral_fraction: 0.999, seconds: 0.5, f_number: 5.6, iso: 1600.0),
]";

const NIGHTS: [Watched; 3] = [
    Watched {
        name: "telescope, total, south",
        night: r#"site: (latitude_deg: -31.9, longitude_deg: 115.75), eclipse: "2028-12-31", utc_offset: "+08:00", seed: 11"#,
        camera: "width_px: 420, height_px: 340, pixel_pitch_um: 51.0, focal_length_mm: 800.0",
        mount: "Tracking(up_position_angle_deg: 12.0, drift_px_per_hour: (5.0, -3.0), wobble_px: 1.5)",
        exposures: LONG,
    },
    Watched {
        name: "re-aimed, total, tropics",
        night: r#"site: (latitude_deg: -15.0, longitude_deg: -58.0), eclipse: "2029-06-26", utc_offset: "-04:00", seed: 23"#,
        camera: "width_px: 420, height_px: 340, pixel_pitch_um: 51.0, focal_length_mm: 600.0, processing: (contrast: 0.5, sharpening: 0.5)",
        mount: "ReaimedTripod(scatter_px: 30.0, roll_scatter_deg: 0.5)",
        exposures: LONG,
    },
    Watched {
        name: "wide tripod, partial, north",
        night: r#"site: (latitude_deg: 12.0, longitude_deg: -66.0), eclipse: "2026-08-28", utc_offset: "-04:00", seed: 37"#,
        camera: "width_px: 1800, height_px: 1400, pixel_pitch_um: 18.0, focal_length_mm: 16.0",
        mount: "FixedTripod(azimuth_deg: 180.0, altitude_deg: 60.0)",
        exposures: "[
            (from_umbral_fraction: 0.00, seconds: 0.005, f_number: 5.6, iso: 200.0),
            (from_umbral_fraction: 0.40, seconds: 0.01, f_number: 5.6, iso: 200.0),
            (from_umbral_fraction: 0.85, seconds: 0.02, f_number: 5.6, iso: 200.0),
        ]",
    },
];

impl Watched {
    /// Its frames, in the order of their times.
    fn rehearsed(&self, folder: &Path) -> Vec<PathBuf> {
        let text = format!(
            r#"(version: 1, title: "{}", {}, rigs: [(
                name: "rig", camera: (model: "Test camera", {}), mount: {}, exposures: {},
                frames: (every_minutes: 1.0, lead_minutes: 2.0, tail_minutes: 2.0), format: Jpeg(quality: 92),
            )])"#,
            self.name, self.night, self.camera, self.mount, self.exposures
        );
        let scenario = Scenario::parse(Path::new("watched.ron"), &text).unwrap_or_else(|d| panic!("{d}"));
        rehearse(&scenario, folder, &|_| {}).unwrap();
        frames(&folder.join("rig"))
    }
}

/// Advice that asks for something to be changed: contacts are news.
fn asked(reports: &[FrameReport]) -> Vec<(usize, String)> {
    said(reports, |k| !matches!(k, Kind::Contact(..)))
}

#[test]
#[ignore = "twenty minutes; its last result stands in benches/README.md"]
fn three_hundred_good_frames_give_at_most_one_false_alarm() {
    for night in &NIGHTS {
        let folder = TempDir::new().unwrap();
        let started = std::time::Instant::now();
        let all = night.rehearsed(folder.path());
        let painted = started.elapsed().as_secs_f64();
        let (reports, _) = watch(&all);
        let measured = reports.iter().filter(|r| r.state == "measured").count();
        let each = (started.elapsed().as_secs_f64() - painted) / all.len() as f64;
        println!(
            "{:<28} {} frames painted in {painted:.0} s, {measured} measured, {each:.2} s each: {:?}",
            night.name,
            all.len(),
            asked(&reports)
        );
        assert!(all.len() >= 300 && asked(&reports).len() <= 1, "{}", night.name);
    }
}
