//! Films: steady, as long as was asked, and read by others as they were written.

use crate::cli::{grid_for_small_night, refused};
use crate::nights::{copy_of_small_night, moonloom, small_night, stderr, text};
use mp4_atom::{Av01, Codec, Colr, Decode, Moov};
use std::path::Path;
use std::process::Command;
use tempfile::TempDir;

/// A film stands still: each disc in the middle, at one size, no brighter than its neighbours; it lasts as long as was asked.
#[test]
fn a_film_is_steady_and_lasts_as_long_as_was_asked() {
    let folder = TempDir::new().unwrap();
    let (out, cache) = (folder.path().join("film.png"), folder.path().join("cache"));
    let args = ["film", text(small_night()), "--longest-side", "240", "--seconds", "6", "--cache", text(&cache)];
    let run = moonloom(&[&args[..], &["--out", text(&out), "--json"]].concat());
    assert!(run.status.success(), "{}", stderr(&run));
    let told: serde_json::Value = serde_json::from_slice(&run.stdout).unwrap();
    let pictures = told["pictures"].as_array().unwrap();
    assert!(pictures.len() >= 6 && pictures.iter().all(|p| p["centre_px"] == pictures[0]["centre_px"]), "{told}");
    // The animation by a reader of its own.
    let mut reader =
        png::Decoder::new(std::io::BufReader::new(std::fs::File::open(&out).unwrap())).read_info().unwrap();
    let count = reader.info().animation_control().unwrap().num_frames;
    assert_eq!(count as usize, pictures.len());
    let (width, height) = reader.info().size();
    assert_eq!((width, height), (240, 240));
    let (mut seconds, mut centres) = (0.0, Vec::new());
    for _ in 0..count {
        let mut bytes = vec![0; reader.output_buffer_size().unwrap()];
        reader.next_frame(&mut bytes).unwrap();
        let control = reader.info().frame_control().unwrap();
        seconds += f64::from(control.delay_num) / f64::from(control.delay_den);
        // The limb in a row and a column through the middle, half way up from the sky to the disc's own light.
        let at = |x: usize, y: usize| {
            f64::from(u16::from_be_bytes([bytes[6 * (240 * y + x)], bytes[6 * (240 * y + x) + 1]]))
        };
        let row: Vec<f64> = (0..240).map(|x| at(x, 100)).collect();
        centres.push(middle_of_what_is_lit(&row));
    }
    assert!((seconds - 6.0).abs() < 0.002, "{seconds} s");
    let whole: Vec<f64> = centres.into_iter().flatten().collect();
    let mean = whole.iter().sum::<f64>() / whole.len() as f64;
    let rms = (whole.iter().map(|c| (c - mean).powi(2)).sum::<f64>() / whole.len() as f64).sqrt();
    println!("film: discs stand within {rms:.3} px rms in {} pictures lit on both sides", whole.len());
    assert!(whole.len() >= 3 && rms < 0.15, "{rms}");
    // Numbered, as often as each is seen; nothing else.
    let numbered = folder.path().join("film/p##.tif");
    let run = moonloom(&[&args[..], &["--out", text(&numbered), "--rate", "5"]].concat());
    assert!(run.status.success(), "{}", stderr(&run));
    assert_eq!(std::fs::read_dir(folder.path().join("film")).unwrap().count(), 30);
    let run = moonloom(&[&args[..], &["--out", text(&numbered)]].concat());
    assert!(stderr(&run).contains("p10.tif and what follows it is of an earlier, longer film"), "{}", stderr(&run));
    refused(
        &moonloom(&["film", text(small_night()), "--out", text(&folder.path().join("f.jpg"))]),
        2,
        &["cannot hold a film"],
    );
}

/// A sheet that fills: each picture has one disc more, in the order of time, and the last is the sheet itself.
#[test]
fn a_sheet_fills_disc_by_disc() {
    let folder = TempDir::new().unwrap();
    let (layout, cache) = (grid_for_small_night(folder.path()), folder.path().join("cache"));
    let (sheet, filled) = (folder.path().join("sheet.png"), folder.path().join("fill/##.png"));
    let rest = ["--cache", text(&cache), "--longest-side", "400"];
    let given = ["compose", text(&layout), text(small_night()), "--out", text(&sheet)];
    assert!(moonloom(&[&given[..], &rest].concat()).status.success());
    let given = ["film", text(small_night()), "--layout", text(&layout), "--out", text(&filled), "--json"];
    let run = moonloom(&[&given[..], &rest].concat());
    assert!(run.status.success(), "{}", stderr(&run));
    let told: serde_json::Value = serde_json::from_slice(&run.stdout).unwrap();
    let pictures = told["pictures"].as_array().unwrap();
    let times: Vec<&str> = pictures.iter().map(|p| p["utc"].as_str().unwrap()).collect();
    assert!(times.len() >= 4 && times.is_sorted(), "{times:?}");
    let open = |k: usize| image::open(folder.path().join(format!("fill/{k:02}.png"))).unwrap().into_rgb16();
    assert_eq!(open(pictures.len()), image::open(&sheet).unwrap().into_rgb16(), "the last is the sheet itself");
    for (k, p) in pictures.iter().enumerate().skip(1) {
        let (before, here) = (open(k), open(k + 1));
        let centre = (p["centre_px"][0].as_f64().unwrap(), p["centre_px"][1].as_f64().unwrap());
        let radius = p["radius_px"].as_f64().unwrap();
        let mut changed = 0;
        for (x, y, pixel) in here.enumerate_pixels().filter(|(x, y, pixel)| before.get_pixel(*x, *y) != *pixel) {
            let away = (f64::from(x) + 0.5 - centre.0).hypot(f64::from(y) + 0.5 - centre.1);
            // A label stands under its disc.
            assert!(away < 2.2 * radius, "picture {}: {x} {y} {pixel:?}", k + 1);
            changed += usize::from(away < radius);
        }
        assert!(changed > 20, "picture {} shows its disc", k + 1);
    }
}

/// A gap is held, cut or cross-faded as the layout says; what no camera saw is said to be so by the file that shows it, and by no
/// other.
#[test]
fn a_gap_is_held_cut_or_cross_faded_as_the_layout_says() {
    let night = copy_of_small_night();
    let mut frames: Vec<_> = std::fs::read_dir(night.path()).unwrap().map(|e| e.unwrap().path()).collect();
    frames.retain(|p| p.extension().is_some_and(|e| e == "jpg" || e == "tif"));
    frames.sort();
    // Three frames are missing in the middle: the step there is four times as long.
    let middle = frames.len() / 2;
    frames[middle..middle + 3].iter().for_each(|p| std::fs::remove_file(p).unwrap());
    let folder = TempDir::new().unwrap();
    let cache = folder.path().join("cache");
    let film = |gaps: &str, out: &str| {
        let layout = folder.path().join(format!("{gaps}.ron"));
        let notation = format!(
            "(version: 2, canvas: (width: 120, height: 120, margin: 4), arrangement: PhaseGrid(columns: 1, rows: 1), film: (gaps: {gaps}))"
        );
        std::fs::write(&layout, notation).unwrap();
        let out = folder.path().join(gaps).join(out);
        let given = ["film", text(night.path()), "--layout", text(&layout), "--out", text(&out), "--seconds", "4"];
        let run = moonloom(&[&given[..], &["--rate", "10", "--cache", text(&cache), "--json"]].concat());
        assert!(run.status.success(), "{}", stderr(&run));
        serde_json::from_slice::<serde_json::Value>(&run.stdout).unwrap()
    };
    let held = film("Held", "###.png");
    let longest = |told: &serde_json::Value| {
        let seconds = told["seconds"].as_array().unwrap().iter().map(|s| s.as_f64().unwrap());
        seconds.fold(0.0, f64::max)
    };
    let mean = 4.0 / held["seconds"].as_array().unwrap().len() as f64;
    assert!(
        longest(&held) > 2.0 * mean
            && held["cross_faded"].is_null()
            && held["cross_faded_between"].as_array().unwrap().is_empty(),
        "{held}"
    );
    let cut = film("Cut", "###.png");
    assert!(
        longest(&cut) < 1.5 * mean
            && cut["cross_faded"].is_null()
            && cut["cross_faded_between"].as_array().unwrap().is_empty(),
        "{cut}"
    );
    let faded = film("CrossFaded", "###.png");
    assert!(
        faded["cross_faded"].is_string() && faded["cross_faded_between"][0].as_array().is_some_and(|w| w.len() == 2),
        "{faded}"
    );
    let open = |kind: &str, k: usize| {
        let path = folder.path().join(kind).join(format!("{k:03}.png"));
        let bytes = std::fs::read(&path).unwrap();
        let is_faded = bytes.windows(10).any(|w| w == b"crossFaded");
        (image::load_from_memory(&bytes).unwrap().into_rgb16(), is_faded)
    };
    let all: Vec<_> = (1..=40).map(|k| open("CrossFaded", k)).collect();
    // What each numbered picture shows is told, and is what its own file says of it.
    let told: Vec<bool> = faded["written"]
        .as_array()
        .unwrap()
        .iter()
        .flat_map(|w| {
            let count = w["count"].as_u64().unwrap() as usize;
            std::iter::repeat_n(w["next_share"].as_f64().unwrap() > 0.0, count)
        })
        .collect();
    assert_eq!(told, all.iter().map(|(_, is_faded)| *is_faded).collect::<Vec<_>>());
    let between: Vec<usize> = (0..40).filter(|k| all[*k].1).collect();
    assert!(between.len() >= 4 && between.windows(2).all(|w| w[1] == w[0] + 1), "{between:?}");
    // Each is lit as much as lies between its neighbours on either side, in light (IEC 61966-2-1).
    let light = |k: usize| {
        let linear = |v: u16| {
            let v = f64::from(v) / 65_535.0;
            if v <= 0.040_45 { v / 12.92 } else { ((v + 0.055) / 1.055).powf(2.4) }
        };
        all[k].0.pixels().map(|p| linear(p.0[1])).sum::<f64>()
    };
    let (first, last) = (light(between[0] - 1), light(between[between.len() - 1] + 1));
    for (i, k) in between.iter().enumerate() {
        let share = (i + 1) as f64 / (between.len() + 1) as f64;
        let expected = first + (last - first) * share;
        assert!((light(*k) / expected - 1.0).abs() < 0.02, "{k}: {} of {expected}", light(*k));
    }
    // A film in one file says it of the whole.
    film("CrossFaded", "film.png");
    let bytes = std::fs::read(folder.path().join("CrossFaded/film.png")).unwrap();
    assert!(bytes.windows(10).any(|w| w == b"crossFaded"));
}

/// Between the two places where a profile rises and falls through half of its light; `None` where it is not lit on both sides.
fn middle_of_what_is_lit(profile: &[f64]) -> Option<f64> {
    let most = profile.iter().copied().fold(0.0, f64::max);
    let half = 0.3 * most;
    let crossing = |i: usize, j: usize| {
        let (a, b) = (profile[i], profile[j]);
        i as f64 + (half - a) / (b - a) * (j as f64 - i as f64)
    };
    let first = profile.iter().position(|v| *v > half)?;
    let last = profile.iter().rposition(|v| *v > half)?;
    if first == 0 || last + 1 >= profile.len() {
        return None;
    }
    let (left, right) = (crossing(first - 1, first), crossing(last + 1, last));
    // Partial phases are lit on one side, and a sliver on both of its own.
    let is_whole = last - first > profile.len() / 2;
    let steep = |i: usize| profile[i.min(profile.len() - 4) + 3] > 0.5 * most;
    (is_whole && steep(first) && profile[last - 3] > 0.5 * most && most > 8000.0).then_some((left + right) / 2.0)
}

/// The boxes of a file of ISO/IEC 14496-12, one after another: kind and contents.
fn boxes(bytes: &[u8]) -> Vec<(String, &[u8])> {
    let (mut rest, mut out) = (bytes, Vec::new());
    while !rest.is_empty() {
        let short = u32::from_be_bytes(rest[..4].try_into().unwrap()) as usize;
        let (head, length) =
            if short == 1 { (16, u64::from_be_bytes(rest[8..16].try_into().unwrap()) as usize) } else { (8, short) };
        out.push((String::from_utf8_lossy(&rest[4..8]).into_owned(), &rest[head..length]));
        rest = &rest[length..];
    }
    out
}

/// A layout of one cell that is far wider than high.
fn flat(folder: &Path) -> std::path::PathBuf {
    let path = folder.join("flat.ron");
    let layout = "(version: 2, canvas: (width: 800, height: 200), arrangement: PhaseGrid(columns: 1, rows: 1))";
    std::fs::write(&path, layout).unwrap();
    path
}

/// What a video's file says of it.
fn index_of(path: &Path) -> Moov {
    let bytes = std::fs::read(path).unwrap();
    let at = bytes.windows(4).rposition(|w| w == b"moov").unwrap() - 4;
    Moov::decode(&mut &bytes[at..]).unwrap()
}

/// How it is coded, and its primaries, transfer and matrix (ITU-T H.273).
fn coding_of(moov: &Moov) -> (&Av01, [u16; 3]) {
    let Codec::Av01(av1) = &moov.trak[0].mdia.minf.stbl.stsd.codecs[0] else { panic!("it is no AV1") };
    match av1.colr {
        Some(Colr::Nclx {
            colour_primaries,
            transfer_characteristics,
            matrix_coefficients,
            full_range_flag: false,
        }) => (av1, [colour_primaries, transfer_characteristics, matrix_coefficients]),
        ref other => panic!("{other:?}"),
    }
}

/// Sixteen-bit codes of a file's pictures, by a program that is not ours; `None` where it is not installed.
fn decoded_by_another(path: &Path) -> Option<Vec<u16>> {
    let arguments =
        ["-v", "warning", "-i", text(path), "-fps_mode", "passthrough", "-f", "rawvideo", "-pix_fmt", "rgb48le", "-"];
    let run = Command::new("ffmpeg").args(arguments).output().ok()?;
    let said = stderr(&run);
    if ["fps_mode", "Decoder"].iter().any(|missing| said.contains(missing)) {
        println!("this ffmpeg is too old for the video");
        return None;
    }
    assert!(run.status.success() && said.is_empty(), "{said}");
    Some(run.stdout.chunks_exact(2).map(|b| u16::from_le_bytes([b[0], b[1]])).collect())
}

/// A video is a whole MP4 (ISO/IEC 14496-12) of AV1 that says its colour (ITU-T H.273: BT.709's primaries are 1, sRGB's curve 13),
/// lasts as long as was asked and, where ffmpeg is installed, is read by it without a word as what was drawn: 40 dB at least.
#[test]
fn a_video_is_read_as_it_was_drawn() {
    let folder = TempDir::new().unwrap();
    let (out, cache) = (folder.path().join("film.mp4"), folder.path().join("cache"));
    let args = ["film", text(small_night()), "--longest-side", "240", "--seconds", "6", "--cache", text(&cache)];
    let film = |more: &[&str]| moonloom(&[&args[..], more].concat());
    let run = film(&["--out", text(&out), "--json"]);
    assert!(run.status.success(), "{}", stderr(&run));
    let told: serde_json::Value = serde_json::from_slice(&run.stdout).unwrap();
    let seconds: Vec<f64> = told["seconds"].as_array().unwrap().iter().map(|s| s.as_f64().unwrap()).collect();
    let bytes = std::fs::read(&out).unwrap();
    let parts = boxes(&bytes);
    let kinds: Vec<&str> = parts.iter().map(|(kind, _)| kind.as_str()).collect();
    assert_eq!(kinds, ["ftyp", "mdat", "moov", "uuid"]);
    assert!(String::from_utf8_lossy(parts[3].1).contains("urn:moonloom:picture:1"));
    let moov = index_of(&out);
    let media = &moov.trak[0].mdia;
    let times: Vec<u32> =
        media.minf.stbl.stts.entries.iter().flat_map(|e| vec![e.sample_delta; e.sample_count as usize]).collect();
    assert_eq!((media.mdhd.timescale, media.mdhd.duration, times.iter().sum::<u32>()), (90_000, 540_000, 540_000));
    assert_eq!(times.len(), seconds.len());
    assert!(times.iter().zip(&seconds).all(|(t, s)| (f64::from(*t) - 90_000.0 * s).abs() <= 90.0), "{times:?}");
    let (av1, colour) = coding_of(&moov);
    assert_eq!((av1.visual.width, av1.visual.height, colour), (240, 240, [1, 13, 1]));
    assert!(av1.av1c.high_bitdepth && !av1.av1c.twelve_bit && av1.av1c.seq_profile == 0);
    // So often a second, each photograph as often as it is seen.
    let even = folder.path().join("even.mp4");
    let bare = |more: &[&str]| {
        moonloom(&[&["film", text(small_night()), "--out", text(&even), "--cache", text(&cache)], more].concat())
    };
    assert!(bare(&["--longest-side", "120", "--seconds", "2", "--rate", "24"]).status.success());
    let moov = index_of(&even);
    let entries = &moov.trak[0].mdia.minf.stbl.stts.entries;
    assert!(entries.iter().all(|e| e.sample_delta == 3750) && moov.mvhd.duration == 180_000);
    refused(&bare(&["--seconds", "0.1", "--rate", "1"]), 2, &["no picture"]);
    let flat = flat(folder.path());
    refused(&bare(&["--longest-side", "32", "--layout", text(&flat)]), 2, &["too small"]);
    // What is not a film of ours is not written over; what is, is.
    assert!(film(&["--out", text(&out)]).status.success());
    let theirs = folder.path().join("theirs.mp4");
    std::fs::write(&theirs, b"\0\0\0\x18ftypmp42 a camera's own").unwrap();
    refused(&film(&["--out", text(&theirs)]), 2, &["nothing is written over it"]);
    // The pictures themselves.
    let numbered = folder.path().join("film/p##.png");
    assert!(film(&["--out", text(&numbered)]).status.success());
    let Some(found) = decoded_by_another(&out) else {
        println!("ffmpeg is not installed; no other program has read the video");
        return;
    };
    let one = 3 * 240 * 240;
    assert_eq!(found.len(), times.len() * one);
    for (k, found) in found.chunks_exact(one).enumerate() {
        let drawn = image::open(folder.path().join(format!("film/p{:02}.png", k + 1))).unwrap().into_rgb16();
        let squares =
            drawn.as_raw().iter().zip(found).map(|(a, b)| ((f64::from(*a) - f64::from(*b)) / 65_535.0).powi(2));
        let decibels = -10.0 * (squares.sum::<f64>() / one as f64).log10();
        println!("video, picture {k}: {decibels:.1} dB");
        assert!(decibels > 40.0, "picture {k}: {decibels}");
    }
}

/// Wide colours are said as what they are (ITU-T H.273: BT.2020's primaries are 9, its ten-bit curve 14, its matrix 9), and a
/// space that video has no number for becomes Rec. 2020, which holds it, and that is said.
#[test]
fn a_video_says_its_colour() {
    let folder = TempDir::new().unwrap();
    let of = |space: &str| {
        let layout = folder.path().join("film.ron");
        let text_of = format!(
            "(version: 2, canvas: (width: 96, height: 96), arrangement: PhaseGrid(columns: 1, rows: 1), output: (colour_space: {space}))"
        );
        std::fs::write(&layout, text_of).unwrap();
        let (out, cache) = (folder.path().join(format!("{space}.mp4")), folder.path().join("cache"));
        let run = moonloom(&[
            "film",
            text(small_night()),
            "--layout",
            text(&layout),
            "--out",
            text(&out),
            "--cache",
            text(&cache),
        ]);
        (run, out)
    };
    let (run, out) = of("Rec2020");
    assert!(run.status.success(), "{}", stderr(&run));
    assert_eq!(coding_of(&index_of(&out)).1, [9, 14, 9]);
    let (run, out) = of("AdobeRgbCompatible");
    assert!(
        run.status.success() && stderr(&run).contains("AdobeRgbCompatible: it is written in Rec2020"),
        "{}",
        stderr(&run)
    );
    assert_eq!(coding_of(&index_of(&out)).1, [9, 14, 9]);
}
