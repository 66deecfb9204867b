//! Files of known light, made by general-purpose libraries, give that light; damaged ones are named.
//!
//! `tests/data/frames/README.md` says how each was made and by what it was read to get the values.

use crate::nights::{moonloom, root, small_night, stderr, text};
use moonloom::ingest::{Reading, decode, open_frame, read_metadata, read_night};
use moonloom::raster::LinearImage;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use tempfile::TempDir;

fn frame(name: &str) -> PathBuf {
    root().join("tests/data/frames").join(name)
}

#[derive(serde::Deserialize)]
struct Value {
    file: String,
    x: usize,
    y: usize,
    red: f32,
    green: f32,
    blue: f32,
}

fn values() -> Vec<Value> {
    let tables = ["values.csv", "values-fits-mono.csv", "values-fits-planes.csv", "values-fits-integer.csv"];
    let read = |name: &&str| {
        let text = std::fs::read_to_string(frame(name)).unwrap();
        let mut reader = csv::ReaderBuilder::new().comment(Some(b'#')).from_reader(text.as_bytes());
        reader.deserialize().map(Result::unwrap).collect::<Vec<Value>>()
    };
    tables.iter().flat_map(read).collect()
}

/// Absolute tolerances, by the README beside the files: a profile's own rounding to 1/65536, or a JPEG's code.
fn tolerance(file: &str) -> f32 {
    match file {
        "display-p3-8.jpg" => 0.01,
        _ => 5e-5,
    }
}

#[test]
fn every_kind_of_file_and_profile_gives_its_published_light() {
    let mut pictures: BTreeMap<String, LinearImage> = BTreeMap::new();
    let mut worst: BTreeMap<String, f32> = BTreeMap::new();
    for v in values() {
        if v.file == "table-profile-8.png" {
            // A profile made of colour tables is not read: named, and sRGB assumed (below).
            continue;
        }
        let picture = pictures.entry(v.file.clone()).or_insert_with(|| {
            let open = open_frame(&frame(&v.file), &Reading::default()).unwrap_or_else(|e| panic!("{e}"));
            assert_eq!(open.remark.is_some(), v.file == "broken-profile.png", "{}", v.file);
            open.whole()
        });
        let read = picture.pixel(v.x, v.y);
        for (a, b) in read.iter().zip([v.red, v.green, v.blue]) {
            let off = worst.entry(v.file.clone()).or_default();
            *off = off.max((a - b).abs());
            assert!(
                *off < tolerance(&v.file),
                "{} at {},{}: {read:?} is not {:?}",
                v.file,
                v.x,
                v.y,
                [v.red, v.green, v.blue]
            );
        }
    }
    println!("largest difference of linear light from the independent readers' values");
    worst.iter().for_each(|(file, off)| println!("  {file:<30} {off:.6}"));
    assert!(worst.len() >= 16, "{} files were compared", worst.len());
}

#[test]
fn a_profile_that_cannot_be_used_is_named_and_srgb_assumed() {
    for (name, why) in [("broken-profile.png", "does not parse"), ("table-profile-8.png", "table of colours")] {
        let open = open_frame(&frame(name), &Reading::default()).unwrap();
        let remark = open.remark.clone().unwrap_or_default();
        assert!(remark.contains(why) && remark.contains("sRGB is assumed"), "{name}: {remark}");
        assert!(open.whole().width() > 0);
    }
}

#[test]
fn truncated_and_absurd_files_are_named_and_take_no_memory() {
    for name in ["truncated.fits", "truncated-16.tif", "absurd.tif", "absurd.fits", "absurd.png"] {
        let error = decode(&frame(name), &Reading::default()).expect_err(name).to_string();
        assert!(error.contains(name), "{name}: {error}");
    }
}

#[test]
fn a_fits_header_says_when_and_how_long() {
    let read = read_metadata(&frame("mono-16.fits")).unwrap();
    assert_eq!((read.width, read.height, read.exposure_time_s), (12, 8, Some(0.5)));
    // DATE-OBS 2028-12-31T16:52:03.250 UTC: 1861894323.25 by Python's datetime.
    assert_eq!((read.clock_reading_s, read.clock_offset_s), (Some(1_861_894_323.25), Some(0)));
}

#[test]
fn a_table_of_frames_fills_what_cameras_did_not_record() {
    let folder = TempDir::new().unwrap();
    for name in ["mono-16.fits", "srgb-untagged-16.tif"] {
        std::fs::copy(frame(name), folder.path().join(name)).unwrap();
    }
    let table = "file,utc,exposure_s,aperture,iso\n\
        mono-16.fits,,2.0,5,100\n\
        srgb-untagged-16.tif,2028-12-31T17:00:00Z,1,8,200\n\
        lost.tif,,1,,\n";
    std::fs::write(folder.path().join("frames.csv"), table).unwrap();
    let read = read_night(folder.path()).unwrap();
    let of = |name: &str| read.value.frame(name).unwrap().clone();
    let fits = of("mono-16.fits");
    // t S / N^2.
    assert!((fits.metadata.exposure.unwrap().light_gain() - 2.0 * 100.0 / 25.0).abs() < 1e-9);
    let time = of("srgb-untagged-16.tif").time.unwrap();
    assert!(time.zone_known && time.middle.to_utc().to_string().starts_with("2028-12-31T17:00:00.5"));
    let codes: Vec<&str> = read.diagnostics.iter().map(|d| d.code).collect();
    assert!(codes.contains(&"sources-disagree") && codes.contains(&"table-without-frame"), "{codes:?}");
    let conflict = read.diagnostics.iter().find(|d| d.code == "sources-disagree").unwrap();
    assert!(conflict.message.contains("exposure") && conflict.message.contains("the table wins"));
}

#[test]
fn a_damaged_raw_file_does_not_end_the_night() {
    let folder = TempDir::new().unwrap();
    let good = crate::raw::raw_night().join("n0002.dng");
    let whole = std::fs::read(&good).unwrap();
    // Every byte of the first directory flipped in turn would take long; each sixteenth tells.
    let directory = u32::from_le_bytes(whole[4..8].try_into().unwrap()) as usize;
    let mut broken = 0;
    for at in (directory..(directory + 300).min(whole.len())).step_by(16) {
        let mut bytes = whole.clone();
        bytes[at] ^= 0xff;
        let path = folder.path().join("broken.dng");
        std::fs::write(&path, &bytes).unwrap();
        // Whatever the library does, this process goes on and either reads it or says why not.
        if let Err(e) = decode(&path, &Reading::default()) {
            broken += 1;
            assert!(e.to_string().contains("broken.dng"), "{e}");
        }
    }
    std::fs::write(folder.path().join("broken.dng"), &whole[..whole.len() / 3]).unwrap();
    assert!(decode(&folder.path().join("broken.dng"), &Reading::default()).is_err());
    assert!(broken > 0, "some flipped byte of a directory must matter");
    std::fs::copy(&good, folder.path().join("good.dng")).unwrap();
    let run = moonloom(&["register", text(folder.path()), "--out", text(&folder.path().join("r.ron"))]);
    assert!(run.status.success(), "{}", stderr(&run));
    assert!(stderr(&run).contains("broken.dng"), "{}", stderr(&run));
}

#[test]
fn a_lying_exif_is_not_believed() {
    use moonloom::raster::RgbSpace;
    use moonloom::write::{BitDepth, CaptureTags, Container, OutputSpec, write_picture};
    let folder = TempDir::new().unwrap();
    let path = folder.path().join("liar.jpg");
    let spec = OutputSpec {
        light: RgbSpace::LINEAR_SRGB,
        capture: Some(CaptureTags {
            date_time_original: "0000:00:00 00:00:00".into(),
            sub_second: "99".into(),
            exposure_s: 0.0,
            f_number: 0.0,
            iso: 0,
            focal_length_mm: 0.0,
            camera_model: "Test camera".into(),
        }),
        ..OutputSpec::new(Container::Jpeg { quality: 90 }, BitDepth::Eight)
    };
    write_picture(&path, &spec, (64, 48), &mut |rows| vec![0.2; rows.len() * 64 * 3]).unwrap();
    let read = read_metadata(&path).unwrap();
    assert_eq!((read.exposure_time_s, read.f_number, read.iso, read.focal_length_mm), (None, None, None, None));
    assert_eq!(read.clock_reading_s, None);
    let night = read_night(folder.path()).unwrap();
    assert!(night.diagnostics.iter().any(|d| d.code == "frame-without-time"));
}

/// Writes a frame of linear light, as TIFF or as a mosaic.
fn write_light(path: &std::path::Path, exposure_s: f64, light: impl Fn(usize, usize) -> [f32; 3]) {
    use moonloom::raster::RgbSpace;
    use moonloom::write::{BitDepth, CaptureTags, Container, OutputSpec, write_picture};
    let is_raw = path.extension().is_some_and(|e| e == "dng");
    let spec = OutputSpec {
        space: RgbSpace::LINEAR_SRGB,
        light: RgbSpace::LINEAR_SRGB,
        capture: Some(CaptureTags {
            date_time_original: "2028:12:31 16:00:00".into(),
            sub_second: "00".into(),
            exposure_s,
            f_number: 8.0,
            iso: 100,
            focal_length_mm: 200.0,
            camera_model: "Test camera".into(),
        }),
        ..OutputSpec::new(if is_raw { Container::Dng } else { Container::Tiff }, BitDepth::Sixteen)
    };
    write_picture(path, &spec, (64, 48), &mut |rows| {
        rows.flat_map(|y| (0..64).flat_map(|x| light(x, y)).collect::<Vec<f32>>()).collect()
    })
    .unwrap();
}

#[test]
fn darks_and_flats_give_an_even_surface_its_even_light_again() {
    // A vignette of a third in the corners, and a glow in one corner that grows with the time.
    let vignette = |x: usize, y: usize| {
        let r = ((x as f32 - 31.5) / 32.0).hypot((y as f32 - 23.5) / 24.0);
        1.0 - 0.16 * r * r
    };
    let glow = |x: usize, seconds: f32| 0.02 * seconds * (x as f32 / 63.0).powi(3);
    for ending in ["tif", "dng"] {
        let folder = TempDir::new().unwrap();
        for sub in ["darks", "flats"] {
            std::fs::create_dir(folder.path().join(sub)).unwrap();
        }
        for i in 0..5 {
            // A cosmic ray in one dark of five leaves no trace.
            let ray = move |x: usize, y: usize| if (i, x, y) == (2, 20, 20) { 0.5 } else { 0.0 };
            let dark = folder.path().join(format!("darks/d{i}.{ending}"));
            write_light(&dark, 2.0, |x, y| [glow(x, 2.0) + ray(x, y); 3]);
            // The flat's lamp is warm: its colour is no part of the lens.
            let flat = folder.path().join(format!("flats/f{i}.{ending}"));
            write_light(&flat, 0.01, |x, y| [0.6 * vignette(x, y), 0.4 * vignette(x, y), 0.3 * vignette(x, y)]);
        }
        let frame = folder.path().join(format!("m.{ending}"));
        let scene = [0.3, 0.2, 0.1];
        write_light(&frame, 2.0, |x, y| scene.map(|v| v * vignette(x, y) + glow(x, 2.0)));
        let notes = format!(
            "(version: 1, linear_values: {}, calibration: (dark: [\"darks\"], flat: [\"flats\"], repair_hot_pixels: false))",
            ending == "tif"
        );
        std::fs::write(folder.path().join("shoot.ron"), notes).unwrap();
        let read = read_night(folder.path()).unwrap();
        assert_eq!(read.value.frames.len(), 1, "calibration frames are no frames of the night");
        let light = decode(&frame, &read.value.frames[0].reading).unwrap();
        let plain =
            decode(&frame, &Reading { masters: None, ..Reading::clone(&read.value.frames[0].reading) }).unwrap();
        // The flat's own dark is as short as it is: its glow was subtracted from it too strongly, which leaves a
        // percent. Without calibration the corners are a third off.
        let spread = |image: &LinearImage, c: usize| {
            let values = (0..48 * 64).filter(|i| (4..60).contains(&(i % 64)) && (4..44).contains(&(i / 64)));
            let values: Vec<f32> = values.map(|i| image.pixel(i % 64, i / 64)[c]).collect();
            let (low, high) = values.iter().fold((f32::MAX, f32::MIN), |(l, h), v| (l.min(*v), h.max(*v)));
            high / low - 1.0
        };
        for c in 0..3 {
            let (before, after) = (spread(&plain, c), spread(&light, c));
            println!("{ending}, channel {c}: uneven by {:.1} % before, {:.2} % after", 100.0 * before, 100.0 * after);
            assert!(before > 0.15 && after < 0.02, "{ending} {c}: {before} {after}");
        }
        // And its colour is the scene's, not the lamp's.
        let back = moonloom::raster::ColourMatrix::new(
            moonloom::raster::RgbSpace::WORKING.to(&moonloom::raster::RgbSpace::LINEAR_SRGB),
        );
        let middle = back.apply(light.pixel(32, 24));
        assert!((middle[0] / middle[1] - 1.5).abs() < 0.03 && (middle[2] / middle[1] - 0.5).abs() < 0.03, "{middle:?}");
    }
}

#[test]
fn a_dark_of_another_exposure_is_left_out_and_said() {
    let folder = TempDir::new().unwrap();
    std::fs::create_dir(folder.path().join("darks")).unwrap();
    for i in 0..4 {
        write_light(&folder.path().join(format!("darks/d{i}.tif")), 2.0, |_, _| [0.05; 3]);
    }
    for (name, seconds) in [("long.tif", 2.1), ("short.tif", 0.5)] {
        write_light(&folder.path().join(name), seconds, |_, _| [0.3; 3]);
    }
    let notes = "(version: 1, linear_values: true, calibration: (dark: [\"darks\"]))";
    std::fs::write(folder.path().join("shoot.ron"), notes).unwrap();
    let read = read_night(folder.path()).unwrap();
    let said = read.diagnostics.iter().find(|d| d.code == "dark-left-out").expect("it is said");
    assert!(said.message.contains("short.tif") && !said.message.contains("long.tif"), "{}", said.message);
    let light = |name: &str| {
        let frame = read.value.frame(name).unwrap();
        decode(&frame.path, &frame.reading).unwrap().pixel(30, 20)[1]
    };
    assert!((light("long.tif") - 0.25).abs() < 1e-3 && (light("short.tif") - 0.3).abs() < 1e-3);
}

#[test]
fn calibration_frames_of_another_size_are_said_to_be_left_out() {
    let folder = TempDir::new().unwrap();
    std::fs::create_dir(folder.path().join("darks")).unwrap();
    write_light(&folder.path().join("darks/d.tif"), 2.0, |_, _| [0.05; 3]);
    std::fs::copy(frame("srgb-untagged-16.tif"), folder.path().join("other.tif")).unwrap();
    std::fs::write(folder.path().join("shoot.ron"), "(version: 1, calibration: (dark: [\"darks\"]))").unwrap();
    let read = read_night(folder.path()).unwrap();
    let said = read.diagnostics.iter().find(|d| d.code == "calibration-left-out").expect("it is said");
    assert!(said.message.contains("other.tif") && said.message.contains("64 x 48"), "{}", said.message);
}

/// A FITS picture of 4 x 2 floats; `words` are further cards.
fn fits_of_floats(values: [f32; 8], words: &[(&str, &str)]) -> Vec<u8> {
    let own = [("SIMPLE", "T"), ("BITPIX", "-32"), ("NAXIS", "2"), ("NAXIS1", "4"), ("NAXIS2", "2")];
    let cards = own.iter().chain(words).map(|(name, value)| format!("{:<80}", format!("{name:<8}= {value:>20}")));
    let mut out = cards.collect::<String>() + &format!("{:<80}", "END");
    out += &" ".repeat(2880 - out.len());
    let mut bytes = out.into_bytes();
    bytes.extend(values.iter().flat_map(|v| v.to_be_bytes()));
    bytes.resize(2 * 2880, 0);
    bytes
}

#[test]
fn floats_that_count_as_a_camera_does_are_scaled_by_what_the_header_says() {
    let folder = TempDir::new().unwrap();
    let path = folder.path().join("m.fits");
    let counts = [100.0, 900.0, 20_000.0, 48_000.0, 100.0, 100.0, 100.0, 100.0];
    // The file's first row is the bottom one.
    let light = |bytes: Vec<u8>| {
        std::fs::write(&path, bytes).unwrap();
        let open = open_frame(&path, &Reading::default()).unwrap();
        (open.whole().pixel(2, 1)[1], open.whole().pixel(3, 1)[1], open.remark.clone())
    };
    for (word, said, full) in [("SATURATE", "50000.0", 50_000.0), ("DATAMAX", "65535", 65_535.0)] {
        let (middle, bright, remark) = light(fits_of_floats(counts, &[(word, said)]));
        assert!((middle - 20_000.0 / full).abs() < 1e-5 && (bright - 48_000.0 / full).abs() < 1e-5, "{word}");
        assert!(remark.is_none(), "{word}: {remark:?}");
    }
    // Nothing says, or the picture's own largest number alone: sixteen bits are taken, aloud.
    for words in [vec![], vec![("DATAMAX", "48000")]] {
        let (middle, _, remark) = light(fits_of_floats(counts, &words));
        assert!((middle - 20_000.0 / 65_535.0).abs() < 1e-5);
        let remark = remark.unwrap();
        assert!(remark.contains("48000") && remark.contains("65535"), "{remark}");
    }
    // Light is light already, whatever a header says that the picture's own numbers deny.
    let shares = counts.map(|c| c / 50_000.0);
    let (middle, _, remark) = light(fits_of_floats(shares, &[("DATAMAX", "65535")]));
    assert!((middle - 0.4).abs() < 1e-6 && remark.is_none());
}

#[test]
fn a_picture_in_an_extension_is_named() {
    let folder = TempDir::new().unwrap();
    let path = folder.path().join("packed.fits");
    let text = String::from_utf8(fits_of_floats([0.0; 8], &[])[..2880].to_vec()).unwrap();
    std::fs::write(&path, text.replace("NAXIS   =                    2", "NAXIS   =                    0")).unwrap();
    let said = open_frame(&path, &Reading::default()).err().unwrap().to_string();
    assert!(said.contains("packed.fits") && said.contains("extension"), "{said}");
}

#[test]
fn kinds_that_are_not_read_are_named_and_raw_is_known_by_its_content() {
    let folder = TempDir::new().unwrap();
    let raw = crate::raw::raw_night().join("n0002.dng");
    // Endings that say nothing, or another kind; and a copy that some program kept.
    for name in ["a.kdc", "b.tif", "c.3fr", "d.dng_original"] {
        std::fs::copy(&raw, folder.path().join(name)).unwrap();
    }
    std::fs::write(folder.path().join("e.heic"), b"\0\0\0\x18ftypheic\0\0\0\0mif1heic").unwrap();
    std::fs::write(folder.path().join("f.nef"), b"nothing of a picture").unwrap();
    std::fs::write(folder.path().join("g.txt"), b"a note").unwrap();
    let read = read_night(folder.path()).unwrap();
    let names: Vec<&str> = read.value.frames.iter().map(|f| f.name.as_str()).collect();
    assert_eq!(names, ["a.kdc", "b.tif", "c.3fr"]);
    let known = decode(&raw, &Reading::default()).unwrap();
    for frame in &read.value.frames {
        assert_eq!((frame.metadata.width, frame.metadata.height), (known.width(), known.height()), "{}", frame.name);
        assert_eq!(decode(&frame.path, &frame.reading).unwrap(), known, "{}: never its thumbnail", frame.name);
    }
    let said = |code: &str| read.diagnostics.iter().find(|d| d.code == code).map_or("", |d| d.message.as_str());
    assert!(said("kind-not-read").contains("e.heic (HEIC)"), "{:?}", read.diagnostics);
    assert!(said("frame-unreadable").contains("f.nef"), "{:?}", read.diagnostics);
}

#[test]
fn when_no_frame_can_be_read_the_reason_is_said() {
    let folder = TempDir::new().unwrap();
    std::fs::write(folder.path().join("a.jpg"), b"not a picture at all").unwrap();
    let said = read_night(folder.path()).err().unwrap().to_string();
    assert!(said.contains("a.jpg") && said.contains("no picture"), "{said}");
    std::fs::remove_file(folder.path().join("a.jpg")).unwrap();
    std::fs::write(folder.path().join("b.heic"), b"\0\0\0\x18ftypheic\0\0\0\0mif1heic").unwrap();
    let said = read_night(folder.path()).err().unwrap().to_string();
    assert!(said.contains("b.heic") && said.contains("export"), "{said}");
}

#[test]
fn notes_under_another_name_are_missed_aloud() {
    let folder = TempDir::new().unwrap();
    for entry in std::fs::read_dir(small_night()).unwrap().map(|e| e.unwrap().path()) {
        let name = entry.file_name().unwrap().to_str().unwrap().to_owned();
        // What an editor makes of a name that it takes for a text's, and what a hand does.
        let name = if name == "shoot.ron" { "shoot.ron.txt".into() } else { name };
        std::fs::copy(&entry, folder.path().join(name)).unwrap();
    }
    std::fs::write(folder.path().join("Frames.CSV"), "file,utc\n").unwrap();
    let said = |folder: &Path| -> Vec<String> {
        let night = read_night(folder).unwrap();
        night.diagnostics.iter().filter(|d| d.code == "name-not-read").map(|d| d.message.clone()).collect()
    };
    let words = said(folder.path());
    assert_eq!(words.len(), 2, "{words:?}");
    assert!(words.iter().any(|w| w.contains("shoot.ron.txt") && w.contains("`shoot.ron`")), "{words:?}");
    // A copy beside the notes themselves harms nobody.
    std::fs::copy(small_night().join("shoot.ron"), folder.path().join("shoot.ron")).unwrap();
    assert_eq!(said(folder.path()).len(), 1);
}

/// ITU-T T.81, table B.1: SOF9 begins a frame that is coded arithmetically, SOF3 a lossless one.
#[test]
fn kinds_of_jpeg_that_no_camera_writes_are_named_as_such() {
    let folder = TempDir::new().unwrap();
    let frame = std::fs::read_dir(small_night()).unwrap().map(|e| e.unwrap().path());
    let mut bytes =
        std::fs::read(frame.into_iter().find(|p| p.extension().is_some_and(|e| e == "jpg")).unwrap()).unwrap();
    let at = bytes.windows(2).position(|m| m == [0xff, 0xc0]).expect("a baseline frame") + 1;
    for (marker, word) in [(0xc9, "arithmetic-coded"), (0xc3, "lossless")] {
        bytes[at] = marker;
        let path = folder.path().join("odd.jpg");
        std::fs::write(&path, &bytes).unwrap();
        let fault = decode(&path, &Reading::default()).unwrap_err().to_string();
        assert!(fault.contains(word) && !fault.contains("damaged"), "{fault}");
    }
}

/// Some writers leave out where a directory of the record would go on (Exif 2.32, 4.6.2: four bytes after its entries): what stands
/// before is read.
#[test]
fn a_record_whose_directory_ends_early_is_read() {
    use exif_record::ending_early;
    let folder = TempDir::new().unwrap();
    let path = folder.path().join("early.jpg");
    let mut jpeg = Vec::new();
    let picture = image::DynamicImage::new_rgb8(64, 48);
    picture.write_with_encoder(image::codecs::jpeg::JpegEncoder::new_with_quality(&mut jpeg, 90)).unwrap();
    let record = ending_early("2028:12:31 22:30:15");
    let mut bytes = vec![0xff, 0xd8, 0xff, 0xe1];
    bytes.extend((record.len() as u16 + 2).to_be_bytes());
    bytes.extend(&record);
    bytes.extend(&jpeg[2..]);
    std::fs::write(&path, bytes).unwrap();
    let read = read_metadata(&path).unwrap();
    assert_eq!(read.clock_reading_s.map(|s| s.rem_euclid(86_400.0)), Some(22.0 * 3600.0 + 30.0 * 60.0 + 15.0));
}

mod exif_record {
    /// A record of one time, in a directory that ends with its only entry.
    pub fn ending_early(time: &str) -> Vec<u8> {
        let mut record = b"Exif\0\0II*\0\x08\0\0\0".to_vec();
        let entry = |tag: u16, kind: u16, count: u32, value: u32| {
            let mut out = [tag.to_le_bytes(), kind.to_le_bytes()].concat();
            out.extend([count.to_le_bytes(), value.to_le_bytes()].concat());
            out
        };
        // The first directory points to the second, which lies behind the time.
        record.extend(1u16.to_le_bytes());
        record.extend(entry(0x8769, 4, 1, 46));
        record.extend(0u32.to_le_bytes());
        record.extend(time.as_bytes());
        record.push(0);
        record.extend(1u16.to_le_bytes());
        record.extend(entry(0x9003, 2, 20, 26));
        record
    }
}
