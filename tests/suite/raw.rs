//! Camera raw: a rehearsed DNG gives the light that was put into it, and what LibRaw makes of it.

use crate::nights::{root, text, truth_of};
use moonloom::ingest::{Reading, decode, open_frame, read_metadata};
use moonloom::raster::{ColourMatrix, LinearImage, PixelPoint, PixelRect, RgbSpace};
use moonloom::simulate::{Scenario, rehearse};
use std::path::{Path, PathBuf};
use std::sync::OnceLock;
use tempfile::TempDir;

/// A night without noise worth speaking of.
const NIGHT: &str = r#"(
    version: 1,
    title: "Raw",
    site: (latitude_deg: -31.9, longitude_deg: 115.75),
    eclipse: "2028-12-31",
    utc_offset: "+08:00",
    seed: 11,
    rigs: [
        (
            name: "night",
            camera: (model: "Test camera", width_px: 360, height_px: 260, pixel_pitch_um: 12.0, focal_length_mm: 260.0, full_well: 5e9, read_noise: 0.1, blur_px: 1.2),
            mount: ReaimedTripod(scatter_px: 20.0),
            frames: (every_minutes: 80.0),
            exposures: [(from_umbral_fraction: 0.0, seconds: 0.004, f_number: 8.0, iso: 100.0), (from_umbral_fraction: 0.9, seconds: 4.0, f_number: 8.0, iso: 400.0)],
            format: Dng,
        ),
    ],
)"#;

fn nights() -> &'static Path {
    static NIGHTS: OnceLock<TempDir> = OnceLock::new();
    NIGHTS
        .get_or_init(|| {
            let folder = TempDir::new().unwrap();
            let scenario = Scenario::parse(Path::new("raw.ron"), NIGHT).unwrap();
            rehearse(&scenario, folder.path(), &|_| {}).unwrap();
            // The same scene to the last photon, as linear light.
            let known = NIGHT.replace("format: Dng", "format: LinearTiff");
            let scenario = Scenario::parse(Path::new("raw.ron"), &known).unwrap();
            rehearse(&scenario, &folder.path().join("known"), &|_| {}).unwrap();
            folder
        })
        .path()
}

/// The raw frames.
pub fn raw_night() -> PathBuf {
    nights().join("night")
}

/// Mean of each channel around the middle of the disc, in sRGB's primaries.
fn mean(image: &LinearImage, at: PixelPoint, reach: f64) -> [f64; 3] {
    let (window, _) = image.crop(PixelRect::around(at, reach));
    let back = ColourMatrix::new(RgbSpace::WORKING.to(&RgbSpace::LINEAR_SRGB));
    let count = (window.width() * window.height()) as f64;
    let mut sum = [0.0; 3];
    for p in window.data().chunks_exact(3) {
        let p = back.apply([p[0], p[1], p[2]]);
        (0..3).for_each(|c| sum[c] += f64::from(p[c]));
    }
    sum.map(|s| s / count)
}

#[test]
fn a_raw_frame_decodes_to_the_light_that_was_put_into_it() {
    let truth = truth_of(&raw_night());
    println!("raw against the same frame as linear TIFF: means of the disc, red green blue, percent apart");
    let mut compared = 0;
    for t in truth.frames.iter().filter(|t| t.moon_in_frame) {
        let raw = decode(&raw_night().join(&t.file), &Reading::default()).unwrap();
        let known = nights().join("known/night").join(t.file.replace(".dng", ".tif"));
        let known = decode(
            &known,
            &Reading { transfer: Some(moonloom::raster::TransferFunction::Linear), ..Reading::default() },
        )
        .unwrap();
        assert_eq!((raw.width(), raw.height()), (known.width(), known.height()));
        let at = PixelPoint::new(t.x_px.unwrap(), t.y_px.unwrap());
        let (a, b) = (mean(&raw, at, 0.6 * t.radius_px.unwrap()), mean(&known, at, 0.6 * t.radius_px.unwrap()));
        if b[1] < 0.01 || b.iter().any(|v| *v > 0.95) {
            continue;
        }
        let off: Vec<f64> = a.iter().zip(b).map(|(a, b)| 100.0 * (a / b - 1.0)).collect();
        println!("  {} {:+.2} {:+.2} {:+.2}", t.file, off[0], off[1], off[2]);
        assert!(off.iter().all(|o| o.abs() < 1.0), "{}: {a:?} is not {b:?}", t.file);
        compared += 1;
    }
    assert!(compared >= 3, "{compared} frames were compared");
}

/// On a sensor's own light an edge lies where the limb is; on codes it would lie half of its width outside.
#[test]
fn a_raw_nights_plate_scale_is_the_cameras() {
    let night = moonloom::ingest::read_night(&raw_night()).unwrap().value;
    let found = moonloom::solve::register(&night, Default::default(), &|_| {}).value;
    let scale = found.rigs[0].focal_length_px.expect("a plate scale is found");
    let off = scale / truth_of(&raw_night()).focal_length_px - 1.0;
    println!("plate scale of a raw night: {:+.3} %", off * 100.0);
    assert!(off.abs() < 1e-3, "{off}");
}

#[test]
fn a_window_of_a_raw_frame_is_a_window_of_the_whole() {
    let open = open_frame(&raw_night().join("n0002.dng"), &Reading::default()).unwrap();
    let whole = open.whole();
    let rect = PixelRect { x0: 101, y0: 57, x1: 180, y1: 150 };
    assert_eq!(open.light(rect).light, whole.crop(rect).0);
}

#[test]
fn a_raw_frame_says_when_and_how_it_was_exposed() {
    let read = read_metadata(&raw_night().join("n0001.dng")).unwrap();
    let truth = truth_of(&raw_night());
    let t = &truth.frames[0];
    assert_eq!((read.width, read.height), (360, 260));
    let exposure = read.exposure.unwrap();
    assert!((exposure.time.seconds / t.exposure_s - 1.0).abs() < 1e-3);
    assert!((exposure.aperture.f_number - t.f_number).abs() < 1e-6 && (exposure.sensitivity.iso - t.iso).abs() < 1e-6);
    assert!((read.focal_length_mm.unwrap() - 260.0).abs() < 1e-6);
    let night = moonloom::ingest::read_night(&raw_night()).unwrap().value;
    let time = night.frame(&t.file).unwrap().time.unwrap();
    let known = moonloom::units::Instant::parse_utc(&t.utc).unwrap();
    assert!(time.middle.seconds_since(known).abs() < 0.02, "sub-seconds are read");
}

#[test]
fn a_clipped_moon_is_white_and_marked() {
    let truth = truth_of(&raw_night());
    let folder = TempDir::new().unwrap();
    let clipped = NIGHT.replace("seconds: 0.004", "seconds: 0.2");
    let scenario = Scenario::parse(Path::new("raw.ron"), &clipped).unwrap();
    rehearse(&scenario, folder.path(), &|_| {}).unwrap();
    let t = &truth.frames[0];
    let open = open_frame(&folder.path().join("night").join(&t.file), &Reading::default()).unwrap();
    let at = PixelPoint::new(t.x_px.unwrap(), t.y_px.unwrap());
    let window = open.light(PixelRect::around(at, 0.7 * t.radius_px.unwrap()));
    assert!(window.saturated.iter().all(|s| *s));
    for p in window.light.data().chunks_exact(3) {
        assert!(p.iter().all(|v| (v - p[0]).abs() < 2e-3 && *v > 0.98), "never tinted: {p:?}");
    }
}

/// Writes the frame that `tests/data/frames/read_raw.py` was run on: `cargo test -- --ignored write_the_raw`.
#[test]
#[ignore = "writes the file that the independent table was read from"]
fn write_the_raw_frame_of_the_table() {
    let target = std::env::temp_dir().join("moonloom-raw.dng");
    std::fs::copy(raw_night().join("n0001.dng"), &target).unwrap();
    println!("{}", text(&target));
}

#[test]
fn libraw_finds_the_same_light() {
    // tests/data/frames/raw-by-libraw.csv, by read_raw.py with the pinned rawpy on the frame above.
    let path = root().join("tests/data/frames/raw-by-libraw.csv");
    let table = std::fs::read_to_string(path).unwrap();
    let mut rows = csv::ReaderBuilder::new().comment(Some(b'#')).from_reader(table.as_bytes());
    let image = decode(&raw_night().join("n0001.dng"), &Reading::default()).unwrap();
    let mut count = 0;
    for row in rows.deserialize::<(i64, i64, i64, i64, f64, f64, f64)>() {
        let (x0, y0, x1, y1, red, green, blue) = row.unwrap();
        let (window, _) = image.crop(PixelRect { x0, y0, x1, y1 });
        let back = ColourMatrix::new(RgbSpace::WORKING.to(&RgbSpace::LINEAR_SRGB));
        let mut sum = [0.0f64; 3];
        for p in window.data().chunks_exact(3) {
            let p = back.apply([p[0], p[1], p[2]]);
            (0..3).for_each(|c| sum[c] += f64::from(p[c]));
        }
        let ours = sum.map(|s| s / (window.width() * window.height()) as f64);
        println!("LibRaw {red:.5} {green:.5} {blue:.5}, ours {:.5} {:.5} {:.5}", ours[0], ours[1], ours[2]);
        for (a, b) in ours.iter().zip([red, green, blue]) {
            assert!((a / b - 1.0).abs() < 0.01, "{ours:?} against {:?}", [red, green, blue]);
        }
        count += 1;
    }
    assert!(count >= 3);
}

#[test]
fn polynomials_of_a_lossy_negative_are_applied_as_libraw_does() {
    // tests/data/frames/make_negative.py made the file and read it with the pinned rawpy.
    let table = std::fs::read_to_string(root().join("tests/data/frames/values-lossy.csv")).unwrap();
    let mut rows = csv::ReaderBuilder::new().comment(Some(b'#')).from_reader(table.as_bytes());
    let image = decode(&root().join("tests/data/frames/lossy.dng"), &Reading::default()).unwrap();
    let back = ColourMatrix::new(RgbSpace::WORKING.to(&RgbSpace::LINEAR_SRGB));
    let mut worst = 0.0f32;
    for row in rows.deserialize::<(usize, usize, f32, f32, f32)>() {
        let (x, y, red, green, blue) = row.unwrap();
        let ours = back.apply(image.pixel(x, y));
        worst = ours.iter().zip([red, green, blue]).map(|(a, b)| (a - b).abs()).fold(worst, f32::max);
    }
    println!("lossy negative: at most {worst:.4} from LibRaw");
    // JPEG decoders round a code apart, which the steepest polynomial doubles.
    assert!(worst < 2.2 / 255.0, "{worst}");
}

/// A reader that never ends is ended by the system: its process says of itself what it may take.
#[cfg(target_os = "linux")]
#[test]
fn the_reader_of_camera_raw_may_not_go_on_for_ever() {
    use std::io::Read;
    use std::process::{Command, Stdio};
    let frame = std::fs::read_dir(nights().join("night")).unwrap().map(|e| e.unwrap().path());
    let frame = frame.filter(|p| p.extension().is_some_and(|e| e == "dng")).min().unwrap();
    let mut child = Command::new(env!("CARGO_BIN_EXE_moonloom"))
        .args(["raw-reader", "pixels", text(&frame)])
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    // It has begun to write, and waits at a full pipe.
    let mut first = [0];
    child.stdout.as_mut().unwrap().read_exact(&mut first).unwrap();
    let limits = std::fs::read_to_string(format!("/proc/{}/limits", child.id())).unwrap();
    child.kill().unwrap();
    child.wait().unwrap();
    let soft = |name: &str| {
        let line = limits.lines().find(|l| l.starts_with(name)).unwrap();
        line[name.len()..].split_whitespace().next().unwrap().parse::<u64>().ok()
    };
    assert!(soft("Max cpu time").is_some_and(|s| s <= 300), "{limits}");
    assert!(soft("Max address space").is_some_and(|b| b <= 8 << 30), "{limits}");
}
