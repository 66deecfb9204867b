//! Nights to test on: the sample frames, and small rehearsed ones made once a run.

use moonloom::simulate::{Scenario, Truth, rehearse};
use std::path::{Path, PathBuf};
use std::process::{Command, Output};
use std::sync::OnceLock;
use tempfile::TempDir;

pub fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

pub fn sample(folder: &str) -> PathBuf {
    root().join("sample-frames").join(folder)
}

pub fn truth_of(folder: &Path) -> Truth {
    let text = std::fs::read_to_string(folder.join("truth.json")).expect("a truth.json stands beside the frames");
    serde_json::from_str(&text).expect("truth.json is whole")
}

/// Runs the program.
pub fn moonloom(args: &[&str]) -> Output {
    // Nothing of a test lands in the user's own cache.
    let cache = std::env::temp_dir().join(format!("moonloom-tests-{}", std::process::id()));
    Command::new(env!("CARGO_BIN_EXE_moonloom"))
        .env("XDG_CACHE_HOME", cache)
        .args(args)
        .output()
        .expect("the program starts")
}

/// Numbers that look random and are the same in every run.
pub fn numbers(seed: u64) -> impl FnMut() -> u64 {
    let mut state = seed;
    move || {
        // Marsaglia's xorshift (2003), shifts 13, 7 and 17.
        state ^= state << 13;
        state ^= state >> 7;
        state ^= state << 17;
        state
    }
}

pub fn stderr(output: &Output) -> String {
    String::from_utf8_lossy(&output.stderr).into_owned()
}

pub fn text(path: &Path) -> &str {
    path.to_str().expect("test paths are UTF-8")
}

/// The rehearsal of the small night.
pub const SMALL_NIGHT: &str = r#"(
            version: 1,
            title: "A small night",
            site: (latitude_deg: -31.9, longitude_deg: 115.75),
            eclipse: "2028-12-31",
            utc_offset: "+08:00",
            seed: 7,
            rigs: [(
                name: "night",
                camera: (model: "Test camera", width_px: 320, height_px: 240, pixel_pitch_um: 51.0, focal_length_mm: 500.0),
                mount: ReaimedTripod(scatter_px: 30.0),
                frames: (every_minutes: 42.0),
                exposures: [
                    (from_umbral_fraction: 0.0, seconds: 0.005, f_number: 8.0, iso: 200.0),
                    (from_umbral_fraction: 0.5, seconds: 0.02, f_number: 8.0, iso: 200.0),
                    (from_umbral_fraction: 0.999, seconds: 0.5, f_number: 5.6, iso: 1600.0),
                ],
                format: Jpeg(quality: 92),
            )],
        )"#;

/// A night of nine small frames of a 500 mm lens, the Moon 45 px in radius.
pub fn small_night() -> &'static Path {
    static NIGHT: OnceLock<TempDir> = OnceLock::new();
    let folder = NIGHT.get_or_init(|| {
        let folder = TempDir::new().expect("a temporary folder can be made");
        let scenario = Scenario::parse(Path::new("small.ron"), SMALL_NIGHT).unwrap_or_else(|d| panic!("{d}"));
        rehearse(&scenario, folder.path(), &|_| {}).expect("the night is rendered");
        folder
    });
    static FRAMES: OnceLock<PathBuf> = OnceLock::new();
    FRAMES.get_or_init(|| folder.path().join("night"))
}

/// A copy of the small night that a test may spoil.
pub fn copy_of_small_night() -> TempDir {
    let folder = TempDir::new().expect("a temporary folder can be made");
    for entry in std::fs::read_dir(small_night()).expect("the night is there") {
        let path = entry.expect("it can be listed").path();
        std::fs::copy(&path, folder.path().join(path.file_name().expect("files have names")))
            .expect("it can be copied");
    }
    folder
}
