//! A night in parts: what several runs make of it together is what one makes.

use crate::nights::{moonloom, root, small_night, stderr, text};
use tempfile::TempDir;

fn run(args: &[&str]) {
    let run = moonloom(args);
    assert!(run.status.success(), "{args:?}: {}", stderr(&run));
}

#[test]
fn parts_of_a_registration_merge_to_the_same_bytes() {
    let folder = TempDir::new().unwrap();
    let night = text(small_night());
    let file = |name: &str| folder.path().join(name).to_str().unwrap().to_owned();
    run(&["register", night, "--out", &file("whole.ron")]);
    let parts: Vec<String> = (1..=3).map(|k| file(&format!("{k}.looks"))).collect();
    for (k, part) in parts.iter().enumerate() {
        run(&["register", night, "--part", &format!("{}/3", k + 1), "--out", part]);
    }
    // In any order.
    run(&["merge", &parts[2], &parts[0], &parts[1], "--out", &file("merged.ron")]);
    let [whole, merged] = ["whole.ron", "merged.ron"].map(|name| std::fs::read_to_string(file(name)).unwrap());
    assert!(whole.contains("status: Measured") && whole == merged);

    // A part that is missing, one that is torn and a file that is none are named.
    let refused = |args: &[&str], status: i32, words: &str| {
        let run = moonloom(args);
        assert_eq!(run.status.code(), Some(status), "{args:?}: {}", stderr(&run));
        assert!(stderr(&run).contains(words) && stderr(&run).contains("help:"), "{args:?}: {}", stderr(&run));
    };
    let out = file("none.ron");
    refused(&["merge", &parts[0], &parts[1], "--out", &out], 1, "were not looked at");
    let torn = std::fs::read(&parts[0]).unwrap();
    std::fs::write(file("torn.looks"), &torn[..torn.len() / 2]).unwrap();
    refused(&["merge", &file("torn.looks"), "--out", &out], 2, "it is damaged");
    refused(&["merge", &file("whole.ron"), "--out", &out], 2, "no file of looks");
    let run = moonloom(&["register", night, "--part", "4/3", "--out", &out]);
    assert!(run.status.code() == Some(2) && stderr(&run).contains("2/5"), "{}", stderr(&run));
    // Nothing else is replaced by a part.
    refused(&["register", night, "--part", "1/3", "--out", &file("whole.ron")], 2, "is there already");
    assert!(!folder.path().join("none.ron").exists());
}

#[test]
fn rows_of_a_picture_join_to_the_same_bytes() {
    let folder = TempDir::new().unwrap();
    let night = text(small_night());
    let layout = root().join("layouts/phase-grid.ron");
    let file = |name: &str| folder.path().join(name).to_str().unwrap().to_owned();
    let compose =
        |more: &[&str]| moonloom(&[&["compose", text(&layout), night, "--longest-side", "400"], more].concat());
    let made = |more: &[&str]| {
        let run = compose(more);
        assert!(run.status.success(), "{more:?}: {}", stderr(&run));
    };
    let plan = compose(&["--dry-run", "--json"]);
    let plan: serde_json::Value = serde_json::from_slice(&plan.stdout).unwrap();
    let height = plan["height"].as_u64().unwrap();
    let (first, last) = (file("first.tif"), file("last.tif"));
    made(&["--rows", "0..101", "--out", &first]);
    made(&["--rows", &format!("101..{height}"), "--out", &last]);
    for kind in ["tif", "png", "jpg", "exr"] {
        let (whole, joined) = (file(&format!("whole.{kind}")), file(&format!("joined.{kind}")));
        made(&["--out", &whole]);
        made(&["--from-rows", &last, "--from-rows", &first, "--out", &joined]);
        assert!(std::fs::read(whole).unwrap() == std::fs::read(joined).unwrap(), "{kind}");
    }
    for (parts, words) in [
        (vec!["--from-rows", &first], "no part holds row 101"),
        (vec!["--from-rows", &last, "--from-rows", "layouts/phase-grid.jpg"], "no part of a picture"),
        (vec!["--from-rows", &first, "--from-rows", &last, "--longest-side", "300"], "of another picture"),
    ] {
        let out = file("none.tif");
        // The last flag of a kind would be refused as given twice: the picture is asked for anew.
        let side = if parts.contains(&"300") { &parts[..parts.len() - 2] } else { &parts[..] };
        let longest = if parts.contains(&"300") { "300" } else { "400" };
        let args = [&["compose", text(&layout), night, "--longest-side", longest], side, &["--out", &out]].concat();
        let run = moonloom(&args);
        assert_eq!(run.status.code(), Some(1), "{}", stderr(&run));
        assert!(stderr(&run).contains(words), "{}", stderr(&run));
    }
}
