//! The table of rooms in DEVELOPERS.md, held: who may use whom, and no cycle.

use crate::nights::root;
use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};

/// Each room and the rooms it may use.
const TABLE: [(&str, &[&str]); 22] = [
    ("units", &[]),
    ("files", &[]),
    ("memory", &[]),
    ("diag", &[]),
    ("raster", &["units"]),
    ("random", &[]),
    ("sky", &["units", "raster", "random"]),
    ("ingest", &["units", "files", "memory", "raster", "diag", "sky"]),
    ("detect", &["units", "raster"]),
    ("registration", &["units", "raster", "diag", "ingest", "sky", "detect"]),
    ("solve", &["units", "memory", "raster", "diag", "ingest", "sky", "detect", "registration"]),
    ("response", &["units", "raster", "ingest", "registration"]),
    ("layout", &["units", "raster", "diag", "ingest", "sky", "registration"]),
    ("labels", &["units", "files", "raster", "diag", "sky", "layout"]),
    ("blend", &["units", "raster", "diag", "layout"]),
    ("write", &["raster", "diag"]),
    ("plan", &["units", "raster", "diag", "sky", "simulate", "labels"]),
    ("simulate", &["units", "raster", "diag", "ingest", "sky", "write", "random"]),
    ("score", &["registration", "simulate"]),
    (
        "compose",
        &[
            "units",
            "files",
            "memory",
            "raster",
            "diag",
            "ingest",
            "sky",
            "registration",
            "solve",
            "layout",
            "labels",
            "blend",
            "write",
        ],
    ),
    ("proof", &["units", "memory", "raster", "diag", "ingest", "sky", "registration"]),
    ("lib", &[]),
];

fn sources(folder: &Path, out: &mut Vec<PathBuf>) {
    for entry in std::fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            sources(&path, out);
        } else if path.extension().is_some_and(|e| e == "rs") {
            out.push(path);
        }
    }
}

fn uses() -> BTreeMap<String, BTreeSet<String>> {
    let src = root().join("src");
    let mut files = Vec::new();
    sources(&src, &mut files);
    let mut out: BTreeMap<String, BTreeSet<String>> = BTreeMap::new();
    for file in files {
        let relative = file.strip_prefix(&src).unwrap();
        let first = relative.components().next().unwrap().as_os_str().to_string_lossy().replace(".rs", "");
        if first == "main" || first == "cli" {
            continue;
        }
        let text = std::fs::read_to_string(&file).unwrap();
        let used = out.entry(first.clone()).or_default();
        for (at, _) in text.match_indices("crate::") {
            let rest = &text[at + 7..];
            let name: String = rest.chars().take_while(|c| c.is_alphanumeric() || *c == '_').collect();
            if name != first && !name.is_empty() {
                used.insert(name);
            }
        }
    }
    out
}

#[test]
fn every_room_uses_only_what_the_table_allows() {
    let table: BTreeMap<&str, &[&str]> = TABLE.into_iter().collect();
    for (room, used) in uses() {
        let allowed = table.get(room.as_str()).unwrap_or_else(|| panic!("the room `{room}` is not in the table"));
        for other in used {
            assert!(allowed.contains(&other.as_str()), "`{room}` uses `{other}`, which the table does not allow");
        }
    }
}

#[test]
fn the_table_has_no_cycle() {
    // Rooms can be put in an order in which each uses only earlier ones.
    let mut placed: BTreeSet<&str> = BTreeSet::new();
    while placed.len() < TABLE.len() {
        let next = TABLE.iter().find(|(room, used)| !placed.contains(room) && used.iter().all(|u| placed.contains(u)));
        placed.insert(next.expect("a cycle stands in the table").0);
    }
}

#[test]
fn the_developers_guide_shows_the_same_table() {
    let guide = std::fs::read_to_string(root().join("DEVELOPERS.md")).unwrap();
    for (room, used) in TABLE.iter().filter(|(room, _)| *room != "lib") {
        let row = guide
            .lines()
            .find(|l| l.starts_with(&format!("| `{room}/` |")) || l.starts_with(&format!("| `{room}.rs` |")))
            .unwrap_or_else(|| panic!("DEVELOPERS.md has no row for `{room}`"));
        let listed = row.trim_end_matches('|').rsplit('|').next().unwrap().trim();
        let listed: BTreeSet<&str> = listed.split(", ").filter(|w| *w != "-").collect();
        assert_eq!(listed, used.iter().copied().collect(), "the row of `{room}`");
    }
}
