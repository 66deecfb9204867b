//! The command line: what is asked wrong is said clearly, with the right exit status, and nothing is lost.

use crate::nights::{SMALL_NIGHT, copy_of_small_night, moonloom, root, sample, small_night, stderr, text, truth_of};
use std::path::Path;
use std::process::Output;
use tempfile::TempDir;

pub fn grid_for_small_night(folder: &Path) -> std::path::PathBuf {
    let path = folder.join("grid.ron");
    let layout = r#"(
        version: 1,
        canvas: (width_px: 640, height_px: 640, margin_px: 20),
        arrangement: PhaseGrid(columns: 3, rows: 3),
    )"#;
    std::fs::write(&path, layout).unwrap();
    path
}

fn compose(layout: &Path, frames: &Path, out: &Path, cache: &Path) -> Output {
    moonloom(&["compose", text(layout), text(frames), "--out", text(out), "--cache", text(cache)])
}

pub fn refused(run: &Output, status: i32, words: &[&str]) {
    let said = stderr(run);
    assert_eq!(run.status.code(), Some(status), "{said}");
    for word in words {
        assert!(said.contains(word), "`{word}` is missing in: {said}");
    }
}

#[test]
fn an_empty_folder_is_said_plainly() {
    let folder = TempDir::new().unwrap();
    let run = moonloom(&["register", text(folder.path()), "--out", text(&folder.path().join("r.ron"))]);
    refused(&run, 1, &["there is no frame in", "help:"]);
    assert!(!folder.path().join("r.ron").exists());
}

#[test]
fn frames_without_a_time_are_named() {
    let folder = TempDir::new().unwrap();
    // Re-encoded without EXIF, as a careless export does.
    for name in ["n0002.jpg", "n0003.jpg", "n0005.jpg"] {
        image::open(small_night().join(name)).unwrap().save(folder.path().join(name.replace("jpg", "png"))).unwrap();
    }
    std::fs::copy(small_night().join("shoot.ron"), folder.path().join("shoot.ron")).unwrap();
    let out = folder.path().join("trail.tif");
    let run = compose(&root().join("layouts/drift-trail.ron"), folder.path(), &out, &folder.path().join("cache"));
    refused(&run, 1, &["no time is recorded in", "help:"]);
    assert!(!out.exists());
}

#[test]
fn a_truncated_jpeg_is_left_out_and_the_rest_goes_on() {
    let folder = copy_of_small_night();
    let victim = folder.path().join("n0004.jpg");
    let whole = std::fs::read(&victim).unwrap();
    std::fs::write(&victim, &whole[..whole.len() / 2]).unwrap();
    let csv = folder.path().join("found.csv");
    let run =
        moonloom(&["register", text(folder.path()), "--out", text(&folder.path().join("r.ron")), "--csv", text(&csv)]);
    assert!(run.status.success(), "{}", stderr(&run));
    assert!(stderr(&run).contains("n0004.jpg") && stderr(&run).contains("breaks off"), "{}", stderr(&run));
    let table = std::fs::read_to_string(&csv).unwrap();
    assert!(table.starts_with("file,status,utc,x_px,y_px,radius_px"));
    let status =
        |name: &str| table.lines().find(|l| l.starts_with(name)).unwrap().split(',').nth(1).unwrap().to_owned();
    assert_eq!(status("n0004.jpg"), "absent");
    assert_eq!(status("n0003.jpg"), "measured");
    assert_eq!(table.lines().filter(|l| l.contains(",measured,")).count(), truth_of(small_night()).frames.len() - 1);
}

#[test]
fn strict_turns_a_warning_into_status_1() {
    let folder = copy_of_small_night();
    std::fs::write(folder.path().join("n0001.jpg"), b"not a picture").unwrap();
    let registration = folder.path().join("r.ron");
    let lenient = moonloom(&["register", text(folder.path()), "--out", text(&registration)]);
    assert!(lenient.status.success(), "{}", stderr(&lenient));
    let strict = moonloom(&["register", text(folder.path()), "--out", text(&registration), "--strict"]);
    refused(&strict, 1, &["n0001.jpg"]);
}

#[test]
fn frames_of_a_few_pixels_end_no_night() {
    let night = copy_of_small_night();
    let folder = night.path();
    let found = |folder: &Path| {
        let out = folder.join("r.ron");
        let run = moonloom(&["register", text(folder), "--out", text(&out)]);
        assert!(run.status.success(), "{}", stderr(&run));
        stderr(&run)
    };
    let measured = |said: &str| said.split(" measured").next().unwrap().rsplit(' ').next().unwrap().to_owned();
    let before = measured(&found(folder));
    for (name, width, height) in [("a1.png", 1, 1), ("a2.png", 1, 40), ("a3.jpg", 7, 5), ("a4.jpg", 1, 1)] {
        image::RgbImage::from_pixel(width, height, image::Rgb([200, 190, 180])).save(folder.join(name)).unwrap();
    }
    let said = found(folder);
    assert_eq!(measured(&said), before, "{said}");
    assert!(said.contains("a1.png") && said.contains("several-rigs"), "{said}");
}

#[test]
fn a_typo_in_a_layout_gets_file_line_column_and_caret() {
    let folder = TempDir::new().unwrap();
    let layout = folder.path().join("typo.ron");
    std::fs::write(
        &layout,
        "(\n    version: 1,\n    arrangement: PhaseGrid(\n        colums: 3,\n        rows: 3,\n    ),\n)\n",
    )
    .unwrap();
    let run = compose(&layout, small_night(), &folder.path().join("x.tif"), folder.path());
    refused(&run, 2, &["typo.ron:4:9", "colums: 3", "^^^^^^", "did you mean `columns`"]);
}

#[test]
fn a_wrong_value_in_a_layout_is_pointed_at() {
    let folder = TempDir::new().unwrap();
    let layout = folder.path().join("value.ron");
    let cases = [
        ("canvas: (background: \"moonish\"), arrangement: PhaseGrid(columns: 3, rows: 3)", "no colour"),
        ("arrangement: PhaseGrid(columns: 0, rows: 3)", "`columns` is 0"),
        ("arrangement: PhaseGrid(columns: 3, rows: 3), labels: (text: \"{moonphase}\")", "not known in a label"),
        ("arrangement: Spirals(turns: 3)", "`Spirals` is not one of the choices"),
        ("arrangement: PhaseGrid(columns: 3, rows: 3), light: (even_level: 7)", "not between 0.01 and 1"),
        ("arrangement: PhaseGrid(columns: \"3\", rows: 3)", "value.ron:2:"),
    ];
    for (body, words) in cases {
        std::fs::write(&layout, format!("(version: 1,\n{body})")).unwrap();
        let run = compose(&layout, small_night(), &folder.path().join("x.tif"), folder.path());
        refused(&run, 2, &[words, "value.ron:2:", "^"]);
    }
}

#[test]
fn a_grid_too_small_for_the_frames_says_what_to_do() {
    let folder = TempDir::new().unwrap();
    let layout = folder.path().join("small.ron");
    std::fs::write(&layout, "(version: 1, canvas: (width_px: 600, height_px: 600, margin_px: 10), arrangement: PhaseGrid(columns: 2, rows: 2))").unwrap();
    let run = compose(&layout, small_night(), &folder.path().join("x.tif"), folder.path());
    refused(&run, 2, &["do not fit 2 x 2 cells", "count: 4"]);
}

#[test]
fn a_target_in_no_folder_is_refused_before_any_work() {
    let folder = TempDir::new().unwrap();
    let layout = grid_for_small_night(folder.path());
    let run = compose(&layout, small_night(), &folder.path().join("no/such/folder/x.tif"), folder.path());
    refused(&run, 2, &["cannot write", "no/such/folder", "help:"]);
    assert!(!stderr(&run).contains("registered"), "refused before registering");
}

#[test]
fn an_input_frame_is_never_written_over() {
    let folder = copy_of_small_night();
    let layout = grid_for_small_night(folder.path());
    let frame = folder.path().join("n0002.jpg");
    let before = std::fs::read(&frame).unwrap();
    let run = compose(&layout, folder.path(), &frame, folder.path());
    refused(&run, 2, &["is one of the files that this run reads"]);
    let elsewhere = folder.path().join("ok.tif");
    let run = moonloom(&[
        "compose",
        text(&layout),
        text(folder.path()),
        "--out",
        text(&elsewhere),
        "--preview",
        text(&frame),
    ]);
    refused(&run, 2, &["is one of the files that this run reads"]);
    assert_eq!(std::fs::read(&frame).unwrap(), before);
}

#[test]
fn an_unknown_ending_is_refused() {
    let folder = TempDir::new().unwrap();
    let layout = grid_for_small_night(folder.path());
    refused(
        &compose(&layout, small_night(), &folder.path().join("x.psx"), folder.path()),
        2,
        &["what kind of file", ".tif"],
    );
}

#[test]
fn a_missing_folder_is_a_wrong_request() {
    let folder = TempDir::new().unwrap();
    let layout = grid_for_small_night(folder.path());
    let run = compose(&layout, &folder.path().join("nowhere"), &folder.path().join("x.tif"), folder.path());
    refused(&run, 2, &["nowhere"]);
}

#[test]
fn nothing_but_the_picture_is_left_behind() {
    let folder = TempDir::new().unwrap();
    let out = TempDir::new().unwrap();
    let layout = grid_for_small_night(folder.path());
    let picture = out.path().join("grid.png");
    let preview = out.path().join("grid.jpg");
    let run = moonloom(&[
        "compose",
        text(&layout),
        text(small_night()),
        "--out",
        text(&picture),
        "--preview",
        text(&preview),
        "--cache",
        text(folder.path()),
    ]);
    assert!(run.status.success(), "{}", stderr(&run));
    let mut names: Vec<_> = std::fs::read_dir(out.path()).unwrap().map(|e| e.unwrap().file_name()).collect();
    names.sort();
    assert_eq!(names, ["grid.jpg", "grid.png"]);
    let png = image::open(&picture).unwrap();
    assert_eq!((png.width(), png.height(), png.color()), (640, 640, image::ColorType::Rgb16));
}

#[test]
fn an_edited_registration_is_obeyed() {
    let folder = copy_of_small_night();
    let registration = folder.path().join("registration.ron");
    let run = moonloom(&["register", text(folder.path()), "--out", text(&registration)]);
    assert!(run.status.success(), "{}", stderr(&run));
    let written = std::fs::read_to_string(&registration).unwrap();
    let edited = written.replacen("exclude: false", "exclude: true", 1);
    assert_ne!(written, edited);
    std::fs::write(&registration, edited).unwrap();
    let layout = grid_for_small_night(folder.path());
    let discs = |frames: &Path| {
        let run =
            moonloom(&["compose", text(&layout), text(frames), "--dry-run", "--json", "--cache", text(folder.path())]);
        assert!(run.status.success(), "{}", stderr(&run));
        let json: serde_json::Value = serde_json::from_slice(&run.stdout).expect("one JSON document");
        assert_eq!(json["schema"], "moonloom-composition-2");
        json["placements"].as_array().unwrap().len()
    };
    assert_eq!(discs(&registration) + 1, discs(folder.path()));
}

#[test]
fn the_ephemeris_prints_the_promised_columns() {
    let run = moonloom(&[
        "ephemeris",
        "--site",
        "-31.9,115.75,6",
        "--from",
        "2028-12-31T16:00:00Z",
        "--to",
        "2028-12-31T17:00:00Z",
        "--step",
        "30m",
    ]);
    let table = String::from_utf8(run.stdout.clone()).unwrap();
    assert!(run.status.success());
    assert_eq!(table.lines().count(), 4);
    assert!(table.starts_with("utc,altitude_deg,azimuth_deg,refracted_altitude_deg,ra_deg,dec_deg,distance_km,semidiameter_arcsec,parallactic_angle_deg,axis_position_angle_deg,libration_lon_deg,libration_lat_deg,shadow_xi_arcsec,shadow_eta_arcsec,umbra_radius_arcsec,penumbra_radius_arcsec,umbral_fraction\n"));
    refused(&moonloom(&["ephemeris", "--site", "99,0", "--at", "2028-12-31T16:00:00Z"]), 2, &["latitude 99"]);
    refused(&moonloom(&["ephemeris", "--site", "0,0", "--at", "3028-12-31T16:00:00Z"]), 2, &["1900 to 2100"]);
}

#[test]
fn frames_of_two_sizes_are_two_rigs_and_the_layout_says_so() {
    let folder = copy_of_small_night();
    // A second camera joined: the same Moon, a smaller frame.
    let small = image::open(small_night().join("n0002.jpg")).unwrap().thumbnail(200, 150);
    small.save(folder.path().join("other.jpg")).unwrap();
    let layout = grid_for_small_night(folder.path());
    let draw = || compose(&layout, folder.path(), &folder.path().join("x.png"), &folder.path().join("cache"));
    // A grid shows both: one disc more than its cells.
    refused(&draw(), 2, &["10 discs do not fit"]);
    let words = std::fs::read_to_string(&layout).unwrap();
    std::fs::write(&layout, words.replace("arrangement:", "selection: (rig: 0), arrangement:")).unwrap();
    let run = draw();
    assert!(run.status.success(), "{}", stderr(&run));
    assert!(stderr(&run).contains("2 rigs"), "{}", stderr(&run));
    assert!(stderr(&run).contains("1 frames of other rigs are left out"), "{}", stderr(&run));
}

#[test]
fn register_never_writes_over_a_frame_or_the_notes() {
    let folder = copy_of_small_night();
    for (flag, name) in [("--out", "n0002.jpg"), ("--out", "shoot.ron"), ("--csv", "n0003.jpg")] {
        let victim = folder.path().join(name);
        let before = std::fs::read(&victim).unwrap();
        let spare = folder.path().join("r.ron");
        let mut args = vec!["register", text(folder.path()), flag, text(&victim)];
        if flag == "--csv" {
            args.extend(["--out", text(&spare)]);
        }
        refused(&moonloom(&args), 2, &["nothing is written over them"]);
        assert_eq!(std::fs::read(&victim).unwrap(), before);
    }
}

#[test]
fn a_damaged_frame_is_not_written_over_either() {
    let folder = copy_of_small_night();
    let damaged = folder.path().join("tiny.jpg");
    std::fs::write(&damaged, b"half a header").unwrap();
    let layout = grid_for_small_night(folder.path());
    refused(&compose(&layout, folder.path(), &damaged, folder.path()), 2, &["nothing is written over them"]);
    assert_eq!(std::fs::read(&damaged).unwrap(), b"half a header");
}

#[test]
fn the_preview_cannot_replace_the_picture() {
    let folder = TempDir::new().unwrap();
    let layout = grid_for_small_night(folder.path());
    let out = folder.path().join("x.jpg");
    for preview in ["x.jpg", "y.tif"] {
        let preview = folder.path().join(preview);
        let run = moonloom(&[
            "compose",
            text(&layout),
            text(small_night()),
            "--out",
            text(&out),
            "--preview",
            text(&preview),
        ]);
        refused(&run, 2, &["cannot be the preview's name"]);
    }
}

#[test]
fn impossible_numbers_in_a_registration_are_refused() {
    let folder = copy_of_small_night();
    let registration = folder.path().join("registration.ron");
    assert!(moonloom(&["register", text(folder.path()), "--out", text(&registration)]).status.success());
    let written = std::fs::read_to_string(&registration).unwrap();
    let layout = grid_for_small_night(folder.path());
    let field = |name: &str| {
        let at = written.find(name).unwrap() + name.len();
        let end = at + written[at..].find(",\n").unwrap();
        (at, end)
    };
    let cases = [
        ("radius_px: ", "-9.0"),
        ("radius_px: ", "1e9"),
        ("radius_px: ", "NaN"),
        ("centre_px: ", "(99999.0, 5.0)"),
        ("utc: ", "\"soon\""),
        ("focal_length_px: ", "0.0"),
        ("up_position_angle_deg: ", "inf"),
        ("by: ", "Guesswork"),
    ];
    for (name, value) in cases {
        let (at, end) = field(name);
        std::fs::write(&registration, format!("{}{value}{}", &written[..at], &written[end..])).unwrap();
        let run = compose(&layout, &registration, &folder.path().join("x.png"), folder.path());
        refused(&run, 2, &["registration.ron:", "help:"]);
    }
}

#[test]
fn a_sliver_of_a_picture_among_the_frames_does_no_harm() {
    let folder = copy_of_small_night();
    image::RgbImage::new(5, 400).save(folder.path().join("sliver.png")).unwrap();
    let run = moonloom(&["register", text(folder.path()), "--out", text(&folder.path().join("r.ron"))]);
    assert!(run.status.success(), "{}", stderr(&run));
    assert!(stderr(&run).contains("9 measured"), "{}", stderr(&run));
}

#[test]
fn wrong_notes_are_pointed_at() {
    let cases = [
        ("optics: (pixel_pitch_um: 0.00917)", "`pixel_pitch_um` is not between"),
        ("clock: (ahead_s: NaN)", "a number that nothing here can have"),
        ("clock: (ahead_s: 5e10)", "cannot be put right"),
        ("clock: (utc_offset: \"Perth\")", "not an offset from UTC"),
        ("mont: FixedTripod", "did you mean `mount`"),
    ];
    for (line, words) in cases {
        let folder = copy_of_small_night();
        std::fs::write(folder.path().join("shoot.ron"), format!("(\n    version: 1,\n    {line},\n)\n")).unwrap();
        let run = moonloom(&["register", text(folder.path()), "--out", text(&folder.path().join("r.ron"))]);
        refused(&run, 2, &[words, "shoot.ron:3:"]);
    }
}

#[test]
fn notes_saved_by_a_windows_editor_are_read() {
    let folder = copy_of_small_night();
    let notes = folder.path().join("shoot.ron");
    let marked = format!("\u{feff}{}", std::fs::read_to_string(&notes).unwrap());
    std::fs::write(&notes, marked).unwrap();
    let run = moonloom(&["register", text(folder.path()), "--out", text(&folder.path().join("r.ron"))]);
    assert!(run.status.success(), "{}", stderr(&run));
}

#[test]
fn a_clock_in_the_wrong_zone_is_suspected() {
    let folder = copy_of_small_night();
    let notes = folder.path().join("shoot.ron");
    let wrong = std::fs::read_to_string(&notes).unwrap().replace("+08:00", "-04:00");
    std::fs::write(&notes, wrong).unwrap();
    let run = moonloom(&["register", text(folder.path()), "--out", text(&folder.path().join("r.ron"))]);
    assert!(stderr(&run).contains("utc_offset"), "{}", stderr(&run));
}

#[test]
fn paths_that_are_not_there_are_named() {
    let folder = TempDir::new().unwrap();
    let out = folder.path().join("r.ron");
    refused(&moonloom(&["register", "nowhere.jpg", "--out", text(&out)]), 2, &["nowhere.jpg"]);
    let elsewhere = copy_of_small_night();
    let (a, b) = (small_night().join("n0001.jpg"), elsewhere.path().join("n0002.jpg"));
    refused(&moonloom(&["register", text(&a), text(&b), "--out", text(&out)]), 2, &["share a folder"]);
}

#[test]
fn a_rehearsal_never_writes_into_a_photographers_folder() {
    let folder = TempDir::new().unwrap();
    let night = folder.path().join("wide");
    std::fs::create_dir(&night).unwrap();
    std::fs::copy(small_night().join("n0001.jpg"), night.join("w0001.jpg")).unwrap();
    let before = std::fs::read(night.join("w0001.jpg")).unwrap();
    let run =
        moonloom(&["rehearse", text(&root().join("sample-frames/saltbush-jetty.ron")), "--out", text(folder.path())]);
    assert!(!run.status.success() && stderr(&run).contains("not rehearsed"), "{}", stderr(&run));
    assert_eq!(std::fs::read(night.join("w0001.jpg")).unwrap(), before);
}

#[test]
fn letters_that_the_font_lacks_are_named() {
    let folder = TempDir::new().unwrap();
    let layout = folder.path().join("title.ron");
    std::fs::write(&layout, "(version: 1, title: \"\u{6708} Eclipse\", canvas: (width_px: 640, height_px: 640, margin_px: 20), arrangement: PhaseGrid(columns: 3, rows: 3))").unwrap();
    let run = compose(&layout, small_night(), &folder.path().join("x.png"), &folder.path().join("cache"));
    assert!(run.status.success() && stderr(&run).contains("\u{6708}"), "{}", stderr(&run));
}

#[test]
fn one_command_shows_the_picture_before_the_night() {
    let folder = TempDir::new().unwrap();
    let layout = grid_for_small_night(folder.path());
    let rehearsal = folder.path().join("night.ron");
    std::fs::write(&rehearsal, SMALL_NIGHT).unwrap();
    let out = folder.path().join("rehearsal");
    let run = moonloom(&["rehearse", text(&rehearsal), "--out", text(&out), "--picture", text(&layout)]);
    assert!(run.status.success(), "{}", stderr(&run));
    let picture = image::open(out.join("grid.tif")).unwrap();
    assert_eq!((picture.width(), picture.height()), (640, 640));
    assert!(out.join("grid.jpg").exists() && out.join("night/truth.json").exists());
}

#[test]
fn odd_frames_are_named_and_the_rest_goes_on() {
    let folder = copy_of_small_night();
    let at = |name: &str| folder.path().join(name);
    // The same exposure twice, a frame of another size, and one behind thick cloud.
    std::fs::copy(at("n0003.jpg"), at("n0003 copy.jpg")).unwrap();
    let small = image::open(at("n0005.jpg")).unwrap().crop_imm(20, 10, 260, 220);
    small.save(at("another-camera.jpg")).unwrap();
    image::RgbImage::from_pixel(320, 240, image::Rgb([70, 72, 75])).save(at("thick-cloud.png")).unwrap();
    let csv = at("r.csv");
    let run = moonloom(&["register", text(folder.path()), "--out", text(&at("r.ron")), "--csv", text(&csv)]);
    let words = stderr(&run);
    assert!(run.status.success(), "{words}");
    for expected in ["n0003 copy.jpg and n0003.jpg carry the same time", "several-rigs", "thick-cloud.png"] {
        assert!(words.contains(expected), "no {expected:?} in: {words}");
    }
    let table = std::fs::read_to_string(&csv).unwrap();
    let measured = table.lines().filter(|l| l.contains(",measured,")).count();
    assert_eq!(measured, truth_of(small_night()).frames.len() + 2, "{table}");
    assert!(table.lines().any(|l| l.starts_with("thick-cloud.png,absent")), "{table}");
}

#[test]
fn a_night_of_cloud_is_registered_as_that() {
    let folder = TempDir::new().unwrap();
    for i in 0..3u8 {
        let name = folder.path().join(format!("grey{i}.png"));
        image::RgbImage::from_fn(300, 200, |x, y| image::Rgb([60 + (x / 60) as u8 + i, 62 + (y / 50) as u8, 66]))
            .save(name)
            .unwrap();
    }
    let out = folder.path().join("r.ron");
    let run = moonloom(&["register", text(folder.path()), "--out", text(&out)]);
    refused(&run, 1, &["0 measured", "no disc was found", "found in none of 3 frames"]);
    assert!(out.exists(), "what was seen is written down all the same");
    refused(&moonloom(&["register", text(folder.path()), "--out", text(&out), "--strict"]), 1, &["moon-absent"]);
}

#[test]
fn a_site_that_contradicts_the_frames_is_said() {
    let folder = TempDir::new().unwrap();
    for entry in std::fs::read_dir(sample("wide")).unwrap().take(40) {
        let path = entry.unwrap().path();
        std::fs::copy(&path, folder.path().join(path.file_name().unwrap())).unwrap();
    }
    let notes = folder.path().join("shoot.ron");
    // The same longitude, but the northern hemisphere: the Moon's path bends the other way.
    let words = std::fs::read_to_string(&notes).unwrap();
    let line = words.lines().find(|l| l.contains("latitude_deg")).unwrap();
    std::fs::write(&notes, words.replace(line, &line.replace("-31.9", "45.0"))).unwrap();
    let run = moonloom(&["register", text(folder.path()), "--out", text(&folder.path().join("r.ron"))]);
    let words = stderr(&run);
    assert!(run.status.success(), "{words}");
    assert!(words.contains("check the site"), "{words}");
}

#[test]
fn first_notes_know_a_mount_that_follows_and_offer_no_frame_with_a_moon_as_landscape() {
    use moonloom::camera::Mount;
    use moonloom::ingest::ShootNotes;
    // The sky's rate, at which the Moon wanders by its own motion; and the Moon's rate with a little drift.
    let nights = [("follows-the-sky", "-25.0, 18.0"), ("follows-the-moon", "3.0, -2.0")];
    let rigs: String = nights
        .iter()
        .map(|(name, drift)| {
            format!(
                "(name: \"{name}\", camera: (model: \"T\", width_px: 320, height_px: 240, pixel_pitch_um: 51.0, \
                 focal_length_mm: 500.0), mount: Tracking(up_position_angle_deg: 20.0, drift_px_per_hour: ({drift})), \
                 frames: (every_minutes: 30.0), exposures: [\
                 (from_umbral_fraction: 0.0, seconds: 0.005, f_number: 8.0, iso: 200.0), \
                 (from_umbral_fraction: 0.9, seconds: 0.4, f_number: 5.6, iso: 800.0)], format: Jpeg(quality: 92)),"
            )
        })
        .collect();
    let scenario = format!(
        "(version: 1, title: \"Followed\", site: (latitude_deg: -31.9, longitude_deg: 115.75), \
         eclipse: \"2028-12-31\", utc_offset: \"+08:00\", seed: 3, rigs: [{rigs}])"
    );
    let folder = TempDir::new().unwrap();
    let scenario = moonloom::simulate::Scenario::parse(Path::new("followed.ron"), &scenario).unwrap();
    moonloom::simulate::rehearse(&scenario, folder.path(), &|_| {}).unwrap();
    for (name, _) in nights {
        let frames = folder.path().join(name);
        std::fs::remove_file(frames.join("shoot.ron")).unwrap();
        assert!(moonloom(&["notes", text(&frames)]).status.success());
        let words = std::fs::read_to_string(frames.join("shoot.ron")).unwrap();
        let notes = ShootNotes::parse(&frames.join("shoot.ron"), &words).unwrap();
        assert_eq!(notes.mount, Mount::Tracking, "{name}: {words}");
    }
    // The wide sample without its landscape: every frame shows the Moon.
    let wide = folder.path().join("wide");
    std::fs::create_dir(&wide).unwrap();
    for i in 2..=32 {
        let name = format!("w{i:04}.jpg");
        std::fs::copy(sample("wide").join(&name), wide.join(&name)).unwrap();
    }
    assert!(moonloom(&["notes", text(&wide)]).status.success());
    let words = std::fs::read_to_string(wide.join("shoot.ron")).unwrap();
    let notes = ShootNotes::parse(&wide.join("shoot.ron"), &words).unwrap();
    assert_eq!((notes.mount, notes.foreground), (Mount::FixedTripod, Vec::new()), "{words}");
}

#[test]
fn settings_of_another_nights_frames_are_not_taken_over() {
    let (one, other) = (copy_of_small_night(), copy_of_small_night());
    let file = one.path().join("r.ron");
    assert!(moonloom(&["register", text(one.path()), "--out", text(&file)]).status.success());
    let words = std::fs::read_to_string(&file).unwrap().replacen("exclude: false", "exclude: true", 1);
    std::fs::write(&file, words).unwrap();
    let run = moonloom(&["register", text(other.path()), "--out", text(&file)]);
    assert!(run.status.success() && stderr(&run).contains("another folder"), "{}", stderr(&run));
    assert!(!std::fs::read_to_string(&file).unwrap().contains("exclude: true,"));
}

#[test]
fn first_notes_say_what_the_frames_show_and_touch_none_that_are_there() {
    use moonloom::camera::Mount;
    use moonloom::ingest::ShootNotes;
    for (camera, mount) in [("wide", Mount::FixedTripod), ("tele", Mount::ReaimedTripod)] {
        let folder = TempDir::new().unwrap();
        for entry in std::fs::read_dir(crate::nights::sample(camera)).unwrap() {
            let path = entry.unwrap().path();
            if path.extension().is_some_and(|e| e == "jpg") {
                std::fs::copy(&path, folder.path().join(path.file_name().unwrap())).unwrap();
            }
        }
        let run = moonloom(&["notes", text(folder.path())]);
        assert!(run.status.success(), "{}", stderr(&run));
        let file = folder.path().join("shoot.ron");
        let words = std::fs::read_to_string(&file).unwrap();
        let notes = ShootNotes::parse(&file, &words).unwrap_or_else(|d| panic!("{d}\n{words}"));
        assert_eq!(notes.mount, mount, "{words}");
        // The pitch follows from the recorded focal length and the Moon's mean size, that of the night is within 7 %; a
        // Moon of eight pixels tells none.
        let pitch = notes.optics.pixel_pitch_um;
        assert_eq!(pitch.is_some(), camera == "tele", "{words}");
        assert!(pitch.is_none_or(|p| (p / 9.17 - 1.0).abs() < 0.07), "{pitch:?}");
        assert_eq!(notes.foreground, if camera == "wide" { vec!["w0001.jpg"] } else { vec![] }, "{words}");
        // Once there, they are the photographer's.
        refused(&moonloom(&["notes", text(folder.path())]), 2, &["is there already"]);
        assert_eq!(std::fs::read_to_string(&file).unwrap(), words);
        let printed = moonloom(&["notes", text(folder.path()), "--out", "-"]);
        assert!(printed.status.success() && !printed.stdout.is_empty());
    }
}

#[test]
fn the_program_brings_its_layouts_along_and_leaves_what_is_there() {
    let folder = TempDir::new().unwrap();
    let at = folder.path().join("mine");
    let listed = moonloom(&["layouts"]);
    assert!(String::from_utf8_lossy(&listed.stdout).contains("drift-trail.ron"), "{}", stderr(&listed));
    std::fs::create_dir(&at).unwrap();
    std::fs::write(at.join("spiral.ron"), "my own").unwrap();
    let run = moonloom(&["layouts", "--copy", text(&at)]);
    assert!(run.status.success() && stderr(&run).contains("spiral.ron"), "{}", stderr(&run));
    assert_eq!(std::fs::read_to_string(at.join("spiral.ron")).unwrap(), "my own");
    // What was copied works where it lies.
    let checked = moonloom(&["check", text(&at.join("phase-grid.ron")), text(small_night())]);
    assert!(checked.status.success(), "{}", stderr(&checked));
    refused(&moonloom(&["layouts", "--copy", text(&at.join("spiral.ron"))]), 2, &["is no folder"]);
}

#[test]
fn the_program_examines_itself_and_completes_its_own_words() {
    let run = moonloom(&["doctor", "--json"]);
    assert!(run.status.success(), "{}", stderr(&run));
    let report: serde_json::Value = serde_json::from_slice(&run.stdout).unwrap();
    assert_eq!(report["version"], env!("CARGO_PKG_VERSION"));
    assert_eq!(report["self_check"]["passed"], true, "{report}");
    assert!(report["threads"].as_u64().unwrap() >= 1 && report["memory_mb"].as_u64().unwrap() >= 100);
    for shell in ["bash", "zsh", "fish", "powershell", "elvish"] {
        let words = moonloom(&["completions", shell]);
        let words = String::from_utf8_lossy(&words.stdout).into_owned();
        assert!(words.contains("longest-side") && words.contains("ephemeris"), "{shell}");
    }
    let folder = TempDir::new().unwrap();
    assert!(moonloom(&["manual", "--out", text(folder.path())]).status.success());
    let page = std::fs::read_to_string(folder.path().join("moonloom-compose.1")).unwrap();
    assert!(page.contains(".TH moonloom-compose 1") && page.contains("longest"), "{page}");
}
