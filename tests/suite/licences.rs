//! The list of what is inside, held against `cargo metadata`, and each licence against what this project allows.

use crate::nights::{moonloom, root};
use std::collections::{BTreeMap, BTreeSet};
use std::process::Command;

/// Every package that the program is built of (on 64-bit Linux): name, version, licence.
fn inside() -> BTreeSet<(String, String, String)> {
    let cargo = std::env::var("CARGO").unwrap_or_else(|_| "cargo".into());
    let run = Command::new(cargo)
        .args([
            "metadata",
            "--format-version",
            "1",
            "--locked",
            "--offline",
            "--filter-platform",
            "x86_64-unknown-linux-gnu",
        ])
        .current_dir(root())
        .output()
        .unwrap();
    assert!(run.status.success(), "{}", String::from_utf8_lossy(&run.stderr));
    let metadata: serde_json::Value = serde_json::from_slice(&run.stdout).unwrap();
    let text = |v: &serde_json::Value| v.as_str().unwrap_or("").to_owned();
    let packages: BTreeMap<String, &serde_json::Value> =
        metadata["packages"].as_array().unwrap().iter().map(|p| (text(&p["id"]), p)).collect();
    let nodes: BTreeMap<String, &serde_json::Value> =
        metadata["resolve"]["nodes"].as_array().unwrap().iter().map(|n| (text(&n["id"]), n)).collect();
    let root = text(&metadata["resolve"]["root"]);
    let (mut seen, mut open) = (BTreeSet::new(), vec![root.clone()]);
    while let Some(id) = open.pop() {
        if seen.insert(id.clone()) {
            let built = nodes[&id]["deps"].as_array().unwrap().iter().filter(|d| {
                // Neither what only tests nor what only build scripts need.
                d["dep_kinds"].as_array().unwrap().iter().any(|k| k["kind"].is_null())
            });
            open.extend(built.map(|d| text(&d["pkg"])));
        }
    }
    seen.remove(&root);
    let row =
        |id: &String| (text(&packages[id]["name"]), text(&packages[id]["version"]), text(&packages[id]["license"]));
    seen.iter().map(row).collect()
}

#[test]
fn the_list_of_licences_is_what_cargo_says() {
    let path = root().join("src/cli/licences.csv");
    let mut wanted = String::from("package,version,licence\n");
    // Older manifests write a slash for OR, which SPDX does not know.
    inside().iter().for_each(|(n, v, l)| wanted.push_str(&format!("{n},{v},{}\n", l.replace('/', " OR "))));
    let listed = std::fs::read_to_string(&path).unwrap_or_default();
    if std::env::var_os("BLESS").is_some() {
        std::fs::write(&path, &wanted).unwrap();
    }
    assert!(listed == wanted, "{} is not what `cargo metadata` says: BLESS=1 rewrites it", path.display());
}

#[test]
fn every_licence_is_one_that_may_be_built_in() {
    // Permissive ones; the LGPL for camera raw alone, which is read in a process of its own.
    let allowed = [
        "MIT",
        "Apache-2.0",
        "Apache-2.0 WITH LLVM-exception",
        "BSD-2-Clause",
        "BSD-3-Clause",
        "0BSD",
        "Zlib",
        "Unlicense",
        "BSL-1.0",
        "Unicode-3.0",
    ];
    for (name, _, licence) in inside() {
        let choices = licence.replace('/', " OR ").replace(['(', ')'], "");
        // Each of what is joined by AND must be had; of what is joined by OR one is enough.
        let may = choices.split(" AND ").all(|part| part.split(" OR ").any(|l| allowed.contains(&l.trim())));
        assert!(may || (name == "rawler" && licence == "LGPL-2.1"), "{name} is under {licence}");
    }
}

#[test]
fn the_bill_of_materials_lists_them_all() {
    let run = moonloom(&["licences", "--json"]);
    let bill: serde_json::Value = serde_json::from_slice(&run.stdout).unwrap();
    assert_eq!((&bill["bomFormat"], &bill["specVersion"]), (&"CycloneDX".into(), &"1.5".into()));
    let of = |kind: &str| bill["components"].as_array().unwrap().iter().filter(|c| c["type"] == kind).count();
    // The font and the map of the Moon besides.
    assert_eq!((of("library"), of("data")), (inside().len(), 2));
    let words = String::from_utf8(moonloom(&["licences"]).stdout).unwrap();
    assert!(words.contains("LGPL-2.1") && words.contains("OFL-1.1"), "{words}");
}
