//! The layout language: what is wrong is pointed at, what is written is read again, older files are read.

use crate::nights::{moonloom, root, small_night, stderr, text};
use moonloom::diag::{read_ron, write_ron};
use moonloom::layout::{
    Along, Arrangement, Labels, Layout, LayoutFile, Length, Order, Path as DiscPath, PhaseGrid, Spacing, Unit, Upright,
};
use proptest::prelude::*;
use std::path::Path;
use tempfile::TempDir;

/// The faults of a layout, each as it is printed.
fn faults(layout: &str) -> Vec<String> {
    Layout::examine(Path::new("bad.ron"), layout).1.iter().map(ToString::to_string).collect()
}

#[test]
fn each_bad_layout_gets_its_caret_and_its_remedy() {
    let grid = "arrangement: PhaseGrid(columns: 2, rows: 2)";
    // What is written, where the caret stands (line:column), and words of the message and its help.
    let cases: [(String, &str, &[&str]); 9] = [
        (format!("(\n    version: 2,\n    {grid},\n    title: 12,\n)"), "4:", &["Expected string"]),
        (
            format!("(version: 2, {grid},\n    subtitel: \"x\")"),
            "2:5",
            &["unknown field `subtitel`", "did you mean `subtitle`"],
        ),
        (
            "(version: 2,\n    arrangement: PhaseGird(columns: 2, rows: 2))".into(),
            "2:",
            &["PhaseGird", "did you mean `PhaseGrid`"],
        ),
        (format!("(version: 2, {grid},\n    canvas: (width: 3))"), "2:14", &["3 pixels", "16 to 60000"]),
        (format!("(version: 2, {grid},\n    canvas: (ink: \"moonish\"))"), "2:14", &["`moonish` is no colour", "CSS"]),
        (format!("(version: 2, {grid},\n    canvas: (page: \"A33\"))"), "2:14", &["no paper", "A0 to A6"]),
        (format!("(version: 2, {grid},\n    selection: (at: [\"U7\"]))"), "2:", &["`U7` names no moment", "greatest"]),
        (
            format!("(version: 2, {grid},\n    labels: (text: \"{{moonphase}}\"))"),
            "2:14",
            &["`{moonphase}` is not known", "{contact}"],
        ),
        (format!("(version: 2, {grid},\n    canvas: (margin: \"2 cubits\"))"), "2:", &["length", "12mm"]),
    ];
    for (layout, place, words) in cases {
        let found = faults(&layout);
        let first = found.first().unwrap_or_else(|| panic!("no fault is found in {layout}"));
        assert!(first.contains(&format!("--> bad.ron:{place}")), "{layout}\n{first}");
        assert!(first.contains('^'), "{first}");
        for word in words {
            assert!(first.contains(word), "`{word}` is missing in {first}");
        }
    }
}

#[test]
fn all_faults_are_named_at_once() {
    let layout = "(version: 2, arrangement: PhaseGrid(columns: 0, rows: 2),\n canvas: (dots_per_inch: 1, ink: \"nocolour\"),\n light: (even_level: 7, shadow_lift: 3))";
    let found = faults(layout);
    assert_eq!(found.len(), 5, "{found:#?}");
    let folder = TempDir::new().unwrap();
    let path = folder.path().join("bad.ron");
    std::fs::write(&path, layout).unwrap();
    let run = moonloom(&["check", text(&path)]);
    assert_eq!(run.status.code(), Some(2));
    assert_eq!(stderr(&run).matches("-->").count(), 4.min(found.len()), "{}", stderr(&run));
}

#[test]
fn what_a_night_does_not_have_is_pointed_at() {
    let folder = TempDir::new().unwrap();
    let path = folder.path().join("layout.ron");
    let cache = folder.path().join("cache");
    let check = |layout: &str| {
        std::fs::write(&path, layout).unwrap();
        moonloom(&["check", text(&path), text(small_night()), "--cache", text(&cache)])
    };
    let run = check("(version: 2, arrangement: PhaseGrid(columns: 3, rows: 3),\n selection: (files: [\"n9999.jpg\"]))");
    assert_eq!(run.status.code(), Some(2));
    assert!(stderr(&run).contains("layout.ron:2:") && stderr(&run).contains("n9999.jpg"), "{}", stderr(&run));
    // A path that leaves the canvas, and discs that overlap: warnings with how much, and what would help.
    let run = check(
        "(version: 2, canvas: (width: 400, height: 300), arrangement: Path(along: Line(from: (20, 150), to: (430, 150)), disc_diameter: 90))",
    );
    assert!(run.status.success(), "{}", stderr(&run));
    let said = stderr(&run);
    assert!(said.contains("disc-leaves-canvas") && said.contains("by 75 px"), "{said}");
    assert!(said.contains("discs-overlap") && said.contains("minutes_apart:"), "{said}");
    // Following that advice, they do not.
    let minutes: u32 = said.split("minutes_apart: ").nth(1).unwrap().split(')').next().unwrap().parse().unwrap();
    let run = check(&format!(
        "(version: 2, canvas: (width: 400, height: 300), arrangement: Path(along: Line(from: (50, 150), to: (350, 150)), spacing: ByTime, disc_diameter: 60), selection: (minutes_apart: {minutes}))"
    ));
    assert!(!stderr(&run).contains("discs-overlap"), "{}", stderr(&run));
}

#[test]
fn a_layout_of_the_first_version_is_read() {
    let old = "(version: 1, canvas: (width_px: 640, height_px: 480, margin_px: 12), arrangement: PhaseGrid(columns: 2, rows: 2, disc_diameter_px: 80), light: (feather_px: 2), labels: (text: \"{file}\", size_px: 20))";
    let new = "(version: 2, canvas: (width: 640, height: 480, margin: 12), arrangement: PhaseGrid(columns: 2, rows: 2, disc_diameter: 80), light: (feather: 2), labels: (text: \"{file}\", size: 20))";
    let read = |t: &str| Layout::parse(Path::new("l.ron"), t).unwrap_or_else(|d| panic!("{d}")).file;
    assert_eq!(LayoutFile { version: 2, ..read(old) }, read(new));
}

#[test]
fn the_reference_is_made_of_the_programs_own_types() {
    let run = moonloom(&["layout-reference"]);
    let reference = String::from_utf8_lossy(&run.stdout).into_owned();
    // Every word that a shipped layout uses as a field stands in it.
    for entry in std::fs::read_dir(root().join("layouts")).unwrap() {
        let path = entry.unwrap().path();
        if path.extension().is_some_and(|e| e == "ron") {
            let layout = std::fs::read_to_string(&path).unwrap();
            for line in layout.lines().map(|l| l.split("//").next().unwrap_or("")) {
                for (at, _) in line.match_indices(": ") {
                    let word: String =
                        line[..at].chars().rev().take_while(|c| c.is_alphanumeric() || *c == '_').collect();
                    let word: String = word.chars().rev().collect();
                    if word.chars().next().is_some_and(char::is_lowercase) {
                        assert!(reference.contains(&format!("`{word}`")), "{word} of {}", path.display());
                    }
                }
            }
        }
    }
    let json = moonloom(&["layout-reference", "--json"]);
    let schema: serde_json::Value = serde_json::from_slice(&json.stdout).unwrap();
    assert_eq!(schema["$schema"], "https://json-schema.org/draft/2020-12/schema");
}

#[test]
fn watching_renders_again_and_goes_on_after_an_error() {
    let folder = TempDir::new().unwrap();
    let (layout, preview) = (folder.path().join("l.ron"), folder.path().join("seen.jpg"));
    let write = |columns: usize| {
        let words = format!(
            "(version: 2, canvas: (width: 500, height: 400), arrangement: PhaseGrid(columns: {columns}, rows: 4))"
        );
        std::fs::write(&layout, words).unwrap();
    };
    write(3);
    let mut child = std::process::Command::new(env!("CARGO_BIN_EXE_moonloom"))
        .args(["watch", text(&layout), text(small_night()), "--preview", text(&preview)])
        .args(["--cache", text(&folder.path().join("cache"))])
        .stderr(std::process::Stdio::null())
        .spawn()
        .unwrap();
    let changed = |since: &[u8]| {
        for _ in 0..600 {
            std::thread::sleep(std::time::Duration::from_millis(100));
            if let Ok(bytes) = std::fs::read(&preview)
                && bytes != since
            {
                return bytes;
            }
        }
        panic!("the preview did not change");
    };
    let first = changed(&[]);
    std::fs::write(&layout, "(version: 2, arrangement: PhaseGird())").unwrap();
    std::thread::sleep(std::time::Duration::from_millis(800));
    assert_eq!(std::fs::read(&preview).unwrap(), first, "an error leaves the picture as it was");
    write(5);
    changed(&first);
    child.kill().unwrap();
    child.wait().unwrap();
}

fn lengths() -> impl Strategy<Value = Length> {
    let units = prop_oneof![
        Just(Unit::Pixel),
        Just(Unit::Millimetre),
        Just(Unit::Inch),
        Just(Unit::Point),
        Just(Unit::Percent),
        Just(Unit::Disc),
        Just(Unit::Degree)
    ];
    (-2000i32..2000, units).prop_map(|(v, unit)| Length { value: f64::from(v) / 8.0, unit })
}

proptest! {
    #[test]
    fn printing_and_parsing_a_layout_gives_the_same_layout(
        columns in 1usize..20, rows in 1usize..20, diameter in proptest::option::of(lengths()), back in any::<bool>(),
        width in lengths(), size in lengths(), title in proptest::option::of("[ -~çãé]{0,20}"),
        from in (lengths(), lengths()), to in (lengths(), lengths()), is_path in any::<bool>(),
    ) {
        let arrangement = if is_path {
            Arrangement::Path(DiscPath { along: Along::Line { from, to }, spacing: Spacing::ByTime, disc_diameter: diameter, up: Upright::Zenith })
        } else {
            let order = if back { Order::Boustrophedon } else { Order::Reading };
            Arrangement::PhaseGrid(PhaseGrid { columns, rows, disc_diameter: diameter, order, up: Upright::North })
        };
        let mut file = Layout::parse(Path::new("l.ron"), "(version: 2, arrangement: PhaseGrid(columns: 1, rows: 1))").unwrap().file;
        file.arrangement = arrangement;
        file.title = title;
        file.canvas.width = width;
        file.labels = Some(Labels { text: "{utc:%H:%M} {umbral:.0}%".into(), size, every: rows });
        let written = write_ron(&file).unwrap();
        let read: LayoutFile = read_ron(Path::new("l.ron"), &written).unwrap_or_else(|d| panic!("{d}\n{written}"));
        prop_assert_eq!(read, file);
    }
}
