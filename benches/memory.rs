//! The most memory that whole commands hold: frames of a hundred megapixels, small files that claim large pictures, a sheet of a
//! gigapixel. Linux tells it of a running process (`VmHWM`), so that the bench says nothing elsewhere.
//!
//! `cargo bench --bench memory`; it takes some minutes and 3 GB of disk.

use image::codecs::jpeg::JpegEncoder;
use image::{DynamicImage, ImageBuffer, Luma, Rgb};
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

/// A sample frame enlarged to a hundred megapixels, with noise, as 16-bit numbers.
fn picture() -> ImageBuffer<Rgb<u16>, Vec<u16>> {
    let sample = image::open(Path::new(SAMPLES).join("t0001.jpg")).expect("a sample frame");
    let mut large = sample.resize(12_200, 12_200, image::imageops::FilterType::Triangle).into_rgb16();
    let mut state = 1u32;
    for code in large.iter_mut() {
        state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        *code = code.saturating_add((state >> 22) as u16);
    }
    large
}

const SAMPLES: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/sample-frames/tele");

/// Runs the program and says how much memory it ever held, how long it took and how it ended.
fn run(what: &str, args: &[&str]) {
    let start = Instant::now();
    let program = env!("CARGO_BIN_EXE_moonloom");
    let mut child =
        Command::new(program).args(args).stdout(Stdio::null()).stderr(Stdio::null()).spawn().expect("it is built");
    let status = format!("/proc/{}/status", child.id());
    let mut peak_kb = 0u64;
    let ended = loop {
        // The mark never falls, so that the last look before the end tells (almost) all.
        if let Ok(text) = std::fs::read_to_string(&status) {
            let line = text.lines().find_map(|l| l.strip_prefix("VmHWM:"));
            peak_kb = line.and_then(|l| l.trim().trim_end_matches(" kB").parse().ok()).unwrap_or(peak_kb);
        }
        if let Some(ended) = child.try_wait().expect("it is ours") {
            break ended;
        }
        std::thread::sleep(Duration::from_millis(2));
    };
    let (mb, seconds) = (peak_kb as f64 / 1024.0, start.elapsed().as_secs_f64());
    println!("{what:<66} {mb:6.0} MB {seconds:7.1} s  status {}", ended.code().unwrap_or(-1));
}

/// A folder of one file.
fn folder_with(at: &Path, name: &str, write: impl FnOnce(&Path)) -> String {
    let folder = at.join(name.replace('.', "-"));
    std::fs::create_dir_all(&folder).expect("there is room");
    write(&folder.join(name));
    folder.to_string_lossy().into_owned()
}

fn main() {
    let temporary = tempfile::TempDir::new().expect("there is room");
    let at = temporary.path();
    let (registration, cache) = (at.join("r.ron"), at.join("cache"));
    let (registration, cache) = (registration.to_string_lossy(), cache.to_string_lossy());
    let register = |what: &str, folder: &str, memory: &str| {
        let _ = std::fs::remove_file(&*registration);
        run(what, &["register", folder, "--out", &registration, "--memory", memory]);
    };

    let sixteen = picture();
    let eight = DynamicImage::ImageRgb16(sixteen.clone()).into_rgb8();
    let jpeg = folder_with(at, "large.jpg", |path| {
        let mut file = std::io::BufWriter::new(std::fs::File::create(path).expect("there is room"));
        JpegEncoder::new_with_quality(&mut file, 92).encode_image(&eight).expect("it is a picture");
    });
    drop(eight);
    let png = folder_with(at, "large.png", |path| sixteen.save(path).expect("there is room"));
    let tiff = folder_with(at, "large.tif", |path| sixteen.save(path).expect("there is room"));
    drop(sixteen);
    for (kind, folder) in [("JPEG", &jpeg), ("PNG of 16 bits", &png), ("TIFF of 16 bits", &tiff)] {
        register(&format!("register a {kind} of 99 megapixels"), folder, "8GB");
    }
    register("the same TIFF, allowed 1 GB", &tiff, "1GB");

    let blank = folder_with(at, "blank.png", |path| {
        ImageBuffer::<Luma<u8>, _>::from_pixel(30_000, 30_000, Luma([3])).save(path).expect("there is room");
    });
    register("register a PNG of 900 megapixels in a megabyte", &blank, "8GB");
    let header = folder_with(at, "header.jpg", |path| {
        let mut bytes = vec![0xff, 0xd8, 0xff, 0xc2, 0, 17, 8, 0x9c, 0x40, 0x9c, 0x40, 3];
        bytes.extend([1, 0x11, 0, 2, 0x11, 0, 3, 0x11, 0, 0xff, 0xda, 0, 12, 3, 1, 0, 2, 0, 3, 0, 0, 0, 0, 0xff, 0xd9]);
        std::fs::write(path, bytes).expect("there is room");
    });
    register("register a JPEG of 1600 megapixels in 50 bytes", &header, "8GB");

    let layout = at.join("sheet.ron");
    let text = "(version: 2, canvas: (width: 40000, height: 25000), arrangement: PhaseGrid(columns: 8, rows: 4))";
    std::fs::write(&layout, text).expect("there is room");
    let (layout, out) = (layout.to_string_lossy(), at.join("sheet.tif"));
    let out = out.to_string_lossy();
    for memory in ["8GB", "1GB"] {
        let args = ["compose", &layout, SAMPLES, "--out", &out, "--cache", &cache, "--memory", memory];
        run(&format!("compose a sheet of a gigapixel, allowed {memory}"), &args);
    }
}
