//! The table of rooms in DEVELOPERS.md, held: who may use whom, and no cycle.

use crate::nights::root;
use crate::sources::Sources;
use std::collections::{BTreeMap, BTreeSet};

/// Each room and the rooms it may use.
const TABLE: [(&str, &[&str]); 26] = [
    ("units", &[]),
    ("files", &[]),
    ("memory", &[]),
    ("diag", &[]),
    ("raster", &["units"]),
    ("random", &[]),
    ("sky", &["units", "raster", "random"]),
    ("camera", &["units", "sky"]),
    ("ingest", &["units", "files", "memory", "raster", "diag", "sky", "camera"]),
    ("detect", &["units", "raster"]),
    ("registration", &["units", "raster", "diag", "ingest", "sky", "camera", "detect"]),
    ("solve", &["units", "memory", "raster", "diag", "ingest", "sky", "camera", "detect", "registration", "random"]),
    ("response", &["units", "raster", "ingest", "registration"]),
    ("composition", &["raster"]),
    ("layout", &["units", "raster", "diag", "ingest", "sky", "registration", "composition"]),
    ("labels", &["files", "raster", "diag", "composition"]),
    ("blend", &["raster", "diag", "composition"]),
    ("write", &["raster", "diag"]),
    ("plan", &["units", "raster", "diag", "sky", "camera", "labels"]),
    ("simulate", &["units", "raster", "diag", "ingest", "sky", "camera", "write", "random"]),
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
            "composition",
            "layout",
            "labels",
            "blend",
            "write",
        ],
    ),
    ("vigil", &["units", "raster", "diag", "sky", "camera", "ingest", "detect", "registration", "solve", "plan"]),
    (
        "page",
        &[
            "composition",
            "units",
            "files",
            "raster",
            "diag",
            "ingest",
            "sky",
            "camera",
            "detect",
            "registration",
            "solve",
            "layout",
            "compose",
            "write",
            "simulate",
            "plan",
            "proof",
            "vigil",
        ],
    ),
    ("proof", &["units", "memory", "raster", "diag", "ingest", "sky", "camera", "registration"]),
    ("lib", &[]),
];

/// The room of a module: the first word of its path.
fn room(module: &str) -> &str {
    module.split("::").next().unwrap_or(module)
}

#[test]
fn every_room_uses_only_what_the_table_allows() {
    let table: BTreeMap<&str, &[&str]> = TABLE.into_iter().collect();
    let sources = Sources::read();
    // The root re-exports from every room, and the program stands above them all.
    for (module, _) in sources.modules().filter(|(m, _)| !["", "main", "cli"].contains(&room(m))) {
        let allowed = table.get(room(module)).unwrap_or_else(|| panic!("the room of `{module}` is not in the table"));
        for place in sources.uses(module).into_iter().filter(|p| room(&p.module) != room(module)) {
            let other = room(&place.module);
            assert!(allowed.contains(&other), "`{module}` uses `{}`, which the table does not allow", place.module);
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

/// Which other modules each module uses, through whatever re-exports: its parents and its children are not others.
fn edges(sources: &Sources) -> BTreeMap<&str, BTreeSet<&str>> {
    let is_kin = |a: &str, b: &str| a == b || b.starts_with(&format!("{a}::"));
    let of = |module| {
        let ends = sources.uses(module).into_iter();
        let others = ends.filter(|p| !p.module.is_empty() && !is_kin(&p.module, module) && !is_kin(module, &p.module));
        others.filter_map(|p| sources.modules().find(|(m, _)| *m == p.module)).map(|(m, _)| m).collect()
    };
    sources.modules().filter(|(m, _)| !m.is_empty()).map(|(module, _)| (module, of(module))).collect()
}

/// Modules that use each other in a circle, if any do.
fn circle(sources: &Sources) -> Option<Vec<String>> {
    let mut left = edges(sources);
    loop {
        let free: Vec<&str> =
            left.iter().filter(|(_, used)| used.iter().all(|u| !left.contains_key(u))).map(|(m, _)| *m).collect();
        if free.is_empty() {
            break;
        }
        free.iter().for_each(|m| drop(left.remove(m)));
    }
    // What is left uses a circle or stands in one: following any of it leads into one.
    let mut way = vec![*left.keys().next()?];
    loop {
        let next = left[way.last()?].iter().find(|u| left.contains_key(*u))?;
        if let Some(at) = way.iter().position(|m| m == next) {
            return Some(way[at..].iter().map(|m| (*m).to_owned()).collect());
        }
        way.push(next);
    }
}

#[test]
fn files_do_not_use_each_other_in_a_circle() {
    let sources = Sources::read();
    assert!(edges(&sources).values().map(BTreeSet::len).sum::<usize>() > 300, "hardly any use is seen");
    assert_eq!(circle(&sources), None);
}

#[test]
fn planted_circles_are_found() {
    let texts = |colour: &str| {
        let texts = [
            ("", "pub mod layout;"),
            ("layout", "mod check; mod colour; mod words; pub use check::MOST;"),
            ("layout::check", "use super::colour::Colour; pub const MOST: usize = 1;"),
            ("layout::colour", colour),
            ("layout::words", ""),
        ];
        Sources::parse(&texts.map(|(m, t)| (m.to_owned(), t.to_owned())).into())
    };
    assert_eq!(circle(&texts("use super::words; pub struct Colour;")), None);
    let found = Some(vec!["layout::check".to_owned(), "layout::colour".to_owned()]);
    for planted in [
        "use super::{words, check::{self, MOST}};",
        "use super::MOST;",
        "fn f() -> usize { crate::layout::MOST }",
        "fn f() { print!(\"{}\", (1, super::check::MOST)); }",
    ] {
        assert_eq!(circle(&texts(planted)), found, "{planted}");
    }
    // What unit tests use is their own affair.
    assert_eq!(circle(&texts("#[cfg(test)] mod tests { use super::super::MOST; }")), None);
}
