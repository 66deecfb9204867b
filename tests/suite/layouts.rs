//! The layouts that come with the program.

use crate::nights::{moonloom, root, stderr, text};
use moonloom::layout::Layout;

#[test]
fn every_layout_parses_and_has_its_preview() {
    let mut count = 0;
    for entry in std::fs::read_dir(root().join("layouts")).unwrap() {
        let path = entry.unwrap().path();
        if path.extension().is_none_or(|e| e != "ron") {
            continue;
        }
        let text = std::fs::read_to_string(&path).unwrap();
        Layout::parse(&path, &text).unwrap_or_else(|d| panic!("{d}"));
        assert!(text.starts_with("//"), "{} opens with its use", path.display());
        assert!(path.with_extension("jpg").exists(), "{} has a preview beside it", path.display());
        count += 1;
    }
    assert!(count >= 3);
}

/// Stock layouts name nothing of the sample night: any night is drawn, or told in one line why it cannot be.
#[test]
fn stock_layouts_serve_another_night() {
    let folder = tempfile::TempDir::new().unwrap();
    let night = crate::nights::small_night();
    let mut drawn = Vec::new();
    let mut layouts: Vec<_> = std::fs::read_dir(root().join("layouts")).unwrap().map(|e| e.unwrap().path()).collect();
    layouts.sort();
    for path in layouts.iter().filter(|p| p.extension().is_some_and(|e| e == "ron")) {
        let words = std::fs::read_to_string(path).unwrap();
        let own: String = words.lines().filter(|l| !l.trim_start().starts_with("//")).collect();
        for name in ["Jetty", "2028", "2029", "t00", "w00"] {
            assert!(!own.contains(name), "{} names {name}", path.display());
        }
        let out = folder.path().join("picture.png");
        let (layout, out) = (text(path), text(&out));
        let run = moonloom(&["compose", layout, text(night), "--out", out, "--longest-side", "200"]);
        let name = path.file_stem().unwrap().to_string_lossy().into_owned();
        if run.status.success() {
            drawn.push(name);
        } else {
            let said = stderr(&run);
            let why: Vec<&str> = said.lines().filter(|l| l.starts_with("error[")).collect();
            println!("{name}: {why:?}");
            assert_eq!(why.len(), 1, "{name}: {said}");
            assert!(["drift-trail", "telescope-over-jetty"].contains(&name.as_str()), "{name}: {said}");
        }
    }
    println!("drawn: {drawn:?}");
    assert!(drawn.len() >= 7);
}

#[test]
fn what_the_papers_deny_is_said_before_a_frame_is_looked_at() {
    use crate::nights::{moonloom, small_night, stderr, text};
    let folder = tempfile::TempDir::new().unwrap();
    let layout = folder.path().join("layout.ron");
    let cases = [
        (
            "selection: (files: [\"n0001.jpg\", \"n00002.jpg\"]), arrangement: PhaseGrid(columns: 2, rows: 2)",
            "n0002.jpg",
        ),
        ("selection: (files: [\"lost.jpg\"]), arrangement: PhaseGrid(columns: 2, rows: 2)", "lost.jpg"),
        ("arrangement: SkyTrack(backplate: Frame(\"lost.jpg\"))", "lost.jpg"),
        ("arrangement: SkyTrack(foreground: Mask(\"roofs.png\"))", "roofs.png"),
        ("font: \"lost.ttf\", arrangement: PhaseGrid(columns: 2, rows: 2)", "lost.ttf"),
    ];
    for (words, named) in cases {
        std::fs::write(&layout, format!("(version: 2, {words})")).unwrap();
        let cache = folder.path().join("cache");
        let out = folder.path().join("p.tif");
        let run =
            moonloom(&["compose", text(&layout), text(small_night()), "--out", text(&out), "--cache", text(&cache)]);
        assert!(!run.status.success() && stderr(&run).contains(named), "{words}: {}", stderr(&run));
        assert!(!stderr(&run).contains("registered") && !cache.exists(), "{words}: nothing was looked at");
        // What lies beside the layout is missed without any frames.
        let alone = moonloom(&["check", text(&layout)]);
        let is_beside = !named.ends_with(".jpg");
        assert_eq!(alone.status.success(), !is_beside, "{words}: {}", stderr(&alone));
        assert!(!is_beside || stderr(&alone).contains(named), "{}", stderr(&alone));
    }
}

#[test]
fn frames_of_a_bare_folder_make_a_grid_as_they_were_taken_and_a_merge_stops_where_the_shadow_moved() {
    use crate::nights::{moonloom, small_night, stderr, text};
    let folder = tempfile::TempDir::new().unwrap();
    let layout = folder.path().join("layout.ron");
    let dry = |frames: &std::path::Path, words: &str| {
        std::fs::write(&layout, format!("(version: 2, {words})")).unwrap();
        let run = moonloom(&["compose", text(&layout), text(frames), "--dry-run", "--json"]);
        assert!(run.status.success(), "{}", stderr(&run));
        let json: serde_json::Value = serde_json::from_slice(&run.stdout).unwrap();
        (json["placements"].as_array().unwrap().clone(), stderr(&run))
    };
    let bare = folder.path().join("bare");
    std::fs::create_dir(&bare).unwrap();
    for i in 1..=9 {
        let name = format!("n{i:04}.jpg");
        std::fs::copy(small_night().join(&name), bare.join(&name)).unwrap();
    }
    let (discs, said) = dry(&bare, "arrangement: PhaseGrid(columns: 3, rows: 3, up: North)");
    assert!(discs.len() == 9 && discs.iter().all(|d| d["turn_rad"] == 0.0), "{discs:?}");
    assert!(said.contains("up-unknown"), "{said}");
    // Frames 42 minutes apart: while the shadow's edge lies on the disc they are no moment, outside of it they are one.
    let (discs, said) =
        dry(small_night(), "light: (merge: (within_s: 2700)), arrangement: PhaseGrid(columns: 3, rows: 3, up: North)");
    assert!(said.contains("shadow-moved"), "{said}");
    let merged: Vec<usize> = discs.iter().map(|d| d["also"].as_array().unwrap().len()).collect();
    assert!((5..9).contains(&discs.len()) && merged.iter().any(|m| *m > 0), "{merged:?}");
}

#[test]
fn labels_may_tell_another_zone_than_the_cameras() {
    use crate::nights::{copy_of_small_night, moonloom, stderr, text};
    let folder = copy_of_small_night();
    let layout = folder.path().join("layout.ron");
    let words = "(version: 2, subtitle: \"{date}\", arrangement: PhaseGrid(columns: 3, rows: 3), labels: (text: \"{local:%H:%M}\"))";
    std::fs::write(&layout, words).unwrap();
    let texts = || {
        let run = moonloom(&["compose", text(&layout), text(folder.path()), "--dry-run", "--json"]);
        assert!(run.status.success(), "{}", stderr(&run));
        let json: serde_json::Value = serde_json::from_slice(&run.stdout).unwrap();
        let texts: Vec<String> =
            json["texts"].as_array().unwrap().iter().map(|t| t["text"].as_str().unwrap().to_owned()).collect();
        texts
    };
    let minutes = |text: &str| {
        let (h, m) = text.split_once(':')?;
        Some(h.parse::<i64>().ok()? * 60 + m.parse::<i64>().ok()?)
    };
    let before: Vec<i64> = texts().iter().filter_map(|t| minutes(t)).collect();
    let notes = folder.path().join("shoot.ron");
    let said = std::fs::read_to_string(&notes).unwrap();
    assert!(said.contains("ahead_s: 0.0"), "{said}");
    std::fs::write(&notes, said.replace("ahead_s: 0.0", "ahead_s: 0.0, label_offset: \"+05:30\"")).unwrap();
    let told = texts();
    let after: Vec<i64> = told.iter().filter_map(|t| minutes(t)).collect();
    assert!(before.len() == 9 && before.len() == after.len(), "{told:?}");
    for (camera, label) in before.iter().zip(&after) {
        assert_eq!((camera - label).rem_euclid(1440), 150, "two and a half hours less: {told:?}");
    }
    assert!(told.iter().any(|t| t == "31 December 2028"), "greatest eclipse is before midnight there: {told:?}");
    // One frame's label by a zone of its own, and the others as before.
    let file = {
        let run = moonloom(&["compose", text(&layout), text(folder.path()), "--dry-run", "--json"]);
        let json: serde_json::Value = serde_json::from_slice(&run.stdout).unwrap();
        json["placements"][0]["frame"].as_str().expect("a frame's name").to_owned()
    };
    std::fs::write(folder.path().join("frames.csv"), format!("file,label_offset\n{file},+08:00\n")).unwrap();
    let one: Vec<i64> = texts().iter().filter_map(|t| minutes(t)).collect();
    let moved: Vec<i64> = after.iter().zip(&one).map(|(a, b)| (b - a).rem_euclid(1440)).filter(|d| *d != 0).collect();
    assert_eq!(moved, [150], "one label goes by its own zone");
    std::fs::write(folder.path().join("frames.csv"), format!("file,label_offset\n{file},Perth\n")).unwrap();
    let run = moonloom(&["compose", text(&layout), text(folder.path()), "--dry-run"]);
    assert!(!run.status.success() && stderr(&run).contains("`Perth` is not an offset"), "{}", stderr(&run));
    std::fs::remove_file(folder.path().join("frames.csv")).unwrap();
    std::fs::write(&notes, said.replace("ahead_s: 0.0", "ahead_s: 0.0, label_offset: \"Perth\"")).unwrap();
    let run = moonloom(&["compose", text(&layout), text(folder.path()), "--dry-run"]);
    assert!(!run.status.success() && stderr(&run).contains("`Perth` is not an offset"), "{}", stderr(&run));
}

/// Moons of 88 pixels across a sheet are said to be a blur before it is printed; on small cells nothing is said.
#[test]
fn discs_larger_than_they_bear_are_said() {
    let folder = tempfile::TempDir::new().unwrap();
    let layout = folder.path().join("grid.ron");
    for (diameter, is_said) in [(1200, true), (300, false)] {
        let words = format!(
            "(version: 2, canvas: (width: 1400, height: 1400, background: \"black\"), \
             arrangement: PhaseGrid(columns: 1, rows: 1, disc_diameter: {diameter}), selection: (at: [\"greatest\"]))"
        );
        std::fs::write(&layout, words).unwrap();
        let run = moonloom(&["compose", text(&layout), text(crate::nights::small_night()), "--dry-run"]);
        let said = stderr(&run);
        assert!(run.status.success(), "{said}");
        assert_eq!(said.contains("discs-blown-up") && said.contains("disc_diameter"), is_said, "{diameter}: {said}");
    }
}

/// Of three frames within ten seconds, three times, one each is shown, and the grid is drawn with three cells; who names files gets them.
#[test]
fn one_disc_of_each_bracket_is_shown() {
    use crate::nights::{copy_of_small_night, moonloom, stderr, text};
    let folder = copy_of_small_night();
    let row = |i: usize| format!("n{:04}.jpg,2028-12-31T{:02}:00:{:02}Z\n", i + 1, 14 + i / 3, 5 * (i % 3));
    let table: String = (0..9).map(row).collect();
    std::fs::write(folder.path().join("frames.csv"), format!("file,utc\n{table}")).unwrap();
    let layout = folder.path().join("layout.ron");
    let shown = |selection: &str| {
        let words = format!(
            "(version: 2, canvas: (width: 900, height: 300, margin: 0), arrangement: PhaseGrid(columns: 3, rows: 3), \
             selection: ({selection}), light: (merge: None))"
        );
        std::fs::write(&layout, words).unwrap();
        let run = moonloom(&["compose", text(&layout), text(folder.path()), "--dry-run", "--json"]);
        assert!(run.status.success(), "{}", stderr(&run));
        let json: serde_json::Value = serde_json::from_slice(&run.stdout).unwrap();
        let all = json["placements"].as_array().unwrap().iter();
        let of = |p: &serde_json::Value| (p["frame"].as_str().unwrap().to_owned(), p["radius_px"].as_f64().unwrap());
        (all.map(of).collect::<Vec<_>>(), stderr(&run))
    };
    let (discs, said) = shown("count: 9");
    assert!(said.contains("one-of-a-burst") && said.contains("9 frames are brackets or bursts of 3 moments"), "{said}");
    let moment = |name: &str| (name[1..5].parse::<usize>().unwrap() - 1) / 3;
    let moments: Vec<usize> = discs.iter().map(|(name, _)| moment(name)).collect();
    assert_eq!(moments, [0, 1, 2], "{discs:?}");
    // One row of cells of 300 px: larger than in cells of 100, and not much larger than they were photographed, with r = 45.
    assert!(discs.iter().all(|(_, radius)| (50.0..=91.0).contains(radius)), "{discs:?}");
    let (named, said) = shown("files: [\"n0001.jpg\", \"n0002.jpg\", \"n0003.jpg\"]");
    assert!(named.len() == 3 && !said.contains("one-of-a-burst"), "{named:?} {said}");
}
