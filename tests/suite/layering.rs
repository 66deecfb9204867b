//! The table of rooms in DEVELOPERS.md, held: who may use whom, and no cycle.

use crate::nights::root;
use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};

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
    ("solve", &["units", "memory", "raster", "diag", "ingest", "sky", "camera", "detect", "registration"]),
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
            "plan",
            "proof",
        ],
    ),
    ("proof", &["units", "memory", "raster", "diag", "ingest", "sky", "camera", "registration"]),
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

/// A source's own name as its path from `src`, without `mod`: `solve/face/mod.rs` is `solve::face`.
fn module_of(relative: &Path) -> String {
    let path = relative.with_extension("").to_string_lossy().replace(['/', '\\'], "::");
    path.strip_suffix("::mod").map_or(path.clone(), str::to_owned)
}

/// A source without what stands in comments and in its unit tests.
fn code_of(text: &str) -> String {
    let text = text.split("#[cfg(test)]\nmod tests").next().unwrap_or("");
    text.lines().map(|l| l.split("//").next().unwrap_or("")).collect::<Vec<_>>().join("\n")
}

/// Every path of a source that begins at `super`, `self` or `crate`; braces are spelt out.
fn paths_of(code: &str) -> Vec<String> {
    let mut out = Vec::new();
    for start in ["super::", "self::", "crate::"] {
        for (at, _) in code.match_indices(start) {
            // Not in the middle of a longer path.
            if !code[..at].ends_with(|c: char| c.is_alphanumeric() || c == '_' || c == ':') {
                spell_out(&code[at..], String::new(), &mut out);
            }
        }
    }
    out
}

/// Reads one path, `a::b` or `a::{b, c::d}`, and what is left after it.
fn spell_out<'a>(mut rest: &'a str, mut path: String, out: &mut Vec<String>) -> &'a str {
    loop {
        let word: usize = rest.chars().take_while(|c| c.is_alphanumeric() || *c == '_').map(char::len_utf8).sum();
        path.push_str(&rest[..word]);
        rest = &rest[word..];
        let Some(after) = rest.strip_prefix("::") else {
            out.push(path);
            return rest;
        };
        path.push_str("::");
        rest = after;
        if let Some(inside) = rest.strip_prefix('{') {
            rest = inside.trim_start();
            while !rest.is_empty() && !rest.starts_with('}') {
                let before = rest.len();
                rest = spell_out(rest, path.clone(), out);
                rest = rest.trim_start_matches(|c: char| c != ',' && c != '}').trim_start_matches(',').trim_start();
                if rest.len() == before {
                    break;
                }
            }
            return rest.strip_prefix('}').unwrap_or(rest);
        }
    }
}

/// Which other modules each module uses: its parents and its children are not others.
fn edges(sources: &BTreeMap<String, String>) -> BTreeMap<&str, BTreeSet<&str>> {
    let mut out: BTreeMap<&str, BTreeSet<&str>> = BTreeMap::new();
    for (module, text) in sources {
        let used = out.entry(module).or_default();
        for path in paths_of(&code_of(text)) {
            let mut base: Vec<&str> = module.split("::").collect();
            let mut words = path.split("::").peekable();
            match words.next() {
                Some("crate") => base.clear(),
                Some("super") => {
                    base.pop();
                    while words.next_if_eq(&"super").is_some() {
                        base.pop();
                    }
                }
                _ => {}
            }
            let mut found = None;
            base.extend(words);
            for length in (1..=base.len()).rev() {
                found = sources.get_key_value(&base[..length].join("::")).map(|(name, _)| name.as_str());
                if found.is_some() {
                    break;
                }
            }
            let is_kin = |other: &str| {
                let within = |a: &str, b: &str| a == b || b.starts_with(&format!("{a}::"));
                within(other, module) || within(module, other)
            };
            used.extend(found.filter(|other| !is_kin(other)));
        }
    }
    out
}

/// Modules that use each other in a circle, if any do.
fn circle(sources: &BTreeMap<String, String>) -> Option<Vec<String>> {
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
    let src = root().join("src");
    let mut files = Vec::new();
    sources(&src, &mut files);
    let texts: BTreeMap<String, String> = files
        .iter()
        .map(|file| (module_of(file.strip_prefix(&src).unwrap()), std::fs::read_to_string(file).unwrap()))
        .collect();
    assert!(edges(&texts).values().map(BTreeSet::len).sum::<usize>() > 300, "hardly any use is seen");
    assert_eq!(circle(&texts), None);
    // One that is planted is found: colours ask the check of layouts, which asks for colours.
    let mut planted = texts;
    planted.get_mut("layout::colour").unwrap().insert_str(0, "use super::{notation, check::{self, MOST}};\n");
    let found = circle(&planted).expect("the planted circle is found");
    assert!(["layout::check", "layout::colour"].iter().all(|m| found.contains(&(*m).to_owned())), "{found:?}");
}
